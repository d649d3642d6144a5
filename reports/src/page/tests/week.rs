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
    let html = plain(&html);
    for says in [
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

/// Every part of the report, in the order in which a caster needs them.
const PARTS: [&str; 20] = [
    "todo",
    "answers",
    "figures",
    "bad",
    "waiting",
    "temperature",
    "effects",
    "kinds",
    "both",
    "seals",
    "since",
    "helped",
    "watching",
    "gas",
    "parts",
    "pours",
    "flasks",
    "trouble",
    "method",
    "cautions",
];

#[test]
fn sections_come_in_the_order_in_which_a_caster_needs_them() {
    for full in [false, true] {
        let mut w = week(flasks(12, 10), Scheme::Metric);
        if full {
            w = with_everything(w, "bench-1");
        }
        let html = render_week(&w).unwrap();
        check_page(&html);
        let places: Vec<usize> = PARTS
            .iter()
            .map(|id| html.find(&format!("<section id=\"{id}\"")).unwrap())
            .collect();
        assert!(places.windows(2).all(|w| w[0] < w[1]), "{places:?}");
    }
}

/// The text of one part, as a reader reads it.
fn part(html: &str, id: &str) -> String {
    let from = html.find(&format!("<section id=\"{id}\"")).unwrap();
    plain(html[from..].split("</section>").next().unwrap())
}

/// Markup as a reader reads it.
fn plain(part: &str) -> String {
    let mut text = String::new();
    let mut within = false;
    for c in part.chars() {
        match c {
            '<' => within = true,
            '>' => {
                within = false;
                text.push(' ');
            }
            c if !within => text.push(if c == '\u{a0}' { ' ' } else { c }),
            _ => {}
        }
    }
    let words: Vec<&str> = text.split_whitespace().collect();
    words
        .join(" ")
        .replace("&quot;", "\"")
        .replace("&#x2f;", "/")
}

#[test]
fn every_part_of_an_empty_book_says_what_is_missing_or_that_nothing_was() {
    let mut empty = week(vec![], Scheme::Metric);
    empty.facts.book_option = "--book /tmp/book".to_owned();
    empty.machines = vec![Machine {
        name: "bench-1".to_owned(),
        senses: vec![],
    }];
    let html = render_week(&empty).unwrap();
    check_page(&html);
    for (id, says) in [
        (
            "answers",
            "pourbook record flask --book /tmp/book --label A",
        ),
        ("figures", "No flask was poured this week."),
        ("bad", "No flask was poured this week."),
        ("waiting", "No flask was poured this week."),
        ("temperature", "Nothing can be drawn yet"),
        ("effects", "no setting can be weighed against another"),
        ("kinds", "--kind no-fill=1 --kind gas-porosity=1"),
        ("both", "pourbook.toml"),
        ("seals", "[machine.channels.vacuum]"),
        ("since", "no week before to compare with"),
        ("helped", "No target and no part was changed"),
        ("watching", "[[target]]"),
        ("gas", "[machine.channels.gas_flow]"),
        ("parts", "pourbook record part gasket --book /tmp/book"),
        ("pours", "pourbook check"),
        (
            "flasks",
            "pourbook import castings --book /tmp/book FILE.csv",
        ),
        ("trouble", "Nothing was wrong with the data this week."),
        ("method", "A flask counts once"),
    ] {
        let text = part(&html, id);
        assert!(text.contains(says), "{id} says: {text}");
    }
}

#[test]
fn a_full_week_says_what_each_part_is_for() {
    let w = with_everything(week(flasks(26, 10), Scheme::Metric), "bench-1");
    let html = render_week(&w).unwrap();
    check_page(&html);
    for (id, says) in [
        (
            "answers",
            "A trial runs, 980 °C against 965 °C by lot: 12 of 40 flasks counted, 2 more have their lots.",
        ),
        (
            "seals",
            "2 pulls this week, all of which ended in a pour. One was weak or missing.",
        ),
        (
            "seals",
            "Change the gasket: its pulls fade: the last five settled at 84 % of what the air allows, against 91 % when it was new.",
        ),
        (
            "since",
            "on 17 Nov you changed the target from 968 °C to 962 °C",
        ),
        ("since", "bench-1: new gasket on 16 Nov."),
        (
            "helped",
            "Whether 962 °C for sterling-925, medium in place of 968 (17 Nov), the new gasket (16 Nov) and the new crucible (7 Nov) helped cannot be said yet",
        ),
        ("gas", "300 L of cover gas went out this week"),
        (
            "gas",
            "The cylinder has about 900 L left, which is about 7 days at this use",
        ),
        ("parts", "crucible"),
    ] {
        let text = part(&html, id);
        assert!(text.contains(says), "{id} says: {text}");
    }
    let todo: Vec<String> = todo::three(&Sorted::new(&w).unwrap())
        .into_iter()
        .map(|t| t.what)
        .collect();
    assert_eq!(
        todo,
        [
            "Change the gasket of bench-1",
            "Have a full gas cylinder ready for bench-1",
            "Count A258 and A259"
        ]
    );
}

#[test]
fn answer_to_do_and_curve_tell_one_story() {
    // Every flask comes 8 K above what was meant for it; nothing else differs.
    let mut all = flasks(26, 10);
    for f in &mut all {
        f.target_c = f.pour_temperature_c.map(|c| c - 8.0);
    }
    let html = render_week(&week(all.clone(), Scheme::Metric)).unwrap();
    let w = week(all, Scheme::Metric);
    let aim = w.evidence.strata[0].advice.aim.clone().unwrap();
    let answers = part(&html, "answers");
    let (usual, target) = (aim.usual_c, aim.target_c);
    let verdict =
        format!("Keep to {usual:.0} °C Your target says {target:.0} °C: make card and pour agree.");
    assert!(answers.contains(&verdict), "{answers}");
    // In full once, and at the curve in a few words.
    let curve = part(&html, "temperature");
    let short = format!("Keep to {usual:.0} °C (weak evidence).");
    assert!(curve.contains(&short), "{curve}");
    for id in ["todo", "answers"] {
        let text = part(&html, id);
        assert!(text.contains(&aim.sentence), "{id}: {text}");
        assert!(!text.contains("Keep to your usual"), "{id}: {text}");
        assert!(!text.contains("set point"), "{id}: {text}");
    }
}

#[test]
fn weeks_that_a_young_book_does_not_know_are_not_averaged_over() {
    let html = render_week(&week(flasks(3, 10), Scheme::Metric)).unwrap();
    let text = part(&html, "figures");
    assert!(text.contains("in the two weeks before"), "{text}");
    assert!(text.contains("flasks poured 10 10.0 a week"), "{text}");
    let html = render_week(&week(flasks(1, 10), Scheme::Metric)).unwrap();
    let text = part(&html, "figures");
    assert!(
        !text.contains("a week") && !text.contains("before"),
        "{text}"
    );
}

#[test]
fn grams_lost_are_the_share_of_each_charge_that_its_bad_pieces_are() {
    let mut all = flasks(1, 4);
    for (f, bad) in all.iter_mut().zip([5, 0, 10, 0]) {
        (f.pieces, f.defective, f.metal_g) = (Some(20), Some(bad), Some(200.0));
    }
    all[3].metal_g = None;
    let html = render_week(&week(all, Scheme::Metric)).unwrap();
    // 200 g × 5/20 + 200 g × 10/20.
    let text = part(&html, "figures");
    assert!(
        text.contains("About 150 g of metal, sprue included, went into them"),
        "{text}"
    );
}

#[test]
fn a_long_list_names_some_and_counts_the_rest() {
    let mut all = flasks(1, 40);
    for f in &mut all {
        f.pieces = None;
    }
    let html = render_week(&week(all, Scheme::Metric)).unwrap();
    assert!(part(&html, "waiting").contains("and 28 more"));
    assert!(part(&html, "todo").contains("Count A0, A1, A2, A3, A4 and 35 more"));
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
            .starts_with("2 of 10 flasks poured this week have not been counted.")
    );
    assert!(todo.len() <= 3);
}

#[test]
fn an_american_book_is_read_in_fahrenheit_and_inches() {
    let mut w = with_everything(week(flasks(26, 10), Scheme::Us), "bench-1");
    w.facts.seals.clear();
    let html = render_week(&w).unwrap();
    check_page(&html);
    assert!(html.contains("°F") && html.contains("inHg"));
    // A trial of 15 K is one of 27 °F: 1796 against 1769.
    let text = part(&html, "answers");
    assert!(text.contains("1796 °F against 1769 °F by lot"), "{text}");
    // 61 kPa below ambient are 18.0 inHg (ISO 80000-4 by NIST SP 811: 3.386 389 kPa each).
    let text = part(&html, "todo");
    assert!(text.contains("18.0 inHg"), "{text}");
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
    let w = with_everything(week(flasks(260, 12), Scheme::Metric), "bench-1");
    check_page(&render_week(&w).unwrap());
}
