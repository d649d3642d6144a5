//! Which journal segments nothing needs any more: every reading in them is in the published
//! trace of each machine that hears it, or has waited 48 h without a session that wants it.

use std::collections::BTreeMap;
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

/// Looks through the journal for what is still needed. `published` has each session's published
/// generation; `hearing` the machines that hear a place.
///
/// # Errors
/// When the journal cannot be read.
pub fn done(
    reader: &JournalReader,
    published: &BTreeMap<Uuid, u32>,
    hearing: impl Fn(&Place) -> Vec<Arc<str>>,
    now: Micros,
) -> Result<Done, JournalError> {
    let mut claims: BTreeMap<(String, Place, Channel), Vec<Claim>> = BTreeMap::new();
    let mut waiting = Vec::new();
    reader.scan(0, |seq, entry| {
        if let Entry::Close(close) = entry {
            if published
                .get(&close.session)
                .is_some_and(|g| *g >= close.generation)
            {
                for claim in &close.claims {
                    let key = (close.machine.clone(), claim.place.clone(), claim.channel);
                    claims.entry(key).or_default().push(claim.clone());
                }
            } else {
                waiting.push(seq);
            }
        }
    })?;
    let mut last = 0;
    let mut expired = Vec::new();
    let mut heard: BTreeMap<Place, Vec<Arc<str>>> = BTreeMap::new();
    reader.scan(0, |seq, entry| {
        last = last.max(seq);
        let Entry::Reading(reading) = entry else {
            return;
        };
        let machines = heard
            .entry(reading.place.clone())
            .or_insert_with(|| hearing(&reading.place));
        let filed = !machines.is_empty()
            && machines.iter().all(|machine| {
                let key = (machine.to_string(), reading.place.clone(), reading.channel);
                claims
                    .get(&key)
                    .is_some_and(|c| c.iter().any(|c| takes(c, seq, reading)))
            });
        if filed {
            return;
        }
        if now.seconds_since(reading.arrival) >= KEEP_UNCLAIMED_S {
            expired.push(seq);
        } else {
            waiting.push(seq);
        }
    })?;
    waiting.sort_unstable();
    Ok(Box::new(move |range: RangeInclusive<u64>| {
        let any = |of: &[u64]| {
            let at = of.partition_point(|seq| seq < range.start());
            of.get(at).is_some_and(|seq| seq <= range.end())
        };
        let free = *range.end() <= last && !any(&waiting);
        if free && any(&expired) {
            let gone = expired.iter().filter(|seq| range.contains(seq)).count();
            info!("{gone} samples left the journal after 48 h; no session wanted them");
        }
        free
    }))
}

fn takes(claim: &Claim, seq: u64, reading: &Reading) -> bool {
    claim.from <= reading.time
        && reading.time <= claim.to
        && (claim.first_seq..=claim.last_seq).contains(&seq)
}
