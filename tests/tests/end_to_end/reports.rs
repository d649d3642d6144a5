//! Reports that the daemon writes by itself: one that it missed while it was off, and the same one
//! anew when something is written down that it rests on, which it then says.

use std::fs;
use std::process::Command;

use pourbook_tests::bench::Bench;
use pourbook_tests::program::{Daemon, run, run_command};
use pourbook_tests::wait::wait_for;
use rustix::process::Signal;

/// A day two weeks ago as the system's own calendar has it, in the format of `date`.
fn two_weeks_ago(format: &str) -> String {
    let told = run_command(Command::new("date").env("TZ", "Europe/Dublin").args([
        "-d",
        "14 days ago",
        format,
    ]));
    told.well().out.trim().to_owned()
}

fn import(bench: &Bench, label: &str) {
    let file = bench.folder.path().join("castings.csv");
    let day = two_weeks_ago("+%F");
    let rows = format!("flask,cast_at,machine,pieces,defective\n{label},{day},bench-1,20,2\n");
    fs::write(&file, rows).unwrap();
    let words = ["import", "castings"].map(Into::into);
    let book = ["--book".into(), bench.book.clone().into_os_string()];
    run(words.into_iter().chain([file.into_os_string()]).chain(book)).well();
}

#[test]
fn a_missed_report_is_made_good_and_made_anew_when_what_it_rests_on_changes() {
    let bench = Bench::with_door();
    import(&bench, "A1");
    let week = two_weeks_ago("+%G-W%V");
    let page = bench.book.join("reports").join(format!("{week}.html"));
    assert!(!page.exists(), "nobody has asked for it yet");

    let daemon = Daemon::start(&bench.book, Some(bench.port));
    let first = wait_for("the report that was missed", 90, || {
        fs::read_to_string(&page).ok()
    });
    assert!(!first.contains("Made anew"), "{}", daemon.log());
    assert!(daemon.stop(Signal::TERM).success());

    let daemon = Daemon::start(&bench.book, Some(bench.port));
    import(&bench, "A2");
    let anew = wait_for("the report to be made anew", 120, || {
        let text = fs::read_to_string(&page).ok()?;
        (text != first).then_some(text)
    });
    let plain = anew.replace('\u{a0}', " ");
    assert!(plain.contains("Made anew on "), "{}", daemon.log());
    assert!(
        plain.contains(": 1 flask was imported."),
        "{}",
        daemon.log()
    );
    let index = fs::read_to_string(bench.book.join("reports/index.html")).unwrap();
    assert!(index.contains(&format!("href=\"{week}.html\"")));
    assert!(daemon.stop(Signal::TERM).success());
}
