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
    /// The answers, one row each.
    Answers {
        /// The rows.
        rows: Vec<Answer>,
    },
    /// Sentences for those who want to know more, set smaller.
    Notes {
        /// The sentences.
        items: Vec<String>,
    },
    /// How to read what stands above, set smaller.
    Small {
        /// The text.
        text: String,
    },
    /// A long table behind a line that opens it.
    Folded {
        /// The line.
        title: String,
        /// The table.
        table: Table,
    },
    /// Nothing to show: what is missing and how to supply it.
    Missing {
        /// What is missing.
        what: String,
        /// How to supply it.
        supply: String,
        /// The very commands or lines of the configuration, if there are any.
        lines: Vec<String>,
    },
}

/// What to pour one alloy and section at.
#[derive(Clone, Debug, Serialize)]
pub struct Answer {
    /// The alloy and section.
    pub name: String,
    /// What to do, in a few large words.
    pub verdict: String,
    /// What does not agree with it yet; empty where all does.
    pub beside: String,
    /// How sure that is.
    pub sure: String,
    /// The same as a word for the style sheet: `none`, `weak`, `fair` or `strong`.
    pub grade: &'static str,
    /// The answer with its figures.
    pub sentence: String,
    /// The trial that runs or could be begun; empty without one.
    pub trial: String,
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

    /// The same figure without its heading, where that of the section says the same.
    #[must_use]
    pub fn untitled(mut self) -> Drawn {
        self.title.clear();
        self
    }

    /// The same figure under a heading that tells it apart from others of its kind.
    #[must_use]
    pub fn titled(mut self, title: String) -> Drawn {
        self.title = title;
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
            lines: Vec::new(),
        }
    }

    /// The same with the commands, or the lines of the configuration, that supply it.
    #[must_use]
    pub fn with_lines(mut self, all: impl IntoIterator<Item = impl Into<String>>) -> Block {
        if let Block::Missing { lines, .. } = &mut self {
            lines.extend(all.into_iter().map(Into::into));
        }
        self
    }

    /// How to read what stands above.
    pub fn small(text: impl Into<String>) -> Block {
        Block::Small { text: text.into() }
    }
}
