//! One heard channel: `[machine.channels.vacuum]` and its like. Reads topic, unit, sense,
//! pointers, limits and the correction of a flow tube, and turns limits into stored units.

use std::collections::HashMap;
use std::ops::Range;

use analysis::channel::{Channel, Quantity};
use analysis::units::Unit;

use crate::route::Sense;

use super::known;
use super::quantity;
use super::read::{At, Table};

/// Longest topic taken, bytes. MQTT would allow 65,535; nobody types that.
const LONGEST_TOPIC: usize = 256;

/// One channel, as configured.
#[derive(Clone, Debug, PartialEq)]
pub struct Heard {
    /// Which channel; kiln channels have number 0.
    pub channel: Channel,
    /// `topic`: the MQTT topic, exactly.
    pub topic: String,
    /// `unit`: the word as written, which fits the channel; empty for switches.
    pub unit: String,
    /// `sense`, for vacuum: `"below-ambient"` (the default) or `"absolute"`.
    pub sense: Sense,
    /// For gas flow, from `scale` and `flows`: what a reading is multiplied with. Default: 1.
    pub flow_factor: f64,
    /// `value`: JSON Pointer (RFC 6901) to the value. Default: empty, the payload is a number or
    /// SenML.
    pub value_pointer: String,
    /// `time`: JSON Pointer to the device's time. Default: empty, time of arrival.
    pub time_pointer: String,
    /// `min`, written in the channel's unit, here in its stored unit; for an absolute vacuum it
    /// comes from `max`. Default: no limit.
    pub min: Option<f64>,
    /// `max`, likewise. Default: no limit.
    pub max: Option<f64>,
    /// `stale_after_s`: silence that counts as a fault, s. Default: 5 for a machine's readings,
    /// 300 for a kiln's and the shop's; switches, which speak only when they change, never
    /// (infinite).
    pub stale_after_s: f64,
}

/// Who has channels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Owner {
    Shop,
    Kiln,
    Machine,
}

impl Owner {
    /// Whose channel it is.
    fn of(channel: Channel) -> Owner {
        match channel {
            Channel::Barometer | Channel::RoomOxygen => Owner::Shop,
            Channel::KilnDoor(_) | Channel::KilnTemperature(_) => Owner::Kiln,
            Channel::ChamberDoor
            | Channel::FlaskTemperature
            | Channel::GasFlow
            | Channel::GasPressure
            | Channel::MeltTemperature
            | Channel::Stopper
            | Channel::Vacuum
            | Channel::VacuumValve => Owner::Machine,
        }
    }

    fn heading(self) -> &'static str {
        match self {
            Owner::Shop => "[shop.channels]",
            Owner::Kiln => "[kiln.channels] of a [[kiln]]",
            Owner::Machine => "[machine.channels] of a [[machine]]",
        }
    }

    fn stale_after_s(self) -> f64 {
        match self {
            Owner::Machine => 5.0,
            Owner::Shop | Owner::Kiln => 300.0,
        }
    }
}

/// Topics taken so far, each with the pointers read from it and what reads them.
#[derive(Default)]
pub(super) struct Topics(HashMap<String, Vec<(String, String)>>);

/// Reads the `channels` of a shop, kiln or machine.
pub(super) fn read_all(
    owner_table: &Table<'_>,
    owner: Owner,
    ambient_kpa: f64,
    topics: &mut Topics,
) -> Vec<Heard> {
    let Some(channels) = owner_table.table("channels") else {
        return Vec::new();
    };
    let mut heard = Vec::new();
    for (name, table) in channels.named_tables() {
        let channel = read_channel(&name, owner, &channels);
        let (Some(channel), Some(table)) = (channel, table) else {
            continue;
        };
        heard.extend(read_one(&table, channel, owner, ambient_kpa, topics));
        table.finish();
    }
    heard.sort_by_key(|h| h.channel);
    heard
}

fn read_channel(name: &At<String>, owner: Owner, channels: &Table<'_>) -> Option<Channel> {
    let word = name.value.as_str();
    // A kiln's number is given by the machine that names it, never here.
    let channel = Channel::NAMES
        .contains(&word)
        .then(|| word.parse::<Channel>().ok())
        .flatten();
    let Some(channel) = channel else {
        let here: Vec<&str> = Channel::NAMES
            .into_iter()
            .filter(|n| n.parse().is_ok_and(|c| Owner::of(c) == owner))
            .collect();
        channels.problems.add(
            &name.span,
            format!(
                "unknown channel \"{}\"; {}",
                word.escape_debug(),
                match known::nearest(word, &Channel::NAMES) {
                    Some(near) => format!("did you mean \"{near}\"?"),
                    None => known::advice(word, &here, "channels"),
                }
            ),
        );
        return None;
    };
    if Owner::of(channel) != owner {
        channels.problems.add(
            &name.span,
            format!(
                "\"{word}\" is not a channel of {}; move it to {}",
                channels.title,
                Owner::of(channel).heading()
            ),
        );
        return None;
    }
    Some(channel)
}

fn read_one(
    table: &Table<'_>,
    channel: Channel,
    owner: Owner,
    ambient_kpa: f64,
    topics: &mut Topics,
) -> Option<Heard> {
    let switch = channel.quantity() == Quantity::Switch;
    let topic = read_topic(table);
    let value_pointer = read_pointer(table, "value");
    let time_pointer = read_pointer(table, "time");
    if let (Some(topic), Some(value)) = (&topic, &value_pointer) {
        let place = format!("{} ({channel})", table.title);
        let readers = topics.0.entry(topic.value.clone()).or_default();
        // One payload cannot be a number to one channel and a JSON object to another.
        let whole = |(pointer, _): &&(String, String)| {
            pointer == value || pointer.is_empty() || value.is_empty()
        };
        let clash = readers.iter().find(whole).map(|(pointer, other)| {
            if value.is_empty() || pointer.is_empty() {
                format!(
                    "the topic \"{}\" is already read by {other}; give each channel its own \
                     topic, or tell them apart with value = \"/name\"",
                    topic.value
                )
            } else {
                format!(
                    "\"{value}\" of the topic \"{}\" is already read by {other}; keep one",
                    topic.value
                )
            }
        });
        readers.push((value.clone(), place));
        if let Some(what) = clash {
            table.problems.add(&topic.span, what);
        }
    }
    let unit = read_unit(table, channel, switch);
    let sense = read_sense(table, channel);
    let flow_factor = match channel {
        Channel::GasFlow => quantity::read_flow_factor(table),
        _ => Some(1.0),
    };
    let limits = read_limits(table, switch);
    let stale = table
        .number_in("stale_after_s", 0.1, 86_400.0, "s")
        .map(|n| n.value);
    let (unit, sense, flow_factor) = (unit?, sense?, flow_factor?);
    let (min, max) = match unit {
        Some((_, unit)) => stored_limits(limits?, unit, sense, flow_factor, ambient_kpa),
        None => (None, None),
    };
    Some(Heard {
        channel,
        topic: topic?.value,
        unit: unit.map_or_else(String::new, |(word, _)| word),
        sense,
        flow_factor,
        value_pointer: value_pointer?,
        time_pointer: time_pointer?,
        min,
        max,
        stale_after_s: stale.unwrap_or(if switch {
            f64::INFINITY
        } else {
            owner.stale_after_s()
        }),
    })
}

fn read_topic(table: &Table<'_>) -> Option<At<String>> {
    let topic = table.needed_text("topic", "shop/bench-1/melt")?;
    let text = topic.value.as_str();
    let why = if text.contains(['+', '#']) {
        "has a wildcard (+ or #); name one topic exactly"
    } else if text.starts_with('$') {
        "begins with $, which brokers keep for themselves; choose another"
    } else if text.len() > LONGEST_TOPIC {
        "is longer than 256 bytes; shorten it"
    } else if text.trim() != text {
        "begins or ends with a space; take it out"
    } else if text.chars().any(char::is_control) {
        "holds a character that cannot be seen; type it anew"
    } else {
        return Some(topic);
    };
    let what = format!("the topic \"{}\" {why}", text.escape_debug());
    table.problems.add(&topic.span, what);
    None
}

/// A JSON Pointer: empty, or parts that each begin with `/`, in which `~` is followed by 0 or 1
/// (RFC 6901, section 3).
fn read_pointer(table: &Table<'_>, key: &'static str) -> Option<String> {
    if !table.has(key) {
        table.known(key);
        return Some(String::new());
    }
    let pointer = table.text(key, "/temperature")?;
    let text = &pointer.value;
    let begins = text.is_empty() || text.starts_with('/');
    let escapes = text
        .split('~')
        .skip(1)
        .all(|after| after.starts_with(['0', '1']));
    if begins && escapes {
        return Some(pointer.value);
    }
    table.problems.add(
        &pointer.span,
        format!(
            "\"{key}\" is \"{}\", which is not a JSON Pointer; write one like \
             \"/temperature\" or \"/sensors/0/value\", or leave it out for a plain number",
            text.escape_debug()
        ),
    );
    None
}

/// The unit word and what it means; `Some(None)` for switches, which have none.
#[allow(clippy::option_option)]
fn read_unit(table: &Table<'_>, channel: Channel, switch: bool) -> Option<Option<(String, Unit)>> {
    if switch {
        return match table.text("unit", "") {
            Some(word) if !word.value.is_empty() => {
                let what = format!("\"{channel}\" is a switch and has no unit; take \"unit\" out");
                table.problems.add(&table.key_span("unit"), what);
                None
            }
            _ => Some(None),
        };
    }
    let example = match channel.quantity() {
        Quantity::Temperature => "Cel",
        Quantity::Vacuum => "mbar",
        Quantity::Flow => "L/min",
        Quantity::GaugePressure | Quantity::AbsolutePressure => "kPa",
        Quantity::VolumeShare | Quantity::Switch => "%",
    };
    let word = table.needed_text("unit", example)?;
    match Unit::parse_for(channel.quantity(), &word.value) {
        Ok(unit) => Some(Some((word.value, unit))),
        Err(error) => {
            table.problems.add(&word.span, error.to_string());
            None
        }
    }
}

fn read_sense(table: &Table<'_>, channel: Channel) -> Option<Sense> {
    if channel != Channel::Vacuum {
        // Not asked for, so that `sense` elsewhere is an unknown key.
        return Some(Sense::default());
    }
    if !table.has("sense") {
        table.known("sense");
        return Some(Sense::default());
    }
    let word = table.text("sense", "below-ambient")?;
    match word.value.as_str() {
        "below-ambient" => Some(Sense::BelowAmbient),
        "absolute" => Some(Sense::Absolute),
        other => {
            table.problems.add(
                &word.span,
                format!(
                    "\"{}\" is not a sense of vacuum; write \"below-ambient\" (a shop needle: 0 \
                     at rest) or \"absolute\" (about 1013 mbar at rest)",
                    other.escape_debug()
                ),
            );
            None
        }
    }
}

/// `min` and `max` as written.
fn read_limits(table: &Table<'_>, switch: bool) -> Option<(Option<f64>, Option<f64>)> {
    if switch {
        return Some((None, None));
    }
    let before = (table.has("min"), table.has("max"));
    let (min, max) = (table.number("min"), table.number("max"));
    if before != (min.is_some(), max.is_some()) {
        return None;
    }
    if let (Some(min), Some(max)) = (&min, &max)
        && min.value >= max.value
    {
        let at: &Range<usize> = &min.span;
        table.problems.add(
            at,
            format!(
                "\"min\" is {} and \"max\" is {}; min must be less than max",
                min.value, max.value
            ),
        );
        return None;
    }
    Some((min.map(|n| n.value), max.map(|n| n.value)))
}

/// Limits in the stored unit. An absolute vacuum counts the other way round, so its least
/// reading is the deepest.
fn stored_limits(
    (min, max): (Option<f64>, Option<f64>),
    unit: Unit,
    sense: Sense,
    flow_factor: f64,
    ambient_kpa: f64,
) -> (Option<f64>, Option<f64>) {
    let stored = |value: f64| unit.to_canonical(value) * flow_factor;
    match sense {
        Sense::BelowAmbient => (min.map(stored), max.map(stored)),
        Sense::Absolute => (
            max.map(|v| ambient_kpa - stored(v)),
            min.map(|v| ambient_kpa - stored(v)),
        ),
    }
}
