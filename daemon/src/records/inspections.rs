//! What came of the pieces: one inspection per flask line and stage of the work. A kind that
//! was not looked for is blank, and blank is not zero. Later stages count over earlier ones,
//! kind by kind, and the earlier ones stay.

use std::collections::BTreeMap;

use analysis::defect::DefectKinds;
use analysis::time::Micros;
use rusqlite::params;
use serde::Serialize;
use uuid::Uuid;

use super::book::{Records, read_id};
use super::error::{RecordError, Result};
use super::matching::confirm;
use super::words::{ConfirmedBy, Stage};

/// An inspection about to be recorded.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NewInspection {
    /// The flask.
    pub flask: Uuid,
    /// Which of its lines, from 1; may be left out when it has one.
    pub line: Option<u32>,
    /// How far the pieces had come.
    pub stage: Stage,
    /// When they were looked at.
    pub at: Micros,
    /// Pieces looked at.
    pub pieces: u32,
    /// Pieces with any defect.
    pub defective: Option<u32>,
    /// Pieces with at least one defect of a kind that may steer the pour temperature.
    pub defective_steering: Option<u32>,
    /// Pieces by kind of defect. A kind left out was not looked for.
    pub kinds: BTreeMap<String, u32>,
    /// Every known kind not in `kinds` was looked for and not found: zero, not blank.
    pub others_none: bool,
    /// Pieces fit to sell as they are.
    pub good: Option<u32>,
    /// Pieces to be mended.
    pub rework: Option<u32>,
    /// Pieces for the melt.
    pub scrap: Option<u32>,
    /// Who looked.
    pub by: Option<String>,
    /// Whether they did not know the pour temperature.
    pub blind: Option<bool>,
    /// Anything else.
    pub note: Option<String>,
    /// Path of a photo.
    pub photo: Option<String>,
}

/// An inspection as recorded.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Inspection {
    /// Its identity.
    pub id: Uuid,
    /// The flask.
    pub flask: Uuid,
    /// Its line, from 1.
    pub line: u32,
    /// The stage.
    pub stage: Stage,
    /// When.
    pub at: Micros,
    /// Pieces looked at.
    pub pieces: u32,
    /// Pieces with any defect, if counted.
    pub defective: Option<u32>,
    /// Pieces with a kind that may steer, if counted.
    pub defective_steering: Option<u32>,
    /// Pieces by kind, of the kinds that were looked for.
    pub kinds: BTreeMap<String, u32>,
    /// Who looked.
    pub by: Option<String>,
    /// Whether blind to the temperature.
    pub blind: Option<bool>,
    /// Note.
    pub note: Option<String>,
}

impl NewInspection {
    /// An inspection of a flask with nothing counted yet.
    pub fn new(flask: Uuid, stage: Stage, at: Micros, pieces: u32) -> NewInspection {
        NewInspection {
            flask,
            line: None,
            stage,
            at,
            pieces,
            defective: None,
            defective_steering: None,
            kinds: BTreeMap::new(),
            others_none: false,
            good: None,
            rework: None,
            scrap: None,
            by: None,
            blind: None,
            note: None,
            photo: None,
        }
    }

    fn check(&self, known: &DefectKinds) -> Result<()> {
        if self.pieces == 0 {
            return Err(RecordError::invalid(
                "pieces",
                "0 pieces looked at is no inspection",
            ));
        }
        for kind in self.kinds.keys() {
            if known.get(kind).is_none() {
                let problem = match known.find(kind) {
                    Ok(near) => format!("\"{kind}\" is written \"{}\"", near.name),
                    Err(unknown) => unknown.to_string(),
                };
                return Err(RecordError::invalid("kind", problem));
            }
        }
        let counts = Counts {
            pieces: self.pieces,
            defective: self.defective,
            defective_steering: self.defective_steering,
            kinds: &self.kinds,
        };
        counts.check(known).map_err(|(count, problem)| {
            let field = match count {
                Count::Defective => "defective",
                Count::DefectiveSteering => "defective_steering",
                // Which kind is known only at run time; the problem names it.
                Count::Kind(_) => "kind",
            };
            RecordError::invalid(field, problem)
        })?;
        let ends = [
            ("good", self.good),
            ("rework", self.rework),
            ("scrap", self.scrap),
        ];
        let sum: u32 = ends.iter().filter_map(|(_, n)| *n).sum();
        if sum > self.pieces {
            return Err(RecordError::invalid(
                "good, rework, scrap",
                format!("together {sum}, exceed pieces looked at ({})", self.pieces),
            ));
        }
        Ok(())
    }
}

/// One of the counts of a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Count<'a> {
    Defective,
    DefectiveSteering,
    Kind(&'a str),
}

/// The counts of one line, as far as they must agree with each other.
pub(crate) struct Counts<'a> {
    pub pieces: u32,
    pub defective: Option<u32>,
    pub defective_steering: Option<u32>,
    pub kinds: &'a BTreeMap<String, u32>,
}

impl<'a> Counts<'a> {
    /// Checks that the counts can all be true at once. On failure: which field, and why.
    pub(crate) fn check(
        &self,
        known: &DefectKinds,
    ) -> std::result::Result<(), (Count<'a>, String)> {
        let looked_at = format!("exceed pieces looked at ({})", self.pieces);
        if let Some(n) = self.defective
            && n > self.pieces
        {
            return Err((
                Count::Defective,
                format!("pieces with a defect ({n}) {looked_at}"),
            ));
        }
        if let Some(n) = self.defective_steering {
            if n > self.pieces {
                return Err((
                    Count::DefectiveSteering,
                    format!("pieces with a steering defect ({n}) {looked_at}"),
                ));
            }
            if let Some(any) = self.defective
                && n > any
            {
                return Err((
                    Count::DefectiveSteering,
                    format!(
                        "pieces with a steering defect ({n}) exceed pieces with a defect ({any})"
                    ),
                ));
            }
        }
        for (kind, n) in self.kinds {
            if *n > self.pieces {
                return Err((
                    Count::Kind(kind),
                    format!("pieces with {kind} ({n}) {looked_at}"),
                ));
            }
            if let Some(any) = self.defective
                && *n > any
            {
                return Err((
                    Count::Kind(kind),
                    format!("pieces with {kind} ({n}) exceed pieces with a defect ({any})"),
                ));
            }
            let steers = known.may_steer(kind);
            if let Some(steering) = self.defective_steering
                && steers
                && *n > steering
            {
                return Err((
                    Count::Kind(kind),
                    format!(
                        "pieces with {kind} ({n}) exceed pieces with a steering defect ({steering})"
                    ),
                ));
            }
        }
        Ok(())
    }
}

impl Records {
    /// Records an inspection; the match of its flask, if it has one, is evidence from then on.
    ///
    /// # Errors
    /// [`RecordError::Invalid`] naming the field and the contradiction; [`RecordError::NotFound`]
    /// for an unknown flask or line.
    pub fn add_inspection(
        &mut self,
        new: &NewInspection,
        known: &DefectKinds,
        now: Micros,
    ) -> Result<Uuid> {
        new.check(known)?;
        let flask = self.flask(new.flask)?;
        let lines = flask.card.lines.len();
        let number = match new.line {
            Some(n) if n >= 1 && n as usize <= lines => n,
            Some(n) => {
                return Err(RecordError::invalid(
                    "line",
                    format!(
                        "flask \"{}\" has {lines} lines, not line {n}",
                        flask.card.label
                    ),
                ));
            }
            None if lines == 1 => 1,
            None => {
                return Err(RecordError::invalid(
                    "line",
                    format!(
                        "flask \"{}\" has {lines} lines; say which",
                        flask.card.label
                    ),
                ));
            }
        };
        let mut kinds = new.kinds.clone();
        if new.others_none {
            for kind in known.iter() {
                kinds.entry(kind.name.clone()).or_insert(0);
            }
        }
        let tx = self.write()?;
        let line: String = tx.query_row(
            "SELECT id FROM flask_lines WHERE flask = ?1 AND number = ?2",
            params![new.flask.to_string(), number],
            |row| row.get(0),
        )?;
        let id = Uuid::new_v4();
        tx.execute(
            "INSERT INTO inspections (id, line, stage, inspected_at, pieces, defective,
               defective_steering, good, rework, scrap, inspected_by, blind, note, photo, added_at)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15)",
            params![
                id.to_string(),
                line,
                new.stage,
                new.at.0,
                new.pieces,
                new.defective,
                new.defective_steering,
                new.good,
                new.rework,
                new.scrap,
                new.by,
                new.blind,
                new.note,
                new.photo,
                now.0
            ],
        )?;
        for (kind, n) in &kinds {
            tx.execute(
                "INSERT INTO inspection_counts (inspection, kind, pieces) VALUES (?1, ?2, ?3)",
                params![id.to_string(), kind, n],
            )?;
        }
        confirm(&tx, "flask", new.flask, ConfirmedBy::Inspection, now)?;
        tx.commit()?;
        Ok(id)
    }

    /// A flask's inspections, by line, then in the order of the work.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn inspections(&self, flask: Uuid) -> Result<Vec<Inspection>> {
        let mut statement = self.db.prepare_cached(
            "SELECT i.id, l.number, i.stage, i.inspected_at, i.pieces, i.defective,
                    i.defective_steering, i.inspected_by, i.blind, i.note
             FROM inspections i JOIN flask_lines l ON l.id = i.line WHERE l.flask = ?1
             ORDER BY l.number, i.inspected_at, i.added_at, i.rowid",
        )?;
        let rows = statement.query_map([flask.to_string()], |row| {
            Ok((
                row.get::<_, String>(0)?,
                Inspection {
                    id: Uuid::nil(),
                    flask,
                    line: row.get(1)?,
                    stage: row.get(2)?,
                    at: Micros(row.get(3)?),
                    pieces: row.get(4)?,
                    defective: row.get(5)?,
                    defective_steering: row.get(6)?,
                    kinds: BTreeMap::new(),
                    by: row.get(7)?,
                    blind: row.get(8)?,
                    note: row.get(9)?,
                },
            ))
        })?;
        let mut counts = self
            .db
            .prepare_cached("SELECT kind, pieces FROM inspection_counts WHERE inspection = ?1")?;
        let mut inspections = Vec::new();
        for row in rows {
            let (id, mut inspection) = row?;
            inspection.kinds = counts
                .query_map([&id], |row| Ok((row.get(0)?, row.get(1)?)))?
                .collect::<rusqlite::Result<_>>()?;
            inspection.id = read_id("inspections.id", &id)?;
            inspections.push(inspection);
        }
        inspections.sort_by_key(|i| (i.line, i.stage));
        Ok(inspections)
    }
}
