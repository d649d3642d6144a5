//! A week sorted out: its flasks, those of the eight weeks before and all up to its end, and what
//! the parts of the report ask of them again and again.

use analysis::channel::Channel;
use analysis::evidence::{Outcome, Stratum};
use analysis::flask::Flask;
use analysis::time::Micros;

use super::{Week, bounds};
use crate::page::PageError;
use crate::rates::Counting;
use crate::wording;

/// How many weeks a week is compared with.
pub(in crate::page) const WEEKS_BEFORE: u32 = 8;
const WEEK_S: f64 = 7.0 * 86_400.0;

/// The week, sorted out: what the sections are made from.
pub(in crate::page) struct Sorted<'a> {
    /// The data as given.
    pub week: &'a Week,
    /// Counting pieces with any defect.
    pub any: Counting,
    /// Counting pieces with a defect that may steer the pour temperature.
    pub steering: Counting,
    /// The week's first moment.
    pub from: Micros,
    /// The first moment of the week after.
    pub until: Micros,
    /// Flasks of this week, in order of time.
    pub now: Vec<&'a Flask>,
    /// Flasks of the eight weeks before, in order of time.
    pub before: Vec<&'a Flask>,
    /// All flasks up to the end of the week, in order of time.
    pub all: Vec<&'a Flask>,
}

impl<'a> Sorted<'a> {
    pub(in crate::page) fn new(week: &'a Week) -> Result<Sorted<'a>, PageError> {
        let (from, until) = bounds(week.year, week.week, &week.shop.zone)?;
        let mut all: Vec<&Flask> = week.flasks.iter().filter(|f| f.cast_at < until).collect();
        all.sort_by(|a, b| {
            (a.cast_at, &a.session, &a.label, &a.id).cmp(&(b.cast_at, &b.session, &b.label, &b.id))
        });
        let eight_weeks = from.plus_seconds(-f64::from(WEEKS_BEFORE) * WEEK_S);
        Ok(Sorted {
            week,
            any: Counting::new(Outcome::Any, &week.kinds),
            steering: Counting::new(Outcome::Steering, &week.kinds),
            from,
            until,
            now: all.iter().copied().filter(|f| f.cast_at >= from).collect(),
            before: all
                .iter()
                .copied()
                .filter(|f| f.cast_at < from && f.cast_at >= eight_weeks)
                .collect(),
            all,
        })
    }

    /// How many of the eight weeks before the book knows: those from its first flask on.
    pub(super) fn weeks_known(&self) -> u32 {
        let first = self.all.first().map_or(self.from, |f| f.cast_at);
        let weeks = (self.from.seconds_since(first) / WEEK_S).ceil();
        (weeks.max(0.0) as u32).min(WEEKS_BEFORE)
    }

    /// Those weeks in words, as they follow "the": `eight weeks before`, `week before`.
    pub(super) fn weeks_words(&self) -> &'static str {
        const WORDS: [&str; 9] = [
            "weeks before",
            "week before",
            "two weeks before",
            "three weeks before",
            "four weeks before",
            "five weeks before",
            "six weeks before",
            "seven weeks before",
            "eight weeks before",
        ];
        WORDS[self.weeks_known() as usize]
    }

    /// Flasks of this week that nobody has inspected, in order of time.
    pub(super) fn uninspected(&self) -> Vec<&'a Flask> {
        let none = |f: &&&Flask| f.pieces.is_none_or(|p| p == 0);
        self.now.iter().filter(none).copied().collect()
    }

    /// How to call a flask where it stands alone: its label and its day.
    pub(super) fn name(&self, flask: &Flask) -> String {
        let day = wording::day(flask.cast_at, &self.week.shop.zone);
        format!(
            "{} ({})",
            wording::isolated(&flask.label),
            wording::unbroken(&day)
        )
    }

    /// Whether any machine senses this channel; true if no machine is known, so that nothing
    /// is called missing that may be there.
    pub(super) fn senses(&self, channel: Channel) -> bool {
        self.week.machines.is_empty()
            || self
                .week
                .machines
                .iter()
                .any(|m| m.senses.contains(&channel))
    }

    /// The alloy and section of a flask, as the evidence names them; none without either.
    pub(super) fn work_of(&self, flask: &Flask) -> Option<(String, String)> {
        let (alloy, section) = (flask.alloy.as_ref()?, flask.section.as_ref()?);
        let alloy = self
            .week
            .alloys
            .get(alloy)
            .map_or_else(|| alloy.trim().to_lowercase(), |known| known.name.clone());
        Some((alloy, section.trim().to_lowercase()))
    }

    /// The flasks of an alloy and section up to the end of the week, in order of time.
    pub(super) fn flasks_of(&self, stratum: &Stratum) -> Vec<&'a Flask> {
        let wanted = (stratum.alloy.as_deref(), stratum.section.as_deref());
        self.all
            .iter()
            .copied()
            .filter(|f| {
                self.work_of(f)
                    .is_some_and(|(a, s)| wanted == (Some(a.as_str()), Some(s.as_str())))
            })
            .collect()
    }

    /// The machines that the week is about: those configured and those that poured or pulled, each
    /// once, by name.
    pub(super) fn machines(&self) -> Vec<&'a str> {
        let week = self.week;
        let mut names: Vec<&str> = week.machines.iter().map(|m| m.name.as_str()).collect();
        names.extend(week.pulls.iter().map(|p| p.machine.as_str()));
        names.extend(week.pours.iter().map(|p| p.machine.as_str()));
        names.sort_unstable();
        names.dedup();
        names
    }
}
