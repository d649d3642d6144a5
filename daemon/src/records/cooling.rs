//! Flasks that were measured while they cooled, and the moulds that follow from them: what is
//! kept is the readings, and the figures are reckoned from them whenever they are needed.

use analysis::cooling::{CoolingTest, calibrate};
use analysis::pour::assemble::MouldFrom;
use analysis::time::Micros;
use rusqlite::{OptionalExtension, params};
use uuid::Uuid;

use super::book::{Records, read_id};
use super::error::{RecordError, Result};

/// A flask that was measured while it cooled.
#[derive(Clone, Debug, PartialEq)]
pub struct CoolingCheck {
    /// When it left the kiln.
    pub at: Micros,
    /// Whether the flasks measured before no longer count from then on: another investment, or
    /// another way from the kiln.
    pub anew: bool,
    /// Its size and readings.
    pub test: CoolingTest,
    /// Anything else.
    pub note: Option<String>,
}

impl Records {
    /// Records a measured flask.
    ///
    /// # Errors
    /// [`RecordError::Invalid`] when its readings are not those of a cooling flask, or of one
    /// still to come.
    pub fn add_cooling_check(&mut self, check: &CoolingCheck, now: Micros) -> Result<Uuid> {
        if check.at > now {
            let day = self.day_of(check.at);
            return Err(RecordError::invalid(
                "at",
                format!("{day} is still to come; write it down once it is done"),
            ));
        }
        calibrate(std::slice::from_ref(&check.test))
            .map_err(|e| RecordError::invalid("reading", e.to_string()))?;
        let id = Uuid::new_v4();
        let tx = self.write()?;
        tx.execute(
            "INSERT INTO cooling_checks (id, checked_at, diameter_mm, depth_mm, anew, note, added_at)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
            params![
                id.to_string(),
                check.at.0,
                check.test.diameter_mm,
                check.test.depth_mm,
                check.anew,
                check.note,
                now.0
            ],
        )?;
        for ((seconds, celsius), number) in check.test.readings.iter().zip(1_i64..) {
            tx.execute(
                "INSERT INTO cooling_readings (cooling_check, number, out_s, temperature_c)
                 VALUES (?1, ?2, ?3, ?4)",
                params![id.to_string(), number, seconds, celsius],
            )?;
        }
        tx.commit()?;
        Ok(id)
    }

    /// Takes back the measured flask that was written down last and answers it; it stays in the
    /// records and no longer counts.
    ///
    /// # Errors
    /// [`RecordError::Clash`] when there is none.
    pub fn take_back_cooling_check(&mut self, now: Micros) -> Result<CoolingCheck> {
        let last: Option<String> = self
            .db
            .query_row(
                "SELECT id FROM cooling_checks WHERE taken_back_at IS NULL
                 ORDER BY added_at DESC, rowid DESC LIMIT 1",
                [],
                |row| row.get(0),
            )
            .optional()?;
        let none = || RecordError::Clash("no measured flask is written down".to_owned());
        let last = read_id("cooling_checks.id", &last.ok_or_else(none)?)?;
        let check = self.cooling_checks()?.into_iter().find(|c| c.0 == last);
        let (_, check) = check.ok_or_else(none)?;
        self.db.execute(
            "UPDATE cooling_checks SET taken_back_at = max(added_at, ?2) WHERE id = ?1",
            params![last.to_string(), now.0],
        )?;
        Ok(check)
    }

    /// The measured flasks that count, oldest first.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn cooling_checks(&self) -> Result<Vec<(Uuid, CoolingCheck)>> {
        let mut checks = self.db.prepare_cached(
            "SELECT id, checked_at, anew, diameter_mm, depth_mm, note FROM cooling_checks
             WHERE taken_back_at IS NULL ORDER BY checked_at, added_at, rowid",
        )?;
        let mut readings = self.db.prepare_cached(
            "SELECT out_s, temperature_c FROM cooling_readings WHERE cooling_check = ?1
             ORDER BY number",
        )?;
        let rows = checks.query_map([], |row| {
            let id: String = row.get(0)?;
            let read = readings.query_map([&id], |row| Ok((row.get(0)?, row.get(1)?)))?;
            let check = CoolingCheck {
                at: Micros(row.get(1)?),
                anew: row.get(2)?,
                test: CoolingTest {
                    diameter_mm: row.get(3)?,
                    depth_mm: row.get(4)?,
                    readings: read.collect::<rusqlite::Result<_>>()?,
                },
                note: row.get(5)?,
            };
            Ok((id, check))
        })?;
        rows.map(|row| {
            let (id, check) = row?;
            Ok((read_id("cooling_checks.id", &id)?, check))
        })
        .collect()
    }

    /// The moulds of the shop: one for each stretch of time that began with a flask measured
    /// anew, from all the flasks of that stretch. None was measured: none.
    ///
    /// # Errors
    /// [`RecordError::Damaged`] when kept readings are not those of a cooling flask.
    pub fn moulds(&self) -> Result<Vec<MouldFrom>> {
        let mut stretches: Vec<(Micros, Vec<CoolingTest>)> = Vec::new();
        for (_, check) in self.cooling_checks()? {
            match stretches.last_mut() {
                Some((_, tests)) if !check.anew => tests.push(check.test),
                _ => stretches.push((check.at, vec![check.test])),
            }
        }
        stretches
            .into_iter()
            .map(|(from, tests)| {
                let mould = calibrate(&tests).map_err(|e| RecordError::Damaged {
                    what: "cooling_readings",
                    value: e.to_string(),
                })?;
                Ok(MouldFrom { from, mould })
            })
            .collect()
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::records::book::test_setup;

    fn check(hours: f64, last_c: f64, anew: bool) -> CoolingCheck {
        CoolingCheck {
            at: Micros(0).plus_seconds(3600.0 * hours),
            anew,
            test: CoolingTest {
                diameter_mm: 100.0,
                depth_mm: 10.0,
                readings: vec![(0.0, 600.0), (120.0, last_c)],
            },
            note: None,
        }
    }

    #[test]
    fn measured_flasks_add_up_until_one_begins_anew() {
        let mut records = Records::in_memory(&test_setup()).unwrap();
        let now = Micros(0).plus_seconds(86_400.0);
        assert!(records.moulds().unwrap().is_empty());
        for given in [
            check(1.0, 548.0, false),
            check(2.0, 546.0, false),
            check(3.0, 565.0, true),
        ] {
            records.add_cooling_check(&given, now).unwrap();
        }
        assert_eq!(records.cooling_checks().unwrap().len(), 3);
        assert_eq!(
            records.cooling_checks().unwrap()[0].1,
            check(1.0, 548.0, false)
        );
        let moulds = records.moulds().unwrap();
        let from: Vec<Micros> = moulds.iter().map(|m| m.from).collect();
        assert_eq!(from, [check(1.0, 0.0, false).at, check(3.0, 0.0, false).at]);
        assert!(moulds[0].mould.conductivity_w_mk > moulds[1].mould.conductivity_w_mk);
        // Two flasks know better than one.
        assert!(moulds[0].mould.covariance[0][0] < moulds[1].mould.covariance[0][0]);
    }

    #[test]
    fn what_was_written_down_wrongly_is_taken_back() {
        let mut records = Records::in_memory(&test_setup()).unwrap();
        let now = Micros(0).plus_seconds(86_400.0);
        records
            .add_cooling_check(&check(2.0, 550.0, false), now)
            .unwrap();
        records
            .add_cooling_check(&check(1.0, 565.0, false), now)
            .unwrap();
        // The one written down last, not the one measured last.
        let taken = records.take_back_cooling_check(now).unwrap();
        assert_eq!(taken, check(1.0, 565.0, false));
        records.take_back_cooling_check(now).unwrap();
        assert!(records.moulds().unwrap().is_empty());
        assert_eq!(
            records
                .take_back_cooling_check(now)
                .unwrap_err()
                .to_string(),
            "no measured flask is written down"
        );
    }

    #[test]
    fn readings_that_no_flask_gives_are_refused_and_not_kept() {
        let mut records = Records::in_memory(&test_setup()).unwrap();
        let now = Micros(0).plus_seconds(3600.0 * 2.0);
        let error = records
            .add_cooling_check(&check(1.0, 610.0, false), now)
            .unwrap_err();
        assert_eq!(
            error.to_string(),
            "reading: the flask read 600 °C and later 610 °C: it did not cool; check the order of the readings"
        );
        assert!(
            records
                .add_cooling_check(&check(5.0, 558.0, false), now)
                .is_err()
        );
        assert!(records.cooling_checks().unwrap().is_empty());
    }
}
