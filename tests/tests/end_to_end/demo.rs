//! The demo, from an empty folder: it makes the invented shop's book, plays the latest session
//! in over MQTT, and leaves reports that a caster can read. One demo serves all tests here.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use std::time::{Duration, Instant};

use pourbook_tests::bench::traces_in;
use pourbook_tests::program::{Ran, run};
use serde_json::Value;

struct Demo {
    /// Holds the folder for as long as the tests run.
    folder: tempfile::TempDir,
    book: PathBuf,
    ran: Ran,
    took: Duration,
}

fn demo() -> &'static Demo {
    static DEMO: OnceLock<Demo> = OnceLock::new();
    DEMO.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let book = folder.path().join("demo-book");
        let start = Instant::now();
        let ran = in_book("demo", &book, &[]).well();
        Demo {
            book,
            ran,
            took: start.elapsed(),
            folder,
        }
    })
}

fn in_book(command: &str, book: &Path, options: &[&str]) -> Ran {
    let mut arguments = vec![command.into(), "--book".into(), book.as_os_str().to_owned()];
    arguments.extend(options.iter().map(Into::into));
    run(arguments)
}

#[test]
fn the_demo_writes_all_parts_of_a_book_and_says_where() {
    let demo = demo();
    println!("the demo took {:?}", demo.took);
    for part in ["pourbook.toml", "records.sqlite", "reports/index.html"] {
        assert!(demo.book.join(part).is_file(), "{part}");
    }
    let week = week_report(&demo.book);
    let sheets = fs::read_dir(demo.book.join("reports/sessions"))
        .unwrap()
        .count();
    assert!(sheets > 0, "a sheet of the latest session");
    assert!(!traces_in(&demo.book).is_empty());
    for path in [&week, &demo.book.join("reports/index.html")] {
        let name = path.file_name().unwrap().to_string_lossy();
        assert!(
            demo.ran.out.contains(&*name),
            "it prints where {name} is:\n{}",
            demo.ran.out
        );
    }
}

#[test]
fn the_demo_leaves_nothing_outside_its_folder() {
    let beside: BTreeSet<String> = fs::read_dir(demo().folder.path())
        .unwrap()
        .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    assert_eq!(beside, ["demo-book".to_owned()].into());
}

#[test]
fn the_weekly_report_holds_its_parts_and_nothing_from_elsewhere() {
    let text = fs::read_to_string(week_report(&demo().book)).unwrap();
    assert!(text.len() < 1_000_000, "under 1 MB: {}", text.len());
    assert!(text.starts_with("<!DOCTYPE html>") || text.starts_with("<!doctype html>"));
    for part in [
        "<html lang=",
        "<svg",
        "Larkfield bench",
        "sterling-925",
        "Cautions",
    ] {
        assert!(text.contains(part), "the report has {part}");
    }
    for outside in [
        "http://", "https://", "<script", "src=\"/", "@import", "NaN", "inf ",
    ] {
        // The name of the SVG language is an address that is never called.
        let text = text.replace("http://www.w3.org/", "");
        assert!(!text.contains(outside), "the report has no {outside}");
    }
    let charts = text.matches("<svg").count();
    assert!(charts >= 3, "three settings are charted: {charts}");
    assert!(
        text.matches("role=\"img\"").count() >= charts,
        "every chart has a name"
    );
}

/// The pours that the detector found in the trace that came over MQTT are those that the
/// simulator made: as many, each within 3 s. The temperature is what the probe reads, so the
/// simulator's own error of the probe is added to the metal's before they are compared.
#[test]
fn the_pours_of_the_played_session_are_those_of_the_simulator() {
    let demo = demo();
    let pours = in_book("pours", &demo.book, &["--json"])
        .well()
        .json_lines();
    let played = latest_session(&pours);
    let found: Vec<(f64, f64)> = pours
        .iter()
        .filter(|p| p["kind"] == "pour" && p["session"] == played.as_str())
        .map(|p| {
            let temperature = p["pour_temperature_c"].as_f64();
            (
                seconds(&p["at"]),
                temperature.expect("a pour of the demo has its temperature"),
            )
        })
        .collect();
    let text = fs::read_to_string(demo.book.join("truth.json")).unwrap();
    let truth: Value = serde_json::from_str(&text).unwrap();
    let made = true_pours(&truth);
    assert!(!made.is_empty(), "the latest session has pours");
    assert_eq!(found.len(), made.len(), "found {found:?}, made {made:?}");
    for ((at, temperature), (true_at, read)) in found.iter().zip(&made) {
        assert!((at - true_at).abs() <= 3.0, "at {at}, really {true_at}");
        assert!(
            (temperature - read).abs() <= 5.0,
            "{temperature} °C, really {read} °C"
        );
    }
}

/// `extract` reads a trace without any book and finds what the book holds.
#[test]
fn extract_needs_no_book_and_finds_the_same_pours() {
    let demo = demo();
    let pours = in_book("pours", &demo.book, &["--json"])
        .well()
        .json_lines();
    let played = latest_session(&pours);
    let trace = traces_in(&demo.book)
        .into_iter()
        .find(|path| path.file_stem().is_some_and(|s| s == played.as_str()))
        .unwrap();
    let extracted = run(["extract".as_ref(), trace.as_os_str()])
        .well()
        .json_lines();
    let times = |rows: &[Value]| -> Vec<String> {
        rows.iter()
            .filter(|r| r["kind"] == "pour" && r["session"] == played.as_str())
            .map(|r| format!("{} {}", r["at"], r["pour_temperature_c"]))
            .collect()
    };
    assert_eq!(times(&extracted), times(&pours));
}

/// Many machines extract a trace each, in any order; what they found, assembled, is the table
/// that one machine has, row by row. So is a whole book that is read anew.
#[test]
fn rows_found_anywhere_assemble_to_the_books_own_pours() {
    let demo = demo();
    let expect = in_book("pours", &demo.book, &["--json"]).well().out;
    let dir = tempfile::tempdir().unwrap();
    let copy = dir.path().join("book");
    fs::create_dir(&copy).unwrap();
    for file in ["pourbook.toml", "records.sqlite"] {
        fs::copy(demo.book.join(file), copy.join(file)).unwrap();
    }
    std::os::unix::fs::symlink(demo.book.join("traces"), copy.join("traces")).unwrap();
    let rows = dir.path().join("rows.jsonl");
    let mut lines: Vec<String> = Vec::new();
    for trace in traces_in(&demo.book) {
        let ran = run(["extract".as_ref(), trace.as_os_str()]).well();
        lines.extend(ran.out.lines().map(str::to_owned));
    }
    lines.sort();
    // A lost line keeps its session as it was, and is said.
    fs::write(&rows, lines[1..].join("\n")).unwrap();
    let rows_arg = rows.to_str().unwrap();
    let ran = in_book("extract", &copy, &["--assemble", rows_arg]);
    assert_eq!(ran.code(), Some(1));
    assert!(ran.err.contains("arrived"), "{}", ran.err);
    fs::write(&rows, lines.join("\n")).unwrap();
    let ran = in_book("extract", &copy, &["--assemble", rows_arg]).well();
    assert!(ran.out.contains("nothing was found in them"), "{}", ran.out);
    assert!(in_book("pours", &copy, &["--json"]).well().out == expect);
    let anew = in_book("extract", &copy, &["--all", "--json"])
        .well()
        .json_lines();
    assert_eq!(anew.len(), traces_in(&demo.book).len());
    assert!(anew.iter().all(|told| told["changed"] == false));
    assert!(in_book("pours", &copy, &["--json"]).well().out == expect);
}

/// The kiln was heard until it was cold: its burnout is over and nothing was wrong with it.
#[test]
fn the_last_burnout_ends_as_a_kiln_cools() {
    let dir = tempfile::tempdir().unwrap();
    let tables = dir.path().join("tables");
    in_book("export", &demo().book, &[tables.to_str().unwrap()]).well();
    let lines = |name: &str| -> Vec<String> {
        let text = fs::read_to_string(tables.join(name)).unwrap();
        text.lines().map(str::to_owned).collect()
    };
    let burnouts = lines("burnouts.csv");
    let column = burnouts[0]
        .split(',')
        .position(|c| c == "ended_at")
        .unwrap();
    assert_eq!(burnouts.len(), 2, "{burnouts:?}");
    assert!(!burnouts[1].split(',').nth(column).unwrap().is_empty());
    assert_eq!(lines("burnout_faults.csv").len(), 1, "only its heads");
}

#[test]
fn the_evidence_counts_half_a_year_of_flasks() {
    let ran = in_book("evidence", &demo().book, &["--json"]).well();
    let evidence: Value = serde_json::from_str(&ran.out).unwrap();
    let flasks = evidence["flasks"].as_u64().unwrap();
    assert!(
        (250..900).contains(&flasks),
        "26 weeks of a small bench: {flasks}"
    );
    let rate = &evidence["rate"];
    let [low, estimate, high] = ["low", "estimate", "high"].map(|k| rate[k].as_f64().unwrap());
    assert!(
        0.0 < low && low < estimate && estimate < high && high < 0.3,
        "{rate}"
    );
}

#[test]
fn a_report_can_be_written_again_and_is_the_same() {
    let demo = demo();
    let path = week_report(&demo.book);
    let week = path.file_stem().unwrap().to_string_lossy().into_owned();
    let before = fs::read_to_string(&path).unwrap();
    in_book("report", &demo.book, &["--week", &week]).well();
    assert_eq!(fs::read_to_string(&path).unwrap(), before);
}

#[test]
fn a_book_that_is_not_a_demos_is_never_overwritten() {
    let folder = tempfile::tempdir().unwrap();
    let shop = "[shop]\nname = \"Somebody\"\ntime_zone = \"Europe/Dublin\"\n";
    fs::write(folder.path().join("pourbook.toml"), shop).unwrap();
    fs::write(folder.path().join("notes.txt"), "mine").unwrap();
    let ran = in_book("demo", folder.path(), &[]);
    assert_eq!(ran.code(), Some(1), "{}", ran.out);
    assert!(ran.err.contains("demo"), "it says why: {}", ran.err);
    assert_eq!(
        fs::read_to_string(folder.path().join("pourbook.toml")).unwrap(),
        shop
    );
    let left: Vec<_> = fs::read_dir(folder.path()).unwrap().collect();
    assert_eq!(left.len(), 2, "nothing was added: {left:?}");
}

fn week_report(book: &Path) -> PathBuf {
    let mut weeks: Vec<PathBuf> = fs::read_dir(book.join("reports"))
        .unwrap()
        .map(|e| e.unwrap().path())
        .filter(|p| {
            p.file_name()
                .is_some_and(|n| n.to_string_lossy().contains("-W"))
        })
        .collect();
    weeks.sort();
    weeks.pop().expect("a weekly report")
}

fn latest_session(pours: &[Value]) -> String {
    pours
        .iter()
        .filter_map(|p| p["session"].as_str())
        .max()
        .expect("pours of a session")
        .to_owned()
}

fn seconds(time: &Value) -> f64 {
    let text = time.as_str().unwrap_or_else(|| panic!("{time} is a time"));
    analysis::time::Micros::parse_rfc3339(text).unwrap().0 as f64 / 1e6
}

/// Time of every pour of the simulator's last session, and what the probe made of its
/// temperature.
fn true_pours(truth: &Value) -> Vec<(f64, f64)> {
    let sessions = truth["sessions"]
        .as_array()
        .expect("the truth of each session");
    let last = sessions
        .iter()
        .max_by(|a, b| seconds(&a["starts"]).total_cmp(&seconds(&b["starts"])))
        .expect("a session");
    let offset = last["probe_offset_k"].as_f64().expect("the probe's error");
    last["pours"]
        .as_array()
        .expect("the pours of a session")
        .iter()
        .map(|p| {
            let melt = p["pour_temperature_c"]
                .as_f64()
                .expect("a true temperature");
            (seconds(&p["at"]), melt + offset)
        })
        .collect()
}
