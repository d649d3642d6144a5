//! Printing to standard output: a closed pipe is the reader's choice, not an error.

use std::io::{self, Write};

use anyhow::Context;
use serde::Serialize;

/// Prints one line.
pub fn line(text: &str) -> anyhow::Result<()> {
    writeln!(io::stdout().lock(), "{text}").context("standard output")
}

/// Prints each item as one line of JSON.
pub fn json_lines<T: Serialize>(items: &[T]) -> anyhow::Result<()> {
    let mut out = io::BufWriter::new(io::stdout().lock());
    for item in items {
        serde_json::to_writer(&mut out, item).context("standard output")?;
        out.write_all(b"\n").context("standard output")?;
    }
    out.flush().context("standard output")
}

/// Whether this cause of a failure is that the reader of our output went away.
pub fn is_closed_pipe(cause: &(dyn std::error::Error + 'static)) -> bool {
    let broken = |e: &io::Error| e.kind() == io::ErrorKind::BrokenPipe;
    cause.downcast_ref::<io::Error>().is_some_and(broken)
        || cause
            .downcast_ref::<serde_json::Error>()
            .and_then(serde_json::Error::io_error_kind)
            .is_some_and(|kind| kind == io::ErrorKind::BrokenPipe)
}

/// Prints rows under headings, each column as wide as its widest cell; a column of which every
/// cell is a number stands flush right.
pub fn table(headings: &[&str], rows: &[Vec<String>]) -> anyhow::Result<()> {
    let width = |column: usize| {
        rows.iter()
            .filter_map(|r| r.get(column))
            .map(|c| c.chars().count())
            .chain([headings[column].chars().count()])
            .max()
            .unwrap_or(0)
    };
    let numeric = |column: usize| {
        rows.iter().filter_map(|r| r.get(column)).all(|c| {
            c.is_empty() || c.starts_with(|ch: char| ch.is_ascii_digit() || ch == '-' || ch == '–')
        })
    };
    let columns: Vec<(usize, bool)> = (0..headings.len())
        .map(|c| (width(c), numeric(c)))
        .collect();
    let print = |cells: &mut dyn Iterator<Item = &str>| {
        let text: Vec<String> = cells
            .zip(&columns)
            .map(|(cell, (width, right))| {
                if *right {
                    format!("{cell:>width$}")
                } else {
                    format!("{cell:<width$}")
                }
            })
            .collect();
        line(text.join("  ").trim_end())
    };
    print(&mut headings.iter().copied())?;
    for row in rows {
        print(&mut row.iter().map(String::as_str))?;
    }
    Ok(())
}
