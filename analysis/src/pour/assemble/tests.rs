//! Assembly tried on made-up pulls and pours: what a card brings, which corrections win, how
//! seals age and when a weak one is called so.

use super::*;
use crate::pour::FlaskTemperatureFrom;
use proptest::prelude::*;

fn at(minutes: f64) -> Micros {
    Micros(1_795_000_000_000_000).plus_seconds(60.0 * minutes)
}

fn pour(minutes: f64) -> PourRow {
    PourRow {
        found_by: FoundBy::Trace,
        pour_temperature_c: Some(968.0),
        quality: vec![],
        ..bare_pour("s1", "bench-1", at(minutes), FoundBy::Trace)
    }
}

fn pull(minutes: f64, share: f64) -> PullRow {
    PullRow {
        session: "s1".to_owned(),
        closed_at: Some(at(minutes + 1.0)),
        depth_kpa: Some(share * 101.3),
        share: Some(share),
        settled_kpa: Some(share * 101.3),
        settled_se_kpa: Some(0.3),
        rest_kpa: Some(0.0),
        verdict: if share >= 0.6 {
            Verdict::Good
        } else {
            Verdict::Weak
        },
        poured: false,
        ..crate::watch::testing::pull(at(minutes - 0.5))
    }
}

fn card(minutes: f64) -> Card {
    Card {
        id: "card-7".to_owned(),
        machine: "bench-1".to_owned(),
        pour_at: at(minutes),
        alloy: Some("sterling-925".to_owned()),
        liquidus_c: Some(893.0),
        section: Some("thin".to_owned()),
        target_c: None,
        diameter_mm: Some(100.0),
        size: FlaskSize::of(Some(101.6), Some(152.4)),
        kiln_set_point_c: Some(620.0),
        kiln_spread_k: Some(30.0),
        out_of_kiln_at: Some(at(minutes - 1.5)),
        kiln_temperature_c: Some(618.0),
        soak_min: Some(170.0),
        quality: Vec::new(),
        metal_g: Some(200.0),
        charged_g: Some(201.0),
    }
}

fn target(section: Option<&str>, from: f64, c: f64) -> Target {
    Target {
        alloy: "sterling-925".to_owned(),
        section: section.map(str::to_owned),
        from: at(from),
        pour_temperature_c: c,
    }
}

fn pours(rows: Vec<Row>) -> Vec<PourRow> {
    rows.into_iter()
        .filter_map(|row| match row {
            Row::Pour(pour) => Some(pour),
            Row::Pull(_) | Row::Upkeep(_) | Row::Kiln(_) | Row::Arrest(_) => None,
        })
        .collect()
}

fn verdicts(rows: &[Row]) -> Vec<Verdict> {
    rows.iter()
        .filter_map(|row| match row {
            Row::Pull(pull) => Some(pull.verdict),
            Row::Pour(_) | Row::Upkeep(_) | Row::Kiln(_) | Row::Arrest(_) => None,
        })
        .collect()
}

#[test]
fn a_matched_card_brings_target_superheat_transfer_and_flask_temperature() {
    let context = Context {
        cards: vec![card(10.0)],
        targets: vec![
            target(Some("thin"), 0.0, 975.0),
            target(Some("thin"), 5.0, 970.0),
            target(Some("thin"), 11.0, 960.0),
            target(None, 6.0, 955.0),
        ],
        ..Context::default()
    };
    let got = pours(assemble(vec![Row::Pour(pour(10.0))], &context)).remove(0);
    assert_eq!(got.flask.as_deref(), Some("card-7"));
    assert_eq!(got.target_c, Some(970.0));
    assert_eq!(got.superheat_k, Some(75.0));
    assert_eq!(got.transfer_s, Some(90.0));
    assert_eq!(got.kiln_temperature_c, Some(618.0));
    assert_eq!(got.soak_min, Some(170.0));
    // A minute and a half out of a kiln at 618 °C.
    let flask_c = got.flask_temperature_c.unwrap();
    assert!((580.0..600.0).contains(&flask_c), "{flask_c}");
    // No better than the kiln's shelves: half-width 15 K over √3 (JCGM 100:2008, 4.3.7).
    assert!(got.flask_temperature_sd_k.unwrap() > 15.0 / 3.0_f64.sqrt());
    assert_eq!(
        got.flask_temperature_from,
        Some(FlaskTemperatureFrom::Cooled)
    );
}

/// Flask temperatures as `assemble` leaves them, and where they come from.
fn flask_heat(
    pour: PourRow,
    card: Option<Card>,
    moulds: Vec<MouldFrom>,
) -> Option<(f64, f64, FlaskTemperatureFrom)> {
    let context = Context {
        cards: card.into_iter().collect(),
        moulds,
        ..Context::default()
    };
    let got = pours(assemble(vec![Row::Pour(pour)], &context)).remove(0);
    got.flask_temperature_c
        .zip(got.flask_temperature_sd_k)
        .zip(got.flask_temperature_from)
        .map(|((c, sd), from)| (c, sd, from))
}

#[test]
fn without_a_time_out_of_the_kiln_the_card_is_all_there_is() {
    let mut untimed = card(10.0);
    untimed.out_of_kiln_at = None;
    let (c, sd, from) = flask_heat(pour(10.0), Some(untimed), vec![]).unwrap();
    assert_eq!((c, from), (620.0, FlaskTemperatureFrom::Card));
    assert!((sd - 15.0 / 3.0_f64.sqrt()).abs() < 1e-9);
    assert_eq!(flask_heat(pour(10.0), None, vec![]), None);
}

#[test]
fn a_kiln_that_nobody_reads_is_taken_at_its_set_point_and_less_sure() {
    let read = flask_heat(pour(10.0), Some(card(10.0)), vec![]).unwrap();
    let mut unread = card(10.0);
    unread.kiln_temperature_c = None;
    let unread = flask_heat(pour(10.0), Some(unread), vec![]).unwrap();
    assert_eq!(unread.2, FlaskTemperatureFrom::Cooled);
    assert!(
        (0.5..3.0).contains(&(unread.0 - read.0)),
        "{unread:?} {read:?}"
    );
    assert!(unread.1 > read.1);
}

/// Common practice: the air in a kiln falls by 30 to 150 K while its door is open.
#[test]
fn a_kiln_read_after_its_door_was_open_says_nothing_of_the_flask() {
    let mut unread = card(10.0);
    unread.kiln_temperature_c = None;
    let mut dipped = pour(10.0);
    dipped.kiln_temperature_c = Some(540.0);
    let got = flask_heat(dipped.clone(), Some(unread.clone()), vec![]).unwrap();
    assert_eq!(
        got,
        flask_heat(pour(10.0), Some(unread.clone()), vec![]).unwrap()
    );
    unread.kiln_set_point_c = None;
    assert_eq!(flask_heat(dipped, Some(unread), vec![]), None);
}

#[test]
fn a_door_switch_and_a_kiln_sensor_need_no_card() {
    let mut switched = pour(10.0);
    (switched.kiln_temperature_c, switched.transfer_s) = (Some(560.0), Some(45.0));
    let (c, sd, from) = flask_heat(switched, None, vec![]).unwrap();
    assert_eq!(from, FlaskTemperatureFrom::Cooled);
    assert!((550.0..560.0).contains(&c) && sd > 8.0, "{c} {sd}");
    // A cold kiln gave no flask.
    let mut cold = pour(10.0);
    (cold.kiln_temperature_c, cold.transfer_s) = (Some(23.0), Some(45.0));
    assert_eq!(flask_heat(cold, None, vec![]), None);
}

#[test]
fn a_shops_own_flask_goes_before_the_literature() {
    let leaky = Mould {
        wall_loss: 2.0,
        ..Mould::default()
    };
    let usual = flask_heat(pour(10.0), Some(card(10.0)), vec![]).unwrap();
    let own = |from: f64| {
        let moulds = vec![MouldFrom {
            from: at(from),
            mould: leaky,
        }];
        flask_heat(pour(10.0), Some(card(10.0)), moulds).unwrap()
    };
    assert!(own(0.0).0 < usual.0 - 3.0);
    // Measured afterwards, it holds for the pours before as well.
    assert_eq!(own(500.0), own(0.0));
    let two = vec![
        MouldFrom {
            from: at(0.0),
            mould: leaky,
        },
        MouldFrom {
            from: at(9.0),
            mould: Mould::default(),
        },
    ];
    assert_eq!(
        flask_heat(pour(10.0), Some(card(10.0)), two).unwrap(),
        usual
    );
}

/// A time written to the minute is less sure than one tapped.
#[test]
fn a_time_written_to_the_minute_makes_the_flask_less_sure() {
    let out = |seconds: f64| {
        let mut timed = card(10.0);
        let whole_minute = Micros(at(8.0).0 / 60_000_000 * 60_000_000);
        timed.out_of_kiln_at = Some(whole_minute.plus_seconds(seconds));
        flask_heat(pour(10.0), Some(timed), vec![]).unwrap().1
    };
    assert!(out(0.0) > out(1.0) + 0.5, "{} {}", out(0.0), out(1.0));
}

#[test]
fn a_measured_flask_goes_before_the_card() {
    let mut measured = pour(10.0);
    measured.flask_temperature_c = Some(588.0);
    measured.flask_temperature_from = Some(FlaskTemperatureFrom::Measured);
    let context = Context {
        cards: vec![card(10.0)],
        ..Context::default()
    };
    let got = pours(assemble(vec![Row::Pour(measured)], &context)).remove(0);
    assert_eq!(got.flask_temperature_c, Some(588.0));
}

#[test]
fn corrections_win_and_pours_are_numbered_anew() {
    let context = Context {
        corrections: vec![
            Correction::Removed {
                machine: "bench-1".to_owned(),
                at: at(20.1),
            },
            Correction::Added(Box::new(bare_pour("s1", "bench-1", at(5.0), FoundBy::Hand))),
        ],
        ..Context::default()
    };
    let rows = vec![
        Row::Pour(pour(10.0)),
        Row::Pour(pour(20.0)),
        Row::Pour(pour(30.0)),
        Row::Pull(pull(20.0, 0.85)),
        Row::Pull(pull(5.0, 0.85)),
    ];
    let got = assemble(rows, &context);
    let times: Vec<(u32, Micros)> = pours(got.clone())
        .iter()
        .map(|p| (p.number, p.at))
        .collect();
    assert_eq!(times, [(1, at(5.0)), (2, at(10.0)), (3, at(30.0))]);
    let poured: Vec<bool> = got
        .iter()
        .filter_map(|row| match row {
            Row::Pull(pull) => Some(pull.poured),
            Row::Pour(_) | Row::Upkeep(_) | Row::Kiln(_) | Row::Arrest(_) => None,
        })
        .collect();
    assert_eq!(
        poured,
        [true, false],
        "the removed pour leaves a called-off pull"
    );
}

/// The design's promise: a seal that fades over fifty pours is still called weak at the end.
#[test]
fn a_seal_that_fades_slowly_is_still_called_weak() {
    let rows: Vec<Row> = (0..50)
        .map(|i| {
            let minutes = 10.0 * f64::from(i);
            Row::Pull(pull(minutes, 0.88 - 0.004 * f64::from(i)))
        })
        .collect();
    let got = verdicts(&assemble(rows.clone(), &Context::default()));
    assert!(got[..15].iter().all(|v| *v == Verdict::Good));
    assert!(got[35..].iter().all(|v| *v == Verdict::Weak));
    // With a new gasket at the 30th pull the usual is learnt anew.
    let context = Context {
        part_changes: vec![PartChange::new("bench-1", Part::Gasket, at(295.0))],
        ..Context::default()
    };
    let again = assemble(rows, &context);
    assert!(verdicts(&again)[30..40].iter().all(|v| *v == Verdict::Good));
    let usual_at = |m| usual::usuals(&again, &context, "bench-1", at(m)).of(None);
    let usual = usual_at(500.0).unwrap();
    assert!((usual.share - 0.742).abs() < 1e-9, "{usual:?}");
    assert_eq!(usual_at(350.0), None);
}

/// Small flasks pull deeper than big ones on the same machine; neither is held against the other.
#[test]
fn a_big_flask_is_not_held_against_small_ones() {
    let sized = |minutes: f64, diameter_mm: f64| Card {
        id: format!("card-{minutes}"),
        size: FlaskSize::of(Some(diameter_mm), Some(150.0)),
        ..card(minutes)
    };
    let mut rows = Vec::new();
    let mut context = Context::default();
    for i in 0..30 {
        let minutes = 10.0 * f64::from(i);
        let (mm, share) = if i % 2 == 0 {
            (76.0, 0.9)
        } else {
            (127.0, 0.76)
        };
        // The last of each is as deep as the other's usual less a little.
        let share = if i >= 28 { 0.75 } else { share };
        rows.push(Row::Pull(pull(minutes, share)));
        rows.push(Row::Pour(pour(minutes)));
        context.cards.push(sized(minutes, mm));
    }
    let got = assemble(rows, &context);
    let said = verdicts(&got);
    assert!(said[..28].iter().all(|v| *v == Verdict::Good));
    assert_eq!(said[28..], [Verdict::Weak, Verdict::Good]);
    let usuals = usual::usuals(&got, &context, "bench-1", at(400.0));
    let of = |mm| {
        usuals
            .of(FlaskSize::of(Some(mm), Some(150.0)))
            .unwrap()
            .share
    };
    assert!((of(76.0) - 0.9).abs() < 1e-9 && (of(127.0) - 0.76).abs() < 1e-9);
    // Nobody said what stands there: the least that any size asks.
    assert!((usuals.of(None).unwrap().share - 0.76).abs() < 1e-9);
    assert_eq!(usuals.of(FlaskSize::of(Some(101.6), Some(150.0))), None);
}

#[test]
fn seal_age_counts_the_pours_made_on_the_gasket_before() {
    let rows: Vec<Row> = [10.0, 20.0, 30.0, 40.0].map(|m| Row::Pour(pour(m))).into();
    let context = Context {
        part_changes: vec![
            PartChange::new("bench-1", Part::Gasket, at(15.0)),
            PartChange::new("bench-1", Part::StopperRod, at(25.0)),
            PartChange::new("bench-2", Part::Gasket, at(35.0)),
        ],
        ..Context::default()
    };
    let ages: Vec<Option<u32>> = pours(assemble(rows, &context))
        .iter()
        .map(|p| p.seal_age_pours)
        .collect();
    assert_eq!(ages, [None, Some(0), Some(1), Some(2)]);
}

proptest! {
    #[test]
    fn order_does_not_matter_and_twice_is_once(
        times in prop::collection::btree_set(1_u32..2000, 1..40),
        shares in prop::collection::vec(0.4..0.95_f64, 40),
        turn in 0_usize..40,
        change in 0.0..2000.0_f64,
    ) {
        let mut rows: Vec<Row> = Vec::new();
        for (i, minutes) in times.iter().enumerate() {
            rows.push(Row::Pull(pull(f64::from(*minutes), shares[i])));
            rows.push(Row::Pour(pour(f64::from(*minutes))));
        }
        let context = Context {
            part_changes: vec![PartChange::new("bench-1", Part::Gasket, at(change))],
            cards: vec![card(f64::from(*times.iter().next().unwrap()))],
            ..Context::default()
        };
        let once = assemble(rows.clone(), &context);
        let n = rows.len();
        rows.rotate_left(turn % n);
        prop_assert_eq!(&assemble(rows, &context), &once);
        prop_assert_eq!(&assemble(once.clone(), &context), &once);
    }
}
