//! Why the records refuse: what, where, and how to mend it.

use std::path::PathBuf;

/// Result of the records' functions.
pub type Result<T> = std::result::Result<T, RecordError>;

/// What can go wrong with the records.
#[derive(Debug, thiserror::Error)]
pub enum RecordError {
    /// The book was written by a newer pourbook.
    #[error(
        "{} was written by a newer pourbook (its records are version {found}, this one knows up to {known}); update pourbook, nothing was changed",
        path.display()
    )]
    Newer {
        /// The records' file.
        path: PathBuf,
        /// Its version.
        found: i64,
        /// The newest version this program knows.
        known: i64,
    },
    /// The file is a database, but not of a book.
    #[error("{} is not the records of a pourbook book; choose another folder", path.display())]
    NotABook {
        /// The file.
        path: PathBuf,
    },
    /// There is no book there.
    #[error("there is no book at {}; start `pourbook run` there once, or name another with --book", path.display())]
    NoBook {
        /// The records' file that was looked for.
        path: PathBuf,
    },
    /// A field of a request is wrong; nothing was written.
    #[error("{field}: {problem}")]
    Invalid {
        /// The field, as the request names it.
        field: &'static str,
        /// What is wrong with it and what would be right.
        problem: String,
    },
    /// Something is named that the records do not hold.
    #[error("there is no {what} \"{name}\"{hint}")]
    NotFound {
        /// What kind of thing.
        what: &'static str,
        /// The name that was given.
        name: String,
        /// What there is instead, starting with "; ", or nothing.
        hint: String,
    },
    /// A label fits several flasks.
    #[error("\"{label}\" fits several flasks: {}; add its date or use its id", choices.join(", "))]
    Ambiguous {
        /// The label.
        label: String,
        /// The flasks it fits, with day, machine and id.
        choices: Vec<String>,
    },
    /// The request contradicts what the records hold; nothing was written.
    #[error("{0}")]
    Clash(String),
    /// SQLite failed: a full disk, a damaged file, a lock held too long. What SQLite said is in
    /// the words, so it is no cause of its own that would be told again.
    #[error("the records cannot be read or written: {}", in_words(.0))]
    Database(rusqlite::Error),
    /// A migration failed; the records are as they were.
    #[error("the records of {} could not be brought to this version: {source}", path.display())]
    Migration {
        /// The records' file.
        path: PathBuf,
        /// Why.
        source: rusqlite_migration::Error,
    },
    /// What is stored cannot be what pourbook wrote.
    #[error(
        "the records hold \"{value}\" as {what}, which pourbook never writes; restore a backup"
    )]
    Damaged {
        /// Which column.
        what: &'static str,
        /// What was found.
        value: String,
    },
}

impl From<rusqlite::Error> for RecordError {
    fn from(error: rusqlite::Error) -> Self {
        RecordError::Database(error)
    }
}

/// What SQLite said in the words of a shop, with how to mend it.
fn in_words(error: &rusqlite::Error) -> String {
    use rusqlite::ErrorCode;
    match error.sqlite_error_code() {
        Some(ErrorCode::ReadOnly | ErrorCode::CannotOpen | ErrorCode::PermissionDenied) => {
            format!("{error}; let the user that pourbook runs as write the book's folder")
        }
        Some(ErrorCode::DiskFull) => format!("{error}; make room on the disk and try again"),
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
            format!("{error}; another program holds the records: try again when it has ended")
        }
        Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => {
            format!("{error}; restore the file from a backup")
        }
        _ => error.to_string(),
    }
}

impl RecordError {
    /// Whether the cause is that the file, or the folder beside it, may not be written.
    pub fn is_read_only(&self) -> bool {
        use rusqlite::ErrorCode;
        let code = match self {
            RecordError::Database(error) => error.sqlite_error_code(),
            RecordError::Migration {
                source: rusqlite_migration::Error::RusqliteError { err, .. },
                ..
            } => err.sqlite_error_code(),
            _ => None,
        };
        matches!(
            code,
            Some(ErrorCode::ReadOnly | ErrorCode::CannotOpen | ErrorCode::PermissionDenied)
        )
    }

    pub(crate) fn invalid(field: &'static str, problem: impl Into<String>) -> Self {
        RecordError::Invalid {
            field,
            problem: problem.into(),
        }
    }

    pub(crate) fn not_found(what: &'static str, name: impl Into<String>) -> Self {
        RecordError::NotFound {
            what,
            name: name.into(),
            hint: String::new(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_sqlite_says_comes_with_how_to_mend_it() {
        let failed = |code, said: &str| {
            RecordError::from(rusqlite::Error::SqliteFailure(
                rusqlite::ffi::Error::new(code),
                Some(said.to_owned()),
            ))
        };
        let read_only = failed(
            rusqlite::ffi::SQLITE_READONLY,
            "attempt to write a readonly database",
        );
        assert!(read_only.is_read_only());
        assert_eq!(
            read_only.to_string(),
            "the records cannot be read or written: attempt to write a readonly database; let the \
             user that pourbook runs as write the book's folder"
        );
        let full = failed(rusqlite::ffi::SQLITE_FULL, "database or disk is full");
        assert!(!full.is_read_only());
        assert!(
            full.to_string()
                .ends_with("make room on the disk and try again")
        );
    }
}
