//! `pourbook extract`: pulls and pours of trace files, with no book needed. What a distributed
//! engine calls per file; `--assemble` then adds what only the book knows.

use std::fs::File;
use std::io::{Read, Seek};
use std::path::{Path, PathBuf};

use analysis::pour::{Meta, Row, extract};
use analysis::sample::Sample;
use analysis::trace::read_trace;
use anyhow::{Context, bail};
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
                    eprintln!("pourbook: {}", out::in_words(&e));
                } else {
                    failed = Some(e);
                }
            }
        }
    }
    failed.map_or(Ok(()), Err)
}

/// The rows of one trace file.
fn rows_of(file: &Path) -> anyhow::Result<Vec<Row>> {
    let (samples, meta) = read(file)?;
    Ok(extract(&samples, &meta))
}

/// The samples of one trace file and what the detector is told of them.
pub fn read(file: &Path) -> anyhow::Result<(Vec<Sample>, Meta)> {
    let name = || file.display().to_string();
    if file.is_dir() {
        bail!(
            "{0} is a folder, not a Parquet file; name the trace files in it, like {0}/*.parquet",
            file.display()
        );
    }
    let mut open = File::open(file).with_context(name)?;
    refuse_other_formats(file, &mut open)?;
    let trace = read_trace(open).with_context(name)?;
    let stem = file
        .file_stem()
        .map_or_else(String::new, |s| s.to_string_lossy().into_owned());
    let meta = meta(&trace.metadata, &stem);
    Ok((trace.samples, meta))
}

/// What every Parquet file begins and ends with (Apache Parquet format, "File Format").
const PARQUET: &[u8; 4] = b"PAR1";

/// Refuses a file that was never Parquet, and leaves one that is at its beginning. What is cut
/// short or damaged further on is for the reader to say.
fn refuse_other_formats(file: &Path, open: &mut File) -> anyhow::Result<()> {
    let name = || file.display().to_string();
    let mut first = Vec::new();
    open.by_ref()
        .take(PARQUET.len() as u64)
        .read_to_end(&mut first)
        .with_context(name)?;
    open.rewind().with_context(name)?;
    if first != PARQUET {
        bail!(
            "{} is not a Parquet file; extract reads the traces of a book. A trace in CSV comes \
             in with \"pourbook import trace\"",
            file.display()
        );
    }
    Ok(())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn what_was_never_a_parquet_file_is_not_called_a_damaged_one() {
        let dir = tempfile::tempdir().unwrap();
        let said = |file: &Path| format!("{:#}", rows_of(file).unwrap_err());
        let paper = dir.path().join("paper.csv");
        std::fs::write(&paper, "cast_at,pieces\n").unwrap();
        let empty = dir.path().join("empty.parquet");
        std::fs::write(&empty, "").unwrap();
        for other in [&paper, &empty] {
            let error = said(other);
            assert!(error.contains("is not a Parquet file"), "{error}");
            assert!(!error.contains("backup"), "{error}");
        }
        let folder = said(dir.path());
        assert!(
            folder.contains("is a folder, not a Parquet file"),
            "{folder}"
        );
        let cut = dir.path().join("cut.parquet");
        std::fs::write(&cut, "PAR1 and no more").unwrap();
        assert!(said(&cut).contains("restore it from a backup"));
    }
}
