//! How much metal a flask needs, from the weight of its wax or resin: so that none pours short,
//! and none melts more than it must. Split into new and old metal by the share of remelt.

/// Density of casting wax, g/cm³. Common practice: 0.92 to 0.98.
pub const WAX_G_CM3: f64 = 0.95;
/// Density of castable resin, g/cm³: 1.09 in one published case; the maker's own goes before it.
/// Taking resin for wax is 15 % off.
pub const RESIN_G_CM3: f64 = 1.09;

/// Added for what is lost and for a button that feeds the tree, as a share of the metal in the
/// tree: common practice, 10 % where the sprue was weighed with the wax.
pub const ALLOWANCE: f64 = 0.10;

/// What is known before the metal is weighed out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tree {
    /// Weight of the tree as invested, sprue included, g.
    pub pattern_g: f64,
    /// Its density, g/cm³: [`WAX_G_CM3`] or the resin's.
    pub pattern_g_cm3: f64,
    /// Density of the solid metal, g/cm³ ([`crate::alloy::Alloy::density_g_cm3`]).
    pub metal_g_cm3: f64,
    /// Added for loss and button, as a share of the metal in the tree: [`ALLOWANCE`] or the
    /// shop's own.
    pub allowance: f64,
    /// Metal that stays behind in a bottom-pouring crucible, g: weighed once and known.
    pub heel_g: f64,
}

/// The metal to weigh out, g.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Charge {
    /// What fills the mould, sprue included.
    pub tree_g: f64,
    /// All of it: tree, allowance and heel.
    pub total_g: f64,
    /// New metal of it.
    pub new_g: f64,
    /// Metal that was melted before.
    pub remelt_g: f64,
}

impl Tree {
    /// The charge for this tree with `remelt_percent` of old metal:
    ///
    /// m = m_pattern · ρ_metal/ρ_pattern · (1 + allowance) + heel
    ///
    /// The allowance goes on the metal and not on the wax; density tables for metal that already
    /// have a margin in them must not get another. `None` unless weights and densities are
    /// positive, allowance and heel at least 0, and the remelt from 0 to 100 %.
    ///
    /// ```
    /// # use analysis::charge::*;
    /// let tree = Tree { pattern_g: 20.0, pattern_g_cm3: WAX_G_CM3, metal_g_cm3: 10.36,
    ///                   allowance: ALLOWANCE, heel_g: 0.0 };
    /// let charge = tree.charge(40.0).unwrap();
    /// assert!((charge.total_g - 239.9).abs() < 0.05);
    /// assert!((charge.new_g - 143.9).abs() < 0.05);
    /// ```
    pub fn charge(&self, remelt_percent: f64) -> Option<Charge> {
        let positive = |value: f64| value > 0.0 && value.is_finite();
        let at_least_none = |value: f64| value >= 0.0 && value.is_finite();
        if !(positive(self.pattern_g)
            && positive(self.pattern_g_cm3)
            && positive(self.metal_g_cm3)
            && at_least_none(self.allowance)
            && at_least_none(self.heel_g)
            && (0.0..=100.0).contains(&remelt_percent))
        {
            return None;
        }
        let tree_g = self.pattern_g * self.metal_g_cm3 / self.pattern_g_cm3;
        let total_g = tree_g * (1.0 + self.allowance) + self.heel_g;
        let remelt_g = total_g * remelt_percent / 100.0;
        Some(Charge {
            tree_g,
            total_g,
            new_g: total_g - remelt_g,
            remelt_g,
        })
    }
}

/// How often the metal was melted before, on average, when a share of every charge is remelt:
/// f/(1 − f) (the mean of the geometric distribution that this leads to). `None` unless
/// 0 ≤ f < 1.
pub fn mean_generations(remelt_percent: f64) -> Option<f64> {
    let share = remelt_percent / 100.0;
    (0.0..1.0).contains(&share).then(|| share / (1.0 - share))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::alloy::Alloys;
    use proptest::prelude::*;

    fn tree(pattern_g: f64, pattern_g_cm3: f64) -> Tree {
        Tree {
            pattern_g,
            pattern_g_cm3,
            metal_g_cm3: Alloys::standard().find("sterling").unwrap().density_g_cm3,
            allowance: ALLOWANCE,
            heel_g: 0.0,
        }
    }

    /// 20.0 g of wax at 0.95 in sterling at 10.36: 218.1 g, and 239.9 g with a tenth more.
    #[test]
    fn a_wax_is_eleven_times_its_weight_in_sterling() {
        let charge = tree(20.0, 0.95).charge(0.0).unwrap();
        assert!((charge.tree_g - 218.1).abs() < 0.05);
        assert!((charge.total_g - 239.9).abs() < 0.05);
        assert_eq!(charge.remelt_g, 0.0);
        assert_eq!(charge.new_g, charge.total_g);
    }

    /// Common practice: taking a resin of 1.09 g/cm³ as 1.0 overstates the charge by 9 %.
    #[test]
    fn a_resin_weighed_as_if_it_were_water_makes_the_charge_too_large() {
        let told = tree(20.0, 1.0).charge(0.0).unwrap();
        let true_ = tree(20.0, 1.09).charge(0.0).unwrap();
        assert!((told.total_g / true_.total_g - 1.09).abs() < 1e-9);
    }

    /// Common practice: sprue and button are about half of the metal. Of a tree whose pieces
    /// are 11 g of wax and whose sprue is 9 g, with a tenth more for the button, half is pieces.
    #[test]
    fn sprue_and_button_are_about_half_of_the_metal() {
        let whole = tree(11.0 + 9.0, WAX_G_CM3).charge(0.0).unwrap();
        let pieces = tree(11.0, WAX_G_CM3).charge(0.0).unwrap();
        let yield_ = pieces.tree_g / whole.total_g;
        assert!((yield_ - 0.5).abs() < 0.001, "{yield_}");
    }

    #[test]
    fn the_heel_stays_in_the_crucible_whatever_the_tree() {
        let mut with_heel = tree(20.0, 0.95);
        with_heel.heel_g = 15.0;
        let charge = with_heel.charge(50.0).unwrap();
        assert!((charge.total_g - 254.9).abs() < 0.05);
        assert!((charge.new_g - charge.remelt_g).abs() < 1e-9);
    }

    /// 50 % remelt: melted once before on average; 70 %: 2.3 times.
    #[test]
    fn old_metal_adds_up_over_the_melts() {
        assert_eq!(mean_generations(50.0), Some(1.0));
        assert!((mean_generations(70.0).unwrap() - 2.33).abs() < 0.01);
        assert_eq!(mean_generations(100.0), None, "it only ever grows older");
        assert_eq!(mean_generations(-5.0), None);
    }

    #[test]
    fn impossible_weights_give_no_charge() {
        for spoil in [
            |t: &mut Tree| t.pattern_g = 0.0,
            |t: &mut Tree| t.pattern_g_cm3 = f64::NAN,
            |t: &mut Tree| t.metal_g_cm3 = -1.0,
            |t: &mut Tree| t.allowance = -0.1,
            |t: &mut Tree| t.heel_g = f64::INFINITY,
        ] {
            let mut wrong = tree(20.0, 0.95);
            spoil(&mut wrong);
            assert_eq!(wrong.charge(0.0), None, "{wrong:?}");
        }
        assert_eq!(tree(20.0, 0.95).charge(101.0), None);
    }

    proptest! {
        #[test]
        fn new_and_old_make_up_the_whole(
            wax in 0.5..500.0_f64, remelt in 0.0..100.0_f64, heel in 0.0..100.0_f64,
        ) {
            let mut given = tree(wax, WAX_G_CM3);
            given.heel_g = heel;
            let charge = given.charge(remelt).unwrap();
            prop_assert!((charge.new_g + charge.remelt_g - charge.total_g).abs() < 1e-9);
            prop_assert!(charge.total_g >= charge.tree_g + heel);
        }
    }
}
