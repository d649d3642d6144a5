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
    let cases: [(&str, Spoil); 9] = [
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

#[test]
fn a_label_means_the_latest_flask_unless_a_day_is_given() {
    let mut records = bench();
    let old = records
        .add_flask(&FlaskCard::new("A", day("2026-11-11")), NOW)
        .unwrap();
    let new = records
        .add_flask(&FlaskCard::new("A", day("2026-11-18")), NOW)
        .unwrap();
    assert_eq!(records.find_flask("A", None).unwrap(), new);
    assert_eq!(
        records.find_flask("A", Some(day("2026-11-11"))).unwrap(),
        old
    );
    assert_eq!(records.find_flask(&old.to_string(), None).unwrap(), old);
    let error = records
        .find_flask("A", Some(day("2026-11-12")))
        .unwrap_err()
        .to_string();
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
    let error = records.find_flask("A12", None).unwrap_err().to_string();
    assert!(
        error.contains("2026-11-18 bench-1") && error.contains("2026-11-18 bench-2"),
        "{error}"
    );
    let error = records.find_flask("A21", None).unwrap_err().to_string();
    assert_eq!(error, "there is no flask \"A21\"; did you mean \"A12\"?");
}
