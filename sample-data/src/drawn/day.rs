//! The caster's day in a drawn session: a clock that steps furnace, probe, chamber and sensors
//! by a twentieth of a second, and the waiting in between. What is done with each flask is in
//! `pouring.rs`.

use analysis::sample::Sample;
use analysis::time::Micros;

use super::plan::{BenchDraw, FlaskDraw};
use super::probe::Probe;
use super::sensors::{Moment, Sensors};
use super::truth::{CLEAN_S, CLEAN_STEP_S, DrawnFlask, DrawnPour, DrawnPull, DrawnTruth};
use super::{Mix, Trouble};
use crate::chamber::Chamber;
use crate::dice::Dice;
use crate::furnace::Furnace;
use crate::kiln::{Burnout, Opening};

/// Step of the physics, s: as fine as the fastest sensor.
pub(crate) const DT: f64 = CLEAN_STEP_S;
/// How far below the next pour the furnace waits, K.
const WAIT_BELOW_K: f64 = 35.0;
/// No session is longer than this, s.
const LONGEST_S: f64 = 4.0 * 3600.0;
/// An unseated flask hisses; others are steady, kPa.
const HISS_KPA: f64 = 1.2;
const STEADY_KPA: f64 = 0.12;

/// What a day leaves behind.
pub(crate) struct Done {
    pub readings: Vec<Sample>,
    pub truth: DrawnTruth,
}

/// Where the set point goes.
#[derive(Clone, Copy, Debug)]
pub(crate) enum SetPoint {
    Off,
    At(f64),
    /// From so many °C at so many s on by so many K/s.
    Ramp {
        from_c: f64,
        since_s: f64,
        k_s: f64,
    },
}

/// The day.
pub(crate) struct Day<'a> {
    pub bench: &'a BenchDraw,
    pub mix: &'a Mix,
    pub seed: u64,
    pub chance: Dice,
    pub furnace: Furnace,
    pub probe: Probe,
    pub chamber: Chamber,
    pub t: f64,
    pub set_point: SetPoint,
    /// Metal of the flask in work, kg.
    pub full_kg: f64,
    /// Stopper lifted until, s; kg/s that leave meanwhile.
    pub lifted_until_s: f64,
    pub drain_kg_s: f64,
    pub hissing: bool,
    /// Valve to be shut at this time, s, whatever else is done.
    pub shut_at_s: Option<f64>,
    /// Vent to be opened at this time, s.
    pub vent_at_s: Option<f64>,
    pub hold: Option<(f64, f64)>,
    kiln: Burnout,
    door_until_s: f64,
    neighbour_pulls_s: f64,
    sensors: Sensors,
    /// The probe without noise at each step, °C.
    clean_c: Vec<f64>,
    pub pours: Vec<DrawnPour>,
    pub pulls: Vec<DrawnPull>,
    pub flasks: Vec<DrawnFlask>,
    pub poured_before: u32,
}

impl<'a> Day<'a> {
    pub fn new(bench: &'a BenchDraw, mix: &'a Mix, seed: u64) -> Day<'a> {
        let mut chance = Dice::new(seed, 21);
        let mut furnace = Furnace::cold(bench.heat, bench.room_c);
        if bench.has(Trouble::HotMachine) {
            let hot = bench.heat.liquidus_c - chance.between(10.0, 120.0);
            furnace.crucible_c = hot;
            furnace.probe_c = hot;
        }
        let mut probe = Probe::settled(furnace.crucible_c, bench.lag_s, bench.metal_share);
        probe.offset_k = bench.offset_k;
        let neighbour_pulls_s = if bench.has(Trouble::TwoMachines) {
            chance.between(0.0, 300.0)
        } else {
            f64::INFINITY
        };
        Day {
            bench,
            mix,
            seed,
            furnace,
            probe,
            chamber: Chamber::vented(),
            t: 0.0,
            set_point: SetPoint::Off,
            full_kg: 0.3,
            lifted_until_s: f64::NEG_INFINITY,
            drain_kg_s: 0.0,
            hissing: false,
            shut_at_s: None,
            vent_at_s: None,
            hold: None,
            kiln: Burnout::new(bench.room_c, bench.soak_c),
            door_until_s: f64::NEG_INFINITY,
            neighbour_pulls_s,
            sensors: Sensors::new(bench, seed),
            clean_c: Vec::new(),
            chance,
            pours: Vec::new(),
            pulls: Vec::new(),
            flasks: Vec::new(),
            poured_before: bench.seal.age_pours,
        }
    }

    /// The whole day.
    pub fn run(mut self) -> Done {
        let (fewest, most) = self.mix.pours;
        let pours = self.chance.whole(fewest, most);
        let flasks: Vec<FlaskDraw> = (0..pours)
            .map(|i| {
                // A stream for each flask, so that one more draw in one leaves the others be.
                let mut dice = Dice::new(self.seed, 100 + u64::from(i));
                FlaskDraw::draw(&mut dice, self.mix, self.bench, i)
            })
            .collect();
        if let Some(first) = flasks.first() {
            self.set_point = SetPoint::At(first.aim_c - WAIT_BELOW_K);
        }
        let idle_s = self.chance.between(30.0, 150.0);
        self.wait(idle_s);
        for (i, flask) in flasks.iter().enumerate() {
            self.cast(i as u32, flask);
        }
        self.set_point = SetPoint::Off;
        // Some logs end with the power, seconds after the last flask.
        let cut = self.chance.chance(0.12);
        let rest_s = if cut {
            self.chance.between(15.0, 40.0)
        } else {
            self.chance.between(90.0, 420.0)
        };
        self.wait(rest_s);
        let starts = self.bench.starts;
        for pour in &mut self.pours {
            // The first step's reading is that of DT, not of 0.
            let lift = (pour.at.seconds_since(starts) / DT).round() as usize - 1;
            let reach = (CLEAN_S / DT).round() as usize;
            pour.clean_c = (lift.saturating_sub(reach)..=lift + reach)
                .filter_map(|i| self.clean_c.get(i).copied())
                .collect();
        }
        Done {
            readings: self.sensors.readings,
            truth: DrawnTruth {
                troubles: self.bench.troubles.clone(),
                pours: self.pours,
                pulls: self.pulls,
                flasks: self.flasks,
            },
        }
    }

    pub fn now(&self) -> Micros {
        self.bench.starts.plus_seconds(self.t)
    }

    /// Where the furnace waits for the next flask, °C.
    pub fn waiting_c(flask: &FlaskDraw) -> f64 {
        flask.aim_c - WAIT_BELOW_K
    }

    /// What the caster reads, °C.
    pub fn reads_c(&self) -> f64 {
        self.probe.reads_c()
    }

    /// Lets `seconds` pass.
    pub fn wait(&mut self, seconds: f64) {
        let until = self.t + seconds;
        while self.t + DT / 2.0 < until && self.t < LONGEST_S {
            self.step();
        }
    }

    /// Lets time pass until something is so, but no longer than `at_most_s`.
    pub fn wait_until(&mut self, at_most_s: f64, so: impl Fn(&Day<'a>) -> bool) {
        let until = self.t + at_most_s;
        while !so(self) && self.t < until && self.t < LONGEST_S {
            self.step();
        }
    }

    /// Takes a flask out of the kiln.
    pub fn open_kiln(&mut self) {
        let for_s = self.chance.between(10.0, 30.0);
        let dip_k = self.chance.between(40.0, 120.0);
        self.kiln.openings.push(Opening {
            at_s: self.kiln_s(),
            for_s,
            dip_k,
        });
        self.door_until_s = self.t + for_s;
    }

    /// Shuts the valve, if it is open: the flask is vented, or held for a while first.
    pub fn shut_valve(&mut self) {
        self.shut_at_s = None;
        if self.chamber.open.take().is_none() {
            return;
        }
        self.hissing = false;
        let now = self.now();
        let held = self.hold.take();
        self.chamber.held_kpa_min = held.map(|h| h.1);
        self.vent_at_s = held.map(|h| self.t + h.0);
        if let Some(pull) = self.pulls.last_mut() {
            pull.closed_at = now;
            pull.loss_kpa_min = held.map(|h| h.1);
        }
    }

    /// Two hours into the soak as the log begins.
    fn kiln_s(&self) -> f64 {
        Burnout::UNTIL_SOAK_S + 7200.0 + self.t
    }

    fn step(&mut self) {
        self.furnace.set_point_c = match self.set_point {
            SetPoint::Off => None,
            SetPoint::At(c) => Some(c),
            SetPoint::Ramp {
                from_c,
                since_s,
                k_s,
            } => Some(from_c + k_s * (self.t - since_s)),
        };
        let lifted = self.t < self.lifted_until_s;
        if lifted {
            self.furnace.drain(self.drain_kg_s * DT);
        }
        self.furnace.step(DT);
        let full_kg = self.full_kg;
        self.probe
            .step(DT, &self.furnace, &self.bench.heat, full_kg);
        if self.t >= self.neighbour_pulls_s {
            // The other machine opens its valve: the pump has two to serve for some seconds.
            self.neighbour_pulls_s = self.t + self.chance.between(200.0, 700.0);
            let takes = self.chance.between(0.03, 0.22);
            let taken = self.chance.chance(0.5);
            if self.chamber.open.is_some() {
                self.chamber.depth_kpa *= 1.0 - takes;
            }
            if taken {
                self.open_kiln();
            }
        }
        if self.shut_at_s.is_some_and(|at| self.t >= at) {
            self.shut_valve();
        }
        if self.vent_at_s.is_some_and(|at| self.t >= at) {
            self.vent_at_s = None;
            self.chamber.held_kpa_min = None;
        }
        self.chamber.step(DT);
        self.t += DT;
        self.clean_c.push(self.probe.reads_c());
        let moment = Moment {
            melt_c: self.probe.reads_c(),
            depth_kpa: self.chamber.depth_kpa,
            unsteady_kpa: if self.hissing { HISS_KPA } else { STEADY_KPA },
            kiln_c: self.kiln.air_c(self.kiln_s()),
            ambient_kpa: self.bench.ambient_kpa,
            valve: self.chamber.open.is_some(),
            stopper: lifted,
            kiln_door: self.t < self.door_until_s,
        };
        self.sensors.hear(self.bench, self.t, &moment);
    }
}
