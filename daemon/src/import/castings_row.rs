//! One row of a castings file: each cell read in its unit and held against physics, the counts
//! held against each other. What cannot be true is a complaint; what is only odd is a warning.

use std::collections::BTreeMap;

use analysis::alloy::PourBand;
use analysis::time::Micros;
use analysis::units::Unit;
use jiff::Timestamp;
use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;

use super::alloy_word::read_alloy;
use super::castings::{CastingsContext, ImportedLine, Settings, complaint};
use super::columns::Field;
use super::error::BadRow;
use super::sheet::{Row, Sheet};
use crate::records::flasks::{ABSOLUTE_ZERO_C, HOTTEST_C, too_hot};
use crate::records::inspections::{Count, Counts};

/// When a flask was cast.
pub(super) struct CastAt {
    pub at: Micros,
    pub day: Date,
    pub day_only: bool,
}

/// One row, read.
pub(super) struct Line {
    pub label: Option<String>,
    pub cast: CastAt,
    pub machine: String,
    pub machine_named: bool,
    pub session: Option<String>,
    pub settings: Settings,
    pub line: ImportedLine,
}

/// What a row gives: its line, as far as it can be told which flask it belongs to, and what is
/// wrong or odd about it.
pub(super) struct ReadRow {
    pub line: Option<Line>,
    pub complaints: Vec<BadRow>,
    pub warnings: Vec<BadRow>,
}

/// Reads a row.
pub(super) fn read_row(
    sheet: &Sheet,
    row: &Row,
    fields: &[Field],
    context: &CastingsContext<'_>,
) -> ReadRow {
    let mut reader = RowReader {
        sheet,
        row,
        fields,
        context,
        complaints: Vec::new(),
        warnings: Vec::new(),
    };
    ReadRow {
        line: reader.read(),
        complaints: reader.complaints,
        warnings: reader.warnings,
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
                Field::Alloy => settings.alloy = Some(self.alloy(at, cell)),
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
                    settings.pour_temperature_c = self.reading(at, cell, *unit, impossible);
                }
                Field::FlaskTemperature(unit) => {
                    settings.flask_temperature_c = self.reading(at, cell, *unit, impossible);
                }
                Field::Vacuum(unit) => {
                    settings.vacuum_kpa = self.reading(at, cell, *unit, no_vacuum);
                }
            }
        }
        self.counts_agree(pieces, &line);
        self.look_odd(&settings);
        let machine_named = machine.is_some();
        let machine = machine.or_else(|| self.context.default_machine.map(str::to_owned));
        if machine.is_none() {
            let reason = "names no machine, and the book has several; name the one of such rows \
                          with --machine";
            self.complain(self.column(&Field::Machine), reason.into());
        }
        Some(Line {
            label,
            cast: cast?,
            machine: machine?,
            machine_named,
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

    /// The alloy's name as the table has it; another name stays as it is written.
    fn alloy(&mut self, at: usize, cell: &str) -> String {
        let (name, unknown) = read_alloy(cell, self.context.alloys);
        if let Some(warning) = unknown {
            self.warnings
                .push(complaint(self.sheet, self.row, Some(at), warning));
        }
        name
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
        if let Err((count, reason)) = counts.check(self.context.kinds) {
            let column = self.fields.iter().position(|f| match (f, count) {
                (Field::Defective, Count::Defective)
                | (Field::DefectiveSteering, Count::DefectiveSteering) => true,
                (Field::Kind(kind), Count::Kind(counted)) => kind == counted,
                _ => false,
            });
            self.complain(column, reason);
        }
    }

    fn look_odd(&mut self, settings: &Settings) {
        let mut odd = Vec::new();
        let alloy = settings.alloy.as_deref();
        let alloy = alloy.and_then(|name| self.context.alloys.find(name).ok());
        if let (Some(c), Some(alloy)) = (settings.pour_temperature_c, alloy) {
            let bounds = match alloy.band(c) {
                PourBand::BelowLiquidus => Some(("below its liquidus", alloy.liquidus_c)),
                PourBand::Hot => Some(("above its usual pour", alloy.pour_high_c)),
                PourBand::Cool | PourBand::Usual => None,
            };
            if let Some((where_, bound)) = bounds {
                let name = &alloy.name;
                odd.push((
                    self.column(&Field::PourTemperature(Unit::Celsius)),
                    format!("{name} at {c:.0} °C is {where_} of {bound:.0} °C; is the unit right?"),
                ));
            }
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

/// Why a temperature cannot be that of a pour or a flask, whatever the alloy.
fn impossible(celsius: f64) -> Option<String> {
    if celsius <= ABSOLUTE_ZERO_C {
        Some("is below absolute zero".into())
    } else if celsius > HOTTEST_C {
        Some(format!("cannot be: {}", too_hot(celsius)))
    } else {
        None
    }
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
