//! Round dates along an axis: days, Mondays, months or years of the shop's own calendar, as few
//! as there is room for.

use analysis::time::Micros;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Span, ToSpan};

use crate::wording;

/// How far apart ticks stand.
#[derive(Clone, Copy)]
enum Step {
    Days(i32),
    Weeks(i32),
    Months(i32),
}

const STEPS: [Step; 13] = [
    Step::Days(1),
    Step::Days(2),
    Step::Weeks(1),
    Step::Weeks(2),
    Step::Months(1),
    Step::Months(2),
    Step::Months(3),
    Step::Months(6),
    Step::Months(12),
    Step::Months(24),
    Step::Months(60),
    Step::Months(120),
    Step::Months(240),
];

impl Step {
    fn days(self) -> f64 {
        match self {
            Step::Days(n) => f64::from(n),
            Step::Weeks(n) => f64::from(7 * n),
            Step::Months(n) => 30.4 * f64::from(n),
        }
    }

    fn span(self) -> Span {
        match self {
            Step::Days(n) => n.days(),
            Step::Weeks(n) => n.weeks(),
            Step::Months(n) => n.months(),
        }
    }

    /// The last round date at or before `day`.
    fn before(self, day: Date) -> Option<Date> {
        match self {
            Step::Days(_) => Some(day),
            Step::Weeks(_) => {
                let since_monday = i32::from(day.weekday().to_monday_zero_offset());
                day.checked_sub(since_monday.days()).ok()
            }
            Step::Months(n) => {
                let months = i32::from(day.year()) * 12 + i32::from(day.month()) - 1;
                let round = months - months.rem_euclid(n);
                Date::new(
                    i16::try_from(round.div_euclid(12)).ok()?,
                    i8::try_from(round.rem_euclid(12) + 1).ok()?,
                    1,
                )
                .ok()
            }
        }
    }

    fn text(self, day: Date) -> String {
        match self {
            Step::Days(_) | Step::Weeks(_) => day.strftime("%-d %b").to_string(),
            Step::Months(n) if n >= 12 => day.strftime("%Y").to_string(),
            Step::Months(_) if day.month() == 1 => day.strftime("%b %Y").to_string(),
            Step::Months(_) => day.strftime("%b").to_string(),
        }
    }
}

/// The beginnings of round days between two moments, at most about `most` of them, with their
/// names. A tick of months says the year in January.
pub fn ticks(from: Micros, until: Micros, zone: &TimeZone, most: usize) -> Vec<(Micros, String)> {
    let days = until.seconds_since(from) / 86_400.0;
    let step = STEPS
        .into_iter()
        .find(|s| days / s.days() <= most.max(1) as f64)
        .unwrap_or(STEPS[STEPS.len() - 1]);
    let mut out = Vec::new();
    let mut day = step.before(wording::local(from, zone).date());
    // A thousand is far beyond any axis; it bounds the loop whatever the times are.
    for _ in 0..1000 {
        let Some(at) = day
            .and_then(|d| zone.to_timestamp(d.at(0, 0, 0, 0)).ok())
            .map(|t| Micros(t.as_microsecond()))
        else {
            break;
        };
        if at > until {
            break;
        }
        if let (Some(day), true) = (day, at >= from) {
            out.push((at, step.text(day)));
        }
        day = day.and_then(|d| d.checked_add(step.span()).ok());
    }
    out
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn names(from: &str, until: &str, most: usize) -> Vec<String> {
        let zone = TimeZone::get("Europe/Dublin").unwrap();
        let at = |t: &str| Micros::parse_rfc3339(t).unwrap();
        ticks(at(from), at(until), &zone, most)
            .into_iter()
            .map(|t| t.1)
            .collect()
    }

    #[test]
    fn ticks_stand_on_mondays_and_on_the_first_of_the_month() {
        assert_eq!(
            names("2026-11-11T09:00:00Z", "2026-12-01T00:00:00Z", 5),
            ["16 Nov", "23 Nov", "30 Nov"]
        );
        assert_eq!(
            names("2025-10-20T09:00:00Z", "2026-03-10T00:00:00Z", 6),
            ["Nov", "Dec", "Jan 2026", "Feb", "Mar"]
        );
        assert_eq!(
            names("2021-10-20T09:00:00Z", "2026-03-10T00:00:00Z", 6),
            ["2022", "2023", "2024", "2025", "2026"]
        );
    }

    #[test]
    fn times_beyond_the_calendar_end_the_axis_and_not_the_program() {
        let zone = TimeZone::get("Europe/Dublin").unwrap();
        assert!(ticks(Micros(i64::MIN), Micros(i64::MAX), &zone, 6).len() < 1000);
        assert!(ticks(Micros(10), Micros(-10), &zone, 6).is_empty());
    }
}
