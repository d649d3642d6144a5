//! Shops that do not reach what they mean to: one story of target and usual in every answer.

use super::shop_tests::{Bench, asked, valley};
use super::trial::next::{Card, Next, next};
use super::trial::plan::NoPlan;
use super::*;
use crate::flask::Flask;

/// Thirty sessions about 969 °C in which heat changes nothing, each flask meant for `target_c`.
fn meant_for(target_c: f64) -> Vec<Flask> {
    let mut bench = Bench::new(21);
    bench.sessions(0, 30, 969.0, 7.0, &|_| -2.2);
    for flask in &mut bench.flasks {
        flask.target_c = Some(target_c);
    }
    bench.flasks
}

fn means(pour_temperature_c: f64) -> Question {
    Question {
        meant: vec![Meant {
            alloy: "Sterling 925".to_owned(),
            section: "medium".to_owned(),
            pour_temperature_c,
        }],
        ..Question::default()
    }
}

fn next_of(advice: &Advice, target_c: Option<f64>) -> Next {
    let cards = [Card {
        flask: "a".to_owned(),
        arm: None,
    }];
    let no_plan = Err(NoPlan::Another {
        what: "another".to_owned(),
    });
    let shown = crate::units::ShownIn::default();
    next(Some(advice), None, &no_plan, &cards, target_c, &shown)
}

#[test]
fn pours_above_their_target_are_one_story_in_evidence_and_next() {
    let e = evidence(&meant_for(961.0), &means(961.0));
    let advice = &e.strata[0].advice;
    assert!(advice.grade < Grade::Fair, "{advice:?}");
    let aim = advice.aim.as_ref().unwrap();
    assert_eq!((aim.target_c, Some(aim.usual_c)), (961.0, advice.usual_c));
    assert!((aim.above_k - (aim.usual_c - 961.0)).abs() < 1e-9);
    assert!(aim.sentence.starts_with("Pours have come at "), "{aim:?}");
    assert!(
        aim.sentence
            .contains(" above the target of 961 °C. The evidence does not tell the two apart")
    );
    assert!(aim.sentence.contains(": set the target to "));
    // Both answers hold it, and neither says to keep to either temperature.
    let told = next_of(advice, Some(961.0));
    for words in [&advice.sentence, &told.reason] {
        assert!(words.contains(&aim.sentence), "{words}");
        assert!(!words.contains("Keep to"), "{words}");
    }
    assert_eq!(told.order[0].pour_temperature_c, 961.0);
}

#[test]
fn pours_near_their_target_and_targets_that_were_mended_are_no_story() {
    let near = evidence(&meant_for(966.0), &means(966.0));
    assert_eq!(near.strata[0].advice.aim, None);
    assert!(near.strata[0].advice.sentence.contains("eep to your usual"));
    // The target was set to what is reached.
    let mended = evidence(&meant_for(961.0), &means(969.0));
    assert_eq!(mended.strata[0].advice.aim, None);
    // The target was changed, and pours of late came where theirs was.
    let changed = evidence(&meant_for(969.0), &means(961.0));
    assert_eq!(changed.strata[0].advice.aim, None);
    // Nobody wrote targets down.
    assert_eq!(asked(&meant_for(f64::NAN)).strata[0].advice.aim, None);
    // Without a word of what is meant now it is what the newest flask was meant for.
    let newest = asked(&meant_for(978.0));
    let aim = newest.strata[0].advice.aim.as_ref().unwrap();
    assert_eq!(aim.target_c, 978.0);
    assert!(aim.above_k < 0.0 && aim.sentence.contains(" below the target of 978 °C"));
    assert!(
        aim.sentence.contains(" higher to meet the target."),
        "{}",
        aim.sentence
    );
}

#[test]
fn what_is_backed_says_where_to_aim_to_reach_it() {
    let mut bench = Bench::new(11);
    bench.sessions(0, 70, 958.0, 10.0, &valley);
    for flask in &mut bench.flasks {
        flask.target_c = Some(950.0);
    }
    let e = evidence(&bench.flasks, &means(950.0));
    let advice = &e.strata[0].advice;
    assert_eq!(advice.grade, Grade::Fair);
    let aim = advice.aim.as_ref().unwrap();
    let reach_c = advice.backed_c().unwrap();
    let words = format!(
        "as they come now, aim at {:.0} °C to reach {reach_c:.0} °C.",
        reach_c - aim.above_k
    );
    assert!(aim.sentence.ends_with(&words), "{}", aim.sentence);
    assert!(advice.sentence.contains("Pour at "), "{}", advice.sentence);
    assert!(next_of(advice, Some(950.0)).reason.ends_with(&format!(
        "{} No trial is proposed: a trial of another is open, and one runs at a time.",
        aim.sentence
    )));
}

#[test]
fn fahrenheit_shops_read_it_in_fahrenheit() {
    let ask = Question {
        shown_in: crate::units::Scheme::Us.into(),
        ..means(961.0)
    };
    let aim = evidence(&meant_for(961.0), &ask).strata[0]
        .advice
        .aim
        .clone();
    let words = aim.unwrap().sentence;
    assert!(words.contains("above the target of 1762 °F"), "{words}");
    assert!(!words.contains("°C"), "{words}");
}
