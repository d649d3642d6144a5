//! Whole pages: that they hold together, say what is missing, and that nothing a person typed
//! can break them.

use std::collections::{BTreeMap, BTreeSet};

use analysis::alloy::Alloys;
use analysis::channel::Channel;
use analysis::defect::DefectKinds;
use analysis::evidence::{Question, evidence};
use analysis::flask::Flask;
use analysis::pour::assemble::bare_pour;
use analysis::pour::{FoundBy, PourRow, PullRow, Verdict};
use analysis::time::Micros;
use analysis::units::{Scheme, ShownIn};
use jiff::tz::TimeZone;

use super::*;
use crate::moment::ByHand;
use crate::session_trace::{SessionTrace, StageSpan};

/// Markup, quotes, a template tag, reading-direction marks, a picture, a control character.
const HOSTILE: &str =
    "<script>alert('x')</script>\"'`{{ css }}{% raw %}\u{202e}\u{2066}\u{0}\u{1f525}&amp;--><!--";

fn at(text: &str) -> Micros {
    Micros::parse_rfc3339(text).unwrap()
}

fn shop(scheme: Scheme) -> Shop {
    Shop {
        name: "Larkfield bench".to_owned(),
        zone: TimeZone::get("Europe/Dublin").unwrap(),
        shown: ShownIn::from(scheme),
        invented: true,
    }
}

fn flask(n: u32, cast_at: Micros, defective: Option<u32>) -> Flask {
    Flask {
        id: format!("f{n}"),
        label: format!("A{n}"),
        session: format!("s{}", n / 4),
        machine: "bench-1".to_owned(),
        cast_at,
        alloy: Some("sterling-925".to_owned()),
        section: Some("medium".to_owned()),
        pattern: Some("leaf ring".to_owned()),
        pieces: defective.map(|_| 20),
        defective,
        defective_steering: defective,
        kinds: defective
            .map(|d| BTreeMap::from([("no-fill".to_owned(), d)]))
            .unwrap_or_default(),
        pour_temperature_c: Some(950.0 + f64::from(n % 31)),
        flask_temperature_c: Some(540.0 + f64::from(n % 23)),
        vacuum_kpa: Some(82.0 + f64::from(n % 5)),
        gas_flow_l_min: Some(4.0),
        metal_g: Some(180.0),
        ..Flask::default()
    }
}

/// Flasks over weeks up to and including week 47 of 2026, the last two of them not counted.
fn flasks(weeks: u32, per_week: u32) -> Vec<Flask> {
    let monday = at("2026-11-16T10:00:00Z");
    let n = weeks * per_week;
    (0..n)
        .map(|i| {
            let (week, k) = (i / per_week, i % per_week);
            let t = monday
                .plus_seconds(-604_800.0 * f64::from(weeks - 1 - week) + 6000.0 * f64::from(k));
            flask(i, t, (i + 2 < n).then_some(i % 4))
        })
        .collect()
}

fn week(flasks: Vec<Flask>, scheme: Scheme) -> Week {
    let ask = Question {
        shown_in: ShownIn::from(scheme),
        ..Question::default()
    };
    Week {
        shop: shop(scheme),
        year: 2026,
        week: 47,
        made_at: at("2026-11-23T06:00:00Z"),
        version: "0.1.0".to_owned(),
        evidence: evidence(&flasks, &ask),
        flasks,
        pours: vec![],
        pulls: vec![],
        kinds: DefectKinds::standard(),
        alloys: Alloys::default(),
        machines: vec![],
        parts: vec![],
        troubles: vec![],
        sheets: vec![],
    }
}

fn pull(machine: &str, verdict: Verdict, depth: f64) -> PullRow {
    PullRow {
        session: "s".to_owned(),
        machine: machine.to_owned(),
        opened_at: at("2026-11-18T10:00:00Z"),
        closed_at: None,
        depth_kpa: Some(depth),
        share: None,
        settled_kpa: None,
        settled_se_kpa: None,
        rest_kpa: None,
        time_to_90_s: Some(f64::NAN),
        tau_s: None,
        tau_se_s: None,
        end_kpa: None,
        end_se_kpa: None,
        loss_kpa_min: None,
        loss_se_kpa_min: None,
        verdict,
        poured: true,
    }
}

fn pour(number: u32, time: Micros) -> PourRow {
    PourRow {
        number,
        confidence: 0.9,
        flask: Some("card".to_owned()),
        pour_temperature_c: Some(960.0),
        target_c: Some(968.0),
        heating_rate_k_s: Some(0.1),
        vacuum_kpa: Some(84.0),
        quality: vec!["gap-before-pour".to_owned()],
        ..bare_pour("s", "bench-1", time, FoundBy::Trace)
    }
}

fn session() -> SessionSheet {
    let opened = at("2026-11-18T09:12:00Z");
    let reading = |i: u32| opened.plus_seconds(f64::from(i));
    SessionSheet {
        shop: shop(Scheme::Metric),
        session: "2026-11-18T0912-bench-1".to_owned(),
        machine: "bench-1".to_owned(),
        opened_at: opened,
        closed_at: Some(reading(3600)),
        made_at: reading(3700),
        version: "0.1.0".to_owned(),
        trace: SessionTrace {
            melt_c: (0..3600)
                .map(|i| (reading(i), 900.0 + f64::from(i % 80)))
                .collect(),
            vacuum_kpa: (0..3600).map(|i| (reading(i), f64::from(i % 90))).collect(),
            gas_l_min: vec![],
            kilns_c: vec![(
                "kiln-1".to_owned(),
                (0..60)
                    .map(|i| {
                        (
                            reading(0).plus_seconds(f64::from(i) * 600.0 - 32_400.0),
                            555.0,
                        )
                    })
                    .collect(),
            )],
            stages: vec![StageSpan {
                name: "molten".to_owned(),
                from: opened,
                until: reading(3600),
            }],
        },
        nights: vec![],
        gas: None,
        pours: vec![pour(1, reading(1800))],
        pulls: vec![pull("bench-1", Verdict::Good, 84.0)],
        labels: BTreeMap::from([("card".to_owned(), "A1".to_owned())]),
        by_hand: vec![],
        correct_with: "pourbook record pour --session 2026-11-18T0912-bench-1".to_owned(),
        flasks_cast: 1,
        troubles: vec![],
    }
}

#[test]
fn a_sheet_says_what_the_bench_went_through_and_what_is_set_aside() {
    let mut sheet = session();
    let pour = &mut sheet.pours[0];
    pour.parts.crucible_age_pours = Some(57);
    pour.parts.cylinder_left_l = Some(2056.0);
    pour.faults = vec!["weak-pull".to_owned(), "long-out-of-kiln".to_owned()];
    pour.quality = vec!["weak-pull".to_owned()];
    sheet.gas = Some(GasLeft {
        used_l: 243.0,
        left_l: Some(2016.0),
        unsure_l: 12.0,
        lasts: analysis::gas::cylinder::lasts(1900.0, 9_500.0, 50.0, 4.0),
        room_m3: Some(20.0),
        emptied: analysis::gas::room::if_emptied(2016.0, 20.0),
        deficient_h: None,
    });
    let page = render_session(&sheet).unwrap().replace('\u{a0}', " ");
    for text in [
        "Pour 1 is set aside and steers no advice: the pull was weak and the flask was too long \
         out of the kiln.",
        "crucible, pours",
        "gas left in the cylinder [L]",
        "give or take 12 L while the sensor was silent",
        "about 5 days at the use of the last weeks, or 10 h of casting",
        "would leave 18.8 % oxygen",
        "trust an oxygen monitor and not this figure",
    ] {
        assert!(page.contains(text), "{text}");
    }
    assert!(!page.contains("Pour 1: weak pull"), "it is said once");
    // Nothing on record of parts or gas: no empty section.
    let bare = render_session(&session()).unwrap();
    assert!(!bare.contains("id=\"bench\"") && !bare.contains("id=\"burnout\""));
}

#[test]
fn a_session_known_from_paper_says_what_was_cast() {
    let mut sheet = session();
    sheet.closed_at = Some(sheet.opened_at);
    sheet.trace = SessionTrace::default();
    (sheet.pours, sheet.pulls) = (vec![], vec![]);
    sheet.flasks_cast = 2;
    assert_eq!(
        sheet.sentence(),
        "2 flasks cast, from records on paper; no readings."
    );
    let html = render_session(&sheet).unwrap();
    assert!(!html.contains("09:12 to 09:12") && !html.contains("No pour,"));
}

#[test]
fn a_sentence_counts_as_people_speak() {
    let mut sheet = session();
    let second = pour(2, sheet.opened_at.plus_seconds(2400.0));
    sheet.pours.push(second);
    let low = sheet.pours[0].pour_temperature_c;
    sheet.pours[1].pour_temperature_c = low;
    sheet.pulls.clear();
    let text = sheet.sentence();
    assert!(
        text.starts_with("2 pours at ") && !text.contains(" to "),
        "{text}"
    );
    assert!(text.ends_with(", no pull."), "{text}");
    sheet.pours.clear();
    assert_eq!(sheet.sentence(), "No pour and no pull.");
}

/// What every page must be, whatever is in it.
fn check_page(html: &str) {
    assert!(html.starts_with("<!DOCTYPE html>\n<html lang=\"en\">"));
    assert!(html.len() < 1_000_000, "{} bytes", html.len());
    let text = html.replace("http://www.w3.org/2000/svg", "");
    for wrong in [
        "NaN",
        "inf ",
        "undefined",
        "<script",
        "http://",
        "https://",
        "<!--",
    ] {
        let before = text.split(wrong).next().unwrap();
        assert!(
            before.len() == text.len(),
            "{wrong} after {}",
            before.chars().rev().take(80).collect::<String>()
        );
    }
    assert!(
        !html
            .chars()
            .any(|c| matches!(c, '\u{202e}' | '\u{2066}' | '\u{0}'))
    );
    let mut ids = BTreeSet::new();
    for part in html.split(" id=\"").skip(1) {
        let id = part.split('"').next().unwrap();
        assert!(ids.insert(id.to_owned()), "the id {id} is there twice");
    }
    for svg in html.split("<svg ").skip(1) {
        let svg = format!("<svg {}</svg>", svg.split("</svg>").next().unwrap());
        let doc = roxmltree::Document::parse(&svg).unwrap();
        let root = doc.root_element();
        assert_eq!(root.attribute("role"), Some("img"));
        let named = root.attribute("aria-labelledby").unwrap();
        for id in named.split(' ') {
            let text = doc
                .descendants()
                .find(|n| n.attribute("id") == Some(id))
                .unwrap();
            assert!(text.text().is_some_and(|t| !t.is_empty()));
        }
        check_text_inside(&doc);
    }
    // Every element that was opened is closed, in order: the page without its drawings and
    // empty elements reads as XML.
    let body = &html[html.find("<body>").unwrap()..];
    let body = body.split("</html>").next().unwrap();
    let body = body.replace(" scope=row", "").replace("&nbsp;", " ");
    roxmltree::Document::parse(&body).unwrap();
}

/// No text of a chart reaches over its edge.
fn check_text_inside(doc: &roxmltree::Document<'_>) {
    let root = doc.root_element();
    let view: Vec<f64> = root
        .attribute("viewBox")
        .unwrap()
        .split(' ')
        .map(|v| v.parse().unwrap())
        .collect();
    for text in doc.descendants().filter(|n| n.has_tag_name("text")) {
        let number = |name: &str| text.attribute(name).unwrap().parse::<f64>().unwrap();
        let size = number("font-size");
        assert!(size >= 12.0);
        let width = crate::chart::text_width::width(text.text().unwrap_or(""), size);
        let left = match text.attribute("text-anchor") {
            Some("middle") => number("x") - width / 2.0,
            Some("end") => number("x") - width,
            _ => number("x"),
        };
        let right = left + width;
        assert!(
            left >= -0.5 && right <= view[2] + 0.5,
            "\"{}\" reaches from {left} to {right} of {}",
            text.text().unwrap_or(""),
            view[2]
        );
        assert!(number("y") <= view[3]);
    }
}

#[test]
fn every_template_loads_and_none_lets_markup_through() {
    let env = environment().unwrap();
    for (name, source) in TEMPLATES {
        env.get_template(name).unwrap();
        for way_round in ["|safe", "| safe", "autoescape"] {
            assert!(!source.contains(way_round), "{name} has {way_round}");
        }
    }
}

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
    let sorted = super::week::Sorted::new(&w).unwrap();
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
    let sorted = super::week::Sorted::new(&w).unwrap();
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
fn whatever_a_person_types_shows_as_text() {
    let long = format!("{HOSTILE}{}", "ß𝔘n".repeat(3500));
    for typed in [HOSTILE, &long, "", "\u{5e9}\u{5dc}\u{5d5}\u{5dd} 3"] {
        let mut all = flasks(10, 8);
        for f in &mut all {
            f.label = typed.to_owned();
            f.pattern = Some(typed.to_owned());
            f.alloy = Some(typed.to_owned());
            f.section = Some(typed.to_owned());
            f.kinds.insert(typed.to_owned(), 1);
        }
        all[3].set_aside = Some(analysis::flask::Aside::new("other", typed));
        let mut w = week(all, Scheme::Metric);
        w.shop.name = typed.to_owned();
        w.pulls = vec![pull(typed, Verdict::Missing, 3.0)];
        w.machines = vec![Machine {
            name: typed.to_owned(),
            senses: vec![Channel::Vacuum],
        }];
        w.parts = vec![Part {
            machine: typed.to_owned(),
            kind: typed.to_owned(),
            changed_at: at("2026-10-01T00:00:00Z"),
            pours_since: None,
            note: Some(typed.to_owned()),
        }];
        w.troubles = vec![Trouble {
            at: typed.to_owned(),
            what: typed.to_owned(),
            times: 2,
            mend: Some(typed.to_owned()),
        }];
        w.sheets = vec![(typed.to_owned(), "javascript:alert(1)".to_owned())];
        let html = render_week(&w).unwrap();
        check_page(&html);
        assert!(!html.contains("javascript:"));

        let mut s = session();
        s.session = typed.to_owned();
        s.machine = typed.to_owned();
        s.labels = BTreeMap::from([("card".to_owned(), typed.to_owned())]);
        s.trace.stages[0].name = typed.to_owned();
        s.pours[0].quality = vec![typed.to_owned()];
        s.pulls[0].machine = typed.to_owned();
        check_page(&render_session(&s).unwrap());

        let entry = Entry {
            name: typed.to_owned(),
            href: typed.to_owned(),
            sentences: vec![typed.chars().take(2000).collect()],
        };
        check_page(
            &render_index(&Index {
                shop: w.shop.clone(),
                weeks: vec![entry.clone()],
                sessions: vec![entry],
            })
            .unwrap(),
        );
    }
}

#[test]
fn a_session_sheet_shows_the_day_and_each_pour_and_what_was_not_heard() {
    let html = render_session(&session()).unwrap();
    check_page(&html);
    // The day, wide and narrow, and one close-up.
    assert_eq!(html.matches("<svg ").count(), 3);
    for says in [
        "Pour 1, 09:42:00, flask A1",
        "Not heard in this session: cover gas.",
        "readings missing just before the pour",
        "1 pour at 960",
        "below the target",
    ] {
        assert!(html.contains(says), "{says}");
    }
    let mut silent = session();
    silent.trace = SessionTrace::default();
    silent.pours.clear();
    silent.pulls.clear();
    silent.closed_at = None;
    let html = render_session(&silent).unwrap();
    check_page(&html);
    assert!(html.contains("This session has no readings") && html.contains("still open"));
}

#[test]
fn a_session_sheet_says_what_the_detector_said_and_how_to_put_it_right() {
    let found = |minutes: f64, confidence| PourRow {
        confidence,
        ..pour(1, at("2026-11-18T09:12:00Z").plus_seconds(60.0 * minutes))
    };
    let said = |to: Option<f64>, found| ByHand {
        at: to.map(|m| at("2026-11-18T09:12:00Z").plus_seconds(60.0 * m)),
        found,
        said_at: at("2026-11-19T08:00:00Z"),
        note: Some(HOSTILE.to_owned()),
    };
    let mut sheet = session();
    sheet.pours = [(10.0, 0.97), (20.0, 0.41), (30.0, 1.0)]
        .iter()
        .zip(1..)
        .map(|((minutes, confidence), number)| PourRow {
            number,
            ..found(*minutes, *confidence)
        })
        .collect();
    sheet.by_hand = vec![
        said(Some(30.0), Some(found(30.5, 0.62))),
        said(None, Some(found(40.0, 0.55))),
    ];
    sheet.pulls[0].poured = false;
    let html = render_session(&sheet).unwrap();
    check_page(&html);
    for says in [
        "kiln-1, °C",
        "Found by the trace, 97\u{a0}% sure.",
        "The trace cannot tell (41\u{a0}% sure)",
        "the trace cannot tell; look and correct",
        "the detector had it at 09:42:30",
        "No metal left here: said by hand",
        "3 pours at",
        "called off",
        "--session 2026-11-18T0912-bench-1 --at 09:32:00</code>",
        "--at 09:32:00 --none</code>",
        "--at 09:42:00 --undo</code>",
        "--at 09:52:00 --undo</code>",
    ] {
        assert!(html.contains(says), "{says}");
    }
}

#[test]
fn an_index_links_its_reports_newest_first() {
    let entry = |name: &str| Entry {
        name: name.to_owned(),
        href: format!("{name}.html"),
        sentences: vec!["Keep on.".to_owned()],
    };
    let html = render_index(&Index {
        shop: shop(Scheme::Metric),
        weeks: vec![entry("2026-W46"), entry("2026-W47")],
        sessions: vec![],
    })
    .unwrap();
    check_page(&html);
    assert!(html.find("2026-W47.html").unwrap() < html.find("2026-W46.html").unwrap());
    assert!(html.contains("No session has been closed yet"));
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
    let (from, until) = super::week::bounds(2026, 43, &zone).unwrap();
    assert_eq!(until.seconds_since(from), 169.0 * 3600.0);
    // ISO 8601: the week of 1 January 2027, a Friday, is the 53rd of 2026.
    let (from, _) = super::week::bounds(2026, 53, &zone).unwrap();
    assert_eq!(from, at("2026-12-28T00:00:00Z"));
}

#[test]
fn the_report_of_a_five_year_book_stays_under_a_megabyte() {
    check_page(&render_week(&week(flasks(260, 12), Scheme::Metric)).unwrap());
}
