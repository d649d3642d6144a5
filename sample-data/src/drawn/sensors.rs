//! The sensors of a drawn session: readings at their own rates and phases, with noise,
//! resolution, a wandering zero and a few milliseconds of jitter of the sender's clock.

use analysis::channel::Channel;
use analysis::sample::{Quality, Sample};
use analysis::time::Micros;

use super::plan::BenchDraw;
use super::trouble::Trouble;
use crate::dice::Dice;

/// What there is to be sensed at a moment.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Moment {
    /// The probe without noise, °C.
    pub melt_c: f64,
    /// kPa below ambient.
    pub depth_kpa: f64,
    /// How unsteady the depth is, kPa: an unseated flask hisses.
    pub unsteady_kpa: f64,
    pub kiln_c: f64,
    pub ambient_kpa: f64,
    pub valve: bool,
    pub stopper: bool,
    pub kiln_door: bool,
}

/// All sensors of the bench.
#[derive(Debug)]
pub(crate) struct Sensors {
    noise: Dice,
    starts: Micros,
    /// When each is due next, s: melt, vacuum, gas, kiln, barometer, switches.
    due_s: [f64; 6],
    switches: [Option<bool>; 3],
    pub readings: Vec<Sample>,
}

impl Sensors {
    pub fn new(bench: &BenchDraw, seed: u64) -> Sensors {
        let mut noise = Dice::new(seed, 22);
        let periods = Self::periods_s(bench);
        Sensors {
            due_s: periods.map(|p| noise.between(0.0, p)),
            noise,
            starts: bench.starts,
            switches: [None; 3],
            readings: Vec::new(),
        }
    }

    fn periods_s(bench: &BenchDraw) -> [f64; 6] {
        let melt = 1.0 / bench.melt_hz;
        [melt, 1.0 / bench.vacuum_hz, melt.max(1.0), 10.0, 30.0, 60.0]
    }

    /// Takes whatever readings are due at `t` seconds of the session.
    pub fn hear(&mut self, bench: &BenchDraw, t: f64, now: &Moment) {
        let periods = Self::periods_s(bench);
        let mut due = [false; 6];
        for ((due, at), period) in due.iter_mut().zip(&mut self.due_s).zip(periods) {
            if t + 1e-9 >= *at {
                *at += period;
                *due = true;
            }
        }
        if due[0] {
            let melt = now.melt_c + self.noise.normal(0.0, bench.noise_k);
            let shown = match bench.melt_step_k {
                Some(step) => (melt / step).round() * step,
                None => ((melt * 1.8 + 32.0).round() - 32.0) / 1.8,
            };
            self.send(t, Channel::MeltTemperature, shown);
        }
        if due[1] && !bench.has(Trouble::NoVacuumSensor) {
            let zero = bench.zero_kpa + bench.zero_drift_kpa_h * t / 3600.0;
            let depth = now.depth_kpa + zero + self.noise.normal(0.0, now.unsteady_kpa);
            self.send(t, Channel::Vacuum, to_tenth(depth));
        }
        if due[2] {
            let gas = bench.gas_l_min * (1.0 + self.noise.normal(0.0, 0.015));
            self.send(t, Channel::GasFlow, (gas * 100.0).round() / 100.0);
        }
        if due[3] && !bench.has(Trouble::NoKilnSensor) {
            let kiln = now.kiln_c + self.noise.normal(0.0, 0.4);
            self.send(t, Channel::KilnTemperature(0), to_tenth(kiln));
        }
        if due[4] && bench.barometer {
            let air = now.ambient_kpa + self.noise.normal(0.0, 0.005);
            self.send(t, Channel::Barometer, (air * 100.0).round() / 100.0);
        }
        // Switches speak when they change, and every minute.
        let switches = [
            (Trouble::NoValveSwitch, Channel::VacuumValve, now.valve),
            (Trouble::NoStopperSwitch, Channel::Stopper, now.stopper),
            (Trouble::NoKilnSensor, Channel::KilnDoor(0), now.kiln_door),
        ];
        for (i, (missing, channel, on)) in switches.into_iter().enumerate() {
            let fitted = !bench.has(missing) && (i != 2 || bench.kiln_door);
            if fitted && (due[5] || self.switches[i] != Some(on)) {
                self.switches[i] = Some(on);
                self.send(t, channel, f64::from(u8::from(on)));
            }
        }
    }

    fn send(&mut self, t: f64, channel: Channel, value: f64) {
        let time = self
            .starts
            .plus_seconds(t + self.noise.near(0.0, 0.004, 0.012));
        self.readings.push(Sample {
            // Senders stamp to the millisecond.
            time: Micros((time.0 as f64 / 1000.0).round() as i64 * 1000),
            channel,
            // Adding zero turns −0 into 0, which is how a sensor writes it.
            value: value + 0.0,
            quality: Quality::Good,
        });
    }
}

fn to_tenth(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}
