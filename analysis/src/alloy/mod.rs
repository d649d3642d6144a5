//! Alloys: between which temperatures each freezes, how dense it is, and where it is usually
//! poured. The table is a starting point from handbooks; a shop's own entries, from its metal
//! supplier's sheet, stand before it and are refused where they cannot be right.

mod table;

use serde::{Deserialize, Serialize};

/// Hottest liquidus that a graphite crucible over a gypsum mould is for, °C. Platinum and the
/// palladium-rich whites need other crucibles and other moulds (common practice).
pub const HIGHEST_LIQUIDUS_C: f64 = 1200.0;

/// One alloy.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Alloy {
    /// Its name in records and configuration, like `sterling-925`.
    pub name: String,
    /// What it is made of, by weight, as people write it: `Ag 92.5 Cu 7.5`.
    #[serde(default)]
    pub composition: String,
    /// All solid below, °C, at equilibrium. Castings freeze faster than that and stay partly
    /// liquid to the eutectic.
    pub solidus_c: f64,
    /// All liquid above, °C.
    pub liquidus_c: f64,
    /// Density of the solid, g/cm³.
    pub density_g_cm3: f64,
    /// Coolest usual pour, °C.
    pub pour_low_c: f64,
    /// Hottest usual pour, °C.
    pub pour_high_c: f64,
    /// A caution that goes with it, if any.
    #[serde(default)]
    pub caution: Option<String>,
    /// Where the figures come from.
    #[serde(default)]
    pub source: String,
}

/// Where a pour temperature lies against its alloy.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PourBand {
    /// Not all liquid: a wrong reading, a wrong alloy or no pour at all.
    BelowLiquidus,
    /// Liquid, but cooler than usual.
    Cool,
    /// Where it is usually poured.
    Usual,
    /// Hotter than usual.
    Hot,
}

/// Why an alloy is refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum AlloyError {
    /// Tables with the two swapped are in circulation.
    #[error(
        "alloy \"{name}\": solidus {solidus_c} °C is above liquidus {liquidus_c} °C; \
         they may be swapped"
    )]
    Swapped {
        /// The alloy.
        name: String,
        /// As given.
        solidus_c: f64,
        /// As given.
        liquidus_c: f64,
    },
    /// A figure that no metal has.
    #[error("alloy \"{name}\": {what} {value} is not possible; it should be {should_be}")]
    Impossible {
        /// The alloy.
        name: String,
        /// The figure's key.
        what: &'static str,
        /// As given.
        value: f64,
        /// What would do.
        should_be: &'static str,
    },
    /// Beyond graphite and gypsum.
    #[error(
        "alloy \"{name}\": liquidus {liquidus_c} °C is beyond what graphite crucibles and \
         gypsum-bonded moulds are for ({HIGHEST_LIQUIDUS_C} °C)"
    )]
    TooHot {
        /// The alloy.
        name: String,
        /// As given.
        liquidus_c: f64,
    },
    /// No such alloy.
    #[error(
        "\"{name}\" is no known alloy{}; the nearest known are {}",
        .nearest.as_ref().map_or_else(String::new, |n| format!(" (perhaps \"{n}\")")),
        .near.join(", ")
    )]
    Unknown {
        /// What was asked for.
        name: String,
        /// The nearest name.
        nearest: Option<String>,
        /// The three nearest names, nearest first: a shop knows some thirty.
        near: Vec<String>,
    },
}

impl Alloy {
    /// Checks that the figures can be those of an alloy that this bench may pour.
    ///
    /// # Errors
    /// [`AlloyError`] naming the first figure that cannot be right.
    pub fn check(&self) -> Result<(), AlloyError> {
        let impossible = |what, value, should_be| {
            Err(AlloyError::Impossible {
                name: self.name.clone(),
                what,
                value,
                should_be,
            })
        };
        for (what, value) in [
            ("solidus_c", self.solidus_c),
            ("liquidus_c", self.liquidus_c),
            ("pour_low_c", self.pour_low_c),
            ("pour_high_c", self.pour_high_c),
        ] {
            // Tin melts at 232 °C; nothing cast in these moulds is cooler than 100 °C.
            if !(100.0..=4000.0).contains(&value) {
                return impossible(what, value, "a temperature in °C, 100 to 4000");
            }
        }
        if self.solidus_c > self.liquidus_c {
            return Err(AlloyError::Swapped {
                name: self.name.clone(),
                solidus_c: self.solidus_c,
                liquidus_c: self.liquidus_c,
            });
        }
        if self.liquidus_c > HIGHEST_LIQUIDUS_C {
            return Err(AlloyError::TooHot {
                name: self.name.clone(),
                liquidus_c: self.liquidus_c,
            });
        }
        if self.pour_low_c < self.liquidus_c {
            return impossible("pour_low_c", self.pour_low_c, "at or above the liquidus");
        }
        if self.pour_high_c < self.pour_low_c {
            return impossible("pour_high_c", self.pour_high_c, "at or above pour_low_c");
        }
        // Osmium, the densest metal, is 22.59 g/cm³; magnesium, the lightest cast, 1.74.
        if !(1.7..=22.6).contains(&self.density_g_cm3) {
            return impossible("density_g_cm3", self.density_g_cm3, "in g/cm³, 1.7 to 22.6");
        }
        Ok(())
    }

    /// Pour temperature over the liquidus, K.
    pub fn superheat_k(&self, pour_temperature_c: f64) -> f64 {
        pour_temperature_c - self.liquidus_c
    }

    /// Where a pour temperature lies. Not a number counts as below the liquidus.
    pub fn band(&self, pour_temperature_c: f64) -> PourBand {
        if pour_temperature_c > self.pour_high_c {
            PourBand::Hot
        } else if pour_temperature_c >= self.pour_low_c {
            PourBand::Usual
        } else if pour_temperature_c >= self.liquidus_c {
            PourBand::Cool
        } else {
            PourBand::BelowLiquidus
        }
    }
}

/// The alloys a shop knows: its own before the table's.
#[derive(Clone, Debug, PartialEq)]
pub struct Alloys {
    alloys: Vec<Alloy>,
}

impl Default for Alloys {
    fn default() -> Self {
        Alloys::standard()
    }
}

impl Alloys {
    /// The table alone.
    pub fn standard() -> Alloys {
        Alloys {
            alloys: table::standard(),
        }
    }

    /// The table with a shop's own entries before it; an entry of the same name replaces the
    /// table's.
    ///
    /// # Errors
    /// The first entry that [`Alloy::check`] refuses.
    pub fn with(own: Vec<Alloy>) -> Result<Alloys, AlloyError> {
        for alloy in &own {
            alloy.check()?;
        }
        let mut alloys = own;
        for alloy in table::standard() {
            if !alloys.iter().any(|a| key(&a.name) == key(&alloy.name)) {
                alloys.push(alloy);
            }
        }
        Ok(Alloys { alloys })
    }

    /// Every alloy, the shop's own first.
    pub fn iter(&self) -> impl Iterator<Item = &Alloy> {
        self.alloys.iter()
    }

    /// The alloy of this name, read as freely as [`Alloys::find`] does.
    pub fn get(&self, name: &str) -> Option<&Alloy> {
        let wanted = key(name);
        self.alloys
            .iter()
            .find(|a| key(&a.name) == wanted)
            .or_else(|| {
                let standard = table::other_name(&wanted)?;
                self.alloys.iter().find(|a| key(&a.name) == key(standard))
            })
    }

    /// The alloy of this name. Capitals, spaces and hyphens are free, and so are the usual
    /// other names (`sterling`, `925`, `18k yellow`, `750 yellow`).
    ///
    /// # Errors
    /// [`AlloyError::Unknown`] with the nearest name.
    ///
    /// ```
    /// # use analysis::alloy::Alloys;
    /// let alloys = Alloys::standard();
    /// assert_eq!(alloys.find("Sterling Silver").unwrap().liquidus_c, 893.0);
    /// assert!(alloys.find("stirling-925").unwrap_err().to_string().contains("sterling-925"));
    /// ```
    pub fn find(&self, name: &str) -> Result<&Alloy, AlloyError> {
        self.get(name).ok_or_else(|| {
            let mut like: Vec<(f64, &String)> = self
                .alloys
                .iter()
                .map(|a| (strsim::jaro_winkler(&key(&a.name), &key(name)), &a.name))
                .collect();
            like.sort_by(|a, b| b.0.total_cmp(&a.0));
            AlloyError::Unknown {
                name: name.to_owned(),
                nearest: like
                    .first()
                    .filter(|(likeness, _)| *likeness > 0.85)
                    .map(|(_, name)| (*name).clone()),
                near: like
                    .into_iter()
                    .take(3)
                    .map(|(_, name)| name.clone())
                    .collect(),
            }
        })
    }
}

/// A name without what people vary: lower case, letters and digits only, `kt` and `ct` as `k`.
fn key(name: &str) -> String {
    let plain: String = name
        .chars()
        .filter(|c| c.is_alphanumeric())
        .flat_map(char::to_lowercase)
        .collect();
    for mark in ["carat", "karat", "kt", "ct"] {
        if let Some((number, rest)) = plain.split_once(mark)
            && !number.is_empty()
            && number.chars().all(|c| c.is_ascii_digit())
        {
            return format!("{number}k{rest}");
        }
    }
    plain
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn own(name: &str) -> Alloy {
        Alloy {
            name: name.to_owned(),
            composition: "Ag 93.5 Cu 5.3 Ge 1.2".to_owned(),
            solidus_c: 775.0,
            liquidus_c: 903.0,
            density_g_cm3: 10.3,
            pour_low_c: 950.0,
            pour_high_c: 1000.0,
            caution: None,
            source: "supplier's sheet".to_owned(),
        }
    }

    #[test]
    fn the_whole_table_passes_its_own_check() {
        let alloys = Alloys::standard();
        assert!(alloys.iter().count() >= 25);
        for alloy in alloys.iter() {
            alloy.check().unwrap();
            assert!(!alloy.source.is_empty(), "{}", alloy.name);
            assert_eq!(alloys.find(&alloy.name).unwrap().name, alloy.name);
        }
    }

    /// ITS-90 fixed points (from memory): silver 961.78 °C, copper 1084.62 °C, gold 1064.18 °C.
    /// CRC Handbook densities (from memory): 10.49, 8.96, 19.3 g/cm³.
    #[test]
    fn pure_metals_freeze_at_their_fixed_points() {
        let alloys = Alloys::standard();
        for (name, freezes_c, density) in [
            ("fine-silver", 961.78, 10.49),
            ("copper", 1084.62, 8.96),
            ("gold-24k", 1064.18, 19.3),
        ] {
            let metal = alloys.find(name).unwrap();
            assert_eq!(metal.solidus_c, metal.liquidus_c);
            assert!((metal.liquidus_c - freezes_c).abs() < 0.5, "{name}");
            assert!((metal.density_g_cm3 - density).abs() < 0.05, "{name}");
        }
    }

    /// Mixing by volume (1/ρ = Σ wᵢ/ρᵢ), good to 1 % for silver–copper and gold–silver–copper.
    #[test]
    fn densities_follow_the_composition() {
        let pure = [("Au", 19.3), ("Ag", 10.49), ("Cu", 8.96)];
        let mut checked = 0;
        for alloy in Alloys::standard().iter() {
            let words: Vec<&str> = alloy.composition.split_whitespace().collect();
            let parts: Option<Vec<(f64, f64)>> = words
                .chunks(2)
                .map(|pair| match pair {
                    [metal, share] => {
                        let (_, density) = pure.iter().find(|(m, _)| m == metal)?;
                        Some((share.parse().ok()?, *density))
                    }
                    _ => None,
                })
                .collect();
            let Some(parts) = parts.filter(|p| !p.is_empty()) else {
                continue;
            };
            let whole: f64 = parts.iter().map(|(share, _)| share).sum();
            assert!(
                (whole - 100.0).abs() < 0.2,
                "{} sums to {whole}",
                alloy.name
            );
            let mixed = whole / parts.iter().map(|(share, d)| share / d).sum::<f64>();
            assert!(
                (alloy.density_g_cm3 / mixed - 1.0).abs() < 0.01,
                "{} {mixed}",
                alloy.name
            );
            checked += 1;
        }
        assert!(
            checked >= 15,
            "only {checked} had a composition of Au, Ag, Cu"
        );
    }

    #[test]
    fn names_are_found_however_they_are_written() {
        let alloys = Alloys::standard();
        for (written, name) in [
            ("sterling", "sterling-925"),
            ("Sterling 925", "sterling-925"),
            ("925", "sterling-925"),
            ("ag925", "sterling-925"),
            ("18K Yellow", "gold-18k-yellow"),
            ("18 ct yellow", "gold-18k-yellow"),
            ("750 yellow", "gold-18k-yellow"),
            ("Fine silver", "fine-silver"),
        ] {
            assert_eq!(alloys.find(written).unwrap().name, name, "{written}");
        }
        assert!(alloys.find("").is_err());
        assert!(alloys.find("unobtainium").is_err());
    }

    #[test]
    fn a_sheet_with_solidus_and_liquidus_swapped_is_refused() {
        let mut alloy = own("shop-935");
        (alloy.solidus_c, alloy.liquidus_c) = (891.0, 788.0);
        let error = Alloys::with(vec![alloy]).unwrap_err();
        assert!(matches!(error, AlloyError::Swapped { .. }));
        assert_eq!(
            error.to_string(),
            "alloy \"shop-935\": solidus 891 °C is above liquidus 788 °C; they may be swapped"
        );
    }

    #[test]
    fn platinum_and_impossible_figures_are_refused() {
        let mut platinum = own("platinum-950");
        (platinum.solidus_c, platinum.liquidus_c) = (1750.0, 1765.0);
        (platinum.pour_low_c, platinum.pour_high_c) = (1900.0, 2000.0);
        assert!(matches!(platinum.check(), Err(AlloyError::TooHot { .. })));
        let spoil: [fn(&mut Alloy); 5] = [
            |a| a.density_g_cm3 = 0.0,
            |a| a.pour_low_c = 800.0,
            |a| a.pour_high_c = 940.0,
            |a| a.liquidus_c = f64::NAN,
            |a| a.solidus_c = -1.0,
        ];
        for spoil in spoil {
            let mut alloy = own("spoilt");
            spoil(&mut alloy);
            assert!(alloy.check().is_err(), "{alloy:?}");
        }
    }

    #[test]
    fn a_shops_own_entry_stands_before_the_table() {
        let mut sterling = own("Sterling 925");
        sterling.liquidus_c = 896.0;
        let alloys = Alloys::with(vec![sterling]).unwrap();
        assert_eq!(alloys.find("sterling-925").unwrap().liquidus_c, 896.0);
        assert_eq!(alloys.find("coin-900").unwrap().solidus_c, 779.0);
    }

    #[test]
    fn a_pour_is_placed_against_its_alloy() {
        let alloys = Alloys::standard();
        let sterling = alloys.find("sterling").unwrap();
        assert_eq!(sterling.superheat_k(968.0), 75.0);
        assert_eq!(sterling.band(880.0), PourBand::BelowLiquidus);
        assert_eq!(sterling.band(900.0), PourBand::Cool);
        assert_eq!(sterling.band(968.0), PourBand::Usual);
        assert_eq!(sterling.band(1050.0), PourBand::Hot);
        assert_eq!(sterling.band(f64::NAN), PourBand::BelowLiquidus);
    }
}
