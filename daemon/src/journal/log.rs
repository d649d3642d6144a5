//! The journal itself: the one writer of a book's segments.
//!
//! What is appended waits in memory; a commit pads it to a block boundary, writes it with one
//! call and syncs it. No block is written twice, so a torn sector can only hurt what nobody was
//! promised. A new run never goes on in an old segment: it opens its own, and tells the last
//! commit of the run before again as its first, because that one may be in the system's memory
//! only (the process died between write and sync, or the sync failed). The new segment gets its
//! name only when that is durable, and its first sequence number rules out the older copy.

use std::fmt;
use std::ops::{Range, RangeInclusive};
use std::sync::Arc;

use analysis::time::Micros;
use uuid::Uuid;

use super::codec::{self, Encoder, Part};
use super::entry::Entry;
use super::error::JournalError;
use super::frame::{self, BLOCK, MOST_BODY, Seed};
use super::reader::{Event, Hole, JournalReader, Kept, Walk, segments};
use super::segment::{FOLDER, SegmentName, header, spare_path};
use crate::storage::{Storage, StoredFile};

/// Longest dictionary, in bytes, that every commit begins with.
const MOST_SAID_AGAIN: usize = 1024;

/// Sizes. The defaults are for a shop; tests use smaller ones.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct JournalSettings {
    /// Bytes of a segment, a multiple of 4096.
    pub segment_bytes: u64,
    /// Room that the journal leaves free on the disk, so that traces can still be published
    /// and segments given back.
    pub reserve_bytes: u64,
    /// Finished segments kept to be used again.
    pub spares: usize,
}

impl Default for JournalSettings {
    fn default() -> Self {
        JournalSettings {
            segment_bytes: 4 << 20,
            reserve_bytes: 32 << 20,
            spares: 2,
        }
    }
}

/// What was found at the start.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Recovered {
    /// The last sequence number in use; 0 in a new book.
    pub last_seq: u64,
    /// Entries still held.
    pub entries: u64,
    /// Entries of the last run's last commit, which were made durable once more.
    pub carried: u64,
    /// What is missing. Holes that are [`Hole::torn`] are no cause for alarm.
    pub holes: Vec<Hole>,
    /// The disk is too full to begin; appending will say so until there is room.
    pub full: bool,
}

#[derive(Debug)]
struct Closed {
    name: SegmentName,
    /// None when it holds nothing.
    last_seq: Option<u64>,
}

/// The segment being written.
struct Current {
    name: SegmentName,
    file: Box<dyn StoredFile>,
    seed: Seed,
    encoder: Encoder,
    /// Dictionary bodies of the encoder that are in the segment.
    said: usize,
    /// Where `waiting` goes; a multiple of the block.
    offset: u64,
    size: u64,
    waiting: Vec<u8>,
    /// A commit of `waiting` was begun and met a full disk. A part of it may be in the file, so
    /// until it succeeds nothing is added: a later attempt must write the very same bytes, or a
    /// crash could leave blocks of both, and with them half a message.
    sealed: bool,
}

/// The writing end of a book's journal. There is one at a time, held by a lock.
pub struct Journal {
    storage: Arc<dyn Storage>,
    book: Uuid,
    boot: Uuid,
    opened: Micros,
    settings: JournalSettings,
    closed: Vec<Closed>,
    current: Option<Current>,
    /// The last run's last commit, until the first segment of this run holds it.
    carried: Carried,
    spares: Vec<String>,
    next_number: u64,
    next_seq: u64,
    durable_seq: u64,
    dead: bool,
    bytes_written: u64,
    _lock: Box<dyn Send + Sync>,
}

#[derive(Debug, Default)]
struct Carried {
    first_seq: u64,
    entries: Vec<Kept>,
}

impl fmt::Debug for Journal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Journal")
            .field("storage", &self.storage)
            .field("next_seq", &self.next_seq)
            .field("durable_seq", &self.durable_seq)
            .field("dead", &self.dead)
            .finish_non_exhaustive()
    }
}

impl Journal {
    /// Opens the journal of the book with this id, or makes one, and recovers what is there.
    /// `boot` is the machine's boot, `now` the wall time.
    ///
    /// # Errors
    /// [`JournalError::InUse`] when another process has it; else when the disk fails or the
    /// journal is not this book's or is a newer pourbook's. A full disk is no error here.
    pub fn open(
        storage: Arc<dyn Storage>,
        book: Uuid,
        boot: Uuid,
        now: Micros,
        settings: JournalSettings,
    ) -> Result<(Journal, Recovered), JournalError> {
        storage.create_dir(FOLDER)?;
        let lock = storage.lock(&format!("{FOLDER}/lock")).map_err(|e| {
            if e.is_held() {
                JournalError::InUse
            } else {
                e.into()
            }
        })?;
        let mut journal = Journal {
            storage,
            book,
            boot,
            opened: now,
            settings,
            closed: Vec::new(),
            current: None,
            carried: Carried::default(),
            spares: Vec::new(),
            next_number: 1,
            next_seq: 1,
            durable_seq: 0,
            dead: false,
            bytes_written: 0,
            _lock: lock,
        };
        let mut recovered = journal.recover()?;
        journal.take_stock_of_spares()?;
        match journal.begin() {
            Ok(()) => {}
            Err(JournalError::Full { .. }) => recovered.full = true,
            Err(e) => return Err(e),
        }
        Ok((journal, recovered))
    }

    /// A reader of the same journal.
    pub fn reader(&self) -> JournalReader {
        JournalReader::new(self.storage.clone(), self.book)
    }

    /// The last sequence number that is on disk.
    pub fn durable_seq(&self) -> u64 {
        self.durable_seq
    }

    /// Bytes written to segments by this run.
    pub fn bytes_written(&self) -> u64 {
        self.bytes_written
    }

    /// Takes entries, gives them their sequence numbers, and makes nothing durable yet, except
    /// that what was appended before may be committed to make room. All or none are taken.
    ///
    /// # Errors
    /// [`JournalError::Full`]: nothing of `entries` was taken; try again later. Fatal ones as
    /// [`JournalError::is_fatal`] says.
    pub fn append(&mut self, entries: &[Entry]) -> Result<Range<u64>, JournalError> {
        self.alive()?;
        self.begin()?;
        if self.current.as_ref().is_some_and(|current| current.sealed) {
            self.commit()?;
        }
        if !self.push(entries)? {
            self.commit()?;
            self.rotate()?;
            if !self.push(entries)? {
                return Err(JournalError::TooLarge {
                    bytes: entries.len() as u64 * 64,
                    most: self.settings.segment_bytes,
                });
            }
        }
        let first = self.next_seq;
        self.next_seq += entries.len() as u64;
        Ok(first..self.next_seq)
    }

    /// Makes everything appended durable; returns the last durable sequence number.
    ///
    /// # Errors
    /// [`JournalError::Full`]: nothing was made durable and the call can be made again. Any
    /// other error is fatal: the disk's word is worth nothing after a failed sync.
    pub fn commit(&mut self) -> Result<u64, JournalError> {
        self.alive()?;
        self.begin()?;
        let (last_seq, kept) = (self.next_seq - 1, self.settings.reserve_bytes);
        let Some(current) = &mut self.current else {
            return Err(JournalError::Dead);
        };
        if current.waiting.is_empty() {
            return Ok(self.durable_seq);
        }
        if !current.sealed {
            current.seal(last_seq);
        }
        if let Err(e) = current.file.write_at(current.offset, &current.waiting) {
            if e.is_full() {
                // Nothing in these blocks was ever promised, so they can be written again.
                let free = self.storage.free_bytes().unwrap_or(0);
                return Err(full(free, kept));
            }
            self.dead = true;
            return Err(e.into());
        }
        if let Err(e) = current.file.sync_data() {
            self.dead = true;
            return Err(e.into());
        }
        self.bytes_written += current.waiting.len() as u64;
        current.offset += current.waiting.len() as u64;
        current.waiting.clear();
        current.sealed = false;
        self.durable_seq = last_seq;
        Ok(last_seq)
    }

    /// Shows every entry on disk from `from_seq` on, in order; returns the holes met.
    ///
    /// # Errors
    /// When the disk cannot be read.
    pub fn scan(
        &self,
        from_seq: u64,
        visit: impl FnMut(u64, &Entry),
    ) -> Result<Vec<Hole>, JournalError> {
        self.reader().scan(from_seq, visit)
    }

    /// Gives back every finished segment whose sequence numbers are all `done` with, that is
    /// published or expired; returns how many.
    ///
    /// # Errors
    /// Fatal ones, when the disk fails.
    pub fn retire(
        &mut self,
        done: &dyn Fn(RangeInclusive<u64>) -> bool,
    ) -> Result<usize, JournalError> {
        self.alive()?;
        // Until this run has a segment, the last one holds the only copy of the last commit.
        let until = if self.current.is_some() {
            self.closed.len()
        } else {
            self.closed.len().saturating_sub(1)
        };
        let mut given_back = 0;
        let mut n = 0;
        for _ in 0..until {
            let Closed { name, last_seq } = &self.closed[n];
            if last_seq.is_some_and(|last| !done(name.first_seq..=last)) {
                n += 1;
                continue;
            }
            let path = name.path();
            let freed = if self.spares.len() < self.settings.spares {
                let spare = spare_path(name.number);
                let renamed = self.storage.rename(&path, &spare);
                renamed.map(|()| self.spares.push(spare))
            } else {
                self.storage.remove(&path)
            };
            freed.map_err(|e| self.die(e))?;
            self.closed.remove(n);
            given_back += 1;
        }
        if given_back > 0 {
            // Before a spare is used, its old name must be gone for good.
            let synced = self.storage.sync_dir(FOLDER);
            synced.map_err(|e| self.die(e))?;
        }
        Ok(given_back)
    }

    fn alive(&self) -> Result<(), JournalError> {
        if self.dead {
            Err(JournalError::Dead)
        } else {
            Ok(())
        }
    }

    fn die(&mut self, e: crate::storage::StorageError) -> JournalError {
        self.dead = true;
        e.into()
    }

    /// Walks over all segments, and keeps the entries of the last commit.
    fn recover(&mut self) -> Result<Recovered, JournalError> {
        let names = segments(self.storage.as_ref())?;
        let mut walk = Walk::new(self.book);
        let mut recovered = Recovered::default();
        for (n, name) in names.iter().enumerate() {
            let next = names.get(n + 1);
            let cut = next.map_or(u64::MAX, |next| next.first_seq);
            let bytes = self.storage.open_read(&name.path())?.read_all()?;
            let mut last_seq = None;
            let mut commit = Carried {
                first_seq: name.first_seq,
                entries: Vec::new(),
            };
            walk.segment(&bytes, *name, cut, &mut |met| match met {
                Event::Begin(first_seq) => {
                    commit.first_seq = first_seq;
                    commit.entries.clear();
                }
                Event::Entry(kept) => {
                    recovered.entries += 1;
                    last_seq = Some(kept.seq);
                    if next.is_none() {
                        commit.entries.push(kept);
                    }
                }
            })?;
            if next.is_none() {
                let holes = walk.holes.iter_mut().skip(walk.holes_before_commit);
                holes.for_each(|hole| hole.torn = true);
                let found = commit.entries.len();
                keep_whole_messages(&mut commit.entries);
                recovered.entries -= (found - commit.entries.len()) as u64;
                recovered.carried = commit.entries.len() as u64;
                last_seq = last_seq
                    .filter(|_| commit.first_seq > name.first_seq)
                    .map(|last| last.min(commit.first_seq - 1));
                self.carried = commit;
            }
            self.closed.push(Closed {
                name: *name,
                last_seq,
            });
        }
        if let Some(last) = names.last() {
            self.next_number = last.number + 1;
            self.next_seq = walk.next_seq;
        } else {
            self.carried.first_seq = 1;
        }
        self.durable_seq = self.next_seq - 1;
        recovered.last_seq = self.durable_seq;
        recovered.holes = walk.holes;
        Ok(recovered)
    }

    /// Keeps whole spares, removes those that a crash left half made.
    fn take_stock_of_spares(&mut self) -> Result<(), JournalError> {
        for name in self.storage.list(FOLDER)? {
            let path = format!("{FOLDER}/{name}");
            let Some(number) = name.strip_prefix("spare-") else {
                continue;
            };
            if let Ok(number) = number.parse::<u64>() {
                self.next_number = self.next_number.max(number + 1);
            }
            let whole = self.storage.open_read(&path)?.size()? >= self.settings.segment_bytes;
            if whole && self.spares.len() < self.settings.spares {
                self.spares.push(path);
            } else {
                self.storage.remove(&path)?;
            }
        }
        // A crash may have left any of these names undurable.
        Ok(self.storage.sync_dir(FOLDER)?)
    }

    /// Opens this run's first segment, if it has none yet.
    fn begin(&mut self) -> Result<(), JournalError> {
        if self.current.is_some() {
            return Ok(());
        }
        let carried = std::mem::take(&mut self.carried);
        let begun = self.start_segment(carried.first_seq, &carried.entries);
        if begun.is_err() {
            self.carried = carried;
        }
        begun
    }

    fn rotate(&mut self) -> Result<(), JournalError> {
        let first_seq = self.next_seq;
        let old = self.current.as_ref().map(|c| c.name);
        self.start_segment(first_seq, &[])?;
        if let Some(name) = old {
            self.closed.push(Closed {
                name,
                last_seq: (first_seq > name.first_seq).then(|| first_seq - 1),
            });
        }
        Ok(())
    }

    /// Makes a segment, with `carried` as its first commit, the current one. It gets its name
    /// when it is durable; until then a crash leaves everything as it was.
    fn start_segment(&mut self, first_seq: u64, carried: &[Kept]) -> Result<(), JournalError> {
        let spare = match self.spares.last() {
            Some(spare) => spare.clone(),
            None => self.make_spare()?,
        };
        let name = SegmentName {
            number: self.next_number,
            first_seq,
        };
        let filled = self.fill_spare(&spare, name, carried);
        let filled = filled.and_then(|current| {
            self.storage.rename(&spare, &name.path())?;
            Ok(current)
        });
        let mut current = match filled {
            Ok(current) => current,
            Err(e) if e.is_full() => return Err(self.full()),
            Err(e) => return Err(self.die(e)),
        };
        self.spares.retain(|s| *s != spare);
        self.next_number += 1;
        let synced = self.storage.sync_dir(FOLDER);
        synced.map_err(|e| self.die(e))?;
        // Opened by its new name, so that an error names the file as it is.
        current.file = self.storage.open(&name.path()).map_err(|e| self.die(e))?;
        self.bytes_written += current.offset;
        self.current = Some(current);
        Ok(())
    }

    /// Writes a segment's first blocks into a spare and makes them durable.
    fn fill_spare(
        &self,
        spare: &str,
        name: SegmentName,
        carried: &[Kept],
    ) -> crate::storage::Result<Current> {
        let mut file = self.storage.open(spare)?;
        let mut blocks = header(name, self.book, self.boot, self.opened);
        let mut current = Current {
            name,
            seed: Seed::new(self.book, name.number),
            encoder: Encoder::default(),
            said: 0,
            offset: blocks.len() as u64,
            size: file.size()?,
            waiting: Vec::new(),
            sealed: false,
            file: self.storage.open(spare)?,
        };
        let mut next = name.first_seq;
        for kept in carried {
            current.never(next, kept.seq);
            let boot = kept.boot.unwrap_or(self.boot);
            current.push(kept.seq, boot, kept.part, &kept.entry);
            next = kept.seq + 1;
        }
        current.never(next, self.next_seq);
        if !current.waiting.is_empty() {
            current.seal(self.next_seq - 1);
            current.sealed = false;
        }
        blocks.append(&mut current.waiting);
        current.offset = blocks.len() as u64;
        current.size = current.size.max(current.offset);
        file.write_at(0, &blocks)?;
        file.sync_data()?;
        Ok(current)
    }

    fn make_spare(&mut self) -> Result<String, JournalError> {
        let size = self.settings.segment_bytes;
        let free = self.storage.free_bytes().map_err(|e| self.die(e))?;
        if free < size.saturating_add(self.settings.reserve_bytes) {
            return Err(self.full());
        }
        let path = spare_path(self.next_number);
        let storage = self.storage.clone();
        let made = storage.create(&path).and_then(|mut file| {
            file.fill_with_zeros(size)?;
            storage.sync_dir(FOLDER)
        });
        match made {
            Ok(()) => {
                self.spares.push(path.clone());
                Ok(path)
            }
            Err(e) if e.is_full() => {
                // The room it took is better left to publication. It may not even exist.
                let _: crate::storage::Result<()> = storage.remove(&path);
                Err(self.full())
            }
            Err(e) => Err(self.die(e)),
        }
    }

    fn full(&self) -> JournalError {
        full(
            self.storage.free_bytes().unwrap_or(0),
            self.settings.reserve_bytes,
        )
    }

    /// Puts entries behind those waiting; `false`, and nothing done, when the segment has no
    /// room for them and the frame that ends the commit.
    fn push(&mut self, entries: &[Entry]) -> Result<bool, JournalError> {
        let (boot, first) = (self.boot, self.next_seq);
        let Some(current) = &mut self.current else {
            return Err(JournalError::Dead);
        };
        let before = current.waiting.len();
        for (n, entry) in entries.iter().enumerate() {
            let part = Part {
                goes_on: n > 0,
                more: n + 1 < entries.len(),
            };
            let longest = current.push(first + n as u64, boot, part, entry);
            let end = current.offset as usize + current.end_of_commit();
            if longest > MOST_BODY || end as u64 > current.size {
                current.waiting.truncate(before);
                // Its dictionary now holds words that were never written, so it takes no more.
                current.size = 0;
                if longest > MOST_BODY {
                    return Err(JournalError::TooLarge {
                        bytes: longest as u64,
                        most: MOST_BODY as u64,
                    });
                }
                return Ok(false);
            }
        }
        Ok(true)
    }
}

impl Current {
    /// Adds an entry and the dictionary bodies it is the first to need; returns the length of
    /// the longest body.
    fn push(&mut self, seq: u64, boot: Uuid, part: Part, entry: &Entry) -> usize {
        if self.waiting.is_empty() {
            self.say_again(seq);
        }
        let body = self.encoder.entry(boot, part, entry);
        let mut longest = body.len();
        for word in &self.encoder.dictionary()[self.said..] {
            longest = longest.max(word.len());
            frame::push(&mut self.waiting, self.seed, seq, word);
        }
        self.said = self.encoder.dictionary().len();
        frame::push(&mut self.waiting, self.seed, seq, &body);
        longest
    }

    /// Begins a commit with the whole dictionary, while that is short, so that damage to one
    /// block does not make later ones unreadable. The room is there: a commit fills a block.
    fn say_again(&mut self, seq: u64) {
        let words = &self.encoder.dictionary()[..self.said];
        if words
            .iter()
            .map(|word| word.len() + frame::HEAD)
            .sum::<usize>()
            <= MOST_SAID_AGAIN
        {
            for word in words {
                frame::push(&mut self.waiting, self.seed, seq, word);
            }
        }
    }

    /// Says that the sequence numbers from `first` up to, not including, `next` never were.
    fn never(&mut self, first: u64, next: u64) {
        if first < next {
            let body = codec::never(first, next - 1);
            frame::push(&mut self.waiting, self.seed, first, &body);
        }
    }

    fn commit_body(&self) -> Vec<u8> {
        codec::commit(self.offset)
    }

    /// Where the commit would end if it were sealed now.
    fn end_of_commit(&self) -> usize {
        frame::end_after(self.waiting.len(), self.commit_body().len()).next_multiple_of(BLOCK)
    }

    /// Ends the commit on a block boundary.
    fn seal(&mut self, last_seq: u64) {
        let commit = self.commit_body();
        frame::push(&mut self.waiting, self.seed, last_seq, &commit);
        let end = self.waiting.len().next_multiple_of(BLOCK);
        self.waiting.resize(end, 0);
        self.sealed = true;
    }
}

fn full(free: u64, kept: u64) -> JournalError {
    JournalError::Full {
        free_mib: free >> 20,
        kept_mib: kept >> 20,
    }
}

/// Drops messages of which a part is missing. They were never acknowledged, and their senders
/// will send them again.
fn keep_whole_messages(entries: &mut Vec<Kept>) {
    let mut whole = Vec::with_capacity(entries.len());
    let mut message: Vec<Kept> = Vec::new();
    for kept in entries.drain(..) {
        let follows = message
            .last()
            .is_some_and(|before| before.part.more && before.seq + 1 == kept.seq);
        if !(kept.part.goes_on && follows) {
            // Whatever was begun here has lost its end.
            message.clear();
            if kept.part.goes_on {
                continue;
            }
        }
        let more = kept.part.more;
        message.push(kept);
        if !more {
            whole.append(&mut message);
        }
    }
    *entries = whole;
}
