//! SenML in JSON (RFC 8428): a pack of records with base fields, resolved to readings of one
//! channel. Reads what a bench sensor sends and refuses what the standard says must not be
//! guessed at; sums, data values and update times are not for us.

use std::collections::BTreeSet;

use analysis::channel::Quantity;
use analysis::time::Micros;
use analysis::units::{Unit, UnitError};
use serde_json::{Map, Value as Json};

use super::payload::{SentTime, Unreadable, Value, parse, short, stored, switch, unit_of};
use crate::route::Route;

/// Times below this are relative to now (RFC 8428, 4.5.3): 2²⁸ s.
const RELATIVE_BELOW_S: f64 = 268_435_456.0;
/// The version this reads (RFC 8428, 4.4). A later one may mean other things by the same fields.
const VERSION: f64 = 10.0;

#[derive(Debug, Clone, PartialEq)]
enum Measured {
    Number(f64),
    Bool(bool),
    Text(String),
}

/// One record after its base fields were worked in (RFC 8428, 4.6).
#[derive(Debug, Clone, PartialEq)]
struct Record {
    name: String,
    unit: Option<String>,
    measured: Measured,
    time: Option<SentTime>,
}

/// Reads the readings of `route`'s channel out of a pack.
///
/// A pack with several names is sorted out by name (the channel's own name at its end), else by
/// unit; if that leaves more than one, it is refused rather than guessed.
///
/// # Errors
/// [`Unreadable`] in words.
pub fn read(text: &str, route: &Route, ambient_kpa: f64) -> Result<Vec<Value>, Unreadable> {
    let Json::Array(pack) = parse(text)? else {
        return Err(wrong("a pack is a JSON array of records"));
    };
    let records = chosen(resolve(&pack)?, route)?;
    let fallback = unit_of(route)?;
    records
        .into_iter()
        .map(|record| {
            let value = match record.measured {
                Measured::Text(text) if route.channel.quantity() == Quantity::Switch => {
                    switch(&text)?
                }
                Measured::Text(text) => return Err(Unreadable::NotANumber { text: short(&text) }),
                Measured::Bool(on) if route.channel.quantity() == Quantity::Switch => {
                    f64::from(u8::from(on))
                }
                Measured::Bool(on) => {
                    return Err(Unreadable::NotANumber {
                        text: on.to_string(),
                    });
                }
                Measured::Number(number) if route.channel.quantity() == Quantity::Switch => {
                    switch(&number.to_string())?
                }
                Measured::Number(number) => {
                    let unit = unit_sent(record.unit.as_deref(), route, fallback)?;
                    stored(number, route, unit, ambient_kpa)?
                }
            };
            Ok(Value {
                value,
                time: record.time,
            })
        })
        .collect()
}

/// The unit in the record if it is one for this quantity; a word that is no unit at all leaves
/// the configured one; a unit of something else means the record is of something else.
fn unit_sent(word: Option<&str>, route: &Route, fallback: Unit) -> Result<Unit, Unreadable> {
    let Some(word) = word else {
        return Ok(fallback);
    };
    match Unit::parse_for(route.channel.quantity(), word) {
        Ok(unit) => Ok(unit),
        Err(UnitError::Unknown { .. }) if Unit::parse(word).is_err() => Ok(fallback),
        Err(e) => Err(Unreadable::Unit(e)),
    }
}

fn resolve(pack: &[Json]) -> Result<Vec<Record>, Unreadable> {
    let mut base_name = String::new();
    let mut base_time = 0.0;
    let mut base_unit: Option<String> = None;
    let mut base_value: Option<f64> = None;
    let mut records = Vec::new();
    for item in pack {
        let Json::Object(fields) = item else {
            return Err(wrong("every record is a JSON object"));
        };
        // A field whose label ends in "_" must not be passed over (RFC 8428, 4.4).
        if let Some(label) = fields.keys().find(|label| label.ends_with('_')) {
            return Err(wrong(&format!(
                "the field \"{}\" must be understood and is not",
                short(label)
            )));
        }
        if let Some(version) = number(fields, "bver")?
            && version > VERSION
        {
            return Err(wrong(&format!("version {version} is newer than {VERSION}")));
        }
        if let Some(name) = text(fields, "bn")? {
            base_name = name.to_owned();
        }
        if let Some(time) = number(fields, "bt")? {
            base_time = time;
        }
        if let Some(unit) = text(fields, "bu")? {
            base_unit = Some(unit.to_owned());
        }
        if let Some(value) = number(fields, "bv")? {
            base_value = Some(value);
        }
        let measured = if let Some(value) = number(fields, "v")? {
            Measured::Number(base_value.unwrap_or(0.0) + value)
        } else if let Some(on) = fields.get("vb") {
            Measured::Bool(
                on.as_bool()
                    .ok_or_else(|| wrong("\"vb\" is neither true nor false"))?,
            )
        } else if let Some(word) = text(fields, "vs")? {
            Measured::Text(word.to_owned())
        } else if let Some(base) = base_value
            && ["n", "t", "u"]
                .iter()
                .any(|label| fields.contains_key(*label))
            && !fields.contains_key("vd")
        {
            // A missing value counts as 0 on top of the base value (RFC 8428, 4.5.4).
            Measured::Number(base)
        } else {
            // Only base fields, a sum, or data: nothing that a channel reads.
            continue;
        };
        let seconds = base_time + number(fields, "t")?.unwrap_or(0.0);
        if !seconds.is_finite() || seconds.abs() > 1e11 {
            return Err(wrong("a time is out of range"));
        }
        let time = if seconds >= RELATIVE_BELOW_S {
            Some(SentTime::At(Micros((seconds * 1e6).round() as i64)))
        } else if seconds == 0.0 {
            None
        } else {
            Some(SentTime::Ago((-seconds * 1e6).round() as i64))
        };
        records.push(Record {
            name: format!("{base_name}{}", text(fields, "n")?.unwrap_or("")),
            unit: text(fields, "u")?
                .map(str::to_owned)
                .or_else(|| base_unit.clone()),
            measured,
            time,
        });
    }
    if records.is_empty() {
        return Err(wrong("the pack holds no value"));
    }
    Ok(records)
}

/// The records of one name that are meant for the route's channel.
fn chosen(records: Vec<Record>, route: &Route) -> Result<Vec<Record>, Unreadable> {
    let names = |records: &[Record]| {
        records
            .iter()
            .map(|r| r.name.clone())
            .collect::<BTreeSet<_>>()
    };
    if names(&records).len() <= 1 {
        return Ok(records);
    }
    let channel = route.channel.base_name();
    let by_name: Vec<Record> = records
        .iter()
        .filter(|r| r.name.to_lowercase().replace('-', "_").ends_with(channel))
        .cloned()
        .collect();
    let left = if by_name.is_empty() {
        let quantity = route.channel.quantity();
        let mut by_unit = records;
        by_unit.retain(|r| match (&r.unit, &r.measured) {
            (Some(word), _) => Unit::parse_for(quantity, word).is_ok(),
            (None, Measured::Bool(_)) => quantity == Quantity::Switch,
            (None, _) => false,
        });
        by_unit
    } else {
        by_name
    };
    let left_names = names(&left);
    match left_names.len() {
        1 => Ok(left),
        0 => Err(wrong(&format!(
            "none of the names in the pack ends in \"{channel}\" or has a unit for it"
        ))),
        _ => Err(wrong(&format!(
            "several names could be \"{channel}\": {}",
            left_names
                .iter()
                .take(4)
                .map(|n| short(n))
                .collect::<Vec<_>>()
                .join(", ")
        ))),
    }
}

fn number(fields: &Map<String, Json>, label: &str) -> Result<Option<f64>, Unreadable> {
    match fields.get(label) {
        None => Ok(None),
        Some(found) => found
            .as_f64()
            .map(Some)
            .ok_or_else(|| wrong(&format!("\"{label}\" is not a number"))),
    }
}

fn text<'a>(fields: &'a Map<String, Json>, label: &str) -> Result<Option<&'a str>, Unreadable> {
    match fields.get(label) {
        None => Ok(None),
        Some(found) => found
            .as_str()
            .map(Some)
            .ok_or_else(|| wrong(&format!("\"{label}\" is not a text"))),
    }
}

fn wrong(reason: &str) -> Unreadable {
    Unreadable::SenMl {
        reason: reason.to_owned(),
    }
}
