//! Questions as a shop would ask them, on invented flasks with known answers.

use std::collections::BTreeMap;

use proptest::prelude::*;

use super::*;
use crate::flask::{Aside, Flask};
use crate::units::Scheme;

/// 2026-06-01T08:00:00Z.
const START: i64 = 1_780_300_800_000_000;
const DAY: i64 = 86_400_000_000;

fn flask(day: i64, number: usize) -> Flask {
    Flask {
        id: format!("flask-{day}-{number}"),
        label: format!("{number}"),
        session: format!("2026-{day:03}-bench-1"),
        machine: "bench-1".to_owned(),
        cast_at: Micros(START + day * DAY + number as i64 * 1_800_000_000),
        alloy: Some("sterling-925".to_owned()),
        section: Some("medium".to_owned()),
        pieces: Some(20),
        defective: Some(1),
        defective_steering: Some(1),
        kinds: BTreeMap::from([("gas-porosity".to_owned(), 1)]),
        pour_temperature_c: Some(968.0),
        ..Flask::default()
    }
}

/// Sixty flasks over twenty sessions: three temperatures a session, twice as many defects at
/// either end as in the middle.
fn book() -> Vec<Flask> {
    let mut flasks = Vec::new();
    for day in 0..20 {
        for (number, (temperature, steering)) in
            [(950.0, 4), (965.0, 2), (980.0, 4)].into_iter().enumerate()
        {
            let mut f = flask(day * 2, number);
            f.pour_temperature_c = Some(temperature + (day % 4) as f64);
            // Some sessions are worse than others, whatever the temperature.
            let steering = steering + u32::from(day % 3 == 0);
            f.defective_steering = Some(steering);
            f.defective = Some(steering + 1);
            f.kinds = BTreeMap::from([
                ("gas-porosity".to_owned(), steering),
                ("nodule".to_owned(), 1),
            ]);
            flasks.push(f);
        }
    }
    flasks
}

fn asked(flasks: &[Flask]) -> Evidence {
    evidence(flasks, &Question::default())
}

fn only(flasks: &[Flask]) -> Stratum {
    let e = asked(flasks);
    assert_eq!(e.strata.len(), 1);
    e.strata.into_iter().next().unwrap()
}

#[test]
fn a_full_book_gives_rates_steps_and_a_sentence() {
    let e = asked(&book());
    assert_eq!((e.flasks, e.sessions, e.pieces), (60, 20, 1200));
    // 20 sessions of 4 + 2 + 4, and 3 more in each of 7.
    assert_eq!(e.defective, 221);
    let s = &e.strata[0];
    assert_eq!(s.flasks, 60);
    assert_eq!(s.steps.iter().map(|p| p.flasks_near).sum::<usize>(), 60);
    let best = s
        .steps
        .iter()
        .min_by(|a, b| a.rate.total_cmp(&b.rate))
        .unwrap();
    assert!((960.0..970.0).contains(&best.pour_temperature_c));
    assert_eq!(s.advice.grade, Grade::Weak);
    assert_eq!(s.advice.usual_c, Some(966.5));
    assert_eq!(
        s.advice.sentence,
        "sterling-925, medium: 18 % of pieces had a defect that heat can steer (95 % interval \
         16–21 %, 60 flasks). Keep to your usual 966 °C (weak evidence): nothing that was tried \
         enough does better."
    );
}

#[test]
fn a_shop_in_fahrenheit_reads_fahrenheit() {
    let ask = Question {
        shown_in: Scheme::Us.into(),
        ..Question::default()
    };
    let e = evidence(&book(), &ask);
    let text = &e.strata[0].advice.sentence;
    assert!(text.contains("Keep to your usual 1772 °F"), "{text}");
    // The stored figures do not change with what is shown.
    assert_eq!(e.strata[0].advice.usual_c, Some(966.5));
}

#[test]
fn nothing_at_all_is_answered_with_nothing() {
    let e = asked(&[]);
    assert_eq!((e.flasks, e.flasks_uninspected), (0, 0));
    assert!(e.rate.is_none() && e.strata.is_empty() && e.kinds.is_empty());
    assert!(e.from.is_none() && e.to.is_none());
    serde_json::to_string(&e).unwrap();
}

#[test]
fn uninspected_flasks_are_not_good_flasks() {
    let mut flasks = vec![flask(0, 0), flask(0, 1)];
    for f in &mut flasks {
        (f.pieces, f.defective, f.defective_steering) = (None, None, None);
        f.kinds.clear();
    }
    let s = only(&flasks);
    assert!(s.rate.is_none());
    assert_eq!((s.flasks, s.flasks_uninspected), (0, 2));
    assert_eq!(
        s.advice.sentence,
        "sterling-925, medium: none of 2 flasks has been inspected. Count pieces and defects to \
         learn from them."
    );
    let one = only(&flasks[..1]);
    assert_eq!(
        one.advice.sentence,
        "sterling-925, medium: 1 flask was poured and it has not been inspected. Count pieces and \
         defects to learn from it."
    );
}

#[test]
fn a_few_flasks_are_told_to_be_few() {
    let s = only(&[flask(0, 0), flask(0, 1)]);
    assert_eq!(
        s.advice.sentence,
        "sterling-925, medium: 5.0 % of pieces had a defect that heat can steer (95 % interval \
         0–31 %, 2 flasks). Too few to compare temperatures: 2 flasks with a temperature over 1 \
         session so far, and 20 over 10 are the least."
    );
}

#[test]
fn flasks_without_a_temperature_say_nothing_about_heat() {
    let mut flasks = book();
    for f in &mut flasks {
        f.pour_temperature_c = None;
    }
    flasks[0].pour_temperature_c = Some(f64::NAN);
    let s = only(&flasks);
    assert!(s.curve.is_empty());
    assert_eq!(s.advice.usual_c, None);
    assert!(
        s.advice
            .sentence
            .ends_with("nothing can be said about heat."),
        "{}",
        s.advice.sentence
    );
}

#[test]
fn pours_all_at_one_temperature_cannot_be_compared() {
    let mut flasks = book();
    for f in &mut flasks {
        f.pour_temperature_c = Some(968.0);
    }
    let s = only(&flasks);
    assert!(s.advice.sentence.contains("too close together to compare"));
}

#[test]
fn a_flask_set_aside_counts_in_the_rate_but_does_not_steer() {
    let mut flasks = book();
    flasks[0].set_aside = Some(Aside::new("missing-pull", "vacuum missing"));
    flasks[0].defective_steering = Some(20);
    flasks[0].defective = Some(20);
    let e = asked(&flasks);
    assert_eq!(e.flasks, 60);
    assert_eq!(e.strata[0].flasks, 59);
    assert_eq!(
        e.strata[0].set_aside,
        [SetAside {
            flask: flasks[0].id.clone(),
            code: "missing-pull".to_owned(),
            reason: "vacuum missing".to_owned()
        }]
    );
    assert!(
        e.notes
            .iter()
            .any(|n| n.starts_with("1 flask is set aside"))
    );
}

#[test]
fn counts_that_do_not_fit_are_left_out_with_the_reason() {
    let mut flasks = book();
    flasks[5].defective = Some(25);
    let e = asked(&flasks);
    assert_eq!(e.flasks, 59);
    assert_eq!(
        e.strata[0].set_aside[0].reason,
        "counts do not fit: 25 pieces defective of 20 looked at"
    );
}

#[test]
fn bounds_are_used_where_steering_defects_were_not_counted() {
    let mut flasks = book();
    for f in &mut flasks {
        f.defective_steering = None;
        f.kinds = BTreeMap::from([("gas-porosity".to_owned(), 1), ("no-fill".to_owned(), 2)]);
        f.defective = Some(3);
    }
    let e = asked(&flasks);
    assert_eq!((e.defective_least, e.defective), (Some(120), 180));
    let rate = e.rate.unwrap();
    assert_eq!(rate.method, crate::stats::rate::Method::Bounds);
    assert!(rate.low < 0.1 && rate.high > 0.15);
    assert_eq!((rate.least, rate.most), (0.1, 0.15));
    let s = &e.strata[0];
    assert_eq!((s.defective_least, s.defective), (Some(120), 180));
    assert!(
        s.advice.sentence.starts_with(
            "sterling-925, medium: 120 to 180 of 1200 pieces had a defect that heat can steer, \
             which was not always counted by itself (10–15 %, 95 % interval "
        ),
        "{}",
        s.advice.sentence
    );
    for step in &s.steps {
        assert_eq!((step.rate_least, step.rate_most), (0.1, 0.15));
    }
}

#[test]
fn what_was_done_once_or_twice_is_no_habit() {
    let usual = |flasks: &[Flask]| only(flasks).advice.usual_c;
    let four: Vec<Flask> = (0..4).map(|n| flask(n, 0)).collect();
    assert_eq!(usual(&four), None);
    let mut five: Vec<Flask> = (0..5).map(|n| flask(n, 0)).collect();
    assert_eq!(usual(&five), Some(968.0));
    // One of the five half a year earlier is not of the last eight weeks.
    five[0].cast_at = Micros(START - 180 * DAY);
    assert_eq!(usual(&five), None);
    let mut unrecorded = book();
    for f in &mut unrecorded {
        f.alloy = None;
    }
    let advice = only(&unrecorded).advice;
    assert_eq!(advice.usual_c, None);
    assert!(!advice.sentence.contains("usual"), "{}", advice.sentence);
}

#[test]
fn a_kind_that_was_not_counted_is_not_zero() {
    let mut flasks = book();
    for f in flasks.iter_mut().skip(30) {
        f.kinds.remove("nodule");
    }
    let ask = Question {
        outcome: Outcome::Kind("nodule".to_owned()),
        ..Question::default()
    };
    let e = evidence(&flasks, &ask);
    assert_eq!((e.flasks, e.pieces, e.defective), (30, 600, 30));
    let row = e.kinds.iter().find(|k| k.kind == "nodule").unwrap();
    assert_eq!((row.flasks, row.defective, row.may_steer), (30, 30, false));
    assert!((row.rate.unwrap().estimate - 0.05).abs() < 1e-12);
    let gas = e.kinds.iter().find(|k| k.kind == "gas-porosity").unwrap();
    assert_eq!(gas.flasks, 60);
    assert!(e.kinds.iter().all(|k| k.kind != "fin"));
    assert!(
        e.notes
            .iter()
            .any(|n| n.starts_with("30 inspected flasks were not counted"))
    );
}

#[test]
fn broken_patterns_leave_the_denominator() {
    let mut f = flask(0, 0);
    f.kinds.insert("broken-pattern".to_owned(), 4);
    f.defective = Some(5);
    let e = evidence(
        &[f.clone()],
        &Question {
            outcome: Outcome::Any,
            ..Question::default()
        },
    );
    assert_eq!((e.pieces, e.defective), (16, 1));
    let broken = e.kinds.iter().find(|k| k.kind == "broken-pattern").unwrap();
    assert_eq!((broken.pieces, broken.defective), (20, 4));
}

#[test]
fn a_chart_that_counts_by_itself_counts_the_same() {
    let mut flasks = book();
    flasks[0].kinds.insert("broken-pattern".to_owned(), 3);
    flasks[1].defective_steering = None;
    flasks[2].pieces = None;
    flasks[3].defective = Some(99);
    let ask = Question::default();
    let (fewest, most): (Vec<_>, Vec<_>) = flasks.iter().filter_map(|f| tallies(f, &ask)).unzip();
    let e = evidence(&flasks, &ask);
    let totals = crate::stats::rate::Totals::of(&most);
    assert_eq!(
        (totals.flasks, totals.pieces, totals.events),
        (e.flasks, e.pieces, e.defective)
    );
    assert_eq!(totals.pieces, 58 * 20 - 3);
    let least = crate::stats::rate::Totals::of(&fewest).events;
    assert_eq!(e.defective_least.unwrap_or(e.defective), least);
}

#[test]
fn alloys_are_one_however_they_are_written_and_never_pooled() {
    let mut flasks = book();
    flasks[0].alloy = Some("Sterling Silver".to_owned());
    flasks[1].alloy = Some("18k yellow".to_owned());
    flasks[2].alloy = None;
    flasks[2].section = None;
    flasks[3].alloy = Some("Shop Mix 7".to_owned());
    let e = asked(&flasks);
    let names: Vec<Option<&str>> = e.strata.iter().map(|s| s.alloy.as_deref()).collect();
    assert_eq!(names[0], Some("sterling-925"));
    assert_eq!(e.strata[0].flasks, 57);
    for name in [None, Some("gold-18k-yellow"), Some("shop mix 7")] {
        assert!(names.contains(&name), "{names:?}");
    }
    let unknown = e.strata.iter().find(|s| s.alloy.is_none()).unwrap();
    assert!(
        unknown
            .advice
            .sentence
            .starts_with("alloy not recorded, section not recorded: ")
    );
    let ask = Question {
        alloy: Some("STERLING".to_owned()),
        section: Some("Medium".to_owned()),
        ..Question::default()
    };
    assert_eq!(evidence(&flasks, &ask).flasks, 57);
}

#[test]
fn since_is_included_and_until_is_not() {
    let flasks = book();
    let ask = Question {
        since: Some(flasks[3].cast_at),
        until: Some(flasks[6].cast_at),
        ..Question::default()
    };
    let e = evidence(&flasks, &ask);
    assert_eq!(e.flasks, 3);
    assert_eq!(e.from, ask.since);
    assert_eq!(e.to, ask.until);
}

#[test]
fn a_clean_record_is_told_with_what_it_leaves_open() {
    let mut flasks = book();
    for f in &mut flasks {
        (f.defective, f.defective_steering) = (Some(0), Some(0));
        f.kinds.clear();
    }
    let s = only(&flasks);
    assert!(
        s.advice.sentence.starts_with(
            "sterling-925, medium: none of 1200 pieces had a defect that heat can steer (95 % \
             interval up to 0.9 %, 60 flasks)."
        ),
        "{}",
        s.advice.sentence
    );
}

#[test]
fn outcomes_have_names() {
    let kinds = DefectKinds::standard();
    for (name, outcome) in [
        ("any", Outcome::Any),
        ("steering", Outcome::Steering),
        ("No fill", Outcome::Kind("no-fill".to_owned())),
    ] {
        assert_eq!(Outcome::parse(name, &kinds).unwrap(), outcome);
    }
    assert!(Outcome::parse("nofil", &kinds).is_err());
}

fn keys(value: &serde_json::Value) -> Vec<&str> {
    value
        .as_object()
        .unwrap()
        .keys()
        .map(String::as_str)
        .collect()
}

#[test]
fn the_json_has_the_keys_that_other_programs_rely_on() {
    let mut flasks = book();
    flasks[0].set_aside = Some(Aside::new("lost-cover-gas", "gas lost"));
    let e = asked(&flasks);
    let json = serde_json::to_value(&e).unwrap();
    for key in [
        "from",
        "to",
        "outcome",
        "flasks",
        "flasks_uninspected",
        "sessions",
        "pieces",
        "defective",
        "rate",
        "model",
        "strata",
        "kinds",
    ] {
        assert!(keys(&json).contains(&key), "{key}");
    }
    assert_eq!(json["from"], "2026-06-01T08:00:00.000Z");
    for key in [
        "method",
        "uncertainty",
        "dispersion",
        "terms",
        "random_sd",
        "log_likelihood",
        "notes",
    ] {
        assert!(keys(&json["model"]).contains(&key), "{key}");
    }
    let term = &json["model"]["terms"][0];
    assert_eq!(term["name"], "intercept");
    for key in [
        "name",
        "unit",
        "estimate",
        "std_error",
        "statistic",
        "df",
        "p",
        "p_holm",
        "step",
        "odds_ratio",
        "odds_ratio_low",
        "odds_ratio_high",
        "base",
    ] {
        assert!(keys(term).contains(&key), "{key}");
    }
    for key in ["number", "alpha", "next_at_sessions"] {
        assert!(keys(&json["strata"][0]["look"]).contains(&key), "{key}");
    }
    let mut rate = keys(&json["rate"]);
    rate.sort_unstable();
    assert_eq!(
        rate,
        [
            "design_effect",
            "estimate",
            "high",
            "least",
            "low",
            "method",
            "most"
        ]
    );
    // What is absent is null, never left out.
    assert_eq!(json.get("defective_least"), Some(&serde_json::Value::Null));
    assert_eq!(json["rate"]["method"], "wilson");
    let stratum = &json["strata"][0];
    for key in [
        "alloy",
        "section",
        "flasks",
        "sessions",
        "effective_events",
        "set_aside",
        "look",
        "curve",
        "advice",
        "second_opinion",
    ] {
        assert!(keys(stratum).contains(&key), "{key}");
    }
    let mut aside = keys(&stratum["set_aside"][0]);
    aside.sort_unstable();
    assert_eq!(aside, ["code", "flask", "reason"]);
    let mut curve = keys(&stratum["curve"][0]);
    curve.sort_unstable();
    assert_eq!(
        curve,
        [
            "flasks_near",
            "high",
            "low",
            "pour_temperature_c",
            "rate",
            "rate_least",
            "rate_most"
        ]
    );
    let advice = &stratum["advice"];
    for key in [
        "grade",
        "caps",
        "pour_temperature_c",
        "edge",
        "flat_from_c",
        "flat_to_c",
        "usual_c",
        "expected_change",
        "change_low",
        "change_high",
        "sentence",
    ] {
        assert!(keys(advice).contains(&key), "{key}");
    }
    assert_eq!(advice["grade"], "weak");
    let mut cap = keys(&advice["caps"][0]);
    cap.sort_unstable();
    assert_eq!(cap, ["code", "reason"]);
    let back: Evidence = serde_json::from_value(json).unwrap();
    assert_eq!(back, e);
}

fn any_flask() -> impl Strategy<Value = Flask> {
    let number = || proptest::option::of(0u32..30);
    let measure = || {
        proptest::option::of(prop_oneof![
            6 => 900.0..1050.0f64,
            1 => Just(f64::NAN),
            1 => Just(f64::INFINITY),
            1 => Just(-1e300),
        ])
    };
    let kind = prop_oneof![
        Just("no-fill"),
        Just("shrinkage"),
        Just("broken-pattern"),
        Just("of the shop's own"),
    ];
    (
        (0i64..12, 0usize..9, number(), number(), number(), measure()),
        proptest::collection::btree_map(kind.prop_map(str::to_owned), 0u32..25, 0..4),
        proptest::option::of(prop_oneof![Just("thin"), Just("medium"), Just(" ")]),
        proptest::bool::weighted(0.1),
    )
        .prop_map(
            |((day, n, pieces, defective, steering, t), kinds, section, aside)| Flask {
                pieces,
                defective,
                defective_steering: steering,
                pour_temperature_c: t,
                kinds,
                section: section.map(str::to_owned),
                probe_series: None,
                probe_offset_k: None,
                set_aside: aside.then(|| Aside::new("lost-cover-gas", "cover gas lost")),
                ..flask(day, n)
            },
        )
}

proptest! {
    #[test]
    fn whatever_comes_in_figures_stay_finite_and_text_stays_whole(
        flasks in proptest::collection::vec(any_flask(), 0..60),
        outcome in prop_oneof![Just("any"), Just("steering"), Just("shrinkage"), Just("broken-pattern")],
    ) {
        let outcome = Outcome::parse(outcome, &DefectKinds::standard()).unwrap();
        let e = evidence(&flasks, &Question { outcome, ..Question::default() });
        let text = serde_json::to_string(&e).unwrap();
        prop_assert!(!text.contains("NaN") && !text.contains("inf,"));
        // serde_json writes numbers that are not finite as null: none may be there.
        let back: Result<Evidence, _> = serde_json::from_str(&text);
        prop_assert!(back.is_ok(), "{:?}", back.err());
        let unsound: usize = e.strata.iter().flat_map(|s| &s.set_aside).filter(|s| s.reason.starts_with("counts do not fit")).count();
        prop_assert!(e.flasks + e.flasks_uninspected + unsound <= flasks.len());
        prop_assert!(e.defective_least.unwrap_or(0) <= e.defective && e.defective <= e.pieces);
        for s in &e.strata {
            prop_assert!(s.advice.sentence.ends_with('.') && !s.advice.sentence.contains("NaN"), "{}", s.advice.sentence);
            prop_assert!(s.advice.grade <= Grade::Weak);
        }
    }

    #[test]
    fn whatever_is_asked_a_model_has_figures_or_a_sentence(
        flasks in proptest::collection::vec(any_flask(), 0..80),
        factors in proptest::collection::vec(0usize..14, 0..5),
        shape in proptest::option::of(prop_oneof![Just(Shape::Line), Just(Shape::Curve)]),
        spread in proptest::option::of(prop_oneof![Just(Spread::Session), Just(Spread::Flask), Just(Spread::Plain)]),
        method in proptest::option::of(prop_oneof![Just(Method::Glm), Just(Method::Firth), Just(Method::Mixed)]),
    ) {
        let every: Vec<Factor> = Factor::all().collect();
        let ask = Question {
            factors: factors.iter().map(|i| every[*i]).collect(),
            shape,
            spread,
            method,
            draws: Some(49),
            ..Question::default()
        };
        let e = evidence(&flasks, &ask);
        let text = serde_json::to_string(&e).unwrap();
        let back: Evidence = serde_json::from_str(&text).unwrap();
        prop_assert_eq!(&back, &e);
        match &e.model {
            None => prop_assert!(e.notes[0].starts_with("No model: ") && e.notes[0].ends_with('.'), "{:?}", e.notes),
            Some(model) => prop_assert!(model.terms.iter().all(|t| t.estimate.is_finite() && t.std_error.is_finite())),
        }
        for s in &e.strata {
            prop_assert!(s.advice.grade <= Grade::Weak);
            for p in &s.curve {
                prop_assert!((0.0..=1.0).contains(&p.rate), "{:?}", p);
                prop_assert!(p.low.unwrap_or(0.0) <= p.rate_least && p.rate_most <= p.high.unwrap_or(1.0), "{:?}", p);
            }
        }
    }

    #[test]
    fn the_order_of_flasks_changes_nothing(flasks in proptest::collection::vec(any_flask(), 0..40)) {
        let mut unique: Vec<Flask> = Vec::new();
        for (i, mut f) in flasks.into_iter().enumerate() {
            f.id = format!("{i}");
            unique.push(f);
        }
        let forward = serde_json::to_string(&asked(&unique)).unwrap();
        unique.reverse();
        prop_assert_eq!(forward, serde_json::to_string(&asked(&unique)).unwrap());
    }
}
