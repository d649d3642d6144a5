//! The words: which spellings of a unit are accepted (SenML of RFC 8428 and RFC 8798, UCUM,
//! what shops write), which switch words, and what is said when a word is none of them.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::Unit;
use crate::channel::Quantity;

/// Unit, then its spellings: first the one pourbook writes, then the others it reads.
/// Spaces, `^`, superscripts and a leading degree sign are dealt with before the look-up.
const WORDS: [(Unit, &[&str]); 22] = [
    (
        Unit::Celsius,
        &["Cel", "degC", "C", "celsius", "centigrade"],
    ),
    (Unit::Fahrenheit, &["degF", "[degF]", "F", "fahrenheit"]),
    (Unit::Kelvin, &["K", "kelvin"]),
    (Unit::Kilopascal, &["kPa"]),
    (Unit::Millibar, &["mbar", "millibar"]),
    (Unit::Hectopascal, &["hPa"]),
    (Unit::Pascal, &["Pa", "pascal"]),
    (Unit::Megapascal, &["MPa"]),
    (Unit::Bar, &["bar"]),
    (Unit::Torr, &["Torr"]),
    (Unit::MillimetreOfMercury, &["mmHg", "mm[Hg]"]),
    (
        Unit::InchOfMercury,
        &["inHg", "[in_i'Hg]", "in.Hg", "\"Hg", "inchHg", "inchesHg"],
    ),
    (Unit::Psi, &["psi", "[psi]", "lbf/in2"]),
    (
        Unit::LitrePerMinute,
        &["L/min", "lpm", "litre/min", "liter/min"],
    ),
    (Unit::MillilitrePerMinute, &["mL/min", "ccm", "cm3/min"]),
    (
        Unit::CubicFootPerHour,
        &["ft3/h", "[cft_i]/h", "[ft_i]3/h", "cfh", "cuft/h", "ft3/hr"],
    ),
    (Unit::LitrePerSecond, &["L/s"]),
    (Unit::CubicMetrePerHour, &["m3/h", "m3/hr"]),
    (Unit::CubicMetrePerSecond, &["m3/s"]),
    (Unit::Percent, &["%", "/100", "percent", "vol%"]),
    (Unit::Fraction, &["/", "1", "fraction"]),
    (Unit::Switch, &["switch", "on/off", "0/1", "bool"]),
];

/// Words whose capitals carry meaning: a milli read as a mega is a factor of 10⁹.
const CASE_MATTERS: [&str; 1] = ["MPa"];

/// The words for a switch that is on (door or valve open, stopper lifted).
const ON: [&str; 6] = ["1", "true", "on", "open", "lifted", "yes"];
/// The words for a switch that is off (door or valve closed, stopper seated).
const OFF: [&str; 7] = ["0", "false", "off", "closed", "shut", "seated", "no"];

/// Why a text is not a unit, or not a reading with one.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum UnitError {
    /// No unit is spelt so.
    #[error("\"{word}\" is not a unit{}; the units are {accepted}", hint(.nearest))]
    Unknown {
        /// What was read.
        word: String,
        /// The nearest spelling, where one is near.
        nearest: Option<&'static str>,
        /// The spellings that would do.
        accepted: String,
    },
    /// It is a unit, but of something else.
    #[error("\"{word}\" is not a unit of {quantity}; the units are {accepted}")]
    WrongQuantity {
        /// What was read.
        word: String,
        /// What should have been measured.
        quantity: &'static str,
        /// The spellings that would do.
        accepted: String,
    },
    /// A reading that should carry its unit, like `968 Cel`, does not read as one.
    #[error("\"{text}\" is not a {quantity} with its unit; write it like \"{example}\"")]
    NotAReading {
        /// What was read.
        text: String,
        /// What should have been measured.
        quantity: &'static str,
        /// One that would do.
        example: &'static str,
    },
    /// Not a switch word.
    #[error(
        "\"{text}\" is not a switch position; write {} or {}", ON.join(", "), OFF.join(", ")
    )]
    NotASwitch {
        /// What was read.
        text: String,
    },
}

fn hint(nearest: &Option<&'static str>) -> String {
    nearest.map_or_else(String::new, |near| format!(" (perhaps \"{near}\")"))
}

fn quantity_word(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Temperature => "temperature",
        Quantity::Vacuum => "vacuum",
        Quantity::Flow => "flow",
        Quantity::GaugePressure | Quantity::AbsolutePressure => "pressure",
        Quantity::VolumeShare => "share",
        Quantity::Switch => "switch position",
    }
}

/// The first spelling of every unit that `quantity` can be read in, as error texts and help
/// list them: `Cel, degF, K`.
pub fn accepted_words(quantity: Quantity) -> String {
    list(|unit| unit.suits(quantity))
}

fn list(wanted: impl Fn(Unit) -> bool) -> String {
    WORDS
        .iter()
        .filter(|(unit, _)| wanted(*unit))
        .map(|(_, words)| words[0])
        .collect::<Vec<_>>()
        .join(", ")
}

/// One spelling of many ways to type it: no spaces, plain digits for raised ones, no degree
/// sign.
fn plain(word: &str) -> String {
    word.chars()
        .filter(|c| !c.is_whitespace() && !matches!(c, '°' | 'º' | '^' | '\u{200b}'))
        .map(|c| match c {
            '³' => '3',
            '²' => '2',
            '″' | '”' => '"',
            other => other,
        })
        .collect()
}

impl Unit {
    /// Reads a unit word. Spaces, `°` and superscripts are free; capitals are free where they
    /// cannot change the meaning.
    ///
    /// # Errors
    /// [`UnitError::Unknown`] with the nearest spelling.
    ///
    /// ```
    /// # use analysis::units::Unit;
    /// assert_eq!(Unit::parse("inHg"), Ok(Unit::InchOfMercury));
    /// assert_eq!(Unit::parse("°F"), Ok(Unit::Fahrenheit));
    /// assert!(Unit::parse("inHh").unwrap_err().to_string().contains("perhaps \"inHg\""));
    /// ```
    pub fn parse(word: &str) -> Result<Unit, UnitError> {
        find(word).ok_or_else(|| UnitError::Unknown {
            word: word.to_owned(),
            nearest: nearest(word, |_| true),
            accepted: list(|_| true),
        })
    }

    /// Reads a unit word for readings of `quantity`.
    ///
    /// # Errors
    /// As [`Unit::parse`], and [`UnitError::WrongQuantity`] for a unit of something else; both
    /// list only the words for `quantity`.
    pub fn parse_for(quantity: Quantity, word: &str) -> Result<Unit, UnitError> {
        match find(word) {
            Some(unit) if unit.suits(quantity) => Ok(unit),
            Some(_) => Err(UnitError::WrongQuantity {
                word: word.to_owned(),
                quantity: quantity_word(quantity),
                accepted: accepted_words(quantity),
            }),
            None => Err(UnitError::Unknown {
                word: word.to_owned(),
                nearest: nearest(word, |unit| unit.suits(quantity)),
                accepted: accepted_words(quantity),
            }),
        }
    }

    /// The spelling pourbook writes into files and headers (`Cel`, `inHg`, `L/min`). For people
    /// see [`Unit::symbol`].
    pub fn word(self) -> &'static str {
        WORDS
            .iter()
            .find(|(unit, _)| *unit == self)
            .map_or("", |(_, words)| words[0])
    }

    /// The sign people read on a page (`°C`, `ft³/h`).
    pub fn symbol(self) -> &'static str {
        match self {
            Unit::Celsius => "°C",
            Unit::Fahrenheit => "°F",
            Unit::CubicFootPerHour => "ft³/h",
            Unit::CubicMetrePerHour => "m³/h",
            Unit::CubicMetrePerSecond => "m³/s",
            Unit::Fraction | Unit::Switch => "",
            other => other.word(),
        }
    }
}

fn find(word: &str) -> Option<Unit> {
    let plain = plain(word);
    let spelt = |same: &dyn Fn(&str) -> bool| {
        WORDS
            .iter()
            .find(|(_, words)| words.iter().any(|w| same(w)))
            .map(|(unit, _)| *unit)
    };
    spelt(&|w| w == plain)
        .or_else(|| spelt(&|w| !CASE_MATTERS.contains(&w) && w.eq_ignore_ascii_case(&plain)))
}

fn nearest(word: &str, wanted: impl Fn(Unit) -> bool) -> Option<&'static str> {
    let plain = plain(word).to_lowercase();
    WORDS
        .iter()
        .filter(|(unit, _)| wanted(*unit))
        .flat_map(|(_, words)| words.iter().copied())
        .map(|w| (strsim::osa_distance(&plain, &w.to_lowercase()), w))
        // Two slips in a long word; in a short one, anything would be near everything.
        .filter(|(distance, w)| *distance <= 2 && *distance * 2 < w.len())
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, w)| w)
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

impl FromStr for Unit {
    type Err = UnitError;

    fn from_str(word: &str) -> Result<Unit, UnitError> {
        Unit::parse(word)
    }
}

impl Serialize for Unit {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_str(self.word())
    }
}

impl<'de> Deserialize<'de> for Unit {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        Unit::parse(&String::deserialize(d)?).map_err(serde::de::Error::custom)
    }
}

/// Reads a number with its unit, like `968 Cel` or `1775 degF`, into the stored unit of
/// `quantity`.
///
/// # Errors
/// [`UnitError::NotAReading`] where there is no number or no unit, else as
/// [`Unit::parse_for`]. A number that is not finite is not a reading.
///
/// ```
/// # use analysis::{channel::Quantity, units::read_quantity};
/// assert_eq!(read_quantity("212 degF", Quantity::Temperature), Ok(100.0));
/// assert!(read_quantity("968", Quantity::Temperature).is_err());
/// ```
pub fn read_quantity(text: &str, quantity: Quantity) -> Result<f64, UnitError> {
    let not_a_reading = || UnitError::NotAReading {
        text: text.to_owned(),
        quantity: quantity_word(quantity),
        example: match quantity {
            Quantity::Temperature => "968 Cel",
            Quantity::Vacuum => "850 mbar",
            Quantity::GaugePressure | Quantity::AbsolutePressure => "101.3 kPa",
            Quantity::Flow => "4.5 L/min",
            Quantity::VolumeShare => "20.9 %",
            Quantity::Switch => "1 switch",
        },
    };
    let text = text.trim();
    // The unit starts at the first character that no number has; an exponent needs its digits.
    let end = text
        .char_indices()
        .find(|(at, c)| {
            let exponent = matches!(c, 'e' | 'E')
                && text[at + 1..]
                    .trim_start_matches(['+', '-'])
                    .starts_with(|d: char| d.is_ascii_digit());
            !(c.is_ascii_digit() || matches!(c, '+' | '-' | '.') || exponent)
        })
        .map_or(text.len(), |(at, _)| at);
    let (number, word) = text.split_at(end);
    let value: f64 = number.parse().map_err(|_| not_a_reading())?;
    if word.trim().is_empty() || !value.is_finite() {
        return Err(not_a_reading());
    }
    Ok(Unit::parse_for(quantity, word.trim())?.to_canonical(value))
}

/// Reads a switch word into 1 (on, open, lifted) or 0.
///
/// # Errors
/// [`UnitError::NotASwitch`] with the accepted words.
pub fn read_switch(text: &str) -> Result<f64, UnitError> {
    let word = text.trim().to_lowercase();
    if ON.contains(&word.as_str()) {
        Ok(1.0)
    } else if OFF.contains(&word.as_str()) {
        Ok(0.0)
    } else {
        Err(UnitError::NotASwitch {
            text: text.to_owned(),
        })
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn every_spelling_reads_as_its_unit_and_no_other() {
        for (unit, words) in WORDS {
            for word in words {
                assert_eq!(Unit::parse(word), Ok(unit), "{word}");
            }
            assert_eq!(unit.word(), words[0]);
            let json = serde_json::to_string(&unit).unwrap();
            assert_eq!(serde_json::from_str::<Unit>(&json).unwrap(), unit);
        }
        let mut seen: Vec<&str> = WORDS.iter().flat_map(|(_, w)| w.iter().copied()).collect();
        let all = seen.len();
        seen.sort_unstable();
        seen.dedup();
        assert_eq!(seen.len(), all);
    }

    #[test]
    fn shop_spellings_are_read() {
        for (word, unit) in [
            ("°C", Unit::Celsius),
            ("° C", Unit::Celsius),
            ("in Hg", Unit::InchOfMercury),
            ("INHG", Unit::InchOfMercury),
            ("in. Hg", Unit::InchOfMercury),
            ("PSI", Unit::Psi),
            ("torr", Unit::Torr),
            ("kpa", Unit::Kilopascal),
            ("l/min", Unit::LitrePerMinute),
            ("ft³/h", Unit::CubicFootPerHour),
            ("ft^3/h", Unit::CubicFootPerHour),
            ("CFH", Unit::CubicFootPerHour),
            ("ml/min", Unit::MillilitrePerMinute),
        ] {
            assert_eq!(Unit::parse(word), Ok(unit), "{word}");
        }
    }

    #[test]
    fn a_milli_is_never_read_as_a_mega() {
        assert_eq!(Unit::parse("MPa"), Ok(Unit::Megapascal));
        assert!(Unit::parse("mPa").is_err());
        assert!(Unit::parse("mpa").is_err());
    }

    #[test]
    fn a_wrong_word_is_told_with_what_would_do() {
        let text = Unit::parse_for(Quantity::Vacuum, "inHh")
            .unwrap_err()
            .to_string();
        assert_eq!(
            text,
            "\"inHh\" is not a unit (perhaps \"inHg\"); the units are kPa, mbar, hPa, Pa, MPa, \
             bar, Torr, mmHg, inHg, psi"
        );
        let text = Unit::parse_for(Quantity::Temperature, "mbar")
            .unwrap_err()
            .to_string();
        assert_eq!(
            text,
            "\"mbar\" is not a unit of temperature; the units are Cel, degF, K"
        );
        // A standard cubic foot is another thing than a cubic foot, so it is not quietly taken.
        assert!(Unit::parse("scfh").is_err());
        assert!(Unit::parse("").is_err());
        assert!(Unit::parse("furlong/fortnight").is_err());
    }

    #[test]
    fn a_reading_carries_its_unit() {
        let t = |text| read_quantity(text, Quantity::Temperature);
        assert_eq!(t("968 Cel"), Ok(968.0));
        assert_eq!(t(" 968°C "), Ok(968.0));
        assert!((t("1775 degF").unwrap() - 968.333_333).abs() < 1e-5);
        assert_eq!(t("1e3 Cel"), Ok(1000.0));
        assert_eq!(t("-40degF"), Ok(-40.0));
        assert_eq!(
            t("968").unwrap_err().to_string(),
            "\"968\" is not a temperature with its unit; write it like \"968 Cel\""
        );
        for bad in ["", "Cel", "9.6.8 Cel", "968 mbar", "1e999 Cel", "hot", "é"] {
            assert!(t(bad).is_err(), "{bad}");
        }
        assert!(
            (read_quantity("25 inHg", Quantity::Vacuum).unwrap() - 84.66).abs() < 0.01,
            "25 inHg is 84.7 kPa"
        );
    }

    #[test]
    fn switch_words_are_read() {
        for word in ON {
            assert_eq!(read_switch(word), Ok(1.0));
        }
        for word in OFF {
            assert_eq!(read_switch(&word.to_uppercase()), Ok(0.0));
        }
        assert!(
            read_switch("ajar")
                .unwrap_err()
                .to_string()
                .contains("closed")
        );
    }
}
