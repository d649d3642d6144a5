//! The weekly report: what it is told, and its sections in the order in which a caster needs
//! them on a Monday morning.

use analysis::alloy::Alloys;
use analysis::defect::DefectKinds;
use analysis::evidence::{Evidence, Outcome};
use analysis::flask::Flask;
use analysis::pour::{PourRow, PullRow};
use analysis::time::Micros;
use jiff::civil::{ISOWeekDate, Weekday};
use jiff::tz::TimeZone;
use serde::Serialize;

use super::answers;
use super::index::safe_link;
use super::sheet::{Block, Link, Section};
use super::shop::{Machine, Part, Shop, Trouble};
use super::{PageError, bad_flasks, cautions, in_figures, settings, todo};
use crate::rates::Counting;
use crate::table::{Cell, Table};
use crate::{verdicts, wording};

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

/// The week, sorted out: what the sections are made from.
pub(super) struct Sorted<'a> {
    /// The data as given.
    pub week: &'a Week,
    /// Counting pieces with any defect.
    pub any: Counting,
    /// Counting pieces with a defect that may steer the pour temperature.
    pub steering: Counting,
    /// The week's first moment.
    pub from: Micros,
    /// Flasks of this week, in order of time.
    pub now: Vec<&'a Flask>,
    /// Flasks of the eight weeks before, in order of time.
    pub before: Vec<&'a Flask>,
    /// All flasks up to the end of the week, in order of time.
    pub all: Vec<&'a Flask>,
}

/// How many weeks a week is compared with.
pub(super) const WEEKS_BEFORE: u32 = 8;

impl<'a> Sorted<'a> {
    pub(super) fn new(week: &'a Week) -> Result<Sorted<'a>, PageError> {
        let (from, until) = bounds(week.year, week.week, &week.shop.zone)?;
        let mut all: Vec<&Flask> = week.flasks.iter().filter(|f| f.cast_at < until).collect();
        all.sort_by(|a, b| {
            (a.cast_at, &a.session, &a.label, &a.id).cmp(&(b.cast_at, &b.session, &b.label, &b.id))
        });
        let eight_weeks = from.plus_seconds(-f64::from(WEEKS_BEFORE) * 7.0 * 86_400.0);
        Ok(Sorted {
            week,
            any: Counting::new(Outcome::Any, &week.kinds),
            steering: Counting::new(Outcome::Steering, &week.kinds),
            from,
            now: all.iter().copied().filter(|f| f.cast_at >= from).collect(),
            before: all
                .iter()
                .copied()
                .filter(|f| f.cast_at < from && f.cast_at >= eight_weeks)
                .collect(),
            all,
        })
    }

    /// Flasks of this week that nobody has inspected, in order of time.
    pub(super) fn uninspected(&self) -> Vec<&'a Flask> {
        let none = |f: &&&Flask| f.pieces.is_none_or(|p| p == 0);
        self.now.iter().filter(none).copied().collect()
    }

    /// How to call a flask where it stands alone: its label and its day.
    pub(super) fn name(&self, flask: &Flask) -> String {
        format!(
            "{} ({})",
            wording::isolated(&flask.label),
            wording::day(flask.cast_at, &self.week.shop.zone)
        )
    }

    /// Whether any machine senses this channel; true if no machine is known, so that nothing
    /// is called missing that may be there.
    pub(super) fn senses(&self, channel: analysis::channel::Channel) -> bool {
        self.week.machines.is_empty()
            || self
                .week
                .machines
                .iter()
                .any(|m| m.senses.contains(&channel))
    }
}

#[derive(Serialize)]
pub(super) struct WeekView {
    title: String,
    shop: String,
    invented: bool,
    week: String,
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
        let last_day = sorted.from.plus_seconds(6.5 * 86_400.0);
        let sections = vec![
            in_figures::section(&sorted),
            bad_flasks::section(&sorted),
            waiting(&sorted),
            settings::over_settings(&sorted)?,
            settings::by_kind(&sorted)?,
            pulls(&sorted),
            parts(&sorted),
            every_flask(&sorted),
            troubles(&sorted),
            method(&sorted),
        ];
        let todo = todo::three(&sorted);
        Ok(WeekView {
            title: format!("Week {}, {}", self.week, self.year),
            shop: wording::shortened(&self.shop.name),
            invented: self.shop.invented,
            week: format!("{:04}-W{:02}", self.year, self.week),
            days: format!(
                "{} to {}",
                wording::full_day(sorted.from, zone),
                wording::full_day(last_day, zone)
            ),
            made: format!(
                "Made {} by pourbook {}",
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

fn waiting(sorted: &Sorted<'_>) -> Section {
    let waiting = sorted.uninspected();
    let blocks = if waiting.is_empty() {
        vec![Block::text(if sorted.now.is_empty() {
            "No flask was poured this week."
        } else {
            "Every flask of the week has been inspected."
        })]
    } else {
        vec![
            Block::text(format!(
                "{} of the week {} not been counted yet. The rates leave {} out; the more are missing, the less they say.",
                wording::count(waiting.len() as u64, "flask"),
                if waiting.len() == 1 { "has" } else { "have" },
                if waiting.len() == 1 { "it" } else { "them" },
            )),
            Block::List {
                items: waiting
                    .iter()
                    .map(|f| {
                        let what: Vec<&str> = [&f.alloy, &f.section]
                            .into_iter()
                            .filter_map(|w| w.as_deref())
                            .collect();
                        let poured = wording::day_and_time(f.cast_at, &sorted.week.shop.zone);
                        let mut text = format!("{}, poured {poured}", wording::isolated(&f.label));
                        if !what.is_empty() {
                            text += &format!(", {}", wording::isolated(&what.join(" ")));
                        }
                        text
                    })
                    .collect(),
            },
        ]
    };
    Section {
        id: "waiting",
        title: "Waiting for inspection".to_owned(),
        blocks,
    }
}

fn pulls(sorted: &Sorted<'_>) -> Section {
    use analysis::channel::Channel;
    let week = sorted.week;
    let shown = &week.shop.shown;
    let mut blocks = Vec::new();
    if week.pulls.is_empty() {
        if sorted.senses(Channel::Vacuum) || sorted.senses(Channel::VacuumValve) {
            blocks.push(Block::text("No pull of vacuum was found this week."));
        } else {
            blocks.push(Block::missing(
                "No machine senses vacuum, so pulls cannot be judged and a tired seal will show only in the castings.",
                "Give a machine a vacuum sensor: in pourbook.toml, [machine.channels.vacuum] with its topic, unit and sense.",
            ));
        }
    } else {
        let bad = week.pulls.iter().filter(|p| verdicts::is_bad(p)).count() as u64;
        let poured = week.pulls.iter().filter(|p| p.poured).count() as u64;
        let total = week.pulls.len() as u64;
        let mut text = match (total, poured) {
            (1, 1) => "1 pull, and it ended in a pour.".to_owned(),
            (1, _) => "1 pull, and it was called off.".to_owned(),
            (_, 0) => format!("{total} pulls, none of them ended in a pour."),
            (_, 1) => format!("{total} pulls, 1 of them ended in a pour."),
            _ if poured == total => format!("{total} pulls, all of them ended in a pour."),
            _ => format!("{total} pulls, {poured} of them ended in a pour."),
        };
        text += &match bad {
            0 => " None was weak or missing.".to_owned(),
            1 => " One was weak or missing.".to_owned(),
            n => format!(" {n} were weak or missing."),
        };
        blocks.push(Block::text(text));
        blocks.push(Block::Table {
            table: verdicts::table(&week.pulls, shown, &week.shop.zone, true),
        });
    }
    Section {
        id: "pulls",
        title: "Pulls of the week".to_owned(),
        blocks,
    }
}

fn parts(sorted: &Sorted<'_>) -> Section {
    let week = sorted.week;
    let mut blocks = Vec::new();
    if week.parts.is_empty() {
        blocks.push(Block::missing(
            "No part change has been recorded, so the age of gaskets, rods and crucibles is not known.",
            "After the next change: pourbook record part, with the machine and what was changed.",
        ));
    } else {
        let mut table = Table::new(
            "Parts in use and their ages",
            &[
                "machine",
                "part",
                "changed",
                "#days",
                "#pours since",
                "note",
            ],
        );
        let mut parts: Vec<&Part> = week.parts.iter().collect();
        parts.sort_by(|a, b| (&a.machine, &a.kind).cmp(&(&b.machine, &b.kind)));
        for part in parts {
            let days = week.made_at.seconds_since(part.changed_at) / 86_400.0;
            table.push(vec![
                Cell::typed(&part.machine),
                Cell::typed(&part.kind),
                Cell::plain(wording::full_day(part.changed_at, &week.shop.zone)),
                Cell::plain(format!("{:.0}", days.max(0.0).floor())),
                Cell::plain(part.pours_since.map(|n| n.to_string()).unwrap_or_default()),
                Cell::typed(part.note.as_deref().unwrap_or("")),
            ]);
        }
        blocks.push(Block::Table {
            table: table.without_empty_columns(),
        });
    }
    Section {
        id: "parts",
        title: "Parts and their ages".to_owned(),
        blocks,
    }
}

fn every_flask(sorted: &Sorted<'_>) -> Section {
    let week = sorted.week;
    let mut blocks = Vec::new();
    if sorted.now.is_empty() {
        blocks.push(Block::missing(
            "No flask was poured this week.",
            "Pours are found by themselves once a melt temperature is heard; cards and counts: pourbook record flask, pourbook record inspection. Paper records: pourbook import castings.",
        ));
    } else {
        blocks.push(Block::Table {
            table: flask_table(sorted),
        });
    }
    if !week.sheets.is_empty() {
        blocks.push(Block::Heading {
            text: "Session sheets".to_owned(),
        });
        blocks.push(Block::Links {
            links: week
                .sheets
                .iter()
                .map(|(name, href)| Link {
                    text: wording::shortened(name),
                    href: safe_link(href),
                })
                .collect(),
        });
    }
    Section {
        id: "flasks",
        title: "Every flask of the week".to_owned(),
        blocks,
    }
}

fn flask_table(sorted: &Sorted<'_>) -> Table {
    let week = sorted.week;
    let shown = &week.shop.shown;
    let mut table = Table::new(
        "Every flask of the week",
        &[
            "flask",
            "poured",
            "alloy",
            "section",
            "pattern",
            &format!("#pour [{}]", shown.temperature(0.0).unit),
            &format!("#flask [{}]", shown.temperature(0.0).unit),
            &format!("#vacuum [{}]", shown.vacuum(0.0).unit),
            &format!("#gas [{}]", shown.flow(0.0).unit),
            "#pieces",
            "#defective",
            "kinds",
            "set aside",
        ],
    );
    for f in &sorted.now {
        let number = |v: Option<f64>, show: &dyn Fn(f64) -> String| {
            Cell::plain(v.filter(|v| v.is_finite()).map(show).unwrap_or_default())
        };
        let counted = sorted.any.counts(f);
        let usual_share =
            counted.is_some_and(|(p, d)| d >= 2 && f64::from(d) >= 0.2 * f64::from(p));
        table.push(vec![
            Cell::typed(&f.label),
            Cell::plain(wording::unbroken(&wording::day_and_time(
                f.cast_at,
                &week.shop.zone,
            ))),
            Cell::typed(f.alloy.as_deref().unwrap_or("")),
            Cell::typed(f.section.as_deref().unwrap_or("")),
            Cell::typed(f.pattern.as_deref().unwrap_or("")),
            number(f.pour_temperature_c, &|c| shown.temperature(c).number()),
            number(f.flask_temperature_c, &|c| shown.temperature(c).number()),
            number(f.vacuum_kpa, &|k| shown.vacuum(k).number()),
            number(f.gas_flow_l_min, &|l| shown.flow(l).number()),
            Cell::plain(counted.map(|(p, _)| p.to_string()).unwrap_or_default()),
            match counted {
                Some((_, d)) => Cell::plain(d.to_string()).strong_if(usual_share),
                None => Cell::plain("not counted"),
            },
            Cell::typed(&kinds_of(f)),
            Cell::typed(f.set_aside.as_ref().map_or("", |a| &a.reason)),
        ]);
    }
    table.without_empty_columns()
}

/// The kinds that a flask had, most first: `no-fill 3, fin 1`.
pub(super) fn kinds_of(flask: &Flask) -> String {
    let mut kinds: Vec<(&String, u32)> = flask
        .kinds
        .iter()
        .map(|(k, n)| (k, *n))
        .filter(|(_, n)| *n > 0)
        .collect();
    kinds.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(b.0)));
    let texts: Vec<String> = kinds.iter().map(|(k, n)| format!("{k} {n}")).collect();
    texts.join(", ")
}

fn troubles(sorted: &Sorted<'_>) -> Section {
    Section {
        id: "trouble",
        title: "Data trouble".to_owned(),
        blocks: vec![trouble_block(&sorted.week.troubles, "this week")],
    }
}

/// What was wrong with the data, or that nothing was.
pub(super) fn trouble_block(troubles: &[Trouble], when: &str) -> Block {
    if troubles.is_empty() {
        return Block::text(format!("Nothing was wrong with the data {when}."));
    }
    let mut table = Table::new(
        "Data trouble",
        &["where", "what", "#times", "how to mend it"],
    );
    let mut sorted: Vec<&Trouble> = troubles.iter().collect();
    sorted.sort_by(|a, b| b.times.cmp(&a.times).then(a.at.cmp(&b.at)));
    for t in sorted {
        table.push(vec![
            Cell::typed(&t.at),
            Cell::typed(&t.what),
            Cell::plain(t.times.to_string()),
            Cell::typed(t.mend.as_deref().unwrap_or("")),
        ]);
    }
    Block::Table {
        table: table.without_empty_columns(),
    }
}

fn method(sorted: &Sorted<'_>) -> Section {
    let aside: Vec<&&Flask> = sorted
        .all
        .iter()
        .filter(|f| f.set_aside.is_some())
        .collect();
    let mut blocks = vec![Block::List {
        items: vec![
            "A flask is one trial: its pieces share one melt, one mould and one pour. Flasks of one session share a kiln load and a day, so they are not taken as independent either; the intervals are widened by as much as sessions differ.".to_owned(),
            "Every rate has its 95 % interval (Wilson's, on counts reduced by that widening): if the week could be lived a hundred times, about 95 such intervals would hold the true rate.".to_owned(),
            "Alloys and sections are never mixed: thin work is often poured hotter because it is thin, and mixing would blame the heat.".to_owned(),
            "The charts over settings compare flasks that also differ in other ways. They show where to look, not what causes what; that is why they give no advice of their own.".to_owned(),
            "Only defects that heat can move count towards the pour temperature; broken patterns, nodules and the like are counted in the figures but do not steer.".to_owned(),
            "A usual temperature is the median of the last eight weeks, if five flasks or more were poured in them.".to_owned(),
        ],
    }];
    if !aside.is_empty() {
        let mut reasons = std::collections::BTreeMap::<&str, u64>::new();
        for f in &aside {
            *reasons
                .entry(f.set_aside.as_ref().map_or("", |a| &a.reason))
                .or_default() += 1;
        }
        let reasons: Vec<String> = reasons
            .iter()
            .map(|(r, n)| format!("{} ({n})", wording::isolated(r)))
            .collect();
        blocks.push(Block::text(format!(
            "{} of {} may not steer the pour temperature and {} left out of the charts over settings: {}.",
            aside.len(),
            wording::count(sorted.all.len() as u64, "flask"),
            if aside.len() == 1 { "is" } else { "are" },
            wording::list(&reasons),
        )));
    }
    Section {
        id: "method",
        title: "How this was worked out".to_owned(),
        blocks,
    }
}
