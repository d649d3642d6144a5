//! What is wrong with a configuration, and where: a line of words for each mistake, placed by
//! line and column. Collects while the file is read, so that one reading finds them all.

use std::cell::RefCell;
use std::fmt;
use std::ops::Range;
use std::path::PathBuf;

/// How many mistakes are said at once; the rest are counted.
const SHOWN: usize = 8;

/// One mistake, or one thing worth mending.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// The file, as errors call it.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What is wrong and how to mend it.
    pub what: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Problem {
            file,
            line,
            column,
            what,
        } = self;
        write!(f, "{file} line {line}, column {column}: {what}")
    }
}

/// Why there is no configuration.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ConfigError {
    /// The file could not be read.
    #[error("cannot read the configuration {}: {why}", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// Why, and how to mend it.
        why: String,
    },
    /// The file was read and is wrong; never empty, in the order of the file.
    #[error("{}", lines(.0))]
    Wrong(Vec<Problem>),
}

impl ConfigError {
    /// The mistakes, if the file could be read.
    pub fn problems(&self) -> &[Problem] {
        match self {
            ConfigError::Unreadable { .. } => &[],
            ConfigError::Wrong(problems) => problems,
        }
    }
}

fn lines(problems: &[Problem]) -> String {
    let mut shown: Vec<String> = problems.iter().take(SHOWN).map(|p| p.to_string()).collect();
    match problems.len().saturating_sub(SHOWN) {
        0 => {}
        1 => shown.push("and 1 more".to_owned()),
        more => shown.push(format!("and {more} more")),
    }
    shown.join("\n")
}

/// The commonest reasons of the system in the words of a shop.
pub(super) fn in_words(error: &std::io::Error) -> String {
    match error.kind() {
        std::io::ErrorKind::NotFound => "there is no such file".to_owned(),
        std::io::ErrorKind::PermissionDenied => {
            "it may not be read by the user that pourbook runs as".to_owned()
        }
        std::io::ErrorKind::IsADirectory => "it is a folder, not a file".to_owned(),
        _ => error.to_string(),
    }
}

/// Collects mistakes while the file is read.
pub(super) struct Problems<'a> {
    text: &'a str,
    file: &'a str,
    found: RefCell<Vec<(usize, String)>>,
    warned: RefCell<Vec<(usize, String)>>,
}

impl<'a> Problems<'a> {
    pub(super) fn new(text: &'a str, file: &'a str) -> Self {
        Problems {
            text,
            file,
            found: RefCell::new(Vec::new()),
            warned: RefCell::new(Vec::new()),
        }
    }

    /// A mistake at a place in the text.
    pub(super) fn add(&self, at: &Range<usize>, what: impl Into<String>) {
        self.found.borrow_mut().push((at.start, what.into()));
    }

    /// A mistake of the whole file.
    pub(super) fn at_start(&self, what: impl Into<String>) {
        self.add(&(0..0), what);
    }

    /// Something allowed but worth mending.
    pub(super) fn warn(&self, at: &Range<usize>, what: impl Into<String>) {
        self.warned.borrow_mut().push((at.start, what.into()));
    }

    /// A mistake that the TOML parser found.
    pub(super) fn syntax(&self, error: &toml::de::Error) {
        let span = error.span().unwrap_or(0..0);
        let slice = self.text.get(span.clone()).unwrap_or_default();
        let what = match error.message() {
            "duplicate key" => {
                let key = slice.trim_matches(|c| "[]\"' ".contains(c));
                format!("\"{key}\" is set twice here; keep one")
            }
            message => format!("{}; this is not TOML", message.replace('`', "\"")),
        };
        self.add(&span, what);
    }

    pub(super) fn any(&self) -> bool {
        !self.found.borrow().is_empty()
    }

    /// How many there are so far, to see whether a step found any.
    pub(super) fn count(&self) -> usize {
        self.found.borrow().len()
    }

    pub(super) fn into_error(self) -> ConfigError {
        let found = self.found.take();
        ConfigError::Wrong(self.placed(found))
    }

    pub(super) fn into_warnings(self) -> Vec<Problem> {
        let warned = self.warned.take();
        self.placed(warned)
    }

    fn placed(&self, mut at: Vec<(usize, String)>) -> Vec<Problem> {
        at.sort_by_key(|(offset, _)| *offset);
        at.dedup();
        at.into_iter()
            .map(|(offset, what)| {
                let (line, column) = line_and_column(self.text, offset);
                Problem {
                    file: self.file.to_owned(),
                    line,
                    column,
                    what,
                }
            })
            .collect()
    }
}

/// Line and column, both from 1, of a byte offset; columns count characters, as editors do.
fn line_and_column(text: &str, offset: usize) -> (usize, usize) {
    let mut offset = offset.min(text.len());
    while !text.is_char_boundary(offset) {
        offset -= 1;
    }
    let before = &text[..offset];
    let line_start = before.rfind('\n').map_or(0, |n| n + 1);
    (
        before.matches('\n').count() + 1,
        before[line_start..].chars().count() + 1,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_count_as_an_editor_does() {
        let text = "a = 1\nb = \"°\" # x\n";
        assert_eq!(line_and_column(text, 0), (1, 1));
        assert_eq!(line_and_column(text, 6), (2, 1));
        let after_degree = text.find(" #").map(|n| n + 1);
        assert_eq!(after_degree.map(|n| line_and_column(text, n)), Some((2, 9)));
        // Inside the two bytes of the degree sign counts as at the sign.
        assert_eq!(line_and_column(text, 12), (2, 6));
        assert_eq!(line_and_column(text, 999), (3, 1));
    }

    #[test]
    fn a_long_list_is_cut_and_counted() {
        let problems = Problems::new("\n\n\n", "x.toml");
        for n in 0..SHOWN + 2 {
            problems.add(&(0..0), format!("mistake {n}"));
        }
        let text = problems.into_error().to_string();
        assert_eq!(text.lines().count(), SHOWN + 1);
        assert!(text.ends_with("and 2 more"), "{text}");
    }
}
