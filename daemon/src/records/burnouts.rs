//! Burnouts as the follower told them: kept per kiln, known again by their time, so that a
//! start that finds one in the journal again does not double it.

use analysis::burnout::{BurnoutRow, FaultKind, FaultRow, SpellKind, SpellRow};
use analysis::time::Micros;
use jiff::civil::Date;
use rusqlite::{OptionalExtension, Transaction, params};
use uuid::Uuid;

use super::book::{Records, read_id};
use super::error::{RecordError, Result};

/// What the cards of a kiln's load ask of it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Load {
    /// The programme, by its name: that of the newest card that names one.
    pub programme: Option<String>,
    /// The set point before casting, °C, if the cards agree to within 10 K.
    pub set_point_c: Option<f64>,
}

/// Cards that differ by more than this do not agree on a set point, K.
const AGREE_K: f64 = 10.0;
/// A card belongs to a burnout if its flask went in within a day of its beginning, or, when that
/// is not written, if it is to be poured on that day or the next.
const DAY_S: f64 = 86_400.0;

impl Records {
    /// Keeps a burnout as far as it has come, in place of what was kept of it before. Of one
    /// that was found again only in part, what had been seen of it earlier stays.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] for an unknown kiln.
    pub fn put_burnout(&mut self, row: &BurnoutRow) -> Result<Uuid> {
        let tx = self.write()?;
        let known: bool = tx.query_row(
            "SELECT EXISTS (SELECT 1 FROM kilns WHERE name = ?1)",
            params![row.kiln],
            |r| r.get(0),
        )?;
        if !known {
            return Err(RecordError::not_found("kiln", row.kiln.clone()));
        }
        let found: Option<(String, i64, bool)> = tx
            .query_row(
                "SELECT id, began_at, joined_late FROM burnouts
                 WHERE kiln = ?1 AND began_at <= ?3 AND coalesce(ended_at, last_at) > ?2
                 ORDER BY abs(began_at - ?2) LIMIT 1",
                params![row.kiln, row.began_at.0, row.last_at.0],
                |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)),
            )
            .optional()?;
        let id = match &found {
            Some((id, ..)) => read_id("burnouts.id", id)?,
            None => Uuid::new_v4(),
        };
        // What an earlier look saw from the beginning is not undone by a late one.
        let earlier = found
            .filter(|(_, began, _)| row.joined_late && *began < row.began_at.0)
            .map(|(_, began, late)| (Micros(began), late));
        let (began_at, joined_late) = earlier.unwrap_or((row.began_at, row.joined_late));
        let keep = i64::from(earlier.is_some());
        tx.execute(
            "INSERT INTO burnouts (id, kiln, programme, began_at, joined_late, ended_at, last_at,
                 highest_c, above_700_min, door_openings, door_longest_s, door_slowest_recovery_s)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)
             ON CONFLICT (id) DO UPDATE SET
                 programme = excluded.programme, began_at = excluded.began_at,
                 joined_late = excluded.joined_late, ended_at = excluded.ended_at,
                 last_at = excluded.last_at,
                 highest_c = max(excluded.highest_c, ?13 * highest_c),
                 above_700_min = max(excluded.above_700_min, ?13 * above_700_min),
                 door_openings = max(excluded.door_openings, ?13 * door_openings),
                 door_longest_s = coalesce(max(excluded.door_longest_s, ?13 * door_longest_s),
                     excluded.door_longest_s, nullif(?13, 0) * door_longest_s),
                 door_slowest_recovery_s = coalesce(
                     max(excluded.door_slowest_recovery_s, ?13 * door_slowest_recovery_s),
                     excluded.door_slowest_recovery_s,
                     nullif(?13, 0) * door_slowest_recovery_s)",
            params![
                id.to_string(),
                row.kiln,
                row.programme,
                began_at.0,
                joined_late,
                row.ended_at.map(|t| t.0),
                row.last_at.0,
                row.highest_c,
                row.above_700_min,
                row.door_openings,
                row.door_longest_s,
                row.door_slowest_recovery_s,
                keep,
            ],
        )?;
        // A kiln has one burnout at a time: one that was never seen to end ended before this.
        tx.execute(
            "UPDATE burnouts SET ended_at = last_at
             WHERE kiln = ?1 AND id <> ?2 AND ended_at IS NULL AND began_at < ?3",
            params![row.kiln, id.to_string(), row.began_at.0],
        )?;
        write_parts(&tx, id, row, earlier.map(|_| row.began_at))?;
        tx.commit()?;
        Ok(id)
    }

    /// Burnouts that were going on between `since` and `until`, oldest first, of one kiln or of
    /// all.
    ///
    /// # Errors
    /// [`RecordError::Damaged`] when a kept word cannot be read.
    pub fn burnouts(
        &self,
        kiln: Option<&str>,
        since: Micros,
        until: Micros,
    ) -> Result<Vec<BurnoutRow>> {
        let mut statement = self.db.prepare_cached(
            "SELECT id, kiln, programme, began_at, joined_late, ended_at, last_at, highest_c,
                    above_700_min, door_openings, door_longest_s, door_slowest_recovery_s
             FROM burnouts
             WHERE (?1 IS NULL OR kiln = ?1) AND began_at <= ?3 AND last_at >= ?2
             ORDER BY began_at, kiln",
        )?;
        let rows = statement
            .query_map(params![kiln, since.0, until.0], |r| {
                Ok((
                    r.get::<_, String>(0)?,
                    BurnoutRow {
                        kiln: r.get(1)?,
                        programme: r.get(2)?,
                        began_at: Micros(r.get(3)?),
                        joined_late: r.get(4)?,
                        ended_at: r.get::<_, Option<i64>>(5)?.map(Micros),
                        last_at: Micros(r.get(6)?),
                        highest_c: r.get(7)?,
                        above_700_min: r.get(8)?,
                        door_openings: r.get(9)?,
                        door_longest_s: r.get(10)?,
                        door_slowest_recovery_s: r.get(11)?,
                        spells: Vec::new(),
                        faults: Vec::new(),
                    },
                ))
            })?
            .collect::<rusqlite::Result<Vec<_>>>()?;
        rows.into_iter()
            .map(|(id, row)| {
                Ok(BurnoutRow {
                    spells: self.spells_of(&id)?,
                    faults: self.faults_of(&id)?,
                    ..row
                })
            })
            .collect()
    }

    /// The burnouts that fed a session: those of its kilns that were going on in the two days
    /// before it opened or while it ran, for its sheet.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] for an unknown session.
    pub fn burnouts_of_session(&self, session: Uuid) -> Result<Vec<BurnoutRow>> {
        let stored = self.session(session)?;
        let since = stored.opened_at.plus_seconds(-2.0 * DAY_S);
        let until = stored.closed_at.unwrap_or(Micros(i64::MAX));
        let mut rows = Vec::new();
        for kiln in self.kilns_of_session(session)? {
            rows.extend(self.burnouts(Some(&kiln), since, until)?);
        }
        Ok(rows)
    }

    /// What the cards of the load that was in a kiln at `at` ask of it.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn load_of(&self, kiln: &str, at: Micros) -> Result<Load> {
        let mut statement = self.db.prepare_cached(
            "SELECT programme, kiln_set_c FROM flasks
             WHERE kiln = ?1 AND source = 'card' AND (kiln_out_at IS NULL OR kiln_out_at >= ?2)
               AND (kiln_in_at BETWEEN ?2 - ?3 AND ?2 + ?3
                    OR kiln_in_at IS NULL AND day BETWEEN ?4 AND ?5)
             ORDER BY added_at DESC",
        )?;
        let day_us = (DAY_S * 1e6) as i64;
        let cards = statement
            .query_map(
                params![
                    kiln,
                    at.0,
                    day_us,
                    self.day_of(at).to_string(),
                    self.day_of(at.plus_seconds(DAY_S)).to_string()
                ],
                |r| Ok((r.get::<_, Option<String>>(0)?, r.get::<_, Option<f64>>(1)?)),
            )?
            .collect::<rusqlite::Result<Vec<_>>>()?;
        let set_points: Vec<f64> = cards.iter().filter_map(|(_, c)| *c).collect();
        let least = set_points.iter().copied().fold(f64::MAX, f64::min);
        let most = set_points.iter().copied().fold(f64::MIN, f64::max);
        Ok(Load {
            programme: cards.iter().find_map(|(programme, _)| programme.clone()),
            set_point_c: set_points
                .first()
                .copied()
                .filter(|_| most - least <= AGREE_K),
        })
    }

    /// When the first flask of a load that is poured on `day` went into its kiln, as far as the
    /// load's cards say.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn load_in_at(&self, kiln: &str, load: &str, day: Date) -> Result<Option<Micros>> {
        let at: Option<i64> = self.db.query_row(
            "SELECT min(kiln_in_at) FROM flasks WHERE kiln = ?1 AND load = ?2 AND day = ?3",
            params![kiln, load, day.to_string()],
            |row| row.get(0),
        )?;
        Ok(at.map(Micros))
    }

    fn spells_of(&self, burnout: &str) -> Result<Vec<SpellRow>> {
        let mut statement = self.db.prepare_cached(
            "SELECT kind, from_at, to_at, from_c, to_c FROM burnout_spells
             WHERE burnout = ?1 ORDER BY number",
        )?;
        let rows = statement.query_map(params![burnout], |r| {
            Ok(SpellRow {
                kind: match r.get::<_, String>(0)?.as_str() {
                    "hold" => SpellKind::Hold,
                    _ => SpellKind::Ramp,
                },
                from_at: Micros(r.get(1)?),
                to_at: Micros(r.get(2)?),
                from_c: r.get(3)?,
                to_c: r.get(4)?,
            })
        })?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    fn faults_of(&self, burnout: &str) -> Result<Vec<FaultRow>> {
        let mut statement = self.db.prepare_cached(
            "SELECT kind, since_at, told_at, over_at, kiln_c, expected_c, step FROM burnout_faults
             WHERE burnout = ?1 ORDER BY number",
        )?;
        let rows = statement
            .query_map(params![burnout], |r| {
                Ok((
                    r.get::<_, String>(0)?,
                    FaultRow {
                        kind: FaultKind::Stalled,
                        since_at: Micros(r.get(1)?),
                        told_at: Micros(r.get(2)?),
                        over_at: r.get::<_, Option<i64>>(3)?.map(Micros),
                        kiln_c: r.get(4)?,
                        expected_c: r.get(5)?,
                        step: r.get(6)?,
                    },
                ))
            })?
            .collect::<rusqlite::Result<Vec<_>>>()?;
        rows.into_iter()
            .map(|(word, row)| {
                let kind = FaultKind::from_word(&word).ok_or(RecordError::Damaged {
                    what: "burnout_faults.kind",
                    value: word,
                })?;
                Ok(FaultRow { kind, ..row })
            })
            .collect()
    }
}

/// Writes ramps, holds and faults in place of those kept; with `keep_before`, those that began
/// earlier stay.
fn write_parts(
    tx: &Transaction<'_>,
    id: Uuid,
    row: &BurnoutRow,
    keep_before: Option<Micros>,
) -> Result<()> {
    let id = id.to_string();
    let from = keep_before.unwrap_or(Micros(i64::MIN));
    tx.execute(
        "DELETE FROM burnout_spells WHERE burnout = ?1 AND from_at >= ?2",
        params![id, from.0],
    )?;
    tx.execute(
        "DELETE FROM burnout_faults WHERE burnout = ?1 AND since_at >= ?2",
        params![id, from.0],
    )?;
    for spell in &row.spells {
        tx.execute(
            "INSERT INTO burnout_spells (burnout, number, kind, from_at, to_at, from_c, to_c)
             SELECT ?1, coalesce(max(number), 0) + 1, ?2, ?3, ?4, ?5, ?6
             FROM burnout_spells WHERE burnout = ?1",
            params![
                id,
                match spell.kind {
                    SpellKind::Ramp => "ramp",
                    SpellKind::Hold => "hold",
                },
                spell.from_at.0,
                spell.to_at.0,
                spell.from_c,
                spell.to_c
            ],
        )?;
    }
    for fault in &row.faults {
        tx.execute(
            "INSERT INTO burnout_faults (burnout, number, kind, since_at, told_at, over_at, kiln_c,
                 expected_c, step)
             SELECT ?1, coalesce(max(number), 0) + 1, ?2, ?3, ?4, ?5, ?6, ?7, ?8
             FROM burnout_faults WHERE burnout = ?1",
            params![
                id,
                fault.kind.word(),
                fault.since_at.0,
                fault.told_at.0,
                fault.over_at.map(|t| t.0),
                fault.kiln_c,
                fault.expected_c,
                fault.step
            ],
        )?;
    }
    Ok(())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use jiff::civil::date;

    use super::*;
    use crate::records::book::test_setup;
    use crate::records::card::FlaskCard;
    use crate::records::words::AddedBy;

    fn at(hours: f64) -> Micros {
        Micros(1_795_000_000_000_000).plus_seconds(3600.0 * hours)
    }

    fn records() -> Records {
        let mut records = Records::in_memory(&test_setup()).unwrap();
        records
            .add_kiln("kiln-1", None, AddedBy::Configuration, at(0.0))
            .unwrap();
        records
    }

    fn burnout(from_h: f64, to_h: f64) -> BurnoutRow {
        BurnoutRow {
            kiln: "kiln-1".into(),
            programme: Some("usual".into()),
            began_at: at(from_h),
            joined_late: false,
            ended_at: None,
            last_at: at(to_h),
            highest_c: 731.0,
            above_700_min: 200.0,
            door_openings: 2,
            door_longest_s: Some(20.0),
            door_slowest_recovery_s: None,
            spells: vec![SpellRow {
                kind: SpellKind::Hold,
                from_at: at(from_h + 1.0),
                to_at: at(from_h + 2.0),
                from_c: 150.0,
                to_c: 150.0,
            }],
            faults: vec![FaultRow {
                kind: FaultKind::Stalled,
                since_at: at(from_h + 3.0),
                told_at: at(from_h + 3.1),
                over_at: None,
                kiln_c: Some(300.0),
                expected_c: Some(340.0),
                step: Some(2),
            }],
        }
    }

    fn kept(records: &Records) -> Vec<BurnoutRow> {
        records.burnouts(None, at(-100.0), at(1000.0)).unwrap()
    }

    #[test]
    fn a_burnout_is_known_again_by_its_time() {
        let mut records = records();
        let first = records.put_burnout(&burnout(0.0, 5.0)).unwrap();
        let whole = burnout(0.0, 20.0);
        assert_eq!(records.put_burnout(&whole).unwrap(), first);
        assert_eq!(kept(&records), vec![whole]);
        // The next day's is another, and yesterday's, never seen to end, ended before it.
        let next = records.put_burnout(&burnout(30.0, 31.0)).unwrap();
        assert_ne!(next, first);
        let kept = kept(&records);
        assert_eq!(kept[0].ended_at, Some(at(20.0)));
        assert_eq!(kept[1].ended_at, None);
    }

    #[test]
    fn a_start_that_finds_only_its_end_again_loses_nothing_of_a_burnout() {
        let mut records = records();
        records.put_burnout(&burnout(0.0, 10.0)).unwrap();
        let rest = BurnoutRow {
            joined_late: true,
            ended_at: Some(at(24.0)),
            highest_c: 600.0,
            above_700_min: 0.0,
            door_openings: 0,
            door_longest_s: None,
            door_slowest_recovery_s: Some(140.0),
            ..burnout(8.0, 24.0)
        };
        records.put_burnout(&rest).unwrap();
        let kept = kept(&records);
        assert_eq!(kept.len(), 1);
        assert_eq!(
            (kept[0].began_at, kept[0].ended_at),
            (at(0.0), Some(at(24.0)))
        );
        assert!(!kept[0].joined_late);
        assert_eq!((kept[0].highest_c, kept[0].above_700_min), (731.0, 200.0));
        assert_eq!(kept[0].door_longest_s, Some(20.0));
        assert_eq!(kept[0].door_slowest_recovery_s, Some(140.0));
        assert_eq!((kept[0].spells.len(), kept[0].faults.len()), (2, 2));
    }

    #[test]
    fn the_cards_of_a_load_say_its_programme_and_set_point() {
        let mut records = records();
        let add = |records: &mut Records, label: &str, programme: Option<&str>, c: f64| {
            let mut card = FlaskCard::new(label, date(2026, 11, 19));
            card.kiln = Some("kiln-1".into());
            card.kiln_in_at = Some(at(0.2));
            card.programme = programme.map(str::to_owned);
            card.kiln_set_c = Some(c);
            records.add_flask(&card, at(0.0)).unwrap();
        };
        assert_eq!(records.load_of("kiln-1", at(0.0)).unwrap(), Load::default());
        add(&mut records, "1", None, 555.0);
        add(&mut records, "2", Some("large"), 560.0);
        let load = records.load_of("kiln-1", at(0.5)).unwrap();
        assert_eq!(load.programme.as_deref(), Some("large"));
        assert!(load.set_point_c.is_some());
        // Three days on it is another load.
        assert_eq!(
            records.load_of("kiln-1", at(72.0)).unwrap(),
            Load::default()
        );
        add(&mut records, "3", None, 480.0);
        assert_eq!(
            records.load_of("kiln-1", at(0.5)).unwrap().set_point_c,
            None
        );
    }
}
