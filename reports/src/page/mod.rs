//! The pages: a weekly report, a session sheet and an index, each one self-contained HTML text
//! that needs no network and no script.
//!
//! | module | what it holds |
//! |---|---|
//! | [`shop`] | what pages are told about the shop, its machines, parts and troubles |
//! | [`week`] | the weekly report, its data and its parts |
//! | [`session`] | the session sheet |
//! | [`index`] | the list of all reports |
//! | [`cautions`] | what can hurt, and who to ask |
//! | [`sheet`] | sections and blocks, before they are HTML |

pub mod cautions;
pub mod index;
pub mod session;
pub mod sheet;
pub mod shop;
pub mod week;

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;

use minijinja::syntax::SyntaxConfig;
use minijinja::value::Serde;
use minijinja::{AutoEscape, Environment, UndefinedBehavior, Value};
use serde::Serialize;

pub use index::{Entry, Index};
pub use session::{GasLeft, SessionSheet};
pub use shop::{Machine, Part, Shop, Trouble};
pub use week::{Facts, Week};

/// A page could not be made.
#[derive(Debug, thiserror::Error)]
pub enum PageError {
    /// The week's number or year is no week of the calendar.
    #[error(
        "{year}-W{week:02} is no ISO 8601 week; years run from 0 to 9999 and weeks from 1 to 52 or 53"
    )]
    NoSuchWeek {
        /// The year asked for.
        year: i16,
        /// The week asked for.
        week: i8,
    },
    /// A chart could not be drawn.
    #[error(transparent)]
    Chart(#[from] crate::chart::ChartError),
    /// A template met data that it does not know.
    #[error("the page \"{page}\" could not be set: {source}; the records are not affected")]
    Template {
        /// The template's name.
        page: &'static str,
        /// Why.
        source: minijinja::Error,
    },
}

/// Every template by name. They are part of the program.
const TEMPLATES: [(&str, &str); 5] = [
    ("base.html", include_str!("templates/base.html")),
    ("blocks.html", include_str!("templates/blocks.html")),
    ("week.html", include_str!("templates/week.html")),
    ("session.html", include_str!("templates/session.html")),
    ("index.html", include_str!("templates/index.html")),
];

/// The style sheet of every page; the charts' own is appended.
const CSS: &str = include_str!("templates/page.css");

/// Templates with everything escaped, whatever a template is called, and no forgiveness for
/// names that do not exist.
fn environment() -> Result<Environment<'static>, minijinja::Error> {
    let mut env = Environment::new();
    env.set_auto_escape_callback(|_| AutoEscape::Html);
    env.set_undefined_behavior(UndefinedBehavior::Strict);
    // Tags stand on lines of their own and leave none behind.
    env.set_syntax(
        SyntaxConfig::builder()
            .trim_blocks(true)
            .lstrip_blocks(true)
            .build()?,
    );
    for (name, source) in TEMPLATES {
        env.add_template(name, source)?;
    }
    // A command breaks between its words and never within one, whatever hyphens they have.
    env.add_filter("words", |text: String| {
        text.split(' ').map(str::to_owned).collect::<Vec<String>>()
    });
    env.add_filter("tied", |text: String| crate::wording::tied(&text));
    // Style sheets are ours and hold nothing that came from outside; `>` in them must not be
    // escaped. They are told apart from text by being a global, not data.
    env.add_global("css", Value::from_safe_string(css()));
    Ok(env)
}

fn css() -> String {
    format!("{CSS}{}", crate::chart::style::CSS)
}

fn render<S: Serialize>(page: &'static str, data: &S) -> Result<String, PageError> {
    let fail = |source| PageError::Template { page, source };
    let env = environment().map_err(fail)?;
    let template = env.get_template(page).map_err(fail)?;
    template.render(Value::from(Serde(data))).map_err(fail)
}

/// The weekly report as one HTML text.
///
/// # Errors
/// [`PageError`] for a week that does not exist, or if drawing or setting fails.
pub fn render_week(week: &Week) -> Result<String, PageError> {
    render("week.html", &week.view()?)
}

/// The weekly report, as [`render_week`], with a line beneath its date that says why it was made
/// anew.
///
/// # Errors
/// As [`render_week`].
pub fn render_week_anew(week: &Week, why: &str) -> Result<String, PageError> {
    #[derive(Serialize)]
    struct Anew<'a> {
        #[serde(flatten)]
        week: week::WeekView,
        anew: &'a str,
    }
    let week = week.view()?;
    render("week.html", &Anew { week, anew: why })
}

/// The session sheet as one HTML text.
///
/// # Errors
/// [`PageError`] if drawing or setting fails.
pub fn render_session(sheet: &SessionSheet) -> Result<String, PageError> {
    render("session.html", &sheet.view()?)
}

/// The index as one HTML text.
///
/// # Errors
/// [`PageError`] if setting fails.
pub fn render_index(index: &Index) -> Result<String, PageError> {
    render("index.html", &index.view())
}
