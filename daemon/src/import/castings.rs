//! Rows of a castings file into flasks: each cell read and held against physics and against the
//! others of its row, rows of one flask and day put together. Nothing here looks at the records;
//! whether a flask is new is for [`super::enter`] to say.

use std::collections::{BTreeMap, HashMap};

use analysis::alloy::Alloys;
use analysis::defect::DefectKinds;
use analysis::time::Micros;
use analysis::units::Unit;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::castings_row::{Line, read_row};
use super::columns::{Field, castings_columns};
use super::error::{BadRow, ImportError};
use super::sheet::{Row, Sheet};

/// What a castings file is read against.
pub struct CastingsContext<'a> {
    /// The shop's time zone, for times without one of their own.
    pub zone: &'a TimeZone,
    /// The kinds of defect that may head a column.
    pub kinds: &'a DefectKinds,
    /// The words for a section.
    pub sections: &'a [String],
    /// Air pressure to take the share of a vacuum from, kPa: the standard atmosphere at the
    /// shop's altitude, since paper records hold no barometer.
    pub ambient_kpa: f64,
    /// The alloys the shop knows.
    pub alloys: &'a Alloys,
    /// The machine of rows that name none; without it they are bad.
    pub default_machine: Option<&'a str>,
    /// Nothing can be cast later than this.
    pub now: Micros,
}

/// A flask of a castings file.
#[derive(Clone, Debug, PartialEq)]
pub struct ImportedFlask {
    /// Its label, if it has one.
    pub label: Option<String>,
    /// The machine.
    pub machine: String,
    /// Whether a row names it, or it is the one that rows without a machine go to.
    pub machine_named: bool,
    /// What its session is called in the file.
    pub session: Option<String>,
    /// The shop's day it was cast.
    pub day: Date,
    /// When it was cast; noon of the day if no time is given.
    pub cast_at: Micros,
    /// Whether only the day is known.
    pub day_only: bool,
    /// The settings it was cast with.
    pub settings: Settings,
    /// Its lines.
    pub lines: Vec<ImportedLine>,
    /// Which rows of the sheet it is made of.
    pub rows: Vec<usize>,
}

/// What a flask was cast with, as far as its rows say.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Settings {
    /// The alloy.
    pub alloy: Option<String>,
    /// Metal, g.
    pub metal_g: Option<f64>,
    /// Old metal, %.
    pub remelt_percent: Option<f64>,
    /// Pour temperature, °C.
    pub pour_temperature_c: Option<f64>,
    /// Flask temperature, °C.
    pub flask_temperature_c: Option<f64>,
    /// Vacuum, kPa below ambient.
    pub vacuum_kpa: Option<f64>,
    /// Cover gas, L/min.
    pub gas_flow_l_min: Option<f64>,
    /// Soak, min.
    pub soak_min: Option<f64>,
    /// Pours since the gasket was changed.
    pub seal_age_pours: Option<u32>,
    /// Note.
    pub note: Option<String>,
}

/// One line of a flask, with its counts.
#[derive(Clone, Debug, PartialEq)]
pub struct ImportedLine {
    /// The section.
    pub section: Option<String>,
    /// The pattern.
    pub pattern: Option<String>,
    /// Pieces looked at.
    pub pieces: u32,
    /// Pieces with any defect.
    pub defective: Option<u32>,
    /// Pieces with a defect that may steer.
    pub defective_steering: Option<u32>,
    /// Pieces by kind; a kind left blank is not among them.
    pub kinds: BTreeMap<String, u32>,
}

impl ImportedLine {
    /// Whether anything was counted: a row with nothing but its pieces was never inspected.
    pub fn inspected(&self) -> bool {
        self.defective.is_some() || self.defective_steering.is_some() || !self.kinds.is_empty()
    }
}

/// A castings file, understood.
#[derive(Debug)]
pub struct Castings {
    /// The sheet it was read from.
    pub sheet: Sheet,
    /// Its good flasks, in the order of the file.
    pub flasks: Vec<ImportedFlask>,
    /// Its bad rows by number in the sheet, with every complaint. A good row of a flask that has
    /// a bad one is among them.
    pub bad: BTreeMap<usize, Vec<BadRow>>,
    /// What is odd and still enters.
    pub warnings: Vec<BadRow>,
}

/// Reads a castings file.
///
/// # Errors
/// When the sheet or its header cannot be understood. Bad rows are no error here.
pub fn read_castings(
    name: &str,
    bytes: Vec<u8>,
    context: &CastingsContext<'_>,
) -> Result<Castings, ImportError> {
    let sheet = Sheet::read(name, bytes)?;
    let fields = castings_columns(&sheet, context.kinds)?;
    let mut bad: BTreeMap<usize, Vec<BadRow>> = BTreeMap::new();
    let mut warnings = Vec::new();
    let mut lines = Vec::with_capacity(sheet.rows.len());
    for (i, row) in sheet.rows.iter().enumerate() {
        let mut read = read_row(&sheet, row, &fields, context);
        warnings.append(&mut read.warnings);
        if !read.complaints.is_empty() {
            bad.insert(i, read.complaints);
        }
        lines.push(read.line);
    }
    let (flasks, mut bad) = gather(&sheet, &fields, lines, bad);
    let mut good = Vec::with_capacity(flasks.len());
    for flask in flasks {
        let culprit = flask.rows.iter().find(|r| bad.contains_key(r)).copied();
        match culprit {
            None => good.push(flask),
            Some(culprit) => leave_out(&sheet, &mut bad, &flask.rows, culprit),
        }
    }
    Ok(Castings {
        sheet,
        flasks: good,
        bad,
        warnings,
    })
}

/// Half a flask is worse than none: its other rows wait with the bad one.
fn leave_out(
    sheet: &Sheet,
    bad: &mut BTreeMap<usize, Vec<BadRow>>,
    rows: &[usize],
    culprit: usize,
) {
    for row in rows {
        bad.entry(*row).or_insert_with(|| {
            vec![complaint(
                sheet,
                &sheet.rows[*row],
                None,
                format!("line {} of the same flask is bad", sheet.rows[culprit].line),
            )]
        });
    }
}

pub(super) fn complaint(sheet: &Sheet, row: &Row, column: Option<usize>, reason: String) -> BadRow {
    BadRow {
        file: sheet.name.clone(),
        line: row.line,
        column: column.map(|c| sheet.header[c].clone()),
        reason,
    }
}

/// A flask's key: its label, day, machine and session.
type Key = (String, Date, String, Option<String>);

fn gather(
    sheet: &Sheet,
    fields: &[Field],
    lines: Vec<Option<Line>>,
    mut bad: BTreeMap<usize, Vec<BadRow>>,
) -> (Vec<ImportedFlask>, BTreeMap<usize, Vec<BadRow>>) {
    let mut flasks: Vec<ImportedFlask> = Vec::new();
    let mut by_key: HashMap<Key, usize> = HashMap::new();
    for (i, line) in lines.into_iter().enumerate() {
        let Some(line) = line else { continue };
        let key = line.label.clone().map(|label| {
            let session = line.session.clone();
            (label, line.cast.day, line.machine.clone(), session)
        });
        let known = key.as_ref().and_then(|k| by_key.get(k)).copied();
        let Some(at) = known else {
            if let Some(key) = key {
                by_key.insert(key, flasks.len());
            }
            flasks.push(ImportedFlask {
                label: line.label,
                machine: line.machine,
                machine_named: line.machine_named,
                session: line.session,
                day: line.cast.day,
                cast_at: line.cast.at,
                day_only: line.cast.day_only,
                settings: line.settings,
                lines: vec![line.line],
                rows: vec![i],
            });
            continue;
        };
        let flask = &mut flasks[at];
        let first = sheet.rows[flask.rows[0]].line;
        let mut disagree = |field: &Field, was: String, is: String| {
            let column = fields
                .iter()
                .position(|f| std::mem::discriminant(f) == std::mem::discriminant(field));
            let reason = format!("one flask has one of these: {is} here, {was} on line {first}");
            bad.entry(i)
                .or_default()
                .push(complaint(sheet, &sheet.rows[i], column, reason));
        };
        flask.machine_named |= line.machine_named;
        if !line.cast.day_only {
            if flask.day_only {
                flask.cast_at = line.cast.at;
                flask.day_only = false;
            } else if flask.cast_at != line.cast.at {
                let text = |at: Micros| at.rfc3339_ms();
                disagree(&Field::CastAt, text(flask.cast_at), text(line.cast.at));
            }
        }
        merge(&mut flask.settings, line.settings, &mut disagree);
        flask.lines.push(line.line);
        flask.rows.push(i);
    }
    refuse_half_named_sessions(sheet, &by_key, &flasks, &mut bad);
    (flasks, bad)
}

/// Of two flasks that differ only in that one names its session, nobody can say whether they
/// are one.
fn refuse_half_named_sessions(
    sheet: &Sheet,
    by_key: &HashMap<Key, usize>,
    flasks: &[ImportedFlask],
    bad: &mut BTreeMap<usize, Vec<BadRow>>,
) {
    let mut named: HashMap<(&str, Date, &str), u64> = HashMap::new();
    for ((label, day, machine, session), at) in by_key {
        if session.is_some() {
            let line = sheet.rows[flasks[*at].rows[0]].line;
            let first = named.entry((label, *day, machine)).or_insert(line);
            *first = line.min(*first);
        }
    }
    for ((label, day, machine, session), at) in by_key {
        let Some(line) = named.get(&(label.as_str(), *day, machine.as_str())) else {
            continue;
        };
        if session.is_none() {
            for row in &flasks[*at].rows {
                let reason =
                    format!("names no session, though line {line} of the same flask and day does");
                bad.entry(*row).or_default().push(complaint(
                    sheet,
                    &sheet.rows[*row],
                    None,
                    reason,
                ));
            }
        }
    }
}

fn merge(into: &mut Settings, from: Settings, disagree: &mut impl FnMut(&Field, String, String)) {
    fn one<T: PartialEq + std::fmt::Display>(
        into: &mut Option<T>,
        from: Option<T>,
        field: &Field,
        disagree: &mut impl FnMut(&Field, String, String),
    ) {
        match (&into, from) {
            (_, None) => {}
            (None, from) => *into = from,
            (Some(held), Some(from)) if *held != from => {
                disagree(field, held.to_string(), from.to_string());
            }
            (Some(_), Some(_)) => {}
        }
    }
    let c = Unit::Celsius;
    one(&mut into.alloy, from.alloy, &Field::Alloy, disagree);
    one(
        &mut into.metal_g,
        from.metal_g,
        &Field::Metal(1.0),
        disagree,
    );
    let remelt = Field::Remelt(1.0);
    one(
        &mut into.remelt_percent,
        from.remelt_percent,
        &remelt,
        disagree,
    );
    let pour = Field::PourTemperature(c);
    one(
        &mut into.pour_temperature_c,
        from.pour_temperature_c,
        &pour,
        disagree,
    );
    let flask = Field::FlaskTemperature(c);
    one(
        &mut into.flask_temperature_c,
        from.flask_temperature_c,
        &flask,
        disagree,
    );
    one(
        &mut into.vacuum_kpa,
        from.vacuum_kpa,
        &Field::Vacuum(c),
        disagree,
    );
    one(
        &mut into.gas_flow_l_min,
        from.gas_flow_l_min,
        &Field::GasFlow(c),
        disagree,
    );
    one(
        &mut into.soak_min,
        from.soak_min,
        &Field::Soak(1.0),
        disagree,
    );
    one(
        &mut into.seal_age_pours,
        from.seal_age_pours,
        &Field::SealAge,
        disagree,
    );
    // Notes add up, whatever each line says.
    match (&mut into.note, from.note) {
        (Some(held), Some(more)) if *held != more => {
            let mut notes: Vec<&str> = held.split("; ").chain(more.split("; ")).collect();
            notes.sort_unstable();
            notes.dedup();
            *held = notes.join("; ");
        }
        (held @ None, more) => *held = more,
        _ => {}
    }
}
