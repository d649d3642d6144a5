//! A table of finished texts, as pages print it: a caption, heads and rows. Numbers are set to
//! the right, and a cell that is a name someone typed is kept apart from the text around it.

use serde::Serialize;

/// One cell.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Cell {
    /// The text; empty where there is nothing to say.
    pub text: String,
    /// Whether it is text that somebody typed, which may run in any direction and length.
    pub typed: bool,
    /// Whether to set it off because it asks for attention.
    pub strong: bool,
}

impl Cell {
    /// A cell of our own words or numbers.
    pub fn plain(text: impl Into<String>) -> Cell {
        Cell {
            text: text.into(),
            typed: false,
            strong: false,
        }
    }

    /// A cell of somebody's own words, shortened if very long.
    pub fn typed(text: &str) -> Cell {
        Cell {
            text: crate::wording::shortened(text),
            typed: true,
            strong: false,
        }
    }

    /// The same cell, set off.
    #[must_use]
    pub fn strong_if(mut self, strong: bool) -> Cell {
        self.strong = strong;
        self
    }
}

/// A column's head.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Head {
    /// Its name, with the unit.
    pub text: String,
    /// Whether the column holds numbers.
    pub number: bool,
}

/// A table.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Table {
    /// What it holds, for those who meet it without its surroundings.
    pub caption: String,
    /// The columns.
    pub heads: Vec<Head>,
    /// The rows, each as long as the heads.
    pub rows: Vec<Vec<Cell>>,
    /// Whether its rows become blocks where there is no room, because its cells are sentences.
    /// Other tables scroll inside their own box.
    pub restack: bool,
    /// Whether it is set small, having many columns.
    pub dense: bool,
}

impl Table {
    /// An empty table. A column name that begins with `#` is a column of numbers.
    pub fn new(caption: impl Into<String>, heads: &[&str]) -> Table {
        Table {
            caption: caption.into(),
            heads: heads
                .iter()
                .map(|h| Head {
                    text: h.trim_start_matches('#').to_owned(),
                    number: h.starts_with('#'),
                })
                .collect(),
            rows: Vec::new(),
            restack: false,
            dense: false,
        }
    }

    /// The same table, with rows that become blocks where there is no room.
    #[must_use]
    pub fn restacking(mut self) -> Table {
        self.restack = true;
        self
    }

    /// The same table, set small.
    #[must_use]
    pub fn dense(mut self) -> Table {
        self.dense = true;
        self
    }

    /// Adds a row; too short a row is filled with empty cells.
    pub fn push(&mut self, mut row: Vec<Cell>) {
        row.resize(self.heads.len(), Cell::plain(""));
        self.rows.push(row);
    }

    /// The same table turned on its side: each column becomes a row with its head in front, and
    /// the first column becomes the heads. For few things with many measures.
    #[must_use]
    pub fn turned(self, first_head: &str) -> Table {
        let mut turned = Table::new(self.caption, &[first_head]);
        turned.heads.extend(self.rows.iter().map(|row| Head {
            text: row.first().map(|c| c.text.clone()).unwrap_or_default(),
            number: true,
        }));
        for (i, head) in self.heads.into_iter().enumerate().skip(1) {
            let cells = self.rows.iter().filter_map(|row| row.get(i).cloned());
            turned.push(
                std::iter::once(Cell::plain(head.text))
                    .chain(cells)
                    .collect(),
            );
        }
        turned
    }

    /// Leaves out the columns in which no row says anything.
    #[must_use]
    pub fn without_empty_columns(mut self) -> Table {
        let keep: Vec<bool> = (0..self.heads.len())
            .map(|i| self.rows.iter().any(|r| !r[i].text.is_empty()))
            .collect();
        let mut at = keep.iter();
        self.heads.retain(|_| *at.next().unwrap_or(&true));
        for row in &mut self.rows {
            let mut at = keep.iter();
            row.retain(|_| *at.next().unwrap_or(&true));
        }
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_column_that_says_nothing_is_left_out() {
        let mut t = Table::new("t", &["flask", "#vacuum [mbar]", "#gas [L/min]"]);
        t.push(vec![Cell::typed("A"), Cell::plain(""), Cell::plain("2.0")]);
        t.push(vec![Cell::typed("B")]);
        let t = t.without_empty_columns();
        assert_eq!(t.heads.len(), 2);
        assert_eq!(t.rows[0][1].text, "2.0");
        assert_eq!(t.rows[1].len(), 2);
        let turned = t.turned("measure");
        assert_eq!(turned.heads[2].text, "B");
        assert_eq!(turned.rows[0][0].text, "gas [L/min]");
        assert_eq!(turned.rows[0][1].text, "2.0");
    }
}
