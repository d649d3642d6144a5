//! How far the book's trials have come and what they found, from the records: what `next` goes on
//! with, and what grades are made from wherever the evidence is asked.

use std::collections::HashMap;

use analysis::evidence::trial::lots::lot;
use analysis::evidence::trial::next::Standing;
use analysis::evidence::trial::verdict::{TrialFlask, gross_misruns, stays, verdict};
use analysis::evidence::trial::{State, Trial};
use analysis::evidence::{Outcome, Question, TrialSaid, only_scale_of, tallies};
use analysis::flask::Flask;
use analysis::time::Micros;
use jiff::ToSpan;

use crate::records::Records;
use crate::records::trials::StoredTrial;

/// A flask nobody counted within so many days of its card's is not waited for.
const WAITED_FOR_DAYS: i64 = 21;

/// Where a trial stands, when the last of its counted flasks was poured, and on which scale they were
/// read ([`only_scale_of`]). `all` is every flask
/// of the book: a trial's flasks stay its own though their alloy or section was put right since.
///
/// # Errors
/// When the records refuse.
pub fn standing(
    records: &Records,
    stored: &StoredTrial,
    all: &[Flask],
    ask: &Question,
    now: Micros,
) -> anyhow::Result<(Standing, Option<Micros>, Option<String>)> {
    // A trial is of what heat can steer, whatever else is asked of the same flasks.
    let ask = Question {
        outcome: Outcome::Steering,
        kinds: ask.kinds.clone(),
        alloys: ask.alloys.clone(),
        ..Question::default()
    };
    let waited_for = records
        .day_of(now)
        .checked_sub(WAITED_FOR_DAYS.days())
        .unwrap_or(jiff::civil::Date::MIN);
    let by_id: HashMap<&str, &Flask> = all.iter().map(|f| (f.id.as_str(), f)).collect();
    let mut flasks: Vec<TrialFlask> = Vec::new();
    let mut read: Vec<&Flask> = Vec::new();
    let mut last = None;
    let mut waiting = 0;
    for held in records.trial_lots(stored.id)? {
        let id = held.flask.to_string();
        let flask = by_id.get(id.as_str());
        if flask.is_some_and(|f| !stays(f.set_aside.as_ref())) {
            continue;
        }
        match flask.and_then(|f| Some((f, tallies(f, &ask)?))) {
            Some((flask, (fewest, most))) => {
                last = last.max(Some(flask.cast_at));
                read.push(flask);
                flasks.push(TrialFlask {
                    arm: held.arm,
                    draw: lot(stored.trial.seed, held.block - 1, held.place - 1).draw,
                    fewest,
                    most,
                });
            }
            None => {
                let card = records.flask(held.flask)?.card;
                waiting += u32::from(card.day >= waited_for);
            }
        }
    }
    let counted = u32::try_from(flasks.len()).unwrap_or(u32::MAX);
    let trial: Trial = stored.trial.clone();
    let state = match stored.state() {
        State::Running if counted >= trial.flasks => State::Complete,
        state => state,
    };
    let standing = Standing {
        verdict: (state == State::Complete)
            .then(|| verdict(&trial, &flasks))
            .flatten(),
        gross: gross_misruns(&flasks),
        trial,
        state,
        counted,
        waiting,
    };
    Ok((standing, last, only_scale_of(&read).map(str::to_owned)))
}

/// What the book's completed trials said, oldest first, for [`Question::trials`]. `all` is every flask of
/// the book, later ones than are asked about too: a trial is analysed whole or not at all.
///
/// # Errors
/// When the records refuse.
pub fn said(
    records: &Records,
    all: &[Flask],
    ask: &Question,
    now: Micros,
) -> anyhow::Result<Vec<TrialSaid>> {
    let mut found = Vec::new();
    for stored in records.trials()? {
        if matches!(stored.state(), State::Planned | State::Stopped) {
            continue;
        }
        let (standing, last, scale) = standing(records, &stored, all, ask, now)?;
        if let (Some(verdict), Some(last)) = (&standing.verdict, last) {
            // The names that strata go by.
            let trial = Trial {
                alloy: ask.alloys.get(&stored.trial.alloy).map_or_else(
                    || stored.trial.alloy.trim().to_lowercase(),
                    |a| a.name.clone(),
                ),
                section: stored.trial.section.trim().to_lowercase(),
                ..stored.trial.clone()
            };
            found.push(TrialSaid {
                scale,
                ..verdict.said(&trial, last)
            });
        }
    }
    Ok(found)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use analysis::alloy::Alloys;
    use analysis::defect::DefectKinds;
    use analysis::evidence::trial::Arm;
    use analysis::evidence::{Grade, evidence};
    use uuid::Uuid;

    use super::*;
    use crate::import::{ImportOptions, import_castings};
    use crate::records::book::test_setup;
    use crate::records::flasks::FlaskCard;
    use crate::records::inspections::NewInspection;
    use crate::records::words::{AddedBy, Stage, StoppedFor};

    const NOW: Micros = Micros(1_798_000_000_000_000);

    /// Thirty paper days of two flasks about 968 °C, which say nothing of heat.
    fn bench() -> Records {
        let mut records = Records::in_memory(&test_setup()).unwrap();
        records
            .add_machine("bench-1", AddedBy::Configuration, NOW)
            .unwrap();
        let mut csv = "flask,cast_at,machine,alloy,section,pieces,defective,defective_steering,\
                       pour_temperature [Cel]\n"
            .to_owned();
        for day in 1..=30 {
            for flask in 0..2 {
                let bad = 3 + (day + flask) % 3;
                let celsius = 955 + (7 * day + 13 * flask) % 27;
                csv += &format!(
                    "{flask},2026-06-{day:02},bench-1,sterling,medium,20,{bad},{bad},{celsius}\n"
                );
            }
        }
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("paper.csv");
        std::fs::write(&file, csv).unwrap();
        import_castings(&mut records, &file, &ImportOptions::default(), NOW).unwrap();
        records
    }

    /// Twenty days of two flasks each, their temperatures by lot, and what each lost of 20 pieces.
    fn tried(records: &mut Records, tried_bad: u32) -> Vec<(Uuid, u32)> {
        let trial = Trial {
            alloy: "sterling-925".into(),
            section: "medium".into(),
            usual_c: 968.0,
            tried_c: 980.0,
            flasks: 40,
            alpha: 0.02,
            power: 0.8,
            difference: 0.1,
            design_effect: 1.2,
            seed: 5,
        };
        let id = records.plan_trial(&trial, None, Micros(1)).unwrap();
        for day in 1..=20 {
            for label in ["A", "B"] {
                let mut card = FlaskCard::new(label, format!("2026-11-{day:02}").parse().unwrap());
                card.alloy = Some("sterling-925".to_owned());
                card.lines[0].section = Some("medium".to_owned());
                let flask = records.add_flask(&card, NOW).unwrap();
                records.give_lots(id, &[flask], 1, NOW).unwrap();
            }
        }
        let lots = records.trial_lots(id).unwrap();
        assert_eq!(lots.len(), 40);
        lots.iter()
            .map(|lot| {
                let bad = if lot.arm == Arm::Tried { tried_bad } else { 5 };
                (lot.flask, bad)
            })
            .collect()
    }

    fn count(records: &mut Records, flasks: &[(Uuid, u32)]) {
        for (flask, bad) in flasks {
            let mut look = NewInspection::new(*flask, Stage::Cut, NOW, 20);
            look.defective = Some(*bad);
            look.defective_steering = Some(*bad);
            let kinds = DefectKinds::standard();
            records.add_inspection(&look, &kinds, NOW).unwrap();
        }
    }

    fn asked(records: &Records) -> (Vec<TrialSaid>, Grade) {
        let mut ask = Question {
            alloys: Alloys::standard(),
            ..Question::default()
        };
        let all = records.flasks_table(None, None).unwrap();
        ask.trials = said(records, &all, &ask, NOW).unwrap();
        let advice = evidence(&all, &ask).strata.pop().unwrap().advice;
        (ask.trials, advice.grade)
    }

    #[test]
    fn a_trial_speaks_once_its_last_flask_is_counted() {
        let mut records = bench();
        assert_eq!(asked(&records).0, []);
        let flasks = tried(&mut records, 1);
        count(&mut records, &flasks[..39]);
        let (said, grade) = asked(&records);
        assert!(said.is_empty() && grade < Grade::Fair, "{said:?} {grade:?}");
        count(&mut records, &flasks[39..]);
        let (said, grade) = asked(&records);
        let found = &said[0];
        assert_eq!(
            (found.passed, found.better_c, found.other_c),
            (true, 980.0, 968.0)
        );
        assert!((found.change + 0.2).abs() < 1e-12);
        assert_eq!(grade, Grade::Fair);
        // The day of its last flask, whenever that was counted and whoever asked first.
        let day = records.day_of(found.completed_at).to_string();
        assert_eq!(day, "2026-11-20");
    }

    #[test]
    fn a_trial_that_shows_nothing_or_was_stopped_lifts_no_grade() {
        let mut records = bench();
        let flasks = tried(&mut records, 5);
        count(&mut records, &flasks);
        let (said, grade) = asked(&records);
        assert!(!said[0].passed && grade < Grade::Fair, "{grade:?}");

        let mut records = bench();
        let flasks = tried(&mut records, 1);
        count(&mut records, &flasks);
        records.stop_trial(StoppedFor::Safety, None, NOW).unwrap();
        let (said, grade) = asked(&records);
        assert!(said.is_empty() && grade < Grade::Fair, "{said:?} {grade:?}");
    }
}
