//! What the shop means to do, by alloy and section, and what it meant before. A target ends when
//! another takes its place; pours of the past are held against the target of their time.

use analysis::evidence::Meant;
use analysis::time::Micros;
use rusqlite::{OptionalExtension, Row, params};
use serde::Serialize;

use super::book::{Records, named};
use super::error::{RecordError, Result};
use super::flasks::ABSOLUTE_ZERO_C;

/// A target, with temperatures as written and in °C.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Target {
    /// The alloy.
    pub alloy: String,
    /// The section.
    pub section: String,
    /// Pour temperature, °C.
    pub pour_temperature_c: Option<f64>,
    /// The same as it was written, with its unit: `968 Cel`.
    pub pour_temperature_text: Option<String>,
    /// Flask temperature, °C.
    pub flask_temperature_c: Option<f64>,
    /// The same as it was written.
    pub flask_temperature_text: Option<String>,
    /// Soak, min.
    pub soak_min: Option<f64>,
    /// Vacuum on before the pour, s.
    pub vacuum_lead_s: Option<f64>,
}

/// A target with the time it held.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TargetInForce {
    /// The target.
    pub target: Target,
    /// From when.
    pub from: Micros,
    /// Until when; none while it holds.
    pub until: Option<Micros>,
}

const COLUMNS: &str = "alloy, section, pour_temperature_c, pour_temperature_text, \
     flask_temperature_c, flask_temperature_text, soak_min, vacuum_lead_s, from_at, until_at";

fn in_force(row: &Row<'_>) -> rusqlite::Result<TargetInForce> {
    Ok(TargetInForce {
        target: Target {
            alloy: row.get(0)?,
            section: row.get(1)?,
            pour_temperature_c: row.get(2)?,
            pour_temperature_text: row.get(3)?,
            flask_temperature_c: row.get(4)?,
            flask_temperature_text: row.get(5)?,
            soak_min: row.get(6)?,
            vacuum_lead_s: row.get(7)?,
        },
        from: Micros(row.get(8)?),
        until: row.get::<_, Option<i64>>(9)?.map(Micros),
    })
}

impl Records {
    /// Makes a target hold from `now` on; says whether it is another than the one that held.
    ///
    /// # Errors
    /// [`RecordError::Invalid`] naming the field; [`RecordError::Clash`] when a later one is
    /// recorded already.
    pub fn set_target(&mut self, target: &Target, now: Micros) -> Result<bool> {
        named("alloy", &target.alloy)?;
        named("section", &target.section)?;
        let temperatures = [
            ("pour_temperature", target.pour_temperature_c),
            ("flask_temperature", target.flask_temperature_c),
        ];
        for (field, value) in temperatures {
            if let Some(c) = value
                && !(c > ABSOLUTE_ZERO_C && c.is_finite())
            {
                return Err(RecordError::invalid(
                    field,
                    format!("{c} °C is below absolute zero"),
                ));
            }
        }
        for (field, value) in [
            ("soak_min", target.soak_min),
            ("vacuum_lead_s", target.vacuum_lead_s),
        ] {
            if let Some(v) = value
                && !(v >= 0.0 && v.is_finite())
            {
                return Err(RecordError::invalid(
                    field,
                    format!("{v} must be 0 or more"),
                ));
            }
        }
        let tx = self.write()?;
        let held = tx
            .query_row(
                &format!(
                    "SELECT {COLUMNS} FROM targets
                     WHERE alloy = ?1 AND section = ?2 AND until_at IS NULL"
                ),
                params![target.alloy, target.section],
                in_force,
            )
            .optional()?;
        if let Some(held) = held {
            if held.target == *target {
                return Ok(false);
            }
            if held.from > now {
                return Err(RecordError::Clash(format!(
                    "the target for {} {} holds from {}, which is later",
                    target.alloy,
                    target.section,
                    held.from.rfc3339_ms()
                )));
            }
            tx.execute(
                "UPDATE targets SET until_at = ?3
                 WHERE alloy = ?1 AND section = ?2 AND until_at IS NULL",
                params![target.alloy, target.section, now.0],
            )?;
        }
        tx.execute(
            &format!(
                "INSERT INTO targets ({COLUMNS}) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, NULL)"
            ),
            params![
                target.alloy,
                target.section,
                target.pour_temperature_c,
                target.pour_temperature_text,
                target.flask_temperature_c,
                target.flask_temperature_text,
                target.soak_min,
                target.vacuum_lead_s,
                now.0
            ],
        )?;
        tx.commit()?;
        Ok(true)
    }

    /// The target that held for an alloy and section at a time.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn target_at(&self, alloy: &str, section: &str, at: Micros) -> Result<Option<Target>> {
        Ok(self
            .db
            .prepare_cached(&format!(
                "SELECT {COLUMNS} FROM targets WHERE alloy = ?1 AND section = ?2
                 AND from_at <= ?3 AND (until_at IS NULL OR until_at > ?3)
                 ORDER BY from_at DESC LIMIT 1"
            ))?
            .query_row(params![alloy, section, at.0], in_force)
            .optional()?
            .map(|t| t.target))
    }

    /// The pour temperatures that were meant at a time, for [`Question::meant`].
    ///
    /// [`Question::meant`]: analysis::evidence::Question::meant
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn meant_at(&self, at: Micros) -> Result<Vec<Meant>> {
        let held = |t: &TargetInForce| t.from <= at && t.until.is_none_or(|until| until > at);
        Ok(self
            .targets()?
            .into_iter()
            .filter(held)
            .filter_map(|t| {
                Some(Meant {
                    pour_temperature_c: t.target.pour_temperature_c?,
                    alloy: t.target.alloy,
                    section: t.target.section,
                })
            })
            .collect())
    }

    /// All targets, past and present, oldest first.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn targets(&self) -> Result<Vec<TargetInForce>> {
        let mut statement = self.db.prepare_cached(&format!(
            "SELECT {COLUMNS} FROM targets ORDER BY from_at, id"
        ))?;
        let rows = statement.query_map([], in_force)?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::records::book::test_setup;

    #[test]
    fn a_pour_is_held_against_the_target_of_its_time() {
        let mut records = Records::in_memory(&test_setup()).unwrap();
        let first = Target {
            alloy: "sterling-925".into(),
            section: "thin".into(),
            pour_temperature_c: Some(968.0),
            pour_temperature_text: Some("968 Cel".into()),
            flask_temperature_c: None,
            flask_temperature_text: None,
            soak_min: Some(150.0),
            vacuum_lead_s: None,
        };
        assert!(records.set_target(&first, Micros(100)).unwrap());
        assert!(!records.set_target(&first, Micros(150)).unwrap());
        let second = Target {
            pour_temperature_c: Some(975.0),
            pour_temperature_text: Some("975 Cel".into()),
            ..first.clone()
        };
        assert!(records.set_target(&second, Micros(200)).unwrap());
        let at = |t| {
            records
                .target_at("sterling-925", "thin", Micros(t))
                .unwrap()
        };
        assert_eq!(at(50), None);
        assert_eq!(at(199), Some(first.clone()));
        assert_eq!(at(200), Some(second));
        assert_eq!(records.targets().unwrap()[0].until, Some(Micros(200)));
        let impossible = Target {
            pour_temperature_c: Some(-300.0),
            ..first
        };
        assert!(records.set_target(&impossible, Micros(300)).is_err());
    }
}
