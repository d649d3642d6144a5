//! What each session takes from the journal. Written when a session opens and when it closes,
//! and read when the daemon starts, so that no sample is filed twice or forgotten.

use analysis::time::Micros;
use rusqlite::{Connection, params};
use uuid::Uuid;

use super::book::{Records, read_id};
use super::error::Result;

/// One session's claim.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SessionClaim {
    /// The session.
    pub session: Uuid,
    /// Its machine.
    pub machine: String,
    /// When it opened.
    pub opened_at: Micros,
    /// Start of what it takes.
    pub from: Micros,
    /// End of it, inclusive, and the last sequence number considered; none while it is open.
    pub closed: Option<(Micros, u64)>,
    /// Whether its trace is published.
    pub published: bool,
}

/// Notes where the claim of a session that opens begins.
pub(super) fn insert(db: &Connection, session: Uuid, from: Micros) -> Result<()> {
    db.execute(
        "INSERT INTO session_claims (session, from_at) VALUES (?1, ?2)",
        params![session.to_string(), from.0],
    )?;
    Ok(())
}

impl Records {
    /// Notes where the claim of a closed session ends and up to which sequence number the
    /// journal was considered for it; later generations move the number on.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn close_claim(&mut self, session: Uuid, to: Micros, last_seq: u64) -> Result<()> {
        self.db.execute(
            "UPDATE session_claims
             SET to_at = max(from_at, ?2), last_seq = max(coalesce(last_seq, 0), ?3)
             WHERE session = ?1",
            params![
                session.to_string(),
                to.0,
                i64::try_from(last_seq).unwrap_or(i64::MAX)
            ],
        )?;
        Ok(())
    }

    /// The claims of every session that opened from `since` on, and of every open one, oldest
    /// first.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn claims(&self, since: Micros) -> Result<Vec<SessionClaim>> {
        let mut statement = self.db.prepare_cached(
            "SELECT s.id, s.machine, s.opened_at, c.from_at, c.to_at, c.last_seq,
                    s.trace IS NOT NULL
             FROM session_claims c JOIN sessions s ON s.id = c.session
             WHERE s.opened_at >= ?1 OR s.state = 'open'
             ORDER BY s.opened_at, s.name",
        )?;
        let rows = statement.query_map([since.0], |row| {
            let to: Option<i64> = row.get(4)?;
            let last: Option<i64> = row.get(5)?;
            Ok((
                row.get::<_, String>(0)?,
                SessionClaim {
                    session: Uuid::nil(),
                    machine: row.get(1)?,
                    opened_at: Micros(row.get(2)?),
                    from: Micros(row.get(3)?),
                    closed: to
                        .zip(last)
                        .map(|(to, last)| (Micros(to), u64::try_from(last).unwrap_or(0))),
                    published: row.get(6)?,
                },
            ))
        })?;
        rows.map(|row| {
            let (id, claim) = row?;
            Ok(SessionClaim {
                session: read_id("session_claims.session", &id)?,
                ..claim
            })
        })
        .collect()
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::records::book::test_setup;
    use crate::records::sessions::NewSession;
    use crate::records::words::AddedBy;

    #[test]
    fn a_claim_opens_with_its_session_or_not_at_all_and_its_number_only_moves_on() {
        let mut records = Records::in_memory(&test_setup()).unwrap();
        records
            .add_machine("bench-1", AddedBy::Configuration, Micros(0))
            .unwrap();
        let id = Uuid::from_u128(7);
        let new = NewSession {
            id,
            name: "a".to_owned(),
            machine: "bench-1".to_owned(),
            opened_at: Micros(100),
            kilns: Vec::new(),
        };
        records
            .db
            .execute_batch("ALTER TABLE session_claims RENAME TO elsewhere")
            .unwrap();
        assert!(records.open_session_claiming(&new, Micros(50)).is_err());
        assert!(records.open_sessions().unwrap().is_empty());
        records
            .db
            .execute_batch("ALTER TABLE elsewhere RENAME TO session_claims")
            .unwrap();
        records.open_session_claiming(&new, Micros(50)).unwrap();
        assert_eq!(records.claims(Micros(1_000)).unwrap()[0].closed, None);
        records.close_claim(id, Micros(500), 900).unwrap();
        records.close_claim(id, Micros(500), 800).unwrap();
        let claim = &records.claims(Micros(0)).unwrap()[0];
        assert_eq!(claim.from, Micros(50));
        assert_eq!(claim.closed, Some((Micros(500), 900)));
        assert!(!claim.published);
    }
}
