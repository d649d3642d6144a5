//! One spell of vacuum as it is heard: its depth, its pump-down, its verdict.
//! When it opens and closes is decided in `valve.rs`.

use std::collections::VecDeque;

use super::history::{History, Reading};
use super::pumpdown::{self, PumpDown, Start};
use super::rest::Rest;
use super::rows::{PullRow, Verdict};
use super::setup::Setup;
use crate::stats::median::median;
use crate::time::Micros;

/// The verdict is given this long after the opening, s: design promises 5 s.
pub(crate) const JUDGE_AFTER_S: f64 = 4.5;
/// While a verdict may still change, it is looked at again this often, s.
pub(crate) const JUDGE_AGAIN_S: f64 = 1.0;
/// From here on the depth itself is the verdict, s: five of the longest usual time constants.
const SETTLED_AFTER_S: f64 = 40.0;
/// The pump-down is fitted to this much of a pull, s.
const FIT_S: f64 = 60.0;
/// Readings of the first minutes are kept no closer than this, s.
const CURVE_STEP_S: f64 = 0.1;
/// … and for this long, s.
const CURVE_S: f64 = 180.0;
/// Time constants of jewellers' chambers run from 3 to 8 s (common practice); used only where
/// five seconds of readings cannot tell one.
const USUAL_TAU_S: f64 = 5.0;

/// A pull, measured, without the names of its session and machine.
#[derive(Clone, Debug, PartialEq)]
pub struct PullFound {
    /// When the vacuum came on.
    pub opened_at: Micros,
    /// When it went off; none if the trace ended first.
    pub closed_at: Option<Micros>,
    /// Deepest reading (median of 1 s), kPa below ambient.
    pub depth_kpa: Option<f64>,
    /// The same as a share of what the day's air allowed, 0–1.
    pub share: Option<f64>,
    /// From opening to 90 % of the depth reached before the pour, s.
    pub time_to_90_s: Option<f64>,
    /// Pump-down time constant and its standard error, s.
    pub tau_s: Option<(f64, f64)>,
    /// End depth of the fitted pump-down, kPa below ambient.
    pub end_kpa: Option<f64>,
    /// Depth lost per minute once the valve was shut, kPa/min.
    pub loss_kpa_min: Option<f64>,
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
            time_to_90_s: self.time_to_90_s,
            tau_s: self.tau_s.map(|t| t.0),
            tau_se_s: self.tau_s.map(|t| t.1),
            end_kpa: self.end_kpa,
            loss_kpa_min: self.loss_kpa_min,
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
    believable_when_still: bool,
    second: VecDeque<Reading>,
    deepest: Option<f64>,
    curve: Vec<(f64, f64)>,
    last: Option<Reading>,
    readings: u32,
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
            believable_when_still: rest.believable_when_still(),
            second: VecDeque::new(),
            deepest: None,
            curve: Vec::new(),
            last: None,
            readings: 0,
        }
    }

    /// Takes in a reading while the pull is open.
    pub fn hear(&mut self, reading: Reading) {
        self.readings += 1;
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
        let t = reading.at.seconds_since(self.opened_at);
        let apart = self
            .curve
            .last()
            .is_none_or(|last| t - last.0 >= CURVE_STEP_S);
        if (0.0..=CURVE_S).contains(&t) && apart {
            self.curve.push((t, reading.value));
        }
    }

    /// Deepest median of a second so far, kPa below ambient.
    pub fn depth_kpa(&self) -> Option<f64> {
        self.deepest
    }

    /// How far the deepest is above rest, kPa; 0 before the first reading.
    pub fn rise_kpa(&self) -> f64 {
        self.deepest.map_or(0.0, |d| (d - self.rest_kpa).max(0.0))
    }

    /// Whether the pressure moved at all.
    pub fn moved(&self) -> bool {
        self.rise_kpa() >= self.threshold_kpa
    }

    /// Seconds of this pull until `now`.
    pub fn age_s(&self, now: Micros) -> f64 {
        now.seconds_since(self.opened_at)
    }

    /// What the pull is worth as far as can be told at `now`, from what its sensor says so far.
    pub fn judge(&self, now: Micros, setup: &Setup, ambient_kpa: f64, period_s: f64) -> Verdict {
        let Some(last) = self.last else {
            return Verdict::Unknown;
        };
        let until = self.closed_at.unwrap_or(now);
        if until.seconds_since(last.at) > (4.0 * period_s).max(5.0) {
            return Verdict::Unknown;
        }
        let good_from = setup.good_from_kpa(ambient_kpa);
        if self.rise_kpa() >= good_from {
            return Verdict::Good;
        }
        let age = self.age_s(until);
        if !self.moved() {
            return match self.by_valve && age >= 3.0 && self.readings >= 3 {
                true if self.believable_when_still => Verdict::Missing,
                _ => Verdict::Unknown,
            };
        }
        if age >= SETTLED_AFTER_S {
            return Verdict::Weak;
        }
        let end_rise = self.expected_rise(age);
        match end_rise {
            Some(rise) if rise >= good_from => Verdict::Good,
            Some(_) => Verdict::Weak,
            None => Verdict::Unknown,
        }
    }

    /// The rise at which the pump-down seems to be heading, kPa.
    fn expected_rise(&self, age: f64) -> Option<f64> {
        if let Some(fit) = self.pump_down()
            && fit.end_se < 0.06 * (fit.end - self.rest_kpa).abs()
        {
            return Some(fit.end - self.rest_kpa);
        }
        if age < 1.5 {
            return None;
        }
        let (t, value) = *self.curve.last()?;
        (t >= 1.0).then(|| (value - self.rest_kpa) / -(-t / USUAL_TAU_S).exp_m1())
    }

    /// The pump-down before the pour, if its readings tell one.
    pub fn pump_down(&self) -> Option<PumpDown> {
        let readings: Vec<(f64, f64)> = self.before_pour(FIT_S).collect();
        let start = if readings.len() < 6 && self.by_valve {
            Start::Known(self.rest_kpa)
        } else {
            Start::Free
        };
        let fit = pumpdown::fit(&readings, start)?;
        let upward = fit.end - fit.start > self.threshold_kpa;
        (upward && fit.tau_se < 0.5 * fit.tau).then_some(fit)
    }

    fn before_pour(&self, until_s: f64) -> impl Iterator<Item = (f64, f64)> + '_ {
        let until = self
            .poured_at
            .map_or(until_s, |at| at.seconds_since(self.opened_at).min(until_s));
        self.curve.iter().copied().take_while(move |r| r.0 <= until)
    }

    fn time_to_90_s(&self) -> Option<f64> {
        if !self.moved() {
            return None;
        }
        let deepest = self
            .before_pour(CURVE_S)
            .map(|r| r.1)
            .fold(self.rest_kpa, f64::max)
            .min(self.deepest?);
        let line = self.rest_kpa + 0.9 * (deepest - self.rest_kpa);
        let mut before = (0.0, self.rest_kpa);
        for (t, value) in self.before_pour(CURVE_S) {
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

    /// Depth lost per minute between the valve's shutting and the vent, kPa/min. Without a
    /// switch nobody knows when the pump was cut off, so there is none.
    fn loss_kpa_min(&self, vacuum: &History) -> Option<f64> {
        let closed_at = self.closed_at.filter(|_| self.by_valve)?;
        let half = self.rest_kpa + 0.5 * self.rise_kpa();
        let mut held: Vec<(f64, f64)> = vacuum
            .between(closed_at.plus_seconds(1.0), closed_at.plus_seconds(LOSS_S))
            .take_while(|r| r.value > half)
            .map(|r| (r.at.seconds_since(closed_at), r.value))
            .collect();
        // The last moments may already be the vent beginning.
        let end = held.last()?.0 - 1.0;
        held.retain(|r| r.0 <= end);
        if !self.moved() {
            return None;
        }
        super::leakup::fit(&held).map(|leak| leak.loss_kpa_min)
    }

    /// The measures of the pull, when nothing more is to come.
    pub fn found(
        &self,
        now: Micros,
        setup: &Setup,
        ambient_kpa: f64,
        rest: &Rest,
        vacuum: &History,
    ) -> PullFound {
        let fit = self.pump_down();
        PullFound {
            opened_at: self.opened_at,
            closed_at: self.closed_at,
            depth_kpa: self.deepest,
            share: self.deepest.map(|d| (d / ambient_kpa).clamp(0.0, 1.0)),
            time_to_90_s: self.time_to_90_s(),
            tau_s: fit.map(|f| (f.tau, f.tau_se)),
            end_kpa: fit.map(|f| f.end),
            loss_kpa_min: self.loss_kpa_min(vacuum),
            verdict: self.judge(now, setup, ambient_kpa, rest.period_s()),
            poured: self.poured_at.is_some(),
        }
    }
}

/// How long the leak-up is watched after the valve shuts, s.
pub(crate) const LOSS_S: f64 = 60.0;
