//! What sets a pour aside from tuning: faults that make a pour's settings not what they seemed,
//! so that its flask says nothing about the pour temperature (common practice). Each has a code
//! that other programs may rely on and fixed words for people. Decided from a pour's figures
//! alone, so that a corrected figure can be judged again.

use crate::pour::rows::{PourRow, quality};

/// A flask that stood longer than this between kiln and pour is too long out, s, unless the
/// shop says otherwise of a machine. From 600 °C in
/// still air the zone where the pieces hang loses about 40 K in two minutes (radial conduction,
/// 100 mm flask) and twice that in four: more than the spread of any kiln, and pours are usual
/// within one to two minutes (common practice).
pub const LONGEST_OUT_S: f64 = 240.0;

/// A fault of a pour, gravest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Fault {
    /// The valve was open and nothing pulled.
    MissingPull,
    /// The pull fell short of the machine's good ones.
    WeakPull,
    /// Metal left outside any pull.
    NoPull,
    /// Cover gas was below its least for over 20 s of the last 2 min.
    LostCoverGas,
    /// There is no melt temperature.
    NoMeltReading,
    /// The melt probe jumped.
    ProbeMoved,
    /// The melt probe was silent before the pour.
    GapBeforePour,
    /// The melt read below the alloy's liquidus.
    BelowLiquidus,
    /// Less metal was weighed in than the flask asks for.
    ShortCharge,
    /// The flask stood for longer between kiln and pour than it may ([`LONGEST_OUT_S`]).
    LongOutOfKiln,
}

impl Fault {
    /// All of them, gravest first.
    pub const ALL: [Fault; 10] = [
        Fault::MissingPull,
        Fault::WeakPull,
        Fault::NoPull,
        Fault::LostCoverGas,
        Fault::NoMeltReading,
        Fault::ProbeMoved,
        Fault::GapBeforePour,
        Fault::BelowLiquidus,
        Fault::ShortCharge,
        Fault::LongOutOfKiln,
    ];

    /// Its code. Other programs compare it as text: a code is added, never changed.
    pub fn code(self) -> &'static str {
        match self {
            Fault::MissingPull => quality::MISSING_PULL,
            Fault::WeakPull => quality::WEAK_PULL,
            Fault::NoPull => quality::NO_PULL,
            Fault::LostCoverGas => quality::LOST_COVER_GAS,
            Fault::NoMeltReading => quality::NO_MELT_READING,
            Fault::ProbeMoved => quality::PROBE_MOVED,
            Fault::GapBeforePour => quality::GAP_BEFORE_POUR,
            Fault::BelowLiquidus => quality::BELOW_LIQUIDUS,
            Fault::ShortCharge => "short-charge",
            Fault::LongOutOfKiln => "long-out-of-kiln",
        }
    }

    /// What is said of it, as a clause.
    pub fn words(self) -> &'static str {
        match self {
            Fault::MissingPull => "the pull was missing",
            Fault::WeakPull => "the pull was weak",
            Fault::NoPull => "it was poured without vacuum",
            Fault::LostCoverGas => "the cover gas was lost before the pour",
            Fault::NoMeltReading => "there is no melt reading at the pour",
            Fault::ProbeMoved => "the melt probe moved",
            Fault::GapBeforePour => "the trace has a gap before the pour",
            Fault::BelowLiquidus => "the melt read below the alloy's liquidus",
            Fault::ShortCharge => "the charge was short",
            Fault::LongOutOfKiln => "the flask was too long out of the kiln",
        }
    }

    /// The fault with this code.
    pub fn from_code(code: &str) -> Option<Fault> {
        Fault::ALL.into_iter().find(|f| f.code() == code)
    }

    /// The codes of a pour's faults, gravest first; `short_charge` is known from what was
    /// weighed in and not from the pour's own figures, and `longest_out_s` is how long a flask
    /// may stand between kiln and pour, s.
    pub fn of(pour: &PourRow, short_charge: bool, longest_out_s: f64) -> Vec<String> {
        let noted = |fault: Fault| pour.quality.iter().any(|w| w == fault.code());
        Fault::ALL
            .into_iter()
            .filter(|fault| match fault {
                Fault::ShortCharge => short_charge,
                Fault::LongOutOfKiln => pour.transfer_s.is_some_and(|s| s > longest_out_s),
                // Somebody may have read the temperature off the controller and entered it.
                Fault::NoMeltReading => noted(*fault) && pour.pour_temperature_c.is_none(),
                _ => noted(*fault),
            })
            .map(|fault| fault.code().to_owned())
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pour::assemble::bare_pour;
    use crate::pour::rows::FoundBy;
    use crate::time::Micros;

    fn pour(words: &[&str]) -> PourRow {
        PourRow {
            quality: words.iter().map(|w| (*w).to_owned()).collect(),
            pour_temperature_c: Some(968.0),
            ..bare_pour("mon", "bench-1", Micros(0), FoundBy::Trace)
        }
    }

    #[test]
    fn a_pour_with_all_as_it_should_be_may_steer() {
        let unseen = [quality::NO_GAS_SENSOR, quality::NO_KILN_READING];
        assert!(Fault::of(&pour(&unseen), false, LONGEST_OUT_S).is_empty());
    }

    #[test]
    fn the_gravest_fault_stands_first() {
        let words = [quality::LOST_COVER_GAS, quality::WEAK_PULL];
        assert_eq!(
            Fault::of(&pour(&words), true, LONGEST_OUT_S),
            ["weak-pull", "lost-cover-gas", "short-charge"]
        );
    }

    #[test]
    fn a_flask_that_stood_for_five_minutes_is_too_long_out() {
        let stood = |s: f64, longest_s: f64| {
            let mut pour = pour(&[]);
            pour.transfer_s = Some(s);
            Fault::of(&pour, false, longest_s)
        };
        assert_eq!(stood(300.0, LONGEST_OUT_S), ["long-out-of-kiln"]);
        assert!(stood(90.0, LONGEST_OUT_S).is_empty());
        // A shop of thin flasks allows less, one that carries large ones far allows more.
        assert_eq!(stood(90.0, 75.0), ["long-out-of-kiln"]);
        assert!(stood(300.0, 360.0).is_empty());
    }

    #[test]
    fn a_temperature_read_off_the_controller_makes_up_for_a_silent_probe() {
        let mut silent = pour(&[quality::NO_MELT_READING]);
        assert!(Fault::of(&silent, false, LONGEST_OUT_S).is_empty());
        silent.pour_temperature_c = None;
        assert_eq!(
            Fault::of(&silent, false, LONGEST_OUT_S),
            ["no-melt-reading"]
        );
    }

    #[test]
    fn every_code_is_its_own_and_every_fault_has_words() {
        for fault in Fault::ALL {
            assert_eq!(Fault::from_code(fault.code()), Some(fault));
            assert!(!fault.words().is_empty());
        }
        assert_eq!(Fault::from_code("no-gas-sensor"), None);
    }
}
