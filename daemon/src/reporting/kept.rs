//! What is remembered of every report: its sentences, for the index, and what lay beneath it
//! when it was made, so that a change is noticed. A file beside the reports, not a part of the
//! records: without it reports are taken to be as they should be and are known again from the
//! next time on.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::os::unix::fs::DirBuilderExt as _;

use analysis::time::Micros;
use anyhow::Context;
use rustix::fs::{FlockOperation, flock};
use serde::{Deserialize, Serialize};

use crate::book::Book;
use crate::records::beneath::{Digests, Kind};
use crate::storage::{RealDisk, StorageError, replace_file};

/// Where it lies below the book.
const FILE: &str = "reports/kept.json";
/// Held while a report is written, so that two writers of one book do not lose each other's
/// lines of the index.
const LOCK: &str = "reports/kept.lock";

/// What is remembered of all reports.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Kept {
    /// Of weekly reports, by their week.
    #[serde(default)]
    pub weeks: BTreeMap<String, KeptWeek>,
    /// Of session sheets, by their session: its sentence.
    #[serde(default)]
    pub sessions: BTreeMap<String, Vec<String>>,
}

/// What is remembered of one week's report.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct KeptWeek {
    /// Its answers, one sentence each.
    pub sentences: Vec<String>,
    /// When it was last made.
    pub made_at: Micros,
    /// When it was first made at or after the moment it was due; none before.
    pub finished_at: Option<Micros>,
    /// What lay beneath it when it was last made.
    pub beneath: Digests,
    /// By which definition; see [`crate::records::beneath::DEFINITION`].
    pub definition: u32,
    /// Of which kinds rows changed since it was finished.
    #[serde(default)]
    pub changed: BTreeSet<Kind>,
}

/// Holds the reports of a book for one writer; dropping it, or dying, lets go.
#[derive(Debug)]
pub struct ReportsLock {
    _file: File,
}

impl ReportsLock {
    /// Waits for other writers and then holds the reports.
    ///
    /// # Errors
    /// When the folder cannot be written.
    pub fn take(book: &Book) -> anyhow::Result<ReportsLock> {
        let path = book.below(LOCK);
        std::fs::DirBuilder::new()
            .recursive(true)
            // As everything else in a book: nobody else's business.
            .mode(0o750)
            .create(book.reports())
            .with_context(|| book.reports().display().to_string())?;
        let file = File::create(&path).with_context(|| path.display().to_string())?;
        flock(&file, FlockOperation::LockExclusive).with_context(|| path.display().to_string())?;
        Ok(ReportsLock { _file: file })
    }
}

impl Kept {
    /// What the book remembers of its reports. A file that is missing or damaged is an empty
    /// one: it is filled again as reports are written, and the reports themselves stay.
    ///
    /// # Errors
    /// When a file that is there cannot be read.
    pub fn read(book: &Book) -> anyhow::Result<Kept> {
        match std::fs::read(book.below(FILE)) {
            Ok(bytes) => Ok(serde_json::from_slice(&bytes).unwrap_or_default()),
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(Kept::default()),
            Err(e) => Err(e).context(FILE),
        }
    }

    /// Writes it, whole or not at all.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn write(&self, disk: &RealDisk) -> anyhow::Result<()> {
        let text = serde_json::to_string(self)?;
        Ok(replace_file::<PutError>(disk, FILE, |out| {
            use std::io::Write as _;
            Ok(out.write_all(text.as_bytes())?)
        })?)
    }
}

/// A page, or what is remembered of pages, could not be put in place.
#[derive(Debug, thiserror::Error)]
pub enum PutError {
    /// The disk refused.
    #[error(transparent)]
    Storage(#[from] StorageError),
    /// Writing failed.
    #[error(transparent)]
    Io(#[from] std::io::Error),
}
