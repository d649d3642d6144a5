//! What was refused, repeated, silent or odd in the data, counted by day and reason so that the
//! report can say it; and the first few payloads of each channel that could not be read.

use analysis::time::Micros;
use rusqlite::params;
use serde::Serialize;
use uuid::Uuid;

use super::book::Records;
use super::error::Result;
use super::sessions::range;

/// Distinct unreadable payloads kept per channel.
pub const PAYLOADS_KEPT: u32 = 20;
/// Characters kept of each.
pub const PAYLOAD_CHARS: usize = 120;

/// A trouble of one day.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Trouble {
    /// The shop, a machine or a kiln.
    pub place: String,
    /// The channel, or nothing when it concerns no single one.
    pub channel: String,
    /// What it was, in fixed words.
    pub reason: String,
    /// The session it was last seen in.
    pub session: Option<String>,
    /// How often.
    pub count: u64,
    /// First time that day.
    pub first_at: Micros,
    /// Last time that day.
    pub last_at: Micros,
}

/// A payload that could not be read.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct UnreadablePayload {
    /// The shop, a machine or a kiln.
    pub place: String,
    /// The channel.
    pub channel: String,
    /// What came, shortened.
    pub payload: String,
    /// How often.
    pub count: u64,
}

impl Records {
    /// Counts `count` more of a trouble, seen between `first_at` and `last_at`.
    ///
    /// # Errors
    /// When SQLite fails.
    #[allow(clippy::too_many_arguments)]
    pub fn note_trouble(
        &mut self,
        place: &str,
        channel: &str,
        reason: &str,
        session: Option<Uuid>,
        count: u64,
        first_at: Micros,
        last_at: Micros,
    ) -> Result<()> {
        if count == 0 {
            return Ok(());
        }
        let day = self.day_of(first_at).to_string();
        self.db
            .prepare_cached(
                "INSERT INTO troubles (day, place, channel, reason, session, count, first_at, last_at)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)
                 ON CONFLICT (day, place, channel, reason) DO UPDATE SET
                   count = count + excluded.count,
                   session = coalesce(excluded.session, session),
                   first_at = min(first_at, excluded.first_at),
                   last_at = max(last_at, excluded.last_at)",
            )?
            .execute(params![
                day,
                place,
                channel,
                reason,
                session.map(|s| s.to_string()),
                i64::try_from(count).unwrap_or(i64::MAX),
                first_at.0,
                last_at.0.max(first_at.0)
            ])?;
        Ok(())
    }

    /// Troubles seen from `since` on and before `until`, most frequent first.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn troubles(&self, since: Option<Micros>, until: Option<Micros>) -> Result<Vec<Trouble>> {
        let mut statement = self.db.prepare_cached(
            "SELECT t.place, t.channel, t.reason, s.name, t.count, t.first_at, t.last_at
             FROM troubles t LEFT JOIN sessions s ON s.id = t.session
             WHERE t.last_at >= ?1 AND t.first_at < ?2
             ORDER BY t.count DESC, t.place, t.channel, t.reason, t.day",
        )?;
        let rows = statement.query_map(range(since, until), |row| {
            Ok(Trouble {
                place: row.get(0)?,
                channel: row.get(1)?,
                reason: row.get(2)?,
                session: row.get(3)?,
                count: row.get::<_, i64>(4)?.try_into().unwrap_or(0),
                first_at: Micros(row.get(5)?),
                last_at: Micros(row.get(6)?),
            })
        })?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    /// Keeps a payload that could not be read, shortened to [`PAYLOAD_CHARS`], unless its
    /// channel has [`PAYLOADS_KEPT`] others already; says whether it is kept.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn keep_unreadable(
        &mut self,
        place: &str,
        channel: &str,
        payload: &str,
        at: Micros,
    ) -> Result<bool> {
        let short: String = payload.chars().take(PAYLOAD_CHARS).collect();
        Ok(self
            .db
            .prepare_cached(
                "INSERT INTO unreadable_payloads (place, channel, payload, count, first_at, last_at)
                 SELECT ?1, ?2, ?3, 1, ?4, ?4
                 WHERE (SELECT count(*) FROM unreadable_payloads
                        WHERE place = ?1 AND channel = ?2) < ?5
                 OR EXISTS (SELECT 1 FROM unreadable_payloads
                            WHERE place = ?1 AND channel = ?2 AND payload = ?3)
                 ON CONFLICT (place, channel, payload) DO UPDATE SET
                   count = count + 1, last_at = max(last_at, excluded.last_at)",
            )?
            .execute(params![place, channel, short, at.0, PAYLOADS_KEPT])?
            > 0)
    }

    /// The unreadable payloads kept, by channel.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn unreadable_payloads(&self) -> Result<Vec<UnreadablePayload>> {
        let mut statement = self.db.prepare_cached(
            "SELECT place, channel, payload, count FROM unreadable_payloads
             ORDER BY place, channel, first_at, payload",
        )?;
        let rows = statement.query_map([], |row| {
            Ok(UnreadablePayload {
                place: row.get(0)?,
                channel: row.get(1)?,
                payload: row.get(2)?,
                count: row.get::<_, i64>(3)?.try_into().unwrap_or(0),
            })
        })?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::records::book::test_setup;

    #[test]
    fn a_trouble_is_counted_once_a_day() {
        let mut records = Records::in_memory(&test_setup()).unwrap();
        let at = Micros(1_795_000_000_000_000);
        for i in 0..3 {
            let seen = at.plus_seconds(f64::from(i));
            records
                .note_trouble("bench-1", "vacuum", "repeat", None, 2, seen, seen)
                .unwrap();
        }
        let next_day = at.plus_seconds(86_400.0);
        records
            .note_trouble("bench-1", "vacuum", "repeat", None, 1, next_day, next_day)
            .unwrap();
        let troubles = records.troubles(None, None).unwrap();
        assert_eq!(troubles.iter().map(|t| t.count).collect::<Vec<_>>(), [6, 1]);
        assert_eq!(troubles[0].first_at, at);
        assert_eq!(troubles[0].last_at, at.plus_seconds(2.0));
    }

    #[test]
    fn the_first_twenty_unreadable_payloads_are_kept_short() {
        let mut records = Records::in_memory(&test_setup()).unwrap();
        for i in 0..30 {
            let payload = format!("{i:02}{}", "x".repeat(500));
            let kept = records
                .keep_unreadable("bench-1", "vacuum", &payload, Micros(i))
                .unwrap();
            assert_eq!(kept, i < 20);
        }
        let again = format!("00{}", "x".repeat(500));
        records
            .keep_unreadable("bench-1", "vacuum", &again, Micros(99))
            .unwrap();
        let kept = records.unreadable_payloads().unwrap();
        assert_eq!(kept.len(), 20);
        assert_eq!(kept[0].count, 2);
        assert!(
            kept.iter()
                .all(|p| p.payload.chars().count() == PAYLOAD_CHARS)
        );
    }
}
