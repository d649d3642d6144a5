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

#[cfg(test)]
#[allow(clippy::unwrap_used)]
pub(super) mod tests {
    use super::*;
    use crate::place::Place;
    use analysis::channel::Channel;
    use proptest::prelude::*;

    /// A channel of an invented bench, heard as a bare number.
    pub(in crate::mqtt) fn route(channel: &str, unit: &str) -> Route {
        let channel: Channel = channel.parse().unwrap();
        Route {
            place: Place::Machine("bench-1".into()),
            channel,
            topic: format!("shop/bench-1/{channel}"),
            unit: unit.into(),
            sense: Sense::BelowAmbient,
            flow_factor: 1.0,
            ambient_kpa: 101.0,
            value_pointer: String::new(),
            time_pointer: String::new(),
            min: None,
            max: None,
            stale_after_s: 5.0,
        }
    }

    fn one(payload: &str, route: &Route) -> Result<f64, String> {
        read(payload.as_bytes(), route, 101.0)
            .map(|values| {
                assert_eq!(values.len(), 1);
                values[0].value
            })
            .map_err(|e| e.to_string())
    }

    #[test]
    fn a_bare_number_is_read_in_its_unit() {
        let melt = route("melt_temperature", "Cel");
        assert_eq!(one("968.5", &melt), Ok(968.5));
        assert_eq!(one(" 968.5\r\n", &melt), Ok(968.5));
        // 1775 °F = 968.33 °C: (1775 − 32)/1.8, NIST SP 811 (2008) appendix B.8.
        let fahrenheit = one("1775", &route("melt_temperature", "degF")).unwrap();
        assert!((fahrenheit - 968.333_333).abs() < 1e-5);
        // 1 inHg (conventional) = 3.386 389 kPa, SP 811 appendix B.8.
        let needle = one("25", &route("vacuum", "inHg")).unwrap();
        assert!((needle - 25.0 * 3.386_389).abs() < 1e-4);
    }

    #[test]
    fn an_absolute_vacuum_is_counted_from_the_days_air() {
        let mut vacuum = route("vacuum", "mbar");
        vacuum.sense = Sense::Absolute;
        assert_eq!(one("160", &vacuum), Ok(101.0 - 16.0));
    }

    #[test]
    fn a_tube_scaled_for_another_gas_is_corrected() {
        let mut gas = route("gas_flow", "L/min");
        gas.flow_factor = 0.5;
        assert_eq!(one("8", &gas), Ok(4.0));
    }

    #[test]
    fn switches_speak_many_words() {
        let valve = route("vacuum_valve", "");
        for on in ["1", "true", "on", "open", "ON", "1.0"] {
            assert_eq!(one(on, &valve), Ok(1.0), "{on}");
        }
        for off in ["0", "false", "off", "closed", "0.0"] {
            assert_eq!(one(off, &valve), Ok(0.0), "{off}");
        }
        assert!(one("2", &valve).unwrap_err().contains("switch position"));
    }

    #[test]
    fn json_is_read_by_pointer() {
        let mut melt = route("melt_temperature", "Cel");
        melt.value_pointer = "/probes/0/t~1c".into();
        melt.time_pointer = "/at".into();
        let payload = br#"{"probes":[{"t/c":968.5}],"at":"2026-11-18T10:12:00+01:00"}"#;
        assert_eq!(
            read(payload, &melt, 101.0),
            Ok(vec![Value {
                value: 968.5,
                time: Some(SentTime::At(
                    Micros::parse_rfc3339("2026-11-18T09:12:00Z").unwrap()
                )),
            }])
        );
        // A device that does not know the time yet.
        for payload in [
            r#"{"probes":[{"t/c":"968.5"}],"at":null}"#,
            r#"{"probes":[{"t/c":968.5}]}"#,
        ] {
            let values = read(payload.as_bytes(), &melt, 101.0).unwrap();
            assert_eq!((values[0].value, values[0].time), (968.5, None));
        }
    }

    /// The evaluation examples of RFC 6901, section 5, for pointers that lead to a number.
    #[test]
    fn pointers_follow_their_standard() {
        let document = r#"{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,
            "i\\j":5,"k\"l":6," ":7,"m~n":8}"#;
        for (pointer, value) in [
            ("/", 0.0),
            ("/a~1b", 1.0),
            ("/c%d", 2.0),
            ("/e^f", 3.0),
            ("/g|h", 4.0),
            ("/i\\j", 5.0),
            ("/k\"l", 6.0),
            ("/ ", 7.0),
            ("/m~0n", 8.0),
        ] {
            let mut melt = route("melt_temperature", "Cel");
            melt.value_pointer = pointer.into();
            assert_eq!(one(document, &melt), Ok(value), "{pointer}");
        }
    }

    #[test]
    fn unix_times_are_told_apart_by_size() {
        let mut melt = route("melt_temperature", "Cel");
        melt.value_pointer = "/v".into();
        melt.time_pointer = "/t".into();
        let sent = |time: &str| {
            let payload = format!(r#"{{"v":1,"t":{time}}}"#);
            read(payload.as_bytes(), &melt, 101.0).map(|values| values[0].time.unwrap())
        };
        let expected = SentTime::At(Micros(1_795_000_000_123_000));
        assert_eq!(sent("1795000000.123"), Ok(expected));
        assert_eq!(sent("1795000000123"), Ok(expected));
        assert_eq!(sent("1795000000123000"), Ok(expected));
        assert_eq!(sent("\"1795000000123\""), Ok(expected));
        for no in [
            "-5",
            "1e300",
            "true",
            "\"09:12\"",
            "\"2026-11-18T09:12:00\"",
        ] {
            assert!(matches!(sent(no), Err(Unreadable::NotATime { .. })), "{no}");
        }
    }

    #[test]
    fn what_cannot_be_read_is_said_in_words() {
        let melt = route("melt_temperature", "Cel");
        let mut pointed = melt.clone();
        pointed.value_pointer = "/temp".into();
        for (payload, route, words) in [
            ("", &melt, "the payload is empty"),
            ("hot", &melt, "\"hot\" is not a number"),
            ("9 68", &melt, "\"9 68\" is not a number"),
            ("NaN", &melt, "NaN is not a finite number"),
            ("1e400", &melt, "inf is not a finite number"),
            ("-inf", &melt, "-inf is not a finite number"),
            (
                r#"{"melt":{"c":968},"ok":"yes"}"#,
                &melt,
                "the payload is a JSON object; give the channel a pointer to its value; it has \
                 \"/melt/c\"",
            ),
            (
                r#"{"t":968}"#,
                &pointed,
                "there is no \"/temp\" in the JSON; it has \"/t\"",
            ),
            (r#"{"temp":[1]}"#, &pointed, "\"[1]\" is not a number"),
            (
                "{\"temp\":9",
                &pointed,
                "not JSON: EOF while parsing an object at line 1 column 9",
            ),
        ] {
            assert_eq!(one(payload, route), Err(words.into()), "{payload}");
        }
        assert_eq!(read(&[0xff, 0xfe], &melt, 101.0), Err(Unreadable::NotText));
        assert_eq!(
            read(&vec![b'1'; LONGEST + 1], &melt, 101.0),
            Err(Unreadable::TooLong { bytes: LONGEST + 1 })
        );
        // Nesting that would run a careless parser off its stack.
        let deep = "[".repeat(60_000);
        assert!(read(deep.as_bytes(), &melt, 101.0).is_err());
    }

    proptest! {
        /// Whatever a sensor sends, it is read to finite values or refused in words.
        #[test]
        fn nothing_sent_can_break_the_reading(
            payload in proptest::collection::vec(any::<u8>(), 0..200),
            pointer in prop_oneof![Just(""), Just("/v"), Just("/0/v")],
        ) {
            for channel in ["melt_temperature", "vacuum", "gas_flow", "stopper"] {
                let unit = match channel {
                    "melt_temperature" => "degF",
                    "vacuum" => "inHg",
                    "gas_flow" => "ft3/h",
                    _ => "",
                };
                let mut route = route(channel, unit);
                route.value_pointer = pointer.into();
                match read(&payload, &route, 101.0) {
                    Ok(values) => prop_assert!(values.iter().all(|v| v.value.is_finite())),
                    Err(e) => prop_assert!(!e.to_string().is_empty()),
                }
            }
        }

        /// Anything shaped like SenML, sane or not.
        #[test]
        fn no_pack_can_break_the_reading(
            fields in proptest::collection::vec(
                (
                    prop_oneof![
                        Just("n"), Just("bn"), Just("v"), Just("bv"), Just("t"), Just("bt"),
                        Just("u"), Just("bu"), Just("vb"), Just("vs"), Just("bver"), Just("x_"),
                    ],
                    prop_oneof![
                        any::<f64>().prop_map(|f| format!("{f:e}")),
                        any::<i64>().prop_map(|i| i.to_string()),
                        Just("true".to_owned()),
                        Just("\"Cel\"".to_owned()),
                        Just("null".to_owned()),
                    ],
                ),
                0..8,
            ),
        ) {
            let record: Vec<String> =
                fields.iter().map(|(k, v)| format!("\"{k}\":{v}")).collect();
            let pack = format!("[{{{0}}},{{{0}}}]", record.join(","));
            if let Ok(values) = read(pack.as_bytes(), &route("melt_temperature", "K"), 101.0) {
                prop_assert!(values.iter().all(|v| v.value.is_finite()));
            }
        }
    }
}
