//! The weekly report, read as a caster reads it.

use super::*;
use crate::page::week::{Sorted, bounds, todo};

#[test]
fn the_first_week_of_a_shop_says_what_is_missing_and_how_to_supply_it() {
    let mut empty = week(vec![], Scheme::Metric);
    empty.machines = vec![Machine {
        name: "bench-1".to_owned(),
        senses: vec![],
    }];
    let html = render_week(&empty).unwrap();
    check_page(&html);
    for says in [
        "One thing to do",
        "Give the bench a sensor for melt temperature, vacuum, kiln temperature and cover gas",
        "pourbook record inspection",
        "[machine.channels.vacuum]",
        "pourbook record part",
        "An invented shop",
        "never charge damp metal",
        "not an interlock",
    ] {
        assert!(html.contains(says), "{says}");
    }
}

#[test]
fn sections_come_in_the_order_in_which_a_caster_needs_them() {
    let html = render_week(&week(flasks(12, 10), Scheme::Metric)).unwrap();
    check_page(&html);
    let order = [
        "todo", "answers", "figures", "bad", "waiting", "settings", "kinds", "pulls", "parts",
        "flasks", "trouble", "method", "cautions",
    ];
    let places: Vec<usize> = order
        .iter()
        .map(|id| html.find(&format!("<section id=\"{id}\"")).unwrap())
        .collect();
    assert!(places.windows(2).all(|w| w[0] < w[1]), "{places:?}");
    // Three settings of one alloy and section, and the kinds.
    assert_eq!(html.matches("<svg ").count(), 4);
    assert!(html.contains("usual 9"));
}

#[test]
fn the_weak_seal_comes_before_the_uncounted_flasks() {
    let mut w = week(flasks(3, 10), Scheme::Metric);
    w.pulls = vec![
        pull("bench-1", Verdict::Good, 85.0),
        pull("bench-1", Verdict::Weak, 61.0),
    ];
    let sorted = Sorted::new(&w).unwrap();
    let todo = todo::three(&sorted);
    assert_eq!(
        todo[0].what,
        "Look at the gasket of bench-1 and how the flask sat on it"
    );
    assert_eq!(
        todo[0].why,
        "1 of 2 pulls this week was weak or missing (least 610 mbar, good pulls 850 mbar below air)."
    );
    assert_eq!(todo[1].what, "Count A28 and A29");
    assert!(
        todo[1]
            .why
            .starts_with("2 of 10 flasks poured this week have not been inspected.")
    );
    assert!(todo.len() <= 3);
}

#[test]
fn pours_to_one_side_of_their_target_are_said() {
    let mut w = week(vec![], Scheme::Us);
    w.pours = (1..=4)
        .map(|n| pour(n, at("2026-11-18T10:00:00Z")))
        .collect();
    let sorted = Sorted::new(&w).unwrap();
    let todo = todo::three(&sorted);
    // 8 K is 14.4 °F; as a difference it never has 32 added.
    assert_eq!(
        todo[0].why,
        "4 pours of the week lay 14 °F below their targets on average."
    );
}

#[test]
fn an_american_book_is_read_in_fahrenheit_and_inches() {
    let html = render_week(&week(flasks(12, 10), Scheme::Us)).unwrap();
    check_page(&html);
    assert!(html.contains("°F") && html.contains("inHg"));
    assert!(!html.contains("°C") && !html.contains("mbar"));
}

#[test]
fn a_week_of_no_calendar_is_refused_and_one_with_a_clock_change_is_an_hour_longer() {
    let mut w = week(vec![], Scheme::Metric);
    w.week = 54;
    assert_eq!(
        render_week(&w).unwrap_err().to_string(),
        "2026-W54 is no ISO 8601 week; years run from 0 to 9999 and weeks from 1 to 52 or 53"
    );
    let zone = shop(Scheme::Metric).zone;
    // Irish clocks go back on Sunday 25 October 2026 (last Sunday of October, S.I. of the EU
    // summer-time directive 2000/84/EC).
    let (from, until) = bounds(2026, 43, &zone).unwrap();
    assert_eq!(until.seconds_since(from), 169.0 * 3600.0);
    // ISO 8601: the week of 1 January 2027, a Friday, is the 53rd of 2026.
    let (from, _) = bounds(2026, 53, &zone).unwrap();
    assert_eq!(from, at("2026-12-28T00:00:00Z"));
}

#[test]
fn the_report_of_a_five_year_book_stays_under_a_megabyte() {
    check_page(&render_week(&week(flasks(260, 12), Scheme::Metric)).unwrap());
}
