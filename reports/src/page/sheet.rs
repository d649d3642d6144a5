//! What a page is made of before it is HTML: sections of texts, lists, tables and figures. The
//! templates only lay these out; every number in them is already a text.

use minijinja::Value;
use serde::Serialize;

use crate::chart::Figure;
use crate::table::Table;

/// A part of a page with a heading.
#[derive(Clone, Debug, Serialize)]
pub struct Section {
    /// Anchor, unique in the page.
    pub id: &'static str,
    /// Its heading.
    pub title: String,
    /// What it holds, in order.
    pub blocks: Vec<Block>,
}

/// A piece of a section.
#[derive(Clone, Debug, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Block {
    /// A paragraph.
    Text {
        /// The text.
        text: String,
    },
    /// A heading within the section.
    Heading {
        /// The text.
        text: String,
    },
    /// A list of sentences.
    List {
        /// The sentences.
        items: Vec<String>,
    },
    /// A table.
    Table {
        /// The table.
        table: Table,
    },
    /// Links to other pages.
    Links {
        /// Their texts and where they lead (plain relative paths).
        links: Vec<Link>,
    },
    /// Charts, side by side where there is room.
    Figures {
        /// The charts.
        figures: Vec<Drawn>,
    },
    /// Commands to copy.
    Commands {
        /// What they are for.
        intro: String,
        /// The commands.
        commands: Vec<Command>,
    },
    /// Nothing to show: what is missing and how to supply it.
    Missing {
        /// What is missing.
        what: String,
        /// How to supply it.
        supply: String,
    },
}

/// A command that a reader may copy into a terminal.
#[derive(Clone, Debug, Serialize)]
pub struct Command {
    /// What it does.
    pub what: String,
    /// The command, as it is to be typed.
    pub line: String,
}

/// A link to another page of the book.
#[derive(Clone, Debug, Serialize)]
pub struct Link {
    /// What it says.
    pub text: String,
    /// Where it leads; empty for nowhere.
    pub href: String,
}

/// A figure as the templates take it.
#[derive(Clone, Debug, Serialize)]
pub struct Drawn {
    /// Its heading.
    title: String,
    /// How to read it.
    note: String,
    /// The drawing.
    svg: Value,
    /// The drawing for a phone, or none.
    narrow: Option<Value>,
    /// The same in numbers.
    table: Table,
    /// Whether it takes the whole width.
    wide: bool,
    /// Whether its numbers stand open beside it and not folded below.
    beside: bool,
    /// Who says what it shows, below it.
    word: String,
    /// How to put that right.
    commands: Vec<Command>,
    /// Whether the commands are folded away.
    folded: bool,
}

impl From<Figure> for Drawn {
    fn from(f: Figure) -> Drawn {
        // The one place where markup enters a page unescaped: a `SafeSvg` can only come from
        // the drawing surface, which escapes every text it writes.
        let safe =
            |svg: &crate::chart::svg::SafeSvg| Value::from_safe_string(svg.as_str().to_owned());
        Drawn {
            svg: safe(&f.svg),
            wide: f.narrow.is_some(),
            beside: false,
            word: String::new(),
            commands: Vec::new(),
            folded: true,
            narrow: f.narrow.as_ref().map(safe),
            title: f.title,
            note: f.note,
            table: f.table,
        }
    }
}

impl Drawn {
    /// The same figure with a word below it and commands that put it right.
    #[must_use]
    pub fn with_word(mut self, word: String, commands: Vec<Command>, folded: bool) -> Drawn {
        self.word = word;
        self.commands = commands;
        self.folded = folded;
        self
    }

    /// The same figure with its numbers open beside it.
    #[must_use]
    pub fn with_numbers_beside(mut self) -> Drawn {
        self.beside = true;
        self
    }
}

impl Block {
    /// A paragraph.
    pub fn text(text: impl Into<String>) -> Block {
        Block::Text { text: text.into() }
    }

    /// Nothing to show, and what to do about it.
    pub fn missing(what: impl Into<String>, supply: impl Into<String>) -> Block {
        Block::Missing {
            what: what.into(),
            supply: supply.into(),
        }
    }
}
