//! From the journal to a session's trace file. Publication is a pure function of the journal's
//! close entry: the same entry over the same journal gives the same bytes, so that after a crash
//! it is simply done again.
//!
//! Readings are taken a few channels at a time, so that memory stays flat however long the
//! session. A reading belongs to a claim by the time it was filed under; the time that goes into
//! the trace has local clock steps taken out first ([`StepFixer`]). The next generation of a
//! trace keeps every sample of the one before.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use analysis::channel::Channel;
use analysis::sample::Sample;
use analysis::time::Micros;
use analysis::trace::{TraceError, TraceReader, TraceWriter};
use sha2::{Digest, Sha256};
use uuid::Uuid;

use crate::checksum::hex;
use crate::journal::{Claim, Close, Entry, Found, Hole, JournalError, JournalReader, Reading};
use crate::storage::{AppendTo, ReadFrom, Storage, StorageError, replace_file};

/// Readings held at once; a channel with more is still taken whole.
const MOST_AT_ONCE: u64 = 500_000;
/// A wall clock that moved by more against the monotonic one was stepped, not disciplined. A
/// time server slews smaller errors (common practice; ntpd steps above 0.128 s, from memory), and no
/// measure of a pour cares for them.
const STEP_US: i64 = 2 * Micros::PER_SECOND;
/// Metadata key of the session's UUID.
const SESSION_ID: &str = "pourbook.session_id";
/// Metadata key of the trace's generation.
const GENERATION: &str = "pourbook.generation";

/// A trace that is on disk under its name.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Published {
    /// Its path below the book.
    pub path: String,
    /// SHA-256 of the file, in hex.
    pub sha256: String,
    /// Samples in it.
    pub rows: u64,
    /// Its generation, which is later than asked for when a later one was there already.
    pub generation: u32,
    /// What the journal has lost of the stretch it was made from.
    pub holes: Vec<Hole>,
    /// Readings whose arrival was told by a clock that was set later.
    pub moved: u64,
}

/// Why a trace was not published. The journal still holds everything.
#[derive(Debug, thiserror::Error)]
pub enum PublishError {
    /// The disk would not do it.
    #[error(transparent)]
    Disk(#[from] StorageError),
    /// The journal could not be read.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// The trace could not be written, or the one that is there not be read.
    #[error("{path}: {source}")]
    Trace {
        /// The trace.
        path: String,
        /// Why.
        source: TraceError,
    },
    /// Another session's trace has the name.
    #[error("{path} holds another session ({theirs}); move it out of the way")]
    Taken {
        /// The trace.
        path: String,
        /// What it says it is.
        theirs: String,
    },
    /// The generation before is not there to be added to.
    #[error(
        "{path} should hold generation {wanted} and holds {found}; put back a copy of that file"
    )]
    NoForerunner {
        /// The trace.
        path: String,
        /// The generation wanted.
        wanted: u32,
        /// What is there.
        found: String,
    },
    /// What was read back is not what was written: the disk is not to be trusted.
    #[error("{path} reads back with {read} samples and {written} were written; check the disk")]
    ReadsBackWrong {
        /// The trace.
        path: String,
        /// Samples written.
        written: u64,
        /// Samples read back.
        read: u64,
    },
}

/// Publishes the trace that `close` describes from the journal of `book`, unless that
/// generation, or a later one, is there already.
///
/// # Errors
/// See [`PublishError`]. What was at the path before is then still there.
pub fn publish(
    storage: &Arc<dyn Storage>,
    book: Uuid,
    close: &Close,
) -> Result<Published, PublishError> {
    let there = what_is_there(storage.as_ref(), close)?;
    // A first generation is made again, since its journal may still be there; a later one has
    // its forerunner's samples in it already, and adding to it again would double the new ones.
    let is_there = |g: u32| g > close.generation || (g == close.generation && g > 1);
    if let Some(generation) = there.filter(|g| is_there(*g)) {
        return described(storage.as_ref(), close, generation);
    }
    let forerunner = close.generation.checked_sub(1).filter(|g| *g > 0);
    if let Some(wanted) = forerunner
        && there != Some(wanted)
    {
        return Err(PublishError::NoForerunner {
            path: close.path.clone(),
            wanted,
            found: there.map_or("none".into(), |g| format!("generation {g}")),
        });
    }
    let journal = JournalReader::new(storage.clone(), book);
    let claimed = Claimed::survey(&journal, close)?;
    let mut written = 0;
    let mut moved = 0;
    replace_file(storage.as_ref(), &close.path, |out| {
        let before = match forerunner {
            Some(_) => Some(open_trace(storage.as_ref(), &close.path)?),
            None => None,
        };
        (written, moved) = write_trace(out, &journal, close, &claimed, before)?;
        Ok::<(), PublishError>(())
    })?;
    let mut published = described(storage.as_ref(), close, close.generation)?;
    if published.rows != written {
        return Err(PublishError::ReadsBackWrong {
            path: close.path.clone(),
            written,
            read: published.rows,
        });
    }
    published.holes = claimed.holes;
    published.moved = moved;
    Ok(published)
}

fn at(path: &str) -> impl Fn(TraceError) -> PublishError + '_ {
    |source| PublishError::Trace {
        path: path.to_owned(),
        source,
    }
}

fn open_trace(storage: &dyn Storage, path: &str) -> Result<TraceReader<ReadFrom>, PublishError> {
    let file = storage.open_read(path)?;
    TraceReader::open(ReadFrom::new(file)?).map_err(at(path))
}

/// The generation of this session's trace that is there, if any can be read.
fn what_is_there(storage: &dyn Storage, close: &Close) -> Result<Option<u32>, PublishError> {
    if !storage.exists(&close.path) {
        return Ok(None);
    }
    let trace = match open_trace(storage, &close.path) {
        Ok(trace) => trace,
        // A damaged first generation is made again from the journal.
        Err(PublishError::Trace { .. }) if close.generation == 1 => return Ok(None),
        Err(e) => return Err(e),
    };
    let theirs = trace.value_of(SESSION_ID).unwrap_or("no session");
    if theirs != close.session.to_string() {
        return Err(PublishError::Taken {
            path: close.path.clone(),
            theirs: theirs.to_owned(),
        });
    }
    Ok(trace.value_of(GENERATION).and_then(|g| g.parse().ok()))
}

/// Reads the file back: its checksum, and that a reader takes it.
fn described(
    storage: &dyn Storage,
    close: &Close,
    generation: u32,
) -> Result<Published, PublishError> {
    let rows = open_trace(storage, &close.path)?.rows();
    let file = storage.open_read(&close.path)?;
    let mut sum = Sha256::new();
    let mut chunk = vec![0; 64 * 1024];
    let mut offset = 0;
    loop {
        let n = file.read_at(offset, &mut chunk)?;
        if n == 0 {
            break;
        }
        sum.update(&chunk[..n]);
        offset += n as u64;
    }
    let sha256 = hex(&sum.finalize());
    Ok(Published {
        path: close.path.clone(),
        sha256,
        rows,
        generation,
        holes: Vec::new(),
        moved: 0,
    })
}

/// What a first pass over the journal tells.
struct Claimed<'a> {
    /// Claims by the channel they go to, in the order of the trace.
    channels: BTreeMap<Channel, (Vec<&'a Claim>, u64)>,
    steps: StepFixer,
    holes: Vec<Hole>,
    first_seq: u64,
    last_seq: u64,
}

impl<'a> Claimed<'a> {
    fn survey(journal: &JournalReader, close: &'a Close) -> Result<Self, PublishError> {
        let mut claimed = Claimed {
            channels: BTreeMap::new(),
            steps: StepFixer::default(),
            holes: Vec::new(),
            first_seq: close.claims.iter().map(|c| c.first_seq).min().unwrap_or(1),
            last_seq: close.claims.iter().map(|c| c.last_seq).max().unwrap_or(0),
        };
        for claim in &close.claims {
            let channel = claimed.channels.entry(claim.channel_in_trace);
            channel.or_default().0.push(claim);
        }
        let (channels, steps) = (&mut claimed.channels, &mut claimed.steps);
        claimed.holes = journal.scan_range(claimed.first_seq..=claimed.last_seq, |found| {
            if let Found {
                seq,
                boot: Some(boot),
                entry: Entry::Reading(reading),
            } = found
            {
                steps.note(boot, reading);
                for (claims, count) in channels.values_mut() {
                    *count += u64::from(takes(claims, seq, reading));
                }
            }
        })?;
        Ok(claimed)
    }

    /// Channels in runs that are small enough to be held at once.
    fn batches(&self) -> Vec<Vec<Channel>> {
        let mut batches: Vec<Vec<Channel>> = Vec::new();
        let mut held = 0;
        for (channel, (_, count)) in &self.channels {
            match batches.last_mut() {
                Some(batch) if held + count <= MOST_AT_ONCE => {
                    batch.push(*channel);
                    held += count;
                }
                _ => {
                    batches.push(vec![*channel]);
                    held = *count;
                }
            }
        }
        batches
    }
}

fn takes(claims: &[&Claim], seq: u64, reading: &Reading) -> bool {
    claims.iter().any(|claim| {
        claim.channel == reading.channel
            && (claim.first_seq..=claim.last_seq).contains(&seq)
            && (claim.from..=claim.to).contains(&reading.time)
            && claim.place == reading.place
    })
}

/// Takes local clock steps out of arrival times. A machine without a battery-backed clock boots
/// with a wrong time and is set right later; what arrived before carries the wrong one, but its
/// monotonic time, which never steps, says how long before. The wall clock of the boot's last
/// readings is the one believed.
#[derive(Debug, Default)]
pub struct StepFixer {
    /// Wall time less monotonic time, µs, of the last reading of each boot.
    offsets: HashMap<Uuid, i64>,
}

impl StepFixer {
    /// Takes note of a reading; call it in the order of the journal.
    pub fn note(&mut self, boot: Uuid, reading: &Reading) {
        self.offsets.insert(boot, offset(reading));
    }

    /// When the reading was taken, as well as can be told now. A time of the sensor's own is
    /// left alone.
    pub fn time(&self, boot: Uuid, reading: &Reading) -> Micros {
        let Some(last) = self.offsets.get(&boot) else {
            return reading.time;
        };
        if reading.device_time.is_some() || (last - offset(reading)).abs() <= STEP_US {
            return reading.time;
        }
        Micros(reading.monotonic_us.saturating_add(*last))
    }
}

/// Held to half the range, so that a difference of two cannot overflow.
fn offset(reading: &Reading) -> i64 {
    let offset = reading.arrival.0.saturating_sub(reading.monotonic_us);
    offset.clamp(i64::MIN / 4, i64::MAX / 4)
}

/// Writes the whole trace; returns its samples and how many were moved.
fn write_trace(
    out: &mut AppendTo<'_>,
    journal: &JournalReader,
    close: &Close,
    claimed: &Claimed<'_>,
    mut before: Option<TraceReader<ReadFrom>>,
) -> Result<(u64, u64), PublishError> {
    let path = &close.path;
    let mut metadata = close.metadata.clone();
    metadata.retain(|(key, _)| key != SESSION_ID && key != GENERATION);
    metadata.push((SESSION_ID.into(), close.session.to_string()));
    metadata.push((GENERATION.into(), close.generation.to_string()));
    let mut trace = TraceWriter::new(out, &metadata).map_err(at(path))?;
    let mut old: Vec<Channel> = before.as_ref().map_or(Vec::new(), TraceReader::channels);
    let mut moved = 0;
    for batch in claimed.batches() {
        let mut taken: BTreeMap<Channel, Vec<Sample>> =
            batch.iter().map(|channel| (*channel, Vec::new())).collect();
        journal.scan_range(claimed.first_seq..=claimed.last_seq, |found| {
            if let Found {
                seq,
                boot: Some(boot),
                entry: Entry::Reading(reading),
            } = found
            {
                for (channel, samples) in &mut taken {
                    let claims = &claimed.channels[channel].0;
                    if takes(claims, seq, reading) {
                        let time = claimed.steps.time(boot, reading);
                        moved += u64::from(time != reading.time);
                        samples.push(Sample {
                            time,
                            channel: *channel,
                            value: reading.value,
                            quality: reading.quality,
                        });
                    }
                }
            }
        })?;
        for (channel, mut samples) in taken {
            // Channels that only the generation before has come in their place in the order.
            while let Some(first) = old.first().copied().filter(|first| *first <= channel) {
                old.remove(0);
                let kept = read_channel(&mut before, first, path)?;
                if first == channel {
                    samples.extend(kept);
                } else {
                    trace.write_channel(first, &kept).map_err(at(path))?;
                }
            }
            samples.sort_by(Sample::total_cmp);
            trace.write_channel(channel, &samples).map_err(at(path))?;
        }
    }
    for channel in old {
        let kept = read_channel(&mut before, channel, path)?;
        trace.write_channel(channel, &kept).map_err(at(path))?;
    }
    let summary = trace.finish().map_err(at(path))?;
    Ok((summary.rows, moved))
}

fn read_channel(
    trace: &mut Option<TraceReader<ReadFrom>>,
    channel: Channel,
    path: &str,
) -> Result<Vec<Sample>, PublishError> {
    match trace {
        Some(trace) => trace.read_channel(channel).map_err(at(path)),
        None => Ok(Vec::new()),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
