//! Reads TOML tables key by key, with the place of each. A table remembers which keys it was
//! asked for; [`Table::finish`] then refuses the others, so no list of known keys can go stale.

use std::cell::RefCell;
use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::error::Problems;
use super::known;

/// A value and where it was written.
#[derive(Clone, Debug)]
pub(super) struct At<T> {
    pub(super) value: T,
    pub(super) span: Range<usize>,
}

/// A table of the file while it is read.
pub(super) struct Table<'a> {
    entries: &'a DeTable<'a>,
    /// As the file writes it: `[shop]`, `[[machine]]`.
    pub(super) title: String,
    pub(super) span: Range<usize>,
    pub(super) problems: &'a Problems<'a>,
    asked: RefCell<Vec<&'static str>>,
    /// Needed keys that are not there, with an example of each.
    missing: RefCell<Vec<(&'static str, String)>>,
}

impl<'a> Table<'a> {
    pub(super) fn root(document: &'a Spanned<DeTable<'a>>, problems: &'a Problems<'a>) -> Self {
        Table {
            entries: document.get_ref(),
            title: "the top of the file".to_owned(),
            span: 0..0,
            problems,
            asked: RefCell::default(),
            missing: RefCell::default(),
        }
    }

    /// Whether the key is there at all, whatever its value.
    pub(super) fn has(&self, key: &str) -> bool {
        self.entries.contains_key(key)
    }

    /// Whether the key has a number, where text was meant.
    pub(super) fn has_number(&self, key: &str) -> bool {
        let number = |found: &Spanned<DeValue<'_>>| {
            matches!(found.get_ref(), DeValue::Integer(_) | DeValue::Float(_))
        };
        self.entries.get(key).is_some_and(number)
    }

    /// Counts a key as asked for without reading it.
    pub(super) fn known(&self, key: &'static str) {
        self.asked.borrow_mut().push(key);
    }

    /// A mistake at this table's heading.
    pub(super) fn wrong(&self, what: impl Into<String>) {
        self.problems.add(&self.span, what);
    }

    /// Where a key is written.
    pub(super) fn key_span(&self, key: &str) -> Range<usize> {
        self.entries
            .get_key_value(key)
            .map_or_else(|| self.span.clone(), |(k, _)| k.span())
    }

    /// Where a key's value is written.
    pub(super) fn value_span(&self, key: &str) -> Range<usize> {
        self.entries
            .get(key)
            .map_or_else(|| self.span.clone(), Spanned::span)
    }

    fn value(&self, key: &'static str) -> Option<&'a Spanned<DeValue<'a>>> {
        self.known(key);
        self.entries.get(key)
    }

    fn wrong_type(&self, key: &str, found: &Spanned<DeValue<'_>>, wanted: &str) {
        let found_words = match found.get_ref() {
            DeValue::String(_) => "text",
            DeValue::Integer(_) => "a whole number",
            DeValue::Float(_) => "a number",
            DeValue::Boolean(_) => "true or false",
            DeValue::Datetime(_) => "a date or time",
            DeValue::Array(_) => "a list",
            DeValue::Table(_) => "a table",
        };
        self.problems.add(
            &found.span(),
            format!("\"{key}\" is {found_words}; it must be {wanted}"),
        );
    }

    /// Text, if the key is there.
    pub(super) fn text(&self, key: &'static str, example: &str) -> Option<At<String>> {
        let found = self.value(key)?;
        match found.get_ref() {
            DeValue::String(text) => Some(At {
                value: text.to_string(),
                span: found.span(),
            }),
            _ => {
                self.wrong_type(key, found, &format!("text, like \"{example}\""));
                None
            }
        }
    }

    /// Text that must be there and say something. That it is not there is reported by
    /// [`Table::finish`], which knows whether it was only misspelt.
    pub(super) fn needed_text(&self, key: &'static str, example: &str) -> Option<At<String>> {
        if !self.has(key) {
            self.known(key);
            self.missing.borrow_mut().push((key, example.to_owned()));
            return None;
        }
        let text = self.text(key, example)?;
        if text.value.trim().is_empty() {
            self.problems.add(
                &text.span,
                format!("\"{key}\" is empty; write one, like \"{example}\""),
            );
            return None;
        }
        Some(text)
    }

    /// A finite number, whole or not, if the key is there.
    pub(super) fn number(&self, key: &'static str) -> Option<At<f64>> {
        let found = self.value(key)?;
        let value = match found.get_ref() {
            DeValue::Integer(n) if n.radix() == 10 => n.as_str().parse::<f64>().ok(),
            DeValue::Float(n) => n.as_str().parse::<f64>().ok(),
            _ => None,
        };
        match value {
            Some(value) if value.is_finite() => Some(At {
                value,
                span: found.span(),
            }),
            Some(_) => {
                let what = format!("\"{key}\" is not finite; write a plain number");
                self.problems.add(&found.span(), what);
                None
            }
            None => {
                self.wrong_type(key, found, "a plain number without quotes, like 4.5");
                None
            }
        }
    }

    /// A number from `least` to `most`, if the key is there; `None` as well if it is outside,
    /// which is then reported.
    pub(super) fn number_in(
        &self,
        key: &'static str,
        least: f64,
        most: f64,
        unit: &str,
    ) -> Option<At<f64>> {
        let number = self.number(key)?;
        if (least..=most).contains(&number.value) {
            return Some(number);
        }
        let gap = if unit.is_empty() { "" } else { " " };
        self.problems.add(
            &number.span,
            format!(
                "\"{key}\" is {}; it must be from {least} to {most}{gap}{unit}",
                number.value
            ),
        );
        None
    }

    /// True or false, if the key is there.
    pub(super) fn flag(&self, key: &'static str) -> Option<At<bool>> {
        let found = self.value(key)?;
        match found.get_ref() {
            DeValue::Boolean(value) => Some(At {
                value: *value,
                span: found.span(),
            }),
            _ => {
                self.wrong_type(key, found, "true or false, without quotes");
                None
            }
        }
    }

    /// A list of texts; empty if the key is absent.
    pub(super) fn texts(&self, key: &'static str, example: &str) -> Vec<At<String>> {
        let wanted = format!("a list of texts, like [\"{example}\"]");
        let Some(found) = self.value(key) else {
            return Vec::new();
        };
        let DeValue::Array(items) = found.get_ref() else {
            self.wrong_type(key, found, &wanted);
            return Vec::new();
        };
        let mut texts = Vec::new();
        for item in items {
            match item.get_ref() {
                DeValue::String(text) => texts.push(At {
                    value: text.to_string(),
                    span: item.span(),
                }),
                _ => self.wrong_type(key, item, &wanted),
            }
        }
        texts
    }

    /// A table inside this one, if the key is there.
    pub(super) fn table(&self, key: &'static str) -> Option<Table<'a>> {
        let found = self.value(key)?;
        let title = if self.title.starts_with('[') {
            format!("[{}.{key}]", self.title.trim_matches(['[', ']']))
        } else {
            format!("[{key}]")
        };
        match found.get_ref() {
            DeValue::Table(entries) => Some(self.inner(entries, title, self.place(key, found))),
            _ => {
                self.wrong_type(key, found, &format!("a table, begun with {title}"));
                None
            }
        }
    }

    /// The tables of a list written `[[key]]`; empty if the key is absent.
    pub(super) fn tables(&self, key: &'static str) -> Vec<Table<'a>> {
        let title = if self.title.starts_with('[') {
            format!("[[{}.{key}]]", self.title.trim_matches(['[', ']']))
        } else {
            format!("[[{key}]]")
        };
        let Some(found) = self.value(key) else {
            return Vec::new();
        };
        let wanted = format!("a list of tables, each begun with {title}");
        let DeValue::Array(items) = found.get_ref() else {
            self.wrong_type(key, found, &wanted);
            return Vec::new();
        };
        let mut tables = Vec::new();
        for item in items {
            match item.get_ref() {
                DeValue::Table(entries) => {
                    tables.push(self.inner(entries, title.clone(), item.span()));
                }
                _ => self.wrong_type(key, item, &wanted),
            }
        }
        tables
    }

    /// Every entry as a table with its key, for tables whose keys are names.
    pub(super) fn named_tables(&self) -> Vec<(At<String>, Option<Table<'a>>)> {
        let mut named: Vec<_> = self
            .entries
            .iter()
            .map(|(key, found)| {
                let name = At {
                    value: key.get_ref().to_string(),
                    span: key.span(),
                };
                let title = format!("[{}.{}]", self.title.trim_matches(['[', ']']), name.value);
                let table = match found.get_ref() {
                    DeValue::Table(entries) => {
                        let place = self.place(&name.value, found);
                        Some(self.inner(entries, title, place))
                    }
                    _ => {
                        let wanted = format!("a table, begun with {title}");
                        self.wrong_type(&name.value, found, &wanted);
                        None
                    }
                };
                (name, table)
            })
            .collect();
        named.sort_by_key(|(name, _)| name.span.start);
        named
    }

    fn inner(&self, entries: &'a DeTable<'a>, title: String, span: Range<usize>) -> Table<'a> {
        Table {
            entries,
            title,
            span,
            problems: self.problems,
            asked: RefCell::default(),
            missing: RefCell::default(),
        }
    }

    /// A table's own span is its heading; one that is only implied by its children has none
    /// worth showing, so its key's is taken.
    fn place(&self, key: &str, found: &Spanned<DeValue<'_>>) -> Range<usize> {
        let span = found.span();
        if span.is_empty() {
            self.key_span(key)
        } else {
            span
        }
    }

    /// Refuses every key that was not asked for and reports every needed one that is missing; a
    /// misspelt needed key is one mistake, not two.
    pub(super) fn finish(&self) {
        let mut asked = self.asked.borrow().clone();
        asked.sort_unstable();
        asked.dedup();
        let mut misspelt = Vec::new();
        for (key, _) in self.entries.iter() {
            let word: &str = key.get_ref();
            if !asked.contains(&word) {
                misspelt.extend(known::nearest(word, &asked));
                self.problems.add(
                    &key.span(),
                    format!(
                        "unknown key \"{}\"; {}",
                        word.escape_debug(),
                        known::advice(word, &asked, "keys")
                    ),
                );
            }
        }
        for (key, example) in self.missing.borrow().iter() {
            if !misspelt.contains(key) {
                self.wrong(format!(
                    "{} has no \"{key}\"; add {key} = \"{example}\"",
                    self.title
                ));
            }
        }
    }
}
