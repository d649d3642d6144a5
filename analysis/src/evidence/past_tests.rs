//! What is kept of formal looks saves work and changes nothing: with it and without it the
//! answer is the same to the last digit, whatever was entered in between.

use super::shop_tests::{Bench, valley};
use super::*;
use crate::flask::Flask;

/// A shop whose claim stands, five sessions after a look.
fn shop() -> Vec<Flask> {
    let mut bench = Bench::new(11);
    bench.sessions(0, 73, 958.0, 10.0, &valley);
    bench.flasks
}

/// The answer with what is kept must be the answer without.
#[track_caller]
fn check(flasks: &[Flask], past: &mut Past) -> Evidence {
    let ask = Question::default();
    let told = evidence_after(flasks, &ask, past);
    assert_eq!(told, evidence(flasks, &ask));
    told
}

#[test]
fn what_looks_said_is_not_worked_out_again_while_their_flasks_stay_the_same() {
    let flasks = shop();
    let mut past = Past::default();
    // A session later, and one more flask that nobody has looked at yet.
    check(&flasks[..70 * 3], &mut past);
    let kept = past.clone();
    let mut later = flasks.clone();
    later[72 * 3].pieces = None;
    check(&later, &mut past);
    assert_eq!(past, kept);
    // That it is really used: a claim that no look made is believed.
    let mut forged = kept.clone();
    assert!(forged.forge(941.0) > 0, "a claim stands");
    let told = evidence_after(&later, &Question::default(), &mut forged);
    assert_ne!(told, evidence(&later, &Question::default()));
}

#[test]
fn a_correction_of_an_old_flask_is_seen() {
    let mut flasks = shop();
    let mut past = Past::default();
    check(&flasks, &mut past);
    let kept = past.clone();
    flasks[7].defective_steering = Some(20);
    flasks[7].defective = Some(20);
    check(&flasks, &mut past);
    assert_ne!(past, kept);
}

#[test]
fn a_flask_that_turns_up_late_or_is_not_looked_at_is_seen() {
    let mut flasks = shop();
    let mut past = Past::default();
    check(&flasks, &mut past);
    let kept = past.clone();
    let mut late = flasks[30].clone();
    late.id = "late".to_owned();
    late.pieces = None;
    flasks.push(late);
    check(&flasks, &mut past);
    assert_ne!(past, kept);
}

#[test]
fn another_question_and_the_next_look_are_worked_out_anew() {
    let flasks = shop();
    let mut past = Past::default();
    check(&flasks, &mut past);
    let kept = past.clone();
    let ask = Question {
        outcome: Outcome::Any,
        ..Question::default()
    };
    let told = evidence_after(&flasks, &ask, &mut past);
    assert_eq!(told, evidence(&flasks, &ask));
    assert_ne!(past, kept);
    // Back before the look at 68 sessions; what was said after it is kept all the same.
    check(&flasks[..60 * 3], &mut past);
    let kept = past.clone();
    check(&flasks, &mut past);
    assert_eq!(past, kept);
}

#[test]
fn a_stored_past_is_the_past_to_the_last_digit() {
    let flasks = shop();
    let mut past = Past::default();
    check(&flasks, &mut past);
    let text = serde_json::to_string(&past).unwrap();
    let mut again: Past = serde_json::from_str(&text).unwrap();
    assert_eq!(again, past);
    check(&flasks, &mut again);
    assert_eq!(again, past);
}
