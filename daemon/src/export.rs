//! `export DIR`: every table of the records as CSV and as Parquet, with the data dictionary, in
//! a folder that appears whole or not at all.
//!
//! Columns are those of the dictionary. Times are RFC 3339 text in CSV and timestamps in Parquet
//! (µs, UTC); a `yes or no` is a boolean; an empty cell is not known, never zero.

use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};

use analysis::time::Micros;
use polars::prelude::{
    Column as Series, DataFrame, NamedFrom, PolarsError, Series as Values, TimeUnit, TimeZone,
};
use polars_io::SerWriter;
use polars_io::csv::write::CsvWriter;
use polars_io::parquet::write::ParquetWriter;
use rusqlite::types::ValueRef;
use uuid::Uuid;

use crate::records::dictionary::{Column, DICTIONARY_CSV, columns, tables};
use crate::records::{RecordError, Records};

/// What marks a folder as an export: the identity of the book it was made from.
pub const MARK: &str = "export-of-book.txt";

/// Why an export failed. What was in the folder before is still there.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The folder holds something else.
    #[error("{} is not an export of this book; choose an empty or another folder", path.display())]
    NotAnExport {
        /// The folder.
        path: PathBuf,
    },
    /// A file cannot be written.
    #[error("{}: {source}", path.display())]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The table writer failed.
    #[error("table {table}: {source}")]
    Table {
        /// The table.
        table: String,
        /// Why.
        source: PolarsError,
    },
    /// The records cannot be read.
    #[error(transparent)]
    Records(#[from] RecordError),
}

/// What was exported.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ExportReport {
    /// Where.
    pub folder: PathBuf,
    /// The tables and their rows.
    pub tables: Vec<(String, usize)>,
}

/// Exports the records into `folder`, which must not exist, be empty, or hold an earlier export
/// of the same book; that one is replaced.
///
/// # Errors
/// [`ExportError`]; a folder that was there is as it was.
pub fn export(records: &Records, folder: &Path) -> Result<ExportReport, ExportError> {
    let book = records.book()?.id;
    refuse_others(folder, book)?;
    let parent = match folder.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    std::fs::create_dir_all(parent).map_err(io(parent))?;
    let name = folder
        .file_name()
        .map_or_else(|| "export".into(), |n| n.to_string_lossy().into_owned());
    let part = parent.join(format!(".{name}.{}.part", std::process::id()));
    if part.exists() {
        std::fs::remove_dir_all(&part).map_err(io(&part))?;
    }
    std::fs::create_dir(&part).map_err(io(&part))?;
    let written = write_all(records, &part, book).and_then(|tables| {
        replace(folder, &part)?;
        sync_folder(parent)?;
        Ok(tables)
    });
    match written {
        Ok(tables) => Ok(ExportReport {
            folder: folder.to_owned(),
            tables,
        }),
        Err(error) => {
            // The half-written folder is of no use to anyone; the error says what went wrong.
            let _ = std::fs::remove_dir_all(&part);
            Err(error)
        }
    }
}

fn io(path: &Path) -> impl FnOnce(std::io::Error) -> ExportError + '_ {
    move |source| ExportError::Io {
        path: path.to_owned(),
        source,
    }
}

fn refuse_others(folder: &Path, book: Uuid) -> Result<(), ExportError> {
    let refused = || ExportError::NotAnExport {
        path: folder.to_owned(),
    };
    if !folder.exists() {
        return Ok(());
    }
    if !folder.is_dir() {
        return Err(refused());
    }
    let mut entries = std::fs::read_dir(folder).map_err(io(folder))?;
    if entries.next().is_none() {
        return Ok(());
    }
    match std::fs::read_to_string(folder.join(MARK)) {
        Ok(text) if text.trim() == book.to_string() => {}
        _ => return Err(refused()),
    }
    // Somebody's own file among ours would be lost with the old export.
    let ours = file_names();
    for entry in std::fs::read_dir(folder).map_err(io(folder))? {
        let name = entry.map_err(io(folder))?.file_name();
        if !ours.iter().any(|n| name == n.as_str()) {
            return Err(refused());
        }
    }
    Ok(())
}

fn file_names() -> Vec<String> {
    let mut names = vec![MARK.to_owned(), "dictionary.csv".to_owned()];
    for table in tables() {
        names.push(format!("{table}.csv"));
        names.push(format!("{table}.parquet"));
    }
    names
}

fn write_all(
    records: &Records,
    part: &Path,
    book: Uuid,
) -> Result<Vec<(String, usize)>, ExportError> {
    let mut written = Vec::new();
    // One read transaction: the tables belong together, whatever is being written meanwhile.
    let snapshot = records
        .db
        .unchecked_transaction()
        .map_err(RecordError::from)?;
    for table in tables() {
        let held: Vec<&Column> = columns().iter().filter(|c| c.table == table).collect();
        let cells = read_table(records, table, &held)?;
        let failed = |source| ExportError::Table {
            table: table.to_owned(),
            source,
        };
        let rows = cells.first().map_or(0, Vec::len);
        let mut frame = frame(&held, &cells, rows, true).map_err(failed)?;
        write_file(&part.join(format!("{table}.csv")), |out| {
            CsvWriter::new(out).finish(&mut frame).map_err(failed)
        })?;
        let mut frame = self::frame(&held, &cells, rows, false).map_err(failed)?;
        write_file(&part.join(format!("{table}.parquet")), |out| {
            ParquetWriter::new(out)
                .set_parallel(false)
                .finish(&mut frame)
                .map(|_| ())
                .map_err(failed)
        })?;
        written.push((table.to_owned(), rows));
    }
    drop(snapshot);
    for (name, text) in [
        ("dictionary.csv", DICTIONARY_CSV.to_owned()),
        (MARK, format!("{book}\n")),
    ] {
        let path = part.join(name);
        write_file(&path, |out| {
            out.write_all(text.as_bytes()).map_err(io(&path))
        })?;
    }
    sync_folder(part)?;
    Ok(written)
}

fn write_file(
    path: &Path,
    write: impl FnOnce(&mut File) -> Result<(), ExportError>,
) -> Result<(), ExportError> {
    let mut out = File::create(path).map_err(io(path))?;
    write(&mut out)?;
    out.sync_all().map_err(io(path))
}

fn sync_folder(folder: &Path) -> Result<(), ExportError> {
    File::open(folder)
        .and_then(|f| f.sync_all())
        .map_err(io(folder))
}

/// Puts the new folder where the old one was. The old one is moved aside first, so that a
/// failure in between leaves one of the two.
fn replace(folder: &Path, part: &Path) -> Result<(), ExportError> {
    if !folder.exists() {
        return std::fs::rename(part, folder).map_err(io(folder));
    }
    let old = part.with_extension("old");
    std::fs::rename(folder, &old).map_err(io(folder))?;
    if let Err(error) = std::fs::rename(part, folder) {
        std::fs::rename(&old, folder).map_err(io(folder))?;
        return Err(io(folder)(error));
    }
    std::fs::remove_dir_all(&old).map_err(io(&old))
}

/// A cell as SQLite holds it.
#[derive(Clone, Debug)]
enum Cell {
    Nothing,
    Whole(i64),
    Number(f64),
    Text(String),
}

/// Reads a table, column by column.
fn read_table(
    records: &Records,
    table: &str,
    held: &[&Column],
) -> Result<Vec<Vec<Cell>>, RecordError> {
    let names: Vec<String> = held.iter().map(|c| format!("\"{}\"", c.name)).collect();
    let mut statement = records.db.prepare(&format!(
        "SELECT {} FROM {table} ORDER BY rowid",
        names.join(", ")
    ))?;
    let mut rows = statement.query([])?;
    let mut cells: Vec<Vec<Cell>> = vec![Vec::new(); held.len()];
    while let Some(row) = rows.next()? {
        for (i, column) in cells.iter_mut().enumerate() {
            column.push(match row.get_ref(i)? {
                ValueRef::Null | ValueRef::Blob(_) => Cell::Nothing,
                ValueRef::Integer(n) => Cell::Whole(n),
                ValueRef::Real(x) => Cell::Number(x),
                ValueRef::Text(t) => Cell::Text(String::from_utf8_lossy(t).into_owned()),
            });
        }
    }
    Ok(cells)
}

/// The type of a column, which does not depend on what happens to be in it.
enum Kind {
    Time,
    YesNo,
    Whole,
    Number,
    Text,
}

/// Counts are whole; every other unit is a number. The few whole numbers among texts (identities
/// that are row numbers) and the few shares among counts are named.
fn kind(column: &Column) -> Kind {
    match (column.unit.as_str(), column.name.as_str()) {
        ("time", _) => Kind::Time,
        ("yes or no", _) => Kind::YesNo,
        ("", "one") => Kind::Whole,
        ("", "id") if ROW_NUMBERED.contains(&column.table.as_str()) => Kind::Whole,
        ("", _) => Kind::Text,
        (
            "1",
            "share"
            | "vacuum_share"
            | "gasket_share_first"
            | "gasket_share_lately"
            | "alpha"
            | "power"
            | "difference"
            | "design_effect"
            | "confidence"
            | "water_ratio",
        ) => Kind::Number,
        ("1", _) => Kind::Whole,
        _ => Kind::Number,
    }
}

/// Tables whose rows are numbered and have no UUID.
const ROW_NUMBERED: [&str; 5] = [
    "matches",
    "corrections",
    "weights_back",
    "targets",
    "troubles",
];

fn frame(
    held: &[&Column],
    cells: &[Vec<Cell>],
    rows: usize,
    times_as_text: bool,
) -> Result<DataFrame, PolarsError> {
    let series = held
        .iter()
        .zip(cells)
        .map(|(column, cells)| {
            let name = column.name.as_str().into();
            let whole = || -> Vec<Option<i64>> {
                cells
                    .iter()
                    .map(|c| match c {
                        Cell::Whole(n) => Some(*n),
                        _ => None,
                    })
                    .collect()
            };
            let values = match kind(column) {
                Kind::Time if times_as_text => {
                    let texts: Vec<Option<String>> = whole()
                        .into_iter()
                        .map(|t| t.map(|t| rfc3339_us(Micros(t))))
                        .collect();
                    Values::new(name, texts)
                }
                Kind::Time => Values::new(name, whole())
                    .into_datetime(TimeUnit::Microseconds, Some(TimeZone::UTC)),
                Kind::YesNo => {
                    let flags: Vec<Option<bool>> =
                        whole().into_iter().map(|n| n.map(|n| n != 0)).collect();
                    Values::new(name, flags)
                }
                Kind::Whole => Values::new(name, whole()),
                Kind::Number => {
                    let numbers: Vec<Option<f64>> = cells
                        .iter()
                        .map(|c| match c {
                            Cell::Number(x) => Some(*x),
                            Cell::Whole(n) => Some(*n as f64),
                            _ => None,
                        })
                        .collect();
                    Values::new(name, numbers)
                }
                Kind::Text => {
                    let texts: Vec<Option<&str>> = cells
                        .iter()
                        .map(|c| match c {
                            Cell::Text(t) => Some(t.as_str()),
                            _ => None,
                        })
                        .collect();
                    Values::new(name, texts)
                }
            };
            Series::from(values)
        })
        .collect();
    DataFrame::new(rows, series)
}

/// RFC 3339 with all the digits that are stored, so that a CSV says the same as the Parquet.
fn rfc3339_us(at: Micros) -> String {
    match jiff::Timestamp::from_microsecond(at.0) {
        Ok(t) => format!("{t:.6}"),
        Err(_) => at.rfc3339_ms(),
    }
}

#[cfg(test)]
mod tests;
