//! Parts that wear: every change, so that a pour can say how old the gasket was and where a
//! series of temperatures begins anew.

use analysis::channel::Channel;
use analysis::time::Micros;
use rusqlite::{OptionalExtension, params};
use serde::Serialize;
use uuid::Uuid;

use super::book::{Records, read_id};
use super::error::{RecordError, Result};
use super::words::Part;

/// What a new gas cylinder holds.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CylinderContent {
    /// The gas: `argon`, `nitrogen`, a mixture.
    pub gas: String,
    /// Volume of the cylinder (its water capacity), L.
    pub volume_l: f64,
    /// Pressure when it was fitted, kPa gauge.
    pub pressure_kpa: f64,
}

/// A part that was changed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PartChange {
    /// Which part.
    pub part: Part,
    /// Of which machine or kiln: exactly one of the two.
    pub machine: Option<String>,
    /// Of which kiln.
    pub kiln: Option<String>,
    /// For a thermocouple: the channel it feeds.
    pub channel: Option<String>,
    /// When.
    pub at: Micros,
    /// For a gas cylinder: what it holds, if known.
    pub content: Option<CylinderContent>,
    /// Anything else.
    pub note: Option<String>,
}

impl PartChange {
    /// A change of a machine's part.
    pub fn of_machine(part: Part, machine: impl Into<String>, at: Micros) -> PartChange {
        PartChange {
            part,
            machine: Some(machine.into()),
            kiln: None,
            channel: None,
            at,
            content: None,
            note: None,
        }
    }

    fn check(&self) -> Result<()> {
        one_place(self.machine.as_deref(), self.kiln.as_deref())?;
        if self.kiln.is_some() && self.part != Part::Thermocouple {
            return Err(RecordError::invalid(
                "kiln",
                format!("a kiln has no {}; name its machine", self.part),
            ));
        }
        match (&self.content, self.part) {
            (Some(_), part) if part != Part::GasCylinder => {
                return Err(RecordError::invalid(
                    "content",
                    format!("a {part} holds no gas; only a gas-cylinder does"),
                ));
            }
            (Some(content), _) => {
                if !(content.volume_l > 0.0 && content.volume_l.is_finite()) {
                    return Err(RecordError::invalid(
                        "volume_l",
                        format!("{} must be more than 0", content.volume_l),
                    ));
                }
                if !(content.pressure_kpa >= 0.0 && content.pressure_kpa.is_finite()) {
                    return Err(RecordError::invalid(
                        "pressure_kpa",
                        format!("{} must be 0 or more (gauge)", content.pressure_kpa),
                    ));
                }
            }
            (None, _) => {}
        }
        match (&self.channel, self.part) {
            (Some(_), part) if part != Part::Thermocouple => Err(RecordError::invalid(
                "channel",
                format!("a {part} feeds no channel; only a thermocouple does"),
            )),
            (Some(channel), _) => temperature_channel(channel),
            (None, _) => Ok(()),
        }
    }
}

pub(super) fn one_place(machine: Option<&str>, kiln: Option<&str>) -> Result<()> {
    if machine.is_some() == kiln.is_some() {
        return Err(RecordError::invalid(
            "machine, kiln",
            "name the machine or the kiln, one of the two",
        ));
    }
    Ok(())
}

pub(super) fn temperature_channel(channel: &str) -> Result<()> {
    let known: Channel = channel
        .parse()
        .map_err(|e: analysis::channel::NotAChannel| {
            RecordError::invalid("channel", e.to_string())
        })?;
    if known.quantity() == analysis::channel::Quantity::Temperature {
        Ok(())
    } else {
        Err(RecordError::invalid(
            "channel",
            format!("{channel} is no temperature"),
        ))
    }
}

impl Records {
    /// Records that a part was changed.
    ///
    /// # Errors
    /// [`RecordError::Invalid`] naming the field, [`RecordError::NotFound`] for an unknown
    /// machine or kiln.
    pub fn add_part_change(&mut self, change: &PartChange, now: Micros) -> Result<Uuid> {
        change.check()?;
        if change.at > now {
            let day = self.day_of(change.at);
            return Err(RecordError::invalid(
                "at",
                format!("{day} is still to come; write it down once it is done"),
            ));
        }
        self.place_must(change.machine.as_deref(), change.kiln.as_deref())?;
        let id = Uuid::new_v4();
        self.db.execute(
            "INSERT INTO part_changes (id, part, machine, kiln, channel, changed_at, gas, volume_l,
                                       pressure_kpa, note, added_at)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
            params![
                id.to_string(),
                change.part,
                change.machine,
                change.kiln,
                change.channel,
                change.at.0,
                change.content.as_ref().map(|c| &c.gas),
                change.content.as_ref().map(|c| c.volume_l),
                change.content.as_ref().map(|c| c.pressure_kpa),
                change.note,
                now.0
            ],
        )?;
        Ok(id)
    }

    /// All part changes, oldest first.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn part_changes(&self) -> Result<Vec<(Uuid, PartChange)>> {
        let mut statement = self.db.prepare_cached(
            "SELECT id, part, machine, kiln, channel, changed_at, gas, volume_l, pressure_kpa, note
             FROM part_changes ORDER BY changed_at, added_at, rowid",
        )?;
        let rows = statement.query_map([], |row| {
            let content = match (row.get(6)?, row.get(7)?, row.get(8)?) {
                (Some(gas), Some(volume_l), Some(pressure_kpa)) => Some(CylinderContent {
                    gas,
                    volume_l,
                    pressure_kpa,
                }),
                _ => None,
            };
            Ok((
                row.get::<_, String>(0)?,
                PartChange {
                    part: row.get(1)?,
                    machine: row.get(2)?,
                    kiln: row.get(3)?,
                    channel: row.get(4)?,
                    at: Micros(row.get(5)?),
                    content,
                    note: row.get(9)?,
                },
            ))
        })?;
        rows.map(|row| {
            let (id, change) = row?;
            Ok((read_id("part_changes.id", &id)?, change))
        })
        .collect()
    }

    /// Pours of a machine since a part was last changed and before `at`; none when no change of
    /// that part was ever recorded, since its age is then unknown.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn pours_since_change(&self, machine: &str, part: Part, at: Micros) -> Result<Option<u32>> {
        let changed: Option<i64> = self
            .db
            .prepare_cached(
                "SELECT max(changed_at) FROM part_changes
                 WHERE machine = ?1 AND part = ?2 AND changed_at <= ?3",
            )?
            .query_row(params![machine, part, at.0], |row| row.get(0))?;
        let Some(changed) = changed else {
            return Ok(None);
        };
        Ok(Some(
            self.db
                .prepare_cached(
                    "SELECT count(*) FROM pours p JOIN sessions s ON s.id = p.session
                     WHERE s.machine = ?1 AND p.poured_at >= ?2 AND p.poured_at < ?3
                     AND p.gone_at IS NULL
                     AND coalesce((SELECT becomes FROM corrections c
                                   WHERE c.pour = p.id AND field = 'poured'
                                   ORDER BY c.id DESC LIMIT 1), 'yes') <> 'no'",
                )?
                .query_row(params![machine, changed, at.0], |row| row.get(0))?,
        ))
    }

    pub(super) fn place_must(&self, machine: Option<&str>, kiln: Option<&str>) -> Result<()> {
        for (what, table, name) in [("machine", "machines", machine), ("kiln", "kilns", kiln)] {
            let Some(name) = name else { continue };
            let there: Option<i64> = self
                .db
                .prepare_cached(&format!("SELECT 1 FROM {table} WHERE name = ?1"))?
                .query_row([name], |row| row.get(0))
                .optional()?;
            if there.is_none() {
                return Err(RecordError::not_found(what, name));
            }
        }
        Ok(())
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::records::book::test_setup;
    use crate::records::words::AddedBy;

    fn bench() -> Records {
        let mut records = Records::in_memory(&test_setup()).unwrap();
        records
            .add_machine("bench-1", AddedBy::Configuration, Micros(0))
            .unwrap();
        records
    }

    #[test]
    fn a_cylinder_has_a_content_and_a_gasket_has_none() {
        let mut records = bench();
        let mut change = PartChange::of_machine(Part::GasCylinder, "bench-1", Micros(5));
        change.content = Some(CylinderContent {
            gas: "argon".into(),
            volume_l: 20.0,
            pressure_kpa: 20_000.0,
        });
        records.add_part_change(&change, Micros(6)).unwrap();
        assert_eq!(records.part_changes().unwrap()[0].1, change);
        change.part = Part::Gasket;
        let error = records.add_part_change(&change, Micros(6)).unwrap_err();
        assert_eq!(
            error.to_string(),
            "content: a gasket holds no gas; only a gas-cylinder does"
        );
    }

    #[test]
    fn a_part_cannot_have_been_changed_tomorrow() {
        let mut records = bench();
        let now = Micros(1_795_000_320_000_000);
        let tomorrow = now.plus_seconds(86_400.0);
        let change = PartChange::of_machine(Part::Gasket, "bench-1", tomorrow);
        let error = records.add_part_change(&change, now).unwrap_err();
        assert_eq!(
            error.to_string(),
            "at: 2026-11-19 is still to come; write it down once it is done"
        );
        assert!(records.part_changes().unwrap().is_empty());
        records.add_part_change(&change, tomorrow).unwrap();
    }

    #[test]
    fn a_change_names_one_known_place() {
        let mut records = bench();
        let mut change = PartChange::of_machine(Part::Gasket, "bench-2", Micros(5));
        assert!(matches!(
            records.add_part_change(&change, Micros(6)),
            Err(RecordError::NotFound { .. })
        ));
        change.machine = None;
        assert!(records.add_part_change(&change, Micros(6)).is_err());
        change.kiln = Some("kiln-1".into());
        let error = records.add_part_change(&change, Micros(6)).unwrap_err();
        assert_eq!(
            error.to_string(),
            "kiln: a kiln has no gasket; name its machine"
        );
    }
}
