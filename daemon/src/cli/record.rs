//! `pourbook record`: what no sensor sees, written down by hand.

use analysis::alloy::Alloys;
use analysis::channel::Quantity;
use analysis::time::Micros;
use clap::{Args, Subcommand};
use jiff::civil::Date;
use uuid::Uuid;

use super::open::{Opened, day, day_or_time};
use super::record_charge::charge_said;
use super::record_cooling::{self, CoolingArgs};
use super::record_options::{as_options, kinds_of, line_of, quantity, section_of};
use super::record_out_of_kiln::{OutOfKilnArgs, out_of_kiln};
use super::record_pour::{PourArgs, pour};
use super::record_trial::{self, TrialArgs, trial};
use super::{BookArg, WrongUse, out};
use crate::import::alloy_word::read_alloy;
use crate::records::flasks::{FlaskCard, FlaskLine, StoredFlask};
use crate::records::inspections::{Inspection, NewInspection};
use crate::records::parts::{CylinderContent, PartChange};
use crate::records::words::{MadeOf, Part, Stage};
use crate::session::settle::assemble_machine;

/// Write down a flask, an inspection, a part change, when metal left, how a flask cooled or a
/// trial.
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
    /// How a flask cooled that was measured: the shop's own flasks instead of the literature's
    #[command(after_help = record_cooling::EXAMPLE)]
    Cooling(Box<CoolingArgs>),
    /// A flask that leaves the kiln now: wins over the kiln's door
    #[command(
        after_help = "Say it as the flask comes out; its time out of the kiln, and how hot it still is at the pour,\nare reckoned from then. The door's own time counts where nobody says.\n\nExample:\n  pourbook record out-of-kiln --flask A"
    )]
    OutOfKiln(Box<OutOfKilnArgs>),
    /// When metal really left, where the trace was read wrongly
    #[command(
        after_help = "A word by hand wins over the detector from then on. The sheet of the session shows each pour\nclose up, with these commands below it.\n\nExample:\n  pourbook record pour --at 2026-11-18T10:02:05            moves the pour found within two minutes\n                                                           of it there, or adds one\n  pourbook record pour --at 2026-11-18T10:02:05 --none     what was found then is no pour\n  pourbook record pour --at 2026-11-18T10:02:05 --undo     takes back what was said by hand\n  pourbook record pour --at 2026-11-18T10:02:05 --flask A  what was poured then filled flask A"
    )]
    Pour(Box<PourArgs>),
    /// A trial of a second pour temperature, by lot: begin or stop it
    #[command(after_help = record_trial::EXAMPLE)]
    Trial(Box<TrialArgs>),
}

#[derive(Debug, Args)]
struct FlaskArgs {
    #[command(flatten)]
    book: BookArg,
    /// What is written on the flask
    #[arg(long)]
    label: String,
    /// The day it is to be poured [default: today]
    #[arg(long, value_parser = day)]
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
    /// thin, medium, heavy or mixed
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
    /// Weight of the tree as invested, with its sprue, g: says how much metal to weigh out
    #[arg(long, value_name = "G")]
    pattern_g: Option<f64>,
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
    /// The kiln programme it burns out in, if it is not the kiln's usual
    #[arg(long, value_name = "NAME")]
    programme: Option<String>,
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
    /// The day of its card, if the label was used on several [default: of the last one poured]
    #[arg(long, value_parser = day)]
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
        What::Cooling(args) => record_cooling::cooling(args),
        What::OutOfKiln(args) => out_of_kiln(args),
        What::Pour(args) => pour(args),
        What::Trial(args) => trial(args),
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
    card.alloy = args.alloy.as_deref().map(|text| {
        let (name, unknown) = read_alloy(text, &Alloys::standard());
        if let Some(warning) = unknown {
            eprintln!("pourbook: --alloy {warning}");
        }
        name
    });
    card.metal_g = args.metal_g;
    card.remelt_percent = args.remelt;
    card.diameter_mm = args.diameter_mm;
    card.investment_batch = args.investment.clone();
    card.kiln = args.kiln.clone();
    card.shelf = args.shelf.clone();
    card.kiln_set_c = args
        .set_point
        .as_deref()
        .map(|t| quantity("--set-point", t, Quantity::Temperature))
        .transpose()?;
    card.soak_min = args.soak_min;
    card.kiln_in_at = time(&args.kiln_in)?;
    card.kiln_out_at = time(&args.kiln_out)?;
    card.note = args.note.clone();
    if let Some(name) = &args.programme
        && opened.config.programme(name).is_none()
    {
        let known = opened.config.programmes.iter().map(|p| p.name());
        anyhow::bail!(
            "--programme: there is no [[programme]] named \"{}\" in pourbook.toml (there: {})",
            name.escape_debug(),
            known.collect::<Vec<_>>().join(", ")
        );
    }
    card.programme = args.programme.clone();
    card.lines = if args.line.is_empty() {
        vec![FlaskLine {
            pattern: args.pattern.clone(),
            section: args
                .section
                .as_deref()
                .map(|text| section_of("--section", text))
                .transpose()?,
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
    let charge = args
        .pattern_g
        .map(|g| charge_said(&card, g, &opened.config.shop.shown_in))
        .transpose()?;
    let id = opened
        .records
        .add_flask(&card, opened.now)
        .map_err(as_options)?;
    match_day(&mut opened, day)?;
    out::line(&format!("flask {} of {day}: {id}", args.label))?;
    charge.map_or(Ok(()), |said| out::line(&said))
}

/// A late card may belong to a pour that is there already.
pub(super) fn match_day(opened: &mut Opened, day: Date) -> anyhow::Result<()> {
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
    let kinds = kinds_of(&args.kinds)?;
    let today = opened.records.day_of(opened.now);
    let flask = opened.records.find_flask(&args.flask, args.day, today)?;
    let mut new = NewInspection::new(flask, args.stage, opened.now, args.pieces);
    new.line = args.line;
    new.defective = args.defective;
    new.defective_steering = args.defective_steering;
    new.kinds = kinds;
    new.others_none = args.others_none;
    new.by = args.by.clone();
    new.blind = args.blind.then_some(true);
    new.note = args.note.clone();
    let id = opened
        .records
        .add_inspection(&new, &opened.config.defect_kinds, opened.now)
        .map_err(as_options)?;
    let stored = opened.records.flask(flask)?;
    for remark in remarks(&stored, &opened.records.inspections(flask)?, id) {
        eprintln!("pourbook: {remark}");
    }
    let poured = match stored.pour {
        Some(pour) => {
            let at = opened.records.pour(pour)?.row.at;
            format!(", poured {},", local_minute(at, &opened))
        }
        None => String::new(),
    };
    out::line(&format!(
        "inspection of flask {} of {}{poured} written down",
        stored.card.label, stored.card.day
    ))
}

/// What is odd about an inspection that was just written down, or what it does to others.
fn remarks(flask: &StoredFlask, inspections: &[Inspection], new: Uuid) -> Vec<String> {
    let Some(seen) = inspections.iter().find(|i| i.id == new) else {
        return Vec::new();
    };
    let mut remarks = Vec::new();
    let at = (seen.line as usize).checked_sub(1);
    let card = at
        .and_then(|at| flask.card.lines.get(at))
        .and_then(|line| line.pieces);
    if let Some(card) = card
        && seen.pieces > card
    {
        remarks.push(format!(
            "{} pieces were looked at, but the card has {card}; is it the right flask?",
            seen.pieces
        ));
    }
    let same_stage = |i: &&Inspection| i.id != new && i.line == seen.line && i.stage == seen.stage;
    if let Some(earlier) = inspections.iter().rev().find(same_stage) {
        remarks.push(format!(
            "it counts in place of an earlier one of the same stage ({}: {} pieces), which is kept",
            earlier.stage, earlier.pieces
        ));
    }
    remarks
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
            pressure_kpa: quantity("--pressure", pressure, Quantity::GaugePressure)?,
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
    opened
        .records
        .add_part_change(&change, opened.now)
        .map_err(as_options)?;
    if let Some(machine) = &machine {
        // Every pour since has another age of this part.
        assemble_machine(&mut opened.records, &opened.config, machine, at, opened.now)?;
    }
    let place = machine.or(args.kiln.clone()).unwrap_or_default();
    out::line(&format!(
        "{} of {place} changed {}",
        args.part,
        local_minute(at, &opened)
    ))
}

pub(super) fn local_minute(at: Micros, opened: &Opened) -> String {
    crate::book::local(at, &opened.config.shop.time_zone)
        .strftime("%Y-%m-%d %H:%M")
        .to_string()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn seen(pieces: u32) -> Inspection {
        Inspection {
            id: Uuid::new_v4(),
            flask: Uuid::nil(),
            line: 1,
            stage: Stage::Washed,
            at: Micros(0),
            pieces,
            defective: None,
            defective_steering: None,
            kinds: std::collections::BTreeMap::new(),
            by: None,
            blind: None,
            note: None,
        }
    }

    #[test]
    fn too_many_pieces_and_a_second_look_are_remarked_on() {
        let mut card = FlaskCard::new("A", Date::constant(2026, 11, 18));
        card.lines[0].pieces = Some(24);
        let flask = StoredFlask {
            id: Uuid::nil(),
            card,
            imported: false,
            added_at: Micros(0),
            pour: None,
            confirmed: false,
        };
        let (first, second) = (seen(24), seen(30));
        assert!(remarks(&flask, std::slice::from_ref(&first), first.id).is_empty());
        let polished = Inspection {
            stage: Stage::Polished,
            ..seen(24)
        };
        let both = [first, second, polished];
        let said = remarks(&flask, &both, both[1].id);
        assert_eq!(
            said,
            [
                "30 pieces were looked at, but the card has 24; is it the right flask?",
                "it counts in place of an earlier one of the same stage (washed: 24 pieces), \
                 which is kept",
            ]
        );
        assert!(remarks(&flask, &both, both[2].id).is_empty());
    }
}
