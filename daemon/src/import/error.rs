//! Why a file, or a row of it, is refused: always with the place and what would be right.

use std::borrow::Cow;
use std::fmt;
use std::path::PathBuf;

use crate::records::RecordError;

/// A row that cannot enter, and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BadRow {
    /// The file's name.
    pub file: String,
    /// The line it starts on, from 1.
    pub line: u64,
    /// The column, as its header is written, when one column is to blame.
    pub column: Option<String>,
    /// What is wrong.
    pub reason: String,
}

impl fmt::Display for BadRow {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} line {}", self.file, self.line)?;
        if let Some(column) = &self.column {
            write!(f, ", column \"{}\"", shortened(column))?;
        }
        write!(f, ": {}", shortened(&self.reason))
    }
}

/// A text without its middle, if it is long. A reason repeats the cell, which may hold anything,
/// and ends with what would be right.
fn shortened(text: &str) -> Cow<'_, str> {
    const WHOLE: usize = 400;
    const FIRST: usize = 80;
    const LAST: usize = 240;
    let long = text.chars().count();
    if long <= WHOLE {
        return text.into();
    }
    let first: String = text.chars().take(FIRST).collect();
    let last: String = text.chars().skip(long - LAST).collect();
    format!("{first} … {last}").into()
}

/// Why an import failed. Nothing of the file entered.
#[derive(Debug, thiserror::Error)]
pub enum ImportError {
    /// The file cannot be read, or what belongs beside it cannot be written.
    #[error("{}: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The file as a whole cannot be understood.
    #[error("{file}: {problem}")]
    File {
        /// Its name.
        file: String,
        /// What is wrong and what would be right.
        problem: String,
    },
    /// Some rows are bad.
    #[error("{}", list(rows))]
    BadRows {
        /// The rows, in the order of the file.
        rows: Vec<BadRow>,
        /// How many rows were good.
        good: usize,
    },
    /// The records refused.
    #[error(transparent)]
    Records(#[from] RecordError),
}

/// Complaints shown at once; the rest are counted.
const SHOWN: usize = 20;

fn list(rows: &[BadRow]) -> String {
    let mut text: Vec<String> = rows.iter().take(SHOWN).map(ToString::to_string).collect();
    if rows.len() > SHOWN {
        text.push(format!("… and {} more", rows.len() - SHOWN));
    }
    text.join("\n")
}

impl From<rusqlite::Error> for ImportError {
    fn from(error: rusqlite::Error) -> Self {
        ImportError::Records(error.into())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cell_with_a_book_in_it_is_not_repeated_whole() {
        let row = |cell: &str| BadRow {
            file: "castings.csv".to_owned(),
            line: 17,
            column: Some("vacuum [inHg]".to_owned()),
            reason: format!("\"{cell}\" is not a number; write it with a point"),
        };
        assert_eq!(
            row("2q.1").to_string(),
            "castings.csv line 17, column \"vacuum [inHg]\": \"2q.1\" is not a number; write it \
             with a point"
        );
        let long = row(&"é".repeat(9000)).to_string();
        assert!(long.chars().count() < 400, "{}", long.len());
        assert!(
            long.ends_with("is not a number; write it with a point"),
            "{long}"
        );
    }
}
