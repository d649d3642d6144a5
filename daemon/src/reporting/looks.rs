//! What formal looks said when they were last gone through, in a file beside the reports. It
//! saves half of a report's time and changes none of its figures; who deletes it loses nothing.

use analysis::evidence::Past;
use serde::{Deserialize, Serialize};

use super::kept::PutError;
use crate::book::Book;
use crate::storage::{RealDisk, replace_file};

/// Where it lies below the book.
const FILE: &str = "reports/looks.json";

#[derive(Serialize, Deserialize)]
struct Stored {
    /// The build that said it: another may judge otherwise.
    program: String,
    past: Past,
}

/// What this build of the program has kept; nothing if there is none, or it cannot be read.
pub fn read(book: &Book) -> Past {
    std::fs::read(book.below(FILE))
        .ok()
        .and_then(|bytes| serde_json::from_slice::<Stored>(&bytes).ok())
        .filter(|stored| stored.program == program())
        .map_or_else(Past::default, |stored| stored.past)
}

/// Keeps what looks said.
///
/// # Errors
/// When the disk refuses.
pub fn write(disk: &RealDisk, past: Past) -> anyhow::Result<()> {
    let stored = Stored {
        program: program(),
        past,
    };
    let text = serde_json::to_string(&stored)?;
    Ok(replace_file::<PutError>(disk, FILE, |out| {
        use std::io::Write as _;
        Ok(out.write_all(text.as_bytes())?)
    })?)
}

/// Which build this is: its version, and its file's size and date, which differ between two
/// builds of one version.
fn program() -> String {
    let file = std::env::current_exe().and_then(|path| path.metadata());
    let built = file.ok().and_then(|file| {
        let since = file.modified().ok()?;
        let since = since.duration_since(std::time::UNIX_EPOCH).ok()?;
        Some(format!("{} bytes of {}", file.len(), since.as_nanos()))
    });
    format!(
        "{} {}",
        env!("CARGO_PKG_VERSION"),
        built.unwrap_or_default()
    )
}
