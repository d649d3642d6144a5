//! The settings that a model can hold: their names, units, the step that an odds ratio is told
//! for, and where a flask keeps them. Names are those of the castings table.

use serde::{Deserialize, Serialize};

use super::rows::Row;
use crate::time::Micros;

/// What a missing level is called.
pub(super) const NOT_RECORDED: &str = "not recorded";

/// What the scale of flasks is called that an accepted probe check corrected.
const CHECKED: &str = "checked";

/// A setting or a grouping that a model can hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Factor {
    /// The alloy.
    Alloy,
    /// The section.
    Section,
    /// The pattern, or patterns.
    Pattern,
    /// The machine.
    Machine,
    /// The scale that the pour temperature was read on: a probe, or those that were checked.
    ProbeSeries,
    /// Melt temperature at the pour.
    PourTemperature,
    /// Flask temperature then.
    FlaskTemperature,
    /// Vacuum then as a share of what the air allowed.
    VacuumShare,
    /// Vacuum then.
    Vacuum,
    /// Cover gas before the pour.
    GasFlow,
    /// Soak held.
    Soak,
    /// Pours since the gasket was changed.
    SealAge,
    /// Old metal in the charge.
    Remelt,
    /// Metal poured.
    Metal,
    /// Days since the first flask: what drifts slowly and is not written down.
    Days,
}

/// A name that is no factor.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "\"{name}\" is no factor{}; name one of {known}",
    .nearest.as_ref().map_or_else(String::new, |n| format!(" (perhaps \"{n}\")"))
)]
pub struct UnknownFactor {
    /// As given.
    pub name: String,
    /// The nearest name.
    pub nearest: Option<String>,
    /// All names.
    pub known: String,
}

/// Name, what sentences call it, unit (UCUM where it has one), step of the odds ratio.
type Line = (
    Factor,
    &'static str,
    &'static str,
    Option<&'static str>,
    f64,
);

#[rustfmt::skip]
const FACTORS: [Line; 15] = [
    (Factor::Alloy, "alloy", "the alloy", None, 1.0),
    (Factor::Section, "section", "the section", None, 1.0),
    (Factor::Pattern, "pattern", "the pattern", None, 1.0),
    (Factor::Machine, "machine", "the machine", None, 1.0),
    (Factor::ProbeSeries, "probe_series", "the probe", None, 1.0),
    (Factor::PourTemperature, "pour_temperature", "pour temperature", Some("Cel"), 10.0),
    (Factor::FlaskTemperature, "flask_temperature", "flask temperature", Some("Cel"), 20.0),
    (Factor::VacuumShare, "vacuum_share", "vacuum", Some("1"), 0.1),
    (Factor::Vacuum, "vacuum", "vacuum", Some("kPa"), 10.0),
    (Factor::GasFlow, "gas_flow", "cover gas", Some("L/min"), 1.0),
    (Factor::Soak, "soak", "the soak", Some("min"), 30.0),
    (Factor::SealAge, "seal_age", "the gasket's age", Some("pours"), 10.0),
    (Factor::Remelt, "remelt", "old metal in the charge", Some("%"), 10.0),
    (Factor::Metal, "metal", "metal poured", Some("g"), 50.0),
    (Factor::Days, "days", "slow drift over the months", Some("d"), 30.0),
];

impl Factor {
    /// Every factor, groupings first.
    pub fn all() -> impl Iterator<Item = Factor> {
        FACTORS.iter().map(|line| line.0)
    }

    fn line(self) -> &'static Line {
        // Each variant has its line; a test walks them all.
        FACTORS.iter().find(|l| l.0 == self).unwrap_or(&FACTORS[0])
    }

    /// The factor of this name; capitals, spaces and hyphens are free, and a unit behind the name
    /// (`pour_temperature_c`) is passed over.
    ///
    /// # Errors
    /// [`UnknownFactor`] with the nearest name.
    pub fn parse(name: &str) -> Result<Factor, UnknownFactor> {
        let plain = name.trim().to_lowercase().replace([' ', '-'], "_");
        let bare = ["_c", "_kpa", "_l_min", "_min", "_pours", "_percent", "_g"]
            .iter()
            .find_map(|unit| plain.strip_suffix(unit));
        let exact = |wanted: &str| FACTORS.iter().find(|l| l.1 == wanted).map(|l| l.0);
        exact(&plain)
            .or_else(|| bare.and_then(exact))
            .ok_or_else(|| UnknownFactor {
                name: name.to_owned(),
                nearest: FACTORS
                    .iter()
                    .map(|l| (strsim::jaro_winkler(l.1, &plain), l.1))
                    .filter(|(likeness, _)| *likeness > 0.8)
                    .max_by(|a, b| a.0.total_cmp(&b.0))
                    .map(|(_, n)| n.to_owned()),
                known: FACTORS.iter().map(|l| l.1).collect::<Vec<_>>().join(", "),
            })
    }

    /// Its name, as terms of a model carry it.
    pub fn name(self) -> &'static str {
        self.line().1
    }

    /// What a sentence calls it.
    pub fn words(self) -> &'static str {
        self.line().2
    }

    /// The unit of its column; `None` for a grouping.
    pub fn unit(self) -> Option<&'static str> {
        self.line().3
    }

    /// The step that an odds ratio is told for, in that unit; 1 for a grouping.
    pub fn step(self) -> f64 {
        self.line().4
    }

    /// Whether it sorts flasks into groups instead of measuring something.
    pub fn groups(self) -> bool {
        self.unit().is_none()
    }

    /// The flask's number, in the factor's unit; `None` where it was not measured, is not a
    /// number, or the factor is a grouping.
    pub(super) fn value(self, row: &Row, origin: Micros) -> Option<f64> {
        let f = row.flask;
        let value = match self {
            Factor::PourTemperature => f.pour_temperature_c,
            Factor::FlaskTemperature => f.flask_temperature_c,
            Factor::VacuumShare => f.vacuum_share,
            Factor::Vacuum => f.vacuum_kpa,
            Factor::GasFlow => f.gas_flow_l_min,
            Factor::Soak => f.soak_min,
            Factor::SealAge => f.seal_age_pours.map(f64::from),
            Factor::Remelt => f.remelt_percent,
            Factor::Metal => f.metal_g,
            Factor::Days => Some(f.cast_at.seconds_since(origin) / 86_400.0),
            Factor::Alloy
            | Factor::Section
            | Factor::Pattern
            | Factor::Machine
            | Factor::ProbeSeries => None,
        };
        // Numbers beyond any furnace are slips that would drown the rest in rounding.
        value.filter(|v| v.is_finite() && v.abs() < 1e7)
    }

    /// The flask's group; `not recorded` where it has none.
    pub(super) fn level<'a>(self, row: &'a Row) -> &'a str {
        let level = match self {
            Factor::Alloy => row.alloy.as_deref(),
            Factor::Section => row.section.as_deref(),
            Factor::Pattern => row.flask.pattern.as_deref(),
            Factor::Machine => Some(row.flask.machine.as_str()),
            // Those that a check corrected read alike, whichever they are.
            Factor::ProbeSeries if row.flask.probe_offset_k.is_some() => Some(CHECKED),
            Factor::ProbeSeries => row.flask.probe_series.as_deref(),
            _ => None,
        };
        level.unwrap_or(NOT_RECORDED)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn every_factor_is_found_by_its_name() {
        for factor in Factor::all() {
            assert_eq!(Factor::parse(factor.name()).unwrap(), factor);
            assert!(factor.step() > 0.0);
        }
        for (name, factor) in [
            ("Pour temperature", Factor::PourTemperature),
            ("pour_temperature_c", Factor::PourTemperature),
            ("seal-age", Factor::SealAge),
            ("vacuum_kpa", Factor::Vacuum),
            ("gas_flow_l_min", Factor::GasFlow),
        ] {
            assert_eq!(Factor::parse(name).unwrap(), factor, "{name}");
        }
        let error = Factor::parse("pour_temprature").unwrap_err().to_string();
        assert!(error.contains("perhaps \"pour_temperature\""), "{error}");
    }
}
