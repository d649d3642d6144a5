//! Weeks of the shop's calendar and the moment at which each one's report is due: the first of
//! the chosen day and hour after the week has ended, by the shop's own clock.

use analysis::time::Micros;
use jiff::civil::{Date, Weekday};
use jiff::tz::TimeZone;
use jiff::{Span, ToSpan};

use crate::book::{local, week_bounds, week_name};
use crate::config::ReportDay;

/// A week of the shop's calendar.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Week {
    /// As reports are named: `2026-W47`.
    pub name: String,
    /// Its first moment.
    pub from: Micros,
    /// The first moment of the week after.
    pub until: Micros,
    /// When its report is due.
    pub due: Micros,
}

/// The shop's calendar, with the day and hour for reports.
#[derive(Clone, Debug)]
pub struct Calendar {
    zone: TimeZone,
    report: ReportDay,
}

impl Calendar {
    /// The calendar of a shop in this time zone.
    pub fn new(zone: TimeZone, report: ReportDay) -> Calendar {
        Calendar { zone, report }
    }

    /// The week of this name; `None` if the calendar has none.
    pub fn week(&self, name: &str) -> Option<Week> {
        let (from, until) = week_bounds(name, &self.zone)?;
        Some(Week {
            name: name.to_owned(),
            from,
            until,
            due: self.due(until)?,
        })
    }

    /// The week that an instant lies in.
    pub fn week_of(&self, at: Micros) -> Option<Week> {
        self.week(&week_name(at, &self.zone))
    }

    /// The week before.
    pub fn before(&self, week: &Week) -> Option<Week> {
        self.week_of(Micros(week.from.0.checked_sub(1)?))
    }

    /// The last week whose report was due at `now`.
    pub fn last_due(&self, now: Micros) -> Option<Week> {
        let mut week = self.week_of(now)?;
        // A week that ended today may be due only later today, or later this week.
        while week.due > now {
            week = self.before(&week)?;
        }
        Some(week)
    }

    /// The chosen day and hour after a week that ended at `until`, the first moment of a Monday.
    fn due(&self, until: Micros) -> Option<Micros> {
        let monday: Date = local(until, &self.zone).date();
        let days: Span = i64::from(self.report.day.since(Weekday::Monday)).days();
        let at = monday
            .checked_add(days)
            .ok()?
            .at(self.report.hour, 0, 0, 0)
            // An hour that clocks leave out is taken an hour later, and of one that comes twice
            // the first is taken (jiff's "compatible", as RFC 5545 has it).
            .to_zoned_datetime(self.zone.clone())
            .ok()?;
        Some(Micros(at.timestamp().as_microsecond()))
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn calendar(zone: &str, day: Weekday, hour: i8) -> Calendar {
        Calendar::new(TimeZone::get(zone).unwrap(), ReportDay { day, hour })
    }

    fn at(text: &str) -> Micros {
        Micros::parse_rfc3339(text).unwrap()
    }

    fn due(calendar: &Calendar, week: &str) -> String {
        calendar.week(week).unwrap().due.rfc3339_ms()
    }

    #[test]
    fn by_default_last_weeks_report_is_due_on_monday_at_six_by_the_shops_clock() {
        let dublin = Calendar::new(
            TimeZone::get("Europe/Dublin").unwrap(),
            ReportDay::default(),
        );
        assert_eq!(due(&dublin, "2026-W47"), "2026-11-23T06:00:00.000Z");
        // Summer time: six in Dublin is five in Greenwich.
        assert_eq!(due(&dublin, "2026-W30"), "2026-07-27T05:00:00.000Z");
        let last = |now| dublin.last_due(at(now)).unwrap().name;
        assert_eq!(last("2026-11-23T05:59:59Z"), "2026-W46");
        assert_eq!(last("2026-11-23T06:00:00Z"), "2026-W47");
        assert_eq!(last("2026-11-29T23:00:00Z"), "2026-W47");
    }

    #[test]
    fn an_hour_that_clocks_leave_out_is_taken_an_hour_later() {
        // Clocks in Dublin go from 1:00 to 2:00 on Sunday 29 March 2026.
        let sunday = calendar("Europe/Dublin", Weekday::Sunday, 1);
        assert_eq!(due(&sunday, "2026-W12"), "2026-03-29T01:00:00.000Z");
        // In New York from 2:00 to 3:00 on Sunday 8 March 2026.
        let sunday = calendar("America/New_York", Weekday::Sunday, 2);
        assert_eq!(due(&sunday, "2026-W09"), "2026-03-08T07:00:00.000Z");
    }

    #[test]
    fn of_an_hour_that_comes_twice_the_first_is_taken_and_only_it() {
        // Clocks in Dublin go from 2:00 back to 1:00 on Sunday 25 October 2026.
        let sunday = calendar("Europe/Dublin", Weekday::Sunday, 1);
        assert_eq!(due(&sunday, "2026-W42"), "2026-10-25T00:00:00.000Z");
        let last = |now| sunday.last_due(at(now)).unwrap().name;
        assert_eq!(last("2026-10-24T23:59:59Z"), "2026-W41");
        assert_eq!(last("2026-10-25T00:00:00Z"), "2026-W42");
        // The second 1:00 of that night.
        assert_eq!(last("2026-10-25T01:00:00Z"), "2026-W42");
    }

    #[test]
    fn a_day_that_a_zone_left_out_is_the_next_one() {
        // Samoa had no Friday 30 December 2011.
        let friday = calendar("Pacific/Apia", Weekday::Friday, 6);
        assert_eq!(due(&friday, "2011-W51"), "2011-12-30T16:00:00.000Z");
    }

    #[test]
    fn every_week_is_due_exactly_once_and_after_it_ended() {
        for (zone, day, hour) in [
            ("Europe/Dublin", Weekday::Monday, 6),
            ("Europe/Dublin", Weekday::Sunday, 1),
            ("America/Denver", Weekday::Sunday, 2),
            ("Australia/Lord_Howe", Weekday::Sunday, 2),
            ("Pacific/Auckland", Weekday::Friday, 23),
        ] {
            let calendar = calendar(zone, day, hour);
            let mut week = calendar.week("2026-W53").unwrap();
            for _ in 0..110 {
                let before = calendar.before(&week).unwrap();
                assert_eq!(before.until, week.from, "{zone}");
                assert!(week.due >= week.until, "{zone} {}", week.name);
                assert!(before.due < week.due, "{zone} {}", week.name);
                assert_eq!(calendar.last_due(week.due).unwrap(), week);
                assert_eq!(calendar.last_due(Micros(week.due.0 - 1)).unwrap(), before);
                week = before;
            }
        }
    }
}
