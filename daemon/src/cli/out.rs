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

/// `1 flask`, `2 flasks`; the plural is the singular with an "s".
pub fn count(n: u64, one: &str) -> String {
    format!("{n} {one}{}", if n == 1 { "" } else { "s" })
}

/// A failure with its causes. Our own errors are whole by themselves, since they are also
/// logged and shown on pages, so a cause that an error says already is not said again.
pub fn in_words(failure: &anyhow::Error) -> String {
    let mut text = String::new();
    for cause in failure.chain() {
        let cause = cause.to_string();
        if text.is_empty() {
            text = cause;
        } else if !text.contains(cause.trim()) {
            text = format!("{text}: {cause}");
        }
    }
    text
}

/// Tells what went wrong on standard error, every line as ours.
pub fn complain(text: &str) {
    for line in text.lines() {
        eprintln!("pourbook: {line}");
    }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::book::BookError;

    #[test]
    fn a_cause_is_said_once() {
        let said = |e: anyhow::Error| in_words(&e);
        let refused = || io::Error::other("no such room");
        let ours = BookError::Io {
            path: "/shop/book".into(),
            source: refused(),
        };
        assert_eq!(
            said(ours.into()),
            "the book /shop/book cannot be used: no such room; check that the folder exists and \
             may be written"
        );
        // A cause that nothing has said yet is not lost.
        let plain = anyhow::Error::from(refused()).context("truth.json");
        assert_eq!(said(plain), "truth.json: no such room");
    }

    #[test]
    fn one_is_not_told_as_many() {
        assert_eq!(count(1, "session"), "1 session");
        assert_eq!(count(0, "session"), "0 sessions");
    }
}
