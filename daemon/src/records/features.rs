//! What the extractor found in each trace, as it found it: kept with the trace's checksum and
//! the extractor's version, so that a report never has to read a trace again, and so that pours
//! can be assembled anew when a card, a part or a target changes.

use analysis::pour::Row;
use analysis::time::Micros;
use rusqlite::params;
use uuid::Uuid;

use super::book::{Records, read_id};
use super::error::{RecordError, Result};

/// One session's pulls and pours, context-free.
#[derive(Clone, Debug, PartialEq)]
pub struct Features {
    /// The session.
    pub session: Uuid,
    /// SHA-256 of the trace they were found in; none while the session is open.
    pub trace_sha256: Option<String>,
    /// Version of the extractor.
    pub extractor: String,
    /// What it found.
    pub rows: Vec<Row>,
}

impl Records {
    /// Keeps a session's features in place of earlier ones.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn put_features(&mut self, features: &Features) -> Result<()> {
        let rows: Vec<String> = features
            .rows
            .iter()
            .map(serde_json::to_string)
            .collect::<std::result::Result<_, _>>()
            .map_err(|e| RecordError::invalid("rows", e.to_string()))?;
        self.db.execute(
            "INSERT INTO session_features (session, trace_sha256, extractor, rows)
             VALUES (?1, ?2, ?3, ?4)
             ON CONFLICT (session) DO UPDATE SET trace_sha256 = excluded.trace_sha256,
                 extractor = excluded.extractor, rows = excluded.rows",
            params![
                features.session.to_string(),
                features.trace_sha256,
                features.extractor,
                rows.join("\n")
            ],
        )?;
        Ok(())
    }

    /// The features of a machine's sessions that opened from `since` on, oldest session first.
    ///
    /// # Errors
    /// [`RecordError::Damaged`] when a kept row cannot be read.
    pub fn features_of(&self, machine: &str, since: Micros) -> Result<Vec<Features>> {
        self.features_where(
            "s.machine = ?1 AND s.opened_at >= ?2",
            params![machine, since.0],
        )
    }

    /// The features of one session; none before anything was found in it.
    ///
    /// # Errors
    /// As [`Records::features_of`].
    pub fn features_of_session(&self, session: Uuid) -> Result<Option<Features>> {
        let found = self.features_where("f.session = ?1", params![session.to_string()])?;
        Ok(found.into_iter().next())
    }

    fn features_where(&self, scope: &str, values: impl rusqlite::Params) -> Result<Vec<Features>> {
        let mut statement = self.db.prepare_cached(&format!(
            "SELECT f.session, f.trace_sha256, f.extractor, f.rows
             FROM session_features f JOIN sessions s ON s.id = f.session
             WHERE {scope} ORDER BY s.opened_at, s.name"
        ))?;
        let kept = statement.query_map(values, |row| {
            Ok((
                row.get::<_, String>(0)?,
                row.get::<_, Option<String>>(1)?,
                row.get::<_, String>(2)?,
                row.get::<_, String>(3)?,
            ))
        })?;
        kept.map(|row| {
            let (session, trace_sha256, extractor, text) = row?;
            let rows = text
                .lines()
                .map(|line| {
                    serde_json::from_str(line).map_err(|_| RecordError::Damaged {
                        what: "session_features.rows",
                        value: line.to_owned(),
                    })
                })
                .collect::<Result<_>>()?;
            Ok(Features {
                session: read_id("session_features.session", &session)?,
                trace_sha256,
                extractor,
                rows,
            })
        })
        .collect()
    }
}
