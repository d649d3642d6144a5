//! One spell of vacuum as it is heard: its depth, its pump-down, its verdict.
//! When it opens and closes is decided in `valve.rs`.

use std::collections::VecDeque;

use super::heading::{Curve, Heading, Sensor};
use super::history::{History, Reading};
use super::leakup::{self, LeakUp};
use super::pumpdown::{PumpDown, Start};
use super::rest::Rest;
use super::rows::{PullRow, Verdict};
use super::setup::{MOST_SHORTFALL, NOTHING_KPA, Setup, UsualPull};
use crate::stats::median::median;
use crate::time::Micros;

/// The verdict is given this long after the opening, s: within 5 s, and the daemon looks at the
/// time five times a second.
const JUDGE_AFTER_S: f64 = 4.75;
/// An opening that is only inferred may have been earlier by this much, s.
const INFERRED_LATE_S: f64 = 0.25;
/// While a verdict may still change, it is looked at again this often, s.
pub(crate) const JUDGE_AGAIN_S: f64 = 1.0;
/// A verdict that was given is changed for another only once that is so for this long, s: an
/// alarm must not flicker.
pub(crate) const HOLD_S: f64 = 2.5;
/// A reading this long after the opening shows whether anything pulls, s, …
const MOVES_WITHIN_S: f64 = 2.5;
/// … and one this long after it does if a pump of the usual speed would have gone this many times
/// as deep as nothing by then.
const MOVES_SOONEST_S: f64 = 1.0;
const CLEARLY_MOVED: f64 = 2.0;
/// A sensor that has not been heard for this long is silent, s, …
const SILENT_S: f64 = 3.0;
/// … or for so many of its usual periods.
const SILENT_PERIODS: f64 = 4.0;
/// A good pull seems to end where good ones do, and surely not as short of the usual as this: a
/// flask that does not sit. A slow leak of less shows later, and the verdict changes before the
/// pour.
const GROSS_SHORTFALL: f64 = 1.5 * MOST_SHORTFALL;
/// A depth this well known, as a share of the day's air, is judged as it stands.
const WELL_KNOWN: f64 = 0.015;
/// Venting takes 1 to 3 s (common practice); a pull without a switch is seen to be over when half
/// of it is gone.
const VENT_S: f64 = 2.0;
/// A pull is called weak when only so few good ones would look as shallow by then. That good
/// pulls are called weak less often than once in 200 over all their looks is measured
/// (`pull-table`): the scatter allowed for is never less than `LEAST_SHORTFALL` asks, and real
/// pulls scatter less.
const FALSE_ALARM: f64 = 0.005;
/// … the standard deviations of a normal that go with it.
const FALSE_ALARM_SDS: f64 = 2.576;
/// A pull that was called weak is good again when a good one is so shallow once in twenty: beside
/// the line, an alarm must not come and go.
const GOOD_AGAIN: f64 = 0.05;
/// A depth is below a fixed line when that is as likely as this.
const SURELY: f64 = 0.9;

/// A pull, measured, without the names of its session and machine.
#[derive(Clone, Debug, PartialEq)]
pub struct PullFound {
    /// When the vacuum came on.
    pub opened_at: Micros,
    /// When it went off; none if the trace ended first.
    pub closed_at: Option<Micros>,
    /// Deepest reading (median of 1 s) over what the sensor reads at rest, kPa below ambient.
    pub depth_kpa: Option<f64>,
    /// The same as a share of what the day's air allowed, 0–1.
    pub share: Option<f64>,
    /// Depth that the pull settled at before the pour, or would have with more time, and its
    /// standard error, kPa.
    pub settled_kpa: Option<(f64, f64)>,
    /// What the sensor read at rest before, kPa; none while it was not known.
    pub rest_kpa: Option<f64>,
    /// From opening to 90 % of the depth reached before the pour, s.
    pub time_to_90_s: Option<f64>,
    /// Pump-down time constant and its standard error, s.
    pub tau_s: Option<(f64, f64)>,
    /// End depth of the fitted pump-down and its standard error, kPa below ambient.
    pub end_kpa: Option<(f64, f64)>,
    /// Depth lost per minute once the valve was shut and its standard error, kPa/min.
    pub loss_kpa_min: Option<(f64, f64)>,
    /// What it was worth.
    pub verdict: Verdict,
    /// Whether metal was poured into it.
    pub poured: bool,
}

impl PullFound {
    /// The row of this pull.
    pub fn into_row(self, session: &str, machine: &str) -> PullRow {
        PullRow {
            session: session.to_owned(),
            machine: machine.to_owned(),
            opened_at: self.opened_at,
            closed_at: self.closed_at,
            depth_kpa: self.depth_kpa,
            share: self.share,
            settled_kpa: self.settled_kpa.map(|s| s.0),
            settled_se_kpa: self.settled_kpa.map(|s| s.1),
            rest_kpa: self.rest_kpa,
            time_to_90_s: self.time_to_90_s,
            tau_s: self.tau_s.map(|t| t.0),
            tau_se_s: self.tau_s.map(|t| t.1),
            end_kpa: self.end_kpa.map(|e| e.0),
            end_se_kpa: self.end_kpa.map(|e| e.1),
            loss_kpa_min: self.loss_kpa_min.map(|l| l.0),
            loss_se_kpa_min: self.loss_kpa_min.map(|l| l.1),
            verdict: self.verdict,
            poured: self.poured,
        }
    }
}

/// A pull while it lasts, and until it is written off.
#[derive(Clone, Debug)]
pub(crate) struct Pull {
    /// When the vacuum came on.
    pub opened_at: Micros,
    /// Whether a valve switch said so.
    pub by_valve: bool,
    /// When it went off.
    pub closed_at: Option<Micros>,
    /// What the sensor read before, kPa.
    pub rest_kpa: f64,
    /// The least rise that is more than noise, kPa.
    pub threshold_kpa: f64,
    /// The pour into it.
    pub poured_at: Option<Micros>,
    /// The verdict given so far.
    pub verdict: Option<Verdict>,
    /// Another verdict that has not lasted long enough, and since when it is so.
    doubt: Option<(Verdict, Micros)>,
    believable_when_still: bool,
    rest_known: bool,
    sensor: Sensor,
    second: VecDeque<Reading>,
    deepest: Option<f64>,
    curve: Curve,
    last: Option<Reading>,
}

impl Pull {
    /// A pull that begins now.
    pub fn open(opened_at: Micros, by_valve: bool, rest: &Rest) -> Pull {
        Pull {
            opened_at,
            by_valve,
            closed_at: None,
            rest_kpa: rest.level(),
            threshold_kpa: rest.threshold(),
            poured_at: None,
            verdict: None,
            doubt: None,
            believable_when_still: rest.believable_when_still(),
            rest_known: rest.learnt(),
            sensor: rest.sensor(),
            second: VecDeque::new(),
            deepest: None,
            curve: Curve::default(),
            last: None,
        }
    }

    /// When the first verdict is due.
    pub fn judge_at(&self) -> Micros {
        let late = if self.by_valve { 0.0 } else { INFERRED_LATE_S };
        self.opened_at.plus_seconds(JUDGE_AFTER_S - late)
    }

    /// Takes in a reading while the pull is open.
    pub fn hear(&mut self, reading: Reading) {
        self.last = Some(reading);
        self.second.push_back(reading);
        while self
            .second
            .front()
            .is_some_and(|r| reading.at.seconds_since(r.at) > 1.0)
        {
            self.second.pop_front();
        }
        let mut last_second: Vec<f64> = self.second.iter().map(|r| r.value).collect();
        if let Some(now) = median(&mut last_second) {
            self.deepest = Some(self.deepest.map_or(now, |d| d.max(now)));
        }
        let t_s = reading.at.seconds_since(self.opened_at);
        self.curve.hear(t_s, reading.value);
    }

    /// What the sensor read at rest before, kPa, if that was learnt.
    pub fn known_rest_kpa(&self) -> Option<f64> {
        self.rest_known.then_some(self.rest_kpa)
    }

    /// Deepest median of a second so far over rest, kPa below ambient.
    pub fn depth_kpa(&self) -> Option<f64> {
        self.deepest.map(|d| (d - self.rest_kpa).max(0.0))
    }

    /// The same; 0 before the first reading.
    pub fn rise_kpa(&self) -> f64 {
        self.depth_kpa().unwrap_or(0.0)
    }

    /// Whether the pressure moved at all.
    pub fn moved(&self) -> bool {
        self.rise_kpa() >= self.threshold_kpa
    }

    /// Seconds of this pull until `now`.
    pub fn age_s(&self, now: Micros) -> f64 {
        now.seconds_since(self.opened_at)
    }

    /// Where the pull seems to be heading at `now`, or was before the pour.
    pub fn heading(&self, now: Micros, setup: &Setup) -> Option<Heading> {
        let pump = setup.usual.unwrap_or(UsualPull::COMMON);
        self.curve
            .heading(self.until_s(now), &self.sensor, self.by_valve, &pump)
    }

    /// Judges the pull at `now` and says whether its verdict is another than before. A verdict
    /// that was given stands until another has been so for a while.
    pub fn judge_again(&mut self, now: Micros, setup: &Setup, ambient_kpa: f64) -> bool {
        let verdict = self.judge(now, setup, ambient_kpa);
        if self.verdict == Some(verdict) {
            self.doubt = None;
            return false;
        }
        let since = match self.doubt {
            Some((same, since)) if same == verdict => since,
            _ => now,
        };
        self.doubt = Some((verdict, since));
        let told = matches!(self.verdict, Some(v) if v != Verdict::Unknown);
        if told && now.seconds_since(since) < HOLD_S {
            return false;
        }
        self.doubt = None;
        self.verdict = Some(verdict);
        true
    }

    /// What the pull is worth as far as can be told at `now`, from what its sensor says so far.
    pub fn judge(&self, now: Micros, setup: &Setup, ambient_kpa: f64) -> Verdict {
        let until_s = self.until_s(now);
        let Some(heard_s) = self.curve.until(until_s).last().map(|r| r.0) else {
            return Verdict::Unknown;
        };
        let silent = SILENT_S.max(SILENT_PERIODS * self.sensor.period_s);
        // The last reading that is kept of a long pull may be older than the last one heard.
        let heard_s = match self.last {
            Some(last) if self.age_s(last.at) <= until_s => self.age_s(last.at),
            _ => heard_s,
        };
        if !self.rest_known || until_s - heard_s > silent {
            return Verdict::Unknown;
        }
        let now_kpa = self
            .curve
            .depth_at(until_s)
            .map_or(0.0, |d| d.1 - self.rest_kpa);
        if self.by_valve && now_kpa < NOTHING_KPA && self.rise_kpa() < NOTHING_KPA {
            return if self.believable_when_still && would_have_moved(heard_s, setup, ambient_kpa) {
                Verdict::Missing
            } else {
                Verdict::Unknown
            };
        }
        if self.curve.dead(until_s, &self.sensor) {
            return Verdict::Unknown;
        }
        match self.heading(now, setup) {
            Some(heading) => worth(&heading, setup, ambient_kpa, self.verdict),
            None => Verdict::Unknown,
        }
    }

    /// The second of the pull up to which it is judged: a pour, or its end, is the last.
    fn until_s(&self, now: Micros) -> f64 {
        let end = match (self.poured_at, self.closed_at) {
            (Some(poured), _) => poured,
            (None, Some(closed)) if self.by_valve => closed,
            // Seen to close by its falling back, which had begun before.
            (None, Some(closed)) => closed.plus_seconds(-VENT_S.min(0.5 * self.age_s(closed))),
            (None, None) => now,
        };
        self.age_s(end.min(now))
    }

    /// The pump-down before the pour, if its readings tell one.
    pub fn pump_down(&self) -> Option<PumpDown> {
        let until_s = self.poured_at.map_or(f64::MAX, |at| self.age_s(at));
        let few = self.curve.until(until_s).len() < 6;
        let start = if few && self.by_valve {
            Start::Known(self.rest_kpa)
        } else {
            Start::Free
        };
        let fit = self.curve.pump_down(until_s, start)?;
        (fit.end - fit.start > self.threshold_kpa).then_some(fit)
    }

    fn time_to_90_s(&self) -> Option<f64> {
        if !self.moved() {
            return None;
        }
        let until_s = self.poured_at.map_or(f64::MAX, |at| self.age_s(at));
        let readings = self.curve.until(until_s);
        let deepest = readings
            .iter()
            .map(|r| r.1)
            .fold(self.rest_kpa, f64::max)
            .min(self.deepest?);
        let line = self.rest_kpa + 0.9 * (deepest - self.rest_kpa);
        let mut before = (0.0, self.rest_kpa);
        for &(t, value) in readings {
            if value >= line {
                let share = if value > before.1 {
                    (line - before.1) / (value - before.1)
                } else {
                    1.0
                };
                return Some(before.0 + share.clamp(0.0, 1.0) * (t - before.0));
            }
            before = (t, value);
        }
        None
    }

    /// Depth lost per minute between the valve's shutting and the vent. Without a switch nobody
    /// knows when the pump was cut off, so there is none.
    fn leak_up(&self, vacuum: &History) -> Option<LeakUp> {
        let closed_at = self.closed_at.filter(|_| self.by_valve && self.moved())?;
        let half = self.rest_kpa + 0.5 * self.rise_kpa();
        let mut held: Vec<(f64, f64)> = vacuum
            .between(closed_at.plus_seconds(1.0), closed_at.plus_seconds(LOSS_S))
            .take_while(|r| r.value > half)
            .map(|r| (r.at.seconds_since(closed_at), r.value))
            .collect();
        // The last moments may already be the vent beginning.
        let end = held.last()?.0 - 1.0;
        held.retain(|r| r.0 <= end);
        leakup::fit(&held)
    }

    /// The measures of the pull, when nothing more is to come.
    pub fn found(
        &self,
        now: Micros,
        setup: &Setup,
        ambient_kpa: f64,
        vacuum: &History,
    ) -> PullFound {
        let fit = self.pump_down();
        let depth_kpa = self.depth_kpa();
        // A pull that never moved is not heading anywhere.
        let heading = self.heading(now, setup).filter(|_| self.moved());
        PullFound {
            opened_at: self.opened_at,
            closed_at: self.closed_at,
            depth_kpa,
            share: depth_kpa.map(|d| (d / ambient_kpa).clamp(0.0, 1.0)),
            settled_kpa: heading.as_ref().map(|h| (h.rise_kpa, h.se_kpa)),
            rest_kpa: self.known_rest_kpa(),
            time_to_90_s: self.time_to_90_s(),
            tau_s: fit.map(|f| (f.tau, f.tau_se)),
            end_kpa: fit.map(|f| (f.end - self.rest_kpa, f.end_se)),
            loss_kpa_min: self.leak_up(vacuum).map(|l| (l.loss_kpa_min, l.se_kpa_min)),
            verdict: self.judge(now, setup, ambient_kpa),
            poured: self.poured_at.is_some(),
        }
    }
}

/// How long the leak-up is watched after the valve shuts, s.
pub(crate) const LOSS_S: f64 = 60.0;

/// Whether a good pull would show by this second.
fn would_have_moved(heard_s: f64, setup: &Setup, ambient_kpa: f64) -> bool {
    let moved = |usual: UsualPull| {
        let slowest_s = usual.tau_s * (1.0 + 2.0 * usual.tau_spread);
        usual.share * ambient_kpa * -(-heard_s / slowest_s).exp_m1() > CLEARLY_MOVED * NOTHING_KPA
    };
    let soon = heard_s >= MOVES_SOONEST_S && setup.usual.is_some_and(moved);
    soon || heard_s >= MOVES_WITHIN_S
}

/// What a pull is worth that heads there. One whose end is not yet known well enough to call it
/// either is unknown.
fn worth(heading: &Heading, setup: &Setup, ambient_kpa: f64, before: Option<Verdict>) -> Verdict {
    let floor_kpa = setup.floor_kpa(ambient_kpa);
    let forecast = &heading.forecast;
    let mut weak = forecast.chance_below(floor_kpa, 0.0) > SURELY;
    let (mut good_from, mut surely_from) = (floor_kpa, floor_kpa);
    if let Some(usual) = setup.usual {
        let usual_kpa = usual.share * ambient_kpa;
        let allowed = usual.shortfall_allowed(0.0);
        good_from = good_from.max(usual_kpa * (1.0 - allowed));
        surely_from = surely_from.max(usual_kpa * (1.0 - GROSS_SHORTFALL));
        let spread_kpa = usual_kpa * allowed / FALSE_ALARM_SDS;
        let as_shallow = match before {
            Some(Verdict::Weak) => GOOD_AGAIN,
            _ => FALSE_ALARM,
        };
        weak |= forecast.chance_below(usual_kpa, spread_kpa) > 1.0 - as_shallow;
    }
    let good =
        heading.rise_kpa >= good_from && forecast.chance_below(surely_from, 0.0) < 1.0 - SURELY;
    if weak {
        Verdict::Weak
    } else if good || heading.se_kpa <= WELL_KNOWN * ambient_kpa {
        // Between the lines, and it will not get clearer: the doubt is the pull's.
        Verdict::Good
    } else {
        Verdict::Unknown
    }
}
