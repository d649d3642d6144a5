//! Freezes of a known metal in the trace: the melt cools steadily, stops at one temperature for
//! a minute or more, and cools on. What the probe reads there, less where that metal freezes, is
//! the probe's offset. Found for a person to accept, never applied by itself.

use super::budget::{Behind, Budget};
use super::course::{Bin, Heard};
use super::line::Line;
use super::metal::Metal;
use super::row::{Against, ArrestFound, Heat};
use crate::time::Micros;

/// A probe whose offset is more than this is found to be wrong in other ways, K.
const WITHIN_K: f64 = 15.0;
/// The bench was left alone for so long on either side, s.
const CLEAR_S: f64 = 180.0;
/// A plateau is looked for with a window of this width, s …
const WINDOW_S: f64 = 45.0;
/// … in which the melt changes by no more than this, K/s (2 K/min).
const FLAT_K_S: f64 = 2.0 / 60.0;
/// Before and after, it cools at least this fast, K/s (2.5 K/min): slower than that a furnace
/// wanders by itself …
const COOLS_K_S: f64 = 2.5 / 60.0;
/// … and no faster than this, K/s (40 K/min): cold metal chills a probe so.
const CHILLS_K_S: f64 = 40.0 / 60.0;
/// The plateau's slope is no more than this share of those before and after: a sharp knee.
const KNEE: f64 = 0.3;
/// The slope before and after is taken over so long, s …
const BESIDE_S: f64 = 90.0;
/// … from at least so many bins.
const BESIDE_BINS: usize = 5;
/// Shorter, it is not called a plateau, s.
const SHORTEST_S: f64 = 60.0;
/// From the freeze's setting in, the reading settles for so long before it counts, s: a sheathed
/// probe lags by 1 to 6 s (common practice), and four such lags leave a fiftieth.
const SETTLES_S: f64 = 25.0;
/// The level is read from the plateau's next so many seconds …
const READ_S: f64 = 60.0;
/// … or this share of the plateau, if that is more.
const READ_SHARE: f64 = 0.3;
/// Bins further apart are not of one course, s.
const GAP_S: f64 = 20.0;
/// A melt may cool so far below its freezing point before it freezes, K; silver in graphite
/// does by a kelvin or few (from memory), and a probe in the melt starts it.
const UNDERCOOLS_K: f64 = 12.0;
/// From leaving the slope before to the plateau pass at most so many seconds, beside the time
/// that undercooling takes.
const KNEE_S: f64 = 60.0;
/// The scatter of bins of a noiseless probe is still this share of a step.
const HIDDEN_SCATTER: f64 = 0.29;

/// The freezes of known metals in a session, in order of time.
pub(super) fn freezes(heard: &Heard<'_>) -> Vec<ArrestFound> {
    let mut found: Vec<ArrestFound> = Vec::new();
    let apart = |a: &Bin, b: &Bin| b.at.seconds_since(a.at) <= GAP_S;
    for course in heard.bins.chunk_by(apart) {
        for (from, to) in flat_runs(course, FLAT_K_S) {
            let freeze = freeze(course, from, to, heard);
            if let Some(freeze) = freeze
                && found.last().is_none_or(|last| last.until <= freeze.at)
            {
                found.push(freeze);
            }
        }
    }
    found
}

/// Runs of bins in which every window is flat: first bin, and one past the last.
pub(super) fn flat_runs(course: &[Bin], flat_k_s: f64) -> Vec<(usize, usize)> {
    let mut runs: Vec<(usize, usize)> = Vec::new();
    for first in 0..course.len() {
        let until = course[first].at.plus_seconds(WINDOW_S);
        let past = first + course[first..].partition_point(|b| b.at <= until);
        let window = &course[first..past];
        // Less than a window is left.
        if past == course.len()
            && course[past - 1].at.seconds_since(course[first].at) < 0.8 * WINDOW_S
        {
            break;
        }
        let flat = Line::through(window).is_some_and(|l| l.slope_k_s.abs() <= flat_k_s);
        if !flat {
            continue;
        }
        match runs.last_mut() {
            // Windows that touch are one run.
            Some(run) if first <= run.1 => run.1 = past,
            _ => runs.push((first, past)),
        }
    }
    runs
}

/// The freeze that a flat run is, if it is one.
fn freeze(course: &[Bin], from: usize, to: usize, heard: &Heard<'_>) -> Option<ArrestFound> {
    let run = &course[from..to];
    let middle = Line::through(&run[run.len() / 4..run.len() - run.len() / 4])?;
    let level = middle.celsius;
    let metal = Metal::ALL
        .into_iter()
        .find(|m| (m.freezes_c() - level).abs() <= WITHIN_K)?;
    let noise = middle
        .scatter_k
        .max(HIDDEN_SCATTER * heard.step_k)
        .max(0.05);
    let above = 1.0_f64.max(4.0 * noise);
    // A plateau may tilt: above and below it are above and below its line.
    let (first_at, last_at) = (run.first()?.at, run.last()?.at);
    let level_at = |at: Micros| middle.at(at.clamp(first_at, last_at));

    // The last two bins that are still clearly above: the cooling before is a straight line.
    let is_above = |b: &Bin| b.celsius >= level_at(b.at) + above;
    let last_above = 1 + course[..to]
        .windows(2)
        .rposition(|pair| pair.iter().all(is_above))?;
    let knee = &course[last_above];
    let before = beside(
        &course[..=last_above],
        knee.at.plus_seconds(-BESIDE_S),
        knee.at,
    )?;
    let cools = |slope: f64| (-CHILLS_K_S..=-COOLS_K_S).contains(&slope);
    if !cools(before.slope_k_s) || !is_straight(&before, noise) {
        return None;
    }

    // Where the freeze sets in: the bottom of the undercooling, if there is one.
    let near = knee
        .at
        .plus_seconds(KNEE_S + UNDERCOOLS_K / -before.slope_k_s);
    let bottom = course[last_above + 1..to]
        .iter()
        .take_while(|b| b.at <= near)
        .min_by(|a, b| a.celsius.total_cmp(&b.celsius))?;
    let starts_at_c = level_at(bottom.at);
    let undercooling_k = starts_at_c - bottom.celsius;
    if undercooling_k > UNDERCOOLS_K {
        return None;
    }
    let undercooled = undercooling_k > above;
    // Where the line before meets the level: no freeze sets in earlier.
    let met = knee
        .at
        .plus_seconds((starts_at_c - before.at(knee.at)) / before.slope_k_s);
    let sets_in = if undercooled { bottom.at } else { met };

    // The plateau ends where the melt is clearly below it for good.
    let settled = sets_in.plus_seconds(SETTLES_S);
    let first = course.partition_point(|b| b.at < settled);
    let fallen = first
        + course[first..]
            .windows(2)
            .position(|pair| pair.iter().all(|b| b.celsius < level_at(b.at) - above))?;
    let end = course[fallen].at;
    let lasted_s = end.seconds_since(sets_in);
    if lasted_s < SHORTEST_S {
        return None;
    }
    let after = beside(&course[fallen..], end, end.plus_seconds(BESIDE_S))?;
    if after.slope_k_s > -COOLS_K_S {
        return None;
    }

    // The level is taken at the beginning, from the plateau's first minute or so: an impurity, and
    // a wall that cools on, pull the later part down.
    let read_until = settled.plus_seconds(READ_S.max(READ_SHARE * lasted_s));
    let used: Vec<Bin> = course[first..fallen]
        .iter()
        .filter(|b| b.at <= read_until)
        .copied()
        .collect();
    let plateau = Line::through(&used)?;
    let undercooling_k = (plateau.at(bottom.at) - bottom.celsius).max(0.0);
    let gentlest = before.slope_k_s.abs().min(after.slope_k_s.abs());
    let sharp = plateau.slope_k_s.abs() <= KNEE * gentlest && plateau.slope_k_s.abs() <= FLAT_K_S;
    let behind = Behind::of(undercooling_k, before.slope_k_s);
    let read_c = plateau.at(sets_in) + behind.reads_low_k;
    if !sharp || (read_c - metal.freezes_c()).abs() > WITHIN_K {
        return None;
    }
    if !heard.is_clear(sets_in, end, CLEAR_S) {
        return None;
    }
    let fit_k = plateau.error_at(sets_in, HIDDEN_SCATTER * heard.step_k);
    let tilt_k = plateau.at(sets_in) - plateau.celsius;
    Some(ArrestFound {
        at: sets_in,
        until: end,
        heat: Heat::Freezing,
        read_c,
        read_se_k: fit_k,
        slope_before_k_min: 60.0 * before.slope_k_s,
        slope_k_min: 60.0 * plateau.slope_k_s,
        slope_after_k_min: 60.0 * after.slope_k_s,
        against: Some(Against {
            metal,
            budget: Budget::of(metal, fit_k, tilt_k, heard.step_k, &behind),
            undercooling_k,
        }),
    })
}

/// The line through the bins of a spell beside a plateau.
pub(super) fn beside(bins: &[Bin], from: Micros, to: Micros) -> Option<Line> {
    let within: Vec<Bin> = bins
        .iter()
        .filter(|b| b.at >= from && b.at <= to)
        .copied()
        .collect();
    (within.len() >= BESIDE_BINS).then(|| Line::through(&within))?
}

/// Whether the cooling before a freeze is a straight line but for noise: a chill or a probe that
/// was moved is not.
fn is_straight(before: &Line, noise_k: f64) -> bool {
    let covered_k = BESIDE_S * before.slope_k_s.abs();
    before.scatter_k <= (4.0 * noise_k).max(0.12 * covered_k)
}
