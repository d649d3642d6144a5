//! The metals whose freezing point is known well enough to hold a probe against, and how far an
//! ordinary lot of them may freeze from it.

use serde::{Deserialize, Serialize};

/// A metal that freezes at one temperature.
///
/// Sterling is not among them: it freezes over 893 to 802 °C at equilibrium. Cast faster than
/// copper can even out in the solid, its last 13 % or so are eutectic and freeze at the
/// eutectic's own temperature (Scheil's equation; reckoned from published thermodynamic data),
/// so a crucible of sterling left to freeze may show a short arrest there, and shows none when
/// it froze slowly enough. A charge of the eutectic itself shows it whole.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Metal {
    /// Silver of at least 999 parts in a thousand.
    FineSilver,
    /// Silver with 28.1 % copper by weight, or the last of a poorer alloy to freeze.
    SilverCopperEutectic,
}

impl Metal {
    /// Both.
    pub const ALL: [Metal; 2] = [Metal::FineSilver, Metal::SilverCopperEutectic];

    /// Where it freezes, °C: silver 961.78 (a defining fixed point of the International
    /// Temperature Scale of 1990), the silver–copper eutectic 779.1 (Subramanian and Perepezko,
    /// J. Phase Equilibria 14 (1993) 62, from memory).
    pub fn freezes_c(self) -> f64 {
        match self {
            Metal::FineSilver => 961.78,
            Metal::SilverCopperEutectic => 779.1,
        }
    }

    /// How far below that an ordinary lot may freeze, K; above it none does.
    ///
    /// Fine silver is sold as 999 or better. By Raoult's law a mole fraction x of something that
    /// stays in the liquid lowers the freezing point by R·T²·x/L = 1122 K · x (R 8.314 J/(mol·K),
    /// T 1234.93 K, L 11.30 kJ/mol; the latter from memory); one part of copper in a thousand by
    /// weight is x = 0.0017, and copper, of which some 40 % go into the solid, lowers it by about
    /// 1.1 K. For the eutectic 0.7 K stand for the spread of published values (779 to 780 °C) and
    /// for traces of a third metal.
    pub fn freezes_lower_by_up_to_k(self) -> f64 {
        match self {
            Metal::FineSilver => 1.1,
            Metal::SilverCopperEutectic => 0.7,
        }
    }

    /// Its name for people.
    pub fn words(self) -> &'static str {
        match self {
            Metal::FineSilver => "fine silver",
            Metal::SilverCopperEutectic => "silver-copper eutectic",
        }
    }

    /// Its name in rows and records.
    pub fn word(self) -> &'static str {
        match self {
            Metal::FineSilver => "fine-silver",
            Metal::SilverCopperEutectic => "silver-copper-eutectic",
        }
    }

    /// The metal of this name in records.
    pub fn from_word(word: &str) -> Option<Metal> {
        Metal::ALL.into_iter().find(|m| m.word() == word)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::alloy::Alloys;

    /// ITS-90: silver 961.78 °C. Handbooks: the silver–copper eutectic 779 to 780 °C at about
    /// 28 % copper.
    #[test]
    fn the_metals_freeze_where_the_alloy_table_says() {
        let alloys = Alloys::standard();
        let fine = alloys.find("fine-silver").unwrap().liquidus_c;
        assert!((Metal::FineSilver.freezes_c() - fine).abs() < 0.5);
        assert!((779.0..=780.0).contains(&Metal::SilverCopperEutectic.freezes_c()));
        // Coin silver begins to melt with its eutectic.
        let coin = alloys.find("coin-900").unwrap().solidus_c;
        assert!((Metal::SilverCopperEutectic.freezes_c() - coin).abs() < 0.5);
        for metal in Metal::ALL {
            assert_eq!(Metal::from_word(metal.word()), Some(metal));
            assert_eq!(
                serde_json::to_value(metal).unwrap(),
                serde_json::json!(metal.word())
            );
        }
    }

    /// Cryoscopic constant of silver from its heat of fusion, against 1122 K, and the slope of
    /// the liquidus as the alloy table has it: 7.5 % copper by weight lowers it by 69 K.
    #[test]
    fn a_thousandth_of_copper_lowers_the_freezing_point_by_a_kelvin() {
        let constant = 8.314 * 1234.93_f64.powi(2) / 11_300.0;
        assert!((constant - 1122.0).abs() < 2.0, "{constant}");
        let by_the_table = (961.78 - 893.0) / 75.0;
        let most = Metal::FineSilver.freezes_lower_by_up_to_k();
        assert!((by_the_table - most).abs() < 0.3, "{by_the_table}");
    }
}
