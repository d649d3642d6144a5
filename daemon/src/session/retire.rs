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

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::collections::BTreeSet;

    use analysis::sample::Quality;
    use proptest::prelude::*;

    use super::*;
    use crate::journal::{Close, Journal, JournalSettings, Origin};
    use crate::storage::RealDisk;

    const HOUR: f64 = 3600.0;

    fn at(hours: f64) -> Micros {
        Micros(1_795_000_000_000_000).plus_seconds(hours * HOUR)
    }

    fn reading(place: &Place, channel: Channel, hours: f64) -> Entry {
        Entry::Reading(Reading {
            origin: Origin {
                source: "door".into(),
                client: "probe".into(),
                connection: 1,
                packet: 0,
                dup: false,
                payload_hash: 0,
            },
            place: place.clone(),
            channel,
            value: 900.0,
            quality: Quality::Good,
            time: at(hours),
            device_time: None,
            arrival: at(hours),
            monotonic_us: at(hours).0 - at(0.0).0,
        })
    }

    fn bench() -> Place {
        Place::Machine("bench-1".into())
    }

    fn melt(hours: f64) -> Entry {
        reading(&bench(), Channel::MeltTemperature, hours)
    }

    fn claim(from: f64, to: f64, first_seq: u64, last_seq: u64) -> Claim {
        Claim {
            place: bench(),
            channel: Channel::MeltTemperature,
            channel_in_trace: Channel::MeltTemperature,
            from: at(from),
            to: at(to),
            first_seq,
            last_seq,
        }
    }

    fn close(session: u128, claims: Vec<Claim>) -> Entry {
        Entry::Close(Close {
            session: Uuid::from_u128(session),
            name: "s".into(),
            machine: "bench-1".into(),
            generation: 1,
            path: "traces/s.parquet".into(),
            claims,
            metadata: Vec::new(),
        })
    }

    /// The sequence numbers that are free, of a journal with these entries.
    fn free(entries: &[Entry], known: &Known) -> Vec<u64> {
        let dir = tempfile::tempdir().unwrap();
        let disk = Arc::new(RealDisk::new(dir.path()));
        let boot = Uuid::from_u128(99);
        let settings = JournalSettings::default();
        let (mut journal, _) =
            Journal::open(disk, Uuid::from_u128(1), boot, at(0.0), settings).unwrap();
        for entry in entries {
            journal.append(std::slice::from_ref(entry)).unwrap();
        }
        journal.commit().unwrap();
        let is_free = done(&journal.reader(), known).unwrap();
        let all = 1..=entries.len() as u64;
        all.filter(|seq| is_free(*seq..=*seq)).collect()
    }

    fn known(hours: f64, taken: u64) -> Known {
        Known {
            taken,
            now: at(hours),
            ..Known::default()
        }
    }

    #[test]
    fn what_no_session_wants_leaves_after_two_days() {
        let entries = [melt(0.0), melt(1.0)];
        assert_eq!(free(&entries, &known(47.0, 2)), [0; 0]);
        assert_eq!(free(&entries, &known(49.5, 2)), [1, 2]);
        assert_eq!(
            free(&entries, &known(49.5, 0)),
            [0; 0],
            "nobody has looked at them yet"
        );
    }

    #[test]
    fn what_an_open_session_holds_stays_however_long_it_is_open() {
        let wanted = vec![claim(-0.5, 1e4, 0, u64::MAX)];
        let known = Known {
            wanted,
            ..known(500.0, 2)
        };
        assert_eq!(free(&[melt(0.0), melt(1.0)], &known), [0; 0]);
    }

    #[test]
    fn a_close_keeps_what_it_claims_until_its_trace_is_published_and_no_longer() {
        let entries = [melt(0.0), close(7, vec![claim(0.0, 1.0, 0, 1)])];
        let mut known = known(500.0, 2);
        known.published.insert(Uuid::from_u128(7), 0);
        assert_eq!(free(&entries, &known), [0; 0]);
        known.published.insert(Uuid::from_u128(7), 1);
        assert_eq!(free(&entries, &known), [1, 2]);
        // The same at once: what is in a trace need not wait.
        known.now = at(1.0);
        assert_eq!(free(&entries, &known), [1, 2]);
    }

    #[test]
    fn a_clock_set_forward_makes_nothing_old() {
        let mut known = known(24.0 * 300.0, 1);
        known.boot = (Uuid::from_u128(99), (2.0 * HOUR * 1e6) as i64);
        assert_eq!(free(&[melt(0.0)], &known), [0; 0]);
        known.boot.1 = (49.0 * HOUR * 1e6) as i64;
        assert_eq!(free(&[melt(0.0)], &known), [1]);
    }

    #[test]
    fn a_kiln_of_two_machines_stays_until_both_have_it() {
        let kiln = Place::Kiln("kiln-1".into());
        let entries = [
            reading(&kiln, Channel::KilnTemperature(0), 0.0),
            close(
                7,
                vec![Claim {
                    place: kiln.clone(),
                    channel: Channel::KilnTemperature(0),
                    ..claim(0.0, 1.0, 0, 1)
                }],
            ),
        ];
        let mut known = known(1.0, 2);
        known.published.insert(Uuid::from_u128(7), 1);
        known.hearing.insert(kiln.clone(), vec!["bench-1".into()]);
        assert_eq!(free(&entries, &known), [1, 2]);
        let both = vec!["bench-1".into(), "bench-2".into()];
        known.hearing.insert(kiln, both);
        assert_eq!(free(&entries, &known), [2]);
    }

    proptest! {
        #[test]
        fn runs_never_say_that_a_range_is_free_when_it_is_not(
            seqs in prop::collection::btree_set(0_u64..5_000, 0..60),
            from in 0_u64..5_000,
            length in 0_u64..2_000,
        ) {
            let mut runs = Runs::default();
            seqs.iter().for_each(|seq| runs.add(*seq));
            let range = from..=from + length;
            let truly: BTreeSet<u64> = seqs.range(range.clone()).copied().collect();
            prop_assert!(truly.is_empty() || runs.meets(&range));
            prop_assert_eq!(runs.within(&(0..=u64::MAX)), seqs.len() as u64);
            // Between runs there is room to be free.
            let near = seqs.range(from.saturating_sub(Runs::GAP)..=from + length + Runs::GAP);
            prop_assert!(near.count() > 0 || !runs.meets(&range));
        }
    }
}
