//! By which probes the pour temperatures of a comparison were read. Two probes differ by an offset
//! that nobody knows until both were checked in freezing metal, so temperatures of two are not one
//! setting: what each machine's newest probe read stands alone as soon as it can, and until then
//! nothing is claimed.

use std::collections::BTreeMap;

use super::grades::{Cap, FAIR_SESSIONS};
use super::rows::Row;
use crate::flask::Flask;
use crate::probe::series::{differ, scale};

/// Whether these rows were read on more than one scale.
pub(super) fn rows_differ(rows: &[&Row]) -> bool {
    differ(rows.iter().map(|r| r.flask))
}

/// The scale of these rows, where they have only one and it is on record.
pub(super) fn only_scale<'a>(rows: &[&Row<'a>]) -> Option<&'a str> {
    let flasks: Vec<&'a Flask> = rows.iter().map(|r| r.flask).collect();
    only_scale_of(&flasks)
}

/// The scale of these flasks, likewise.
pub fn only_scale_of<'a>(flasks: &[&'a Flask]) -> Option<&'a str> {
    if differ(flasks.iter().copied()) {
        return None;
    }
    flasks
        .iter()
        .filter(|f| f.pour_temperature_c.is_some())
        .find_map(|f| scale(f))
}

/// The rows of one alloy that can be compared: all, where they were read on one scale. Else those of
/// each machine's newest scale, once they are of enough sessions for a claim by themselves; a
/// probe that is gone is never checked again, and what it read must not hold up for ever. Until
/// then all, on several scales. Which rows stay follows from dates and probes, never from what
/// came of the flasks.
pub(super) fn comparable<'a, 'b>(rows: Vec<&'b Row<'a>>) -> Vec<&'b Row<'a>> {
    if !rows_differ(&rows) {
        return rows;
    }
    let mut newest: BTreeMap<&str, (&str, crate::time::Micros)> = BTreeMap::new();
    let mut in_order: Vec<&Row> = rows.clone();
    in_order.sort_by_key(|r| r.flask.cast_at);
    for row in in_order {
        let machine = row.flask.machine.as_str();
        if let Some(on) = scale(row.flask)
            && newest.get(machine).is_none_or(|(held, _)| *held != on)
        {
            newest.insert(machine, (on, row.flask.cast_at));
        }
    }
    let kept: Vec<&Row> = rows
        .iter()
        .copied()
        .filter(|row| {
            newest
                .get(row.flask.machine.as_str())
                .is_none_or(|(on, since)| match scale(row.flask) {
                    Some(scale) => scale == *on,
                    // Of paper nobody knows the probe; it was not the newest before that came.
                    None => row.flask.cast_at >= *since,
                })
        })
        .collect();
    let mut sessions: Vec<&str> = kept.iter().map(|r| r.flask.session.as_str()).collect();
    sessions.sort_unstable();
    sessions.dedup();
    if sessions.len() < FAIR_SESSIONS {
        rows
    } else {
        kept
    }
}

/// What holds a grade at weak where flasks were read on more than one scale, and how to mend it.
pub(super) fn unresolved<'a>(flasks: impl Iterator<Item = &'a Flask>) -> Option<Cap> {
    let flasks: Vec<&Flask> = flasks.collect();
    if !differ(flasks.iter().copied()) {
        return None;
    }
    let mut scales: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    let mut series: BTreeMap<&str, [bool; 2]> = BTreeMap::new();
    for flask in flasks.iter().filter(|f| f.pour_temperature_c.is_some()) {
        if let Some(on) = scale(flask) {
            let of_machine = scales.entry(&flask.machine).or_default();
            if !of_machine.contains(&on) {
                of_machine.push(on);
            }
        }
        if let Some(name) = &flask.probe_series {
            series.entry(name).or_default()[usize::from(flask.probe_offset_k.is_some())] = true;
        }
    }
    let reason = if series.values().any(|both| *both == [true, true]) {
        "a probe check corrects only what was poured after it, and what the probe read before may \
         be degrees off: if it always read so, accept the check for all its pours (pourbook record \
         probe-check --accept NUMBER --whole-series)"
            .to_owned()
    } else if scales.values().any(|of_machine| of_machine.len() > 1) {
        format!(
            "the melt's probe was changed, and how many degrees the two read apart is not known: \
             check each in freezing silver (pourbook record probe-check), or pour {FAIR_SESSIONS} \
             sessions with the new one, which then stand alone"
        )
    } else {
        "the probes of two machines were never compared, and how many degrees they read apart is not \
         known: check each in freezing silver (pourbook record probe-check)"
            .to_owned()
    };
    Some(Cap::new("unresolved-probe-change", reason))
}

/// How many flasks an earlier probe read, in words.
pub(super) fn left_out(flasks: usize) -> Option<String> {
    let (number, read) = match flasks {
        0 => return None,
        1 => ("1 flask".to_owned(), "it"),
        n => (format!("{n} flasks"), "them"),
    };
    Some(format!(
        "{number} not in the curve: an earlier probe read {read}, and it was never compared with the \
         one of today (pourbook record probe-check). Temperatures are as today's probe reads."
    ))
}
