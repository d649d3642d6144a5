//! The index: every report and session sheet, newest first, with its answer in one sentence.

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
    weeks: Vec<Entry>,
    sessions: Vec<Entry>,
}

impl Index {
    pub(super) fn view(&self) -> IndexView {
        IndexView {
            title: "Reports".to_owned(),
            shop: wording::shortened(&self.shop.name),
            invented: self.shop.invented,
            weeks: newest_first(&self.weeks),
            sessions: newest_first(&self.sessions),
        }
    }
}

/// Sorted by name, newest first. A link that could lead out of the reports' folder, or that a
/// browser could take for a script, is dropped: the entry stays as text.
fn newest_first(entries: &[Entry]) -> Vec<Entry> {
    let mut entries: Vec<Entry> = entries
        .iter()
        .map(|e| Entry {
            name: wording::shortened(&e.name),
            href: safe_link(&e.href),
            sentences: e.sentences.clone(),
        })
        .collect();
    entries.sort_by(|a, b| b.name.cmp(&a.name));
    entries
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
        assert_eq!(safe_link("sessions/2026-11-18T0912-bench-1.html"), "sessions/2026-11-18T0912-bench-1.html");
        for bad in ["javascript:alert(1)", "//elsewhere", "../../etc", "a b", "x\"onclick="] {
            assert_eq!(safe_link(bad), "", "{bad}");
        }
    }

    #[test]
    fn the_newest_report_comes_first() {
        let e = |n: &str| Entry { name: n.to_owned(), href: String::new(), sentences: vec![] };
        let names: Vec<String> = newest_first(&[e("2026-W09"), e("2026-W47"), e("2025-W52")])
            .into_iter().map(|e| e.name).collect();
        assert_eq!(names, ["2026-W47", "2026-W09", "2025-W52"]);
    }
}
