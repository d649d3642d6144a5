//! `[shop]`: what is true of the whole shop, and the units its people read.

use analysis::atmosphere::standard_pressure_kpa;
use analysis::channel::Quantity;
use analysis::units::{MassUnit, Scheme, ShownIn, Unit};
use jiff::tz::TimeZone;

use super::known;
use super::read::Table;

/// Lowest and highest shop that the standard atmosphere is used for, m. The lowest land is
/// about 430 m below the sea; ISO 2533's lowest layer reaches to 11 km, no town above 5.1 km.
const ALTITUDES_M: (f64, f64) = (-430.0, 5_500.0);

/// `[shop]`.
#[derive(Clone, Debug)]
pub struct Shop {
    /// What reports are headed with.
    pub name: String,
    /// The IANA name of its time zone, as written.
    pub time_zone_name: String,
    /// Its time zone: days and weeks are the shop's.
    pub time_zone: TimeZone,
    /// Height above the sea, m; the standard atmosphere there stands in for a barometer.
    /// Default: 0.
    pub altitude_m: f64,
    /// `room_m3`: the room that the cover gas goes into, m³, for what is said of its oxygen.
    /// Default: unknown; then nothing is said.
    pub room_m3: Option<f64>,
    /// `units`: the family of units that people see. Default: metric.
    pub units: Scheme,
    /// The unit of each quantity that people see: those of `units`, except where `[shop.show]`
    /// says otherwise.
    pub shown_in: ShownIn,
}

impl Shop {
    /// The air's usual pressure at the shop, kPa absolute (ISO 2533 at its altitude).
    pub fn ambient_kpa(&self) -> f64 {
        standard_pressure_kpa(self.altitude_m)
    }
}

/// Reads `[shop]`, except its channels; the caller reads those and finishes the table.
pub(super) fn read(table: &Table<'_>) -> Option<Shop> {
    let name = table.needed_text("name", "Larkfield bench").filter(|name| {
        let good = name.value.chars().count() <= 80 && !name.value.chars().any(char::is_control);
        if !good {
            let what = "\"name\" must be one line of at most 80 characters";
            table.problems.add(&name.span, what);
        }
        good
    });
    let zone =
        table
            .needed_text("time_zone", "Europe/Dublin")
            .and_then(|zone| match TimeZone::get(&zone.value) {
                Ok(found) => Some((zone.value, found)),
                Err(_) => {
                    table.problems.add(
                    &zone.span,
                    format!(
                        "\"{}\" is not a time zone; write its IANA name, like \"Europe/Dublin\" \
                         or \"America/Denver\"",
                        zone.value.escape_debug()
                    ),
                );
                    None
                }
            });
    let altitude_m = match table.has("altitude_m") {
        false => {
            table.known("altitude_m");
            Some(0.0)
        }
        true => table
            .number_in(
                "altitude_m",
                ALTITUDES_M.0,
                ALTITUDES_M.1,
                "m above the sea",
            )
            .map(|n| n.value),
    };
    let room_m3 = table.number_in("room_m3", 1.0, 100_000.0, "m³");
    let units = match table.text("units", "metric") {
        None => Some(Scheme::default()),
        Some(word) => match word.value.as_str() {
            "metric" => Some(Scheme::Metric),
            "us" => Some(Scheme::Us),
            other => {
                table.problems.add(
                    &word.span,
                    format!(
                        "\"{}\" is not a family of units; write \"metric\" or \"us\"",
                        other.escape_debug()
                    ),
                );
                None
            }
        },
    };
    let shown_in = read_show(table, units.unwrap_or_default());
    let (time_zone_name, time_zone) = zone?;
    Some(Shop {
        name: name?.value,
        time_zone_name,
        time_zone,
        altitude_m: altitude_m?,
        room_m3: room_m3.map(|n| n.value),
        units: units?,
        shown_in,
    })
}

/// `[shop.show]`: single quantities shown in another unit than the family's.
fn read_show(shop: &Table<'_>, units: Scheme) -> ShownIn {
    let mut shown_in = ShownIn::from(units);
    let Some(show) = shop.table("show") else {
        return shown_in;
    };
    let unit = |key, quantity, example| -> Option<Unit> {
        let word = show.text(key, example)?;
        Unit::parse_for(quantity, &word.value)
            .map_err(|e| show.problems.add(&word.span, e.to_string()))
            .ok()
    };
    if let Some(unit) = unit("temperature", Quantity::Temperature, "Cel") {
        shown_in.temperature = unit;
    }
    if let Some(unit) = unit("vacuum", Quantity::Vacuum, "mbar") {
        shown_in.vacuum = unit;
    }
    if let Some(unit) = unit("flow", Quantity::Flow, "L/min") {
        shown_in.flow = unit;
    }
    if let Some(unit) = unit("gas_pressure", Quantity::GaugePressure, "bar") {
        shown_in.gas_pressure = unit;
    }
    if let Some(word) = show.text("mass", "g") {
        match word.value.as_str() {
            "g" => shown_in.mass = MassUnit::Gram,
            "oz t" => shown_in.mass = MassUnit::TroyOunce,
            other => show.problems.add(
                &word.span,
                format!(
                    "\"{}\" is not a unit of mass; {}",
                    other.escape_debug(),
                    known::advice(other, &["g", "oz t"], "units of mass")
                ),
            ),
        }
    }
    show.finish();
    shown_in
}
