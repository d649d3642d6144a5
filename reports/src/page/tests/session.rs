//! The session sheet, read as a caster reads it.

use super::*;
use crate::moment::ByHand;

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
    // A command's words stand in boxes of their own.
    let html = html.replace("<span>", "").replace("</span>", "");
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
