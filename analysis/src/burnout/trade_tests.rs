//! The follower and the soak tried on nights that casters know. Schedules, dips, recoveries and
//! limits are common practice; the kilns are made up.

use proptest::prelude::*;

use super::course::Courses;
use super::follow::{Event, Follower, Setup};
use super::row::{FaultKind, SpellKind};
use super::shape::programme_of;
use super::soak::held;
use super::synthetic::{Kiln, Trouble, at, faults, follow, kinds, usual};
use crate::channel::Channel;
use crate::sample::{Quality, Sample};
use crate::time::Micros;

/// The first fault is of this kind and told within so many minutes of what caused it.
fn told(kiln: &Kiln, cause_h: f64, kind: &[FaultKind], within_min: f64) {
    let events = kiln.followed(Some(usual()));
    let found = faults(&events);
    let first = found.first().copied();
    let Some(first) = first else {
        panic!("nothing was told of {:?}", kiln.troubles);
    };
    assert!(kind.contains(&first.kind), "{found:?}");
    let after = first.told_at.seconds_since(at(cause_h)) / 60.0;
    assert!(
        (0.0..=within_min).contains(&after),
        "{after} min: {found:?}"
    );
}

#[test]
fn a_quiet_night_has_no_faults_and_all_its_steps() {
    for every_s in [5.0, 30.0, 60.0] {
        let kiln = Kiln {
            every_s,
            ..Kiln::over(17.0, vec![])
        };
        let events = kiln.followed(Some(usual()));
        assert_eq!(kinds(&events), vec![], "{every_s} s");
        let steps: Vec<(u32, bool)> = events
            .iter()
            .filter_map(|e| match e {
                Event::Stepped { step, holding, .. } => Some((*step, *holding)),
                _ => None,
            })
            .collect();
        let expected = [
            (1, true),
            (2, false),
            (2, true),
            (3, false),
            (3, true),
            (4, false),
            (4, true),
        ];
        assert_eq!(steps, expected, "{every_s} s");
    }
}

#[test]
fn a_kiln_without_heat_is_told_within_minutes_wherever_it_fails() {
    let down = [FaultKind::Cooling, FaultKind::Stalled];
    // On each ramp and hold: up to 150, at 150, up to 370, at 370, up to 730, at 730.
    for cause_h in [0.9, 2.0, 3.5, 5.0, 6.5, 8.5] {
        // At 150 °C a kiln loses its first 15 K in 20 min: what cannot be seen cannot be told.
        let within = if cause_h < 3.0 { 32.0 } else { 15.0 };
        told(
            &Kiln::over(12.0, vec![Trouble::NoHeat(cause_h)]),
            cause_h,
            &down,
            within,
        );
    }
}

#[test]
fn a_controller_that_stands_still_on_its_ramp_has_stalled() {
    let kiln = Kiln::over(14.0, vec![Trouble::Stands(6.2, 9.0)]);
    told(&kiln, 6.2, &[FaultKind::Stalled], 15.0);
    // It goes on in the end, and that is seen.
    let events = kiln.followed(Some(usual()));
    let mended = events
        .iter()
        .any(|e| matches!(e, Event::Mended(f) if f.kind == FaultKind::Stalled));
    assert!(mended, "{:?}", kinds(&events));
}

#[test]
fn a_welded_contactor_is_told_within_minutes() {
    for cause_h in [2.0, 5.0, 6.5, 9.0] {
        told(
            &Kiln::over(cause_h + 0.8, vec![Trouble::FullHeat(cause_h)]),
            cause_h,
            &[FaultKind::RunOff],
            12.0,
        );
    }
}

#[test]
fn without_a_programme_a_kiln_over_its_limit_and_one_that_dies_early_are_told() {
    let run_off = Kiln::over(12.0, vec![Trouble::FullHeat(9.0)]).followed(None);
    let first = faults(&run_off)[0];
    assert_eq!(first.kind, FaultKind::RunOff);
    assert!(first.told_at.seconds_since(at(9.0)) < 600.0, "{first:?}");
    let dead = Kiln::over(9.0, vec![Trouble::NoHeat(5.0)]).followed(None);
    assert_eq!(faults(&dead)[0].kind, FaultKind::Cooling);
    assert_eq!(kinds(&Kiln::over(16.0, vec![]).followed(None)), vec![]);
}

#[test]
fn a_door_opened_for_half_a_minute_is_no_fault_wherever_it_is_opened() {
    let doors: Vec<Trouble> = [1.2, 2.2, 3.6, 4.9, 5.0, 6.4, 8.6, 11.8, 13.0, 13.2, 13.4]
        .into_iter()
        .map(|h| Trouble::Door(h, 30.0))
        .collect();
    let events = Kiln::over(16.0, doors).followed(Some(usual()));
    assert_eq!(faults(&events), vec![]);
    let opened = events
        .iter()
        .filter(|e| matches!(e, Event::Door(d) if d.closed_at.is_none()))
        .count();
    // At 120 °C and below the air hardly dips.
    assert!((9..=11).contains(&opened), "{opened}");
}

#[test]
fn a_door_left_open_is_told_as_a_door() {
    told(
        &Kiln::over(9.5, vec![Trouble::Door(8.5, 4000.0)]),
        8.5,
        &[FaultKind::DoorOpen],
        8.0,
    );
}

#[test]
fn a_silent_sensor_in_the_night_is_told_once_and_the_burnout_is_found_again() {
    let kiln = Kiln::over(17.0, vec![Trouble::Silence(6.0, 8.0)]);
    let events = kiln.followed(Some(usual()));
    let found = faults(&events);
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(found[0].kind, FaultKind::Silent);
    assert!(found[0].told_at.seconds_since(at(6.0)) <= 330.0);
    // It was on the ramp to 730 and is on the hold there: the programme ran on.
    let last = events.iter().rev().find_map(|e| match e {
        Event::Stepped { step, .. } => Some(*step),
        _ => None,
    });
    assert_eq!(last, Some(4));
}

#[test]
fn a_silence_is_told_while_it_lasts() {
    let samples = Kiln::over(6.0, vec![]).samples();
    let mut follower = Follower::new(Setup::of("kiln-1"));
    for sample in &samples {
        follower.push(sample);
    }
    assert_eq!(follower.advance(at(6.0).plus_seconds(200.0)), vec![]);
    let told = follower.advance(at(6.0).plus_seconds(330.0));
    assert_eq!(kinds(&told), vec![FaultKind::Silent]);
    assert_eq!(follower.advance(at(7.0)), vec![]);
}

#[test]
fn a_plug_that_came_loose_is_the_probe_and_not_the_kiln() {
    for reads_c in [1372.0, 21.0] {
        let kiln = Kiln::over(16.0, vec![Trouble::Reads(8.5, 8.9, reads_c)]);
        let events = kiln.followed(Some(usual()));
        assert_eq!(kinds(&events), vec![FaultKind::Probe], "{reads_c}");
    }
    // One wild reading is nothing at all.
    let wild = Kiln::over(16.0, vec![Trouble::Reads(8.5, 8.504, 1372.0)]);
    assert_eq!(kinds(&wild.followed(Some(usual()))), vec![]);
}

#[test]
fn a_kiln_that_is_switched_off_after_the_flasks_are_out_has_not_failed() {
    let mut troubles: Vec<Trouble> = (0..5)
        .map(|i| Trouble::Door(14.0 + 0.18 * f64::from(i), 20.0))
        .collect();
    troubles.push(Trouble::Off(15.0));
    let events = Kiln::over(30.0, troubles).followed(Some(usual()));
    assert_eq!(faults(&events), vec![]);
    let ended = events.iter().any(|e| matches!(e, Event::Ended(_)));
    assert!(ended);
}

#[test]
fn a_kiln_that_dies_in_its_last_hold_before_anybody_came_is_told() {
    told(
        &Kiln::over(16.0, vec![Trouble::NoHeat(13.5)]),
        13.5,
        &[FaultKind::Cooling],
        15.0,
    );
}

#[test]
fn a_kiln_that_stays_hot_for_days_is_followed_through_load_after_load() {
    // Switched to its programme again while still warm from the day before.
    let kiln = Kiln {
        lit_h: vec![0.5, 29.0, 57.0],
        ..Kiln::over(
            84.0,
            (0..3)
                .flat_map(|d| {
                    let day = 28.3 * f64::from(d);
                    (0..4).map(move |i| Trouble::Door(14.0 + day + 0.2 * f64::from(i), 20.0))
                })
                .collect(),
        )
    };
    let events = kiln.followed(Some(usual()));
    assert!(!kinds(&events).contains(&FaultKind::Silent));
    // Hot for the whole time: one burnout, or one for each load, but never none.
    let begun = events
        .iter()
        .filter(|e| matches!(e, Event::Began { .. }))
        .count();
    assert!((1..=3).contains(&begun), "{begun}");
}

#[test]
fn a_kiln_that_was_hot_when_first_heard_is_found_at_its_next_hold() {
    let samples = Kiln::over(16.0, vec![]).samples();
    let late: Vec<Sample> = samples.into_iter().filter(|s| s.time > at(6.3)).collect();
    let events = follow(&late, Some(usual()));
    assert!(matches!(
        events[0],
        Event::Began {
            joined_late: true,
            ..
        }
    ));
    assert_eq!(kinds(&events), vec![]);
    let stepped = events.iter().any(|e| {
        matches!(
            e,
            Event::Stepped {
                step: 3,
                holding: true,
                ..
            }
        )
    });
    assert!(stepped);
}

#[test]
fn ramps_and_holds_are_found_with_no_programme_given() {
    let kiln = Kiln::over(14.0, vec![Trouble::Door(8.6, 25.0)]);
    let mut follower = Follower::new(Setup::of("kiln-1"));
    for sample in kiln.samples() {
        follower.push(&sample);
    }
    let row = follower.burnout().expect("it is hot");
    let holds: Vec<(f64, f64)> = row
        .spells
        .iter()
        .filter(|s| s.kind == SpellKind::Hold)
        .map(|s| (s.to_c.round(), s.to_at.seconds_since(s.from_at) / 60.0))
        .collect();
    let meant = [(150.0, 105.0), (370.0, 90.0), (730.0, 195.0)];
    assert_eq!(holds.len(), 4, "{holds:?}");
    for ((c, min), (meant_c, meant_min)) in holds.iter().zip(meant) {
        assert!(
            (c - meant_c).abs() <= 2.0 && (min - meant_min).abs() <= 12.0,
            "{holds:?}"
        );
    }
    assert_eq!(row.door_openings, 1);
    // Above 700 °C: the hold, and 10 min of ramp either way.
    assert!(
        (row.above_700_min - 220.0).abs() < 12.0,
        "{}",
        row.above_700_min
    );
    let offered = programme_of("seen", &row.spells).expect("four steps");
    for (step, meant) in offered.steps().iter().zip(usual().steps()) {
        assert_eq!(step.to_c, meant.to_c);
        let (a, b) = (step.ramp_k_h.unwrap_or(0.0), meant.ramp_k_h.unwrap_or(0.0));
        assert!((a - b).abs() < 25.0, "{a} {b}");
    }
}

#[test]
fn a_soak_is_what_the_flask_stood_through_and_not_what_the_card_meant() {
    let mut troubles = vec![Trouble::Door(13.5, 20.0)];
    troubles.push(Trouble::Door(13.7, 20.0));
    let kiln = Kiln::over(15.0, troubles);
    let mut courses = Courses::default();
    for sample in kiln.samples() {
        courses.push(&sample);
    }
    let row = courses.rows().remove(0);
    assert!(row.course.len() < 400, "{} corners", row.course.len());
    assert_eq!(row.doors.len(), 2);
    // The ramp down from 730 at 117 K/h, begun about 10.6 h in, is within 10 K of 555 °C
    // 85 min later, at about 12.0 h.
    let arrives_h = kiln
        .samples()
        .iter()
        .find(|s| s.time > at(11.5) && s.value <= 565.0)
        .map_or(0.0, |s| s.time.seconds_since(at(0.0)) / 3600.0);
    let soak = held(&row, 555.0, None, at(14.5)).expect("heard");
    let meant = (14.5 - arrives_h) * 60.0;
    assert!(
        (soak.within_min + soak.away_min - meant).abs() < 5.0,
        "{soak:?} {meant}"
    );
    assert!((2.0..15.0).contains(&soak.away_min), "{soak:?}");
    // A flask that went in an hour before had an hour, and was meant to have two.
    let late = held(&row, 555.0, Some(at(13.5)), at(14.5)).expect("heard");
    assert!(
        (late.within_min + late.away_min - 60.0).abs() < 1.0,
        "{late:?}"
    );
    assert!(late.is_short_of(120.0) && !late.is_short_of(60.0));
    // Passing 370 °C on the way up at night is no soak at 370 °C.
    let elsewhere = held(&row, 370.0, None, at(14.5)).expect("heard");
    assert!(elsewhere.within_min < 0.01, "{elsewhere:?}");
}

#[test]
fn a_soak_is_not_made_up_across_a_silence() {
    let kiln = Kiln::over(15.0, vec![Trouble::Silence(13.0, 13.5)]);
    let mut courses = Courses::default();
    for sample in kiln.samples() {
        courses.push(&sample);
    }
    let row = courses.rows().remove(0);
    let soak = held(&row, 555.0, None, at(14.5)).expect("heard");
    assert!((soak.within_min - 60.0).abs() < 3.0, "{soak:?}");
    assert_eq!(held(&row, 555.0, None, at(13.2)), None);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Whatever a sensor says, nothing panics and a fault is told at most once at a time.
    #[test]
    fn no_reading_upsets_the_follower(
        values in prop::collection::vec(
            prop_oneof![-300.0..2000.0_f64, Just(f64::NAN), Just(f64::INFINITY), Just(730.0)], 0..400),
        gaps in prop::collection::vec(-100_i64..4000, 400),
        door in any::<bool>(),
    ) {
        let mut follower = Follower::new(Setup { programme: Some(usual()), ..Setup::of("k") });
        let mut time = at(0.0);
        for (i, (value, gap)) in values.iter().zip(&gaps).enumerate() {
            time = Micros(time.0 + gap * Micros::PER_SECOND);
            let channel = if door && i % 5 == 0 {
                Channel::KilnDoor(0)
            } else {
                Channel::KilnTemperature(0)
            };
            follower.push(&Sample { time, channel, value: *value, quality: Quality::Good });
            follower.advance(time);
            let mut kinds = follower.now().faults;
            let all = kinds.len();
            kinds.sort_unstable();
            kinds.dedup();
            prop_assert_eq!(kinds.len(), all);
        }
        let _ = follower.burnout();
    }
}
