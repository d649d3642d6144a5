//! What the writer did, for the watchdog, the page and `/metrics` to read at any time.

use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU64, Ordering};

use analysis::time::Micros;

/// Counters of the writer. Every field is read and written alone; together they may be a
/// moment apart.
#[derive(Debug, Default)]
pub struct JournalMetrics {
    last_commit: AtomicI64,
    commits: AtomicU64,
    entries: AtomicU64,
    bytes: AtomicU64,
    refused: AtomicU64,
    too_large: AtomicU64,
    durable_seq: AtomicU64,
    full: AtomicBool,
    beats: AtomicU64,
}

impl JournalMetrics {
    /// Wall time of the last commit; none before the first.
    pub fn last_commit(&self) -> Option<Micros> {
        match self.last_commit.load(Ordering::Relaxed) {
            0 => None,
            t => Some(Micros(t)),
        }
    }

    /// Commits in this run.
    pub fn commits(&self) -> u64 {
        self.commits.load(Ordering::Relaxed)
    }

    /// Entries made durable in this run.
    pub fn entries(&self) -> u64 {
        self.entries.load(Ordering::Relaxed)
    }

    /// Bytes written to segments in this run.
    pub fn bytes(&self) -> u64 {
        self.bytes.load(Ordering::Relaxed)
    }

    /// Messages stored as unreadable in this run.
    pub fn refused(&self) -> u64 {
        self.refused.load(Ordering::Relaxed)
    }

    /// Messages that were too large to store, and so never acknowledged.
    pub fn too_large(&self) -> u64 {
        self.too_large.load(Ordering::Relaxed)
    }

    /// The last sequence number on disk.
    pub fn durable_seq(&self) -> u64 {
        self.durable_seq.load(Ordering::Relaxed)
    }

    /// The disk is full: nothing is acknowledged until there is room.
    pub fn is_full(&self) -> bool {
        self.full.load(Ordering::Relaxed)
    }

    /// Counts up at least once a second while the writer lives; a watchdog that sees it stand
    /// still knows that a write or a sync hangs.
    pub fn beats(&self) -> u64 {
        self.beats.load(Ordering::Relaxed)
    }

    pub(super) fn beat(&self) {
        self.beats.fetch_add(1, Ordering::Relaxed);
    }

    pub(super) fn set_full(&self, full: bool) {
        self.full.store(full, Ordering::Relaxed);
    }

    pub(super) fn count_too_large(&self) {
        self.too_large.fetch_add(1, Ordering::Relaxed);
    }

    pub(super) fn committed(&self, at: Micros, entries: u64, refused: u64, bytes: u64, seq: u64) {
        self.last_commit.store(at.0, Ordering::Relaxed);
        self.commits.fetch_add(1, Ordering::Relaxed);
        self.entries.fetch_add(entries, Ordering::Relaxed);
        self.refused.fetch_add(refused, Ordering::Relaxed);
        self.bytes.store(bytes, Ordering::Relaxed);
        self.durable_seq.store(seq, Ordering::Relaxed);
    }
}
