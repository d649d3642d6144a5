//! From the bytes of one message to readings in the stored unit of their channel. Knows the
//! formats a sensor may send: a bare number, a switch word, JSON with a pointer to the value,
//! and SenML. What it cannot read it says in words that a person at the bench can act on.

use analysis::channel::Quantity;
use analysis::time::Micros;
use analysis::units::{Unit, UnitError, read_switch};
use serde_json::Value as Json;

use super::senml;
use crate::route::{Route, Sense};

/// Longest payload that is looked into, bytes. A reading takes tens; a SenML backlog a few
/// thousand.
pub const LONGEST: usize = 64 * 1024;

/// The time that a sender gave.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SentTime {
    /// By the sender's own clock.
    At(Micros),
    /// So many microseconds before the message was sent (SenML relative time); needs no clock.
    Ago(i64),
}

/// One reading out of a payload, in the stored unit of its channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Value {
    /// The value; always finite.
    pub value: f64,
    /// When, if the payload says.
    pub time: Option<SentTime>,
}

/// Why a payload gave no reading.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Unreadable {
    /// No bytes at all.
    #[error("the payload is empty")]
    Empty,
    /// More than [`LONGEST`].
    #[error("the payload has {bytes} bytes; the limit is {LONGEST}")]
    TooLong {
        /// Its length.
        bytes: usize,
    },
    /// Neither text nor JSON.
    #[error("the payload is not text (UTF-8); send the number as text, JSON or SenML")]
    NotText,
    /// Text that is no number.
    #[error("\"{text}\" is not a number")]
    NotANumber {
        /// What was read, shortened.
        text: String,
    },
    /// NaN or infinite, or a number too large to hold.
    #[error("{text} is not a finite number")]
    NotFinite {
        /// What was read, shortened.
        text: String,
    },
    /// Not a position of a switch.
    #[error("\"{text}\" is not a switch position; send 1, true, on, open or 0, false, off, closed")]
    NotASwitch {
        /// What was read, shortened.
        text: String,
    },
    /// Broken JSON.
    #[error("not JSON: {reason}")]
    NotJson {
        /// What the parser says, with line and column.
        reason: String,
    },
    /// A JSON object for a channel that has no pointer.
    #[error("the payload is a JSON object; give the channel a pointer to its value{hint}")]
    NoPointer {
        /// Pointers that would lead to a number.
        hint: String,
    },
    /// Nothing where the pointer leads.
    #[error("there is no \"{pointer}\" in the JSON{hint}")]
    NothingThere {
        /// The pointer.
        pointer: String,
        /// Pointers that would lead to a number.
        hint: String,
    },
    /// A time that is none.
    #[error(
        "the time {text} is neither RFC 3339 with an offset, like 2026-11-18T09:12:00Z, nor UNIX \
         seconds, milliseconds or microseconds"
    )]
    NotATime {
        /// What was read.
        text: String,
    },
    /// SenML that breaks its standard or fits no channel.
    #[error("SenML: {reason}")]
    SenMl {
        /// What is wrong.
        reason: String,
    },
    /// The configured unit does not fit; configuration normally refuses it long before.
    #[error("unit: {0}")]
    Unit(#[from] UnitError),
}

impl Unreadable {
    /// A word or two to count it under.
    pub fn kind(&self) -> &'static str {
        match self {
            Unreadable::Empty => "empty payload",
            Unreadable::TooLong { .. } => "payload too long",
            Unreadable::NotText => "not text",
            Unreadable::NotANumber { .. } => "not a number",
            Unreadable::NotFinite { .. } => "not finite",
            Unreadable::NotASwitch { .. } => "not a switch position",
            Unreadable::NotJson { .. } => "not JSON",
            Unreadable::NoPointer { .. } | Unreadable::NothingThere { .. } => {
                "no value in the JSON"
            }
            Unreadable::NotATime { .. } => "not a time",
            Unreadable::SenMl { .. } => "SenML",
            Unreadable::Unit(_) => "unit",
        }
    }
}

/// Reads every reading of `route`'s channel in `payload`.
///
/// `ambient_kpa` is the air's pressure now, from which an absolute vacuum is counted.
///
/// # Errors
/// [`Unreadable`], with the reason in words.
pub fn read(payload: &[u8], route: &Route, ambient_kpa: f64) -> Result<Vec<Value>, Unreadable> {
    if payload.is_empty() {
        return Err(Unreadable::Empty);
    }
    if payload.len() > LONGEST {
        return Err(Unreadable::TooLong {
            bytes: payload.len(),
        });
    }
    let text = std::str::from_utf8(payload)
        .map_err(|_| Unreadable::NotText)?
        .trim();
    if text.is_empty() {
        return Err(Unreadable::Empty);
    }
    if !route.value_pointer.is_empty() {
        return from_json(text, route, ambient_kpa).map(|value| vec![value]);
    }
    if text.starts_with('[') {
        return senml::read(text, route, ambient_kpa);
    }
    if text.starts_with('{') {
        let json = parse(text)?;
        return Err(Unreadable::NoPointer { hint: hint(&json) });
    }
    let unit = unit_of(route)?;
    Ok(vec![Value {
        value: scalar(text, route, unit, ambient_kpa)?,
        time: None,
    }])
}

fn from_json(text: &str, route: &Route, ambient_kpa: f64) -> Result<Value, Unreadable> {
    let json = parse(text)?;
    let found = json
        .pointer(&route.value_pointer)
        .filter(|found| !found.is_null())
        .ok_or_else(|| Unreadable::NothingThere {
            pointer: route.value_pointer.clone(),
            hint: hint(&json),
        })?;
    let unit = unit_of(route)?;
    let value = match found {
        Json::String(text) => scalar(text.trim(), route, unit, ambient_kpa)?,
        other => scalar(&other.to_string(), route, unit, ambient_kpa)?,
    };
    let time = if route.time_pointer.is_empty() {
        None
    } else {
        // A device that has not yet learnt the time leaves it out or sends null.
        match json.pointer(&route.time_pointer) {
            None | Some(Json::Null) => None,
            Some(found) => Some(SentTime::At(time(found)?)),
        }
    };
    Ok(Value { value, time })
}

/// The configured unit; switches need none.
pub(super) fn unit_of(route: &Route) -> Result<Unit, Unreadable> {
    let quantity = route.channel.quantity();
    if quantity == Quantity::Switch && route.unit.is_empty() {
        return Ok(Unit::Switch);
    }
    Ok(Unit::parse_for(quantity, &route.unit)?)
}

/// One number or switch word, as text.
fn scalar(text: &str, route: &Route, unit: Unit, ambient_kpa: f64) -> Result<f64, Unreadable> {
    if route.channel.quantity() == Quantity::Switch {
        return switch(text);
    }
    let number: f64 = text
        .parse()
        .map_err(|_| Unreadable::NotANumber { text: short(text) })?;
    stored(number, route, unit, ambient_kpa)
}

/// A switch word or number as 0 or 1.
pub(super) fn switch(text: &str) -> Result<f64, Unreadable> {
    if let Ok(position) = read_switch(text) {
        return Ok(position);
    }
    // Some firmware sends switches as 1.0 and 0.0.
    match text.parse::<f64>() {
        Ok(number) if number == 1.0 || number == 0.0 => Ok(number.abs()),
        _ => Err(Unreadable::NotASwitch { text: short(text) }),
    }
}

/// A number in `unit` as the stored value of the route's channel.
pub(super) fn stored(
    number: f64,
    route: &Route,
    unit: Unit,
    ambient_kpa: f64,
) -> Result<f64, Unreadable> {
    let value = unit.to_canonical(number);
    let value = match (route.channel.quantity(), route.sense) {
        (Quantity::Vacuum, Sense::Absolute) => ambient_kpa - value,
        (Quantity::Flow, _) => value * route.flow_factor,
        _ => value,
    };
    if value.is_finite() {
        Ok(value)
    } else {
        Err(Unreadable::NotFinite {
            text: short(&number.to_string()),
        })
    }
}

/// RFC 3339, or UNIX time in seconds, milliseconds or microseconds, told apart by size: below
/// 10¹¹ are seconds (until the year 5138), below 10¹⁴ milliseconds (from 1973), below 10¹⁷
/// microseconds (from 1973).
fn time(found: &Json) -> Result<Micros, Unreadable> {
    let not = || Unreadable::NotATime {
        text: short(&found.to_string()),
    };
    match found {
        Json::String(text) => match text.trim().parse::<f64>() {
            Ok(number) => unix(number).ok_or_else(not),
            Err(_) => Micros::parse_rfc3339(text.trim()).map_err(|_| not()),
        },
        Json::Number(number) => match number.as_i64() {
            // Integers keep every digit; a float of microseconds does not.
            Some(whole) => unix_whole(whole).ok_or_else(not),
            None => number.as_f64().and_then(unix).ok_or_else(not),
        },
        _ => Err(not()),
    }
}

fn unix_whole(number: i64) -> Option<Micros> {
    let micros = match number {
        0..100_000_000_000 => number * 1_000_000,
        100_000_000_000..100_000_000_000_000 => number * 1_000,
        100_000_000_000_000..100_000_000_000_000_000 => number,
        _ => return None,
    };
    Some(Micros(micros))
}

fn unix(number: f64) -> Option<Micros> {
    let scale = if !(0.0..1e17).contains(&number) {
        return None;
    } else if number < 1e11 {
        1e6
    } else if number < 1e14 {
        1e3
    } else {
        1.0
    };
    Some(Micros((number * scale).round() as i64))
}

pub(super) fn parse(text: &str) -> Result<Json, Unreadable> {
    serde_json::from_str(text).map_err(|e| Unreadable::NotJson {
        reason: e.to_string(),
    })
}

/// The first few pointers in `json` that lead to a number, for the person who configures.
fn hint(json: &Json) -> String {
    fn walk(json: &Json, path: &str, found: &mut Vec<String>) {
        if found.len() >= 5 {
            return;
        }
        match json {
            Json::Number(_) | Json::Bool(_) => found.push(path.to_owned()),
            Json::Object(fields) => {
                for (key, value) in fields {
                    let key = key.replace('~', "~0").replace('/', "~1");
                    walk(value, &format!("{path}/{key}"), found);
                }
            }
            Json::Array(items) => {
                for (i, value) in items.iter().enumerate().take(5) {
                    walk(value, &format!("{path}/{i}"), found);
                }
            }
            _ => {}
        }
    }
    let mut found = Vec::new();
    walk(json, "", &mut found);
    found.retain(|path| !path.is_empty());
    if found.is_empty() {
        "; it holds no number".to_owned()
    } else {
        let listed: Vec<String> = found.iter().map(|p| format!("\"{}\"", short(p))).collect();
        format!("; it has {}", listed.join(", "))
    }
}

/// At most 40 characters of what was sent, on one line.
pub(super) fn short(text: &str) -> String {
    let mut line: String = text
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .take(40)
        .collect();
    if text.chars().count() > 40 {
        line.push('…');
    }
    line
}
