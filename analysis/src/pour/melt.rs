//! The melt as its probe tells it: readings that can be believed, the charges, the highest
//! temperature and the time molten since the last one, and the stage this amounts to.

use std::collections::VecDeque;

use super::history::{Crest, History, Reading};
use crate::stage::Stage;
use crate::stats::median::median_of_3;
use crate::time::Micros;

/// A change beyond this within 2 s is no metal but the probe being moved, K. Melts warm at up
/// to 1 K/s, and cold metal pulls the reading down by 40–120 K over a minute (common practice).
const PROBE_JUMP_K: f64 = 80.0;
/// Readings further apart than this, s, are not compared for a jump.
const JUMP_WITHIN_S: f64 = 10.0;
/// A probe that was pulled out and never put back is believed again after this, s.
const OUT_AT_MOST_S: f64 = 600.0;
/// A probe that has been out for so long, s, and now reads no further than this below where it
/// was, K, is in the metal again: a charge may have gone in meanwhile, and the gas over the
/// melt is colder.
const OUT_AT_LEAST_S: f64 = 15.0;
const BACK_WITHIN_K: f64 = 250.0;
/// No melt is as hot as this, °C: an open circuit shows the end of its scale.
const END_OF_SCALE_C: f64 = 1250.0;
/// Cold metal going in: a fall of at least this, K, …
const CHARGE_FALL_K: f64 = 20.0;
/// … within this, s, …
const CHARGE_WITHIN_S: f64 = 90.0;
/// … that turns again within this, s; a longer fall is the heat being off.
const CHARGE_TURNS_WITHIN_S: f64 = 300.0;
/// A charge is over when the reading has come back up by this, K.
const BACK_UP_K: f64 = 4.0;
/// Bins of the slow view of the melt (peak, stage), s.
const BIN_S: f64 = 5.0;
/// How long bins are remembered, s: from a pour over the next charge to the next pour.
const COURSE_S: f64 = 600.0;
/// Bins of the slope that tells heating from cooling.
const SLOPE_BINS: usize = 13;
/// Falling faster than this is cooling, K/s (3 K/min; a held melt wanders by less).
const COOLING_K_S: f64 = -3.0 / 60.0;
/// A cooling melt is heating again from this slope on, K/s.
const HEATING_K_S: f64 = 2.0 / 60.0;
/// Below this the crucible is cold, °C.
const COLD_C: f64 = 100.0;
/// From so far below the liquidus a melt heating from cold counts as melting, K: the freezing
/// range of the wide silver and bronze alloys.
const MELTING_RANGE_K: f64 = 110.0;
/// Silence longer than this is not counted as time molten, s.
const MOLTEN_GAP_S: f64 = 60.0;

/// The melt and what is known of it.
#[derive(Clone, Debug)]
pub(crate) struct Melt {
    /// Readings that can be believed.
    pub history: History,
    /// When cold metal last went in.
    pub charge_at: Option<Micros>,
    before_charge: (Option<Micros>, Option<f64>, f64),
    /// When the probe last jumped.
    pub probe_moved_at: Option<Micros>,
    doubtful: Option<Reading>,
    out: Option<(Micros, f64)>,
    three: [f64; 3],
    three_filled: usize,
    noise_k: f64,
    step_s: f64,
    crest: Crest,
    fall: Option<Fall>,
    not_a_charge_until: Option<Micros>,
    bin: Option<(Micros, f64, f64)>,
    bins: VecDeque<Reading>,
    peak_c: Option<f64>,
    molten_s: f64,
    stage: Stage,
}

#[derive(Clone, Copy, Debug)]
struct Fall {
    start: Reading,
    lowest: Reading,
    too_long: bool,
}

/// What became of a reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Heard {
    /// Believed; the value is the median of the last three.
    Believed(Reading),
    /// Not, or not yet.
    Doubtful,
    /// The probe has moved: what came before has nothing to do with what comes now.
    ProbeMoved,
}

impl Melt {
    /// A melt of which nothing is known.
    pub fn new() -> Melt {
        Melt {
            history: History::default(),
            charge_at: None,
            before_charge: (None, None, 0.0),
            probe_moved_at: None,
            doubtful: None,
            out: None,
            three: [0.0; 3],
            three_filled: 0,
            noise_k: 0.5,
            step_s: 1.0,
            crest: Crest::over(CHARGE_WITHIN_S),
            fall: None,
            not_a_charge_until: None,
            bin: None,
            bins: VecDeque::new(),
            peak_c: None,
            molten_s: 0.0,
            stage: Stage::Cold,
        }
    }

    /// Whether this reading would show that the probe has been moved.
    pub fn moves_probe(&self, reading: Reading) -> bool {
        let jumps = self
            .reference(reading.at)
            .is_some_and(|reference| (reading.value - reference).abs() > PROBE_JUMP_K);
        jumps
            && self
                .doubtful
                .is_some_and(|first| (reading.value - first.value).abs() <= PROBE_JUMP_K)
    }

    /// Takes in a reading. `may_charge`: whether cold metal can be going in now; inside a pull
    /// with vacuum it cannot.
    pub fn hear(&mut self, reading: Reading, molten_above_c: f64, may_charge: bool) -> Heard {
        if let Some(reference) = self.reference(reading.at)
            && (reading.value - reference).abs() > PROBE_JUMP_K
        {
            let Some(first) = self.doubtful.replace(reading) else {
                return Heard::Doubtful;
            };
            if (reading.value - first.value).abs() > PROBE_JUMP_K {
                return Heard::Doubtful;
            }
            self.doubtful = None;
            self.probe_moved(first, reference);
            self.believe(first, molten_above_c, false);
            self.believe(reading, molten_above_c, false);
            return Heard::ProbeMoved;
        }
        self.doubtful = None;
        Heard::Believed(self.believe(reading, molten_above_c, may_charge))
    }

    /// What a new reading is held against: the one from 2 s before, else the newest.
    fn reference(&self, at: Micros) -> Option<f64> {
        let older = self.history.last_until(at.plus_seconds(-2.0));
        [older, self.history.last()]
            .into_iter()
            .flatten()
            .find(|r| at.seconds_since(r.at) <= JUMP_WITHIN_S)
            .map(|r| r.value)
    }

    fn probe_moved(&mut self, first: Reading, reference: f64) {
        self.probe_moved_at = Some(first.at);
        self.out = match self.out {
            // Back where it was, or further up: it is in the metal again.
            Some((_, level))
                if first.value > level - PROBE_JUMP_K && first.value < END_OF_SCALE_C =>
            {
                None
            }
            Some(out) => Some(out),
            None if first.value < reference && reference < END_OF_SCALE_C => {
                Some((first.at, reference))
            }
            None if first.value > END_OF_SCALE_C => Some((first.at, reference)),
            None => None,
        };
        self.history.clear();
        self.crest.clear();
        self.fall = None;
        self.three_filled = 0;
        self.bin = None;
        self.bins.clear();
    }

    fn believe(&mut self, reading: Reading, molten_above_c: f64, may_charge: bool) -> Reading {
        if let Some(last) = self.history.last() {
            let gap = reading.at.seconds_since(last.at);
            if gap > 0.0 {
                self.step_s += (gap.min(3.0 * self.step_s.max(0.05)) - self.step_s) / 16.0;
            }
            if f64::midpoint(last.value, reading.value) >= molten_above_c {
                self.molten_s += gap.clamp(0.0, MOLTEN_GAP_S);
            }
        }
        self.history.push(reading);
        let smooth = self.smooth(reading);
        self.fill_bin(reading);
        if let Some((since, level)) = self.out {
            let for_long = reading.at.seconds_since(since) > OUT_AT_LEAST_S;
            let within = if for_long {
                BACK_WITHIN_K
            } else {
                PROBE_JUMP_K
            };
            let back = (level - within..END_OF_SCALE_C).contains(&reading.value);
            if back || reading.at.seconds_since(since) > OUT_AT_MOST_S {
                self.out = None;
            }
            return smooth;
        }
        if may_charge {
            self.watch_for_charge(smooth, molten_above_c);
        } else {
            self.fall = None;
            self.crest.push(smooth);
        }
        self.stage = self.stage_now(smooth.value, molten_above_c);
        smooth
    }

    fn smooth(&mut self, reading: Reading) -> Reading {
        self.three.rotate_left(1);
        self.three[2] = reading.value;
        self.three_filled = (self.three_filled + 1).min(3);
        if self.three_filled < 3 {
            return reading;
        }
        let [a, b, c] = self.three;
        // A second difference of white noise has six times its variance; bursts count as 5 K.
        let sd = 1.2533 * (a - 2.0 * b + c).abs() / 6.0_f64.sqrt();
        self.noise_k += (sd.min(5.0) - self.noise_k) / 32.0;
        Reading {
            at: reading.at,
            value: median_of_3(a, b, c),
        }
    }

    fn fill_bin(&mut self, reading: Reading) {
        let (start, sum, count) = self.bin.unwrap_or((reading.at, 0.0, 0.0));
        if reading.at.seconds_since(start) >= BIN_S && count > 0.0 {
            let mean = sum / count;
            self.peak_c = Some(self.peak_c.map_or(mean, |p| p.max(mean)));
            self.bins.push_back(Reading {
                at: start,
                value: mean,
            });
            while let Some(first) = self.bins.front()
                && reading.at.seconds_since(first.at) > COURSE_S
            {
                self.bins.pop_front();
            }
            self.bin = Some((reading.at, reading.value, 1.0));
        } else {
            self.bin = Some((start, sum + reading.value, count + 1.0));
        }
    }

    fn watch_for_charge(&mut self, smooth: Reading, molten_above_c: f64) {
        if self.not_a_charge_until.is_some_and(|t| smooth.at < t) {
            return;
        }
        if self.not_a_charge_until.take().is_some() {
            self.crest.clear();
        }
        self.crest.push(smooth);
        let Some(fall) = &mut self.fall else {
            if let Some(top) = self.crest.top()
                && top.value - smooth.value >= CHARGE_FALL_K
                && top.value > COLD_C
            {
                self.fall = Some(Fall {
                    start: self.knee(top, smooth),
                    lowest: smooth,
                    too_long: false,
                });
            }
            return;
        };
        if smooth.value < fall.lowest.value {
            fall.lowest = smooth;
        }
        if fall.lowest.at.seconds_since(fall.start.at) > CHARGE_TURNS_WITHIN_S {
            fall.too_long = true;
        }
        if smooth.value >= fall.lowest.value + BACK_UP_K.max(5.0 * self.noise_k) {
            let fall = *fall;
            self.fall = None;
            self.crest.clear();
            if !fall.too_long {
                self.charged(fall.start.at, molten_above_c);
            }
        }
    }

    /// Where a slow decline goes over into a fast fall: the reading furthest above the straight
    /// line from the top to now.
    fn knee(&self, top: Reading, now: Reading) -> Reading {
        let slope = (now.value - top.value) / now.at.seconds_since(top.at).max(0.001);
        let above = |r: &Reading| r.value - top.value - slope * r.at.seconds_since(top.at);
        self.history
            .between(top.at, now.at)
            .max_by(|a, b| above(a).total_cmp(&above(b)))
            .unwrap_or(top)
    }

    fn charged(&mut self, at: Micros, molten_above_c: f64) {
        self.before_charge = (self.charge_at, self.peak_c, self.molten_s);
        self.charge_at = Some(at);
        self.peak_c = None;
        self.molten_s = self.molten_after(at, molten_above_c);
    }

    /// A pour was found: the fall after it is the metal leaving, not cold metal coming.
    pub fn poured(&mut self, at: Micros) {
        self.fall = None;
        self.not_a_charge_until = Some(at.plus_seconds(30.0));
        let after = self.charge_at.map_or(f64::MAX, |c| c.seconds_since(at));
        if (-15.0..45.0).contains(&after) {
            // What was taken for cold metal was this.
            let (charge_at, peak_c, molten_s) = self.before_charge;
            (self.charge_at, self.peak_c) = (charge_at, peak_c);
            self.molten_s = self.molten_s.max(molten_s);
        }
    }

    fn molten_after(&self, at: Micros, molten_above_c: f64) -> f64 {
        let mut before: Option<Reading> = None;
        let mut molten = 0.0;
        for r in self.history.between(at, Micros(i64::MAX)) {
            if let Some(b) = before
                && f64::midpoint(b.value, r.value) >= molten_above_c
            {
                molten += r.at.seconds_since(b.at).clamp(0.0, MOLTEN_GAP_S);
            }
            before = Some(r);
        }
        molten
    }

    /// Time above `molten_above_c` between the last charge and `at`, which is not long ago, s.
    pub fn molten_until(&self, at: Micros, molten_above_c: f64) -> f64 {
        (self.molten_s - self.molten_after(at, molten_above_c)).max(0.0)
    }

    /// The same where what is suspected at `at` may itself be what was last taken for a charge.
    pub fn molten_before(&self, at: Micros, molten_above_c: f64) -> f64 {
        let doubtful = self
            .charge_at
            .is_some_and(|c| at.seconds_since(c) < CHARGE_WITHIN_S);
        let before = if doubtful { self.before_charge.2 } else { 0.0 };
        self.molten_until(at, molten_above_c).max(before)
    }

    /// The highest mean of 5 s since the last charge, °C.
    pub fn peak_c(&self) -> Option<f64> {
        self.peak_c
    }

    /// The highest mean of 5 s from time to time, °C, as far as the last ten minutes are
    /// remembered.
    pub fn highest_c(&self, from: Micros, to: Micros) -> Option<f64> {
        let between = self.bins.iter().filter(|b| (from..=to).contains(&b.at));
        between.map(|b| b.value).reduce(f64::max)
    }

    /// The probe's noise, K.
    pub fn noise_k(&self) -> f64 {
        self.noise_k.max(0.2)
    }

    /// The usual time between readings, s.
    pub fn step_s(&self) -> f64 {
        self.step_s
    }

    /// Whether the probe is out of the metal, as far as its jumps tell.
    pub fn probe_is_out(&self) -> bool {
        self.out.is_some()
    }

    /// The stage by the melt alone.
    pub fn stage(&self) -> Stage {
        self.stage
    }

    fn slope_k_s(&self) -> Option<f64> {
        let from = self.bins.len().saturating_sub(SLOPE_BINS);
        let (first, last) = (self.bins.get(from)?, self.bins.back()?);
        let span = last.at.seconds_since(first.at);
        (span >= 20.0).then(|| (last.value - first.value) / span)
    }

    fn stage_now(&self, melt_c: f64, molten_above_c: f64) -> Stage {
        if melt_c < COLD_C - if self.stage == Stage::Cold { 0.0 } else { 10.0 } {
            return Stage::Cold;
        }
        if self.fall.is_some_and(|fall| !fall.too_long) {
            return Stage::Charging;
        }
        let molten_from = molten_above_c
            - if self.stage == Stage::Molten {
                5.0
            } else {
                0.0
            };
        if melt_c >= molten_from {
            return Stage::Molten;
        }
        let slope = self.slope_k_s();
        let cooling_until = if self.stage == Stage::Cooling {
            HEATING_K_S
        } else {
            COOLING_K_S
        };
        if slope.is_some_and(|s| s <= cooling_until) {
            return Stage::Cooling;
        }
        if self.charge_at.is_some() || melt_c >= molten_above_c - MELTING_RANGE_K {
            Stage::Melting
        } else {
            Stage::Warming
        }
    }
}
