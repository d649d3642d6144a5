//! The stated truth from which defects are drawn.
//!
//! For every piece, each kind of defect has a probability. Two groups follow the pour: the cold
//! side (no-fill, cold-shut) falls with heat and with vacuum, the hot side (gas-porosity,
//! rough-surface) rises with heat, with remelt and with lost cover gas. A session and a flask
//! effect move both groups together. The rest are nuisances that no pour setting changes.
//!
//! Directions are those of trade handbooks and supplier defect tables (misruns fall, gas and
//! investment reaction rise with metal and flask temperature; trade knowledge, widely
//! published). The sizes are invented: nobody has published them for such a bench.

use serde::{Deserialize, Serialize};

/// Kinds on the shop's form, in its order.
pub const KINDS: [&str; 8] = [
    "no-fill",
    "cold-shut",
    "gas-porosity",
    "rough-surface",
    "shrinkage",
    "nodule",
    "watermark",
    "broken-pattern",
];

/// Kinds that may steer the pour temperature.
pub const STEERING: [&str; 5] = [
    "no-fill",
    "cold-shut",
    "gas-porosity",
    "rough-surface",
    "shrinkage",
];

/// Coefficients of one alloy and section, on the logit scale per piece.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Coefficients {
    /// Where the two temperature terms are centred, °C.
    pub centre_pour_c: f64,
    /// Where the flask terms are centred, °C.
    pub centre_flask_c: f64,
    /// Logit of the cold side at the centre.
    pub cold_at_centre: f64,
    /// Fall of the cold side's logit per K of pour temperature.
    pub cold_per_k: f64,
    /// Fall of the cold side's logit per K of flask temperature.
    pub cold_per_flask_k: f64,
    /// Logit of the hot side at the centre.
    pub hot_at_centre: f64,
    /// Rise of the hot side's logit per K of pour temperature.
    pub hot_per_k: f64,
    /// Rise of the hot side's logit per K of flask temperature.
    pub hot_per_flask_k: f64,
}

/// What holds for every alloy and section.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Common {
    /// Rise of the cold side's logit per 0.1 of vacuum share short of [`Common::usual_share`].
    pub cold_per_tenth_share_short: f64,
    /// The vacuum share at which that term is zero.
    pub usual_share: f64,
    /// Rise of the cold side's logit per 100 pours on the gasket, beyond what its vacuum says.
    pub cold_per_100_pours_of_seal: f64,
    /// Rise of the hot side's logit per 10 % of remelt over 40 %.
    pub hot_per_tenth_remelt: f64,
    /// Rise of the hot side's logit when the cover gas was lost.
    pub hot_if_gas_lost: f64,
    /// SD of the session effect, logit.
    pub session_sd: f64,
    /// SD of the flask effect, logit.
    pub flask_sd: f64,
    /// Share of the cold side that shows as a cold shut, the rest being no-fill.
    pub cold_shut_share: f64,
    /// Share of the hot side that shows as a rough surface, the rest being gas porosity.
    pub rough_share: f64,
    /// Probability per piece of shrinkage.
    pub shrinkage: f64,
    /// Probability per piece of a nodule.
    pub nodule: f64,
    /// Probability per piece of a watermark.
    pub watermark: f64,
    /// Probability per piece of a broken pattern.
    pub broken_pattern: f64,
}

/// The shop's [`Common`] truth.
pub const COMMON: Common = Common {
    cold_per_tenth_share_short: 0.7,
    usual_share: 0.90,
    cold_per_100_pours_of_seal: 0.3,
    hot_per_tenth_remelt: 0.12,
    hot_if_gas_lost: 1.2,
    session_sd: 0.5,
    flask_sd: 0.5,
    cold_shut_share: 0.25,
    rough_share: 0.3,
    shrinkage: 0.004,
    nodule: 0.006,
    watermark: 0.004,
    broken_pattern: 0.005,
};

/// The settings one flask was really poured with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings {
    /// Metal as the stopper lifted, °C.
    pub pour_c: f64,
    /// Mould where the pieces hang, °C.
    pub flask_c: f64,
    /// Vacuum share at the pour, 0–1.
    pub share: f64,
    /// Pours on the gasket.
    pub seal_age_pours: u32,
    /// Old metal, %.
    pub remelt_percent: f64,
    /// Whether the cover gas was lost.
    pub gas_lost: bool,
    /// Session effect plus flask effect, logit.
    pub effect: f64,
}

/// Probabilities for one piece.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Odds {
    /// Of a defect on the cold side.
    pub cold: f64,
    /// Of a defect on the hot side.
    pub hot: f64,
}

impl Odds {
    /// Of at least one defect of a kind that may steer the pour. Shrinkage may, as far as the
    /// inspection can tell, though in this truth heat has no part in it.
    pub fn steering(self) -> f64 {
        1.0 - (1.0 - self.cold) * (1.0 - self.hot) * (1.0 - COMMON.shrinkage)
    }
}

/// The probabilities that these settings give a piece.
pub fn odds(of: &Coefficients, with: &Settings) -> Odds {
    let warmer = with.pour_c - of.centre_pour_c;
    let flask_warmer = with.flask_c - of.centre_flask_c;
    let cold = of.cold_at_centre - of.cold_per_k * warmer - of.cold_per_flask_k * flask_warmer
        + COMMON.cold_per_tenth_share_short * (COMMON.usual_share - with.share) / 0.1
        + COMMON.cold_per_100_pours_of_seal * f64::from(with.seal_age_pours) / 100.0
        + with.effect;
    let hot = of.hot_at_centre
        + of.hot_per_k * warmer
        + of.hot_per_flask_k * flask_warmer
        + COMMON.hot_per_tenth_remelt * (with.remelt_percent - 40.0) / 10.0
        + if with.gas_lost {
            COMMON.hot_if_gas_lost
        } else {
            0.0
        }
        + with.effect;
    Odds {
        cold: logistic(cold),
        hot: logistic(hot),
    }
}

/// The pour temperature at which a usual flask has the fewest steering defects, °C: usual
/// vacuum, a gasket half worn (40 pours), 40 % remelt, gas held, both effects at zero, the flask
/// at its centre. Found on a grid of 0.1 K.
pub fn optimum_c(of: &Coefficients) -> f64 {
    let usual = |pour_c: f64| Settings {
        pour_c,
        flask_c: of.centre_flask_c,
        share: COMMON.usual_share,
        seal_age_pours: 40,
        remelt_percent: 40.0,
        gas_lost: false,
        effect: 0.0,
    };
    (-600..=600)
        .map(|tenths| of.centre_pour_c + f64::from(tenths) / 10.0)
        .min_by(|a, b| {
            odds(of, &usual(*a))
                .steering()
                .total_cmp(&odds(of, &usual(*b)).steering())
        })
        .unwrap_or(of.centre_pour_c)
}

fn logistic(x: f64) -> f64 {
    1.0 / (1.0 + (-x).exp())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::shop::COEFFICIENTS;

    fn settings(of: &Coefficients) -> Settings {
        Settings {
            pour_c: of.centre_pour_c,
            flask_c: of.centre_flask_c,
            share: 0.9,
            seal_age_pours: 10,
            remelt_percent: 40.0,
            gas_lost: false,
            effect: 0.0,
        }
    }

    /// Directions as every published defect table has them.
    #[test]
    fn misruns_fall_and_gas_rises_with_heat() {
        for (_, _, of) in &COEFFICIENTS {
            let at = settings(of);
            let usual = odds(of, &at);
            let hotter = odds(
                of,
                &Settings {
                    pour_c: at.pour_c + 10.0,
                    ..at
                },
            );
            assert!(hotter.cold < usual.cold && hotter.hot > usual.hot);
            let warmer_flask = odds(
                of,
                &Settings {
                    flask_c: at.flask_c + 25.0,
                    ..at
                },
            );
            assert!(warmer_flask.cold < usual.cold && warmer_flask.hot > usual.hot);
            let weak = odds(of, &Settings { share: 0.7, ..at });
            assert!(weak.cold > usual.cold && weak.hot == usual.hot);
            let bare = odds(
                of,
                &Settings {
                    gas_lost: true,
                    ..at
                },
            );
            assert!(bare.hot > usual.hot && bare.cold == usual.cold);
        }
    }

    #[test]
    fn the_optimum_is_where_neither_neighbour_is_better() {
        for (_, section, of) in &COEFFICIENTS {
            let best = optimum_c(of);
            let rate = |pour_c| {
                odds(
                    of,
                    &Settings {
                        pour_c,
                        seal_age_pours: 40,
                        ..settings(of)
                    },
                )
                .steering()
            };
            assert!(rate(best) <= rate(best - 1.0) && rate(best) <= rate(best + 1.0));
            assert!((best - of.centre_pour_c).abs() < 8.0, "{section}: {best}");
        }
    }
}
