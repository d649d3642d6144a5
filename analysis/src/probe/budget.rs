//! How sure the offset of a probe check is, and why: an uncertainty budget in the manner of the
//! Guide (JCGM 100:2008), each line a standard uncertainty in kelvin, so that a caster can see
//! what would make the next check better.

use serde::{Deserialize, Serialize};

use super::metal::Metal;

/// Half the width of a rectangular distribution over this is its standard uncertainty
/// (JCGM 100:2008, 4.3.7).
const RECTANGLE: f64 = 1.732_050_807_568_877_2;
/// Two standard uncertainties hold about 95 % (JCGM 100:2008, G.6.6).
pub const COVERAGE: f64 = 2.0;
/// How long a full crucible's melt trails the wall that takes its heat, s: the heat that 0.3 kg
/// take up per kelvin (0.09 kJ) over the 5 to 20 W/K that liquid metal takes through its wall; a
/// figure of the order that bench furnaces show, common practice.
const TRAILS_S: f64 = 10.0;
/// What the lag of a probe and bins of five seconds hide of an undercooling, K.
const UNSEEN_K: f64 = 1.0;
/// The greatest share that the wall may have in the reading of a probe that sits in the metal; a
/// probe that sees more shows no sharp plateau. An assumption: place matters more than wire
/// (common practice), and nobody has measured it at a bench.
const MOST_WALL_SHARE: f64 = 0.4;
/// What a thermocouple may differ by, in offset, at a temperature that is so many kelvin away,
/// as a share of them: the 0.75 % of class 2 (IEC 60584-1).
const WIRE_SHARE: f64 = 0.0075;

/// The lines of the budget, all standard uncertainties in K.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Budget {
    /// Noise of the readings, through the line that was fitted.
    pub fit_k: f64,
    /// The plateau's tilt between its beginning, where it counts, and where it could be read.
    pub tilt_k: f64,
    /// Resolution of the readings: half a step either way.
    pub resolution_k: f64,
    /// Purity of the metal ([`Metal::freezes_lower_by_up_to_k`]).
    pub purity_k: f64,
    /// Where the probe sits: it sees some of the wall, which is colder while it takes heat out.
    pub position_k: f64,
}

/// How far the wall is behind the metal as a freeze sets in, and what a probe that sees some of
/// it reads low for that.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Behind {
    /// What the probe reads low, K; the level is put right by it.
    pub reads_low_k: f64,
    /// Its standard uncertainty, K: that of anything between nothing and twice the figure.
    pub uncertainty_k: f64,
}

impl Behind {
    /// For a melt that cooled by `slope_before_k_s` and by `undercooling_k` below its freezing
    /// point. As the metal comes back to its freezing point the wall stays where it was: lower by
    /// the undercooling and by what the melt trailed it by. How much of the wall the probe sees
    /// does not show in the trace; between nothing and `MOST_WALL_SHARE` is taken.
    pub fn of(undercooling_k: f64, slope_before_k_s: f64) -> Behind {
        let wall_k = undercooling_k + UNSEEN_K + TRAILS_S * slope_before_k_s.abs();
        let half = MOST_WALL_SHARE / 2.0 * wall_k;
        Behind {
            reads_low_k: half,
            uncertainty_k: half / RECTANGLE,
        }
    }
}

impl Budget {
    /// The budget of a freeze.
    pub fn of(metal: Metal, fit_k: f64, tilt_k: f64, step_k: f64, behind: &Behind) -> Budget {
        Budget {
            fit_k,
            tilt_k: tilt_k.abs() / RECTANGLE,
            resolution_k: step_k / 2.0 / RECTANGLE,
            purity_k: metal.freezes_lower_by_up_to_k() / RECTANGLE,
            position_k: behind.uncertainty_k,
        }
    }

    /// All together, K: the root of the sum of squares (JCGM 100:2008, 5.1.2).
    pub fn standard_uncertainty_k(&self) -> f64 {
        let of = self;
        let lines = [
            of.fit_k,
            of.tilt_k,
            of.resolution_k,
            of.purity_k,
            of.position_k,
        ];
        lines.iter().map(|u| u * u).sum::<f64>().sqrt()
    }
}

/// The standard uncertainty of a correction where the pour was hotter or cooler than the check,
/// K: that of the check, and what the wire may differ by over the way between.
pub fn at_another_temperature_k(offset_sd_k: f64, checked_c: f64, poured_c: f64) -> f64 {
    let wire_k = WIRE_SHARE * (poured_c - checked_c).abs() / RECTANGLE;
    offset_sd_k.hypot(wire_k)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_lines_add_as_their_squares_do() {
        let budget = Budget {
            fit_k: 0.3,
            tilt_k: 0.4,
            resolution_k: 0.0,
            purity_k: 1.2,
            position_k: 0.0,
        };
        assert!((budget.standard_uncertainty_k() - 1.3).abs() < 1e-12);
    }

    /// Steps of 1 °F are 0.556 K: 0.16 K. Fine silver of 999 that freezes up to 1.1 K low:
    /// 0.64 K. Undercooled by 2 K and cooling by 3 K a minute the wall is 3.5 K behind, of which a
    /// probe that sees nothing to four tenths of it reads 0.7 ± 0.4 K.
    #[test]
    fn a_good_check_of_fine_silver_is_good_to_two_kelvin() {
        let behind = Behind::of(2.0, -0.05);
        assert!((behind.reads_low_k - 0.7).abs() < 1e-9);
        let budget = Budget::of(Metal::FineSilver, 0.1, 0.3, 5.0 / 9.0, &behind);
        assert!((budget.resolution_k - 0.16).abs() < 0.01);
        assert!((budget.purity_k - 0.64).abs() < 0.01);
        assert!((budget.position_k - 0.40).abs() < 0.01);
        assert!(COVERAGE * budget.standard_uncertainty_k() < 2.0);
    }

    /// From the eutectic to a sterling pour at 970 °C are 191 K: 0.83 K of standard uncertainty.
    #[test]
    fn a_check_at_the_eutectic_says_less_of_a_pour_than_one_in_fine_silver() {
        let silver = at_another_temperature_k(0.8, 961.78, 970.0);
        let eutectic = at_another_temperature_k(0.8, 779.1, 970.0);
        assert!(silver < 0.81);
        assert!((eutectic - 1.15).abs() < 0.01, "{eutectic}");
    }
}
