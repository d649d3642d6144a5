//! `[[programme]]`: what a kiln's controller was told, so that a burnout can be followed
//! against it. pourbook sets no kiln; it only compares.

use analysis::burnout::{Programme, Step};
use analysis::channel::Quantity;

use super::quantity::read_with_unit;
use super::read::{At, Table};

/// A step may end here, °C; [`Programme::new`] is stricter, and says so with the step's number.
const TO_C: (f64, f64) = (0.0, 1_500.0);

/// Reads every `[[programme]]`.
pub(super) fn read_programmes(root: &Table<'_>) -> Vec<Programme> {
    let mut programmes: Vec<Programme> = Vec::new();
    for table in root.tables("programme") {
        let name = table.needed_text("name", "medium-flasks");
        let mut steps = Vec::new();
        let mut sound = true;
        for step in table.tables("steps") {
            let before = step.problems.count();
            let to_c = read_with_unit(&step, "to", Quantity::Temperature, TO_C, "150 Cel");
            let ramp_k_h = step.text("ramp", "175 K/h").and_then(|text| {
                let read = ramp_k_h(&text.value);
                if read.is_none() {
                    refuse_ramp(&step, &text);
                }
                read
            });
            let hold_min = step.number_in("hold_min", 0.0, 4_320.0, "min");
            step.finish();
            sound &= step.problems.count() == before;
            steps.push(Step {
                to_c,
                ramp_k_h,
                hold_min: hold_min.map(|n| n.value),
            });
        }
        table.finish();
        let Some(name) = name else { continue };
        if programmes.iter().any(|p| p.name() == name.value) {
            let what = format!(
                "there is already a [[programme]] \"{}\"; keep one",
                name.value.escape_debug()
            );
            table.problems.add(&name.span, what);
            continue;
        }
        if !sound {
            continue;
        }
        match Programme::new(&name.value, steps) {
            Ok(programme) => programmes.push(programme),
            Err(error) => {
                let what = format!("the programme \"{}\": {error}", name.value.escape_debug());
                table.problems.add(&name.span, what);
            }
        }
    }
    programmes
}

fn refuse_ramp(step: &Table<'_>, text: &At<String>) {
    let what = format!(
        "\"ramp\": \"{}\" is no speed of heating; write it like \"175 K/h\" or \"300 degF/h\"",
        text.value.escape_debug()
    );
    step.problems.add(&text.span, what);
}

/// A speed of heating, K/h: a number, a unit of temperature and `/h` or `/min`.
fn ramp_k_h(text: &str) -> Option<f64> {
    let (amount, per) = text.trim().rsplit_once('/')?;
    let hours = match per.trim() {
        "h" | "hour" => 1.0,
        "min" | "minute" => 1.0 / 60.0,
        _ => return None,
    };
    let amount = amount.trim();
    let digits = amount
        .find(|c: char| !(c.is_ascii_digit() || c == '.'))
        .unwrap_or(amount.len());
    let (number, unit) = amount.split_at(digits);
    // Kelvin of difference: a degree Fahrenheit is 5/9 of one, by definition.
    let kelvin = match unit.trim() {
        "K" | "Cel" | "degC" | "°C" => 1.0,
        "degF" | "°F" => 5.0 / 9.0,
        _ => return None,
    };
    let value: f64 = number.parse().ok()?;
    Some(value * kelvin / hours).filter(|k_h| k_h.is_finite())
}

#[cfg(test)]
mod tests {
    use super::ramp_k_h;

    #[test]
    fn a_ramp_is_read_in_the_units_of_controllers() {
        assert_eq!(ramp_k_h("175 K/h"), Some(175.0));
        assert_eq!(ramp_k_h("180 degF/h"), Some(100.0));
        assert_eq!(ramp_k_h("3Cel/min"), Some(180.0));
        for wrong in ["175", "fast", "175 K", "175 kPa/h", "/h"] {
            assert_eq!(ramp_k_h(wrong), None, "{wrong}");
        }
    }
}
