//! What people said of where metal left: a pour that was missed, one that was found at the wrong
//! moment, one that was none. A word by hand belongs to a pour's identity, stands until it is
//! taken back, and wins over every extraction; each change of it is kept among the corrections.

use analysis::pour::PourRow;
use analysis::pour::assemble::{Correction, bare_pour};
use analysis::pour::rows::FoundBy;
use analysis::time::Micros;
use rusqlite::{OptionalExtension, Row, Transaction, params};
use uuid::Uuid;

use super::book::{Records, read_id};
use super::error::{RecordError, Result};
use super::extraction::renumber;
use super::matching;
use super::pours::keep;

/// A word by hand as it stands now.
#[derive(Clone, Debug, PartialEq)]
pub struct HandPour {
    /// The pour it is about.
    pub pour: Uuid,
    /// Its session.
    pub session: Uuid,
    /// The session's name.
    pub session_name: String,
    /// Its machine.
    pub machine: String,
    /// Where the detector had found it; none where it had found nothing.
    pub found_at: Option<Micros>,
    /// Where metal left; none: no metal did.
    pub poured_at: Option<Micros>,
    /// The figures of that moment as the trace gives them; none until there is a trace.
    pub row: Option<PourRow>,
    /// When it was said.
    pub said_at: Micros,
    /// Why, if said.
    pub note: Option<String>,
}

impl HandPour {
    /// What it puts right, for the step that assembles pours.
    pub fn correction(&self) -> Option<Correction> {
        let Some(at) = self.poured_at else {
            return self.found_at.map(|at| Correction::Removed {
                machine: self.machine.clone(),
                at,
            });
        };
        let row = match &self.row {
            // Kept as JSON, where times have milliseconds.
            Some(row) => PourRow { at, ..row.clone() },
            None => bare_pour(&self.session_name, &self.machine, at, FoundBy::Hand),
        };
        let row = Box::new(row);
        Some(match self.found_at {
            Some(from) => Correction::Moved { from, to: row },
            None => Correction::Added(row),
        })
    }
}

/// Where metal left, as somebody says it.
#[derive(Clone, Debug, PartialEq)]
pub struct Said {
    /// When metal left.
    pub at: Micros,
    /// The figures there, if the trace is there.
    pub row: Option<PourRow>,
    /// Why, if said.
    pub note: Option<String>,
}

const COLUMNS: &str = "h.pour, p.session, s.name, s.machine, h.found_at, h.poured_at, h.row, \
                       h.said_at, h.note";

type Raw = (HandPour, String, String, Option<String>);

fn raw(row: &Row<'_>) -> rusqlite::Result<Raw> {
    Ok((
        HandPour {
            pour: Uuid::nil(),
            session: Uuid::nil(),
            session_name: row.get(2)?,
            machine: row.get(3)?,
            found_at: row.get::<_, Option<i64>>(4)?.map(Micros),
            poured_at: row.get::<_, Option<i64>>(5)?.map(Micros),
            row: None,
            said_at: Micros(row.get(7)?),
            note: row.get(8)?,
        },
        row.get(0)?,
        row.get(1)?,
        row.get(6)?,
    ))
}

fn finish((hand, pour, session, row): Raw) -> Result<HandPour> {
    Ok(HandPour {
        pour: read_id("hand_pours.pour", &pour)?,
        session: read_id("pours.session", &session)?,
        row: row
            .map(|text| {
                serde_json::from_str(&text).map_err(|_| RecordError::Damaged {
                    what: "hand_pours.row",
                    value: text,
                })
            })
            .transpose()?,
        ..hand
    })
}

fn as_json(row: &PourRow) -> Result<String> {
    serde_json::to_string(row).map_err(|e| RecordError::invalid("row", e.to_string()))
}

impl Records {
    /// The words by hand that stand for a session's pours, in order of time.
    ///
    /// # Errors
    /// When SQLite fails or the records are damaged.
    pub fn hand_pours_of_session(&self, session: Uuid) -> Result<Vec<HandPour>> {
        self.hand_rows("p.session = ?1", &session.to_string())
    }

    /// The words by hand that stand for a machine's pours, in order of time.
    ///
    /// # Errors
    /// As [`Records::hand_pours_of_session`].
    pub fn hand_pours_of_machine(&self, machine: &str) -> Result<Vec<HandPour>> {
        self.hand_rows("s.machine = ?1", machine)
    }

    fn hand_rows(&self, scope: &str, value: &str) -> Result<Vec<HandPour>> {
        let mut statement = self.db.prepare_cached(&format!(
            "SELECT {COLUMNS} FROM hand_pours h JOIN pours p ON p.id = h.pour
             JOIN sessions s ON s.id = p.session WHERE {scope}
             ORDER BY coalesce(h.poured_at, h.found_at), h.pour"
        ))?;
        let rows = statement.query_map([value], raw)?;
        rows.map(|row| finish(row?)).collect()
    }

    /// The word by hand that stands for a pour.
    ///
    /// # Errors
    /// As [`Records::hand_pours_of_session`].
    pub fn hand_pour(&self, pour: Uuid) -> Result<Option<HandPour>> {
        Ok(self.hand_rows("h.pour = ?1", &pour.to_string())?.pop())
    }

    /// Adds a pour that the detector did not find. Its place among the others follows when the
    /// session is settled.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] for an unknown session.
    pub fn add_pour_by_hand(&mut self, session: Uuid, said: &Said, now: Micros) -> Result<Uuid> {
        self.session(session)?;
        let id = Uuid::new_v4();
        let row = said.row.as_ref().map(as_json).transpose()?;
        let tx = self.write()?;
        tx.execute(
            "INSERT INTO pours (id, session, number, poured_at, confidence, found_by)
             VALUES (?1, ?2, 1, ?3, 1, 'hand')",
            params![id.to_string(), session.to_string(), said.at.0],
        )?;
        tx.execute(
            "INSERT INTO hand_pours (pour, poured_at, row, said_at, note)
             VALUES (?1, ?2, ?3, ?4, ?5)",
            params![id.to_string(), said.at.0, row, now.0, said.note],
        )?;
        let at = Some(said.at.rfc3339_ms());
        keep(&tx, id, "poured_at", None, at, said.note.as_deref(), now)?;
        renumber(&tx, session)?;
        tx.commit()?;
        Ok(id)
    }

    /// Says when the metal of a pour really left, also of one that was said to be none.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub fn move_pour_by_hand(&mut self, pour: Uuid, said: &Said, now: Micros) -> Result<()> {
        let held = self.pour(pour)?;
        let before = self.hand_pour(pour)?;
        let row = said.row.as_ref().map(as_json).transpose()?;
        let tx = self.write()?;
        let note = said.note.as_deref();
        put(
            &tx,
            pour,
            before.as_ref(),
            held.row.at,
            Some(said.at),
            row,
            note,
            now,
        )?;
        if held.struck {
            keep(&tx, pour, "poured", word(false), word(true), note, now)?;
            matching::restore_struck(&tx, pour, now)?;
        }
        let was = Some(held.row.at.rfc3339_ms());
        let becomes = Some(said.at.rfc3339_ms());
        keep(&tx, pour, "poured_at", was, becomes, note, now)?;
        tx.commit()?;
        Ok(())
    }

    /// Says that what was found is no pour. The flask that it was matched to, confirmed or not,
    /// is free for the pour that really filled it; that it was matched is kept.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub fn strike_pour(&mut self, pour: Uuid, note: Option<&str>, now: Micros) -> Result<()> {
        let held = self.pour(pour)?;
        if held.struck {
            return Ok(());
        }
        let before = self.hand_pour(pour)?;
        let tx = self.write()?;
        if before.as_ref().is_some_and(|b| b.found_at.is_none()) {
            // Nobody but a person ever said that there was one.
            forget(&tx, pour)?;
        } else {
            put(
                &tx,
                pour,
                before.as_ref(),
                held.row.at,
                None,
                None,
                note,
                now,
            )?;
        }
        keep(&tx, pour, "poured", word(true), word(false), note, now)?;
        matching::end_struck(&tx, pour, now)?;
        tx.commit()?;
        Ok(())
    }

    /// Takes back what was said by hand of a pour: what the trace shows counts again. A pour
    /// that the detector had not found is none again. Says whether anything was taken back.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub fn unsay_pour(&mut self, pour: Uuid, note: Option<&str>, now: Micros) -> Result<bool> {
        let held = self.pour(pour)?;
        let Some(before) = self.hand_pour(pour)? else {
            return Ok(false);
        };
        let tx = self.write()?;
        forget(&tx, pour)?;
        match (before.poured_at, before.found_at) {
            (None, _) => {
                keep(&tx, pour, "poured", word(false), word(true), note, now)?;
                matching::restore_struck(&tx, pour, now)?;
            }
            (Some(_), None) => {
                keep(&tx, pour, "poured", word(true), word(false), note, now)?;
                matching::end_struck(&tx, pour, now)?;
            }
            (Some(at), Some(found)) => {
                let (was, becomes) = (Some(at.rfc3339_ms()), Some(found.rfc3339_ms()));
                keep(&tx, pour, "poured_at", was, becomes, note, now)?;
            }
        }
        // Found again where the detector had it, it keeps its identity.
        let at = before.found_at.unwrap_or(held.row.at);
        tx.execute(
            "UPDATE pours SET poured_at = ?2 WHERE id = ?1",
            params![pour.to_string(), at.0],
        )?;
        tx.commit()?;
        Ok(true)
    }

    /// Takes in the figures of a pour by hand as the trace gives them now.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn measured_by_hand(&mut self, pour: Uuid, row: &PourRow) -> Result<()> {
        self.db.execute(
            "UPDATE hand_pours SET row = ?2 WHERE pour = ?1 AND poured_at IS NOT NULL",
            params![pour.to_string(), as_json(row)?],
        )?;
        Ok(())
    }
}

fn word(poured: bool) -> Option<String> {
    Some(if poured { "yes" } else { "no" }.to_owned())
}

fn forget(tx: &Transaction<'_>, pour: Uuid) -> Result<()> {
    tx.execute("DELETE FROM hand_pours WHERE pour = ?1", [pour.to_string()])?;
    Ok(())
}

#[allow(clippy::too_many_arguments)] // One row, column by column.
fn put(
    tx: &Transaction<'_>,
    pour: Uuid,
    before: Option<&HandPour>,
    held_at: Micros,
    poured_at: Option<Micros>,
    row: Option<String>,
    note: Option<&str>,
    now: Micros,
) -> Result<()> {
    // Where the detector had it, not where an earlier word put it. Whatever was added by hand
    // and struck out again has no word that stands, but the detector never found it either.
    let added: Option<String> = tx
        .query_row(
            "SELECT field FROM corrections WHERE pour = ?1 AND field = 'poured_at' AND was IS NULL",
            [pour.to_string()],
            |row| row.get(0),
        )
        .optional()?;
    let found_at = match before {
        Some(before) => before.found_at,
        None => added.is_none().then_some(held_at),
    };
    tx.execute(
        "INSERT INTO hand_pours (pour, found_at, poured_at, row, said_at, note)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6)
         ON CONFLICT (pour) DO UPDATE SET found_at = ?2, poured_at = ?3, row = ?4, said_at = ?5,
             note = ?6",
        params![
            pour.to_string(),
            found_at.map(|t| t.0),
            poured_at.map(|t| t.0),
            row,
            now.0,
            note
        ],
    )?;
    Ok(())
}
