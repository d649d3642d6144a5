//! Numbers that carry their unit in the text (`"968 Cel"`), and the correction of a flow tube
//! that was scaled for another gas.

use analysis::channel::Quantity;
use analysis::gas::Gas;
use analysis::gas::flow_tube::{TubeGas, actual_flow_l_min};
use analysis::units::read_quantity;

use super::known;
use super::read::Table;

/// Gases a tube may be scaled for or carry.
const GASES: [(&str, Gas); 3] = [
    ("air", Gas::Air),
    ("argon", Gas::Argon),
    ("nitrogen", Gas::Nitrogen),
];

/// The pressure and temperature that most tubes are scaled at: 1013.25 hPa and 20 °C
/// (common practice; the tube's own plate counts).
const SCALED_AT: (f64, f64) = (101.325, 20.0);

/// A quantity with its unit in the text, in its stored unit and from `least` to `most`.
pub(super) fn read_with_unit(
    table: &Table<'_>,
    key: &'static str,
    quantity: Quantity,
    (least, most): (f64, f64),
    example: &str,
) -> Option<f64> {
    let stored_word = match quantity {
        Quantity::Temperature => "Cel",
        Quantity::Flow => "L/min",
        Quantity::VolumeShare => "%",
        Quantity::Switch => "",
        Quantity::Vacuum | Quantity::GaugePressure | Quantity::AbsolutePressure => "kPa",
    };
    // A bare number is the commonest slip, and its type is not what is wrong with it.
    if table.has_number(key) {
        table.known(key);
        table.problems.add(
            &table.value_span(key),
            format!("\"{key}\" has no unit; write it with one, in quotes, like \"{example}\""),
        );
        return None;
    }
    let text = table.text(key, example)?;
    match read_quantity(&text.value, quantity) {
        Ok(value) if (least..=most).contains(&value) => Some(value),
        Ok(value) => {
            let converted = if text.value.ends_with(stored_word) {
                String::new()
            } else {
                format!(", which is {value:.0} {stored_word}")
            };
            table.problems.add(
                &text.span,
                format!(
                    "\"{key}\" is {}{converted}; it must be from {least} to {most} {stored_word}",
                    text.value
                ),
            );
            None
        }
        Err(error) => {
            let what = format!("\"{key}\": {error}");
            table.problems.add(&text.span, what);
            None
        }
    }
}

/// The factor from a tube's reading to the gas as it flows, from `scale` (what the tube was
/// made for) and `flows` (what goes through it). 1 if neither is given.
pub(super) fn read_flow_factor(table: &Table<'_>) -> Option<f64> {
    let scale = read_gas(table, "scale")?;
    let flows = read_gas(table, "flows")?;
    match (scale, flows) {
        (None, None) => Some(1.0),
        (Some(scale), Some(flows)) => actual_flow_l_min(1.0, scale, flows),
        _ => {
            table.wrong(format!(
                "{} has only one of \"scale\" and \"flows\"; give both, like scale = {{ gas = \
                 \"air\" }} and flows = {{ gas = \"argon\" }}",
                table.title
            ));
            None
        }
    }
}

/// `Some(None)` if the key is absent; `None` if it is wrong, which was reported.
#[allow(clippy::option_option)]
fn read_gas(table: &Table<'_>, key: &'static str) -> Option<Option<TubeGas>> {
    if !table.has(key) {
        table.known(key);
        return Some(None);
    }
    let gas = table.table(key)?;
    let name = gas.needed_text("gas", "argon");
    let had = (gas.has("pressure"), gas.has("temperature"));
    let kpa = read_with_unit(
        &gas,
        "pressure",
        Quantity::AbsolutePressure,
        (10.0, 2_000.0),
        "101.3 kPa",
    );
    let celsius = read_with_unit(
        &gas,
        "temperature",
        Quantity::Temperature,
        (-50.0, 200.0),
        "20 Cel",
    );
    gas.finish();
    let name = name?;
    let names: Vec<&str> = GASES.iter().map(|(n, _)| *n).collect();
    let Some((_, found)) = GASES.iter().find(|(n, _)| *n == name.value) else {
        gas.problems.add(
            &name.span,
            format!(
                "unknown gas \"{}\"; {}",
                name.value.escape_debug(),
                known::advice(&name.value, &names, "gases")
            ),
        );
        return None;
    };
    if had != (kpa.is_some(), celsius.is_some()) {
        return None;
    }
    Some(Some(TubeGas {
        gas: *found,
        absolute_kpa: kpa.unwrap_or(SCALED_AT.0),
        temperature_c: celsius.unwrap_or(SCALED_AT.1),
    }))
}
