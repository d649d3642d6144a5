//! Each session's kilns in few corners, kept so that soak and withdrawal can be worked out anew
//! whenever a card is filled in, without reading the trace again.

use analysis::burnout::KilnRow;
use rusqlite::params;
use uuid::Uuid;

use super::book::Records;
use super::error::{RecordError, Result};

impl Records {
    /// Keeps the courses of a session's kilns in place of earlier ones.
    ///
    /// # Errors
    /// When SQLite fails, or the session is not known to it.
    pub fn put_kiln_courses(&mut self, session: Uuid, kilns: &[KilnRow]) -> Result<()> {
        let tx = self.write()?;
        tx.execute(
            "DELETE FROM kiln_courses WHERE session = ?1",
            params![session.to_string()],
        )?;
        for kiln in kilns {
            let course = serde_json::to_string(kiln)
                .map_err(|e| RecordError::invalid("course", e.to_string()))?;
            tx.execute(
                "INSERT INTO kiln_courses (session, number, course) VALUES (?1, ?2, ?3)",
                params![session.to_string(), kiln.number, course],
            )?;
        }
        tx.commit()?;
        Ok(())
    }

    /// The courses of a session's kilns, by number; none while nothing was heard of them.
    ///
    /// # Errors
    /// [`RecordError::Damaged`] when a kept course cannot be read.
    pub fn kiln_courses(&self, session: Uuid) -> Result<Vec<KilnRow>> {
        let mut statement = self
            .db
            .prepare_cached("SELECT course FROM kiln_courses WHERE session = ?1 ORDER BY number")?;
        let kept =
            statement.query_map(params![session.to_string()], |row| row.get::<_, String>(0))?;
        kept.map(|text| {
            let text = text?;
            serde_json::from_str(&text).map_err(|_| RecordError::Damaged {
                what: "kiln_courses.course",
                value: text,
            })
        })
        .collect()
    }
}
