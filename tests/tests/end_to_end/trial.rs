//! A trial as a caster meets it: planned from paper records, cards that get their temperatures by
//! lot once and for all, and an end that leaves things as they were.

use std::fs;

use pourbook_tests::bench::Bench;
use pourbook_tests::program::{Ran, run};
use serde_json::Value;

/// Runs a command on the bench's book.
fn told(bench: &Bench, words: &[&str]) -> Ran {
    let mut arguments: Vec<std::ffi::OsString> = words.iter().map(Into::into).collect();
    arguments.push("--book".into());
    arguments.push(bench.book.as_os_str().to_owned());
    run(arguments)
}

fn next(bench: &Bench) -> Value {
    let ran = told(bench, &["next", "--json"]).well();
    serde_json::from_str(&ran.out).unwrap_or_else(|e| panic!("{e}: {}", ran.out))
}

/// Thirty days of two flasks, 20 pieces each, of which 1 or 2 were not filled.
fn with_paper_records() -> Bench {
    let bench = Bench::with_door();
    let mut csv =
        "flask,cast_at,machine,alloy,section,pieces,defective,defective_steering,no-fill,\
         pour_temperature [Cel]\n"
            .to_owned();
    for day in 1..=30 {
        for flask in 0..2 {
            let bad = 1 + (day + flask) % 2;
            let celsius = 966 + (day + 2 * flask) % 5;
            csv += &format!(
                "{flask},2025-06-{day:02},bench-1,sterling-925,medium,20,{bad},{bad},{bad},{celsius}\n"
            );
        }
    }
    let path = bench.folder.path().join("paper.csv");
    fs::write(&path, csv).unwrap();
    let file = path.to_string_lossy();
    told(&bench, &["import", "castings", &file]).well();
    bench
}

#[test]
fn a_trial_is_planned_drawn_and_stopped() {
    let bench = with_paper_records();
    let before = next(&bench);
    let reason = before["reason"].as_str().unwrap();
    assert!(reason.contains("968 °C"), "{reason}");
    assert!(
        reason.contains("A trial would pour half of the flasks, drawn by lot"),
        "{reason}"
    );
    assert_eq!(before["grade"], "none");
    assert_eq!(before["order"], Value::Array(Vec::new()));
    let keys: Vec<&String> = before.as_object().unwrap().keys().collect();
    assert_eq!(keys.len(), 7, "{keys:?}");

    let slow = told(&bench, &["record", "trial"]);
    assert_eq!(
        slow.code(),
        Some(1),
        "nothing was poured lately: {}",
        slow.out
    );
    assert!(slow.err.contains("--anyway"), "{}", slow.err);
    let planned = told(&bench, &["record", "trial", "--try", "980 Cel", "--anyway"]).well();
    assert!(
        planned.out.contains("at 980 °C and the others at 968 °C"),
        "{}",
        planned.out
    );
    let waiting = next(&bench);
    assert!(
        waiting["reason"]
            .as_str()
            .unwrap()
            .contains("write cards first"),
        "{waiting}"
    );

    for label in ["A", "B", "C", "D"] {
        told(
            &bench,
            &[
                "record",
                "flask",
                "--label",
                label,
                "--alloy",
                "sterling",
                "--section",
                "medium",
                "--pieces",
                "20",
            ],
        )
        .well();
    }
    let thin = [
        "record",
        "flask",
        "--label",
        "T",
        "--alloy",
        "sterling",
        "--section",
        "thin",
    ];
    told(&bench, &thin).well();
    let drawn = next(&bench);
    let order = drawn["order"].as_array().unwrap();
    let celsius: Vec<f64> = order
        .iter()
        .map(|o| o["pour_temperature_c"].as_f64().unwrap())
        .collect();
    assert_eq!(celsius.len(), 4, "the thin flask is not in it: {drawn}");
    for pair in celsius.chunks(2) {
        assert_eq!(pair[0] + pair[1], 968.0 + 980.0, "each pair has both");
    }
    assert_eq!(
        drawn["order"],
        next(&bench)["order"],
        "the lot is drawn once"
    );
    assert_eq!(drawn["flasks_needed"], before["flasks_needed"]);
    let words = told(&bench, &["next"]).well().out;
    assert!(words.contains("flask  pour at"), "{words}");

    let thin = ["next", "--alloy", "sterling", "--section", "thin"];
    let other = told(&bench, &thin).well().out;
    assert!(other.contains("one runs at a time"), "{other}");
    let second = told(&bench, &["record", "trial", "--anyway"]);
    assert_eq!(second.code(), Some(1));
    assert!(second.err.contains("one runs at a time"), "{}", second.err);
    told(&bench, &["record", "trial", "--stop", "misruns"]).well();
    let after = next(&bench);
    assert!(
        after["reason"].as_str().unwrap().contains("968 °C"),
        "{after}"
    );
    assert_eq!(after["order"][0]["pour_temperature_c"], 968.0);
    assert_eq!(
        told(&bench, &["record", "trial", "--stop", "misruns"]).code(),
        Some(1)
    );
}

#[test]
fn what_cannot_be_tried_is_said() {
    let bench = Bench::with_door();
    let empty = next(&bench);
    assert!(
        empty["reason"]
            .as_str()
            .unwrap()
            .starts_with("No flask with an alloy"),
        "{empty}"
    );
    assert_eq!(empty["flasks_needed"], Value::Null);
    assert_eq!(told(&bench, &["record", "trial"]).code(), Some(1));
    let bench = with_paper_records();
    for (words, code, said) in [
        (
            &["record", "trial", "--stop", "tired"][..],
            2,
            "safety, misruns, given-up",
        ),
        (&["next", "--section", "thinn"], 2, "no section"),
        (&["next", "--alloy", "stirling-925"], 2, "sterling-925"),
        (
            &["record", "trial", "--try", "1400 Cel"],
            1,
            "outside what sterling-925",
        ),
        (
            &["record", "trial", "--try", "970 Cel"],
            1,
            "at least 10 °C apart",
        ),
        (
            &["record", "trial", "--difference", "0"],
            2,
            "no difference of rates",
        ),
    ] {
        let ran = told(&bench, words);
        assert_eq!(ran.code(), Some(code), "{words:?}: {}", ran.err);
        assert!(
            ran.err.contains(said),
            "{words:?} should say {said}: {}",
            ran.err
        );
    }
}
