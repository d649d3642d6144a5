//! The weekly report: what it is told, and its sections in the order in which a caster needs
//! them on a Monday morning.
//!
//! | module | what it holds |
//! |---|---|
//! | [`facts`] | what it is told beside flasks and evidence |
//! | `sorted` | the week sorted out |
//! | [`mod@todo`] | the three things to do |
//! | [`answers`] | one row per alloy and section with what the evidence says |
//! | [`in_figures`] | the week against the eight before |
//! | [`bad_flasks`] | each bad flask beside its nearest good one |
//! | [`waiting`] | flasks that nobody has counted |
//! | [`temperature`] | defects over pour temperature, alloy by alloy |
//! | [`effects`] | what else matters |
//! | [`kinds`] | defects by kind |
//! | [`both_temperatures`] | pour and flask temperature together |
//! | [`seals`] | every pull, and when to change the gasket |
//! | `signals` | what a watched series says of the week |
//! | [`since`] | what changed since last week |
//! | [`helped`] | whether a change of target or part helped |
//! | [`watching`] | pours against their target, defects session by session |
//! | [`gas`] | cover gas and cylinder |
//! | [`parts`] | parts and their ages |
//! | [`pours`] | every pour of the week side by side |
//! | [`every_flask`] | every flask of the week in a table |
//! | [`trouble`] | what was wrong with the data |
//! | [`method`] | how it was worked out |

pub mod answers;
pub mod bad_flasks;
pub mod both_temperatures;
pub mod effects;
pub mod every_flask;
pub mod facts;
pub mod gas;
pub mod helped;
pub mod in_figures;
pub mod kinds;
pub mod method;
pub mod parts;
pub mod pours;
pub mod seals;
mod signals;
pub mod since;
mod sorted;
pub mod temperature;
pub mod todo;
pub mod trouble;
pub mod waiting;
pub mod watching;

use analysis::alloy::Alloys;
use analysis::defect::DefectKinds;
use analysis::evidence::Evidence;
use analysis::flask::Flask;
use analysis::pour::{PourRow, PullRow};
use analysis::time::Micros;
use jiff::civil::{ISOWeekDate, Weekday};
use jiff::tz::TimeZone;
use serde::Serialize;

use super::sheet::Section;
use super::shop::{Machine, Part, Shop, Trouble};
use super::{PageError, cautions};
use crate::wording;
pub use facts::Facts;
pub(super) use sorted::Sorted;

/// What the weekly report is made from.
#[derive(Clone, Debug)]
pub struct Week {
    /// The shop.
    pub shop: Shop,
    /// ISO 8601 week year.
    pub year: i16,
    /// ISO 8601 week, 1–53.
    pub week: i8,
    /// When the report was made.
    pub made_at: Micros,
    /// The version of pourbook that made it.
    pub version: String,
    /// Every flask that the evidence may use, those of this week included, in any order.
    /// Flasks poured after the week are left out by the report.
    pub flasks: Vec<Flask>,
    /// The pours of the week, in order of time.
    pub pours: Vec<PourRow>,
    /// The pulls of the week, in order of time.
    pub pulls: Vec<PullRow>,
    /// What these flasks say about defects that may steer the pour temperature.
    pub evidence: Evidence,
    /// The kinds of defect that the shop knows, as the evidence was asked with.
    pub kinds: DefectKinds,
    /// The alloys that the shop knows, as the evidence was asked with.
    pub alloys: Alloys,
    /// The machines and what they sense.
    pub machines: Vec<Machine>,
    /// The parts in use.
    pub parts: Vec<Part>,
    /// What was wrong with the week's data.
    pub troubles: Vec<Trouble>,
    /// Session sheets of the week: the session's name and a link relative to this page.
    pub sheets: Vec<(String, String)>,
    /// What else is known of the week.
    pub facts: Facts,
}

/// A week's first moment and that of the week after, in the shop's time zone.
///
/// # Errors
/// [`PageError::NoSuchWeek`] for a week that the year does not have.
pub fn bounds(year: i16, week: i8, zone: &TimeZone) -> Result<(Micros, Micros), PageError> {
    let no = |_| PageError::NoSuchWeek { year, week };
    let monday = ISOWeekDate::new(year, week, Weekday::Monday)
        .map_err(no)?
        .date();
    let start = |date: jiff::civil::Date| {
        date.to_zoned_datetime(zone.clone())
            .map(|z| Micros(z.timestamp().as_microsecond()))
            .map_err(no)
    };
    let next = monday.checked_add(jiff::Span::new().days(7)).map_err(no)?;
    Ok((start(monday)?, start(next)?))
}

#[derive(Serialize)]
pub(super) struct WeekView {
    title: String,
    shop: String,
    invented: bool,
    days: String,
    made: String,
    todo_title: String,
    todo: Vec<todo::Todo>,
    answers: Section,
    sections: Vec<Section>,
    cautions: Vec<String>,
    defer: String,
}

impl Week {
    pub(super) fn view(&self) -> Result<WeekView, PageError> {
        let sorted = Sorted::new(self)?;
        let zone = &self.shop.zone;
        let sections = vec![
            in_figures::section(&sorted),
            bad_flasks::section(&sorted),
            waiting::section(&sorted),
            temperature::section(&sorted)?,
            effects::section(&sorted)?,
            kinds::section(&sorted)?,
            both_temperatures::section(&sorted)?,
            seals::section(&sorted)?,
            since::section(&sorted),
            helped::section(&sorted)?,
            watching::section(&sorted)?,
            gas::section(&sorted)?,
            parts::section(&sorted),
            pours::section(&sorted)?,
            every_flask::section(&sorted),
            trouble::section(&sorted),
            method::section(&sorted),
        ];
        let todo = todo::three(&sorted);
        Ok(WeekView {
            title: format!("Week {}, {}", self.week, self.year),
            shop: wording::shortened(&self.shop.name),
            invented: self.shop.invented,
            days: days(&sorted),
            made: format!(
                "Made {} by pourbook {}.",
                wording::local(self.made_at, zone).strftime("%a %-d %b %Y, %H:%M"),
                self.version
            ),
            todo_title: match todo.len() {
                1 => "One thing to do".to_owned(),
                2 => "Two things to do".to_owned(),
                _ => "Three things to do".to_owned(),
            },
            todo,
            answers: answers::section(&sorted),
            sections,
            cautions: cautions::CAUTIONS.iter().map(|c| (*c).to_owned()).collect(),
            defer: cautions::DEFER.to_owned(),
        })
    }
}

/// The days of the week: `Monday 16 to Sunday 22 November 2026`.
fn days(sorted: &Sorted<'_>) -> String {
    let zone = &sorted.week.shop.zone;
    let first = wording::local(sorted.from, zone);
    let last = wording::local(sorted.until.plus_seconds(-1.0), zone);
    let from = if first.year() != last.year() {
        "%A %-d %B %Y"
    } else if first.month() != last.month() {
        "%A %-d %B"
    } else {
        "%A %-d"
    };
    format!(
        "{} to {}",
        first.strftime(from),
        last.strftime("%A %-d %B %Y")
    )
}
