//! Rules of the house that a machine can check: what lies at the top, how source files begin
//! and how long they may grow, what templates may not do, and which way the arrows point.
#![allow(clippy::unwrap_used)]

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use pourbook_tests::program::{run_command, workspace};

/// Files that git knows or would add, by their path from the top.
fn files() -> Vec<PathBuf> {
    let listed = run_command(Command::new("git").current_dir(workspace()).args([
        "ls-files",
        "--cached",
        "--others",
        "--exclude-standard",
    ]))
    .well();
    let files: Vec<PathBuf> = listed
        .out
        .lines()
        .map(PathBuf::from)
        // Deleted and not yet committed.
        .filter(|file| workspace().join(file).is_file())
        .collect();
    assert!(files.len() > 40, "git lists the project's files: {files:?}");
    files
}

fn text_of(file: &Path) -> String {
    fs::read_to_string(workspace().join(file)).unwrap_or_else(|e| panic!("{}: {e}", file.display()))
}

fn ours(ending: &str) -> Vec<PathBuf> {
    let found: Vec<PathBuf> = files()
        .into_iter()
        .filter(|file| file.extension().is_some_and(|e| e == ending))
        .collect();
    assert!(!found.is_empty(), "there are files ending in .{ending}");
    found
}

#[test]
fn the_top_of_the_tree_holds_what_a_newcomer_expects_and_no_more() {
    let found: BTreeSet<String> = files()
        .iter()
        .filter_map(|file| file.iter().next())
        .map(|name| name.to_string_lossy().into_owned())
        .collect();
    let expected: BTreeSet<String> = [
        ".ci",
        ".gitignore",
        "Cargo.lock",
        "Cargo.toml",
        "DEVELOPERS.md",
        "LICENSE",
        "README.md",
        "analysis",
        "daemon",
        "reports",
        "rust-toolchain.toml",
        "sample-data",
        "tests",
    ]
    .map(str::to_owned)
    .into();
    assert_eq!(found, expected);
}

#[test]
fn every_source_file_says_first_what_it_is() {
    let silent: Vec<PathBuf> = ours("rs")
        .into_iter()
        .filter(|file| !text_of(file).starts_with("//!"))
        .collect();
    assert!(silent.is_empty(), "these do not open with //!: {silent:?}");
}

#[test]
fn no_source_file_holds_more_than_one_idea_can_fill() {
    const MOST_LINES: usize = 700;
    let long: Vec<(PathBuf, usize)> = ["rs", "py", "mjs", "html"]
        .into_iter()
        .flat_map(|ending| {
            files()
                .into_iter()
                .filter(move |f| f.extension().is_some_and(|e| e == ending))
        })
        .map(|file| (text_of(&file).lines().count(), file))
        .filter(|(lines, _)| *lines > MOST_LINES)
        .map(|(lines, file)| (file, lines))
        .collect();
    assert!(long.is_empty(), "over {MOST_LINES} lines: {long:?}");
}

#[test]
fn no_template_lets_markup_through() {
    let templates: Vec<PathBuf> = files()
        .into_iter()
        .filter(|f| f.starts_with("reports") || f.starts_with("daemon"))
        .filter(|f| f.extension().is_some_and(|e| e == "html" || e == "j2"))
        .collect();
    assert!(!templates.is_empty(), "there are templates to look at");
    for file in templates {
        let text = text_of(&file).replace(' ', "");
        for hole in ["|safe", "autoescapefalse"] {
            assert!(!text.contains(hole), "{} has {hole}", file.display());
        }
    }
}

/// Which of our packages each may depend on, tests' own dependencies included.
const ARROWS: [(&str, &[&str]); 5] = [
    ("pourbook-analysis", &[]),
    ("pourbook-reports", &["pourbook-analysis"]),
    ("pourbook-sample-data", &["pourbook-analysis"]),
    (
        "pourbook",
        &[
            "pourbook-analysis",
            "pourbook-reports",
            "pourbook-sample-data",
        ],
    ),
    (
        "pourbook-tests",
        &[
            "pourbook",
            "pourbook-analysis",
            "pourbook-reports",
            "pourbook-sample-data",
        ],
    ),
];

/// Packages that a layer must not know: the core knows no network, no database and no program.
const WALLS: [(&str, &[&str]); 3] = [
    (
        "pourbook-analysis",
        &[
            "tokio",
            "rumqttc",
            "rusqlite",
            "clap",
            "plotters",
            "minijinja",
            "axum",
        ],
    ),
    (
        "pourbook-reports",
        &["tokio", "rumqttc", "rusqlite", "clap", "polars-io", "axum"],
    ),
    (
        "pourbook-sample-data",
        &["tokio", "rumqttc", "rusqlite", "clap", "axum"],
    ),
];

#[test]
fn arrows_between_packages_run_one_way() {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let metadata = run_command(
        Command::new(cargo)
            .args([
                "metadata",
                "--no-deps",
                "--format-version",
                "1",
                "--manifest-path",
            ])
            .arg(workspace().join("Cargo.toml")),
    )
    .well();
    let metadata: serde_json::Value = serde_json::from_str(&metadata.out).unwrap();
    let packages = metadata["packages"].as_array().unwrap();
    assert_eq!(packages.len(), ARROWS.len(), "every package has its arrows");
    for package in packages {
        let name = package["name"].as_str().unwrap();
        let (_, allowed) = ARROWS
            .iter()
            .find(|(n, _)| *n == name)
            .unwrap_or_else(|| panic!("{name} has no arrows here"));
        let walled = WALLS
            .iter()
            .find(|(n, _)| *n == name)
            .map_or(&[] as &[&str], |(_, w)| w);
        for dependency in package["dependencies"].as_array().unwrap() {
            let on = dependency["name"].as_str().unwrap();
            if ARROWS.iter().any(|(n, _)| *n == on) {
                assert!(allowed.contains(&on), "{name} must not depend on {on}");
            }
            assert!(!walled.contains(&on), "{name} must not know {on}");
        }
    }
}
