//! `pourbook extract`: pulls and pours of trace files, with no book needed: what a distributed
//! engine calls per file. `--assemble` takes such rows into the book that knows what spans
//! sessions; `--all` does both for every trace of a book.

use std::io::Cursor;
use std::path::{Path, PathBuf};

use analysis::sample::Sample;
use analysis::trace::read_trace;
use anyhow::{Context, bail};
use clap::Args;

use super::extract_book::{assemble_files, whole_book};
use super::extract_rows::{Line, TraceLine};
use super::{BookArg, WrongUse, out};
use crate::checksum::sha256;
use crate::session::settle::EXTRACTOR;
use crate::session::trace_rows::{Told, rows_of, told};

/// Find the pulls and pours of trace files, or of a whole book, anew.
#[derive(Debug, Args)]
#[command(
    after_help = "Of trace files it prints one JSON object per line, in the order of the files: first the trace,\nthen its pulls, pours, upkeep and kilns. Words by hand, matches and corrections are kept\nthrough --assemble and --all.\n\nExample:\n  pourbook extract traces/machine=bench-1/year=2026/week=47/*.parquet > rows.jsonl\n  pourbook extract --assemble rows.jsonl --book ~/book\n  pourbook extract --all --book ~/book"
)]
pub struct ExtractArgs {
    /// Trace files
    #[arg(value_name = "FILE.parquet", required_unless_present_any = ["all", "assemble"])]
    files: Vec<PathBuf>,
    /// Find every published trace of the book anew and take it into the records
    #[arg(long, conflicts_with = "files")]
    all: bool,
    /// Take rows that extract printed, here or on other machines, into the book's records; "-"
    /// is standard input
    #[arg(long, value_name = "ROWS.jsonl", num_args = 1.., conflicts_with_all = ["files", "all"])]
    assemble: Vec<PathBuf>,
    #[command(flatten)]
    book: BookArg,
    /// With --all and --assemble: print one JSON object per session. Rows of files are JSON as
    /// it is
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn extract(args: &ExtractArgs) -> anyhow::Result<()> {
    if args.all {
        return whole_book(&args.book.book(), args.json);
    }
    if !args.assemble.is_empty() {
        return assemble_files(&args.book.book(), &args.assemble, args.json);
    }
    if args.book.book.is_some() {
        let say = "--book goes with --all or --assemble; trace files need no book";
        return Err(WrongUse(say.to_owned()).into());
    }
    extract_files(&args.files)
}

/// Every file that can be read is; the first that cannot is the error.
fn extract_files(files: &[PathBuf]) -> anyhow::Result<()> {
    let mut failed = None;
    for file in files {
        match lines_of(file) {
            Ok(lines) => out::json_lines(&lines)?,
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

/// One trace file and its rows.
fn lines_of(file: &Path) -> anyhow::Result<Vec<Line>> {
    let trace = read(file)?;
    let rows = rows_of(&trace.samples, &trace.told);
    let first = Line::Trace(TraceLine {
        session: trace.told.meta.session.clone(),
        machine: trace.told.meta.machine.clone(),
        sha256: trace.sha256,
        extractor: EXTRACTOR.to_owned(),
        rows: rows.len() as u64,
    });
    Ok(std::iter::once(first)
        .chain(rows.into_iter().map(Line::from))
        .collect())
}

/// A trace file as read.
pub struct ReadTrace {
    /// Its samples.
    pub samples: Vec<Sample>,
    /// What its metadata tell.
    pub told: Told,
    /// SHA-256 of the file, in hex.
    pub sha256: String,
}

/// Reads one trace file.
pub fn read(file: &Path) -> anyhow::Result<ReadTrace> {
    let name = || file.display().to_string();
    if file.is_dir() {
        bail!(
            "{0} is a folder, not a Parquet file; name the trace files in it, like {0}/*.parquet",
            file.display()
        );
    }
    // Whole, so that what is read is what the checksum is of, also while a next generation is
    // put in its place; a trace is a few bytes a sample.
    let bytes = std::fs::read(file).with_context(name)?;
    refuse_other_formats(file, &bytes)?;
    let sha256 = sha256(&bytes);
    let trace = read_trace(Cursor::new(bytes)).with_context(name)?;
    let stem = file
        .file_stem()
        .map_or_else(String::new, |s| s.to_string_lossy().into_owned());
    Ok(ReadTrace {
        told: told(&trace.metadata, &stem),
        samples: trace.samples,
        sha256,
    })
}

/// What every Parquet file begins and ends with (Apache Parquet format, "File Format").
const PARQUET: &[u8; 4] = b"PAR1";

/// Refuses a file that was never Parquet. What is cut short or damaged further on is for the
/// reader to say.
fn refuse_other_formats(file: &Path, bytes: &[u8]) -> anyhow::Result<()> {
    if !bytes.starts_with(PARQUET) {
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
        let said = |file: &Path| match lines_of(file) {
            Ok(_) => panic!("{} was read", file.display()),
            Err(e) => format!("{e:#}"),
        };
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
