//! How sure it is that metal left at a turn: a logistic score over what speaks for and against
//! it, one set of weights for each of the three ways in which pulls are known.
//!
//! Of turns close together at most one is a pour, so that the chance of turn i among its rivals is
//! e^(s_i)/(1+Σ e^(s_j)) (conditional logit: McFadden 1974, from memory); where nothing tells of
//! pulls, the chance of a whole choice of turns that are far enough apart is in proportion to
//! e^(Σ s). The weights maximise that likelihood, less a tenth of their squares, over the turns of
//! drawn sessions (`sample-data/src/drawn`, seeds 9000 to 9499 and 31000 to 31499, 3000 to 3149
//! without vacuum sensor and valve switch, 3200 to 3349 with the switch alone), each held to the
//! sign that the trade gives it; `detection-table --signs` prints what they were fitted to. Set by
//! hand: what a missing step takes off is no more than that three flasks in ten show none
//! ([`super::seal`]), while drawn ones all do; what a rise takes off and the way gives; a little
//! for silence, where the drawn sessions hardly speak; more for a move of the melt and less to begin
//! with, since no drawn flask is pressed onto its seal late and hardly any charge goes in while a
//! valve stands open; and the weights where nothing tells of pulls
//! are 0.85 of the fitted, since what was told so with 0.98 was a pour in 0.96.

use super::stir::Shapes;
use super::turn::Turn;

/// How many signs there are.
pub(crate) const SIGNS: usize = 22;

/// The names of the signs, as `detection-table --signs` heads its columns.
pub(crate) const NAMES: [&str; SIGNS] = [
    "seal",
    "no_step",
    "over_stir",
    "like_stir",
    "over_bend",
    "evidence",
    "size",
    "rises",
    "valve_only",
    "no_vacuum",
    "short_hold",
    "hotter_after",
    "hotter_before",
    "gap",
    "cold",
    "slow",
    "deep",
    "late",
    "at_once",
    "held",
    "way",
    "sunk",
];

/// What speaks for a turn at no signs at all, and how much each sign adds, as logarithms of odds.
struct Weights {
    base: f64,
    of: [f64; SIGNS],
}

/// Where the depth of the pull is heard.
const BY_DEPTH: Weights = Weights {
    base: -1.75,
    of: [
        1.88, -1.20, 0.95, 1.20, 0.28, 1.30, 0.66, -1.50, 0.0, 0.0, -3.16, -2.69, -1.35, -1.50,
        -0.30, -0.30, -0.20, 0.0, -4.64, 2.43, 0.50, 0.0,
    ],
};
/// Where only the valve tells of a pull.
const BY_VALVE: Weights = Weights {
    base: -0.80,
    of: [
        0.0, 0.0, 0.58, 1.46, 0.54, 1.71, 0.0, -1.50, 0.0, 0.0, -4.50, -3.30, -1.40, -0.50, -0.84,
        -2.09, -3.89, 0.0, -3.33, 0.0, 0.60, 0.0,
    ],
};
/// Where nothing tells of pulls.
const BY_MELT: Weights = Weights {
    base: -2.64,
    of: [
        0.0, 0.0, 0.25, 0.88, 0.57, 1.32, 0.66, -1.70, 0.0, 0.0, 0.0, -1.36, 0.0, -0.10, -0.88,
        -2.16, -3.76, 0.0, 0.0, 0.0, 0.50, -1.34,
    ],
};

/// Signs at a turn, each scaled so that it lies within a few of zero.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Signs(pub [f64; SIGNS]);

/// What is known of a turn besides its own shape.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Around {
    /// Logarithm of how much likelier the depth makes a lift here than nowhere; none if the
    /// depth cannot tell.
    pub seal_ln: Option<f64>,
    /// The shapes compared.
    pub shapes: Shapes,
    /// A pull is under way by its valve, but moves nothing or nothing is heard of its depth.
    pub valve_only: bool,
    /// Nothing at all is known of pulls.
    pub no_vacuum: bool,
    /// The highest reading of the minutes before over the turn's, K.
    pub hotter_before_k: f64,
    /// The pull hardly pulls: through an open gasket no sprue can be seen to seal.
    pub unseated: bool,
    /// From the opening of the pull, s; none without one.
    pub lead_s: Option<f64>,
    /// How far the turn is under what "molten" means, K.
    pub cold_k: f64,
    /// How far the turn lies under the highest of the seven minutes before, K.
    pub sunk_k: f64,
    /// Logarithm of the odds that a pour moves this probe's reading as the turn does.
    pub way_ln: f64,
}

impl Signs {
    /// The signs of a turn; those of what comes after it are still zero.
    pub fn of(turn: &Turn, around: &Around) -> Signs {
        let sign = |yes: bool| f64::from(u8::from(yes));
        let spread = turn.spread_k.max(0.3);
        let seal = around.seal_ln.unwrap_or(0.0);
        let unseen = sign(around.no_vacuum);
        let mut signs = [
            (seal / 3.0).clamp(0.0, 3.0),
            if around.unseated {
                0.0
            } else {
                (-seal).clamp(0.0, 1.2)
            },
            (around.shapes.over_stir / 4.0).clamp(0.0, 3.0),
            (around.shapes.over_stir / 4.0).clamp(-3.0, 0.0),
            (around.shapes.over_bend / 4.0).clamp(-1.0, 3.0),
            (turn.evidence.max(0.1) / 14.0).ln().clamp(-2.0, 2.0),
            (turn.deepest_k.max(0.1) / (3.0 * spread))
                .ln()
                .clamp(-2.0, 1.5),
            sign(turn.rises),
            sign(around.valve_only),
            unseen,
            0.0,
            0.0,
            (around.hotter_before_k / 20.0).clamp(0.0, 3.0),
            ((turn.gap_s - 5.0) / 15.0).clamp(0.0, 4.0),
            (around.cold_k / 20.0).clamp(0.0, 3.0),
            ((0.15 - turn.fall_k_s) / 0.15).clamp(0.0, 1.0),
            ((turn.deepest_k - 50.0) / 20.0).clamp(0.0, 2.0)
                * (0.3 + 0.7 * unseen.max(sign(around.valve_only))),
            turn.late_share.clamp(0.0, 1.0) * unseen,
            around
                .lead_s
                .map_or(0.0, |s| ((6.0 - s) / 4.0).clamp(0.0, 1.5)),
            0.0,
            (around.way_ln / 4.0).clamp(-3.0, if turn.rises { 3.0 } else { 0.0 }),
            (around.sunk_k / 20.0).clamp(0.0, 3.0) * unseen,
        ];
        for s in &mut signs {
            if !s.is_finite() {
                *s = 0.0;
            }
        }
        Signs(signs)
    }

    /// The valve shut this long after the turn, s: a flask is held for half a minute at least
    /// while it sets (common practice), and a called-off pull is not; `good`: a flask sat on it.
    pub fn held_for(&mut self, seconds: f64, good: bool) {
        self.0[10] = ((30.0 - seconds) / 20.0).clamp(0.0, 1.0);
        self.0[19] = f64::from(u8::from(good && seconds >= 30.0));
    }

    /// The reading later rose this much over the turn, K: a melt that gets hotter was not poured.
    pub fn hotter_after(&mut self, kelvin: f64) {
        self.0[11] = ((kelvin - 2.0) / 10.0).clamp(0.0, 3.0);
    }

    /// Logarithm of the odds that metal left.
    pub fn log_odds(&self) -> f64 {
        let weights = if self.0[9] > 0.5 {
            BY_MELT
        } else if self.0[8] > 0.5 {
            BY_VALVE
        } else {
            BY_DEPTH
        };
        let of = self.0.iter().zip(weights.of);
        weights.base + of.map(|(s, w)| s * w).sum::<f64>()
    }
}
