//! Reading the journal: every entry in the order of its sequence number, and every hole. Used
//! at start, by sessions that look back, and by the publishing child while the daemon writes.

use std::ops::RangeInclusive;
use std::sync::Arc;

use uuid::Uuid;

use super::codec::{Decoder, Part, Said};
use super::entry::Entry;
use super::error::JournalError;
use super::frame::{BLOCK, Frames, HEAD, Met, Seed};
use super::segment::{FOLDER, SegmentName, check_header};
use crate::storage::Storage;

/// Bytes or sequence numbers that should be there and are not.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Hole {
    /// The segment's number.
    pub segment: u64,
    /// Where it starts in the segment.
    pub offset: u64,
    /// How many bytes could not be read; 0 where that cannot be told.
    pub bytes: u64,
    /// The sequence numbers lost; none when only the journal's own notes were hit.
    pub missing: Option<RangeInclusive<u64>>,
    /// In the last commit before a crash, where it is no damage but what a crash does:
    /// nothing of it was acknowledged, unless the medium is damaged just there.
    pub torn: bool,
}

impl Hole {
    /// How many entries are missing.
    pub fn entries(&self) -> u64 {
        self.missing
            .as_ref()
            .map_or(0, |m| m.end().saturating_sub(*m.start()).saturating_add(1))
    }
}

/// One entry as it was found.
#[derive(Debug)]
pub struct Found<'a> {
    /// Its sequence number.
    pub seq: u64,
    /// The boot in which a reading was received; none for other entries.
    pub boot: Option<Uuid>,
    /// The entry.
    pub entry: &'a Entry,
}

/// Reads a book's journal, and never writes.
#[derive(Clone, Debug)]
pub struct JournalReader {
    storage: Arc<dyn Storage>,
    book: Uuid,
}

impl JournalReader {
    /// The journal of the book with this id.
    pub fn new(storage: Arc<dyn Storage>, book: Uuid) -> Self {
        JournalReader { storage, book }
    }

    /// Shows every entry from `from_seq` on, in order; returns the holes met.
    ///
    /// # Errors
    /// When the disk cannot be read, or a segment is of a newer pourbook or another book.
    pub fn scan(
        &self,
        from_seq: u64,
        mut visit: impl FnMut(u64, &Entry),
    ) -> Result<Vec<Hole>, JournalError> {
        self.scan_range(from_seq..=u64::MAX, |found| visit(found.seq, found.entry))
    }

    /// Shows every entry whose sequence number is in `seqs`, in order; returns the holes met.
    ///
    /// # Errors
    /// When the disk cannot be read, or a segment is of a newer pourbook or another book.
    pub fn scan_range(
        &self,
        seqs: RangeInclusive<u64>,
        mut visit: impl FnMut(Found<'_>),
    ) -> Result<Vec<Hole>, JournalError> {
        let segments = segments(self.storage.as_ref())?;
        let mut walk = Walk::new(self.book);
        for (n, name) in segments.iter().enumerate() {
            let cut = segments.get(n + 1).map_or(u64::MAX, |next| next.first_seq);
            if cut <= *seqs.start() {
                continue;
            }
            if name.first_seq > *seqs.end() {
                break;
            }
            let bytes = match self.storage.open_read(&name.path()) {
                Ok(file) => file.read_all()?,
                // Retired since it was listed: everything in it is published or expired.
                Err(e) if e.is_missing() => continue,
                Err(e) => return Err(e.into()),
            };
            walk.segment(&bytes, *name, cut, &mut |met| {
                if let Event::Entry(Kept {
                    seq, boot, entry, ..
                }) = met
                    && seqs.contains(&seq)
                {
                    visit(Found {
                        seq,
                        boot,
                        entry: &entry,
                    });
                }
            })?;
        }
        let mut holes = walk.holes;
        holes.retain(|hole| {
            hole.missing
                .as_ref()
                .is_none_or(|m| m.start() <= seqs.end() && m.end() >= seqs.start())
        });
        Ok(holes)
    }
}

/// The segments there are, oldest first.
pub(super) fn segments(storage: &dyn Storage) -> Result<Vec<SegmentName>, JournalError> {
    let mut names: Vec<SegmentName> = storage
        .list(FOLDER)?
        .iter()
        .filter_map(|name| SegmentName::parse(name))
        .collect();
    names.sort_unstable();
    Ok(names)
}

/// What a walk over a segment meets.
pub(super) enum Event {
    /// A commit begins; its first entry would have this sequence number.
    Begin(u64),
    /// An entry.
    Entry(Kept),
}

/// An entry as the journal holds it.
#[derive(Debug)]
pub(super) struct Kept {
    pub(super) seq: u64,
    pub(super) boot: Option<Uuid>,
    pub(super) part: Part,
    pub(super) entry: Entry,
}

/// A walk over segments, oldest first, that keeps account of what is missing.
pub(super) struct Walk {
    book: Uuid,
    /// The segment walked last, and where its last good frame ends.
    last: Option<(u64, u64)>,
    pub(super) next_seq: u64,
    pub(super) holes: Vec<Hole>,
    /// How many holes there were when the commit being walked began.
    pub(super) holes_before_commit: usize,
    between_commits: bool,
}

impl Walk {
    pub(super) fn new(book: Uuid) -> Self {
        Walk {
            book,
            last: None,
            next_seq: 0,
            holes: Vec::new(),
            holes_before_commit: 0,
            between_commits: true,
        }
    }

    /// Walks one segment. Frames numbered `cut` or later are leftovers of a commit that the
    /// next segment tells again.
    pub(super) fn segment(
        &mut self,
        bytes: &[u8],
        name: SegmentName,
        cut: u64,
        visit: &mut dyn FnMut(Event),
    ) -> Result<(), JournalError> {
        let header_is_good = check_header(bytes, name, self.book)?;
        self.enter(name);
        if !header_is_good {
            self.holes.push(Hole {
                segment: name.number,
                offset: 0,
                bytes: BLOCK as u64,
                missing: None,
                torn: false,
            });
        }
        self.between_commits = true;
        self.holes_before_commit = self.holes.len();
        let mut bad = None;
        let mut good_end = BLOCK as u64;
        let mut decoder = Decoder::default();
        let seed = Seed::new(self.book, name.number);
        for met in Frames::new(bytes, seed, BLOCK) {
            let (at, seq, body) = match met {
                Met::Frame { at, seq, body } => (at as u64, seq, body),
                Met::NoFrame { at } => {
                    grow(&mut bad, at as u64);
                    continue;
                }
            };
            let Ok(said) = decoder.body(body) else {
                grow(&mut bad, at);
                continue;
            };
            good_end = at + (body.len() + HEAD) as u64;
            if seq >= cut || matches!(said, Said::Dictionary) {
                continue;
            }
            if matches!(said, Said::Entry(..)) && seq < self.next_seq {
                // Said before: no writer does that, so it is not what it seems.
                continue;
            }
            if self.between_commits {
                self.between_commits = false;
                self.holes_before_commit = self.holes.len();
                visit(Event::Begin(self.next_seq));
            }
            match said {
                Said::Dictionary => {}
                Said::Never(first, last) => {
                    if first <= self.next_seq {
                        self.next_seq = self.next_seq.max(last.saturating_add(1));
                    }
                }
                Said::Commit => {
                    self.reach(name.number, seq.saturating_add(1), at, &mut bad);
                    self.between_commits = true;
                }
                Said::Entry(boot, part, entry) => {
                    self.reach(name.number, seq, at, &mut bad);
                    self.next_seq = seq.saturating_add(1);
                    visit(Event::Entry(Kept {
                        seq,
                        boot,
                        part,
                        entry,
                    }));
                }
            }
        }
        self.last = Some((name.number, good_end));
        Ok(())
    }

    /// Between two segments that follow each other nothing may be missing.
    fn enter(&mut self, name: SegmentName) {
        if let Some((number, end)) = self.last
            && number + 1 == name.number
            && name.first_seq > self.next_seq
        {
            self.holes.push(Hole {
                segment: number,
                offset: end,
                bytes: 0,
                missing: Some(self.next_seq..=name.first_seq - 1),
                torn: false,
            });
        }
        self.next_seq = name.first_seq;
    }

    /// A frame at `at` says that everything before `seq` came before it.
    fn reach(&mut self, segment: u64, seq: u64, at: u64, bad: &mut Option<(u64, u64)>) {
        let gap = seq > self.next_seq;
        if gap || bad.is_some() {
            let (offset, end) = bad.take().unwrap_or((at, at));
            self.holes.push(Hole {
                segment,
                offset,
                bytes: end.max(offset) - offset,
                missing: gap.then(|| self.next_seq..=seq - 1),
                torn: false,
            });
            self.next_seq = self.next_seq.max(seq);
        }
    }
}

/// Damage reaches from where it starts to the end of its block.
fn grow(bad: &mut Option<(u64, u64)>, at: u64) {
    let end = (at + 1).next_multiple_of(BLOCK as u64);
    match bad {
        Some((_, to)) => *to = end,
        None => *bad = Some((at, end)),
    }
}
