//! What a vacuum reading counts from. A shop needle counts from the day's air downwards, a
//! transmitter often from nothing upwards, a compound gauge from the day's air with a minus
//! sign: the same pull is 25 inHg, 167 mbar or −85 kPa, so the configuration has to say which.

use serde::{Deserialize, Serialize};

/// What a vacuum reading counts from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Sense {
    /// From the day's air downwards; more is deeper. A shop needle.
    BelowAmbient,
    /// From no pressure at all; less is deeper.
    Absolute,
    /// From the day's air, negative below it; more negative is deeper.
    Gauge,
}

impl Sense {
    /// A reading (already in kPa) as the stored depth, kPa below ambient. Noise about the
    /// rest position may make it slightly negative; that is kept, since hiding it would hide a
    /// sensor that is off.
    ///
    /// ```
    /// # use analysis::units::Sense;
    /// assert_eq!(Sense::Absolute.below_ambient_kpa(16.3, 101.3), 85.0);
    /// assert_eq!(Sense::Gauge.below_ambient_kpa(-85.0, 101.3), 85.0);
    /// ```
    pub fn below_ambient_kpa(self, reading_kpa: f64, ambient_kpa: f64) -> f64 {
        match self {
            Sense::BelowAmbient => reading_kpa,
            Sense::Absolute => ambient_kpa - reading_kpa,
            Sense::Gauge => -reading_kpa,
        }
    }

    /// The inverse of [`Sense::below_ambient_kpa`]: what a sensor of this sense would read, kPa.
    pub fn reading_kpa(self, below_ambient_kpa: f64, ambient_kpa: f64) -> f64 {
        // Each of the three is its own inverse.
        self.below_ambient_kpa(below_ambient_kpa, ambient_kpa)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::units::Unit;
    use proptest::prelude::*;

    /// At sea level 25 inHg on the needle is 167 mbar absolute and 28 inHg is 65 mbar
    /// (arithmetic from the conventional inch of mercury and 1013.25 mbar).
    #[test]
    fn the_needle_and_the_transmitter_tell_one_pull() {
        for (needle_in_hg, absolute_mbar) in [(25.0, 167.0), (28.0, 65.0), (29.0, 31.0)] {
            let depth = Sense::BelowAmbient
                .below_ambient_kpa(Unit::InchOfMercury.to_canonical(needle_in_hg), 101.325);
            let absolute =
                Unit::Millibar.from_canonical(Sense::Absolute.reading_kpa(depth, 101.325));
            assert!((absolute - absolute_mbar).abs() < 0.6, "{absolute}");
        }
    }

    #[test]
    fn configuration_words_are_kebab_case() {
        let sense: Sense = serde_json::from_str("\"below-ambient\"").unwrap();
        assert_eq!(sense, Sense::BelowAmbient);
        assert_eq!(
            serde_json::to_string(&Sense::Absolute).unwrap(),
            "\"absolute\""
        );
    }

    proptest! {
        #[test]
        fn every_sense_reads_back(depth in -2.0..102.0f64, ambient in 60.0..105.0f64) {
            for sense in [Sense::BelowAmbient, Sense::Absolute, Sense::Gauge] {
                let reading = sense.reading_kpa(depth, ambient);
                prop_assert!((sense.below_ambient_kpa(reading, ambient) - depth).abs() < 1e-9);
            }
        }
    }
}
