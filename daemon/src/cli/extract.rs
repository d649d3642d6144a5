//! `pourbook extract`: pulls and pours of trace files, with no book needed. What a distributed
//! engine calls per file; `--assemble` then adds what only the book knows.

use std::fs::File;
use std::path::{Path, PathBuf};

use analysis::pour::{Row, extract};
use analysis::trace::read_trace;
use anyhow::Context;
use clap::Args;

use super::out;
use crate::session::metadata::meta;

/// Find the pulls and pours of trace files.
#[derive(Debug, Args)]
#[command(
    after_help = "Prints one JSON object per line, in the order of the files.\n\nExample:\n  pourbook extract traces/machine=bench-1/year=2026/week=47/*.parquet"
)]
pub struct ExtractArgs {
    /// Trace files
    #[arg(required = true, value_name = "FILE.parquet")]
    files: Vec<PathBuf>,
}

/// Runs the command. Every file that can be read is; the first that cannot is the error.
pub fn extract_files(args: &ExtractArgs) -> anyhow::Result<()> {
    let mut failed = None;
    for file in &args.files {
        match rows_of(file) {
            Ok(rows) => out::json_lines(&rows)?,
            Err(e) => {
                if failed.is_some() {
                    eprintln!("pourbook: {e:#}");
                } else {
                    failed = Some(e);
                }
            }
        }
    }
    failed.map_or(Ok(()), Err)
}

/// The rows of one trace file.
pub fn rows_of(file: &Path) -> anyhow::Result<Vec<Row>> {
    let name = || file.display().to_string();
    let open = File::open(file).with_context(name)?;
    let trace = read_trace(open).with_context(name)?;
    let stem = file
        .file_stem()
        .map_or_else(String::new, |s| s.to_string_lossy().into_owned());
    Ok(extract(&trace.samples, &meta(&trace.metadata, &stem)))
}
