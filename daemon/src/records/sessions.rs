//! Sessions: opened by the daemon when a machine warms, closed once their trace is published,
//! or brought in whole from a file of old records.

use analysis::time::Micros;
use rusqlite::{Connection, OptionalExtension, Row, params};
use uuid::Uuid;

use super::book::{Records, named, read_id};
use super::error::{RecordError, Result};
use super::words::SessionState;

/// A session about to open.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NewSession {
    /// Its identity, as in the journal's records.
    pub id: Uuid,
    /// Its name; see [`crate::book::session_name`].
    pub name: String,
    /// The machine, which must be known.
    pub machine: String,
    /// When it opened.
    pub opened_at: Micros,
    /// The kilns it listens to, in the order of the channel numbers of its trace.
    pub kilns: Vec<String>,
}

/// A trace file as published.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Published {
    /// Path inside the book.
    pub trace: String,
    /// SHA-256 of the file, in hexadecimal.
    pub sha256: String,
    /// Samples in it.
    pub rows: u64,
    /// 1 for the first, one more each time late samples made it anew.
    pub generation: u32,
}

/// A session as recorded.
#[derive(Clone, Debug, PartialEq)]
pub struct Session {
    /// Its identity.
    pub id: Uuid,
    /// Its name, unique in the book.
    pub name: String,
    /// Its machine.
    pub machine: String,
    /// When it opened.
    pub opened_at: Micros,
    /// When it closed; none while it is open.
    pub closed_at: Option<Micros>,
    /// Where it stands.
    pub state: SessionState,
    /// The shop's day of its opening.
    pub day: jiff::civil::Date,
    /// Its trace, if published.
    pub published: Option<Published>,
    /// Version of the extractor whose pulls and pours are in the records.
    pub extractor: Option<String>,
}

const COLUMNS: &str = "id, name, machine, opened_at, closed_at, state, day, trace, trace_sha256, \
                       trace_rows, generation, extractor";

/// A row before its texts are read as what they mean.
type Raw = (Session, String, String);

fn raw(row: &Row<'_>) -> rusqlite::Result<Raw> {
    let trace: Option<String> = row.get(7)?;
    let published = match trace {
        None => None,
        Some(trace) => Some(Published {
            trace,
            sha256: row.get(8)?,
            rows: row.get::<_, i64>(9)?.try_into().unwrap_or(0),
            generation: row.get(10)?,
        }),
    };
    Ok((
        Session {
            id: Uuid::nil(),
            name: row.get(1)?,
            machine: row.get(2)?,
            opened_at: Micros(row.get(3)?),
            closed_at: row.get::<_, Option<i64>>(4)?.map(Micros),
            state: row.get(5)?,
            day: jiff::civil::Date::ZERO,
            published,
            extractor: row.get(11)?,
        },
        row.get(0)?,
        row.get(6)?,
    ))
}

fn finish((session, id, day): Raw) -> Result<Session> {
    Ok(Session {
        id: read_id("sessions.id", &id)?,
        day: read_day("sessions.day", &day)?,
        ..session
    })
}

pub(crate) fn read_day(what: &'static str, text: &str) -> Result<jiff::civil::Date> {
    text.parse().map_err(|_| RecordError::Damaged {
        what,
        value: text.to_owned(),
    })
}

impl Records {
    /// Opens a session.
    ///
    /// # Errors
    /// [`RecordError::Clash`] when its name is taken. A machine may have several open: one that
    /// is being poured and one that a sensor's old backlog makes.
    pub fn open_session(&mut self, new: &NewSession) -> Result<()> {
        self.insert_session(new, SessionState::Open, None, None, None)
    }

    /// Opens a session together with the claim that begins at `from`: both or neither, since
    /// a session without a claim would be found by no start and stay open for ever.
    ///
    /// # Errors
    /// As [`Records::open_session`].
    pub fn open_session_claiming(&mut self, new: &NewSession, from: Micros) -> Result<()> {
        self.insert_session(new, SessionState::Open, None, None, Some(from))
    }

    /// Records a session that is over and done: imported, with or without a trace.
    ///
    /// # Errors
    /// [`RecordError::Clash`] when its name is taken.
    pub fn add_imported_session(
        &mut self,
        new: &NewSession,
        closed_at: Micros,
        published: Option<&Published>,
    ) -> Result<()> {
        let state = SessionState::Imported;
        self.insert_session(new, state, Some(closed_at), published, None)
    }

    fn insert_session(
        &mut self,
        new: &NewSession,
        state: SessionState,
        closed_at: Option<Micros>,
        published: Option<&Published>,
        claim_from: Option<Micros>,
    ) -> Result<()> {
        named("name", &new.name)?;
        let day = self.day_of(new.opened_at).to_string();
        let tx = self.write()?;
        let known = tx
            .prepare_cached("SELECT 1 FROM machines WHERE name = ?1")?
            .exists([&new.machine])?;
        if !known {
            return Err(RecordError::not_found("machine", &new.machine));
        }
        let taken = tx
            .prepare_cached("SELECT 1 FROM sessions WHERE name = ?1")?
            .exists([&new.name])?;
        if taken {
            return Err(RecordError::Clash(format!(
                "there is a session \"{}\" already",
                new.name
            )));
        }
        tx.execute(
            "INSERT INTO sessions (id, name, machine, opened_at, closed_at, state, day,
                                   trace, trace_sha256, trace_rows, generation)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
            params![
                new.id.to_string(),
                new.name,
                new.machine,
                new.opened_at.0,
                closed_at.map(|t| t.0),
                state,
                day,
                published.map(|p| &p.trace),
                published.map(|p| &p.sha256),
                published.map(|p| i64::try_from(p.rows).unwrap_or(i64::MAX)),
                published.map_or(0, |p| p.generation),
            ],
        )?;
        for (kiln, number) in new.kilns.iter().zip(1_i64..) {
            tx.execute(
                "INSERT INTO session_kilns (session, number, kiln) VALUES (?1, ?2, ?3)",
                params![new.id.to_string(), number, kiln],
            )?;
        }
        if let Some(from) = claim_from {
            super::claims::insert(&tx, new.id, from)?;
        }
        tx.commit()?;
        Ok(())
    }

    /// Marks a session closed, its trace being published; `published` is none only for a session
    /// that heard nothing. Doing it twice with the same trace changes nothing, so that recovery
    /// may repeat it.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] for an unknown session, [`RecordError::Clash`] for a
    /// generation older than the one recorded.
    pub fn close_session(
        &mut self,
        id: Uuid,
        closed_at: Micros,
        published: Option<&Published>,
    ) -> Result<()> {
        let held = self.session(id)?;
        if let Some(published) = published {
            refuse_older(&held, published)?;
        }
        let tx = self.write()?;
        tx.execute(
            "UPDATE sessions SET state = 'closed', closed_at = max(opened_at, ?2)
             WHERE id = ?1 AND state = 'open'",
            params![id.to_string(), closed_at.0],
        )?;
        if let Some(published) = published {
            write_published(&tx, id, published)?;
        }
        tx.commit()?;
        Ok(())
    }

    /// Records a trace, or the next generation of one, for a session that is closed or imported.
    ///
    /// # Errors
    /// [`RecordError::Clash`] for a generation older than the one recorded or an open session.
    pub fn publish_trace(&mut self, id: Uuid, published: &Published) -> Result<()> {
        let held = self.session(id)?;
        if held.state == SessionState::Open {
            return Err(RecordError::Clash(format!(
                "session \"{}\" is open; its trace comes when it closes",
                held.name
            )));
        }
        refuse_older(&held, published)?;
        write_published(&self.db, id, published)
    }

    /// The session with this identity.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub fn session(&self, id: Uuid) -> Result<Session> {
        self.one_session("id", &id.to_string())
    }

    /// The session with this name.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub fn session_named(&self, name: &str) -> Result<Session> {
        self.one_session("name", name)
    }

    fn one_session(&self, column: &str, value: &str) -> Result<Session> {
        let found = self
            .db
            .prepare_cached(&format!(
                "SELECT {COLUMNS} FROM sessions WHERE {column} = ?1"
            ))?
            .query_row([value], raw)
            .optional()?;
        finish(found.ok_or_else(|| RecordError::not_found("session", value))?)
    }

    /// Sessions that opened from `since` on and before `until`, oldest first.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn sessions(&self, since: Option<Micros>, until: Option<Micros>) -> Result<Vec<Session>> {
        let mut statement = self.db.prepare_cached(&format!(
            "SELECT {COLUMNS} FROM sessions WHERE opened_at >= ?1 AND opened_at < ?2
             ORDER BY opened_at, name"
        ))?;
        let rows = statement.query_map(range(since, until), raw)?;
        rows.map(|row| finish(row?)).collect()
    }

    /// Sessions that are open, oldest first: what recovery looks at when the daemon starts.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn open_sessions(&self) -> Result<Vec<Session>> {
        let mut statement = self.db.prepare_cached(&format!(
            "SELECT {COLUMNS} FROM sessions WHERE state = 'open' ORDER BY opened_at"
        ))?;
        let rows = statement.query_map([], raw)?;
        rows.map(|row| finish(row?)).collect()
    }

    /// The kilns a session listens to, in the order of the channel numbers of its trace.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn kilns_of_session(&self, id: Uuid) -> Result<Vec<String>> {
        let mut statement = self
            .db
            .prepare_cached("SELECT kiln FROM session_kilns WHERE session = ?1 ORDER BY number")?;
        let rows = statement.query_map([id.to_string()], |row| row.get(0))?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }
}

fn refuse_older(held: &Session, published: &Published) -> Result<()> {
    match &held.published {
        Some(there) if there.generation > published.generation => Err(RecordError::Clash(format!(
            "session \"{}\" has generation {} of its trace; {} is older",
            held.name, there.generation, published.generation
        ))),
        _ => Ok(()),
    }
}

fn write_published(db: &Connection, id: Uuid, published: &Published) -> Result<()> {
    db.execute(
        "UPDATE sessions SET trace = ?2, trace_sha256 = ?3, trace_rows = ?4, generation = ?5
         WHERE id = ?1",
        params![
            id.to_string(),
            published.trace,
            published.sha256,
            i64::try_from(published.rows).unwrap_or(i64::MAX),
            published.generation
        ],
    )?;
    Ok(())
}

/// A half-open range of time as the two ends of a query.
pub(crate) fn range(since: Option<Micros>, until: Option<Micros>) -> [i64; 2] {
    [
        since.map_or(i64::MIN, |t| t.0),
        until.map_or(i64::MAX, |t| t.0),
    ]
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::records::book::test_setup;
    use crate::records::words::AddedBy;

    /// Some morning of November 2026.
    const OPENED: Micros = Micros(1_795_000_320_000_000);

    fn bench() -> (Records, NewSession) {
        let mut records = Records::in_memory(&test_setup()).unwrap();
        records
            .add_machine("bench-1", AddedBy::Configuration, Micros(0))
            .unwrap();
        records
            .add_kiln("kiln-1", None, AddedBy::Configuration, Micros(0))
            .unwrap();
        let new = NewSession {
            id: Uuid::new_v4(),
            name: "2026-11-18T0912-bench-1".into(),
            machine: "bench-1".into(),
            opened_at: OPENED,
            kilns: vec!["kiln-1".into()],
        };
        (records, new)
    }

    #[test]
    fn a_backlogs_session_may_be_open_beside_todays() {
        let (mut records, new) = bench();
        records.open_session(&new).unwrap();
        let second = NewSession {
            id: Uuid::new_v4(),
            ..new.clone()
        };
        let error = records.open_session(&second).unwrap_err().to_string();
        assert!(error.contains("there is a session"), "{error}");
        let second = NewSession {
            name: "another".into(),
            ..second
        };
        records.open_session(&second).unwrap();
        assert_eq!(records.open_sessions().unwrap().len(), 2);
    }

    #[test]
    fn a_trace_is_published_once_and_only_newer_generations_replace_it() {
        let (mut records, new) = bench();
        records.open_session(&new).unwrap();
        let first = Published {
            trace: "traces/a.parquet".into(),
            sha256: "0".repeat(64),
            rows: 10,
            generation: 1,
        };
        let closed = OPENED.plus_seconds(60.0);
        records.close_session(new.id, closed, Some(&first)).unwrap();
        records
            .close_session(new.id, closed.plus_seconds(5.0), Some(&first))
            .unwrap();
        let held = records.session(new.id).unwrap();
        assert_eq!(held.closed_at, Some(closed));
        assert_eq!(held.published.as_ref(), Some(&first));
        let second = Published {
            generation: 2,
            rows: 11,
            ..first.clone()
        };
        records.publish_trace(new.id, &second).unwrap();
        assert!(records.publish_trace(new.id, &first).is_err());
        assert_eq!(
            records.session_named(&new.name).unwrap().published,
            Some(second)
        );
        assert_eq!(records.kilns_of_session(new.id).unwrap(), ["kiln-1"]);
    }

    #[test]
    fn a_session_needs_a_known_machine() {
        let (mut records, mut new) = bench();
        new.machine = "bench-9".into();
        let error = records.open_session(&new).unwrap_err().to_string();
        assert_eq!(error, "there is no machine \"bench-9\"");
        let by_force = records.db.execute(
            "INSERT INTO sessions (id, name, machine, opened_at, state, day)
             VALUES (?1, 'x', 'bench-9', 0, 'open', '2026-01-01')",
            [Uuid::new_v4().to_string()],
        );
        assert!(by_force.is_err(), "foreign keys are on");
    }
}
