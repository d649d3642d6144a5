//! The index: every report and session sheet, newest first, with its answer in one sentence.

use jiff::civil::{DateTime, ISOWeekDate, Weekday};
use serde::Serialize;

use super::shop::Shop;
use crate::wording;

/// All reports of a book.
#[derive(Clone, Debug)]
pub struct Index {
    /// The shop.
    pub shop: Shop,
    /// The weekly reports, in any order.
    pub weeks: Vec<Entry>,
    /// The session sheets, in any order.
    pub sessions: Vec<Entry>,
}

/// One report.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Entry {
    /// Its name, which also orders it: `2026-W47`, `2026-11-18T0912-bench-1`.
    pub name: String,
    /// Where it lies, relative to the index.
    pub href: String,
    /// The answers, one sentence each.
    pub sentences: Vec<String>,
}

#[derive(Serialize)]
pub(super) struct IndexView {
    title: String,
    shop: String,
    invented: bool,
    weeks: Vec<Listed>,
    sessions: Vec<Listed>,
}

/// A report as the list shows it.
#[derive(Debug, Serialize)]
struct Listed {
    /// What it is called: `Week 47, 2026`, `Wed 18 Nov 2026, 09:12`.
    label: String,
    /// What tells it apart beside that: the days of a week, the machine of a session.
    aside: String,
    href: String,
    answers: Vec<Said>,
}

/// One sentence, with the alloy and section that it is about in front of it.
#[derive(Debug, Serialize)]
struct Said {
    about: String,
    text: String,
}

impl Said {
    fn of(sentence: &str) -> Said {
        /// Longer is no name of an alloy and section but a sentence with a colon in it.
        const LONGEST: usize = 60;
        let sentence = wording::sentence(sentence);
        match sentence.split_once(": ") {
            Some((about, text)) if about.chars().count() <= LONGEST && about.contains(", ") => {
                Said {
                    about: about.to_owned(),
                    text: wording::capital(text),
                }
            }
            _ => Said {
                about: String::new(),
                text: sentence,
            },
        }
    }
}

impl Index {
    pub(super) fn view(&self) -> IndexView {
        IndexView {
            title: "Reports".to_owned(),
            shop: wording::shortened(&self.shop.name),
            invented: self.shop.invented,
            weeks: listed(&self.weeks, week_label),
            sessions: listed(&self.sessions, session_label),
        }
    }
}

/// Sorted by name, newest first. A link that could lead out of the reports' folder, or that a
/// browser could take for a script, is dropped: the entry stays as text.
fn listed(entries: &[Entry], label: fn(&str) -> Option<(String, String)>) -> Vec<Listed> {
    let mut entries: Vec<&Entry> = entries.iter().collect();
    entries.sort_by(|a, b| b.name.cmp(&a.name));
    entries
        .into_iter()
        .map(|e| {
            let (label, aside) =
                label(&e.name).unwrap_or_else(|| (wording::shortened(&e.name), String::new()));
            Listed {
                label,
                aside,
                href: safe_link(&e.href),
                answers: e.sentences.iter().map(|s| Said::of(s)).collect(),
            }
        })
        .collect()
}

/// `2026-W47` as people say it, with its days.
fn week_label(name: &str) -> Option<(String, String)> {
    let (year, week) = name.split_once("-W")?;
    let (year, week): (i16, i8) = (year.parse().ok()?, week.parse().ok()?);
    let monday = ISOWeekDate::new(year, week, Weekday::Monday).ok()?.date();
    let sunday = ISOWeekDate::new(year, week, Weekday::Sunday).ok()?.date();
    Some((
        format!("Week {week}, {year}"),
        format!(
            "{} to {}",
            monday.strftime("%-d %b"),
            sunday.strftime("%-d %b %Y")
        ),
    ))
}

/// `2026-11-18T0912-bench-1` as people say it: the day and time of the opening, and the machine.
pub(super) fn session_label(name: &str) -> Option<(String, String)> {
    let (opened, machine) = (name.get(..15)?, name.get(15..)?.strip_prefix('-')?);
    let opened = DateTime::strptime("%Y-%m-%dT%H%M", opened).ok()?;
    Some((
        opened.strftime("%a %-d %b %Y, %H:%M").to_string(),
        wording::shortened(machine),
    ))
}

/// `link` if it is a plain relative path downward, else nothing.
pub(super) fn safe_link(link: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '/' | '.' | '-' | '_' | '+');
    if link.chars().all(plain) && !link.starts_with('/') && !link.contains("..") {
        link.to_owned()
    } else {
        String::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_plain_links_into_the_reports_folder_are_kept() {
        assert_eq!(
            safe_link("sessions/2026-11-18T0912-bench-1.html"),
            "sessions/2026-11-18T0912-bench-1.html"
        );
        for bad in [
            "javascript:alert(1)",
            "//elsewhere",
            "../../etc",
            "a b",
            "x\"onclick=",
        ] {
            assert_eq!(safe_link(bad), "", "{bad}");
        }
    }

    #[test]
    fn the_newest_report_comes_first() {
        let e = |n: &str| Entry {
            name: n.to_owned(),
            href: String::new(),
            sentences: vec![],
        };
        let weeks = [e("2026-W09"), e("2026-W47"), e("2025-W52")];
        let labels: Vec<String> = listed(&weeks, week_label)
            .into_iter()
            .map(|e| e.label)
            .collect();
        assert_eq!(labels, ["Week 47, 2026", "Week 9, 2026", "Week 52, 2025"]);
    }

    #[test]
    fn reports_are_called_as_people_say_them() {
        let said = |(label, aside): (String, String)| format!("{label} / {aside}");
        assert_eq!(
            week_label("2026-W53").map(said).as_deref(),
            Some("Week 53, 2026 / 28 Dec to 3 Jan 2027")
        );
        assert_eq!(
            session_label("2026-11-18T0912-bench-1-2")
                .map(said)
                .as_deref(),
            Some("Wed 18 Nov 2026, 09:12 / bench-1-2")
        );
        for other in [
            "2026-W54",
            "last",
            "2026-11-18",
            "",
            "\u{202e}\u{202e}\u{202e}\u{202e}\u{202e}x",
        ] {
            assert!(week_label(other).is_none() && session_label(other).is_none());
        }
    }

    #[test]
    fn a_sentence_is_set_beside_what_it_is_about() {
        let said = Said::of("sterling-925, thin: keep to your usual 1003 °C: it is right.");
        assert_eq!(said.about, "sterling-925, thin");
        assert_eq!(said.text, "Keep to your usual 1003 °C: it is right.");
        assert_eq!(Said::of("2 pours at 960 °C, 2 pulls.").about, "");
    }
}
