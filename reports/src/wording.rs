//! Numbers and words as the pages write them: per cent with their intervals, singular and
//! plural, lists, dates in the shop's time zone, names that somebody typed.

use analysis::evidence;
use analysis::time::Micros;
use analysis::units::ShownIn;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ZonedDateTime};

/// Longest typed text shown in full, characters. A label on a bag is far shorter.
const LONGEST: usize = 72;

/// Longest sentence shown in full, characters. It may quote names of any length.
const LONGEST_SENTENCE: usize = 600;

/// `text`, cut to a length that a table can hold.
pub fn shortened(text: &str) -> String {
    cut(text, LONGEST)
}

/// A sentence that may quote what somebody typed, made fit to print.
pub fn sentence(text: &str) -> String {
    cut(text, LONGEST_SENTENCE)
}

fn cut(text: &str, longest: usize) -> String {
    // Control characters have no picture; a line break in a label is a space.
    let mut clean = text
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .filter(|c| !turns(*c) && !matches!(c, '\u{fffe}' | '\u{ffff}'));
    let kept: String = clean.by_ref().take(longest).collect();
    if clean.next().is_some() {
        format!("{}…", kept.trim_end())
    } else {
        kept
    }
}

/// Marks that turn the reading direction of what follows them.
fn turns(c: char) -> bool {
    matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{200e}' | '\u{200f}')
}

/// Typed text as it stands within a sentence of ours: shortened, and kept from turning the
/// sentence around if it is written from right to left.
pub fn isolated(text: &str) -> String {
    let text = shortened(text);
    if text.is_ascii() {
        text
    } else {
        // First strong isolate … pop directional isolate (Unicode UAX #9).
        format!("\u{2068}{text}\u{2069}")
    }
}

/// `1 flask`, `2 flasks`; the plural is the singular with an "s".
///
/// ```
/// # use reports::wording::count;
/// assert_eq!(count(1, "flask"), "1 flask");
/// assert_eq!(count(1234, "piece"), "1234 pieces");
/// ```
pub fn count(n: u64, one: &str) -> String {
    format!("{n} {one}{}", if n == 1 { "" } else { "s" })
}

/// `a`, `a and b`, `a, b and c`.
pub fn list(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// The same, the first `most` of them named: `a, b and 12 more`. One more is named and not counted.
///
/// ```
/// # use reports::wording::list_most;
/// let names: Vec<String> = ["a", "b", "c", "d"].map(String::from).into();
/// assert_eq!(list_most(&names, 2), "a, b and 2 more");
/// assert_eq!(list_most(&names, 3), "a, b, c and d");
/// ```
pub fn list_most(items: &[String], most: usize) -> String {
    if items.len() <= most + 1 {
        return list(items);
    }
    format!(
        "{} and {} more",
        items[..most].join(", "),
        items.len() - most
    )
}

/// The text with a capital in front.
pub fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars
        .next()
        .map(|c| c.to_uppercase().collect::<String>() + chars.as_str())
        .unwrap_or_default()
}

/// A text as one argument of a POSIX shell (IEEE Std 1003.1, Shell Command Language, 2.2.2).
///
/// ```
/// # use reports::wording::argument;
/// assert_eq!(argument("F42"), "F42");
/// assert_eq!(argument("Ann's ring"), r"'Ann'\''s ring'");
/// ```
pub fn argument(text: &str) -> String {
    let text = shortened(text);
    let plain = |c: char| c.is_ascii_alphanumeric() || "/._-+=:@%".contains(c);
    if !text.is_empty() && text.chars().all(plain) {
        text
    } else {
        format!("'{}'", text.replace('\'', "'\\''"))
    }
}

/// A share as whole per cent: `84 %`.
pub fn percent_whole(share: f64) -> String {
    if share.is_finite() {
        format!("{:.0} %", 100.0 * share)
    } else {
        "– %".to_owned()
    }
}

/// A pressure at which something is due, kPa gauge, in whole units: `10 bar`, `145 psi`.
pub fn pressure_left(kpa: f64, shown: &ShownIn) -> String {
    let pressure = shown.gas_pressure(kpa);
    format!("{:.0} {}", pressure.value, pressure.unit)
}

/// `about 3 weeks`, or days where it is less than two weeks.
pub fn weeks_or_days(weeks: f64) -> String {
    if weeks >= 2.0 {
        format!("about {:.0} weeks", weeks.min(520.0))
    } else {
        let days = (7.0 * weeks).max(0.0).floor() as u64;
        format!("about {}", count(days, "day"))
    }
}

/// A share as per cent without the sign: one decimal below 10, none from there; `–` for no
/// number.
pub fn percent_number(share: f64) -> String {
    evidence::percent_number(share)
}

/// A share as per cent: `5.2 %`.
pub fn percent(share: f64) -> String {
    format!("{} %", percent_number(share))
}

/// An interval of shares: `4.1–6.6 %`.
pub fn percent_range(low: f64, high: f64) -> String {
    evidence::percent_range(low, high)
}

/// A rate between its fewest and its most: `5.2 %` where they are one, else `2.8–7.3 %`.
pub fn share(least: f64, most: f64) -> String {
    evidence::share_number(least, most)
}

/// Pieces with a defect of `pieces` looked at: a number, or `5–13` where the share at the fewest
/// is less than `most` pieces make.
pub fn pieces_between(least_share: f64, pieces: u64, most: u64) -> String {
    let fewest = (least_share * pieces as f64).round();
    if fewest < most as f64 {
        format!("{fewest:.0}–{most}")
    } else {
        most.to_string()
    }
}

/// The moment in the shop's time zone. Times outside the calendar fall on its ends.
pub fn local(at: Micros, zone: &TimeZone) -> ZonedDateTime {
    let t = Timestamp::from_microsecond(at.0).unwrap_or(if at.0 < 0 {
        Timestamp::MIN
    } else {
        Timestamp::MAX
    });
    t.to_zoned_datetime(zone.clone())
}

/// `Wed 18 Nov, 09:12`.
pub fn day_and_time(at: Micros, zone: &TimeZone) -> String {
    local(at, zone).strftime("%a %-d %b, %H:%M").to_string()
}

/// `18 Nov`.
pub fn day(at: Micros, zone: &TimeZone) -> String {
    local(at, zone).strftime("%-d %b").to_string()
}

/// `Wed 18 Nov 2026`.
pub fn full_day(at: Micros, zone: &TimeZone) -> String {
    local(at, zone).strftime("%a %-d %b %Y").to_string()
}

/// `09:12`.
pub fn clock(at: Micros, zone: &TimeZone) -> String {
    local(at, zone).strftime("%H:%M").to_string()
}

/// `09:12:05`.
pub fn clock_seconds(at: Micros, zone: &TimeZone) -> String {
    local(at, zone).strftime("%H:%M:%S").to_string()
}

/// The same text, never broken between lines.
pub fn unbroken(text: &str) -> String {
    text.replace(' ', "\u{a0}")
}

/// Units and signs that stay with their number.
const TIED: [&str; 14] = [
    "%", "°C", "°F", "K", "mbar", "inHg", "kPa", "L/min", "g", "s", "min", "h", "°C/min", "°F/min",
];

/// The same text with every number tied to the unit that follows it, so that a line never ends
/// between the two.
pub fn tied(text: &str) -> String {
    let mut words = text.split(' ').peekable();
    let mut out = String::with_capacity(text.len() + 16);
    while let Some(word) = words.next() {
        out.push_str(word);
        if let Some(next) = words.peek() {
            let unit = next.trim_end_matches([',', '.', ';', ':', ')', '(']);
            let number = word.ends_with(|c: char| c.is_ascii_digit());
            out.push(if number && TIED.contains(&unit) {
                '\u{a0}'
            } else {
                ' '
            });
        }
    }
    out
}

/// A span as people say it: `45 s`, `12 min`, `2 h 05 min`.
pub fn span(seconds: f64) -> String {
    if !seconds.is_finite() {
        return "–".to_owned();
    }
    let s = seconds.abs();
    if s < 99.5 {
        format!("{s:.0} s")
    } else if (s / 60.0).round() < 60.0 {
        format!("{:.0} min", s / 60.0)
    } else {
        let minutes = (s / 60.0).round() as u64;
        format!("{} h {:02} min", minutes / 60, minutes % 60)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn per_cent_have_the_digits_that_they_deserve() {
        assert_eq!(percent(0.0), "0 %");
        assert_eq!(percent(0.052), "5.2 %");
        assert_eq!(percent(0.0996), "10 %");
        assert_eq!(percent(0.333), "33 %");
        assert_eq!(percent_range(0.041, 0.123), "4.1–12 %");
        assert_eq!(percent(f64::NAN), "– %");
        assert_eq!(share(0.052, 0.052), "5.2 %");
        assert_eq!(share(0.028, 0.0734), "2.8–7.3 %");
        assert_eq!(pieces_between(5.0 / 177.0, 177, 13), "5–13");
        assert_eq!(pieces_between(13.0 / 177.0, 177, 13), "13");
    }

    #[test]
    fn times_are_told_in_the_shops_own_zone() {
        let dublin = TimeZone::get("Europe/Dublin").unwrap();
        // 09:12 in Dublin is 08:12 UTC in summer and 09:12 UTC in winter.
        let summer = Micros::parse_rfc3339("2026-07-15T08:12:05Z").unwrap();
        let winter = Micros::parse_rfc3339("2026-11-18T09:12:05Z").unwrap();
        assert_eq!(clock(summer, &dublin), "09:12");
        assert_eq!(day_and_time(winter, &dublin), "Wed 18 Nov, 09:12");
        assert_eq!(clock_seconds(Micros(i64::MAX), &dublin).len(), 8);
    }

    #[test]
    fn a_number_is_never_parted_from_its_unit() {
        assert_eq!(
            tied("5.2 % of 12 pieces (4 %, 968 °C); 3 sessions"),
            "5.2\u{a0}% of 12 pieces (4\u{a0}%, 968\u{a0}°C); 3 sessions"
        );
        assert_eq!(tied(""), "");
        assert_eq!(tied("  a  b "), "  a  b ");
    }

    #[test]
    fn spans_and_lists_read_aloud() {
        assert_eq!(span(45.0), "45 s");
        assert_eq!(span(720.0), "12 min");
        assert_eq!(span(3599.0), "1 h 00 min");
        assert_eq!(span(7500.0), "2 h 05 min");
        let names: Vec<String> = ["a", "b", "c"].iter().map(|s| (*s).to_owned()).collect();
        assert_eq!(list(&names), "a, b and c");
        assert_eq!(shortened(&"é".repeat(10_000)).chars().count(), 73);
        assert_eq!(shortened("a\nb"), "a b");
        assert_eq!(weeks_or_days(3.4), "about 3 weeks");
        assert_eq!(weeks_or_days(1.5), "about 10 days");
        assert_eq!(weeks_or_days(0.2), "about 1 day");
    }
}
