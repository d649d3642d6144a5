//! Which journal segments nothing needs any more: every reading in them is in the published
//! trace of each machine that hears it, or has waited 48 h without a session that wants it.

use std::collections::{BTreeMap, HashMap};
use std::ops::RangeInclusive;
use std::sync::Arc;

use analysis::channel::Channel;
use analysis::time::Micros;
use tokio::sync::mpsc;
use tracing::info;
use uuid::Uuid;

use crate::journal::{Claim, Done, Entry, JournalError, JournalReader, Reading};
use crate::place::Place;

/// How long a reading that no session wants is kept, s.
pub const KEEP_UNCLAIMED_S: f64 = 48.0 * 3600.0;

/// Asks the journal's writer to give segments back.
#[derive(Clone, Debug)]
pub struct Retire(pub mpsc::UnboundedSender<Done>);

impl Retire {
    /// Asks; a writer that is gone keeps its segments, and the next start asks again.
    pub fn ask(&self, done: Done) {
        let _ = self.0.send(done);
    }
}

/// What is known of the book at the moment of asking.
#[derive(Debug, Default)]
pub struct Known {
    /// Each session's published generation.
    pub published: BTreeMap<Uuid, u32>,
    /// By machine, what is needed whatever was published: see
    /// [`super::keeper::Keeper::wanted`], and closes on their way to a trace.
    pub wanted: Vec<Claim>,
    /// The machines that hear each kiln and the shop; a machine hears itself.
    pub hearing: BTreeMap<Place, Vec<Arc<str>>>,
    /// The last sequence number that was looked at when `wanted` was made.
    pub taken: u64,
    /// Wall time.
    pub now: Micros,
    /// This boot and its monotonic time: what arrived in it is as old as that says, however the
    /// wall clock was set since.
    pub boot: (Uuid, i64),
}

impl Known {
    fn age_s(&self, boot: Option<Uuid>, reading: &Reading) -> f64 {
        let (this, monotonic_us) = self.boot;
        if boot == Some(this) {
            Micros(monotonic_us).seconds_since(Micros(reading.monotonic_us))
        } else {
            self.now.seconds_since(reading.arrival)
        }
    }
}

/// What bears on the readings of one channel.
#[derive(Debug, Default)]
struct Channelwise {
    wanted: Vec<Claim>,
    /// Published claims of each machine that hears it.
    filed: Vec<Vec<Claim>>,
}

/// Looks through the journal for what is still needed.
///
/// # Errors
/// When the journal cannot be read.
pub fn done(reader: &JournalReader, known: &Known) -> Result<Done, JournalError> {
    let mut filed: BTreeMap<(String, Place, Channel), Vec<Claim>> = BTreeMap::new();
    let mut wanted = known.wanted.clone();
    let mut waiting = Runs::default();
    reader.scan_range(0..=known.taken, |found| {
        if let Entry::Close(close) = found.entry {
            let published = known.published.get(&close.session);
            if published.is_some_and(|g| *g >= close.generation) {
                for claim in &close.claims {
                    let key = (close.machine.clone(), claim.place.clone(), claim.channel);
                    filed.entry(key).or_default().push(claim.clone());
                }
            } else {
                // However long its trace takes to be published, this is its only copy.
                wanted.extend(close.claims.iter().cloned());
                waiting.add(found.seq);
            }
        }
    })?;
    let mut by_channel: HashMap<(Place, Channel), Channelwise> = HashMap::new();
    let mut kept = Runs::default();
    let mut expired = Runs::default();
    reader.scan_range(0..=known.taken, |found| {
        let Entry::Reading(reading) = found.entry else {
            return;
        };
        let key = (reading.place.clone(), reading.channel);
        let bears = by_channel
            .entry(key)
            .or_insert_with_key(|(place, channel)| {
                let machines = match place {
                    Place::Machine(name) => vec![Arc::clone(name)],
                    shared => known.hearing.get(shared).cloned().unwrap_or_default(),
                };
                Channelwise {
                    wanted: wanted
                        .iter()
                        .filter(|c| c.place == *place && c.channel == *channel)
                        .cloned()
                        .collect(),
                    filed: machines
                        .iter()
                        .map(|m| {
                            let key = (m.to_string(), place.clone(), *channel);
                            filed.get(&key).cloned().unwrap_or_default()
                        })
                        .collect(),
                }
            });
        let takes = |claims: &[Claim]| claims.iter().any(|c| takes(c, found.seq, reading));
        if takes(&bears.wanted) {
            kept.add(found.seq);
        } else if !bears.filed.is_empty() && bears.filed.iter().all(|claims| takes(claims)) {
            // In every trace that it belongs to.
        } else if known.age_s(found.boot, reading) >= KEEP_UNCLAIMED_S {
            expired.add(found.seq);
        } else {
            kept.add(found.seq);
        }
    })?;
    let taken = known.taken;
    Ok(Box::new(move |range: RangeInclusive<u64>| {
        let free = *range.end() <= taken && !waiting.meets(&range) && !kept.meets(&range);
        let gone = if free { expired.within(&range) } else { 0 };
        if gone > 0 {
            info!("{gone} samples left the journal after 48 h; no session wanted them");
        }
        free
    }))
}

/// Sequence numbers in rising order, kept as runs. Numbers with a small gap between them make
/// one run: it is asked for whole segments only, and a list of every number would be as long as
/// the journal.
#[derive(Debug, Default)]
struct Runs(Vec<(u64, u64, u64)>);

impl Runs {
    /// Far below the entries of a segment.
    const GAP: u64 = 256;

    fn add(&mut self, seq: u64) {
        match self.0.last_mut() {
            Some((_, last, count)) if seq.saturating_sub(*last) <= Self::GAP => {
                *last = seq.max(*last);
                *count += 1;
            }
            _ => self.0.push((seq, seq, 1)),
        }
    }

    /// The runs that reach into a range.
    fn of(&self, range: &RangeInclusive<u64>) -> impl Iterator<Item = &(u64, u64, u64)> {
        let at = self.0.partition_point(|(_, last, _)| last < range.start());
        let end = *range.end();
        self.0[at..].iter().take_while(move |r| r.0 <= end)
    }

    fn meets(&self, range: &RangeInclusive<u64>) -> bool {
        self.of(range).next().is_some()
    }

    /// How many begin in the range; a run over the end of a segment counts with its start.
    fn within(&self, range: &RangeInclusive<u64>) -> u64 {
        self.of(range)
            .filter(|(first, ..)| range.contains(first))
            .map(|(.., count)| count)
            .sum()
    }
}

fn takes(claim: &Claim, seq: u64, reading: &Reading) -> bool {
    claim.from <= reading.time
        && reading.time <= claim.to
        && (claim.first_seq..=claim.last_seq).contains(&seq)
}
