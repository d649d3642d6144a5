//! Ramps and holds found in a kiln's minutes, with no programme given: for kilns whose programme
//! nobody wrote down, for the sheet, and to offer a programme that was seen to run.

use super::minutes::Minute;
use super::programme::{Programme, ProgrammeError, Step};
use super::row::{SpellKind, SpellRow};
use crate::stats::median::median;

/// Shortest stretch that is a hold, s. Published schedules hold for an hour and more; half of
/// that is left to those in a hurry.
const HOLD_S: f64 = 30.0 * 60.0;
/// A hold stays within this, highest to lowest, K: ripple of 1–4 K either way (common practice)
/// and a little drift.
const WITHIN_K: f64 = 12.0;
/// A slower climb than this is no ramp, K/h; the slowest that schedules ask for is some 30.
const LEVEL_K_H: f64 = 10.0;
/// A ramp goes at least this far, K.
const RAMP_K: f64 = 20.0;
/// A hold may be interrupted for so long, s.
const INTERRUPTED_S: f64 = 45.0 * 60.0;
/// Silence for longer than this is told by no shape, s.
const GAP_S: f64 = 15.0 * 60.0;

/// The ramps and holds of these minutes, in order of time, door dips left out by the caller.
/// Wanderings that are neither are left out.
pub fn spells(minutes: &[Minute]) -> Vec<SpellRow> {
    let holds = holds(minutes);
    let mut spells = Vec::new();
    let mut from = 0;
    for (first, last) in &holds {
        ramps(&minutes[from..=*first], &mut spells);
        spells.push(hold_row(&minutes[*first..=*last]));
        from = *last;
    }
    ramps(&minutes[from..], &mut spells);
    spells
}

/// Firsts and lasts of the holds, as positions.
fn holds(minutes: &[Minute]) -> Vec<(usize, usize)> {
    let mut holds = Vec::new();
    let mut first = 0;
    while first < minutes.len() {
        let mut last = first;
        let (mut low, mut high) = (minutes[first].kiln_c, minutes[first].kiln_c);
        while let Some(next) = minutes.get(last + 1) {
            low = low.min(next.kiln_c);
            high = high.max(next.kiln_c);
            if high - low > WITHIN_K || next.at.seconds_since(minutes[last].at) > GAP_S {
                break;
            }
            last += 1;
        }
        let (first_kept, last_kept) = trimmed(minutes, first, last);
        let long = minutes[last_kept].at.seconds_since(minutes[first_kept].at) >= HOLD_S;
        if long && slope_k_h(&minutes[first_kept..=last_kept]).abs() < LEVEL_K_H {
            match holds.last_mut() {
                Some(before) if one_hold(minutes, *before, (first_kept, last_kept)) => {
                    before.1 = last_kept;
                }
                _ => holds.push((first_kept, last_kept)),
            }
            first = last + 1;
        } else {
            first += 1;
        }
    }
    holds
}

/// Whether two stretches are one hold that a door, or a load of cold flasks, interrupted.
fn one_hold(minutes: &[Minute], a: (usize, usize), b: (usize, usize)) -> bool {
    let level = |(first, last): (usize, usize)| {
        let mut values: Vec<f64> = minutes[first..=last].iter().map(|m| m.kiln_c).collect();
        median(&mut values)
    };
    let (Some(level_a), Some(level_b)) = (level(a), level(b)) else {
        return false;
    };
    let between = &minutes[a.1..=b.0];
    (level_a - level_b).abs() <= WITHIN_K / 2.0
        && minutes[b.0].at.seconds_since(minutes[a.1].at) <= INTERRUPTED_S
        && between.iter().all(|m| (m.kiln_c - level_a).abs() < RAMP_K)
}

/// The ends of a ramp before and after a hold lie within its band too; they are cut off where
/// the trace leaves the hold's own middle by more than a third of the band.
fn trimmed(minutes: &[Minute], first: usize, last: usize) -> (usize, usize) {
    let mut values: Vec<f64> = minutes[first..=last].iter().map(|m| m.kiln_c).collect();
    let Some(middle) = median(&mut values) else {
        return (first, last);
    };
    let near = |m: &Minute| (m.kiln_c - middle).abs() <= WITHIN_K / 3.0;
    let a = minutes[first..=last].iter().position(near).unwrap_or(0) + first;
    let b = minutes[first..=last]
        .iter()
        .rposition(near)
        .map_or(last, |i| i + first);
    (a, b.max(a))
}

/// Slope of the least-squares line, K/h.
fn slope_k_h(minutes: &[Minute]) -> f64 {
    let Some(first) = minutes.first() else {
        return 0.0;
    };
    let n = minutes.len() as f64;
    let hours = |m: &Minute| m.at.seconds_since(first.at) / 3600.0;
    let mean_t = minutes.iter().map(hours).sum::<f64>() / n;
    let mean_c = minutes.iter().map(|m| m.kiln_c).sum::<f64>() / n;
    let (mut over, mut under) = (0.0, 0.0);
    for m in minutes {
        over += (hours(m) - mean_t) * (m.kiln_c - mean_c);
        under += (hours(m) - mean_t).powi(2);
    }
    if under > 0.0 { over / under } else { 0.0 }
}

fn hold_row(minutes: &[Minute]) -> SpellRow {
    let mut values: Vec<f64> = minutes.iter().map(|m| m.kiln_c).collect();
    let c = median(&mut values).unwrap_or(minutes[0].kiln_c);
    SpellRow {
        kind: SpellKind::Hold,
        from_at: minutes[0].at,
        to_at: minutes[minutes.len() - 1].at,
        from_c: c,
        to_c: c,
    }
}

/// The climbs and falls between two holds: one, or two that meet at the highest or lowest point.
fn ramps(minutes: &[Minute], spells: &mut Vec<SpellRow>) {
    let (Some(first), Some(last)) = (minutes.first(), minutes.last()) else {
        return;
    };
    let away = |m: &&Minute| {
        let along = if last.at > first.at {
            m.at.seconds_since(first.at) / last.at.seconds_since(first.at)
        } else {
            0.0
        };
        (m.kiln_c - (first.kiln_c + along * (last.kiln_c - first.kiln_c))).abs()
    };
    let turn = minutes
        .iter()
        .filter(|m| {
            let high = first.kiln_c.max(last.kiln_c) + RAMP_K;
            let low = first.kiln_c.min(last.kiln_c) - RAMP_K;
            m.kiln_c > high || m.kiln_c < low
        })
        .max_by(|a, b| away(a).total_cmp(&away(b)));
    let legs = match turn {
        Some(turn) => vec![(first, turn), (turn, last)],
        None => vec![(first, last)],
    };
    for (a, b) in legs {
        if (b.kiln_c - a.kiln_c).abs() >= RAMP_K {
            spells.push(SpellRow {
                kind: SpellKind::Ramp,
                from_at: a.at,
                to_at: b.at,
                from_c: a.kiln_c,
                to_c: b.kiln_c,
            });
        }
    }
}

/// A programme that would make these spells: each hold with the ramp before it, figures rounded
/// as a person would set them.
///
/// # Errors
/// As [`Programme::new`]: [`ProgrammeError::Empty`] when there is no hold in them.
pub fn programme_of(name: &str, spells: &[SpellRow]) -> Result<Programme, ProgrammeError> {
    let round = |value: f64, to: f64| (value / to).round() * to;
    let mut steps = Vec::new();
    let mut ramp: Option<&SpellRow> = None;
    for spell in spells {
        match spell.kind {
            SpellKind::Ramp => ramp = Some(spell),
            SpellKind::Hold => {
                let k_h = ramp.take().map(|r| {
                    let hours = (r.to_at.seconds_since(r.from_at) / 3600.0).max(1.0 / 60.0);
                    round((r.to_c - r.from_c).abs() / hours, 5.0).max(5.0)
                });
                steps.push(Step {
                    to_c: Some(round(spell.to_c, 5.0)),
                    ramp_k_h: k_h,
                    hold_min: Some(round(spell.to_at.seconds_since(spell.from_at) / 60.0, 5.0)),
                });
            }
        }
    }
    if let Some(last) = steps.last_mut() {
        // It was held until somebody took the flasks out.
        last.hold_min = None;
    }
    Programme::new(name, steps)
}
