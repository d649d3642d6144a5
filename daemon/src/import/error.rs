//! Why a file, or a row of it, is refused: always with the place and what would be right.

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
            write!(f, ", column \"{column}\"")?;
        }
        write!(f, ": {}", self.reason)
    }
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
