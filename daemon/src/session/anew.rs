//! Sessions that are read anew: rows found again in their published traces, by this machine or
//! by many, taken into the records, and then the one ordered step that adds what spans sessions.
//! What people said stays: matches, corrections and words by hand bind to a pour's identity.

use std::collections::BTreeSet;

use analysis::pour::extract::measure;
use analysis::pour::{FoundBy, Mark, PourRow, Row};
use analysis::sample::Sample;
use analysis::time::Micros;
use uuid::Uuid;

use super::settle::{assemble_machine, keep_found};
use super::trace_rows::Told;
use crate::config::Config;
use crate::records::hand::HandPour;
use crate::records::sessions::Session;
use crate::records::{Records, Result};

/// A pour marked by hand.
pub fn hand_mark(at: Micros) -> Mark {
    Mark {
        at,
        found_by: FoundBy::Hand,
    }
}

/// What a trace shows where people said that metal left, by the pour's identity.
pub fn by_hand(samples: &[Sample], told: &Told, said: &[HandPour]) -> Vec<(Uuid, PourRow)> {
    said.iter()
        .filter_map(|said| {
            let row = measure(samples, &told.meta, hand_mark(said.poured_at?))?;
            Some((said.pour, row))
        })
        .collect()
}

/// Keeps what was found anew in a session's trace, which has this checksum. Says whether it is
/// anything else than was kept of it. The pours that the records show follow in
/// [`assemble_anew`]; until then they are as they were.
///
/// # Errors
/// When the records refuse.
pub fn keep_anew(
    records: &mut Records,
    session: &Session,
    trace_sha256: &str,
    rows: Vec<Row>,
    by_hand: &[(Uuid, PourRow)],
) -> Result<bool> {
    let kept = |records: &Records| -> Result<_> {
        let features = records.features_of_session(session.id)?;
        let said = records.hand_pours_of_session(session.id)?;
        Ok((
            features.map_or(Vec::new(), |f| f.rows),
            records.kiln_courses(session.id)?,
            said.into_iter().map(|said| said.row).collect::<Vec<_>>(),
        ))
    };
    let before = kept(records)?;
    for (pour, row) in by_hand {
        records.measured_by_hand(*pour, row)?;
    }
    keep_found(records, session.id, Some(trace_sha256.to_owned()), rows)?;
    Ok(kept(records)? != before)
}

/// Assembles every machine of sessions that were read anew, and matches what is new among their
/// pours to the cards of its day. Doing it again changes nothing.
///
/// # Errors
/// When the records refuse; what was assembled till then stays, and doing it again is harmless.
pub fn assemble_anew(
    records: &mut Records,
    config: &Config,
    sessions: &[Session],
    now: Micros,
) -> Result<()> {
    let Some(since) = sessions.iter().map(|s| s.opened_at).min() else {
        return Ok(());
    };
    let machines: BTreeSet<&str> = sessions.iter().map(|s| s.machine.as_str()).collect();
    for machine in &machines {
        assemble_machine(records, config, machine, since, now)?;
    }
    let mut matched = BTreeSet::new();
    for session in sessions {
        if !records.match_by_order(session.id, now)?.is_empty() {
            matched.insert(session.machine.as_str());
        }
    }
    // A pour that has found its card has figures that only the card brings.
    for machine in matched {
        assemble_machine(records, config, machine, since, now)?;
    }
    Ok(())
}
