//! Trials of two pour temperatures: what was fixed when each was planned, which flask got which
//! temperature by lot, and how it ended. One trial runs at a time.

use std::collections::HashMap;

use analysis::evidence::trial::lots::lot;
use analysis::evidence::trial::{Arm, State, Trial};
use analysis::time::Micros;
use rusqlite::{OptionalExtension, Row, Transaction, params};
use uuid::Uuid;

use super::book::{Records, read_id};
use super::error::{RecordError, Result};
use super::words::StoppedFor;

/// A trial as recorded.
#[derive(Clone, Debug, PartialEq)]
pub struct StoredTrial {
    /// Its identity.
    pub id: Uuid,
    /// What was fixed.
    pub trial: Trial,
    /// When.
    pub planned_at: Micros,
    /// When its last flask was counted.
    pub complete_at: Option<Micros>,
    /// When it was stopped before that, and why.
    pub stopped: Option<(Micros, StoppedFor)>,
    /// Anything else.
    pub note: Option<String>,
    /// How many flasks have their lot.
    pub lots: u32,
}

impl StoredTrial {
    /// Where it stands.
    pub fn state(&self) -> State {
        if self.stopped.is_some() {
            State::Stopped
        } else if self.complete_at.is_some() {
            State::Complete
        } else if self.lots > 0 {
            State::Running
        } else {
            State::Planned
        }
    }
}

/// One flask's lot.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FlaskLot {
    /// The flask.
    pub flask: Uuid,
    /// Which of the trial's sessions, from 1.
    pub block: u32,
    /// Which lot of that session, from 1.
    pub place: u32,
    /// The temperature.
    pub arm: Arm,
    /// The same, °C.
    pub target_c: f64,
}

const COLUMNS: &str = "id, alloy, section, usual_c, tried_c, flasks, alpha, power, difference, \
     design_effect, seed, planned_at, complete_at, stopped_at, stopped_for, note, \
     (SELECT count(*) FROM trial_lots WHERE trial = trials.id)";

fn stored(row: &Row<'_>) -> rusqlite::Result<(String, StoredTrial)> {
    let seed: i64 = row.get(10)?;
    let stopped_at: Option<i64> = row.get(13)?;
    let stopped_for: Option<StoppedFor> = row.get(14)?;
    Ok((
        row.get(0)?,
        StoredTrial {
            id: Uuid::nil(),
            trial: Trial {
                alloy: row.get(1)?,
                section: row.get(2)?,
                usual_c: row.get(3)?,
                tried_c: row.get(4)?,
                flasks: row.get(5)?,
                alpha: row.get(6)?,
                power: row.get(7)?,
                difference: row.get(8)?,
                design_effect: row.get(9)?,
                seed: seed.unsigned_abs(),
            },
            planned_at: Micros(row.get(11)?),
            complete_at: row.get::<_, Option<i64>>(12)?.map(Micros),
            stopped: stopped_at.map(Micros).zip(stopped_for),
            note: row.get(15)?,
            lots: row.get(16)?,
        },
    ))
}

fn arm_of(word: &str) -> Result<Arm> {
    [Arm::Usual, Arm::Tried]
        .into_iter()
        .find(|arm| arm.word() == word)
        .ok_or_else(|| RecordError::Damaged {
            what: "trial_lots.arm",
            value: word.to_owned(),
        })
}

impl Records {
    /// Records a planned trial. Its seed must fit 63 bits.
    ///
    /// # Errors
    /// [`RecordError::Clash`] while another is planned or running.
    pub fn plan_trial(&mut self, trial: &Trial, note: Option<&str>, now: Micros) -> Result<Uuid> {
        let seed = i64::try_from(trial.seed)
            .map_err(|_| RecordError::invalid("seed", "has more than 63 bits"))?;
        if let Some(open) = self.open_trial()? {
            return Err(RecordError::Clash(format!(
                "a trial of {} {} is {} already, and one runs at a time; stop it with --stop",
                open.trial.alloy,
                open.trial.section,
                if open.lots == 0 { "planned" } else { "running" }
            )));
        }
        let id = Uuid::new_v4();
        let tx = self.write()?;
        tx.execute(
            "INSERT INTO trials (id, alloy, section, usual_c, tried_c, flasks, alpha, power,
               difference, design_effect, seed, planned_at, note)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13)",
            params![
                id.to_string(),
                trial.alloy,
                trial.section,
                trial.usual_c,
                trial.tried_c,
                trial.flasks,
                trial.alpha,
                trial.power,
                trial.difference,
                trial.design_effect,
                seed,
                now.0,
                note
            ],
        )?;
        tx.commit()?;
        Ok(id)
    }

    /// All trials, oldest first.
    ///
    /// # Errors
    /// When SQLite fails or a row is damaged.
    pub fn trials(&self) -> Result<Vec<StoredTrial>> {
        let mut statement = self.db.prepare_cached(&format!(
            "SELECT {COLUMNS} FROM trials ORDER BY planned_at, rowid"
        ))?;
        let rows = statement.query_map([], stored)?;
        rows.map(|row| {
            let (id, trial) = row?;
            Ok(StoredTrial {
                id: read_id("trials.id", &id)?,
                ..trial
            })
        })
        .collect()
    }

    /// The trial that is planned or running.
    ///
    /// # Errors
    /// As [`Records::trials`].
    pub fn open_trial(&self) -> Result<Option<StoredTrial>> {
        let open = |t: &StoredTrial| matches!(t.state(), State::Planned | State::Running);
        Ok(self.trials()?.into_iter().find(open))
    }

    /// Stops the trial that is planned or running and answers it. It is never analysed for a
    /// claim. Cards that are not poured yet keep their lot in the records only.
    ///
    /// # Errors
    /// [`RecordError::Clash`] when there is none.
    pub fn stop_trial(
        &mut self,
        why: StoppedFor,
        note: Option<&str>,
        now: Micros,
    ) -> Result<StoredTrial> {
        let open = self
            .open_trial()?
            .ok_or_else(|| RecordError::Clash("no trial is planned or running".to_owned()))?;
        self.db.execute(
            "UPDATE trials SET stopped_at = max(planned_at, ?2), stopped_for = ?3,
               note = coalesce(?4, note) WHERE id = ?1",
            params![open.id.to_string(), now.0, why, note],
        )?;
        Ok(open)
    }

    /// Says that a running trial's last flask is counted; does nothing to one that has ended.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn complete_trial(&mut self, id: Uuid, now: Micros) -> Result<()> {
        self.db.execute(
            "UPDATE trials SET complete_at = max(planned_at, ?2)
             WHERE id = ?1 AND complete_at IS NULL AND stopped_at IS NULL",
            params![id.to_string(), now.0],
        )?;
        Ok(())
    }

    /// The lots of a trial, in the order they were drawn.
    ///
    /// # Errors
    /// When SQLite fails or a row is damaged.
    pub fn trial_lots(&self, trial: Uuid) -> Result<Vec<FlaskLot>> {
        let mut statement = self.db.prepare_cached(
            "SELECT flask, block, place, arm, target_c FROM trial_lots WHERE trial = ?1
             ORDER BY block, place",
        )?;
        let rows = statement.query_map([trial.to_string()], |row| {
            Ok((
                row.get::<_, String>(0)?,
                row.get::<_, String>(3)?,
                FlaskLot {
                    flask: Uuid::nil(),
                    block: row.get(1)?,
                    place: row.get(2)?,
                    arm: Arm::Usual,
                    target_c: row.get(4)?,
                },
            ))
        })?;
        rows.map(|row| {
            let (flask, arm, lot) = row?;
            Ok(FlaskLot {
                flask: read_id("trial_lots.flask", &flask)?,
                arm: arm_of(&arm)?,
                ..lot
            })
        })
        .collect()
    }

    /// What each flask of a trial that has not been stopped is to be poured at, °C.
    ///
    /// # Errors
    /// When SQLite fails or a row is damaged.
    pub fn trial_targets(&self) -> Result<HashMap<Uuid, f64>> {
        let mut statement = self.db.prepare_cached(
            "SELECT l.flask, l.target_c FROM trial_lots l JOIN trials t ON t.id = l.trial
             LEFT JOIN matches m ON m.flask = l.flask AND m.ended_at IS NULL
             LEFT JOIN pours p ON p.id = m.pour
             WHERE t.stopped_at IS NULL OR p.poured_at < t.stopped_at",
        )?;
        let rows = statement.query_map([], |row| {
            Ok((row.get::<_, String>(0)?, row.get::<_, f64>(1)?))
        })?;
        rows.map(|row| {
            let (flask, target_c) = row?;
            Ok((read_id("trial_lots.flask", &flask)?, target_c))
        })
        .collect()
    }

    /// Gives these flasks their lots, in this order, as many as `at_most`; those that have one
    /// keep it. A session of the trial is one day and machine of the cards.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] for an unknown trial or flask; [`RecordError::Clash`] for a trial
    /// that has ended.
    pub fn give_lots(
        &mut self,
        trial: Uuid,
        flasks: &[Uuid],
        at_most: u32,
        now: Micros,
    ) -> Result<()> {
        let held = self
            .trials()?
            .into_iter()
            .find(|t| t.id == trial)
            .ok_or_else(|| RecordError::not_found("trial", trial.to_string()))?;
        if !matches!(held.state(), State::Planned | State::Running) {
            return Err(RecordError::Clash("this trial has ended".to_owned()));
        }
        let tx = self.write()?;
        let mut left = at_most;
        for flask in flasks {
            if left == 0 {
                break;
            }
            let has_one = tx
                .prepare_cached("SELECT 1 FROM trial_lots WHERE flask = ?1")?
                .exists([flask.to_string()])?;
            if !has_one {
                draw(&tx, trial, &held.trial, *flask, now)?;
                left -= 1;
            }
        }
        tx.commit()?;
        Ok(())
    }
}

fn draw(tx: &Transaction<'_>, id: Uuid, trial: &Trial, flask: Uuid, now: Micros) -> Result<()> {
    let (day, machine): (String, Option<String>) = tx
        .prepare_cached("SELECT day, machine FROM flasks WHERE id = ?1")?
        .query_row([flask.to_string()], |row| Ok((row.get(0)?, row.get(1)?)))
        .optional()?
        .ok_or_else(|| RecordError::not_found("flask", flask.to_string()))?;
    let held: Option<(u32, u32)> = tx
        .prepare_cached(
            "SELECT l.block, max(l.place) FROM trial_lots l JOIN flasks f ON f.id = l.flask
             WHERE l.trial = ?1 AND f.day = ?2 AND f.machine IS ?3 GROUP BY l.block
             ORDER BY l.block DESC LIMIT 1",
        )?
        .query_row(params![id.to_string(), day, machine], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })
        .optional()?;
    let (block, place) = match held {
        Some((block, last)) => (block, last + 1),
        None => {
            let last: u32 = tx.query_row(
                "SELECT coalesce(max(block), 0) FROM trial_lots WHERE trial = ?1",
                [id.to_string()],
                |row| row.get(0),
            )?;
            (last + 1, 1)
        }
    };
    let arm = lot(trial.seed, block - 1, place - 1).arm;
    tx.execute(
        "INSERT INTO trial_lots (flask, trial, block, place, arm, target_c, given_at)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        params![
            flask.to_string(),
            id.to_string(),
            block,
            place,
            arm.word(),
            trial.pour_c(arm),
            now.0
        ],
    )?;
    tx.execute(
        "UPDATE flasks SET trial_arm = ?2 WHERE id = ?1",
        params![flask.to_string(), arm.word()],
    )?;
    Ok(())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::records::book::test_setup;
    use crate::records::flasks::FlaskCard;

    const TRIAL: Uuid = Uuid::nil();

    fn a_trial() -> Trial {
        Trial {
            alloy: "sterling-925".into(),
            section: "medium".into(),
            usual_c: 968.0,
            tried_c: 955.0,
            flasks: 40,
            alpha: 0.02,
            power: 0.8,
            difference: 0.04,
            design_effect: 1.5,
            seed: 4_611_686_018_427_387_000,
        }
    }

    fn cards(records: &mut Records, day: &str, labels: &[&str]) -> Vec<Uuid> {
        let day = day.parse().unwrap();
        labels
            .iter()
            .map(|l| {
                records
                    .add_flask(&FlaskCard::new(*l, day), Micros(5))
                    .unwrap()
            })
            .collect()
    }

    #[test]
    fn each_card_gets_its_lot_once_and_the_seed_gives_it_again() {
        let mut records = Records::in_memory(&test_setup()).unwrap();
        let id = records.plan_trial(&a_trial(), None, Micros(1)).unwrap();
        assert_eq!(
            records.open_trial().unwrap().unwrap().state(),
            State::Planned
        );
        let monday = cards(&mut records, "2026-11-16", &["A", "B", "C"]);
        let tuesday = cards(&mut records, "2026-11-17", &["A", "B"]);
        records.give_lots(id, &monday[..2], 9, Micros(6)).unwrap();
        records.give_lots(id, &tuesday, 9, Micros(7)).unwrap();
        // A late card of Monday joins Monday's order; the others keep theirs.
        records.give_lots(id, &monday, 9, Micros(8)).unwrap();
        let lots = records.trial_lots(id).unwrap();
        let order: Vec<(Uuid, u32, u32)> =
            lots.iter().map(|l| (l.flask, l.block, l.place)).collect();
        assert_eq!(
            order,
            [
                (monday[0], 1, 1),
                (monday[1], 1, 2),
                (monday[2], 1, 3),
                (tuesday[0], 2, 1),
                (tuesday[1], 2, 2)
            ]
        );
        assert_eq!(lots[0].arm, lots[1].arm.other());
        assert_eq!(lots[0].arm, lots[3].arm.other(), "Tuesday mirrors Monday");
        for l in &lots {
            let again = lot(a_trial().seed, l.block - 1, l.place - 1);
            assert_eq!(
                (l.arm, l.target_c),
                (again.arm, a_trial().pour_c(again.arm))
            );
            let card = records.flask(l.flask).unwrap().card;
            assert_eq!(card.trial_arm.as_deref(), Some(l.arm.word()));
        }
        let held = records.open_trial().unwrap().unwrap();
        assert_eq!((held.state(), &held.trial), (State::Running, &a_trial()));
        assert_eq!(
            records.trial_targets().unwrap()[&monday[0]],
            lots[0].target_c
        );
    }

    #[test]
    fn no_more_lots_than_the_trial_has_flasks() {
        let mut records = Records::in_memory(&test_setup()).unwrap();
        let id = records.plan_trial(&a_trial(), None, Micros(1)).unwrap();
        let day = cards(&mut records, "2026-11-16", &["A", "B", "C"]);
        records.give_lots(id, &day, 2, Micros(6)).unwrap();
        assert_eq!(records.trial_lots(id).unwrap().len(), 2);
        assert!(records.give_lots(TRIAL, &day, 2, Micros(6)).is_err());
        let unknown = [Uuid::from_u128(9)];
        assert!(records.give_lots(id, &unknown, 2, Micros(6)).is_err());
    }

    #[test]
    fn one_trial_at_a_time_and_an_ended_one_gives_no_lots() {
        let mut records = Records::in_memory(&test_setup()).unwrap();
        assert!(
            records
                .stop_trial(StoppedFor::Safety, None, Micros(1))
                .is_err()
        );
        let first = records.plan_trial(&a_trial(), None, Micros(1)).unwrap();
        let error = records.plan_trial(&a_trial(), None, Micros(2)).unwrap_err();
        assert!(error.to_string().contains("one runs at a time"), "{error}");
        records
            .stop_trial(StoppedFor::Misruns, Some("no-fill in C and D"), Micros(3))
            .unwrap();
        let day = cards(&mut records, "2026-11-16", &["A"]);
        assert!(records.give_lots(first, &day, 9, Micros(4)).is_err());
        let second = records
            .plan_trial(&a_trial(), Some("again"), Micros(5))
            .unwrap();
        records.complete_trial(second, Micros(6)).unwrap();
        // A stopped trial is not made complete.
        records.complete_trial(first, Micros(7)).unwrap();
        let trials = records.trials().unwrap();
        let states: Vec<State> = trials.iter().map(StoredTrial::state).collect();
        assert_eq!(states, [State::Stopped, State::Complete]);
        assert_eq!(trials[0].note.as_deref(), Some("no-fill in C and D"));
        assert_eq!(trials[0].stopped, Some((Micros(3), StoppedFor::Misruns)));
    }
}
