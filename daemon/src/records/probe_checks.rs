//! Freezes and meltings that the extractor found in the traces, and the freezes that a person
//! accepted as probe checks. An accepted check corrects the pours of its probe until it is taken
//! back; the check itself stays in the records either way.

use analysis::probe::{AcceptedCheck, ArrestRow, Budget, Heat, Metal};
use analysis::time::Micros;
use rusqlite::{OptionalExtension, Row, params};
use serde::Serialize;
use uuid::Uuid;

use super::book::{Records, read_id};
use super::error::{RecordError, Result};
use super::flasks::ABSOLUTE_ZERO_C;
use super::parts::{one_place, temperature_channel};

/// The channel that a melt's probe feeds.
pub const MELT: &str = "melt_temperature";

/// A thermocouple held against a known temperature.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ProbeCheck {
    /// Of which machine or kiln: exactly one of the two.
    pub machine: Option<String>,
    /// Of which kiln.
    pub kiln: Option<String>,
    /// The channel it feeds.
    pub channel: String,
    /// When.
    pub at: Micros,
    /// Against what: the name of a [`Metal`], or in words.
    pub against: String,
    /// The known temperature, °C.
    pub reference_c: f64,
    /// What it read, °C.
    pub read_c: f64,
    /// Standard uncertainty of the difference, K.
    pub offset_sd_k: f64,
    /// Whether it corrects the pours before it too, back to the change of the probe.
    pub whole_series: bool,
    /// Anything else.
    pub note: Option<String>,
}

impl ProbeCheck {
    /// The check that a freeze of a known metal is; none of a melting.
    pub fn of(freeze: &ArrestRow, whole_series: bool, note: Option<&str>) -> Option<ProbeCheck> {
        let metal = freeze.metal?;
        Some(ProbeCheck {
            machine: Some(freeze.machine.clone()),
            kiln: None,
            channel: MELT.to_owned(),
            at: freeze.at,
            against: metal.word().to_owned(),
            reference_c: metal.freezes_c(),
            read_c: freeze.read_c,
            offset_sd_k: freeze.offset_sd_k?,
            whole_series,
            note: note.map(str::to_owned),
        })
    }

    /// What it read less what was true, K.
    pub fn offset_k(&self) -> f64 {
        self.read_c - self.reference_c
    }
}

impl Records {
    /// Accepts a probe check and answers its offset, K: what it read less what was true.
    ///
    /// # Errors
    /// [`RecordError::Invalid`] naming the field, [`RecordError::NotFound`] for an unknown
    /// machine or kiln, [`RecordError::Clash`] when it is accepted already.
    pub fn add_probe_check(&mut self, check: &ProbeCheck, now: Micros) -> Result<f64> {
        one_place(check.machine.as_deref(), check.kiln.as_deref())?;
        temperature_channel(&check.channel)?;
        for (field, value) in [("reference_c", check.reference_c), ("read_c", check.read_c)] {
            if !(value > ABSOLUTE_ZERO_C && value.is_finite()) {
                return Err(RecordError::invalid(
                    field,
                    format!("{value} °C is below absolute zero"),
                ));
            }
        }
        if !(check.offset_sd_k >= 0.0 && check.offset_sd_k.is_finite()) {
            return Err(RecordError::invalid("offset_sd_k", "must be 0 or more"));
        }
        self.place_must(check.machine.as_deref(), check.kiln.as_deref())?;
        let same = |held: &ProbeCheck| {
            (&held.machine, &held.kiln, &held.channel, held.at)
                == (&check.machine, &check.kiln, &check.channel, check.at)
        };
        if self.probe_checks()?.iter().any(|(_, held)| same(held)) {
            return Err(RecordError::Clash(
                "that probe check is accepted already".to_owned(),
            ));
        }
        self.db.execute(
            "INSERT INTO probe_checks (id, machine, kiln, channel, checked_at, against,
                 reference_c, read_c, offset_k, offset_sd_k, whole_series, note, added_at)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13)",
            params![
                Uuid::new_v4().to_string(),
                check.machine,
                check.kiln,
                check.channel,
                check.at.0,
                check.against,
                check.reference_c,
                check.read_c,
                check.offset_k(),
                check.offset_sd_k,
                check.whole_series,
                check.note,
                now.0
            ],
        )?;
        Ok(check.offset_k())
    }

    /// Takes back the check of a machine's melt that was accepted last and answers it; it stays
    /// in the records and no longer counts.
    ///
    /// # Errors
    /// [`RecordError::Clash`] when there is none.
    pub fn take_back_probe_check(&mut self, machine: &str, now: Micros) -> Result<ProbeCheck> {
        let last: Option<String> = self
            .db
            .query_row(
                "SELECT id FROM probe_checks
                 WHERE machine = ?1 AND channel = ?2 AND taken_back_at IS NULL
                 ORDER BY added_at DESC, rowid DESC LIMIT 1",
                params![machine, MELT],
                |row| row.get(0),
            )
            .optional()?;
        let none = || RecordError::Clash(format!("no probe check of {machine} is accepted"));
        let last = read_id("probe_checks.id", &last.ok_or_else(none)?)?;
        let check = self.probe_checks()?.into_iter().find(|c| c.0 == last);
        let (_, check) = check.ok_or_else(none)?;
        self.db.execute(
            "UPDATE probe_checks SET taken_back_at = max(added_at, ?2) WHERE id = ?1",
            params![last.to_string(), now.0],
        )?;
        Ok(check)
    }

    /// The probe checks that count, oldest first.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn probe_checks(&self) -> Result<Vec<(Uuid, ProbeCheck)>> {
        let mut statement = self.db.prepare_cached(
            "SELECT id, machine, kiln, channel, checked_at, against, reference_c, read_c,
                    offset_sd_k, whole_series, note
             FROM probe_checks WHERE taken_back_at IS NULL ORDER BY checked_at, rowid",
        )?;
        let rows = statement.query_map([], |row| {
            Ok((
                row.get::<_, String>(0)?,
                ProbeCheck {
                    machine: row.get(1)?,
                    kiln: row.get(2)?,
                    channel: row.get(3)?,
                    at: Micros(row.get(4)?),
                    against: row.get(5)?,
                    reference_c: row.get(6)?,
                    read_c: row.get(7)?,
                    offset_sd_k: row.get(8)?,
                    whole_series: row.get(9)?,
                    note: row.get(10)?,
                },
            ))
        })?;
        rows.map(|row| {
            let (id, check) = row?;
            Ok((read_id("probe_checks.id", &id)?, check))
        })
        .collect()
    }

    /// The checks of machines' melts that count, as the assembly takes them.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn accepted_checks(&self) -> Result<Vec<AcceptedCheck>> {
        let checks = self.probe_checks()?.into_iter().map(|(_, check)| check);
        Ok(checks
            .filter(|check| check.channel == MELT)
            .filter_map(|check| {
                Some(AcceptedCheck {
                    offset_k: check.offset_k(),
                    machine: check.machine?,
                    at: check.at,
                    whole_series: check.whole_series,
                    reference_c: check.reference_c,
                    offset_sd_k: check.offset_sd_k,
                })
            })
            .collect())
    }

    /// Replaces the arrests of a session with those of an extraction.
    ///
    /// # Errors
    /// When SQLite fails; then nothing has changed.
    pub fn replace_arrests(&mut self, session: Uuid, arrests: &[ArrestRow]) -> Result<()> {
        let tx = self.write()?;
        tx.execute(
            "DELETE FROM arrests WHERE session = ?1",
            [session.to_string()],
        )?;
        for (arrest, number) in arrests.iter().zip(1_i64..) {
            let budget = arrest.budget;
            tx.prepare_cached(
                "INSERT INTO arrests (session, number, began_at, over_at, heat, read_c, read_se_k,
                     slope_before_k_min, slope_k_min, slope_after_k_min, metal, offset_k,
                     offset_sd_k, fit_k, tilt_k, resolution_k, purity_k, position_k,
                     undercooling_k, probe_series, alloy)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16,
                         ?17, ?18, ?19, ?20, ?21)",
            )?
            .execute(params![
                session.to_string(),
                number,
                arrest.at.0,
                arrest.until.0,
                heat_word(arrest.heat),
                arrest.read_c,
                arrest.read_se_k,
                arrest.slope_before_k_min,
                arrest.slope_k_min,
                arrest.slope_after_k_min,
                arrest.metal.map(Metal::word),
                arrest.offset_k,
                arrest.offset_sd_k,
                budget.map(|b| b.fit_k),
                budget.map(|b| b.tilt_k),
                budget.map(|b| b.resolution_k),
                budget.map(|b| b.purity_k),
                budget.map(|b| b.position_k),
                arrest.undercooling_k,
                arrest.probe_series,
                arrest.alloy,
            ])?;
        }
        tx.commit()?;
        Ok(())
    }

    /// The arrests in all traces that began before `until`, oldest first.
    ///
    /// # Errors
    /// When SQLite fails or the records are damaged.
    pub fn arrests(&self, until: Option<Micros>) -> Result<Vec<ArrestRow>> {
        let mut statement = self.db.prepare_cached(
            "SELECT s.name, s.machine, a.began_at, a.over_at, a.heat, a.read_c, a.read_se_k,
                    a.slope_before_k_min, a.slope_k_min, a.slope_after_k_min, a.metal,
                    a.offset_k, a.offset_sd_k, a.fit_k, a.tilt_k, a.resolution_k, a.purity_k,
                    a.position_k, a.undercooling_k, a.probe_series, a.alloy
             FROM arrests a JOIN sessions s ON s.id = a.session
             WHERE a.began_at < ?1 ORDER BY a.began_at, s.name, a.number",
        )?;
        let until = until.map_or(i64::MAX, |t| t.0);
        let rows = statement.query_map([until], read_arrest)?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }
}

fn heat_word(heat: Heat) -> &'static str {
    match heat {
        Heat::Freezing => "freezing",
        Heat::Melting => "melting",
    }
}

fn read_arrest(row: &Row<'_>) -> rusqlite::Result<ArrestRow> {
    let heat: String = row.get(4)?;
    let metal: Option<String> = row.get(10)?;
    let budget = match row.get::<_, Option<f64>>(13)? {
        Some(fit_k) => Some(Budget {
            fit_k,
            tilt_k: row.get(14)?,
            resolution_k: row.get(15)?,
            purity_k: row.get(16)?,
            position_k: row.get(17)?,
        }),
        None => None,
    };
    Ok(ArrestRow {
        session: row.get(0)?,
        machine: row.get(1)?,
        at: Micros(row.get(2)?),
        until: Micros(row.get(3)?),
        // The schema holds the two words.
        heat: if heat == heat_word(Heat::Freezing) {
            Heat::Freezing
        } else {
            Heat::Melting
        },
        read_c: row.get(5)?,
        read_se_k: row.get(6)?,
        slope_before_k_min: row.get(7)?,
        slope_k_min: row.get(8)?,
        slope_after_k_min: row.get(9)?,
        metal: metal.as_deref().and_then(Metal::from_word),
        offset_k: row.get(11)?,
        offset_sd_k: row.get(12)?,
        budget,
        undercooling_k: row.get(18)?,
        probe_series: row.get(19)?,
        alloy: row.get(20)?,
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::records::book::test_setup;
    use crate::records::sessions::NewSession;
    use crate::records::words::AddedBy;

    const NOW: Micros = Micros(1_795_000_000_000_000);

    fn bench() -> (Records, Uuid) {
        let mut records = Records::in_memory(&test_setup()).unwrap();
        records
            .add_machine("bench-1", AddedBy::Configuration, Micros(0))
            .unwrap();
        let id = Uuid::from_u128(7);
        let session = NewSession {
            id,
            name: "day-1".into(),
            machine: "bench-1".into(),
            opened_at: Micros(0),
            kilns: Vec::new(),
        };
        records.open_session(&session).unwrap();
        (records, id)
    }

    /// Freezing point of silver: 961.78 °C, a fixed point of ITS-90.
    fn freeze() -> ArrestRow {
        ArrestRow {
            session: "day-1".into(),
            machine: "bench-1".into(),
            at: Micros(5_000_000),
            until: Micros(205_000_000),
            heat: Heat::Freezing,
            read_c: 957.28,
            read_se_k: 0.1,
            slope_before_k_min: -5.0,
            slope_k_min: -0.4,
            slope_after_k_min: -4.0,
            metal: Some(Metal::FineSilver),
            offset_k: Some(-4.5),
            offset_sd_k: Some(0.9),
            budget: Some(Budget {
                fit_k: 0.1,
                tilt_k: 0.3,
                resolution_k: 0.03,
                purity_k: 0.6,
                position_k: 0.7,
            }),
            undercooling_k: Some(1.2),
            probe_series: Some("bench-1/1".into()),
            alloy: None,
        }
    }

    #[test]
    fn a_probe_check_against_freezing_silver_gives_the_offset() {
        let (mut records, _) = bench();
        let check = ProbeCheck::of(&freeze(), false, None).unwrap();
        let offset = records.add_probe_check(&check, NOW).unwrap();
        assert!((offset + 4.5).abs() < 1e-9);
        assert_eq!(records.probe_checks().unwrap()[0].1, check);
        assert!((records.accepted_checks().unwrap()[0].offset_k + 4.5).abs() < 1e-9);
        assert_eq!(
            records
                .add_probe_check(&check, NOW)
                .unwrap_err()
                .to_string(),
            "that probe check is accepted already"
        );
        let wrong = ProbeCheck {
            channel: "vacuum".into(),
            ..check
        };
        assert_eq!(
            records
                .add_probe_check(&wrong, NOW)
                .unwrap_err()
                .to_string(),
            "channel: vacuum is no temperature"
        );
    }

    #[test]
    fn a_check_taken_back_no_longer_counts_and_may_be_accepted_again() {
        let (mut records, _) = bench();
        let check = ProbeCheck::of(&freeze(), true, Some("new probe")).unwrap();
        records.add_probe_check(&check, NOW).unwrap();
        assert_eq!(
            records.take_back_probe_check("bench-1", NOW).unwrap(),
            check
        );
        assert!(records.accepted_checks().unwrap().is_empty());
        assert_eq!(
            records
                .take_back_probe_check("bench-1", NOW)
                .unwrap_err()
                .to_string(),
            "no probe check of bench-1 is accepted"
        );
        records.add_probe_check(&check, NOW).unwrap();
        assert_eq!(records.accepted_checks().unwrap().len(), 1);
    }

    #[test]
    fn arrests_are_kept_as_they_were_found() {
        let (mut records, session) = bench();
        let melting = ArrestRow {
            at: Micros(1_000_000),
            heat: Heat::Melting,
            metal: None,
            offset_k: None,
            offset_sd_k: None,
            budget: None,
            undercooling_k: None,
            alloy: Some("sterling-925".into()),
            ..freeze()
        };
        let found = vec![melting, freeze()];
        for _ in 0..2 {
            records.replace_arrests(session, &found).unwrap();
            assert_eq!(records.arrests(None).unwrap(), found);
        }
        assert_eq!(records.arrests(Some(Micros(2_000_000))).unwrap().len(), 1);
        assert!(ProbeCheck::of(&found[0], false, None).is_none());
    }
}
