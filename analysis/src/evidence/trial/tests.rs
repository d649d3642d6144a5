//! Trials of invented shops whose truth is known: what is planned, what lots do, how often a trial
//! claims what is not there and finds what is.

use proptest::prelude::*;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64;

use super::lots::lot;
use super::next::{Card, Standing, next};
use super::plan::{Material, NoPlan, Wish, plan};
use super::verdict::{TrialFlask, gross_misruns, stays, verdict};
use super::*;
use crate::alloy::Alloys;
use crate::defect::DefectKinds;
use crate::evidence::{Advice, Grade, Question, evidence, tallies};
use crate::flask::Flask;
use crate::stats::permutation::sign_flips;
use crate::stats::rate::{Tally, Totals};
use crate::stats::sample_size::pieces_per_arm;
use crate::units::{Scheme, ShownIn, Unit};
use crate::watch::testing::flask;

/// Forty days, four flasks of twenty-four pieces a day, one or two bad in most.
fn book() -> Vec<Flask> {
    (0..160)
        .map(|i| {
            let mut f = flask(i / 4, i, 24, [0, 1, 2, 1, 3, 0, 1][i as usize % 7]);
            f.pour_temperature_c = Some(968.0 + f64::from(i % 5) - 2.0);
            f
        })
        .collect()
}

fn advice_of(flasks: &[Flask]) -> Option<Advice> {
    let mut found = evidence(flasks, &Question::default());
    assert!(found.strata.len() <= 1);
    found.strata.pop().map(|s| s.advice)
}

/// Plans from a book with one thing changed in what it is made from.
fn planned(
    flasks: &[Flask],
    wish: &Wish,
    change: impl Fn(&mut Material),
) -> Result<plan::Plan, NoPlan> {
    let (ask, alloys, kinds) = (
        Question::default(),
        Alloys::standard(),
        DefectKinds::default(),
    );
    let counts: Vec<Tally> = flasks
        .iter()
        .filter_map(|f| tallies(f, &ask).map(|t| t.1))
        .collect();
    let advice = advice_of(flasks);
    let now = flasks.iter().map(|f| f.cast_at).max();
    let mut material = Material {
        alloy_name: "sterling-925",
        alloy: alloys.get("sterling-925"),
        section: "medium",
        flasks,
        counts: &counts,
        aim_errors_k: &[],
        advice: advice.as_ref(),
        kinds: &kinds,
        trials_before: 0,
        now: now.unwrap_or(crate::time::Micros(0)),
        shown_in: ShownIn::default(),
    };
    change(&mut material);
    plan(&material, wish, 7)
}

#[test]
fn a_plan_has_two_round_temperatures_inside_the_alloys_range() {
    let flasks = book();
    let p = planned(&flasks, &Wish::default(), |_| {}).unwrap();
    let alloys = Alloys::standard();
    let sterling = alloys.get("sterling-925").unwrap();
    assert_eq!(p.trial.usual_c, 968.0);
    let apart = (p.trial.tried_c - p.trial.usual_c).abs();
    assert!((10.0..=15.0).contains(&apart), "{apart}");
    assert_eq!(p.trial.tried_c % 5.0, 0.0);
    for c in [p.trial.usual_c, p.trial.tried_c] {
        assert!((sterling.pour_low_c..=sterling.pour_high_c).contains(&c));
    }
    assert_eq!((p.trial.alpha, p.trial.flasks % 2), (0.02, 0));
    // 28 flasks a week, so many weeks.
    assert_eq!(
        p.weeks,
        Some((f64::from(p.trial.flasks) * 8.0 / 160.0).ceil())
    );
    let words = p.sentence(&ShownIn::default());
    assert!(words.contains("968 °C") && words.contains(&format!("{} flasks", p.trial.flasks)));
    assert!(
        words.contains("claims one 2 times in 100 at most"),
        "{words}"
    );
}

/// By the formula of Fleiss 1981 in Python: 8 % against 4 % at α = 0.02 and a power of 0.8 are
/// 706.205 independent pieces an arm.
#[test]
fn the_size_follows_from_rate_difference_alpha_and_likeness() {
    // Every flask alike: 2 of 25 bad, so pieces of a flask are no more alike than independent.
    let flasks: Vec<Flask> = (0..80).map(|i| flask(i / 4, i, 25, 2)).collect();
    let p = planned(&flasks, &Wish::default(), |_| {}).unwrap();
    assert_eq!(
        (p.trial.design_effect, p.rate, p.trial.difference),
        (1.0, 0.08, 0.04)
    );
    let pieces = 706.205_135_861_83_f64;
    assert!((pieces_per_arm(0.08, 0.04, 0.02, 0.8).unwrap() - pieces).abs() < 1e-6);
    // Of four flasks a session, 17 tosses: `super::size` has the reckoning.
    assert!([68, 70].contains(&p.trial.flasks), "{}", p.trial.flasks);
    // A later trial has a smaller α and needs more.
    let later = planned(&flasks, &Wish::default(), |m| m.trials_before = 1).unwrap();
    assert_eq!(later.trial.alpha, 0.0025);
    assert!(later.trial.flasks > p.trial.flasks);
    let sum: f64 = (0..60).map(alpha_after).sum();
    assert!(sum <= 0.025 + 1e-12, "{sum}");
}

#[test]
fn the_side_is_that_of_the_advice_else_of_the_defects_else_of_the_room() {
    let flasks = book();
    let hotter = |flasks: &[Flask], change: &dyn Fn(&mut Advice)| {
        let mut advice = advice_of(flasks).unwrap();
        change(&mut advice);
        let p = planned(flasks, &Wish::default(), |m| {
            // Lives as long as the call.
            m.advice = Some(Box::leak(Box::new(advice.clone())));
        })
        .unwrap();
        p.trial.tried_c > p.trial.usual_c
    };
    assert!(hotter(&flasks, &|a| a.edge = Some("hotter".to_owned())));
    assert!(!hotter(&flasks, &|a| a.edge = Some("cooler".to_owned())));
    assert!(!hotter(&flasks, &|a| {
        a.edge = Some("hotter".to_owned());
        a.pour_temperature_c = Some(955.0);
    }));
    let with = |kind: &str| {
        let mut flasks = book();
        for f in &mut flasks {
            f.kinds.insert(kind.to_owned(), 1);
        }
        flasks
    };
    assert!(hotter(&with("no-fill"), &|_| {}));
    assert!(!hotter(&with("gas-porosity"), &|_| {}));
}

#[test]
fn why_there_is_no_plan_is_said() {
    let flasks = book();
    let said =
        |flasks: &[Flask], wish: Wish| planned(flasks, &wish, |_| {}).unwrap_err().to_string();
    let wish = Wish::default();
    let none: Vec<Flask> = (0..40).map(|i| flask(i / 4, i, 24, 0)).collect();
    assert_eq!(
        said(&none, wish),
        "none of 960 pieces was defective, so a trial has nothing to find"
    );
    assert!(said(&[], wish).starts_with("no flask of sterling-925, medium has been counted"));
    let mut cold = book();
    for f in &mut cold {
        f.pour_temperature_c = None;
    }
    assert!(said(&cold, wish).ends_with("say it with --usual"));
    let close = Wish {
        usual_c: Some(968.0),
        tried_c: Some(964.0),
        ..wish
    };
    assert!(said(&flasks, close).contains("have to be at least 10 K apart"));
    let told = planned(&flasks, &close, |_| {}).unwrap_err();
    assert!(
        told.in_units(&ShownIn::from(Scheme::Us))
            .contains("at least 18 °F apart")
    );
    let hot = Wish {
        tried_c: Some(1300.0),
        ..wish
    };
    assert!(said(&flasks, hot).contains("outside what sterling-925 is usually poured at"));
    let odd = Wish {
        difference: Some(0.9),
        ..wish
    };
    assert!(said(&flasks, odd).starts_with("a difference of 90 points cannot be found"));
    // A bench that hits within 20 K needs arms 40 K apart.
    let errors: Vec<f64> = (0..20)
        .map(|i| if i % 2 == 0 { 20.0 } else { -20.0 })
        .collect();
    let wide = planned(&flasks, &wish, |m| {
        m.aim_errors_k = Box::leak(errors.clone().into())
    });
    match wide {
        Ok(p) => assert!((p.trial.tried_c - p.trial.usual_c).abs() >= 2.0 * 20.0),
        Err(e) => assert!(matches!(e, NoPlan::NoRoom { .. }), "{e}"),
    }
    let unknown = planned(&flasks, &wish, |m| m.alloy = None).unwrap_err();
    assert!(matches!(unknown, NoPlan::UnknownAlloy { .. }));
    // One flask in eight weeks: it would take years.
    let slow: Vec<Flask> = book()
        .into_iter()
        .enumerate()
        .map(|(i, mut f)| {
            f.cast_at = f.cast_at.plus_seconds(i as f64 * 60.0 * 86_400.0);
            f
        })
        .collect();
    let p = planned(&slow, &wish, |_| {}).unwrap();
    assert!(!p.worth_beginning());
    assert!(p.sentence(&ShownIn::default()).contains("too few flasks"));
}

#[test]
fn a_shop_of_fahrenheit_gets_round_fahrenheit() {
    let us = ShownIn::from(Scheme::Us);
    let p = planned(&book(), &Wish::default(), |m| m.shown_in = us).unwrap();
    let f = Unit::Fahrenheit.from_canonical(p.trial.tried_c);
    assert!((f / 10.0 - (f / 10.0).round()).abs() < 1e-9, "{f}");
    assert!(p.sentence(&us).contains("°F"));
}

fn a_trial(flasks: u32, alpha: f64, seed: u64) -> Trial {
    Trial {
        alloy: "sterling-925".to_owned(),
        section: "medium".to_owned(),
        usual_c: 968.0,
        tried_c: 955.0,
        flasks,
        alpha,
        power: 0.8,
        difference: 0.05,
        design_effect: 1.5,
        seed,
    }
}

/// A trial carried out by lot in a shop whose sessions and flasks have chances of their own;
/// `rate` gives each arm's mean share of bad pieces.
fn carried_out(trial: &Trial, chance: &mut Pcg64, rate: impl Fn(Arm) -> f64) -> Vec<Row> {
    let mut rows = Vec::new();
    let mut session = 0;
    while rows.len() < trial.flasks as usize {
        let flasks = chance.random_range(1..=6_u32);
        let day: f64 = 0.5 + chance.random::<f64>();
        for place in 0..flasks {
            let lot = lot(trial.seed, session, place);
            let own: f64 = day * (0.5 + chance.random::<f64>());
            // Later flasks of a session are poured into cooler moulds.
            let late = 1.0 + 0.2 * f64::from(place);
            let p = (rate(lot.arm) * own * late).min(1.0);
            let events = (0..24).filter(|_| chance.random::<f64>() < p).count() as u32;
            rows.push((format!("s{session}"), lot.arm, lot.draw, events));
        }
        session += 1;
    }
    rows.truncate(trial.flasks as usize);
    rows
}

type Row = (String, Arm, u64, u32);

fn flasks_of(rows: &[Row]) -> Vec<TrialFlask<'_>> {
    rows.iter()
        .map(|(session, arm, draw, events)| {
            let tally = Tally {
                session,
                events: *events,
                pieces: 24,
            };
            TrialFlask {
                arm: *arm,
                draw: *draw,
                fewest: tally,
                most: tally,
            }
        })
        .collect()
}

#[test]
fn a_trial_of_two_alike_temperatures_claims_no_more_often_than_it_says() {
    let mut chance = Pcg64::seed_from_u64(99);
    let (shops, alpha) = (600, 0.05);
    let mut claims = 0;
    for shop in 0..shops {
        let trial = a_trial(40, alpha, shop);
        let rows = carried_out(&trial, &mut chance, |_| 0.08);
        let found = verdict(&trial, &flasks_of(&rows)).unwrap();
        assert!(found.p > 0.0 && found.p <= 1.0);
        claims += u32::from(found.better.is_some());
    }
    // 30 expected; four standard errors are 21.
    assert!(claims <= 51, "{claims} of {shops}");
    assert!(
        claims >= 9,
        "far fewer than α would mean lost power: {claims}"
    );
}

/// Sized as a plan sizes it, from 2000 earlier flasks of the same shop.
#[test]
fn a_trial_finds_what_it_is_sized_for_about_as_often_as_planned() {
    let mut chance = Pcg64::seed_from_u64(5);
    let rate = |arm| match arm {
        Arm::Usual => 0.092,
        Arm::Tried => 0.046,
    };
    let earlier = carried_out(&a_trial(2000, 0.02, 1), &mut chance, |_| rate(Arm::Usual));
    let tallies: Vec<Tally> = flasks_of(&earlier).iter().map(|f| f.most).collect();
    let p = Totals::of(&tallies).estimate().unwrap();
    let poured: Vec<Flask> = earlier
        .iter()
        .map(|(session, ..)| Flask {
            session: session.clone(),
            ..Flask::default()
        })
        .collect();
    let bench = super::size::Bench {
        flasks: &poured,
        counts: &tallies,
    };
    let flasks = super::size::size(bench, p, p / 2.0, 0.02).unwrap().flasks;
    let (shops, mut found_it, mut covered) = (150, 0, 0);
    for shop in 0..shops {
        let trial = a_trial(flasks, 0.02, 1000 + shop);
        let rows = carried_out(&trial, &mut chance, rate);
        let v = verdict(&trial, &flasks_of(&rows)).unwrap();
        assert_ne!(v.better, Some(Arm::Usual), "the wrong one: {v:?}");
        found_it += u32::from(v.better == Some(Arm::Tried));
        covered += u32::from(v.low <= -p / 2.0 && -p / 2.0 <= v.high);
    }
    // 120 of 150 planned; three standard errors are 15.
    assert!(
        (105..=135).contains(&found_it),
        "{found_it} of {shops}, {flasks} flasks"
    );
    // 98 % of intervals hold the truth: 147; four standard errors are 7.
    assert!(covered >= 140, "{covered} of {shops}");
}

#[test]
fn lots_are_tossed_again_as_they_were_tossed() {
    // Sixteen sessions of two: eight tosses, since every second session mirrors the one before.
    let trial = a_trial(32, 0.02, 3);
    let mut rows: Vec<Row> = Vec::new();
    for session in 0..16 {
        for place in 0..2 {
            let lot = lot(trial.seed, session, place);
            let bad = if lot.arm == Arm::Tried { 0 } else { 6 };
            rows.push((format!("s{session}"), lot.arm, lot.draw, bad));
        }
    }
    let v = verdict(&trial, &flasks_of(&rows)).unwrap();
    assert!(
        (v.p - 2.0 / 256.0).abs() < 1e-12,
        "all eight one way: {}",
        v.p
    );
    assert_eq!(v.p, sign_flips(&[1.0; 8], 1, 0).unwrap().p);
    assert_eq!((v.better, v.flasks), (Some(Arm::Tried), [16, 16]));
    let words = v.sentence(&trial, &ShownIn::default());
    assert!(words.contains("955 °C"), "{words}");
    // The order in which flasks were counted is nothing.
    rows.reverse();
    assert_eq!(verdict(&trial, &flasks_of(&rows)).unwrap(), v);
}

#[test]
fn what_was_not_counted_itself_has_to_hold_at_both_ends() {
    let trial = a_trial(40, 0.05, 3);
    let rows: Vec<Row> = (0..40)
        .map(|i| {
            let lot = lot(trial.seed, i / 2, i % 2);
            let bad = if lot.arm == Arm::Tried { 0 } else { 4 };
            (format!("s{}", i / 2), lot.arm, lot.draw, bad)
        })
        .collect();
    let mut flasks = flasks_of(&rows);
    assert_eq!(verdict(&trial, &flasks).unwrap().better, Some(Arm::Tried));
    for f in &mut flasks {
        if f.arm == Arm::Tried {
            f.most.events = 8;
        }
    }
    let v = verdict(&trial, &flasks).unwrap();
    assert_eq!(v.better, None, "it may be the other way round: {v:?}");
    assert!(v.low < 0.0 && v.high > 0.0);
    assert!(
        v.sentence(&trial, &ShownIn::default())
            .starts_with("The trial shows no difference")
    );
}

#[test]
fn a_trial_without_flasks_in_an_arm_has_no_verdict() {
    let trial = a_trial(10, 0.02, 1);
    assert_eq!(verdict(&trial, &[]), None);
    let one = [("s".to_owned(), Arm::Tried, 0, 2)];
    assert_eq!(verdict(&trial, &flasks_of(&one)), None);
}

#[test]
fn gross_misruns_of_one_arm_stop_it() {
    let rows = |tried_bad: u32, usual_bad: u32| -> Vec<Row> {
        (0..8)
            .map(|i| {
                let (arm, bad) = if i % 2 == 0 {
                    (Arm::Tried, tried_bad)
                } else {
                    (Arm::Usual, usual_bad)
                };
                (format!("s{i}"), arm, i, bad)
            })
            .collect()
    };
    assert_eq!(gross_misruns(&flasks_of(&rows(14, 2))), Some(Arm::Tried));
    assert_eq!(
        gross_misruns(&flasks_of(&rows(14, 13))),
        None,
        "not the heat's doing"
    );
    assert_eq!(gross_misruns(&flasks_of(&rows(6, 2))), None);
    assert_eq!(gross_misruns(&[]), None);
}

#[test]
fn only_what_the_lot_cannot_have_caused_leaves_a_trial() {
    use crate::flask::Aside;
    use crate::upkeep::Fault;
    let stays = |fault: Fault| stays(Some(&Aside::from(fault)));
    assert!(!stays(Fault::WeakPull) && !stays(Fault::LostCoverGas));
    // A cool arm pours below the liquidus more often, a hot one waits longer for its heat.
    assert!(stays(Fault::BelowLiquidus) && stays(Fault::LongOutOfKiln));
    assert!(super::verdict::stays(None));
}

#[test]
fn next_says_to_keep_on_and_what_a_trial_would_take() {
    let flasks = book();
    let advice = advice_of(&flasks);
    let plan = planned(&flasks, &Wish::default(), |_| {});
    let cards = [Card {
        flask: "a".to_owned(),
        arm: None,
    }];
    let shown = ShownIn::default();
    let told = next(advice.as_ref(), None, &plan, &cards, None, &shown);
    assert_eq!(told.grade, Grade::None);
    assert!(
        told.reason.starts_with("Keep to your usual 968 °C"),
        "{}",
        told.reason
    );
    assert_eq!(told.order[0].pour_temperature_c, 968.0);
    assert_eq!(told.flasks_needed, Some(plan.unwrap().trial.flasks));
    let json = serde_json::to_value(&told).unwrap();
    let keys: Vec<&String> = json.as_object().unwrap().keys().collect();
    let expected = [
        "design_effect",
        "difference",
        "flasks_needed",
        "grade",
        "order",
        "power",
        "reason",
    ];
    let mut sorted: Vec<&str> = keys.iter().map(|k| k.as_str()).collect();
    sorted.sort_unstable();
    assert_eq!(sorted, expected);
    // Nothing at all.
    let nothing = next(
        advice_of(&[]).as_ref(),
        None,
        &planned(&[], &Wish::default(), |_| {}),
        &[],
        None,
        &shown,
    );
    assert!(
        nothing.reason.starts_with("Keep to what you do"),
        "{}",
        nothing.reason
    );
    assert!(nothing.order.is_empty() && nothing.flasks_needed.is_none());
}

#[test]
fn a_running_trial_gives_each_card_its_lot_and_a_complete_one_its_finding() {
    let flasks = book();
    let advice = advice_of(&flasks);
    let plan = planned(&flasks, &Wish::default(), |_| {});
    let shown = ShownIn::default();
    let card = |flask: &str, arm| Card {
        flask: flask.to_owned(),
        arm: Some(arm),
    };
    let cards = [card("a", Arm::Tried), card("b", Arm::Usual)];
    let mut standing = Standing {
        trial: a_trial(64, 0.02, 3),
        state: State::Running,
        counted: 10,
        waiting: 2,
        verdict: None,
        gross: None,
    };
    let told = next(
        advice.as_ref(),
        Some(&standing),
        &plan,
        &cards,
        None,
        &shown,
    );
    let poured: Vec<f64> = told.order.iter().map(|o| o.pour_temperature_c).collect();
    assert_eq!(poured, [955.0, 968.0]);
    assert_eq!((told.flasks_needed, standing.without_lot()), (Some(54), 52));
    assert!(
        told.reason
            .contains("10 of 64 flasks are counted, 2 more have their lots")
    );
    standing.gross = Some(Arm::Tried);
    let told = next(
        advice.as_ref(),
        Some(&standing),
        &plan,
        &cards,
        None,
        &shown,
    );
    assert!(
        told.reason
            .contains("Stop it: pourbook record trial --stop misruns")
    );
    let rows: Vec<Row> = (0..64)
        .map(|i| {
            let lot = lot(3, i / 2, i % 2);
            let bad = if lot.arm == Arm::Tried { 0 } else { 4 };
            (format!("s{}", i / 2), lot.arm, lot.draw, bad)
        })
        .collect();
    standing = Standing {
        state: State::Complete,
        counted: 64,
        waiting: 0,
        verdict: verdict(&standing.trial, &flasks_of(&rows)),
        gross: None,
        ..standing
    };
    // The evidence knows of it; without, as where today's probe is another, it is not followed.
    let said = standing
        .verdict
        .as_ref()
        .map(|v| v.said(&standing.trial, flasks[0].cast_at));
    let known = Question {
        trials: said.into_iter().collect(),
        ..Question::default()
    };
    let by_trial = evidence(&flasks, &known).strata.pop().map(|s| s.advice);
    let told = next(
        by_trial.as_ref(),
        Some(&standing),
        &plan,
        &cards,
        None,
        &shown,
    );
    assert_eq!(told.grade, Grade::Fair);
    assert_eq!(told.order[1].pour_temperature_c, 955.0);
    assert_eq!(told.flasks_needed, None);
    assert!(
        told.reason.starts_with("The trial shows it") && told.reason.contains("Pour at 955 °C"),
        "{}",
        told.reason
    );
    let barred = next(
        advice.as_ref(),
        Some(&standing),
        &plan,
        &cards,
        None,
        &shown,
    );
    assert_eq!(barred.grade, Grade::None);
    assert_eq!(barred.order[1].pour_temperature_c, 968.0);
    assert!(barred.reason.contains("It is not followed now: "));
    assert!(barred.flasks_needed.is_some());
    // The evidence knows of the trial too, and one temperature is named.
    let mut strong = advice.clone().unwrap();
    strong.grade = Grade::Strong;
    strong.pour_temperature_c = Some(950.0);
    let told = next(Some(&strong), Some(&standing), &plan, &cards, None, &shown);
    assert_eq!(told.grade, Grade::Strong);
    assert_eq!(told.order[0].pour_temperature_c, 950.0);
    assert!(told.reason.contains("the best at 950 °C: pour at that"));
    // One that showed nothing beside flasks that do: the words follow the order.
    let mut fair = advice.unwrap();
    fair.grade = Grade::Fair;
    fair.pour_temperature_c = Some(950.0);
    if let Some(verdict) = &mut standing.verdict {
        verdict.better = None;
    }
    let told = next(Some(&fair), Some(&standing), &plan, &cards, None, &shown);
    assert_eq!(told.order[0].pour_temperature_c, 950.0);
    assert!(
        told.reason.contains("pour at 950 °C (fair") && !told.reason.contains("eep to"),
        "{}",
        told.reason
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]
    #[test]
    fn a_verdict_is_always_finite(rows in proptest::collection::vec((0u32..8, 0u64..6, any::<bool>(), 0u32..30, 0u32..30), 0..40)) {
        let trial = a_trial(40, 0.02, 1);
        let sessions: Vec<String> = rows.iter().map(|r| format!("s{}", r.0)).collect();
        let flasks: Vec<TrialFlask> = rows.iter().zip(&sessions).map(|(r, session)| {
            let tally = |events| Tally { session, events, pieces: r.4 };
            TrialFlask {
                arm: if r.2 { Arm::Tried } else { Arm::Usual },
                draw: r.1,
                fewest: tally(r.3.min(r.4) / 2),
                most: tally(r.3.min(r.4)),
            }
        }).collect();
        if let Some(v) = verdict(&trial, &flasks) {
            prop_assert!(v.p > 0.0 && v.p <= 1.0);
            prop_assert!(-1.0 <= v.low && v.low <= v.high && v.high <= 1.0, "{v:?}");
            prop_assert!(!v.sentence(&trial, &ShownIn::default()).contains("NaN"));
        }
    }
}
