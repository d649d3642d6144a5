//! Which terms enter, on tables small enough to count by hand.

use super::Shape;
use super::budget::Budget;
use super::factor::Factor;
use super::rows::Row;
use super::terms::{Column, Plan, TooSmall, Wanted, plan};
use crate::flask::Flask;
use crate::stats::rate::Tally;
use crate::time::Micros;

fn flasks(count: usize) -> Vec<Flask> {
    (0..count)
        .map(|i| Flask {
            id: format!("{i}"),
            label: String::new(),
            session: format!("s{:03}", i / 2),
            machine: "bench-1".to_owned(),
            cast_at: Micros(i as i64 * 3_600_000_000),
            pattern: Some(format!("pattern {}", i % 3)),
            pieces: Some(20),
            defective_steering: Some([1, 3][(i / 3) % 2]),
            pour_temperature_c: Some(950.0 + (i * 7 % 30) as f64),
            flask_temperature_c: Some(540.0 + (i * 11 % 40) as f64),
            vacuum_share: (i % 2 == 0).then_some(0.9),
            seal_age_pours: Some((i * 13 % 50) as u32),
            remelt_percent: Some(30.0),
            ..Flask::default()
        })
        .collect()
}

fn rows(flasks: &[Flask]) -> Vec<Row<'_>> {
    flasks
        .iter()
        .enumerate()
        .map(|(i, flask)| {
            let tally = Tally {
                session: &flask.session,
                events: flask.defective_steering.unwrap(),
                pieces: 20,
            };
            Row {
                flask,
                alloy: Some("sterling-925".to_owned()),
                section: Some(["thin", "medium", "medium"][i % 3].to_owned()),
                fewest: tally,
                most: tally,
            }
        })
        .collect()
}

fn budget(effective_events: f64, sessions: usize, most_df: usize) -> Budget {
    Budget {
        effective_events,
        sessions,
        flasks: 8 * most_df,
        design_effect: 2.0,
        most_df,
    }
}

fn names(plan: &Plan) -> Vec<String> {
    plan.columns.iter().map(Plan::name).collect()
}

/// 40 flasks of 20 pieces in 20 sessions: floor(40/8) = 5, floor(20/5) = 4, and E.
#[test]
fn the_budget_is_the_least_of_three() {
    let flasks = flasks(40);
    let rows = rows(&flasks);
    let seen: Vec<&Row> = rows.iter().collect();
    let b = Budget::of(&seen, None);
    assert_eq!((b.flasks, b.sessions), (40, 20));
    let bad: u32 = flasks.iter().filter_map(|f| f.defective_steering).sum();
    assert!((b.effective_events - f64::from(bad) / b.design_effect).abs() < 1e-9);
    assert_eq!(b.most_df, ((b.effective_events / 10.0) as usize).min(4));
    let few = Budget::of(&seen[..14], None);
    assert!(few.most_df <= 1);
}

#[test]
fn terms_enter_in_their_order_as_far_as_the_budget_goes() {
    let flasks = flasks(120);
    let rows = rows(&flasks);
    let seen: Vec<&Row> = rows.iter().collect();
    let entered = |budget: &Budget, wanted: &Wanted| names(&plan(&seen, budget, wanted).unwrap().0);
    let auto = Wanted::default();
    assert_eq!(
        plan(&seen, &budget(15.0, 60, 1), &auto).unwrap_err(),
        TooSmall
    );
    assert_eq!(
        entered(&budget(25.0, 60, 2), &auto),
        ["section: thin", "pour_temperature"]
    );
    assert_eq!(
        entered(&budget(35.0, 60, 3), &auto),
        ["section: thin", "pour_temperature", "flask_temperature"]
    );
    assert_eq!(
        entered(&budget(45.0, 60, 4), &auto),
        [
            "section: thin",
            "pour_temperature",
            "flask_temperature",
            "pour_temperature_bend_1"
        ]
    );
    // Patterns follow from the sections here and fall out; vacuum is known of half the flasks and
    // old metal never moved.
    assert_eq!(
        entered(&budget(120.0, 60, 12), &auto),
        [
            "section: thin",
            "pattern: pattern 1",
            "pour_temperature",
            "flask_temperature",
            "pour_temperature_bend_1",
            "pour_temperature_bend_2",
            "days",
            "seal_age"
        ]
    );
    let (planned, kept) = plan(&seen, &budget(120.0, 60, 12), &auto).unwrap();
    assert_eq!(kept.len(), 120);
    let told = planned.notes.join(" ");
    assert!(
        told.contains("Not held equal: vacuum (known of 60 of 120 flasks)"),
        "{told}"
    );
    assert!(told.contains("remelt"), "{told}");
}

/// The probe comes after what the flasks are of and before heat; the line of heat keeps its place.
#[test]
fn probes_that_were_never_compared_enter_before_heat() {
    let mut flasks = flasks(120);
    for (i, f) in flasks.iter_mut().enumerate() {
        f.probe_series = Some(format!("bench-1/{}", i / 60));
    }
    let entered = |flasks: &[Flask], most_df: usize| {
        let rows = rows(flasks);
        let seen: Vec<&Row> = rows.iter().collect();
        let budget = budget(12.0 * most_df as f64, 60, most_df);
        let planned = plan(&seen, &budget, &Wanted::default()).unwrap().0;
        (names(&planned), planned.notes.join(" "))
    };
    let (two, notes) = entered(&flasks, 2);
    assert_eq!(two, ["section: thin", "pour_temperature"]);
    assert!(notes.contains("Not held equal: the probe"), "{notes}");
    let (three, _) = entered(&flasks, 3);
    assert_eq!(
        three,
        [
            "section: thin",
            "probe_series: bench-1/1",
            "pour_temperature"
        ]
    );
    // Corrected flasks share a scale, whichever probe read them.
    for f in &mut flasks {
        f.probe_offset_k = Some(1.0);
    }
    assert_eq!(
        entered(&flasks, 3).0,
        ["section: thin", "pour_temperature", "flask_temperature"]
    );
}

#[test]
fn the_caller_can_name_factors_or_a_shape() {
    let flasks = flasks(60);
    let rows = rows(&flasks);
    let seen: Vec<&Row> = rows.iter().collect();
    let tiny = budget(5.0, 30, 0);
    let named = Wanted {
        factors: Some(vec![Factor::VacuumShare, Factor::PourTemperature]),
        ..Wanted::default()
    };
    // Flasks without a figure leave, and are counted; a share that never moved falls out.
    let (planned, kept) = plan(&seen, &tiny, &named).unwrap();
    assert_eq!(kept.len(), 30);
    assert_eq!(names(&planned), ["pour_temperature"]);
    assert!(
        planned
            .notes
            .iter()
            .any(|n| n.starts_with("30 flasks are without a figure"))
    );
    let line = Wanted {
        shape: Some(Shape::Line),
        forced: true,
        ..Wanted::default()
    };
    let (planned, _) = plan(&seen, &tiny, &line).unwrap();
    assert_eq!(names(&planned), ["section: thin", "pour_temperature"]);
    assert!(
        planned.notes[0].contains("read the intervals"),
        "{:?}",
        planned.notes
    );
}

/// logit = −3 + 0.1·(T − 960) is −99 + 0.1·T: centred columns tell the plain intercept.
#[test]
fn estimates_are_told_per_stored_unit_whatever_columns_are_within() {
    let flasks = flasks(30);
    let rows = rows(&flasks);
    let seen: Vec<&Row> = rows.iter().collect();
    let line = Wanted {
        factors: Some(vec![Factor::PourTemperature]),
        ..Wanted::default()
    };
    let (planned, _) = plan(&seen, &budget(30.0, 15, 3), &line).unwrap();
    let Column::Number { centre, scale, .. } = planned.columns[0] else {
        panic!("a number");
    };
    let coef = crate::stats::Vector::from_vec(vec![-3.0 + 0.1 * (centre - 960.0), 0.1 * scale]);
    let told: Vec<f64> = planned
        .told()
        .iter()
        .map(|(_, _, w)| w.dot(&coef))
        .collect();
    assert!(
        (told[0] + 99.0).abs() < 1e-9 && (told[1] - 0.1).abs() < 1e-12,
        "{told:?}"
    );
}

#[test]
fn sections_have_slopes_of_their_own_where_asked() {
    let flasks = flasks(60);
    let rows = rows(&flasks);
    let seen: Vec<&Row> = rows.iter().collect();
    let own = Wanted {
        own_slopes: Some(1000.0),
        ..Wanted::default()
    };
    let (planned, _) = plan(&seen, &budget(25.0, 30, 2), &own).unwrap();
    assert_eq!(
        names(&planned)[2..],
        [
            "pour_temperature in section: medium",
            "pour_temperature in section: thin"
        ]
    );
    assert_eq!(planned.ridge, Some(1000.0));
    // A flask of another section knows nothing of it.
    let x = planned.x(seen[0], Some(980.0));
    assert!(x[3] == 0.0 && x[4] != 0.0);
}

#[test]
fn a_line_may_bend_a_little_and_a_curve_is_free() {
    let flasks = flasks(120);
    let rows = rows(&flasks);
    let seen: Vec<&Row> = rows.iter().collect();
    let cup = Wanted {
        cup: Some(18.0),
        ..Wanted::default()
    };
    let (line, _) = plan(&seen, &budget(25.0, 60, 2), &cup).unwrap();
    assert_eq!(
        line.columns.last().map(Plan::name).unwrap(),
        "pour_temperature_cup"
    );
    let ridges = line.ridges().unwrap();
    assert_eq!(ridges.iter().filter(|r| **r > 0.0).count(), 1);
    assert_eq!(ridges.last(), Some(&18.0));
    // Half the square of what is 20 K from the middle, per (10 K)²: 2.
    let Some(Column::Cup { centre }) = line.columns.last() else {
        panic!("a cup");
    };
    let x = line.x(seen[0], Some(centre + 20.0));
    assert!((x[x.len() - 1] - 2.0).abs() < 1e-12);
    assert!(line.without_ridges().ridges().is_none());
    let (curve, _) = plan(&seen, &budget(45.0, 60, 4), &cup).unwrap();
    assert!(curve.has_bend() && curve.ridges().is_none());
}
