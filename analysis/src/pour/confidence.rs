//! How sure it is that metal left at a turn: a logistic score over what speaks for and against
//! it. The weights were fitted to the turns of drawn sessions (`sample-data/src/drawn`, the
//! tuning seeds) by penalised maximum likelihood, so that among turns told with 0.8 eight in ten
//! are pours; `detection-table --signs` prints what they were fitted to.

use super::stir::Shapes;
use super::turn::Turn;

/// How many signs there are.
pub(crate) const SIGNS: usize = 18;

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
];

/// What speaks for a turn at zero signs, and how much each sign adds, as logarithms of odds.
const BASE: f64 = -0.95;
const WEIGHTS: [f64; SIGNS] = [
    1.29, -0.91, 0.50, 1.18, -0.20, 1.48, 0.02, 0.0, 1.18, -0.97, -5.0, -2.89, -0.72, -0.47, -4.12,
    -0.85, -3.32, -1.48,
];

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
    /// How far the turn is under what "molten" means, K.
    pub cold_k: f64,
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
            (-seal).clamp(0.0, 2.0),
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
            ((turn.gap_s - 5.0) / 30.0).clamp(0.0, 2.0),
            (around.cold_k / 20.0).clamp(0.0, 3.0),
            ((0.15 - turn.fall_k_s) / 0.15).clamp(0.0, 1.0),
            ((turn.deepest_k - 50.0) / 20.0).clamp(0.0, 2.0) * (0.3 + 0.7 * unseen),
            turn.late_share.clamp(0.0, 1.0) * unseen,
        ];
        for s in &mut signs {
            if !s.is_finite() {
                *s = 0.0;
            }
        }
        Signs(signs)
    }

    /// The valve shut this long after the turn, s: a flask is held for half a minute at least
    /// while it sets (common practice), and a called-off pull is not.
    pub fn held_for(&mut self, seconds: f64) {
        self.0[10] = ((30.0 - seconds) / 20.0).clamp(0.0, 1.0);
    }

    /// The reading later rose this much over the turn, K: a melt that gets hotter was not poured.
    pub fn hotter_after(&mut self, kelvin: f64) {
        self.0[11] = ((kelvin - 2.0) / 10.0).clamp(0.0, 3.0);
    }

    /// Logarithm of the odds that metal left.
    pub fn log_odds(&self) -> f64 {
        BASE + self.0.iter().zip(WEIGHTS).map(|(s, w)| s * w).sum::<f64>()
    }
}
