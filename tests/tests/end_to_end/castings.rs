//! Years of paper records come in as a castings file. A file with bad rows is told row by row
//! and leaves the book as it was, unless the good rows are asked for.

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
