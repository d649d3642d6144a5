//! Whole shops drawn as tables of flasks, dated and in sessions, with a stated truth: what the
//! evidence is measured against. No traces: thousands of shops of years each are needed, and
//! what detection does to the settings is measured elsewhere ([`crate::drawn`]).
//!
//! A shop is drawn in two steps, so that a trap can be set between them: [`pours`] says what was
//! poured when and how, [`counted`] what became of the pieces. One seed and one [`Plan`] give
//! one shop, always the same. Nothing here knows how evidence is judged.
//!
//! | module | what it holds |
//! |---|---|
//! | [`truth`] | what heat does to a piece |
//! | [`plan`] | how big a shop is, what it casts, how it scatters, each figure with its reason |
//! | `pouring` | sessions and the settings of their flasks |
//! | `counting` | pieces lost, and who looked at them |
//! | [`traps`] | shops made to mislead |

mod counting;
pub mod plan;
mod pouring;
pub mod traps;
pub mod truth;

use analysis::flask::Flask;

pub use counting::counted;
pub use plan::{Line, Plan};
pub use pouring::{Poured, pours};
pub use truth::{CENTRE_C, Heat};

/// How much one drawn shop differs from others.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Nature {
    /// SD of the session effect, logit.
    pub session_sd: f64,
    /// Correlation of the pieces of one flask within a session.
    pub flask_correlation: f64,
    /// SD of the wandering target, K.
    pub target_sd_k: f64,
    /// SD of pours around their target, K.
    pub within_sd_k: f64,
}

/// A shop with its flasks, and the truth behind them.
#[derive(Clone, Debug)]
pub struct Ledger {
    /// Its seed.
    pub seed: u64,
    /// In order of time.
    pub flasks: Vec<Flask>,
    /// What it casts.
    pub lines: Vec<Line>,
    /// How it scatters.
    pub nature: Nature,
    /// How much hotter the melt is than the probe reads by now, K.
    pub reads_low_k: f64,
}

impl Ledger {
    /// The rate that this shop sees in the long run, by line and pour temperature as read on the
    /// probe of today.
    pub fn rate(&self, line: usize, read_c: f64) -> f64 {
        let pour_c = read_c + self.reads_low_k;
        self.lines[line].heat.rate(pour_c, self.nature.session_sd)
    }
}

/// The shop of a seed.
pub fn draw(seed: u64, plan: &Plan) -> Ledger {
    let poured = pours(seed, plan);
    Ledger {
        seed,
        flasks: counted(seed, plan, &poured),
        lines: plan.lines.clone(),
        nature: plan.nature(seed),
        reads_low_k: 0.0,
    }
}

/// The shop of a seed when some flasks are told what to aim at, as in a trial: °C by the session's
/// number and the flask's place in it, both from 0, and as ever where there is none. Pours still
/// scatter around that as this shop's do, and all else is as [`draw`] has it.
pub fn draw_aimed(seed: u64, plan: &Plan, aim_c: impl Fn(usize, usize) -> Option<f64>) -> Ledger {
    let mut poured = pours(seed, plan);
    let (mut session, mut place) = (usize::MAX, 0);
    for p in &mut poured {
        place = if p.session == session { place + 1 } else { 0 };
        session = p.session;
        if let Some(aim) = aim_c(session, place) {
            p.pour_c += aim - p.aim_c;
            p.read_c = p.pour_c;
            p.aim_c = aim;
        }
    }
    Ledger {
        seed,
        flasks: counted(seed, plan, &poured),
        lines: plan.lines.clone(),
        nature: plan.nature(seed),
        reads_low_k: 0.0,
    }
}
