//! What was written down comes in: years of paper records as a castings file, another logger's
//! trace, and what `record` is told. What cannot be true is refused by the name of its column or
//! option, and nothing enters twice.

use std::fs;
use std::path::{Path, PathBuf};

use pourbook_tests::bench::Bench;
use pourbook_tests::program::{Ran, run};
use serde_json::Value;

const HEADER: &str = "flask,cast_at,machine,alloy,section,pieces,defective,no-fill,\
                      pour_temperature [degF],flask_temperature [Cel],vacuum [inHg]";

/// Four good flasks on two days, and a bad row of each of three kinds on lines 4, 6 and 7: a
/// number that is none, more defects than pieces, and a day that no calendar has.
const MIXED: [&str; 7] = [
    "A1,2025-03-03,bench-1,sterling-925,medium,12,1,1,1775,555,25.1",
    "A2,2025-03-03,bench-1,sterling-925,medium,10,0,0,1778,554,25.3",
    "A3,2025-03-03,bench-1,sterling-925,medium,10,0,0,1781,553,2q.1",
    "B1,2025-03-04,bench-1,sterling-925,thin,14,2,2,1790,600,25.0",
    "B2,2025-03-04,bench-1,sterling-925,thin,6,7,1,1792,600,25.2",
    "B3,2025-02-30,bench-1,sterling-925,thin,9,0,0,1792,600,25.2",
    "B4,2025-03-04,bench-1,sterling-925,thin,\"1,4\",1,1,1788,599,24.9",
];

fn write(bench: &Bench, rows: &[&str]) -> PathBuf {
    let path = bench.folder.path().join("castings.csv");
    fs::write(&path, format!("{HEADER}\n{}\n", rows.join("\n"))).unwrap();
    path
}

fn import(bench: &Bench, file: &Path, options: &[&str]) -> Ran {
    let mut arguments = vec![
        "import".into(),
        "castings".into(),
        file.as_os_str().to_owned(),
    ];
    arguments.push("--book".into());
    arguments.push(bench.book.as_os_str().to_owned());
    arguments.extend(options.iter().map(Into::into));
    run(arguments)
}

/// What `evidence --json` counts, every defect included.
fn evidence(bench: &Bench) -> Value {
    let arguments = [
        "evidence".as_ref(),
        "--json".as_ref(),
        "--outcome".as_ref(),
        "any".as_ref(),
        "--book".as_ref(),
        bench.book.as_os_str(),
    ];
    let ran = run(arguments).well();
    serde_json::from_str(&ran.out).unwrap_or_else(|e| panic!("{e}: {}", ran.out))
}

fn counts(evidence: &Value) -> [u64; 4] {
    ["flasks", "sessions", "pieces", "defective"].map(|key| {
        evidence[key]
            .as_u64()
            .unwrap_or_else(|| panic!("{key} in {evidence}"))
    })
}

#[test]
fn bad_rows_are_named_and_nothing_of_the_file_enters() {
    let bench = Bench::with_door();
    let file = write(&bench, &MIXED[..6]);
    let ran = import(&bench, &file, &[]);
    assert_eq!(ran.code(), Some(1), "{}", ran.err);
    for expected in [
        "castings.csv line 4, column \"vacuum [inHg]\": \"2q.1\" is not a number",
        "castings.csv line 6, column \"defective\": ",
        "castings.csv line 7, column \"cast_at\": ",
    ] {
        assert!(
            ran.err.contains(expected),
            "should say\n{expected}\nsaid\n{}",
            ran.err
        );
    }
    assert_eq!(counts(&evidence(&bench)), [0, 0, 0, 0], "nothing entered");
}

#[test]
fn the_good_rows_enter_when_asked_for_and_the_bad_ones_lie_beside_the_file() {
    let bench = Bench::with_door();
    let file = write(&bench, &MIXED[..6]);
    import(&bench, &file, &["--skip-bad"]).well();
    // 12 + 10 + 14 pieces, 1 + 0 + 2 defective, on two days of one machine.
    assert_eq!(counts(&evidence(&bench)), [3, 2, 36, 3]);
    let bad = fs::read_to_string(bench.folder.path().join("castings.bad.csv")).unwrap();
    for row in [MIXED[2], MIXED[4], MIXED[5]] {
        assert!(bad.contains(row), "{row} is kept as it was in\n{bad}");
    }
    assert!(
        !bad.contains(MIXED[0]),
        "a good row is not among the bad ones"
    );
    assert_eq!(
        fs::read_to_string(&file).unwrap().lines().count(),
        7,
        "the file is untouched"
    );
}

#[test]
fn a_good_file_enters_once_however_often_it_is_imported() {
    let bench = Bench::with_door();
    let file = write(&bench, &[MIXED[0], MIXED[1], MIXED[3]]);
    import(&bench, &file, &[]).well();
    let first = evidence(&bench);
    assert_eq!(counts(&first), [3, 2, 36, 3]);
    import(&bench, &file, &[]).well();
    assert_eq!(evidence(&bench), first, "a second time changes nothing");
    // The same castings under another name of the file are the same castings.
    let other = bench.folder.path().join("copy.csv");
    fs::copy(&file, &other).unwrap();
    import(&bench, &other, &[]).well();
    assert_eq!(evidence(&bench), first);
}

#[test]
fn an_unknown_column_is_told_with_the_nearest_known_one() {
    let bench = Bench::with_door();
    let path = bench.folder.path().join("castings.csv");
    fs::write(&path, "cast_at,peices,defective\n2025-03-03,12,1\n").unwrap();
    let ran = import(&bench, &path, &[]);
    assert_eq!(ran.code(), Some(1));
    assert!(
        ran.err.contains("peices") && ran.err.contains("\"pieces\""),
        "{}",
        ran.err
    );
}

#[test]
fn a_file_that_is_not_there_is_named() {
    let bench = Bench::with_door();
    let ran = import(&bench, Path::new("/nonexistent-folder/castings.csv"), &[]);
    assert_eq!(ran.code(), Some(1));
    assert!(
        ran.err.contains("/nonexistent-folder/castings.csv"),
        "{}",
        ran.err
    );
    assert!(
        ran.err.lines().count() <= 2,
        "one or two lines: {}",
        ran.err
    );
}

/// Runs a command on the bench's book.
fn on(bench: &Bench, arguments: &[&str]) -> Ran {
    let mut all: Vec<std::ffi::OsString> = arguments.iter().map(Into::into).collect();
    all.push("--book".into());
    all.push(bench.book.as_os_str().to_owned());
    run(all)
}

/// Another logger's trace in the shop's own time: a melt that warms for ten minutes and stays
/// hot for twenty.
fn trace(bench: &Bench, name: &str) -> PathBuf {
    let mut rows = String::from("time,channel,value,unit\n");
    for s in (0..1800).step_by(5) {
        let celsius = (20.0 + f64::from(s) * 1.6).min(970.0);
        rows.push_str(&format!(
            "2026-10-06T09:{:02}:{:02},melt_temperature,{celsius},Cel\n",
            s / 60,
            s % 60
        ));
    }
    let path = bench.folder.path().join(name);
    fs::write(&path, rows).unwrap();
    path
}

#[test]
fn a_trace_enters_once_and_gets_its_sheet() {
    let bench = Bench::with_door();
    let file = trace(&bench, "tuesday.csv");
    let import = |file: &Path| on(&bench, &["import", "trace", &file.display().to_string()]).well();
    let first = import(&file);
    assert_eq!(bench.traces().len(), 1, "{}", first.out);
    // Nine in the morning of a Dublin summer is eight in UTC.
    let earliest = bench.melt_readings().iter().map(|r| r.time).min().unwrap();
    assert_eq!(earliest.rfc3339_ms(), "2026-10-06T08:00:00.000Z");
    let sheets = bench.book.join("reports/sessions");
    assert_eq!(fs::read_dir(&sheets).unwrap().count(), 1, "{}", first.out);
    let other = bench.folder.path().join("copy.csv");
    fs::copy(&file, &other).unwrap();
    for again in [file, other] {
        let ran = import(&again);
        assert!(ran.out.contains("known already"), "{}", ran.out);
        assert_eq!(bench.traces().len(), 1);
    }
}

#[test]
fn a_machine_is_not_made_by_a_slip_or_by_an_import_that_fails() {
    let bench = Bench::with_door();
    let file = trace(&bench, "tuesday.csv").display().to_string();
    let slip = on(&bench, &["import", "trace", &file, "--machine", "bnech-1"]);
    assert_eq!(slip.code(), Some(2), "{}", slip.err);
    assert!(slip.err.contains("\"bench-1\""), "{}", slip.err);
    let cold = bench.folder.path().join("cold.csv");
    fs::write(
        &cold,
        "time,channel,value,unit\n2026-10-06T09:00:00,melt_temperature,20,Cel\n",
    )
    .unwrap();
    let cold = cold.display().to_string();
    let failed = on(&bench, &["import", "trace", &cold, "--machine", "old-tilt"]);
    assert_eq!(failed.code(), Some(1), "{}", failed.err);
    // With one machine in the book nobody needs to say which.
    on(&bench, &["import", "trace", &file]).well();
    let added = on(&bench, &["import", "trace", &file, "--machine", "bench-2"]).well();
    assert!(
        added.err.contains("added the machine \"bench-2\""),
        "{}",
        added.err
    );
}

#[test]
fn what_is_recorded_by_hand_is_held_against_the_import_s_words_and_physics() {
    let bench = Bench::with_door();
    for (arguments, complaint) in [
        (
            &["record", "flask", "--label", "A", "--section", "medum"][..],
            "--section: \"medum\" is not a section; use thin, medium, heavy, mixed",
        ),
        (
            &["record", "flask", "--label", "A", "--set-point", "9999 Cel"],
            "--set-point: 9999 °C is hotter than anything is poured",
        ),
        (
            &["record", "flask", "--label", "A", "--order", "0"],
            "--order: counts from 1",
        ),
        (
            &["record", "flask", "--label", "A", "--day", "24/11/2026"],
            "write it like 2026-11-18",
        ),
        (
            &["record", "part", "gasket", "--at", "2999-01-01"],
            "--at: 2999-01-01 is still to come",
        ),
    ] {
        let ran = on(&bench, arguments);
        assert_eq!(ran.code(), Some(2), "{arguments:?}: {}", ran.err);
        assert!(ran.err.contains(complaint), "{}", ran.err);
    }
    let ran = on(
        &bench,
        &[
            "record",
            "flask",
            "--label",
            "A",
            "--day",
            "2026-10-06",
            "--alloy",
            "sterling925",
            "--section",
            "Medium",
            "--pieces",
            "24",
        ],
    )
    .well();
    assert!(!ran.err.contains("alloy"), "{}", ran.err);
    let unknown = on(
        &bench,
        &[
            "record",
            "flask",
            "--label",
            "B",
            "--day",
            "2026-10-06",
            "--alloy",
            "stirling",
        ],
    )
    .well();
    assert!(unknown.err.contains("the nearest are "), "{}", unknown.err);
}

#[test]
fn an_inspection_goes_to_a_flask_that_can_have_been_poured() {
    let bench = Bench::with_door();
    let card = |day: &str| {
        let of = [
            "record", "flask", "--label", "A", "--pieces", "24", "--day", day,
        ];
        on(&bench, &of).well()
    };
    card("2026-10-06");
    card("2999-01-01");
    let look = ["record", "inspection", "--flask", "A", "--pieces", "30"];
    let asked = on(&bench, &look);
    assert_eq!(asked.code(), Some(1), "{}", asked.err);
    assert!(asked.err.contains("--day"), "{}", asked.err);
    let told = [&look[..], &["--day", "2026-10-06"]].concat();
    let ran = on(&bench, &told).well();
    assert!(ran.out.contains("2026-10-06"), "{}", ran.out);
    assert!(ran.err.contains("the card has 24"), "{}", ran.err);
    let again = on(&bench, &told).well();
    assert!(
        again.err.contains("in place of an earlier one"),
        "{}",
        again.err
    );
    let twice = [&told[..], &["--kind", "no-fill=1", "--kind", "no-fill=2"]].concat();
    let ran = on(&bench, &twice);
    assert_eq!(ran.code(), Some(2), "{}", ran.err);
}

#[test]
fn an_impossible_temperature_is_a_bad_row() {
    let bench = Bench::with_door();
    let file = write(&bench, &[&MIXED[0].replace("1775", "17750")]);
    let ran = import(&bench, &file, &[]);
    assert_eq!(ran.code(), Some(1));
    assert!(
        ran.err
            .contains("column \"pour_temperature [degF]\": \"17750\" cannot be"),
        "{}",
        ran.err
    );
    assert_eq!(counts(&evidence(&bench)), [0, 0, 0, 0]);
}

#[test]
fn extract_tells_a_paper_record_from_a_damaged_trace() {
    let bench = Bench::with_door();
    let file = write(&bench, &MIXED[..1]);
    let ran = run(["extract".as_ref(), file.as_os_str()]);
    assert_eq!(ran.code(), Some(1));
    assert!(ran.err.contains("is not a Parquet file"), "{}", ran.err);
}
