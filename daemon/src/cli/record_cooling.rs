//! `pourbook record cooling`: a flask with a thermocouple in it, read while it cooled in air.
//! From then on the flask temperature of every pour is reckoned with the shop's own flasks.

use analysis::channel::Quantity;
use analysis::cooling::{CoolingTest, Mould, PIECES_DEPTH_MM, loss_in_two_minutes};
use analysis::pour::FlaskTemperatureFrom;
use analysis::time::Micros;
use clap::Args;

use super::open::{Opened, day_or_time};
use super::record_options::{as_options, quantity};
use super::{BookArg, WrongUse, out};
use crate::records::cooling::CoolingCheck;
use crate::records::pours::PourFilter;
use crate::session::settle::assemble_machine;

/// What stands under the help.
pub const EXAMPLE: &str = "Measure an empty flask that is not to be cast: drill it or invest a sheathed thermocouple \
in it, tip 10 mm inside the wall, burn it out with the others, take it out of the kiln as for a \
pour, and let it stand in air. Tongs, gloves and face shield as for casting; nothing damp near \
molten metal.\n\nExample:\n  pourbook record cooling --diameter-mm 100 --reading \"0 s, 600 Cel\" --reading \"2 min, 561 Cel\"\n  pourbook record cooling --take-back";

/// The options.
#[derive(Debug, Args)]
pub struct CoolingArgs {
    #[command(flatten)]
    book: BookArg,
    /// The flask's diameter, mm
    #[arg(long, value_name = "MM", required_unless_present = "take_back")]
    diameter_mm: Option<f64>,
    /// How far inside its wall the thermocouple's tip sat, mm
    #[arg(long, value_name = "MM", default_value_t = PIECES_DEPTH_MM)]
    depth_mm: f64,
    /// The tip sat on the flask's axis
    #[arg(long, conflicts_with = "depth_mm")]
    axis: bool,
    /// Time since it left the kiln and what it read then; give two or more
    #[arg(
        long,
        value_name = "TIME, TEMPERATURE",
        required_unless_present = "take_back"
    )]
    reading: Vec<String>,
    /// When it left the kiln [default: now]
    #[arg(long, value_name = "DAY|TIME")]
    at: Option<String>,
    /// Another investment from then on: flasks measured before no longer count
    #[arg(long)]
    anew: bool,
    /// Anything else
    #[arg(long)]
    note: Option<String>,
    /// Take back the measured flask that was written down last
    #[arg(long, conflicts_with_all = ["diameter_mm", "depth_mm", "axis", "reading", "at", "anew", "note"])]
    take_back: bool,
}

/// Runs the command.
pub fn cooling(args: &CoolingArgs) -> anyhow::Result<()> {
    let mut opened = Opened::open(&args.book.book())?;
    let (said, diameter_mm) = match args.diameter_mm {
        Some(diameter_mm) if !args.take_back => {
            write_down(args, diameter_mm, &mut opened)?;
            ("written down", diameter_mm)
        }
        _ => {
            let taken = opened.records.take_back_cooling_check(opened.now)?;
            ("taken back", taken.test.diameter_mm)
        }
    };
    for machine in opened.records.machines()? {
        // From the first pour on: a step in how flasks are reckoned would look like a change
        // at the bench.
        assemble_machine(
            &mut opened.records,
            &opened.config,
            &machine,
            Micros(0),
            opened.now,
        )?;
    }
    out::line(&format!("cooling of a {diameter_mm} mm flask {said}"))?;
    let shown = &opened.config.shop.shown_in;
    let loses = |mould: &Mould| {
        loss_in_two_minutes(mould, diameter_mm).map_or_else(String::new, |(lost_k, sd_k)| {
            format!("{} ± {}", shown.difference(lost_k), shown.difference(sd_k))
        })
    };
    let from = shown.temperature(600.0);
    let literature = loses(&Mould::default());
    out::line(&match opened.records.moulds()?.last() {
        Some(own) => format!(
            "{PIECES_DEPTH_MM} mm inside the wall it loses {} in two minutes from {from}; before \
             any flask was measured that was {literature}",
            loses(&own.mould)
        ),
        None => format!(
            "no measured flask is left: {PIECES_DEPTH_MM} mm inside the wall {literature} in two \
             minutes from {from} are taken from the literature"
        ),
    })?;
    let pours = opened.records.pours(&PourFilter::default())?;
    let cooled = pours
        .iter()
        .filter(|p| p.row.flask_temperature_from == Some(FlaskTemperatureFrom::Cooled))
        .count();
    out::line(&match cooled {
        0 => "no pour has both a kiln temperature and a time out of the kiln yet".to_owned(),
        1 => "the flask temperature of 1 pour was reckoned anew".to_owned(),
        n => format!("the flask temperatures of {n} pours were reckoned anew"),
    })
}

fn write_down(args: &CoolingArgs, diameter_mm: f64, opened: &mut Opened) -> anyhow::Result<()> {
    let zone = &opened.config.shop.time_zone;
    let check = CoolingCheck {
        at: args
            .at
            .as_deref()
            .map_or(Ok(opened.now), |t| day_or_time(t, zone))?,
        anew: args.anew,
        test: CoolingTest {
            diameter_mm,
            depth_mm: if args.axis {
                diameter_mm / 2.0
            } else {
                args.depth_mm
            },
            readings: args
                .reading
                .iter()
                .map(|text| reading_of(text))
                .collect::<anyhow::Result<_>>()?,
        },
        note: args.note.clone(),
    };
    opened
        .records
        .add_cooling_check(&check, opened.now)
        .map_err(as_options)?;
    Ok(())
}

/// `120 s, 561 Cel`; the time also as `2 min` or `2:00`.
fn reading_of(text: &str) -> anyhow::Result<(f64, f64)> {
    let wrong = || {
        WrongUse(format!(
            "--reading \"{text}\" is not \"TIME, TEMPERATURE\", like \"120 s, 561 Cel\", \
             \"2 min, 561 Cel\" or \"2:00, 1042 degF\""
        ))
    };
    let (time, temperature) = text.split_once(',').ok_or_else(wrong)?;
    let celsius = quantity("--reading", temperature.trim(), Quantity::Temperature)?;
    Ok((seconds_of(time.trim()).ok_or_else(wrong)?, celsius))
}

fn seconds_of(text: &str) -> Option<f64> {
    let number = |t: &str| t.trim().parse::<f64>().ok().filter(|n| n.is_finite());
    if let Some((minutes, seconds)) = text.split_once(':') {
        let seconds = number(seconds).filter(|s| (0.0..60.0).contains(s))?;
        return Some(60.0 * number(minutes)? + seconds);
    }
    if let Some(minutes) = text.strip_suffix("min") {
        return Some(60.0 * number(minutes)?);
    }
    number(text.strip_suffix('s')?)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_reading_is_a_time_and_a_temperature_with_their_units() {
        for (text, seconds, celsius) in [
            ("0 s, 600 Cel", 0.0, 600.0),
            ("120s,561 Cel", 120.0, 561.0),
            ("2 min, 561 Cel", 120.0, 561.0),
            ("2:05, 1041.8 degF", 125.0, 561.0),
        ] {
            let (s, c) = reading_of(text).unwrap();
            assert!(
                (s - seconds).abs() < 1e-9 && (c - celsius).abs() < 1e-9,
                "{text}"
            );
        }
        for wrong in ["120 s", "120, 561 Cel", "soon, 561 Cel", "2:75, 561 Cel"] {
            let error = reading_of(wrong).unwrap_err();
            assert!(error.downcast_ref::<WrongUse>().is_some(), "{wrong}");
            assert!(error.to_string().contains("\"120 s, 561 Cel\""), "{error}");
        }
        let error = reading_of("120 s, 561").unwrap_err().to_string();
        assert!(error.starts_with("--reading: "), "{error}");
    }
}
