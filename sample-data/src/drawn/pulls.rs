//! Benches that do nothing but pull: one machine, one size of flask, one gasket; some sessions of
//! flasks that mostly sit well, from which its usual pull can be learnt, then some in which every
//! other flask leaks by a drawn amount, does not sit, or has nothing to pull it.
//!
//! A leak is a small opening. Air through it runs as through any orifice (the ellipse of
//! ISO 6358-1, from memory, with a critical ratio of 0.528): choked, and so the same whatever the
//! depth, from 47 % of the air on, less before. The pump-down of a leaking flask is thus near an
//! exponential and not quite one.

use analysis::sample::Sample;
use analysis::time::Micros;

use super::day::{DT, Done};
use super::plan::BenchDraw;
use super::sensors::{Moment, Sensors};
use super::truth::{DrawnFlask, DrawnPour, DrawnPull, DrawnTruth};
use super::{DrawnSession, Mix, Seal, Trouble, Worth, delivery};
use crate::chamber::Seating;
use crate::dice::Dice;

/// The seeds that verdicts on pulls may be tuned on.
pub const PULLS_TUNING: std::ops::Range<u64> = 2000..2200;
/// The seeds that are kept for their final table.
pub const PULLS_TEST: std::ops::Range<u64> = 31_000..31_200;
/// The ratio of absolute pressures under which air through an opening is choked.
const CHOKED_BELOW: f64 = 0.528;
/// Venting takes 1–3 s (common practice).
const VENT_S: f64 = 0.7;
/// Flasks in a session.
const FLASKS: u32 = 9;
/// Sessions of a bench: those that it is learnt from, and those after.
const LEARNT_FROM: u32 = 2;
const SESSIONS: u32 = 6;
/// Pours that the gasket lasts, as in the other drawn sessions.
const LIFE_POURS: u32 = 120;
/// An unseated flask hisses; others are steady, kPa.
const HISS_KPA: f64 = 1.2;
const STEADY_KPA: f64 = 0.12;

/// A bench and its pulls.
#[derive(Clone, Debug)]
pub struct PullBench {
    /// In order of time; the first [`PullBench::learnt_from`] show what is usual.
    pub sessions: Vec<DrawnSession>,
    /// How many sessions the usual is learnt from.
    pub learnt_from: usize,
    /// When the gasket was changed, before all of them.
    pub gasket_changed_at: Micros,
}

/// How a flask pulls.
#[derive(Clone, Copy, Debug)]
struct Pulls {
    seating: Seating,
    /// Depth it tends to without a leak, kPa, and its time constant, s.
    tight_kpa: f64,
    tau_s: f64,
    /// Depth that a choked leak takes off that, kPa.
    leak_kpa: f64,
}

impl Pulls {
    /// How fast the depth rises at this depth, kPa/s.
    fn rise_kpa_s(&self, depth_kpa: f64, ambient_kpa: f64) -> f64 {
        let ratio = (1.0 - depth_kpa / ambient_kpa).clamp(0.0, 1.0);
        let flow = if ratio <= CHOKED_BELOW {
            1.0
        } else {
            let along = (ratio - CHOKED_BELOW) / (1.0 - CHOKED_BELOW);
            (1.0 - along * along).max(0.0).sqrt()
        };
        (self.tight_kpa - depth_kpa - self.leak_kpa * flow) / self.tau_s
    }
}

/// The bench of a seed, its sensors read `rate_hz` times a second.
pub fn pull_bench(seed: u64, rate_hz: f64, valve_switch: bool) -> PullBench {
    let mut dice = Dice::new(seed, 40);
    let mix = Mix::calm()
        .with(Trouble::ZeroDrift, 0.25)
        .with(Trouble::NoValveSwitch, if valve_switch { 0.0 } else { 1.0 })
        .at_rate(rate_hz);
    let seal = Seal {
        age_pours: 0,
        life_pours: LIFE_POURS,
    };
    let mut bench = BenchDraw::draw(&mut dice, &mix, Some(seal));
    bench.vacuum_hz = rate_hz;
    let usual_share = bench.usual_share;
    let mut day = Micros(1_795_000_000_000_000);
    let gasket_changed_at = day.plus_seconds(-3600.0);
    let mut sessions = Vec::new();
    for number in 0..SESSIONS {
        bench.starts = day.plus_seconds(dice.between(0.0, 3600.0));
        let mut session = Session::new(&bench, seed, number, usual_share);
        session.run(number < LEARNT_FROM);
        let done = session.done();
        bench.seal.age_pours += done.truth.pours.len() as u32;
        let mut drawn = delivery::deliver(seed * 100 + u64::from(number), &bench, done);
        drawn.usual_share = None;
        sessions.push(drawn);
        day = day.plus_seconds(86_400.0);
    }
    PullBench {
        sessions,
        learnt_from: LEARNT_FROM as usize,
        gasket_changed_at,
    }
}

/// One session under way.
struct Session<'a> {
    bench: &'a BenchDraw,
    dice: Dice,
    sensors: Sensors,
    usual_share: f64,
    t: f64,
    depth_kpa: f64,
    pulls_now: Option<Pulls>,
    hissing: bool,
    stopper: bool,
    pours: Vec<DrawnPour>,
    pulls: Vec<DrawnPull>,
}

impl<'a> Session<'a> {
    fn new(bench: &'a BenchDraw, seed: u64, number: u32, usual_share: f64) -> Session<'a> {
        Session {
            bench,
            dice: Dice::new(seed, 41 + u64::from(number)),
            sensors: Sensors::new(bench, seed * 100 + u64::from(number)),
            usual_share,
            t: 0.0,
            depth_kpa: 0.0,
            pulls_now: None,
            hissing: false,
            stopper: false,
            pours: Vec::new(),
            pulls: Vec::new(),
        }
    }

    fn run(&mut self, learning: bool) {
        let first_s = self.dice.between(60.0, 90.0);
        self.wait(first_s);
        for flask in 0..FLASKS {
            let seating = self.seating(learning);
            let pulls = self.draw(seating, learning);
            self.pull(flask, pulls);
        }
        self.wait(90.0);
    }

    fn seating(&mut self, learning: bool) -> Seating {
        let luck = self.dice.between(0.0, 1.0);
        match (learning, luck) {
            (true, p) if p < 0.02 => Seating::Unseated,
            (true, p) if p < 0.10 => Seating::SlowLeak,
            (true, _) => Seating::Good,
            (false, p) if p < 0.12 => Seating::Open,
            (false, p) if p < 0.24 => Seating::Unseated,
            (false, p) if p < 0.54 => Seating::SlowLeak,
            (false, _) => Seating::Good,
        }
    }

    fn draw(&mut self, seating: Seating, learning: bool) -> Pulls {
        let age = f64::from(self.bench.seal.age_pours) + self.pours.len() as f64;
        let worn = age / f64::from(self.bench.seal.life_pours);
        let dice = &mut self.dice;
        // As in the other drawn sessions: flasks of one size differ by about one in a hundred in
        // how much air they let through, pump-downs by one in twenty.
        let share = self.usual_share * (1.0 + dice.near(0.0, 0.012, 0.03));
        let good_kpa = share * (1.0 - 0.18 * worn * worn) * self.bench.ambient_kpa;
        let tau_s = self.bench.tau_s * (1.0 + dice.near(0.0, 0.05, 0.12));
        let short = dice.between(if learning { 0.14 } else { 0.03 }, 0.40);
        let plateau_kpa = dice.between(5.0, 18.0) * 3.386_389;
        let none_kpa = dice.between(0.0, 0.8);
        let (tight_kpa, tau_s, leak_kpa) = match seating {
            Seating::Good => (good_kpa, tau_s, 0.0),
            Seating::SlowLeak => (good_kpa, tau_s, short * good_kpa),
            // Air runs in as fast as the pump takes it: shallower and sooner in one proportion,
            // as long as the opening is wide enough not to choke.
            Seating::Unseated => {
                let end = plateau_kpa.min(0.8 * good_kpa);
                (end, tau_s * end / good_kpa, 0.0)
            }
            Seating::Open => (none_kpa, 1.0, 0.0),
        };
        Pulls {
            seating,
            tight_kpa,
            tau_s,
            leak_kpa,
        }
    }

    fn pull(&mut self, flask: u32, pulls: Pulls) {
        let opened_at = self.now();
        let end_kpa = pulls.tight_kpa - pulls.leak_kpa;
        let usual_kpa = self.usual_share * self.bench.ambient_kpa;
        let age = self.bench.seal.age_pours + self.pours.len() as u32;
        self.pulls_now = Some(pulls);
        self.hissing = pulls.seating == Seating::Unseated;
        let lead_s = self.dice.between(5.0, 60.0);
        self.wait(lead_s);
        // A caster who sees the gauge pours into what looks right; half of the others are called
        // off.
        let called_off = pulls.seating != Seating::Good && self.dice.chance(0.5);
        let poured_at = (!called_off).then(|| self.now());
        if poured_at.is_some() {
            self.pour(flask);
        }
        let hold_s = self.dice.between(20.0, 60.0);
        self.wait(hold_s);
        self.pulls.push(DrawnPull {
            opened_at,
            closed_at: self.now(),
            flask,
            seating: pulls.seating,
            worth: Worth::of(end_kpa, usual_kpa),
            end_kpa,
            usual_kpa,
            tau_s: pulls.tau_s,
            loss_kpa_min: None,
            poured_at,
            seal_age_pours: age,
        });
        self.pulls_now = None;
        self.hissing = false;
        let clearing_s = self.dice.between(75.0, 110.0);
        self.wait(clearing_s);
    }

    fn pour(&mut self, flask: u32) {
        let melt_c = self.melt_c();
        self.pours.push(DrawnPour {
            at: self.now(),
            flask,
            probe_c: melt_c,
            lag_free_c: melt_c,
            metal_c: melt_c,
            gap_s: 0.0,
            clean_c: Vec::new(),
            chill_k: 0.0,
            troubles: self.bench.troubles.clone(),
        });
        self.stopper = true;
        self.wait(2.0);
        self.stopper = false;
        // Metal seals the sprue, and less air comes through the investment.
        let gain = self.dice.between(0.015, 0.045) * self.bench.ambient_kpa;
        if let Some(pulls) = &mut self.pulls_now
            && pulls.tight_kpa > 0.3 * self.bench.ambient_kpa
        {
            pulls.tight_kpa = (pulls.tight_kpa + gain).min(0.97 * self.bench.ambient_kpa);
        }
    }

    fn melt_c(&self) -> f64 {
        self.bench.heat.liquidus_c + 70.0
    }

    fn now(&self) -> Micros {
        self.bench.starts.plus_seconds(self.t)
    }

    fn wait(&mut self, seconds: f64) {
        let until = self.t + seconds;
        while self.t + DT / 2.0 < until {
            let rise = match &self.pulls_now {
                Some(pulls) => pulls.rise_kpa_s(self.depth_kpa, self.bench.ambient_kpa),
                None => -self.depth_kpa / VENT_S,
            };
            self.depth_kpa = (self.depth_kpa + rise * DT).max(0.0);
            self.t += DT;
            let moment = Moment {
                melt_c: self.melt_c(),
                depth_kpa: self.depth_kpa,
                unsteady_kpa: if self.hissing { HISS_KPA } else { STEADY_KPA },
                kiln_c: self.bench.soak_c,
                ambient_kpa: self.bench.ambient_kpa,
                valve: self.pulls_now.is_some(),
                stopper: self.stopper,
                kiln_door: false,
            };
            self.sensors.hear(self.bench, self.t, &moment);
        }
    }

    fn done(self) -> Done {
        let size = DrawnFlask {
            diameter_mm: 89.0,
            height_mm: 130.0,
            metal_kg: 0.3,
        };
        let mut readings: Vec<Sample> = self.sensors.readings;
        readings.sort_by(Sample::total_cmp);
        Done {
            readings,
            truth: DrawnTruth {
                troubles: self.bench.troubles.clone(),
                flasks: vec![size; FLASKS as usize],
                pours: self.pours,
                pulls: self.pulls,
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A leak that takes 30 % ends there, and in between is a little deeper than an exponential
    /// to that end, since it is not choked yet at first.
    #[test]
    fn a_leak_through_a_small_opening_ends_where_it_should() {
        let pulls = Pulls {
            seating: Seating::SlowLeak,
            tight_kpa: 90.0,
            tau_s: 5.0,
            leak_kpa: 27.0,
        };
        let (mut depth, mut early) = (0.0, 0.0);
        for step in 0..2000 {
            depth += pulls.rise_kpa_s(depth, 101.3) * 0.05;
            if step == 79 {
                early = depth;
            }
        }
        assert!((depth - 63.0).abs() < 0.1, "{depth}");
        let exponential = 63.0 * (1.0 - (-4.0_f64 / 5.0).exp());
        assert!((0.0..6.0).contains(&(early - exponential)), "{early}");
    }

    #[test]
    fn a_bench_shows_every_kind_of_pull_and_is_the_same_again() {
        let bench = pull_bench(2000, 1.0, true);
        let again = pull_bench(2000, 1.0, true);
        assert_eq!(bench.sessions, again.sessions);
        let seatings = |s: Seating| {
            let of = |session: &DrawnSession| {
                let pulls = session.truth.pulls.iter();
                pulls.filter(|p| p.seating == s).count()
            };
            bench.sessions.iter().map(of).sum::<usize>()
        };
        for seating in [Seating::Good, Seating::SlowLeak, Seating::Unseated] {
            assert!(seatings(seating) > 0, "{seating:?}");
        }
    }
}
