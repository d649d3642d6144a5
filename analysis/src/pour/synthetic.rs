//! A small bench for tests: traces made from the plain physics of a melt, a probe and a pump,
//! with a truth to hold the detector against. Constants are common practice where no source is
//! named.

use crate::channel::Channel;
use crate::sample::{Quality, Sample};
use crate::time::Micros;

/// Normal noise from a counter (SplitMix64, Steele et al. 2014, and Box–Muller).
pub(crate) struct Noise(u64);

impl Noise {
    pub fn new(seed: u64) -> Noise {
        Noise(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15))
    }
    pub fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }
    pub fn normal(&mut self) -> f64 {
        let (u, v) = (self.uniform(), self.uniform());
        (-2.0 * (1.0 - u).ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }
}

/// Midnight of an invented day.
pub(crate) const DAY: Micros = Micros(1_795_000_000_000_000);

/// Seconds of that day.
pub(crate) fn at(s: f64) -> Micros {
    DAY.plus_seconds(s)
}

/// What happens to the melt, each from its time on.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Act {
    /// Heat (or cool) at so many K/s towards a set point, °C, and hold there.
    Heat(f64, f64),
    /// Cold metal: the melt loses so many K with a time constant of 25 s.
    Charge(f64),
    /// Metal leaves: the melt at the probe loses so many K with a time constant of so many s.
    Pour(f64, f64),
    /// A stir: down by so many K, back after 12 s.
    Stir(f64),
}

/// One spell of vacuum.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Spell {
    pub open: f64,
    pub shut: f64,
    pub end_kpa: f64,
    pub tau: f64,
    /// Loss after the valve is shut, kPa/min, and when the vent opens; vented at once if none.
    pub held: Option<(f64, f64)>,
}

/// The bench.
#[derive(Clone, Debug)]
pub(crate) struct BenchTrace {
    pub seed: u64,
    /// The trace begins here, with the melt at `start_c`.
    pub from_s: f64,
    pub length_s: f64,
    pub rate_hz: f64,
    pub acts: Vec<(f64, Act)>,
    pub spells: Vec<Spell>,
    pub start_c: f64,
    pub lag_s: f64,
    pub noise_k: f64,
    pub step_k: f64,
    pub fahrenheit: bool,
    pub vacuum: bool,
    pub valve: bool,
    pub stopper: bool,
    pub gas: bool,
    pub zero_drift_kpa_h: f64,
    /// How much deeper the pump gets once metal seals the sprue, kPa, and how long after the
    /// lift that is, s.
    pub seal: (f64, f64),
    /// Melt sensor silent from–to.
    pub silent: Vec<(f64, f64)>,
    /// Probe in the air from–to.
    pub out: Vec<(f64, f64)>,
}

impl BenchTrace {
    /// One session with one flask: from 25 °C to a charge and a pour at 1500 s near 968 °C.
    pub fn one_flask() -> BenchTrace {
        BenchTrace {
            seed: 1,
            from_s: 0.0,
            length_s: 2100.0,
            rate_hz: 2.0,
            acts: vec![
                (0.0, Act::Heat(0.9, 968.0)),
                (1110.0, Act::Charge(80.0)),
                (1180.0, Act::Heat(0.28, 968.0)),
                (1500.0, Act::Pour(22.0, 10.0)),
                (1510.0, Act::Heat(0.1, 900.0)),
            ],
            spells: vec![Spell {
                open: 1475.0,
                shut: 1560.0,
                end_kpa: 86.0,
                tau: 5.0,
                held: None,
            }],
            start_c: 25.0,
            lag_s: 2.5,
            noise_k: 0.5,
            step_k: 0.1,
            fahrenheit: false,
            vacuum: true,
            valve: false,
            stopper: false,
            gas: true,
            zero_drift_kpa_h: 0.0,
            seal: (0.0, 2.0),
            silent: vec![],
            out: vec![],
        }
    }

    /// The readings, in no particular order.
    pub fn samples(&self) -> Vec<Sample> {
        let mut noise = Noise::new(self.seed);
        let mut out = Vec::new();
        let mut send = |t: f64, channel: Channel, value: f64| {
            out.push(Sample {
                time: at(t),
                channel,
                value,
                quality: Quality::Good,
            });
        };
        let phase = noise.uniform() / self.rate_hz;
        let dt = 0.05;
        let (mut base, mut probe) = (self.start_c, self.start_c);
        // Each loss fades in with its own time constant: (left to lose, tau).
        let mut losses: Vec<(f64, f64)> = Vec::new();
        let mut stirs: Vec<(f64, f64)> = Vec::new();
        let (mut rate, mut goal) = (0.0, self.start_c);
        let mut acts = self.acts.iter().peekable();
        let mut next = self.from_s + phase;
        let steps = ((self.length_s - self.from_s) / dt) as u32;
        for i in 0..steps {
            let t = self.from_s + f64::from(i) * dt;
            while let Some((when, act)) = acts.next_if(|a| a.0 <= t) {
                match *act {
                    Act::Heat(r, g) => (rate, goal) = (r, g),
                    Act::Charge(k) => losses.push((k, 25.0)),
                    Act::Pour(k, tau) => losses.push((k, tau)),
                    Act::Stir(k) => stirs.push((*when, k)),
                }
            }
            let step = (goal - base).clamp(-rate * dt, rate * dt);
            base += step;
            for (left, tau) in &mut losses {
                let gone = *left * dt / *tau;
                *left -= gone;
                base -= gone;
            }
            let stirred: f64 = stirs
                .iter()
                .filter(|s| (0.0..12.0).contains(&(t - s.0)))
                .map(|s| s.1)
                .sum();
            let in_air = self.out.iter().any(|o| t >= o.0 && t < o.1);
            let seen = if in_air { 180.0 } else { base - stirred };
            if in_air || (probe - seen).abs() > 150.0 {
                probe = seen;
            } else {
                probe += (seen - probe) * dt / self.lag_s.max(dt);
            }
            if t + 1e-9 < next {
                continue;
            }
            next += 1.0 / self.rate_hz;
            let silent = self.silent.iter().any(|s| t >= s.0 && t < s.1);
            if !silent {
                let raw = probe + self.noise_k * noise.normal();
                let read = if self.fahrenheit {
                    ((raw * 1.8 + 32.0).round() - 32.0) / 1.8
                } else {
                    (raw / self.step_k).round() * self.step_k
                };
                send(t, Channel::MeltTemperature, read);
            }
            if self.vacuum {
                let depth = self.depth(t) + self.zero_drift_kpa_h * t / 3600.0;
                send(t, Channel::Vacuum, depth + 0.15 * noise.normal());
            }
            if self.gas {
                send(t, Channel::GasFlow, 3.0 + 0.05 * noise.normal());
            }
        }
        if self.valve {
            send(self.from_s, Channel::VacuumValve, 0.0);
            for s in &self.spells {
                send(s.open, Channel::VacuumValve, 1.0);
                send(s.shut, Channel::VacuumValve, 0.0);
            }
        }
        if self.stopper {
            send(self.from_s, Channel::Stopper, 0.0);
            for (t, act) in &self.acts {
                if let Act::Pour(..) = act {
                    send(*t, Channel::Stopper, 1.0);
                    send(*t + 4.0, Channel::Stopper, 0.0);
                }
            }
        }
        out
    }

    fn depth(&self, t: f64) -> f64 {
        let (gain, after) = self.seal;
        let sealed_at = self
            .acts
            .iter()
            .filter(|a| matches!(a.1, Act::Pour(..)))
            .map(|a| a.0 + after)
            .collect::<Vec<f64>>();
        self.spells
            .iter()
            .map(|s| {
                if t < s.open {
                    return 0.0;
                }
                let sealed = |t: f64| {
                    let sealed = sealed_at.iter().filter(|at| (s.open..s.shut).contains(at));
                    sealed
                        .map(|at| gain * (1.0 - (-(t - at).max(0.0) / s.tau).exp()))
                        .sum::<f64>()
                };
                let reached =
                    |t: f64| s.end_kpa * (1.0 - (-(t - s.open) / s.tau).exp()) + sealed(t);
                if t < s.shut {
                    return reached(t);
                }
                let (loss, vent) = s.held.unwrap_or((0.0, s.shut));
                let held = reached(s.shut) - loss * (t.min(vent) - s.shut) / 60.0;
                if t < vent {
                    held
                } else {
                    held * (-(t - vent) / 1.0).exp()
                }
            })
            .fold(0.0, f64::max)
    }
}
