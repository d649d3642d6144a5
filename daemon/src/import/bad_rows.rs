//! The rows that were left out, written beside the file they came from: `castings.csv` gives
//! `castings.bad.csv`, each row as it was, byte for byte, with a column that says why under its
//! own heading, for which a row that is too short gets empty cells. Mended,
//! that file can be imported as it is; its reason column is not read.

use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};

use super::error::{BadRow, ImportError};
use super::sheet::Sheet;

/// The name of the file of bad rows.
pub fn beside(file: &Path) -> PathBuf {
    file.with_extension("bad.csv")
}

/// The bad rows as the contents of a file.
pub fn contents(sheet: &Sheet, bad: &BTreeMap<usize, Vec<BadRow>>) -> Vec<u8> {
    let had_reason = sheet
        .header
        .iter()
        .any(|h| h.eq_ignore_ascii_case("reason"));
    let column = if had_reason { None } else { Some("reason") };
    let mut out = Vec::new();
    push(
        &mut out,
        sheet.original_header(),
        sheet.delimiter,
        0,
        column,
    );
    for (row, complaints) in bad {
        let reasons: Vec<String> = complaints
            .iter()
            .map(|c| match &c.column {
                Some(column) => format!("{column}: {}", c.reason),
                None => c.reason.clone(),
            })
            .collect();
        let mut reason = reasons.join("; ");
        let row = &sheet.rows[*row];
        let missing = sheet.width.saturating_sub(row.cells.len());
        if row.cells.len() < sheet.header.len() {
            // Nothing else would show that the row was cut short.
            reason.push_str("; the empty ones were added here, check the row");
        }
        let column = (!had_reason).then_some(reason.as_str());
        push(
            &mut out,
            sheet.original(row),
            sheet.delimiter,
            missing,
            column,
        );
    }
    out
}

/// Adds a row's own bytes, one cell at its end under the heading of its own (after as many empty
/// ones as the row has `missing`), and its own line end.
fn push(out: &mut Vec<u8>, original: &[u8], delimiter: u8, missing: usize, cell: Option<&str>) {
    let body = original.len()
        - original
            .iter()
            .rev()
            .take_while(|b| matches!(b, b'\r' | b'\n'))
            .count();
    out.extend_from_slice(&original[..body]);
    if let Some(cell) = cell {
        out.extend(std::iter::repeat_n(delimiter, missing + 1));
        out.push(b'"');
        out.extend_from_slice(cell.replace('"', "\"\"").as_bytes());
        out.push(b'"');
    }
    let end = &original[body..];
    out.extend_from_slice(if end.is_empty() { b"\n" } else { end });
}

/// Writes the bad rows beside `file`, whole or not at all.
///
/// # Errors
/// When the file cannot be written, or another of its name is there: someone may be mending it.
pub fn write(file: &Path, contents: &[u8]) -> Result<PathBuf, ImportError> {
    let path = beside(file);
    let io = |source| ImportError::Io {
        path: path.clone(),
        source,
    };
    if let Ok(there) = std::fs::read(&path) {
        if there == contents {
            return Ok(path);
        }
        return Err(ImportError::File {
            file: path.display().to_string(),
            problem: "is there already; import it or move it away first".into(),
        });
    }
    let temporary = path.with_extension("csv.part");
    let mut out = std::fs::File::create(&temporary).map_err(io)?;
    out.write_all(contents).map_err(io)?;
    out.sync_all().map_err(io)?;
    std::fs::rename(&temporary, &path).map_err(io)?;
    Ok(path)
}
