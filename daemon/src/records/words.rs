//! The fixed words of the records, each as a type that reads and writes exactly them.

use std::fmt;
use std::str::FromStr;

use rusqlite::types::{FromSql, FromSqlError, FromSqlResult, ToSql, ToSqlOutput, ValueRef};

/// A word that is not one of those allowed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{word}\" is no {what}; use {}", allowed.join(", "))]
pub struct NotAWord {
    /// What was read.
    pub word: String,
    /// What it should have been.
    pub what: &'static str,
    /// Every word that would do.
    pub allowed: &'static [&'static str],
}

macro_rules! words {
    ($(#[$doc:meta])* $name:ident, $what:literal: $($(#[$vdoc:meta])* $variant:ident = $word:literal),+ $(,)?) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum $name { $($(#[$vdoc])* $variant),+ }

        impl $name {
            /// Every word, in order.
            pub const WORDS: &'static [&'static str] = &[$($word),+];

            /// The word as written in records, exports and on the command line.
            pub fn as_str(self) -> &'static str {
                match self { $($name::$variant => $word),+ }
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(self.as_str())
            }
        }

        impl FromStr for $name {
            type Err = NotAWord;
            fn from_str(word: &str) -> Result<Self, NotAWord> {
                match word {
                    $($word => Ok($name::$variant),)+
                    _ => Err(NotAWord { word: word.to_owned(), what: $what, allowed: Self::WORDS }),
                }
            }
        }

        impl ToSql for $name {
            fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
                Ok(ToSqlOutput::from(self.as_str()))
            }
        }

        impl FromSql for $name {
            fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
                value.as_str()?.parse().map_err(|e: NotAWord| FromSqlError::Other(Box::new(e)))
            }
        }

        impl serde::Serialize for $name {
            fn serialize<S: serde::Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
                s.serialize_str(self.as_str())
            }
        }

        impl<'de> serde::Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
                String::deserialize(d)?.parse().map_err(serde::de::Error::custom)
            }
        }
    };
}

words! {
    /// Where a session stands.
    SessionState, "session state":
    /// Still hearing samples.
    Open = "open",
    /// Its trace is published.
    Closed = "closed",
    /// From a file of old records; there may be no trace.
    Imported = "imported",
}

words! {
    /// Where the metal of a pour went.
    Destination, "destination":
    /// Into a flask.
    Flask = "flask",
    /// Into an ingot mould.
    Ingot = "ingot",
    /// Into water, for grain.
    Grain = "grain",
    /// A trial of the machine, without a mould that counts.
    Trial = "trial",
    /// Spilt or frozen; no piece came of it.
    Lost = "lost",
}

words! {
    /// How far the pieces had come when they were looked at. The order is that of the work.
    Stage, "inspection stage":
    /// Investment washed off.
    Washed = "washed",
    /// Cut from the tree.
    Cut = "cut",
    /// Polished.
    Polished = "polished",
    /// Back from the customer.
    Returned = "returned",
}

words! {
    /// A part that wears, or a cylinder that empties.
    Part, "part":
    /// The gasket a flask seats on.
    Gasket = "gasket",
    /// The machine's own seal ring.
    SealRing = "seal-ring",
    /// The rod that closes the crucible.
    StopperRod = "stopper-rod",
    /// The rod the melt is stirred with.
    StirringRod = "stirring-rod",
    /// The crucible.
    Crucible = "crucible",
    /// A thermocouple; its change starts a new series of temperatures.
    Thermocouple = "thermocouple",
    /// The vacuum pump's oil.
    PumpOil = "pump-oil",
    /// The cover gas cylinder.
    GasCylinder = "gas-cylinder",
}

impl Part {
    /// The part as the analysis knows it.
    pub fn kind(self) -> analysis::upkeep::Part {
        use analysis::upkeep::Part as Kind;
        match self {
            Part::Gasket => Kind::Gasket,
            Part::SealRing => Kind::SealRing,
            Part::StopperRod => Kind::StopperRod,
            Part::StirringRod => Kind::StirringRod,
            Part::Crucible => Kind::Crucible,
            Part::Thermocouple => Kind::Thermocouple,
            Part::PumpOil => Kind::PumpOil,
            Part::GasCylinder => Kind::GasCylinder,
        }
    }
}

words! {
    /// Why a trial was stopped before its last flask.
    StoppedFor, "reason to stop a trial":
    /// It was not safe to go on.
    Safety = "safety",
    /// Flasks of one temperature misran grossly.
    Misruns = "misruns",
    /// The shop had to leave it.
    GivenUp = "given-up",
}

words! {
    /// What a pattern was made of.
    MadeOf, "pattern material":
    /// Wax.
    Wax = "wax",
    /// Castable resin.
    Resin = "resin",
}

words! {
    /// What was weighed after the pour.
    WeightOf, "kind of weight":
    /// The sprue tree, cut clean.
    Tree = "tree",
    /// The button.
    Button = "button",
    /// Flashing, misruns and other metal for the refiner.
    Scrap = "scrap",
    /// The pieces themselves.
    Pieces = "pieces",
}

words! {
    /// Who put a machine or a kiln into the records.
    AddedBy, "origin":
    /// The configuration names it.
    Configuration = "configuration",
    /// An imported file names it.
    Import = "import",
    /// A person.
    Hand = "hand",
}

words! {
    /// How a pour came to its flask card.
    MatchedBy, "kind of match":
    /// Pours in order of time against cards in order of casting.
    Order = "order",
    /// A person said so.
    Hand = "hand",
}

words! {
    /// What made a match evidence.
    ConfirmedBy, "confirmation":
    /// One tap.
    Tap = "tap",
    /// The flask's inspection.
    Inspection = "inspection",
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_wrong_word_is_answered_with_the_right_ones() {
        assert_eq!("seal-ring".parse::<Part>().unwrap(), Part::SealRing);
        let error = "sealring".parse::<Part>().unwrap_err().to_string();
        assert!(
            error.starts_with("\"sealring\" is no part; use gasket, seal-ring,"),
            "{error}"
        );
    }

    #[test]
    fn stages_are_ordered_as_the_work_goes() {
        assert!(Stage::Washed < Stage::Cut && Stage::Cut < Stage::Polished);
        assert!(Stage::Polished < Stage::Returned);
    }
}
