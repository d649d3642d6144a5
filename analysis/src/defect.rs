//! Defect kinds: what is seen on a piece and where, which way each is expected to follow the
//! heat of the pour, and whether it may steer the pour temperature at all. Kinds are named by
//! appearance, not by suspected cause, because the cause is what the evidence is for.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// Which way a kind of defect is expected to go as the pour gets hotter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// Seen less: the cold side.
    FallsWithHeat,
    /// Seen more: the hot side.
    RisesWithHeat,
    /// Worst at both ends, or sources contradict each other.
    Either,
    /// Made elsewhere: at the wax, the investing, the burnout, the quench.
    NotThePour,
}

/// One kind of defect.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DefectKind {
    /// Its name in records, columns and pages, like `no-fill`.
    pub name: String,
    /// What is seen, in a few words.
    #[serde(default)]
    pub seen: String,
    /// Where it goes with heat.
    pub side: Side,
    /// Whether it may steer the pour temperature.
    pub may_steer: bool,
    /// Whether such pieces never stood a chance in the mould and leave the denominator.
    #[serde(default)]
    pub leaves_denominator: bool,
}

/// Why a kind is refused or not found.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DefectError {
    /// A kind that cannot follow the pour cannot steer it.
    #[error(
        "defect kind \"{name}\" is not the pour's doing and so may not steer it; \
         set may_steer = false or another side"
    )]
    CannotSteer {
        /// The kind.
        name: String,
    },
    /// Names are columns and page fields.
    #[error("\"{name}\" cannot name a defect kind; use lower-case letters, digits and hyphens")]
    BadName {
        /// As given.
        name: String,
    },
    /// No such kind.
    #[error(
        "\"{name}\" is no known defect kind{}; name one of {known}, or add it under [[defect_kind]]",
        .nearest.as_ref().map_or_else(String::new, |n| format!(" (perhaps \"{n}\")"))
    )]
    Unknown {
        /// What was asked for.
        name: String,
        /// The nearest name.
        nearest: Option<String>,
        /// All names.
        known: String,
    },
}

/// The standard kinds: name, what is seen, side, may steer. Sides are those on which a
/// supplier-independent reading of the trade's cause tables agrees; where the tables disagree
/// the side is `Either` (common practice; class letters are those of the international atlas
/// of casting defects: B cavities, C discontinuities, D surface, E incomplete, G inclusions).
#[rustfmt::skip]
const STANDARD: [(&str, &str, Side, bool); 14] = [
    ("no-fill", "missing parts with rounded, shiny edges (E)", Side::FallsWithHeat, true),
    ("cold-shut", "a line where two fronts met (C)", Side::FallsWithHeat, true),
    ("gas-porosity", "round, smooth pores, often just under the skin (B)", Side::RisesWithHeat, true),
    ("shrinkage", "jagged pores at heavy sections or the sprue (B)", Side::Either, true),
    ("porosity-unsure", "pores that could be either (B)", Side::Either, true),
    ("rough-surface", "sandy or pitted skin (D)", Side::RisesWithHeat, true),
    ("inclusion", "foreign matter in the metal (G)", Side::NotThePour, false),
    ("fin", "thin flash where the mould cracked (A)", Side::NotThePour, false),
    ("crack", "a tear or crack; hot tears and quench cracks look alike (C)", Side::Either, false),
    ("nodule", "beads of metal from bubbles in the investment (A)", Side::NotThePour, false),
    ("watermark", "raised trails on upright faces (D)", Side::NotThePour, false),
    ("stain", "fire-stain, dark or red skin (D)", Side::RisesWithHeat, true),
    ("broken-pattern", "an element missing or bent before casting (F)", Side::NotThePour, false),
    ("other", "anything else", Side::NotThePour, false),
];

/// The kinds a shop counts.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DefectKinds {
    kinds: Vec<DefectKind>,
}

impl Default for DefectKinds {
    fn default() -> Self {
        DefectKinds::standard()
    }
}

impl DefectKinds {
    /// The standard kinds.
    pub fn standard() -> DefectKinds {
        DefectKinds {
            kinds: STANDARD
                .iter()
                .map(|&(name, seen, side, may_steer)| DefectKind {
                    name: name.to_owned(),
                    seen: seen.to_owned(),
                    side,
                    may_steer,
                    leaves_denominator: name == "broken-pattern",
                })
                .collect(),
        }
    }

    /// The standard kinds and a shop's own after them; one of the same name replaces the
    /// standard one in its place.
    ///
    /// # Errors
    /// [`DefectError::BadName`], and [`DefectError::CannotSteer`] for a kind that is not the
    /// pour's doing but claims to steer it.
    pub fn with(own: Vec<DefectKind>) -> Result<DefectKinds, DefectError> {
        let mut all = DefectKinds::standard();
        for kind in own {
            let lawful = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
            if kind.name.is_empty() || !kind.name.chars().all(lawful) {
                return Err(DefectError::BadName { name: kind.name });
            }
            if kind.may_steer && kind.side == Side::NotThePour {
                return Err(DefectError::CannotSteer { name: kind.name });
            }
            match all.kinds.iter_mut().find(|k| k.name == kind.name) {
                Some(standard) => *standard = kind,
                None => all.kinds.push(kind),
            }
        }
        Ok(all)
    }

    /// Every kind, in the order pages list them.
    pub fn iter(&self) -> impl Iterator<Item = &DefectKind> {
        self.kinds.iter()
    }

    /// The kind of exactly this name.
    pub fn get(&self, name: &str) -> Option<&DefectKind> {
        self.kinds.iter().find(|k| k.name == name)
    }

    /// The kind of this name, with capitals, spaces and underscores free (`No fill`).
    ///
    /// # Errors
    /// [`DefectError::Unknown`] with the nearest name.
    pub fn find(&self, name: &str) -> Result<&DefectKind, DefectError> {
        let wanted = name.trim().to_lowercase().replace([' ', '_'], "-");
        self.get(&wanted).ok_or_else(|| DefectError::Unknown {
            name: name.to_owned(),
            nearest: self
                .kinds
                .iter()
                .map(|k| (strsim::jaro_winkler(&k.name, &wanted), &k.name))
                .filter(|(likeness, _)| *likeness > 0.85)
                .max_by(|a, b| a.0.total_cmp(&b.0))
                .map(|(_, name)| name.clone()),
            known: self
                .kinds
                .iter()
                .map(|k| k.name.as_str())
                .collect::<Vec<_>>()
                .join(", "),
        })
    }

    /// Whether pieces with this kind may steer the pour; a kind unknown here may not.
    pub fn may_steer(&self, name: &str) -> bool {
        self.get(name).is_some_and(|k| k.may_steer)
    }

    /// How many of a flask's pieces were lost before the metal came and so leave the
    /// denominator.
    pub fn never_stood_a_chance(&self, counted: &BTreeMap<String, u32>) -> u32 {
        self.kinds
            .iter()
            .filter(|k| k.leaves_denominator)
            .filter_map(|k| counted.get(&k.name))
            .fold(0, |sum, n| sum.saturating_add(*n))
    }

    /// The fewest and the most pieces that can have had a kind that may steer, where that was
    /// not counted itself. At least the commonest such kind; at most all such kinds on
    /// different pieces, and never more than the defective ones, `defective` (of `pieces`,
    /// where even that is unknown). A kind that was not counted is not zero: defective pieces
    /// that no counted kind explains may have had one. `None` if nothing at all was counted.
    pub fn steering_bounds(
        &self,
        counted: &BTreeMap<String, u32>,
        defective: Option<u32>,
        pieces: u32,
    ) -> Option<(u32, u32)> {
        let steering = || counted.iter().filter(|(k, _)| self.may_steer(k));
        let add = |sum: u32, (_, n): (&String, &u32)| sum.saturating_add(*n);
        let most = defective.unwrap_or(pieces).min(pieces);
        if defective.is_none() && steering().next().is_none() {
            return None;
        }
        let low = steering().map(|(_, n)| *n).max().unwrap_or(0).min(most);
        let explained = counted.iter().fold(0, add);
        let unexplained = defective.map_or(0, |d| d.min(pieces).saturating_sub(explained));
        let high = steering()
            .fold(0, add)
            .saturating_add(unexplained)
            .min(most);
        Some((low, high.max(low)))
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn counted(list: &[(&str, u32)]) -> BTreeMap<String, u32> {
        list.iter().map(|(k, n)| ((*k).to_owned(), *n)).collect()
    }

    #[test]
    fn what_is_not_the_pours_doing_never_steers_it() {
        for kind in DefectKinds::standard().iter() {
            assert!(
                !(kind.may_steer && kind.side == Side::NotThePour),
                "{}",
                kind.name
            );
        }
        let kinds = DefectKinds::standard();
        for name in ["nodule", "watermark", "fin", "broken-pattern", "inclusion"] {
            assert!(!kinds.may_steer(name), "{name}");
        }
        assert!(!kinds.may_steer("a kind from a newer book"));
    }

    #[test]
    fn cold_and_hot_defects_are_on_their_sides() {
        let kinds = DefectKinds::standard();
        assert_eq!(kinds.get("no-fill").unwrap().side, Side::FallsWithHeat);
        assert_eq!(kinds.get("gas-porosity").unwrap().side, Side::RisesWithHeat);
        assert_eq!(kinds.get("shrinkage").unwrap().side, Side::Either);
    }

    #[test]
    fn a_shop_can_name_its_own_kinds() {
        let own = DefectKind {
            name: "blister".to_owned(),
            seen: "raised after soldering".to_owned(),
            side: Side::RisesWithHeat,
            may_steer: true,
            leaves_denominator: false,
        };
        let kinds = DefectKinds::with(vec![own.clone()]).unwrap();
        assert!(kinds.may_steer("blister"));
        assert_eq!(kinds.iter().count(), 15);
        let mut wrong = own.clone();
        wrong.side = Side::NotThePour;
        assert!(matches!(
            DefectKinds::with(vec![wrong]),
            Err(DefectError::CannotSteer { .. })
        ));
        let mut wrong = own;
        wrong.name = "Blister!".to_owned();
        assert!(matches!(
            DefectKinds::with(vec![wrong]),
            Err(DefectError::BadName { .. })
        ));
    }

    #[test]
    fn kinds_are_found_however_they_are_written() {
        let kinds = DefectKinds::standard();
        assert_eq!(kinds.find("Gas porosity").unwrap().name, "gas-porosity");
        let error = kinds.find("gas-porousity").unwrap_err().to_string();
        assert!(error.contains("perhaps \"gas-porosity\""), "{error}");
    }

    #[test]
    fn bounds_hold_where_steering_defects_were_not_counted() {
        let kinds = DefectKinds::standard();
        let bounds =
            |list: &[(&str, u32)], defective| kinds.steering_bounds(&counted(list), defective, 20);
        assert_eq!(
            bounds(&[("no-fill", 2), ("gas-porosity", 3)], Some(4)),
            Some((3, 4))
        );
        assert_eq!(
            bounds(&[("no-fill", 2), ("gas-porosity", 3)], Some(9)),
            Some((3, 9))
        );
        assert_eq!(
            bounds(&[("no-fill", 2), ("nodule", 3)], Some(5)),
            Some((2, 2))
        );
        // Nothing but the total: a defect may or may not have been of heat.
        assert_eq!(bounds(&[], Some(5)), Some((0, 5)));
        assert_eq!(bounds(&[], Some(0)), Some((0, 0)));
        assert_eq!(bounds(&[("nodule", 3)], None), None);
        assert_eq!(bounds(&[("no-fill", 3)], None), Some((3, 3)));
        assert_eq!(bounds(&[], None), None);
    }

    #[test]
    fn broken_patterns_leave_the_denominator() {
        let kinds = DefectKinds::standard();
        assert_eq!(
            kinds.never_stood_a_chance(&counted(&[("broken-pattern", 2), ("no-fill", 1)])),
            2
        );
    }

    proptest! {
        #[test]
        fn bounds_are_never_the_wrong_way_round(a in 0u32..40, b in 0u32..40, c in 0u32..40, d in proptest::option::of(0u32..40), pieces in 1u32..40) {
            let counts = counted(&[("no-fill", a), ("gas-porosity", b), ("nodule", c)]);
            let (low, high) = DefectKinds::standard().steering_bounds(&counts, d, pieces).unwrap();
            prop_assert!(low <= high && high <= pieces);
        }
    }
}
