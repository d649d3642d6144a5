//! Scores of many sessions added up, whole and split: by rate and unit, by trouble, by said
//! confidence, by the true worth of pulls.

use std::collections::BTreeMap;

use analysis::pour::{FoundBy, Verdict};
use sample_data::drawn::{Trouble, Worth};

use super::score::{Score, ScoredPour, ScoredPull};

/// Pours told with less than this are guesses that say so.
pub const SURE: f64 = 0.5;

/// Pours of one kind.
#[derive(Clone, Debug, Default)]
pub struct Pours {
    /// How many there were.
    pub pours: usize,
    /// Found.
    pub found: usize,
    /// Found in time.
    pub in_time: usize,
    /// That a fit which knows the shape of the fall would put in time, found or not.
    pub ideal_in_time: usize,
    /// Found with the right temperature.
    pub in_temperature: usize,
    /// Found with the right temperature, against a probe without lag.
    pub in_lag_free: usize,
    /// Told minus true, s.
    pub late_s: Vec<f64>,
    /// Told minus a noiseless probe, K.
    pub off_k: Vec<f64>,
}

impl Pours {
    fn add(&mut self, pour: &ScoredPour) {
        self.pours += 1;
        self.found += usize::from(pour.found.is_some());
        self.in_time += usize::from(pour.in_time());
        self.ideal_in_time += usize::from(pour.ideal_in_time());
        self.in_temperature += usize::from(pour.in_temperature());
        self.in_lag_free += usize::from(pour.in_lag_free_temperature());
        self.late_s.extend(pour.late_s);
        self.off_k.extend(pour.off_k);
    }

    /// A count as a share of those found.
    pub fn of_found(&self, count: usize) -> f64 {
        share(count, self.found)
    }
}

/// Pours told with a confidence of one range.
#[derive(Clone, Debug, Default)]
pub struct Said {
    /// How many.
    pub told: usize,
    /// Sum of the said confidence.
    pub said: f64,
    /// That were pours.
    pub pours: usize,
    /// That were pours, in time and with the right temperature.
    pub right: usize,
}

/// Pulls of one true worth.
#[derive(Clone, Debug, Default)]
pub struct Pulls {
    /// How many there were that could be seen.
    pub pulls: usize,
    /// Found.
    pub found: usize,
    /// That could be judged within 5 s.
    pub judged: usize,
    /// Verdict in force 5 s after opening: good, weak, missing, unknown, none.
    pub at_5_s: [usize; 5],
    /// Verdict in force when metal left or the valve shut.
    pub at_the_end: [usize; 5],
    /// Verdict of the row.
    pub in_the_end: [usize; 5],
    /// Weak or missing was said at some time before the lift.
    pub alarmed: usize,
    /// First verdict other than unknown, s after opening.
    pub first_after_s: Vec<f64>,
}

/// How provisional answers were revised.
#[derive(Clone, Debug, Default)]
pub struct Revised {
    /// Pours told, provisionally or in the end.
    pub told: usize,
    /// Moved in time or temperature.
    pub moved: usize,
    /// Withdrawn.
    pub withdrawn: usize,
    /// Added.
    pub added: usize,
    /// How far they moved, s and K, without sign.
    pub by_s: Vec<f64>,
    /// … and K.
    pub by_k: Vec<f64>,
}

/// Everything.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    /// Sessions.
    pub sessions: usize,
    /// Sessions whose live and extracted answers differ, by seed.
    pub differ: Vec<u64>,
    /// Readings too late for the final feed.
    pub late: u64,
    /// All pours.
    pub all: Pours,
    /// Pours of which nothing in the trace tells.
    pub untold: Pours,
    /// Pours whose lift the trace shows.
    pub shown: Pours,
    /// Of those, found in the trace rather than by a switch.
    pub from_trace: Pours,
    /// By melt readings per second (in thousandths) and unit.
    pub by_rate: BTreeMap<(u32, bool), Pours>,
    /// By trouble.
    pub by_trouble: BTreeMap<Trouble, Pours>,
    /// Told pours that never were.
    pub false_pours: usize,
    /// … and of those, told with a confidence of at least [`SURE`].
    pub false_and_sure: usize,
    /// By said confidence, in tenths; of pours found in the trace.
    pub said: BTreeMap<u32, Said>,
    /// By true worth, and whether the machine's usual share was known.
    pub pulls: BTreeMap<(String, bool), Pulls>,
    /// Told pulls that never were.
    pub false_pulls: usize,
    /// Provisional answers.
    pub revised: Revised,
    /// From the lift until it was told, s.
    pub told_after_s: Vec<f64>,
}

impl Tally {
    /// Adds a session.
    pub fn add(&mut self, score: &Score) {
        self.sessions += 1;
        self.late += score.late;
        if !score.same {
            self.differ.push(score.seed);
        }
        for pour in &score.pours {
            self.add_pour(pour);
        }
        self.false_pours += score.false_pours.len();
        for told in &score.false_pours {
            self.false_and_sure += usize::from(told.confidence >= SURE);
            if told.found_by == FoundBy::Trace {
                self.said(told.confidence, false, false);
            }
        }
        for pull in &score.pulls {
            self.add_pull(pull);
        }
        self.false_pulls += score.false_pulls.len();
        for revision in &score.revisions {
            let revised = &mut self.revised;
            revised.told += 1;
            revised.withdrawn += usize::from(revision.withdrawn);
            revised.added += usize::from(revision.added);
            if let Some((seconds, kelvin)) = revision.moved {
                revised.moved += 1;
                revised.by_s.push(seconds.abs());
                revised.by_k.push(kelvin.abs());
            }
        }
    }

    fn add_pour(&mut self, pour: &ScoredPour) {
        let by_switch = !pour.truth.troubles.contains(&Trouble::NoStopperSwitch);
        let fahrenheit = pour.truth.troubles.contains(&Trouble::WholeFahrenheit);
        self.all.add(pour);
        self.told_after_s.extend(pour.told_after_s);
        if !pour.can_be_told {
            self.untold.add(pour);
        }
        if pour.shown() {
            self.shown.add(pour);
        }
        if let Some(found) = &pour.found
            && found.found_by == FoundBy::Trace
        {
            let right = pour.in_time() && pour.in_temperature();
            self.said(found.confidence, true, right);
        }
        for trouble in &pour.truth.troubles {
            // A switch tells the time whatever else is wrong; the rest of the table is about
            // what the trace tells.
            if !by_switch && (pour.shown() || *trouble == Trouble::SilentAtTheLift) {
                self.by_trouble.entry(*trouble).or_default().add(pour);
            }
        }
        if !by_switch && pour.shown() {
            self.from_trace.add(pour);
            let rate = (pour.melt_hz * 1000.0).round() as u32;
            self.by_rate
                .entry((rate, fahrenheit))
                .or_default()
                .add(pour);
        }
    }

    fn said(&mut self, confidence: f64, pour: bool, right: bool) {
        let tenth = ((confidence * 10.0).floor() as u32).min(9);
        let said = self.said.entry(tenth).or_default();
        said.told += 1;
        said.said += confidence;
        said.pours += usize::from(pour);
        said.right += usize::from(right);
    }

    fn add_pull(&mut self, pull: &ScoredPull) {
        if !pull.can_be_seen() {
            return;
        }
        let kind = (worth_word(pull.truth.worth).to_owned(), pull.usual_known);
        let pulls = self.pulls.entry(kind).or_default();
        pulls.pulls += 1;
        pulls.found += usize::from(pull.found.is_some());
        if pull.can_be_judged() {
            pulls.judged += 1;
            pulls.at_5_s[place(pull.at_5_s)] += 1;
            pulls.at_the_end[place(pull.at_the_end)] += 1;
            pulls.in_the_end[place(pull.found.as_ref().map(|p| p.verdict))] += 1;
            pulls.alarmed += usize::from(pull.alarmed);
            pulls.first_after_s.extend(pull.first_after_s);
        }
    }
}

/// The place of a verdict in the counts of [`Pulls`].
pub fn place(verdict: Option<Verdict>) -> usize {
    match verdict {
        Some(Verdict::Good) => 0,
        Some(Verdict::Weak) => 1,
        Some(Verdict::Missing) => 2,
        Some(Verdict::Unknown) => 3,
        None => 4,
    }
}

/// The word of a true worth.
pub fn worth_word(worth: Worth) -> &'static str {
    match worth {
        Worth::Good => "good",
        Worth::Between => "in between",
        Worth::Weak => "weak",
        Worth::Missing => "missing",
    }
}

/// A share, 0–1; 0 of none.
pub fn share(count: usize, of: usize) -> f64 {
    if of == 0 {
        0.0
    } else {
        count as f64 / of as f64
    }
}

/// The value that `part` (0–1) of the values stay under, without sign.
pub fn quantile(values: &[f64], part: f64) -> Option<f64> {
    let mut sorted: Vec<f64> = values.iter().map(|v| v.abs()).collect();
    sorted.sort_by(f64::total_cmp);
    let last = sorted.len().checked_sub(1)?;
    Some(sorted[(last as f64 * part).round() as usize])
}

/// The middle value, with its sign.
pub fn middle(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied()
}
