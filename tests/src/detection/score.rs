//! What was told of one session against what happened in it.

use analysis::channel::Channel;
use analysis::pour::{PourRow, PullRow, Row, Verdict, Weighed};
use analysis::sample::Sample;
use analysis::time::Micros;
use sample_data::drawn::{DrawnPour, DrawnPull, DrawnSession, Trouble, Worth};

use super::feed::{Heard, Judged};
use super::ideal;

/// A pour told this far from a true one is still that one, s; a slow sensor or a silence may
/// put it further off.
const SAME_POUR_S: f64 = 20.0;
/// The same for the opening of a pull, s.
const SAME_PULL_S: f64 = 12.0;
/// The promise of a verdict, s after the valve opened; and what a reading takes on its way.
const VERDICT_BY_S: f64 = 5.0 + 0.1;

/// A true pour and what was made of it.
#[derive(Clone, Debug)]
pub struct ScoredPour {
    /// The truth.
    pub truth: DrawnPour,
    /// Melt readings per second.
    pub melt_hz: f64,
    /// What was found.
    pub found: Option<PourRow>,
    /// Told minus true time, s.
    pub late_s: Option<f64>,
    /// Told temperature minus what a noiseless probe read, K.
    pub off_k: Option<f64>,
    /// … and minus what it would have read without lag, K.
    pub off_lag_free_k: Option<f64>,
    /// From the lift until it was told provisionally, s.
    pub told_after_s: Option<f64>,
    /// How late a fit that knows the shape of the fall puts the lift, s.
    pub ideal_late_s: Option<f64>,
    /// Whether anything in the trace tells of it.
    pub can_be_told: bool,
}

impl ScoredPour {
    /// Whether the time is right: within 1 s or the time between two readings.
    pub fn in_time(&self) -> bool {
        self.late_s.is_some_and(|s| s.abs() <= self.within_s())
    }

    /// Whether a fit that knows the shape of the fall would be in time.
    pub fn ideal_in_time(&self) -> bool {
        self.ideal_late_s
            .is_some_and(|s| s.abs() <= self.within_s())
    }

    fn within_s(&self) -> f64 {
        (1.0 / self.melt_hz).max(1.0)
    }

    /// Whether the temperature is right: within 1.5 K of the noiseless probe.
    pub fn in_temperature(&self) -> bool {
        self.off_k.is_some_and(|k| k.abs() <= 1.5)
    }

    /// Whether it is right against a probe without lag.
    pub fn in_lag_free_temperature(&self) -> bool {
        self.off_lag_free_k.is_some_and(|k| k.abs() <= 1.5)
    }

    /// Whether the trace shows the lift at all.
    pub fn shown(&self) -> bool {
        !self.truth.troubles.contains(&Trouble::SilentAtTheLift)
    }
}

/// A true pull and what was made of it.
#[derive(Clone, Debug)]
pub struct ScoredPull {
    /// The truth.
    pub truth: DrawnPull,
    /// Vacuum readings per second; 0 without a sensor.
    pub vacuum_hz: f64,
    /// Whether a switch says when the valve opens.
    pub valve_switch: bool,
    /// Whether the machine's usual share was known.
    pub usual_known: bool,
    /// The row.
    pub found: Option<PullRow>,
    /// The first verdict other than unknown, s after the valve opened.
    pub first_after_s: Option<f64>,
    /// The verdict in force 5 s after the valve opened.
    pub at_5_s: Option<Verdict>,
    /// The verdict in force when metal left, or the valve shut.
    pub at_the_end: Option<Verdict>,
    /// Whether weak or missing was ever said before that.
    pub alarmed: bool,
}

/// How the provisional answer was revised.
#[derive(Clone, Copy, Debug, Default)]
pub struct Revision {
    /// Moved by this much, s and K.
    pub moved: Option<(f64, f64)>,
    /// Told and then withdrawn.
    pub withdrawn: bool,
    /// Only told in the end.
    pub added: bool,
}

/// A session's scores.
#[derive(Clone, Debug)]
pub struct Score {
    /// The session.
    pub seed: u64,
    /// True pours.
    pub pours: Vec<ScoredPour>,
    /// Told pours that never were.
    pub false_pours: Vec<PourRow>,
    /// True pulls.
    pub pulls: Vec<ScoredPull>,
    /// Told pulls that never were.
    pub false_pulls: Vec<PullRow>,
    /// Turns that were weighed, and from the nearest true pour to each, s.
    pub weighed: Vec<(Weighed, Option<f64>)>,
    /// One for each pour told, provisionally or in the end.
    pub revisions: Vec<Revision>,
    /// Whether live and extracted answers are the same.
    pub same: bool,
    /// Readings too late for the final feed.
    pub late: u64,
}

/// Scores a session.
pub fn score(session: &DrawnSession, heard: &Heard) -> Score {
    let mut told_pours: Vec<Option<PourRow>> = Vec::new();
    let mut told_pulls: Vec<Option<PullRow>> = Vec::new();
    for row in &heard.settled {
        match row {
            Row::Pour(pour) => told_pours.push(Some(pour.clone())),
            Row::Pull(pull) => told_pulls.push(Some(pull.clone())),
            Row::Upkeep(_) | Row::Kiln(_) | Row::Arrest(_) => {}
        }
    }
    let revisions = revisions(heard);
    let trace = session.trace();
    let melt: Vec<Sample> = trace
        .iter()
        .copied()
        .filter(|s| s.channel == Channel::MeltTemperature)
        .collect();
    let pours = session
        .truth
        .pours
        .iter()
        .map(|truth| {
            let reach = SAME_POUR_S.max(truth.gap_s + 2.0 / session.melt_hz);
            let found = take_nearest(&mut told_pours, truth.at, reach, |p| p.at);
            let first_told = heard
                .provisional
                .iter()
                .filter(|t| t.pour.at.seconds_since(truth.at).abs() <= reach)
                .map(|t| t.told_at.seconds_since(truth.at))
                .min_by(f64::total_cmp);
            let temperature = found.as_ref().and_then(|p| p.pour_temperature_c);
            ScoredPour {
                melt_hz: session.melt_hz,
                late_s: found.as_ref().map(|p| p.at.seconds_since(truth.at)),
                off_k: temperature.map(|c| c - truth.probe_c),
                off_lag_free_k: temperature.map(|c| c - truth.lag_free_c),
                told_after_s: first_told,
                ideal_late_s: ideal::late_s(&melt, truth),
                can_be_told: ideal::can_be_told(session, &trace, truth),
                truth: truth.clone(),
                found,
            }
        })
        .collect();
    let pulls = session
        .truth
        .pulls
        .iter()
        .map(|truth| {
            let found = take_nearest(&mut told_pulls, truth.opened_at, SAME_PULL_S, |p| {
                p.opened_at
            });
            scored_pull(session, truth, found, &heard.verdicts)
        })
        .collect();
    Score {
        seed: session.seed,
        pours,
        false_pours: told_pours.into_iter().flatten().collect(),
        pulls,
        false_pulls: told_pulls.into_iter().flatten().collect(),
        weighed: heard
            .weighed
            .iter()
            .map(|w| {
                let away = |p: &DrawnPour| w.at.seconds_since(p.at);
                let nearest = session
                    .truth
                    .pours
                    .iter()
                    .map(away)
                    .min_by(|a, b| a.abs().total_cmp(&b.abs()));
                (w.clone(), nearest)
            })
            .collect(),
        revisions,
        same: heard.same(),
        late: heard.late,
    }
}

fn scored_pull(
    session: &DrawnSession,
    truth: &DrawnPull,
    found: Option<PullRow>,
    verdicts: &[Judged],
) -> ScoredPull {
    let end = truth.poured_at.unwrap_or(truth.closed_at);
    let of_this: Vec<&Judged> = verdicts
        .iter()
        .filter(|v| v.opened_at.seconds_since(truth.opened_at).abs() <= SAME_PULL_S)
        .filter(|v| v.told_at <= end)
        .collect();
    let after = |v: &Judged| v.told_at.seconds_since(truth.opened_at);
    ScoredPull {
        vacuum_hz: session.vacuum_hz,
        valve_switch: !session.truth.troubles.contains(&Trouble::NoValveSwitch),
        usual_known: session.usual_share.is_some(),
        found,
        first_after_s: of_this
            .iter()
            .find(|v| v.verdict != Verdict::Unknown)
            .map(|v| after(v)),
        at_5_s: of_this
            .iter()
            .rfind(|v| after(v) <= VERDICT_BY_S)
            .map(|v| v.verdict),
        at_the_end: of_this.last().map(|v| v.verdict),
        alarmed: of_this
            .iter()
            .any(|v| matches!(v.verdict, Verdict::Weak | Verdict::Missing)),
        truth: truth.clone(),
    }
}

impl ScoredPull {
    /// Whether this pull can be told at all: it moved the pressure under a sensor, or a switch
    /// said that it was meant.
    pub fn can_be_seen(&self) -> bool {
        self.valve_switch || (self.vacuum_hz > 0.0 && self.truth.worth != Worth::Missing)
    }

    /// Whether its worth can be told within 5 s: a sensor that speaks at least once a second.
    pub fn can_be_judged(&self) -> bool {
        self.can_be_seen() && self.vacuum_hz >= 1.0
    }
}

fn take_nearest<R>(
    told: &mut [Option<R>],
    at: Micros,
    reach_s: f64,
    time_of: impl Fn(&R) -> Micros,
) -> Option<R> {
    let away = |r: &R| time_of(r).seconds_since(at).abs();
    told.iter_mut()
        .filter(|t| t.as_ref().is_some_and(|r| away(r) <= reach_s))
        .min_by(|a, b| {
            let of = |t: &Option<R>| t.as_ref().map_or(f64::INFINITY, &away);
            of(a).total_cmp(&of(b))
        })
        .and_then(Option::take)
}

/// Provisional pours against those of the final feed.
fn revisions(heard: &Heard) -> Vec<Revision> {
    let mut settled: Vec<Option<PourRow>> = heard
        .settled
        .iter()
        .filter_map(|row| match row {
            Row::Pour(pour) => Some(Some(pour.clone())),
            Row::Pull(_) | Row::Upkeep(_) | Row::Kiln(_) | Row::Arrest(_) => None,
        })
        .collect();
    let mut all = Vec::new();
    for told in &heard.provisional {
        let then = take_nearest(&mut settled, told.pour.at, SAME_POUR_S, |p| p.at);
        all.push(match then {
            Some(then) => {
                let seconds = then.at.seconds_since(told.pour.at);
                let kelvin = match (then.pour_temperature_c, told.pour.pour_temperature_c) {
                    (Some(a), Some(b)) => a - b,
                    _ => 0.0,
                };
                let moved = seconds.abs() > 0.05 || kelvin.abs() > 0.05;
                Revision {
                    moved: moved.then_some((seconds, kelvin)),
                    ..Revision::default()
                }
            }
            None => Revision {
                withdrawn: true,
                ..Revision::default()
            },
        });
    }
    all.extend(settled.into_iter().flatten().map(|_| Revision {
        added: true,
        ..Revision::default()
    }));
    all
}
