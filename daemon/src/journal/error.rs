//! What can go wrong with the journal, by what has to be done about it.

use crate::storage::StorageError;

/// Why the journal did not do it.
#[derive(Debug, thiserror::Error)]
pub enum JournalError {
    /// The disk is full, or so nearly that the rest is kept for publication. Nothing of this
    /// call was stored, nothing may be acknowledged, and the call can be made again once there
    /// is room.
    #[error(
        "the disk is full ({free_mib} MiB free, {kept_mib} MiB kept for publishing): make room on it"
    )]
    Full {
        /// Room left, MiB.
        free_mib: u64,
        /// Room kept back, MiB.
        kept_mib: u64,
    },
    /// The disk failed. What it says from now on cannot be believed, so nothing more may be
    /// acknowledged and the process has to end; the next one recovers from what is on disk.
    #[error("the journal's disk failed ({0}): nothing more is acknowledged; check the disk")]
    Disk(#[from] StorageError),
    /// The disk failed before, and the process should have ended.
    #[error("the journal's disk failed before; nothing more can be stored until a restart")]
    Dead,
    /// One message holds more than a segment.
    #[error("one message of {bytes} bytes is more than the journal takes at once ({most})")]
    TooLarge {
        /// What it would take.
        bytes: u64,
        /// What there is.
        most: u64,
    },
    /// Another process has the journal open.
    #[error("another pourbook is at work on this book; stop it first")]
    InUse,
    /// The journal is of a later format.
    #[error(
        "{path} was written by a newer pourbook (journal format {version}); install that version"
    )]
    Newer {
        /// The segment.
        path: String,
        /// Its format.
        version: u16,
    },
    /// The journal belongs to another book.
    #[error("{path} belongs to another book; put this book's own journal folder back")]
    OtherBook {
        /// The segment.
        path: String,
    },
}

impl JournalError {
    /// Whether the process has to end: what the disk says can no longer be believed.
    pub fn is_fatal(&self) -> bool {
        matches!(self, JournalError::Disk(_) | JournalError::Dead)
    }
}
