//! Sessions drawn at random, with everything that goes wrong at a bench mixed in and a truth
//! beside them: what the detector of pours and the verdicts on pulls are measured against.
//!
//! The invented shop ([`crate::shop`]) is half a year of a bench that behaves; this is a few
//! hundred short sessions of benches that do not. One seed and one [`Mix`] give one session,
//! always the same. Nothing here knows how anything is detected.
//!
//! | module | what it holds |
//! |---|---|
//! | [`trouble`] | what can go wrong, and how often it does |
//! | `plan` | the bench and its flasks as drawn |
//! | `day`, `pouring` | the caster's day, stepped through furnace, probe and chamber |
//! | [`probe`] | what the junction sees, and how late |
//! | `sensors` | readings of all that |
//! | `delivery` | silences, and readings that come late |
//! | [`truth`] | what really happened |
//! | [`seals`] | shops whose gaskets wear out over fifty pours |
//! | [`pulls`] | benches that do nothing but pull |

mod day;
mod delivery;
mod plan;
mod pouring;
pub mod probe;
pub mod pulls;
pub mod seals;
mod sensors;
pub mod trouble;
pub mod truth;

use analysis::pour::Setup;
use analysis::sample::Sample;
use analysis::time::Micros;
use serde::{Deserialize, Serialize};

use crate::dice::Dice;
use day::Day;
use plan::BenchDraw;
pub use pulls::{PULLS_TEST, PULLS_TUNING, PullBench, pull_bench};
pub use seals::{SealShop, seal_shop};
pub use trouble::{Mix, Trouble};
pub use truth::{CLEAN_S, CLEAN_STEP_S, DrawnFlask, DrawnPour, DrawnPull, DrawnTruth, Worth};

/// The seeds that a detector's constants may be tuned on.
pub const TUNING: std::ops::Range<u64> = 1000..1200;
/// The seeds that are kept for the one final table: nobody looks into these sessions.
pub const TEST: std::ops::Range<u64> = 40_000..40_500;

/// The gasket of a session.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Seal {
    /// Pours on it before the session.
    pub age_pours: u32,
    /// Pours after which it has lost 18 % of its depth.
    pub life_pours: u32,
}

/// What a session is drawn with, beyond its seed.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    /// Which troubles, and how often.
    pub mix: Mix,
    /// When its log begins; drawn if not given.
    pub starts: Option<Micros>,
    /// Its gasket; drawn if not given.
    pub seal: Option<Seal>,
    /// The seed of the machine itself (its air, pump, probe and sensors), for sessions of one
    /// machine; the session's own if not given.
    pub machine: Option<u64>,
}

impl Settings {
    /// This mix, and all else drawn.
    pub fn of(mix: Mix) -> Settings {
        Settings {
            mix,
            starts: None,
            seal: None,
            machine: None,
        }
    }
}

/// One reading on its way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Arrival {
    /// When it arrives.
    pub at: Micros,
    /// What it says.
    pub sample: Sample,
}

/// A drawn session.
#[derive(Clone, Debug, PartialEq)]
pub struct DrawnSession {
    /// Its seed.
    pub seed: u64,
    /// Melt readings per second.
    pub melt_hz: f64,
    /// Vacuum readings per second; 0 without that sensor.
    pub vacuum_hz: f64,
    /// What a detector may be told beforehand: the standard pressure at the shop's height, and
    /// in some sessions the liquidus of the alloy.
    pub setup: Setup,
    /// The share of the air that the machine's good pulls usually reach by its own history;
    /// none in sessions of machines that have too little of one.
    pub usual_share: Option<f64>,
    /// The readings in order of arrival.
    pub arrivals: Vec<Arrival>,
    /// What happened.
    pub truth: DrawnTruth,
}

impl DrawnSession {
    /// The readings as a published trace has them: by channel, then in the total order.
    pub fn trace(&self) -> Vec<Sample> {
        let mut samples: Vec<Sample> = self.arrivals.iter().map(|a| a.sample).collect();
        samples.sort_by(|a, b| a.channel.cmp(&b.channel).then(a.total_cmp(b)));
        samples
    }
}

/// Draws the session of a seed.
pub fn draw(seed: u64, settings: &Settings) -> DrawnSession {
    let machine = settings.machine.unwrap_or(seed);
    let mut dice = Dice::new(machine, 20);
    let mut bench = BenchDraw::draw(&mut dice, &settings.mix, settings.seal);
    if let Some(starts) = settings.starts {
        bench.starts = starts;
    }
    let done = Day::new(&bench, &settings.mix, seed).run();
    delivery::deliver(seed, &bench, done)
}
