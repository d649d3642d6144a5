//! Rows of a castings file into flasks: each cell read and held against physics and against the
//! others of its row, rows of one flask and day put together. Nothing here looks at the records;
//! whether a flask is new is for [`super::enter`] to say.

use std::collections::{BTreeMap, HashMap};

use analysis::time::Micros;
use analysis::units::Unit;
use jiff::Timestamp;
use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;

use super::columns::{Field, castings_columns};
use super::error::{BadRow, ImportError};
use super::sheet::{Row, Sheet};
use crate::records::flasks::ABSOLUTE_ZERO_C;
use crate::records::inspections::{Counts, KnownKind};

/// What a castings file is read against.
pub struct CastingsContext<'a> {
    /// The shop's time zone, for times without one of their own.
    pub zone: &'a TimeZone,
    /// The kinds of defect that may head a column.
    pub kinds: &'a [KnownKind],
    /// The words for a section.
    pub sections: &'a [String],
    /// Air pressure to take the share of a vacuum from, kPa: the standard atmosphere at the
    /// shop's altitude, since paper records hold no barometer.
    pub ambient_kpa: f64,
    /// Lowest and highest pour temperature that make sense for an alloy, °C, if it is known.
    pub pour_range: &'a dyn Fn(&str) -> Option<(f64, f64)>,
    /// The machine of rows that name none.
    pub default_machine: &'a str,
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

struct CastAt {
    at: Micros,
    day: Date,
    day_only: bool,
}

/// One row, read.
struct Line {
    label: Option<String>,
    cast: CastAt,
    machine: String,
    session: Option<String>,
    settings: Settings,
    line: ImportedLine,
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
        let mut reader = RowReader {
            sheet: &sheet,
            row,
            fields: &fields,
            context,
            complaints: Vec::new(),
            warnings: Vec::new(),
        };
        let line = reader.read();
        warnings.append(&mut reader.warnings);
        if !reader.complaints.is_empty() {
            bad.insert(i, reader.complaints);
        }
        lines.push(line);
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

fn complaint(sheet: &Sheet, row: &Row, column: Option<usize>, reason: String) -> BadRow {
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
    (flasks, bad)
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
            let mut notes: Vec<&str> = held.split("; ").chain([more.as_str()]).collect();
            notes.sort_unstable();
            notes.dedup();
            *held = notes.join("; ");
        }
        (held @ None, more) => *held = more,
        _ => {}
    }
}

struct RowReader<'a> {
    sheet: &'a Sheet,
    row: &'a Row,
    fields: &'a [Field],
    context: &'a CastingsContext<'a>,
    complaints: Vec<BadRow>,
    warnings: Vec<BadRow>,
}

impl RowReader<'_> {
    /// Reads the row; none when it has no day, machine or pieces to belong to. Other complaints
    /// leave a line, so that the flask it belongs to is known.
    fn read(&mut self) -> Option<Line> {
        if let Some(misfit) = self.sheet.misfit(self.row) {
            self.complain(None, misfit);
            return None;
        }
        let mut label = None;
        let mut cast = None;
        let mut machine = None;
        let mut session = None;
        let mut pieces = None;
        let mut settings = Settings::default();
        let mut line = ImportedLine {
            section: None,
            pattern: None,
            pieces: 0,
            defective: None,
            defective_steering: None,
            kinds: BTreeMap::new(),
        };
        for (at, field) in self.fields.iter().enumerate() {
            let Some(cell) = self.row.cell(at) else {
                if matches!(field, Field::CastAt | Field::Pieces) {
                    self.complain(Some(at), "is empty; every row needs it".into());
                }
                continue;
            };
            let text = || Some(cell.to_owned());
            match field {
                Field::Flask => label = text(),
                Field::Machine => machine = text(),
                Field::Session => session = text(),
                Field::Alloy => settings.alloy = text(),
                Field::Pattern => line.pattern = text(),
                Field::Note => settings.note = text(),
                Field::Reason => {}
                Field::CastAt => cast = self.cast_at(at, cell),
                Field::Section => line.section = self.section(at, cell),
                Field::Pieces => {
                    pieces = self.count(at, cell);
                    if pieces == Some(0) {
                        self.complain(Some(at), "0 pieces; leave such a row out".into());
                        pieces = None;
                    }
                }
                Field::Defective => line.defective = self.count(at, cell),
                Field::DefectiveSteering => line.defective_steering = self.count(at, cell),
                Field::Kind(kind) => {
                    if let Some(n) = self.count(at, cell) {
                        line.kinds.insert(kind.clone(), n);
                    }
                }
                Field::SealAge => settings.seal_age_pours = self.count(at, cell),
                Field::Metal(factor) => {
                    settings.metal_g = self.number(at, cell, *factor, |v| {
                        (v <= 0.0).then(|| "must be more than 0".into())
                    });
                }
                Field::Remelt(factor) => {
                    settings.remelt_percent = self.number(at, cell, *factor, |v| {
                        (!(0.0..=100.0).contains(&v)).then(|| "is not between 0 and 100 %".into())
                    });
                }
                Field::Soak(factor) => settings.soak_min = self.number(at, cell, *factor, negative),
                Field::GasFlow(unit) => {
                    settings.gas_flow_l_min = self.reading(at, cell, *unit, negative);
                }
                Field::PourTemperature(unit) => {
                    settings.pour_temperature_c = self.reading(at, cell, *unit, too_cold);
                }
                Field::FlaskTemperature(unit) => {
                    settings.flask_temperature_c = self.reading(at, cell, *unit, too_cold);
                }
                Field::Vacuum(unit) => {
                    settings.vacuum_kpa = self.reading(at, cell, *unit, no_vacuum);
                }
            }
        }
        self.counts_agree(pieces, &line);
        self.look_odd(&settings);
        Some(Line {
            label,
            cast: cast?,
            machine: machine.unwrap_or_else(|| self.context.default_machine.to_owned()),
            session,
            settings,
            line: ImportedLine {
                // A bad row's pieces are never used; its flask is left out.
                pieces: pieces.unwrap_or(1),
                ..line
            },
        })
    }

    fn complain(&mut self, column: Option<usize>, reason: String) {
        self.complaints
            .push(complaint(self.sheet, self.row, column, reason));
    }

    fn number(
        &mut self,
        at: usize,
        cell: &str,
        factor: f64,
        wrong: impl Fn(f64) -> Option<String>,
    ) -> Option<f64> {
        self.converted(at, cell, |v| v * factor, wrong)
    }

    fn reading(
        &mut self,
        at: usize,
        cell: &str,
        unit: Unit,
        wrong: impl Fn(f64) -> Option<String>,
    ) -> Option<f64> {
        self.converted(at, cell, |v| unit.to_canonical(v), wrong)
    }

    fn converted(
        &mut self,
        at: usize,
        cell: &str,
        convert: impl Fn(f64) -> f64,
        wrong: impl Fn(f64) -> Option<String>,
    ) -> Option<f64> {
        let Some(value) = self.sheet.number(cell).map(convert) else {
            self.complain(Some(at), self.sheet.not_a_number(cell));
            return None;
        };
        if let Some(reason) = wrong(value) {
            self.complain(Some(at), format!("\"{cell}\" {reason}"));
            return None;
        }
        Some(value)
    }

    fn count(&mut self, at: usize, cell: &str) -> Option<u32> {
        let count = cell.parse().ok().or_else(|| {
            let value = self.sheet.number(cell)?;
            // Spreadsheets write whole numbers as 12.0 when a column was once something else.
            (value.fract() == 0.0 && (0.0..=f64::from(u32::MAX)).contains(&value))
                .then_some(value as u32)
        });
        if count.is_none() {
            self.complain(
                Some(at),
                format!("\"{cell}\" is not a count; write a whole number, or nothing if it was not counted"),
            );
        }
        count
    }

    fn section(&mut self, at: usize, cell: &str) -> Option<String> {
        let word = cell.to_lowercase();
        if let Some(known) = self
            .context
            .sections
            .iter()
            .find(|s| s.to_lowercase() == word)
        {
            return Some(known.clone());
        }
        self.complain(
            Some(at),
            format!(
                "\"{cell}\" is not a section; use {}",
                self.context.sections.join(", ")
            ),
        );
        None
    }

    fn cast_at(&mut self, at: usize, cell: &str) -> Option<CastAt> {
        let Some(cast) = read_cast_at(cell, self.context.zone) else {
            self.complain(
                Some(at),
                format!("\"{cell}\" is not a date; write it like 2026-11-18 or 2026-11-18T09:12"),
            );
            return None;
        };
        // A day's flasks stand at noon, which may still come when they are entered at eleven.
        if cast.at > self.context.now.plus_seconds(86_400.0) {
            self.complain(Some(at), format!("\"{cell}\" is in the future"));
        }
        Some(cast)
    }

    fn counts_agree(&mut self, pieces: Option<u32>, line: &ImportedLine) {
        let Some(pieces) = pieces else { return };
        let counts = Counts {
            pieces,
            defective: line.defective,
            defective_steering: line.defective_steering,
            kinds: &line.kinds,
        };
        if let Err((field, reason)) = counts.check(self.context.kinds) {
            let column = self.fields.iter().position(|f| match f {
                Field::Defective => field == "defective",
                Field::DefectiveSteering => field == "defective_steering",
                Field::Kind(kind) => field == "kind" && reason.contains(kind.as_str()),
                _ => false,
            });
            self.complain(column, reason);
        }
    }

    fn look_odd(&mut self, settings: &Settings) {
        let mut odd = Vec::new();
        let range = settings.alloy.as_deref().and_then(self.context.pour_range);
        if let (Some(c), Some((low, high))) = (settings.pour_temperature_c, range)
            && !(low..=high).contains(&c)
        {
            let alloy = settings.alloy.as_deref().unwrap_or_default();
            odd.push((
                self.column(&Field::PourTemperature(Unit::Celsius)),
                format!("{c:.0} °C is outside {low:.0} to {high:.0} °C, where {alloy} is poured; is the unit right?"),
            ));
        }
        if let (Some(flask), Some(pour)) =
            (settings.flask_temperature_c, settings.pour_temperature_c)
            && flask >= pour
        {
            odd.push((
                self.column(&Field::FlaskTemperature(Unit::Celsius)),
                format!("a flask of {flask:.0} °C is hotter than the metal of {pour:.0} °C"),
            ));
        }
        if let Some(kpa) = settings.vacuum_kpa
            && kpa > self.context.ambient_kpa * 1.03
        {
            odd.push((
                self.column(&Field::Vacuum(Unit::Kilopascal)),
                format!(
                    "{kpa:.1} kPa is more than all of the air at the shop's altitude ({:.1} kPa)",
                    self.context.ambient_kpa
                ),
            ));
        }
        for (column, reason) in odd {
            self.warnings
                .push(complaint(self.sheet, self.row, column, reason));
        }
    }

    fn column(&self, field: &Field) -> Option<usize> {
        self.fields
            .iter()
            .position(|f| std::mem::discriminant(f) == std::mem::discriminant(field))
    }
}

fn negative(value: f64) -> Option<String> {
    (value < 0.0).then(|| "must be 0 or more".into())
}

fn too_cold(celsius: f64) -> Option<String> {
    (celsius <= ABSOLUTE_ZERO_C).then(|| "is below absolute zero".into())
}

/// Deepest vacuum that can be: the highest air pressure ever measured at sea level is
/// 108.4 kPa (Agata, 1968; from memory, World Meteorological Organization records), and
/// below ambient means at most all of it.
const DEEPEST_KPA: f64 = 109.0;

fn no_vacuum(kpa: f64) -> Option<String> {
    if kpa < 0.0 {
        Some("must be a depth below the air, 0 or more; leave the sign away".into())
    } else if kpa > DEEPEST_KPA {
        Some("is more than there is air to pull; is the unit right?".into())
    } else {
        None
    }
}

/// Reads an ISO 8601 date or date-time; without an offset it is the shop's time.
fn read_cast_at(text: &str, zone: &TimeZone) -> Option<CastAt> {
    let micros = |t: Timestamp| Micros(t.as_microsecond());
    if text.len() == 10 {
        let day: Date = text.parse().ok()?;
        let noon = zone.to_timestamp(day.at(12, 0, 0, 0)).ok()?;
        return Some(CastAt {
            at: micros(noon),
            day,
            day_only: true,
        });
    }
    if let Ok(stamp) = text.parse::<Timestamp>() {
        return Some(CastAt {
            at: micros(stamp),
            day: zone.to_datetime(stamp).date(),
            day_only: false,
        });
    }
    if text.len() < 16 {
        return None;
    }
    let local: DateTime = text.parse().ok()?;
    Some(CastAt {
        at: micros(zone.to_timestamp(local).ok()?),
        day: local.date(),
        day_only: false,
    })
}
