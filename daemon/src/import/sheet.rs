//! CSV as spreadsheets write it (RFC 4180 and its common relatives): comma, semicolon or tab
//! between cells, quotes, a byte-order mark, any line ends. Keeps the line number and the
//! original bytes of every row, so that complaints find their place and bad rows stay as they
//! were.

use std::ops::Range;

use csv::StringRecord;

use super::error::ImportError;

/// A CSV file, read whole.
#[derive(Debug)]
pub struct Sheet {
    /// The file's name, for complaints.
    pub name: String,
    /// The cells of its header, trimmed.
    pub header: Vec<String>,
    /// What separates its cells.
    pub delimiter: u8,
    /// Its rows, without those that are empty.
    pub rows: Vec<Row>,
    /// Cells of the header as it is written, empty ones at its right edge included.
    pub width: usize,
    bytes: Vec<u8>,
    header_bytes: Range<usize>,
}

/// A row of a sheet.
#[derive(Debug)]
pub struct Row {
    /// The line it starts on, from 1.
    pub line: u64,
    /// Its cells, as they are.
    pub cells: StringRecord,
    bytes: Range<usize>,
}

impl Row {
    /// A cell without the spaces around it; none when it is empty.
    pub fn cell(&self, at: usize) -> Option<&str> {
        self.cells.get(at).map(str::trim).filter(|c| !c.is_empty())
    }
}

impl Sheet {
    /// Reads a file's bytes.
    ///
    /// # Errors
    /// When it is not UTF-8, has no header, names a column twice or leaves a quote open.
    pub fn read(name: &str, bytes: Vec<u8>) -> Result<Sheet, ImportError> {
        let refuse = |problem: String| ImportError::File {
            file: name.to_owned(),
            problem,
        };
        if bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]) {
            return Err(refuse(
                "is UTF-16 text; save it as \"CSV UTF-8\" and import that".into(),
            ));
        }
        if let Err(error) = std::str::from_utf8(&bytes) {
            let line = 1 + line_ends(&bytes[..error.valid_up_to()]);
            return Err(refuse(format!(
                "line {line} is not UTF-8 text; save the file as \"CSV UTF-8\" and import that"
            )));
        }
        let start = if bytes.starts_with(b"\xef\xbb\xbf") {
            3
        } else {
            0
        };
        let delimiter = delimiter_of(&bytes[start..]);
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .delimiter(delimiter)
            .from_reader(&bytes[start..]);
        let mut header = None;
        let mut rows = Vec::new();
        let mut counted = 0;
        let mut line = 1;
        loop {
            let from = start + offset(reader.position());
            let mut cells = StringRecord::new();
            let more = reader
                .read_record(&mut cells)
                .map_err(|e| refuse(format!("cannot be read as CSV: {e}")))?;
            if !more {
                break;
            }
            let mut to = start + offset(reader.position());
            // The reader ends a row after the first byte of a \r\n.
            if bytes[..to].ends_with(b"\r") && bytes.get(to) == Some(&b'\n') {
                to += 1;
            }
            // Empty lines before a row belong to no row.
            let blank = bytes[from..to]
                .iter()
                .take_while(|b| matches!(b, b'\r' | b'\n'))
                .count();
            let span = from + blank..to;
            line += line_ends(&bytes[counted..span.start]);
            counted = span.start;
            let quotes = bytes[span.clone()].iter().filter(|b| **b == b'"').count();
            if quotes % 2 == 1 {
                return Err(refuse(format!(
                    "line {line}: a quote (\") is opened and never closed"
                )));
            }
            if cells.iter().all(|c| c.trim().is_empty()) {
                continue;
            }
            if header.is_none() {
                header = Some((cells, span));
            } else {
                rows.push(Row {
                    line,
                    cells,
                    bytes: span,
                });
            }
        }
        let Some((cells, header_bytes)) = header else {
            return Err(refuse(
                "is empty; the first line must name the columns".into(),
            ));
        };
        let width = cells.len();
        let mut header: Vec<String> = cells.iter().map(|c| c.trim().to_owned()).collect();
        // Spreadsheets leave empty columns at the right edge.
        while header.last().is_some_and(String::is_empty) {
            header.pop();
        }
        for (i, column) in header.iter().enumerate() {
            if column.is_empty() {
                return Err(refuse(format!("column {} has no name", i + 1)));
            }
            if header[..i].contains(column) {
                return Err(refuse(format!("the column \"{column}\" is there twice")));
            }
        }
        Ok(Sheet {
            name: name.to_owned(),
            header,
            delimiter,
            rows,
            width,
            bytes,
            header_bytes,
        })
    }

    /// Whether a row has a cell for each column and nothing beyond; if not, the complaint.
    pub fn misfit(&self, row: &Row) -> Option<String> {
        let columns = self.header.len();
        let beyond = row.cells.iter().skip(columns).any(|c| !c.trim().is_empty());
        if row.cells.len() < columns || beyond {
            let mut hint = "";
            if beyond && self.delimiter == b',' {
                hint = "; a decimal comma needs quotes around it, or semicolons between cells";
            }
            return Some(format!(
                "has {} cells where the header has {columns}{hint}",
                row.cells.len()
            ));
        }
        None
    }

    /// Reads a number as this sheet writes it: with a point, or with a comma when cells are not
    /// separated by commas. Thousands separators are not guessed at.
    pub fn number(&self, text: &str) -> Option<f64> {
        let comma = self.delimiter != b',' && text.matches(',').count() == 1 && !text.contains('.');
        let value = if comma {
            text.replace(',', ".").parse::<f64>()
        } else {
            text.parse::<f64>()
        };
        value.ok().filter(|v| v.is_finite())
    }

    /// Why a text is not a number of this sheet.
    pub fn not_a_number(&self, text: &str) -> String {
        if self.delimiter == b','
            && text.contains(',')
            && text.replace(',', ".").parse::<f64>().is_ok()
        {
            return format!("\"{text}\" is not a number; write it with a point");
        }
        format!("\"{text}\" is not a number")
    }

    /// A row's bytes as they are in the file, its line end included.
    pub fn original(&self, row: &Row) -> &[u8] {
        &self.bytes[row.bytes.clone()]
    }

    /// The header's bytes as they are in the file, its line end included.
    pub fn original_header(&self) -> &[u8] {
        &self.bytes[self.header_bytes.clone()]
    }

    /// The whole file.
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }
}

fn offset(position: &csv::Position) -> usize {
    // The file is in memory, so its length fits.
    usize::try_from(position.byte()).unwrap_or(usize::MAX)
}

/// Line ends: `\n`, `\r\n`, or a `\r` of its own.
fn line_ends(bytes: &[u8]) -> u64 {
    let mut ends = 0;
    for (i, byte) in bytes.iter().enumerate() {
        let own = match byte {
            b'\n' => true,
            b'\r' => bytes.get(i + 1) != Some(&b'\n'),
            _ => false,
        };
        ends += u64::from(own);
    }
    ends
}

/// What separates the cells: whichever of comma, semicolon and tab the header has most of
/// outside quotes.
fn delimiter_of(bytes: &[u8]) -> u8 {
    let mut counts = [(b',', 0), (b';', 0), (b'\t', 0)];
    let mut quoted = false;
    let mut seen = false;
    for byte in bytes {
        match byte {
            b'"' => quoted = !quoted,
            b'\r' | b'\n' if !quoted && seen => break,
            b'\r' | b'\n' => {}
            byte => {
                seen = true;
                if let Some((_, n)) = counts.iter_mut().find(|(d, _)| d == byte && !quoted) {
                    *n += 1;
                }
            }
        }
    }
    // Of equal counts (none at all: a single column) the comma, which is first.
    let most = counts.iter().map(|(_, n)| *n).max().unwrap_or(0);
    counts
        .iter()
        .find(|(_, n)| *n == most)
        .map_or(b',', |(d, _)| *d)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn read(text: &str) -> Sheet {
        Sheet::read("t.csv", text.as_bytes().to_vec()).unwrap()
    }

    fn refused(bytes: &[u8]) -> String {
        Sheet::read("t.csv", bytes.to_vec())
            .unwrap_err()
            .to_string()
    }

    #[test]
    fn lines_and_original_bytes_survive_quotes_blank_lines_and_line_ends() {
        let sheet = read("\u{feff}a,b\r\n\r\n1,\"two\r\nlines\"\r\n,\r\n3,4");
        assert_eq!(sheet.header, ["a", "b"]);
        let rows: Vec<(u64, &[u8])> = sheet
            .rows
            .iter()
            .map(|r| (r.line, sheet.original(r)))
            .collect();
        assert_eq!(
            rows,
            [
                (3, b"1,\"two\r\nlines\"\r\n".as_slice()),
                (6, b"3,4".as_slice())
            ]
        );
        assert_eq!(sheet.original_header(), b"a,b\r\n");
    }

    #[test]
    fn semicolons_bring_decimal_commas() {
        let sheet = read("a;b\n1,5;2.5\n");
        assert_eq!(sheet.delimiter, b';');
        assert_eq!(sheet.number("1,5"), Some(1.5));
        assert_eq!(
            sheet.number("1.234,5"),
            None,
            "thousands are not guessed at"
        );
        let commas = read("a,b\n\"1,5\",2\n");
        assert_eq!(commas.number("1,5"), None);
        assert!(commas.not_a_number("1,5").contains("with a point"));
        assert_eq!(read("a\tb\n1\t2\n").delimiter, b'\t');
        assert_eq!(commas.number("nan"), None);
        assert_eq!(commas.number("1e999"), None);
    }

    #[test]
    fn files_that_cannot_be_read_say_how_to_save_them() {
        assert!(refused(b"\xff\xfea\0").contains("UTF-16"));
        assert_eq!(
            refused(b"a\n1\n\xe9t\xe9\n"),
            "t.csv: line 3 is not UTF-8 text; save the file as \"CSV UTF-8\" and import that"
        );
        assert!(refused(b"").contains("is empty"));
        assert!(refused(b"a,b,a\n").contains("there twice"));
        assert!(refused(b"a,,b\n").contains("column 2 has no name"));
        assert_eq!(
            refused(b"a,b\n1,2\n3,\"open\n5,6\n"),
            "t.csv: line 3: a quote (\") is opened and never closed"
        );
    }

    #[test]
    fn a_row_too_short_or_too_long_is_said_so() {
        let sheet = read("a,b\n1\n1,2,3\n1,2,,\n");
        let misfits: Vec<Option<String>> = sheet.rows.iter().map(|r| sheet.misfit(r)).collect();
        assert!(
            misfits[0]
                .as_ref()
                .unwrap()
                .contains("1 cells where the header has 2")
        );
        assert!(misfits[1].as_ref().unwrap().contains("decimal comma"));
        assert_eq!(misfits[2], None);
    }
}
