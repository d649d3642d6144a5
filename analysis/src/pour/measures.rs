//! What is measured at a pour: every figure that the machine's own trace can give, from the few
//! minutes of each channel that the detector remembers.

use super::found::PourFound;
use super::history::{History, Reading};
use super::line;
use super::melt::Melt;
use super::pull::Pull;
use super::rows::{FoundBy, Verdict, quality};
use super::setup::Setup;
use super::turn::Turn;
use super::valve::Vacuum;
use crate::stats::median::{median, median_of_3};
use crate::thermocouple::unknown_probe_uncertainty_k;
use crate::time::Micros;
use crate::upkeep::CoursePoint;

/// The heating rate is that of the last so many seconds.
const HEATING_S: f64 = 30.0;
/// Cover gas is looked at over the 2 min before.
const GAS_S: f64 = 120.0;
/// Cover gas below its least for longer than this, s, of those 2 min is a lost cover: argon that
/// lay over the melt is thinned by a door or an inlet within some tens of seconds (common
/// practice), while a shorter dip is a knock at the hose or the valve being set.
const LOST_COVER_S: f64 = 20.0;
/// A gas reading stands for no longer than this, s.
const GAS_STANDS_S: f64 = 60.0;
/// A melt reading older than this is no reading of the pour, s.
const MELT_REACH_S: f64 = 10.0;
/// A kiln sensor is slow and often reports rarely; older than this it says nothing, s.
const KILN_REACH_S: f64 = 600.0;
/// A flask cools fast; its thermocouple must be this fresh, s.
const FLASK_REACH_S: f64 = 60.0;
/// A kiln door that opened longer ago than this did not give this flask, s.
const DOOR_REACH_S: f64 = 600.0;
/// Silence of the melt sensor that is worth a word, s.
const GAP_S: f64 = 5.0;

/// One kiln's sensors.
#[derive(Clone, Debug, Default)]
pub(crate) struct Kiln {
    /// Its temperature, °C.
    pub temperature: History,
    /// Whether the door is open, by its switch.
    pub door_open: Option<bool>,
    /// When the door last opened and what the kiln read just before.
    pub opened: Option<(Micros, Option<f64>)>,
}

/// Everything the figures are taken from.
pub(crate) struct Bench<'a> {
    pub setup: &'a Setup,
    pub ambient_kpa: f64,
    pub melt: &'a Melt,
    pub vacuum: &'a Vacuum,
    pub gas: &'a History,
    pub kilns: &'a [Kiln],
    pub flask: &'a History,
    /// Running totals at the pour.
    pub so_far: CoursePoint,
    /// The pull that the pour went into.
    pub pull: Option<&'a Pull>,
}

impl Bench<'_> {
    /// Measures the pour at `at`. `turn` if it was found by the melt's turn.
    pub fn measure(
        &self,
        at: Micros,
        found_by: FoundBy,
        confidence: f64,
        turn: Option<&Turn>,
    ) -> PourFound {
        let molten_above = self.setup.molten_above_c();
        let melt_c = turn.map(|t| t.temperature_c).or_else(|| self.melt_at(at));
        let rest_kpa = self.rest_kpa();
        let over_rest = |kpa: f64| (kpa - rest_kpa).max(0.0);
        let settled = self.vacuum.history.settled(at, 2.0, 10.0);
        let vacuum_kpa = settled.map(over_rest);
        let gas: Vec<f64> = values(self.gas, at.plus_seconds(-GAS_S), at);
        let (kiln_c, transfer_s) = self.kiln(at);
        PourFound {
            at,
            confidence,
            found_by,
            pour_temperature_c: melt_c,
            superheat_k: melt_c.zip(self.setup.liquidus_c).map(|(t, l)| t - l),
            heating_rate_k_s: self.heating_rate(at),
            peak_melt_c: match (self.melt.peak_c(), melt_c) {
                (Some(peak), Some(now)) => Some(peak.max(now)),
                (peak, now) => peak.or(now),
            },
            time_molten_s: melt_c.map(|_| self.melt.molten_until(at, molten_above)),
            since_charge_s: self
                .melt
                .charge_at
                .map(|charge| at.seconds_since(charge))
                .filter(|s| *s >= 0.0),
            vacuum_kpa,
            vacuum_share: vacuum_kpa.map(|v| (v / self.ambient_kpa).clamp(0.0, 1.0)),
            vacuum_lead_s: self
                .pull
                .map(|pull| at.seconds_since(pull.opened_at).max(0.0)),
            vacuum_after_kpa: self.vacuum_after(at).map(over_rest),
            gas_flow_l_min: mean(&gas),
            gas_flow_least_l_min: least(&gas),
            kiln_temperature_c: kiln_c,
            transfer_s,
            flask_temperature_c: self
                .flask
                .last_until(at)
                .filter(|r| at.seconds_since(r.at) <= FLASK_REACH_S)
                .map(|r| (r.value, unknown_probe_uncertainty_k(r.value))),
            so_far: self.so_far,
            quality: self.quality(at, melt_c, vacuum_kpa, &gas, kiln_c, confidence, turn),
        }
    }

    /// What the vacuum sensor reads at rest, kPa: as before the pull, or now if there is none; 0
    /// while nobody knows. Depths are counted from it, as those of pulls are.
    fn rest_kpa(&self) -> f64 {
        match self.pull {
            Some(pull) => pull.known_rest_kpa().unwrap_or(0.0),
            None if self.vacuum.rest.learnt() => self.vacuum.rest.level(),
            None => 0.0,
        }
    }

    /// The melt's line over the last 20 s, read at the pour: no lag of a mean, no noise of a
    /// single reading.
    fn melt_at(&self, at: Micros) -> Option<f64> {
        let span = (20.0_f64).max(4.5 * self.melt.step_s());
        let last = self.melt.history.last_until(at)?;
        if at.seconds_since(last.at) > MELT_REACH_S.max(1.5 * self.melt.step_s()) {
            return None;
        }
        let readings: Vec<(f64, f64)> = seconds(&self.melt.history, at, -span, 0.0);
        if readings.len() < 4 {
            return Some(last.value);
        }
        line::fit(&readings).map_or(Some(last.value), |l| Some(l.level))
    }

    fn heating_rate(&self, at: Micros) -> Option<f64> {
        let readings = seconds(&self.melt.history, at, -HEATING_S, 0.0);
        let span = readings.last()?.0 - readings.first()?.0;
        if readings.len() < 4 || span < HEATING_S / 3.0 {
            return None;
        }
        line::fit(&readings).map(|l| l.slope)
    }

    fn vacuum_after(&self, at: Micros) -> Option<f64> {
        let mut near: Vec<f64> = values(
            &self.vacuum.history,
            at.plus_seconds(9.0),
            at.plus_seconds(11.0),
        );
        median(&mut near).or_else(|| {
            // A slow sensor: the reading nearest to 10 s, if there is one within 5.
            let ten = at.plus_seconds(10.0);
            self.vacuum
                .history
                .between(at.plus_seconds(5.0), at.plus_seconds(15.0))
                .min_by(|a, b| {
                    let away = |r: &Reading| r.at.seconds_since(ten).abs();
                    away(a).total_cmp(&away(b))
                })
                .map(|r| r.value)
        })
    }

    /// The kiln the flask came from, as far as one machine's trace tells: the one whose door
    /// opened last, else the first that is heard.
    fn kiln(&self, at: Micros) -> (Option<f64>, Option<f64>) {
        let opened = self
            .kilns
            .iter()
            .filter_map(|k| k.opened)
            .filter(|o| (0.0..=DOOR_REACH_S).contains(&at.seconds_since(o.0)))
            .max_by_key(|o| o.0);
        if let Some((door, kiln_c)) = opened {
            return (kiln_c, Some(at.seconds_since(door)));
        }
        let now = self.kilns.iter().find_map(|k| {
            k.temperature
                .last_until(at)
                .filter(|r| at.seconds_since(r.at) <= KILN_REACH_S)
        });
        (now.map(|r| r.value), None)
    }

    #[allow(clippy::too_many_arguments)] // One list of words from all that was measured.
    fn quality(
        &self,
        at: Micros,
        melt_c: Option<f64>,
        vacuum_kpa: Option<f64>,
        gas: &[f64],
        kiln_c: Option<f64>,
        confidence: f64,
        turn: Option<&Turn>,
    ) -> Vec<&'static str> {
        let mut words = Vec::new();
        let mut note = |when: bool, word: &'static str| {
            if when {
                words.push(word);
            }
        };
        let silent_vacuum = vacuum_kpa.is_none() && self.vacuum.history.ever_heard();
        let verdict = self.pull.and_then(|p| p.verdict);
        let molten_above = self.setup.molten_above_c();
        let trace = turn.is_some();
        note(
            melt_c.is_some_and(|t| self.setup.liquidus_c.is_some() && t < molten_above),
            quality::BELOW_LIQUIDUS,
        );
        note(trace && confidence < 0.5, quality::FAINT_TURN);
        note(
            turn.is_some_and(|t| t.gap_s > GAP_S.max(1.8 * self.melt.step_s())),
            quality::GAP_AT_POUR,
        );
        note(self.gap_before(at), quality::GAP_BEFORE_POUR);
        note(self.bare_s(at) > LOST_COVER_S, quality::LOST_COVER_GAS);
        note(verdict == Some(Verdict::Missing), quality::MISSING_PULL);
        note(
            gas.is_empty() && self.gas.ever_heard(),
            quality::NO_GAS_READING,
        );
        note(!self.gas.ever_heard(), quality::NO_GAS_SENSOR);
        note(kiln_c.is_none(), quality::NO_KILN_READING);
        note(melt_c.is_none(), quality::NO_MELT_READING);
        note(
            self.pull.is_none() && self.vacuum.fitted(),
            quality::NO_PULL,
        );
        note(silent_vacuum, quality::NO_VACUUM_READING);
        note(!self.vacuum.history.ever_heard(), quality::NO_VACUUM_SENSOR);
        note(
            self.melt
                .probe_moved_at
                .is_some_and(|moved| (-60.0..=120.0).contains(&at.seconds_since(moved))),
            quality::PROBE_MOVED,
        );
        note(verdict == Some(Verdict::Weak), quality::WEAK_PULL);
        words
    }

    /// How long cover gas was below its least in the 2 min before, s. A reading stands until the
    /// next one, and no longer than a minute.
    fn bare_s(&self, at: Micros) -> f64 {
        let from = at.plus_seconds(-GAS_S);
        let mut readings: Vec<Reading> = self
            .gas
            .last_until(from)
            .into_iter()
            .chain(self.gas.between(from, at))
            .collect();
        // The one on the edge may have come twice.
        readings.dedup_by_key(|r| r.at);
        let least = self.setup.gas_least_l_min;
        let ends = readings.iter().skip(1).map(|r| r.at).chain([at]);
        readings
            .iter()
            .zip(ends)
            .filter(|(r, _)| r.value < least)
            .map(|(r, end)| {
                let until = end.min(r.at.plus_seconds(GAS_STANDS_S));
                until.seconds_since(r.at.max(from)).max(0.0)
            })
            .sum()
    }

    /// Whether the melt sensor was silent in the 30 s before.
    fn gap_before(&self, at: Micros) -> bool {
        let limit = GAP_S.max(1.8 * self.melt.step_s());
        let from = at.plus_seconds(-HEATING_S);
        let mut before = self.melt.history.last_until(from).map_or(from, |r| r.at);
        for r in self.melt.history.between(from, at) {
            if r.at.seconds_since(before) > limit {
                return true;
            }
            before = r.at;
        }
        at.seconds_since(before) > limit
    }
}

fn seconds(history: &History, at: Micros, from_s: f64, to_s: f64) -> Vec<(f64, f64)> {
    history
        .between(at.plus_seconds(from_s), at.plus_seconds(to_s))
        .map(|r| (r.at.seconds_since(at), r.value))
        .collect()
}

fn values(history: &History, from: Micros, to: Micros) -> Vec<f64> {
    history.between(from, to).map(|r| r.value).collect()
}

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// The least median of three neighbours: one dropped packet is not a lost cover.
fn least(values: &[f64]) -> Option<f64> {
    if values.len() < 3 {
        return values.iter().copied().reduce(f64::min);
    }
    values
        .windows(3)
        .map(|w| median_of_3(w[0], w[1], w[2]))
        .reduce(f64::min)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_zero_reading_is_not_a_lost_cover() {
        assert_eq!(least(&[3.0, 3.1, 0.0, 3.0, 2.9]), Some(2.9));
        assert_eq!(least(&[3.0, 0.1, 0.0, 0.1, 2.9]), Some(0.1));
        assert_eq!(least(&[]), None);
    }
}
