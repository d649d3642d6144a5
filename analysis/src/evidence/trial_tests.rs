//! What a completed trial does to a grade.

use super::shop_tests::{Bench, asked, codes, valley};
use super::trial::verdict::{TrialFlask, verdict};
use super::trial::{Arm, Trial};
use super::*;
use crate::flask::Flask;
use crate::stats::rate::Tally;

const DAY: i64 = 86_400_000_000;

/// Forty sessions in which heat does next to nothing that could be claimed.
fn no_claim() -> Vec<Flask> {
    let mut bench = Bench::new(100);
    bench.sessions(0, 40, 965.0, 9.0, &|_| -2.2);
    bench.flasks
}

/// A trial of 980 against 965 °C, the tried arm with `tried` of 20 bad and the usual one with 5.
fn trial(tried: u32) -> TrialSaid {
    let trial = Trial {
        alloy: "sterling-925".to_owned(),
        section: "medium".to_owned(),
        usual_c: 965.0,
        tried_c: 980.0,
        flasks: 40,
        alpha: 0.02,
        power: 0.8,
        difference: 0.1,
        design_effect: 1.2,
        seed: 3,
    };
    let sessions: Vec<String> = (0..20).map(|s| format!("t{s}")).collect();
    let flasks: Vec<TrialFlask> = (0..40)
        .map(|i| {
            let lot = super::trial::lots::lot(trial.seed, i / 2, i % 2);
            let tally = Tally {
                session: &sessions[(i / 2) as usize],
                events: if lot.arm == Arm::Tried { tried } else { 5 },
                pieces: 20,
            };
            TrialFlask {
                arm: lot.arm,
                draw: lot.draw,
                fewest: tally,
                most: tally,
            }
        })
        .collect();
    let at = Micros(1_767_600_000_000_000 + 30 * DAY);
    verdict(&trial, &flasks).unwrap().said(&trial, at)
}

fn with(trial: TrialSaid) -> Question {
    Question {
        trials: vec![trial],
        ..Question::default()
    }
}

#[test]
fn a_verdict_says_which_arm_lost_fewer_and_by_how_much() {
    let cooler = trial(9);
    assert!(cooler.passed);
    assert_eq!((cooler.better_c, cooler.other_c), (965.0, 980.0));
    assert!((cooler.change + 0.2).abs() < 1e-12, "{}", cooler.change);
    assert!(cooler.change_low < cooler.change && cooler.change < cooler.change_high);
    assert!(cooler.change_high < 0.0);
    let hotter = trial(1);
    assert!((hotter.change + 0.2).abs() < 1e-12);
    assert_eq!((hotter.passed, hotter.better_c), (true, 980.0));
    assert!(!trial(5).passed);
}

#[test]
fn a_trial_that_passed_is_fair_where_the_flasks_at_large_claim_nothing() {
    let flasks = no_claim();
    assert_eq!(asked(&flasks).strata[0].advice.grade, Grade::Weak);
    let e = evidence(&flasks, &with(trial(1)));
    let a = &e.strata[0].advice;
    assert_eq!(a.grade, Grade::Fair, "{a:?}");
    assert_eq!(
        (a.pour_temperature_c, a.against_c),
        (Some(980.0), Some(965.0))
    );
    assert_eq!(a.expected_change, Some(trial(1).change));
    assert!(
        a.sentence
            .contains("Pour at 980 °C (fair evidence, by trial): where lots decided, about 20"),
        "{}",
        a.sentence
    );
    assert!(a.sentence.contains("98 % confidence"), "{}", a.sentence);
    // What keeps it from strong stays named: the flasks at large show no change.
    assert!(
        ["change-not-shown", "nothing-better"]
            .iter()
            .any(|code| codes(&e.strata[0]).contains(code)),
        "{:?}",
        codes(&e.strata[0])
    );
    // One that showed nothing changes nothing.
    let nothing = evidence(&flasks, &with(trial(5)));
    assert_eq!(nothing.strata, asked(&flasks).strata);
}

#[test]
fn a_trial_counts_for_its_own_work_its_time_and_the_standing_question() {
    let flasks = no_claim();
    let grade = |ask: &Question| evidence(&flasks, ask).strata[0].advice.grade;
    let thin = TrialSaid {
        section: Some("thin".to_owned()),
        ..trial(1)
    };
    assert_eq!(grade(&with(thin)), Grade::Weak);
    let later = TrialSaid {
        completed_at: Micros(i64::MAX),
        ..trial(1)
    };
    let today = Question {
        until: Some(Micros(i64::MAX - 1)),
        ..with(later)
    };
    assert_eq!(grade(&today), Grade::Weak);
    let any = Question {
        outcome: Outcome::Any,
        ..with(trial(1))
    };
    assert_eq!(grade(&any), Grade::Weak);
    // While the probe of half the flasks was never compared, its temperatures mean nothing.
    let mut changed = flasks.clone();
    for (i, f) in changed.iter_mut().enumerate() {
        f.probe_series = Some(format!("bench-1/{}", usize::from(i >= 75)));
    }
    let capped = &evidence(&changed, &with(trial(1))).strata[0];
    assert_eq!(capped.advice.grade, Grade::Weak);
    assert!(codes(capped).contains(&"unresolved-probe-change"));
}

#[test]
fn a_trial_on_a_probe_that_is_gone_is_not_followed() {
    let mut flasks = no_claim();
    for flask in &mut flasks {
        flask.probe_series = Some("bench-1/1".to_owned());
    }
    let on = |scale: &str| TrialSaid {
        scale: Some(scale.to_owned()),
        ..trial(1)
    };
    let then = &evidence(&flasks, &with(on("bench-1/0"))).strata[0];
    assert_eq!(then.advice.grade, Grade::Weak);
    assert_eq!(codes(then)[0], "trial-on-another-probe");
    let today = &evidence(&flasks, &with(on("bench-1/1"))).strata[0];
    assert_eq!(today.advice.grade, Grade::Fair);
    // Of a trial on paper nobody knows the probe.
    assert_eq!(
        evidence(&flasks, &with(trial(1))).strata[0].advice.grade,
        Grade::Fair
    );
}

/// A book too small for any grade: the trial stands by itself.
#[test]
fn a_trial_needs_no_other_flasks() {
    let flasks = &no_claim()[..24];
    assert_eq!(asked(flasks).strata[0].advice.grade, Grade::None);
    let a = &evidence(flasks, &with(trial(1))).strata[0].advice;
    assert_eq!(a.grade, Grade::Fair);
    assert!(a.sentence.contains("by trial"), "{}", a.sentence);
}

#[test]
fn lots_weigh_more_than_flasks_at_large() {
    let mut bench = Bench::new(11);
    bench.sessions(0, 70, 958.0, 10.0, &valley);
    let cooler = TrialSaid {
        better_c: 945.0,
        other_c: 958.0,
        ..trial(1)
    };
    let s = &evidence(&bench.flasks, &with(cooler)).strata[0];
    assert_eq!(s.advice.grade, Grade::Fair);
    assert_eq!(s.advice.pour_temperature_c, Some(945.0));
    assert!(codes(s).contains(&"trial-says-otherwise"), "{:?}", codes(s));
    // One of the same way makes it strong, and names its own temperature where that does as well.
    let hotter = TrialSaid {
        better_c: 972.0,
        other_c: 958.0,
        ..trial(1)
    };
    let s = &evidence(&bench.flasks, &with(hotter)).strata[0];
    assert_eq!(s.advice.grade, Grade::Strong);
    let t = s.advice.pour_temperature_c.unwrap();
    assert!((t - 972.0).abs() < 2.5, "{t}");
    assert!(s.advice.sentence.contains("strong evidence, by trial"));
}
