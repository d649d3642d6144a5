//! `pourbook record`: what no sensor sees, written down by hand.

use std::collections::BTreeMap;

use analysis::channel::Quantity;
use analysis::time::Micros;
use analysis::units::read_quantity;
use clap::{Args, Subcommand};
use jiff::civil::Date;

use super::open::{Opened, day_or_time};
use super::{BookArg, WrongUse, out};
use crate::records::flasks::{FlaskCard, FlaskLine};
use crate::records::inspections::NewInspection;
use crate::records::parts::{CylinderContent, PartChange};
use crate::records::words::{MadeOf, Part, Stage};
use crate::session::settle::assemble_machine;

/// Write down a flask, an inspection or a part change.
#[derive(Debug, Args)]
pub struct RecordArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// A flask card: what is on the tree and how it was burnt out
    #[command(
        after_help = "Example:\n  pourbook record flask --label A --alloy sterling-925 --section medium --pieces 24 \\\n      --pattern \"leaf band\" --set-point \"555 Cel\"\n\nA flask of several patterns: repeat --line \"pattern, section, pieces\":\n  pourbook record flask --label B --line \"leaf band, thin, 12\" --line \"signet, heavy, 4\""
    )]
    Flask(Box<FlaskArgs>),
    /// What came of a flask's pieces
    #[command(
        after_help = "Blank is not zero: a kind that is not named was not looked for, unless --others-none.\n\nExample:\n  pourbook record inspection --flask A --pieces 24 --defective 2 --kind no-fill=1 --kind gas-porosity=1"
    )]
    Inspection(Box<InspectionArgs>),
    /// A part that was changed
    #[command(
        after_help = "Example:\n  pourbook record part gasket --machine bench-1\n  pourbook record part gas-cylinder --gas argon --volume-l 20 --pressure \"200 bar\""
    )]
    Part(Box<PartArgs>),
}

#[derive(Debug, Args)]
struct FlaskArgs {
    #[command(flatten)]
    book: BookArg,
    /// What is written on the flask
    #[arg(long)]
    label: String,
    /// The day it is to be poured [default: today]
    #[arg(long)]
    day: Option<Date>,
    /// The machine, when the shop has several
    #[arg(long)]
    machine: Option<String>,
    /// Its place in the order of casting, from 1
    #[arg(long, value_name = "N")]
    order: Option<u32>,
    /// The alloy
    #[arg(long)]
    alloy: Option<String>,
    /// thin, medium or heavy
    #[arg(long, conflicts_with = "line")]
    section: Option<String>,
    /// The pattern
    #[arg(long, conflicts_with = "line")]
    pattern: Option<String>,
    /// Pieces on the tree
    #[arg(long, conflicts_with = "line")]
    pieces: Option<u32>,
    /// wax or resin
    #[arg(long, value_name = "wax|resin")]
    made_of: Option<MadeOf>,
    /// One pattern of several on the tree; repeat
    #[arg(long, value_name = "PATTERN, SECTION, PIECES")]
    line: Vec<String>,
    /// Metal in the charge, g
    #[arg(long, value_name = "G")]
    metal_g: Option<f64>,
    /// Old metal in the charge, %
    #[arg(long, value_name = "PERCENT")]
    remelt: Option<f64>,
    /// Flask diameter, mm
    #[arg(long, value_name = "MM")]
    diameter_mm: Option<f64>,
    /// The batch of investment
    #[arg(long)]
    investment: Option<String>,
    /// The kiln
    #[arg(long)]
    kiln: Option<String>,
    /// Its shelf
    #[arg(long)]
    shelf: Option<String>,
    /// The kiln's set point before casting, with its unit
    #[arg(long, value_name = "TEMPERATURE")]
    set_point: Option<String>,
    /// Soak at that set point, min
    #[arg(long, value_name = "MIN")]
    soak_min: Option<f64>,
    /// When it went into the kiln
    #[arg(long, value_name = "TIME")]
    kiln_in: Option<String>,
    /// When it came out of the kiln
    #[arg(long, value_name = "TIME")]
    kiln_out: Option<String>,
    /// Anything else
    #[arg(long)]
    note: Option<String>,
}

#[derive(Debug, Args)]
struct InspectionArgs {
    #[command(flatten)]
    book: BookArg,
    /// The flask's label
    #[arg(long, value_name = "LABEL")]
    flask: String,
    /// The day it was poured, if the label was used on several [default: the last]
    #[arg(long)]
    day: Option<Date>,
    /// Which line of its card, from 1
    #[arg(long, value_name = "N")]
    line: Option<u32>,
    /// How far the pieces had come: washed, cut, polished or returned
    #[arg(long, default_value = "washed")]
    stage: Stage,
    /// Pieces looked at
    #[arg(long)]
    pieces: u32,
    /// Pieces with any defect
    #[arg(long)]
    defective: Option<u32>,
    /// Pieces with at least one defect that heat can steer
    #[arg(long)]
    defective_steering: Option<u32>,
    /// Pieces with this kind of defect; repeat
    #[arg(long = "kind", value_name = "KIND=N")]
    kinds: Vec<String>,
    /// Every kind not named was looked for and not found
    #[arg(long)]
    others_none: bool,
    /// Who looked
    #[arg(long)]
    by: Option<String>,
    /// They did not know the pour temperature
    #[arg(long)]
    blind: bool,
    /// Anything else
    #[arg(long)]
    note: Option<String>,
}

#[derive(Debug, Args)]
struct PartArgs {
    #[command(flatten)]
    book: BookArg,
    /// gasket, seal-ring, stopper-rod, stirring-rod, crucible, thermocouple, pump-oil or
    /// gas-cylinder
    part: Part,
    /// The machine [default: the book's only one, unless --kiln]
    #[arg(long, conflicts_with = "kiln")]
    machine: Option<String>,
    /// The kiln
    #[arg(long)]
    kiln: Option<String>,
    /// For a thermocouple: the channel it feeds
    #[arg(long)]
    channel: Option<String>,
    /// When [default: now]
    #[arg(long, value_name = "DAY|TIME")]
    at: Option<String>,
    /// For a gas cylinder: what gas it holds
    #[arg(long, requires_all = ["volume_l", "pressure"])]
    gas: Option<String>,
    /// Its volume (water capacity), L
    #[arg(long, value_name = "L", requires = "gas")]
    volume_l: Option<f64>,
    /// Its pressure over the air's, with its unit
    #[arg(long, requires = "gas")]
    pressure: Option<String>,
    /// Anything else
    #[arg(long)]
    note: Option<String>,
}

/// Runs the command.
pub fn record(args: &RecordArgs) -> anyhow::Result<()> {
    match &args.what {
        What::Flask(args) => flask(args),
        What::Inspection(args) => inspection(args),
        What::Part(args) => part(args),
    }
}

fn flask(args: &FlaskArgs) -> anyhow::Result<()> {
    let mut opened = Opened::open(&args.book.book())?;
    let zone = opened.config.shop.time_zone.clone();
    let time = |text: &Option<String>| text.as_deref().map(|t| day_or_time(t, &zone)).transpose();
    let day = args
        .day
        .unwrap_or_else(|| opened.records.day_of(opened.now));
    let mut card = FlaskCard::new(&args.label, day);
    card.machine = args.machine.clone();
    card.casting_order = args.order;
    card.alloy = args.alloy.clone();
    card.metal_g = args.metal_g;
    card.remelt_percent = args.remelt;
    card.diameter_mm = args.diameter_mm;
    card.investment_batch = args.investment.clone();
    card.kiln = args.kiln.clone();
    card.shelf = args.shelf.clone();
    card.kiln_set_c = args
        .set_point
        .as_deref()
        .map(|t| quantity(t, Quantity::Temperature, "555 Cel"))
        .transpose()?;
    card.soak_min = args.soak_min;
    card.kiln_in_at = time(&args.kiln_in)?;
    card.kiln_out_at = time(&args.kiln_out)?;
    card.note = args.note.clone();
    card.lines = if args.line.is_empty() {
        vec![FlaskLine {
            pattern: args.pattern.clone(),
            section: args.section.clone(),
            pieces: args.pieces,
            made_of: args.made_of,
            ..FlaskLine::default()
        }]
    } else {
        args.line
            .iter()
            .map(|text| line_of(text, args.made_of))
            .collect::<anyhow::Result<_>>()?
    };
    let id = opened.records.add_flask(&card, opened.now)?;
    match_day(&mut opened, day)?;
    out::line(&format!("flask {} of {day}: {id}", args.label))
}

/// A late card may belong to a pour that is there already.
fn match_day(opened: &mut Opened, day: Date) -> anyhow::Result<()> {
    let zone = &opened.config.shop.time_zone;
    let from = day_or_time(&day.to_string(), zone)?;
    let until = from.plus_seconds(2.0 * 86_400.0);
    for session in opened.records.sessions(Some(from), Some(until))? {
        if session.day == day
            && !opened
                .records
                .match_by_order(session.id, opened.now)?
                .is_empty()
        {
            assemble_machine(
                &mut opened.records,
                &opened.config,
                &session.machine,
                session.opened_at,
                opened.now,
            )?;
        }
    }
    Ok(())
}

fn inspection(args: &InspectionArgs) -> anyhow::Result<()> {
    let mut opened = Opened::open(&args.book.book())?;
    let flask = opened.records.find_flask(&args.flask, args.day)?;
    let mut new = NewInspection::new(flask, args.stage, opened.now, args.pieces);
    new.line = args.line;
    new.defective = args.defective;
    new.defective_steering = args.defective_steering;
    new.kinds = args
        .kinds
        .iter()
        .map(|k| kind_of(k))
        .collect::<anyhow::Result<BTreeMap<_, _>>>()?;
    new.others_none = args.others_none;
    new.by = args.by.clone();
    new.blind = args.blind.then_some(true);
    new.note = args.note.clone();
    opened
        .records
        .add_inspection(&new, &opened.config.defect_kinds, opened.now)?;
    let card = opened.records.flask(flask)?.card;
    out::line(&format!(
        "inspection of flask {} of {} written down",
        card.label, card.day
    ))
}

fn part(args: &PartArgs) -> anyhow::Result<()> {
    let mut opened = Opened::open(&args.book.book())?;
    let zone = &opened.config.shop.time_zone;
    let at = args
        .at
        .as_deref()
        .map_or(Ok(opened.now), |t| day_or_time(t, zone))?;
    let machine = match (&args.machine, &args.kiln) {
        (None, None) => match opened.records.machines()?.as_slice() {
            [one] => Some(one.clone()),
            _ => {
                let say = "say which machine or kiln with --machine or --kiln";
                return Err(WrongUse(say.to_owned()).into());
            }
        },
        (machine, _) => machine.clone(),
    };
    let content = match (&args.gas, args.volume_l, &args.pressure) {
        (Some(gas), Some(volume_l), Some(pressure)) => Some(CylinderContent {
            gas: gas.clone(),
            volume_l,
            pressure_kpa: quantity(pressure, Quantity::GaugePressure, "200 bar")?,
        }),
        _ => None,
    };
    let change = PartChange {
        part: args.part,
        machine: machine.clone(),
        kiln: args.kiln.clone(),
        channel: args.channel.clone(),
        at,
        content,
        note: args.note.clone(),
    };
    opened.records.add_part_change(&change, opened.now)?;
    if let (Part::Gasket, Some(machine)) = (args.part, &machine) {
        // Every pour since has another seal age.
        assemble_machine(&mut opened.records, &opened.config, machine, at, opened.now)?;
    }
    let place = machine.or(args.kiln.clone()).unwrap_or_default();
    out::line(&format!(
        "{} of {place} changed {}",
        args.part,
        local_minute(at, &opened)
    ))
}

fn local_minute(at: Micros, opened: &Opened) -> String {
    crate::book::local(at, &opened.config.shop.time_zone)
        .strftime("%Y-%m-%d %H:%M")
        .to_string()
}

fn line_of(text: &str, made_of: Option<MadeOf>) -> anyhow::Result<FlaskLine> {
    let wrong = || {
        WrongUse(format!(
            "--line \"{text}\" is not \"pattern, section, pieces\", like \"leaf band, thin, 12\""
        ))
    };
    let parts: Vec<&str> = text.rsplitn(3, ',').map(str::trim).collect();
    let [pieces, section, pattern] = parts.as_slice() else {
        return Err(wrong().into());
    };
    let some = |t: &str| (!t.is_empty()).then(|| t.to_owned());
    Ok(FlaskLine {
        pattern: some(pattern),
        section: some(section),
        pieces: Some(pieces.parse().map_err(|_| wrong())?),
        made_of,
        ..FlaskLine::default()
    })
}

fn kind_of(text: &str) -> anyhow::Result<(String, u32)> {
    let wrong = || WrongUse(format!("--kind \"{text}\" is not KIND=N, like no-fill=2"));
    let (kind, count) = text.split_once('=').ok_or_else(wrong)?;
    Ok((
        kind.trim().to_owned(),
        count.trim().parse().map_err(|_| wrong())?,
    ))
}

/// A number with its unit, in the stored unit of the quantity.
fn quantity(text: &str, of: Quantity, example: &str) -> anyhow::Result<f64> {
    read_quantity(text, of)
        .map_err(|e| WrongUse(format!("{e}; write it like \"{example}\"")).into())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn quantities_are_typed_with_their_unit() {
        let c = |text| quantity(text, Quantity::Temperature, "555 Cel");
        assert!((c("1031 degF").unwrap() - 555.0).abs() < 1e-9);
        assert!(c("555").is_err());
        assert!(c("hot").is_err());
        let kpa = quantity("200 bar", Quantity::GaugePressure, "200 bar").unwrap();
        assert!((kpa - 20_000.0).abs() < 1e-6);
    }

    #[test]
    fn a_line_names_pattern_section_and_pieces() {
        let line = line_of("leaf band, wide, thin, 12", None).unwrap();
        assert_eq!(line.pattern.as_deref(), Some("leaf band, wide"));
        assert_eq!(line.pieces, Some(12));
        assert!(line_of("leaf band", None).is_err());
        assert_eq!(kind_of("no-fill=2").unwrap(), ("no-fill".to_owned(), 2));
        assert!(kind_of("no-fill").is_err());
    }
}
