//! A wrong configuration is told as such: each kind of mistake by its own line, with place and
//! mending, and an exit code of failure.

use std::collections::BTreeSet;
use std::path::Path;

use pourbook_tests::program::{Ran, run};

const SHOP: &str = "[shop]\nname = \"Larkfield bench\"\ntime_zone = \"Europe/Dublin\"\n";
const MACHINE: &str = "[[machine]]\nname = \"bench-1\"\n";

/// What `pourbook check --config-only` says of a configuration.
fn check(text: &str) -> Ran {
    let book = tempfile::tempdir().unwrap();
    std::fs::write(book.path().join("pourbook.toml"), text).unwrap();
    check_book(book.path())
}

fn check_book(book: &Path) -> Ran {
    run([
        "check".as_ref(),
        "--config-only".as_ref(),
        "--book".as_ref(),
        book.as_os_str(),
    ])
}

#[test]
fn a_right_configuration_is_said_to_be_right() {
    check(SHOP).well();
}

#[test]
fn each_kind_of_wrong_configuration_has_its_own_clear_error() {
    let melt =
        |lines: &str| format!("{SHOP}{MACHINE}[machine.channels.melt_temperature]\n{lines}\n");
    let cases: [(&str, String, &str); 14] = [
        (
            "a key with letters swapped",
            melt("tpoic = \"m\"\nunit = \"Cel\""),
            "pourbook.toml line 7, column 1: unknown key \"tpoic\"; did you mean \"topic\"?",
        ),
        (
            "broken TOML",
            "[shop\nname = \"x\"\n".to_owned(),
            "pourbook.toml line 1, column 6: ",
        ),
        (
            "a number where text belongs",
            format!("{SHOP}units = 1\n"),
            "pourbook.toml line 4, column 9: \"units\" is a whole number; it must be text",
        ),
        (
            "a unit of something else",
            melt("topic = \"m\"\nunit = \"mbar\""),
            "pourbook.toml line 8, column 8: \"mbar\" is not a unit of temperature",
        ),
        (
            "an unknown channel",
            format!("{SHOP}{MACHINE}[machine.channels.melt_temperatur]\ntopic = \"m\"\n"),
            "unknown channel \"melt_temperatur\"; did you mean \"melt_temperature\"?",
        ),
        (
            "a wildcard topic",
            melt("topic = \"shop/#\"\nunit = \"Cel\""),
            "pourbook.toml line 7, column 9: the topic \"shop/#\" has a wildcard",
        ),
        (
            "an unknown time zone",
            SHOP.replace("Dublin", "Dublín"),
            "pourbook.toml line 3, column 13: \"Europe/Dublín\" is not a time zone",
        ),
        (
            "an altitude in feet of a high mountain",
            format!("{SHOP}altitude_m = 14000\n"),
            "pourbook.toml line 4, column 14: \"altitude_m\" is 14000; it must be from",
        ),
        (
            "an open address without a password",
            format!("{SHOP}[mqtt]\nlisten = \"0.0.0.0:1883\"\n"),
            "pourbook.toml line 5, column 1: 0.0.0.0:1883 can be reached from other computers",
        ),
        (
            "a target without its unit",
            format!("{SHOP}[[target]]\nalloy = \"sterling-925\"\npour_temperature = \"968\"\n"),
            "pourbook.toml line 6, column 20: \"pour_temperature\": \"968\" is not a temperature",
        ),
        (
            "limits the wrong way round",
            melt("topic = \"m\"\nunit = \"Cel\"\nmin = 1300\nmax = 0"),
            "pourbook.toml line 9, column 7: \"min\" is 1300 and \"max\" is 0; min must be less",
        ),
        (
            "a kiln that is not there",
            format!("{SHOP}{MACHINE}kilns = [\"kiln-1\"]\n"),
            "pourbook.toml line 6, column 10: there is no [[kiln]] named \"kiln-1\"",
        ),
        (
            "a name that leaves its folder",
            format!("{SHOP}[[machine]]\nname = \"../bench\"\n"),
            "pourbook.toml line 5, column 8: \"../bench\" cannot be a name",
        ),
        (
            "a password file that is gone",
            format!("{SHOP}[pages]\npassword_file = \"gone.txt\"\n"),
            "pourbook.toml line 5, column 17: cannot use the password file",
        ),
    ];
    let mut said = BTreeSet::new();
    for (kind, text, expected) in &cases {
        let ran = check(text);
        assert_eq!(
            ran.code(),
            Some(1),
            "{kind}: a failure, not a wrong use\n{}",
            ran.err
        );
        assert!(
            ran.err.contains(expected),
            "{kind}: should say\n{expected}\nsaid\n{}",
            ran.err
        );
        assert!(ran.out.is_empty(), "{kind}: errors go to standard error");
        assert!(!ran.err.contains("panicked"), "{kind}: {}", ran.err);
        assert!(said.insert(ran.err.clone()), "{kind}: an error of its own");
    }
}

#[test]
fn two_mistakes_are_told_in_two_lines() {
    let ran = check("[shop]\nname = \"\"\ntime_zone = \"Europe/Nowhere\"\n");
    assert_eq!(ran.code(), Some(1));
    let lines: Vec<&str> = ran
        .err
        .lines()
        .filter(|l| l.contains("pourbook.toml line"))
        .collect();
    assert_eq!(lines.len(), 2, "{}", ran.err);
    assert!(
        lines.iter().all(|l| l.starts_with("pourbook: ")),
        "{}",
        ran.err
    );
}

#[test]
fn a_cause_is_told_once() {
    let book = tempfile::tempdir().unwrap();
    std::fs::write(book.path().join("pourbook.toml"), SHOP).unwrap();
    let ran = run([
        "import".as_ref(),
        "castings".as_ref(),
        book.path().join("gone.csv").as_os_str(),
        "--book".as_ref(),
        book.path().as_os_str(),
    ]);
    assert_eq!(ran.code(), Some(1), "{}", ran.err);
    assert_eq!(
        ran.err.matches("No such file or directory").count(),
        1,
        "{}",
        ran.err
    );
}

#[test]
fn a_question_that_makes_no_sense_is_wrong_use() {
    let book = tempfile::tempdir().unwrap();
    std::fs::write(book.path().join("pourbook.toml"), SHOP).unwrap();
    let asked = |arguments: &[&str]| {
        let mut all: Vec<&std::ffi::OsStr> = arguments.iter().map(AsRef::as_ref).collect();
        all.extend(["--book".as_ref(), book.path().as_os_str()]);
        run(all)
    };
    for wrong in [
        &["report", "--week", "2026-W54"][..],
        &["report", "--week", "last"],
        &["report", "--week", "2999-W10"],
        &["evidence", "--section", "thinn"],
        &["evidence", "--alloy", "nosuch"],
        &["evidence", "--since", "2026-11-02", "--until", "2026-11-01"],
        &["pours", "--since", "2026-11-02", "--until", "2026-11-01"],
    ] {
        let ran = asked(wrong);
        assert_eq!(ran.code(), Some(2), "{wrong:?}: {}", ran.err);
        assert!(ran.out.is_empty(), "{wrong:?}: {}", ran.out);
    }
    for right in [
        &["evidence", "--section", "thin"][..],
        &["evidence", "--alloy", "sterling"],
    ] {
        asked(right).well();
    }
    assert!(!book.path().join("reports").exists(), "nothing was written");
}

#[test]
fn a_book_without_a_configuration_says_what_to_do() {
    let book = tempfile::tempdir().unwrap();
    let ran = check_book(book.path());
    assert_eq!(ran.code(), Some(1));
    assert!(ran.err.contains("pourbook.toml"), "{}", ran.err);
}

#[test]
fn an_option_that_does_not_exist_is_wrong_use() {
    let ran = run(["check", "--colour"]);
    assert_eq!(ran.code(), Some(2), "{}", ran.err);
}
