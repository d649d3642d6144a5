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

/// Times below this are relative to now (RFC 8428, section 4.5): 2²⁸ s.
const RELATIVE_BELOW_S: f64 = 268_435_456.0;
/// The version this reads, which is also the default (RFC 8428, section 4). A later one may mean other things by the same fields.
const VERSION: f64 = 10.0;

#[derive(Debug, Clone, PartialEq)]
enum Measured {
    Number(f64),
    Bool(bool),
    Text(String),
}

/// One record after its base fields were worked in (RFC 8428, section 4.6).
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
        // A field whose label ends in "_" must not be passed over (RFC 8428, section 4).
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
            // A missing value counts as 0 on top of the base value (RFC 8428, section 4.5).
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

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::mqtt::payload::tests::route;

    fn values(pack: &str, route: &Route) -> Result<Vec<(f64, Option<SentTime>)>, String> {
        read(pack, route, 101.0)
            .map(|values| values.iter().map(|v| (v.value, v.time)).collect())
            .map_err(|e| e.to_string())
    }

    /// RFC 8428, section 5.1: the single data point.
    #[test]
    fn a_single_record_is_read() {
        let pack = r#"[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]"#;
        let melt = route("melt_temperature", "K");
        assert_eq!(values(pack, &melt), Ok(vec![(23.1, None)]));
    }

    /// RFC 8428, section 5.1, the pack of a voltage and six currents; resolved by the rules of
    /// section 4.6: names joined, times added, the unit from the base where a record has none.
    #[test]
    fn the_standards_pack_resolves_as_the_standard_says() {
        let pack = r#"[
            {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,
             "bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
            {"n":"current","t":-5,"v":1.2},
            {"n":"current","t":-4,"v":1.3},
            {"n":"current","t":-3,"v":1.4},
            {"n":"current","t":-2,"v":1.5},
            {"n":"current","t":-1,"v":1.6},
            {"n":"current","v":1.7}
        ]"#;
        let Json::Array(items) = parse(pack).unwrap() else {
            panic!("an array")
        };
        let records = resolve(&items).unwrap();
        assert_eq!(records.len(), 7);
        assert_eq!(records[0].name, "urn:dev:ow:10e2073a0108006:voltage");
        assert_eq!(records[0].unit.as_deref(), Some("V"));
        for (i, record) in records[1..].iter().enumerate() {
            assert_eq!(record.name, "urn:dev:ow:10e2073a0108006:current");
            assert_eq!(record.unit.as_deref(), Some("A"));
            assert_eq!(
                record.measured,
                Measured::Number([1.2, 1.3, 1.4, 1.5, 1.6, 1.7][i])
            );
            let time = 1_276_020_076_001_000 - (5 - i as i64) * 1_000_000;
            assert_eq!(record.time, Some(SentTime::At(Micros(time))));
        }
    }

    #[test]
    fn times_below_2_to_the_28_are_relative_to_now() {
        let melt = route("melt_temperature", "Cel");
        let pack = r#"[{"bn":"melt","bt":-10,"v":960},{"t":5,"v":961},{"t":10,"v":962}]"#;
        assert_eq!(
            values(pack, &melt),
            Ok(vec![
                (960.0, Some(SentTime::Ago(10_000_000))),
                (961.0, Some(SentTime::Ago(5_000_000))),
                (962.0, None),
            ])
        );
        let at = |t: &str| values(&format!(r#"[{{"n":"a","v":1,"t":{t}}}]"#), &melt).unwrap()[0].1;
        assert!(matches!(at("268435455"), Some(SentTime::Ago(_))));
        assert!(matches!(at("268435456"), Some(SentTime::At(_))));
    }

    #[test]
    fn a_unit_in_the_record_wins_over_the_configured_one() {
        let melt = route("melt_temperature", "Cel");
        let kelvin = values(r#"[{"n":"melt","u":"K","v":1241.65}]"#, &melt).unwrap()[0].0;
        assert!((kelvin - 968.5).abs() < 1e-9);
        // A word that is no unit leaves the configured one …
        assert_eq!(
            values(r#"[{"n":"melt","u":"hotness","v":968.5}]"#, &melt),
            Ok(vec![(968.5, None)])
        );
        // … and a unit of something else is not this channel.
        assert!(values(r#"[{"n":"melt","u":"kPa","v":968.5}]"#, &melt).is_err());
    }

    #[test]
    fn a_pack_of_many_sensors_is_sorted_out_by_name_or_unit() {
        let pack = r#"[{"bn":"bench-1/","n":"melt-temperature","u":"Cel","v":968},
            {"n":"vacuum","u":"mbar","v":850},{"n":"stopper","vb":true}]"#;
        assert_eq!(
            values(pack, &route("melt_temperature", "Cel")),
            Ok(vec![(968.0, None)])
        );
        assert_eq!(
            values(pack, &route("vacuum", "inHg")),
            Ok(vec![(85.0, None)])
        );
        assert_eq!(values(pack, &route("stopper", "")), Ok(vec![(1.0, None)]));
        let by_unit = r#"[{"n":"a","u":"Cel","v":968},{"n":"b","u":"kPa","v":85}]"#;
        assert_eq!(
            values(by_unit, &route("vacuum", "mbar")),
            Ok(vec![(85.0, None)])
        );
        let two = r#"[{"n":"left","u":"Cel","v":968},{"n":"right","u":"Cel","v":970}]"#;
        assert_eq!(
            values(two, &route("melt_temperature", "Cel")),
            Err("SenML: several names could be \"melt_temperature\": left, right".into())
        );
    }

    #[test]
    fn base_values_are_added() {
        let melt = route("melt_temperature", "Cel");
        assert_eq!(
            values(
                r#"[{"bn":"m","bv":900},{"v":68},{"t":-1,"v":60},{"t":-2}]"#,
                &melt
            ),
            Ok(vec![
                (968.0, None),
                (960.0, Some(SentTime::Ago(1_000_000))),
                (900.0, Some(SentTime::Ago(2_000_000))),
            ])
        );
    }

    #[test]
    fn what_must_be_understood_and_is_not_is_refused() {
        let melt = route("melt_temperature", "Cel");
        for (pack, words) in [
            (r#"[{"n":"m","v":1,"hot_":2}]"#, "must be understood"),
            (r#"[{"n":"m","v":1,"bver":11}]"#, "newer"),
            (r#"[{"n":"m","v":"968"}]"#, "\"v\" is not a number"),
            (r#"[{"bn":"m"}]"#, "holds no value"),
            (r#"[7]"#, "is a JSON object"),
            (r#"[{"n":"m","vs":"hot"}]"#, "\"hot\" is not a number"),
        ] {
            let said = values(pack, &melt).unwrap_err();
            assert!(said.contains(words), "{pack}: {said}");
        }
    }
}
