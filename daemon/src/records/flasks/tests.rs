//! Cards as they are written, looked up and refused.
#![allow(clippy::unwrap_used)]

use super::*;
use crate::records::book::test_setup;
use crate::records::words::{AddedBy, MadeOf};

const NOW: Micros = Micros(1_795_000_000_000_000);

fn day(text: &str) -> Date {
    text.parse().unwrap()
}

fn bench() -> Records {
    let mut records = Records::in_memory(&test_setup()).unwrap();
    for machine in ["bench-1", "bench-2"] {
        records
            .add_machine(machine, AddedBy::Configuration, NOW)
            .unwrap();
    }
    records
}

#[test]
fn a_card_comes_back_as_it_was_written() {
    let mut records = bench();
    let mut card = FlaskCard::new("F12", day("2026-11-18"));
    card.machine = Some("bench-1".into());
    card.casting_order = Some(2);
    card.alloy = Some("sterling-925".into());
    card.metal_g = Some(182.5);
    card.kiln_in_at = Some(NOW);
    card.lines = vec![
        FlaskLine {
            pattern: Some("leaf ring".into()),
            section: Some("thin".into()),
            pieces: Some(12),
            made_of: Some(MadeOf::Wax),
            ..FlaskLine::default()
        },
        FlaskLine {
            section: Some("heavy".into()),
            ..FlaskLine::default()
        },
    ];
    let id = records.add_flask(&card, NOW).unwrap();
    assert_eq!(records.flask(id).unwrap().card, card);
    assert_eq!(card.section(), Some("mixed"));

    card.note = Some("second thought".into());
    card.lines.pop();
    records.update_flask(id, &card).unwrap();
    assert_eq!(records.flask(id).unwrap().card, card);
    assert_eq!(card.section(), Some("thin"));
}

#[test]
fn a_wrong_field_is_named_and_nothing_is_written() {
    let mut records = bench();
    let good = FlaskCard::new("F1", day("2026-11-18"));
    type Spoil = fn(&mut FlaskCard);
    let cases: [(&str, Spoil); 10] = [
        (
            "kiln_set_c: 9999 °C is hotter than anything is poured (platinum melts at 1768 °C; \
             at most 2000 °C is taken); is the unit right?",
            |c| c.kiln_set_c = Some(9999.0),
        ),
        ("label: must not be empty", |c| c.label = "  ".into()),
        ("metal_g: -2 must be more than 0", |c| {
            c.metal_g = Some(-2.0)
        }),
        ("remelt_percent: 120 is not between 0 and 100 %", |c| {
            c.remelt_percent = Some(120.0);
        }),
        (
            "kiln_set_c: -300 °C is below absolute zero (-273.15 °C)",
            |c| {
                c.kiln_set_c = Some(-300.0);
            },
        ),
        ("kiln_out_at: is before the flask went into the kiln", |c| {
            c.kiln_in_at = Some(Micros(2));
            c.kiln_out_at = Some(Micros(1));
        }),
        ("casting_order: counts from 1", |c| {
            c.casting_order = Some(0)
        }),
        (
            "pieces: 0 pieces; leave it out while it is not known",
            |c| {
                c.lines[0].pieces = Some(0);
            },
        ),
        ("there is no machine \"bench-7\"", |c| {
            c.machine = Some("bench-7".into());
        }),
        (
            "lines: a flask has at least one line; give its pieces",
            |c| c.lines.clear(),
        ),
    ];
    for (message, spoil) in cases {
        let mut card = good.clone();
        spoil(&mut card);
        assert_eq!(
            records.add_flask(&card, NOW).unwrap_err().to_string(),
            message
        );
    }
    assert!(records.flasks_of_day(day("2026-11-18")).unwrap().is_empty());
}

/// Pours a flask, as far as the records know.
fn pour(records: &mut Records, flask: Uuid, at: Micros) {
    use analysis::pour::assemble::bare_pour;
    use analysis::pour::rows::FoundBy;
    let session = Uuid::new_v4();
    let name = format!("{}-bench-1", at.0);
    records
        .open_session(&crate::records::sessions::NewSession {
            id: session,
            name: name.clone(),
            machine: "bench-1".into(),
            opened_at: at,
            kilns: Vec::new(),
        })
        .unwrap();
    let row = bare_pour(&name, "bench-1", at, FoundBy::Trace);
    let pours = records
        .replace_extraction(session, &[], &[row], "test", at)
        .unwrap();
    records.match_pour(pours[0], flask, at).unwrap();
}

#[test]
fn a_label_means_the_last_flask_poured_unless_a_day_is_given() {
    let mut records = bench();
    let today = day("2026-11-18");
    let cards = ["2026-11-11", "2026-11-18", "2026-11-19"].map(|d| {
        records
            .add_flask(&FlaskCard::new("A", day(d)), NOW)
            .unwrap()
    });
    let error = records.find_flask("A", None, today).unwrap_err();
    assert_eq!(
        error.to_string(),
        "no flask \"A\" is known to be poured; say which is meant with --day \
         (2026-11-11, 2026-11-18, 2026-11-19)"
    );
    pour(&mut records, cards[0], NOW);
    assert_eq!(records.find_flask("A", None, today).unwrap(), cards[0]);
    pour(&mut records, cards[1], NOW.plus_seconds(3600.0));
    assert_eq!(
        records.find_flask("A", None, today).unwrap(),
        cards[1],
        "not the card of tomorrow"
    );
    assert_eq!(
        records
            .find_flask("A", Some(day("2026-11-19")), today)
            .unwrap(),
        cards[2],
        "unless it is asked for"
    );
}

#[test]
fn of_a_label_used_every_day_the_last_days_are_offered() {
    let mut records = bench();
    for n in 1..=9 {
        records
            .add_flask(&FlaskCard::new("A", Date::constant(2026, 11, n)), NOW)
            .unwrap();
    }
    let error = records
        .find_flask("A", None, day("2026-11-18"))
        .unwrap_err()
        .to_string();
    assert!(
        error.ends_with(
            "(2026-11-05, 2026-11-06, 2026-11-07, 2026-11-08, 2026-11-09 and 4 earlier)"
        ),
        "{error}"
    );
}

#[test]
fn an_only_card_will_do_unless_its_day_is_still_to_come() {
    let mut records = bench();
    let card = records
        .add_flask(&FlaskCard::new("A", day("2026-11-18")), NOW)
        .unwrap();
    let find = |today| records.find_flask("A", None, day(today));
    assert_eq!(find("2026-11-18").unwrap(), card);
    assert!(find("2026-11-17").is_err());
}

#[test]
fn a_label_of_a_day_is_the_card_of_that_day() {
    let mut records = bench();
    let today = day("2026-11-18");
    let old = records
        .add_flask(&FlaskCard::new("A", day("2026-11-11")), NOW)
        .unwrap();
    let new = records
        .add_flask(&FlaskCard::new("A", day("2026-11-18")), NOW)
        .unwrap();
    let on = |d: &str| records.find_flask("A", Some(day(d)), today);
    assert_eq!(on("2026-11-18").unwrap(), new);
    assert_eq!(on("2026-11-11").unwrap(), old);
    assert_eq!(
        records.find_flask(&old.to_string(), None, today).unwrap(),
        old
    );
    let error = on("2026-11-12").unwrap_err().to_string();
    assert!(error.contains("it is on 2026-11-11, 2026-11-18"), "{error}");
}

#[test]
fn an_ambiguous_label_says_which_flasks_it_fits() {
    let mut records = bench();
    for machine in ["bench-1", "bench-2"] {
        let mut card = FlaskCard::new("A12", day("2026-11-18"));
        card.machine = Some(machine.into());
        records.add_flask(&card, NOW).unwrap();
        let again = records.add_flask(&card, NOW).unwrap_err().to_string();
        assert!(again.contains("already"), "{again}");
    }
    let today = day("2026-11-18");
    let error = records
        .find_flask("A12", Some(today), today)
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("2026-11-18 bench-1") && error.contains("2026-11-18 bench-2"),
        "{error}"
    );
    let error = records
        .find_flask("A21", None, today)
        .unwrap_err()
        .to_string();
    assert_eq!(error, "there is no flask \"A21\"; did you mean \"A12\"?");
}
