//! Which session and which instant a time means that somebody typed: by the shop's own clock, by
//! RFC 3339, or as a time of day within a session that is named.

use analysis::time::Micros;
use anyhow::bail;
use jiff::civil::{DateTime, Time};
use jiff::tz::TimeZone;

use super::WrongUse;
use super::open::Opened;
use crate::book::local;
use crate::records::sessions::Session;

/// How long before it opened a session's trace begins, s.
const BEFORE_OPENING_S: f64 = 1800.0;

/// The session and the instant that `--at`, `--session` and `--machine` mean.
pub(super) fn session_and_time(
    opened: &Opened,
    text: &str,
    session: Option<&str>,
    machine: Option<&str>,
) -> anyhow::Result<(Session, Micros)> {
    let zone = &opened.config.shop.time_zone;
    if let Some(name) = session {
        let session = opened.records.session_named(name)?;
        let until = session.closed_at.unwrap_or(opened.now);
        let at = match time_of_day(text) {
            Some(time) => within(time, &session, until, zone)?,
            None => moment(text, zone)?,
        };
        if at < session.opened_at.plus_seconds(-BEFORE_OPENING_S) || at > until {
            bail!(
                "session {name} was not under way at {}; it ran from {} to {}",
                full(at, zone),
                full(session.opened_at, zone),
                full(until, zone)
            );
        }
        return Ok((session, at));
    }
    if time_of_day(text).is_some() {
        return Err(WrongUse(format!(
            "--at {text}: of which day? Write it like 2026-11-18T{text}, or name the session \
             with --session"
        ))
        .into());
    }
    let at = moment(text, zone)?;
    if let Some(machine) = machine {
        let known = opened.records.machines()?;
        if !known.iter().any(|m| m == machine) {
            return Err(WrongUse(format!(
                "--machine \"{machine}\" is not known; use {}",
                known.join(", ")
            ))
            .into());
        }
    }
    Ok((under_way(opened, machine, at)?, at))
}

/// The session that was under way at that time.
fn under_way(opened: &Opened, machine: Option<&str>, at: Micros) -> anyhow::Result<Session> {
    let zone = &opened.config.shop.time_zone;
    // Three days are more than the longest session.
    let near = opened.records.sessions(
        Some(at.plus_seconds(-3.0 * 86_400.0)),
        Some(at.plus_seconds(86_400.0)),
    )?;
    let of_machine: Vec<Session> = near
        .into_iter()
        .filter(|s| machine.is_none_or(|m| s.machine == m))
        .collect();
    let runs = |s: &&Session, before_s: f64| {
        s.opened_at.plus_seconds(-before_s) <= at && at <= s.closed_at.unwrap_or(opened.now)
    };
    let mut found: Vec<&Session> = of_machine.iter().filter(|s| runs(s, 0.0)).collect();
    if found.is_empty() {
        found = of_machine
            .iter()
            .filter(|s| runs(s, BEFORE_OPENING_S))
            .collect();
    }
    match found.as_slice() {
        [one] => Ok((*one).clone()),
        [] => {
            let nearest = of_machine
                .iter()
                .min_by_key(|s| s.opened_at.0.abs_diff(at.0))
                .map_or(String::new(), |s| {
                    format!(
                        "; the nearest is {}, {} to {}",
                        s.name,
                        full(s.opened_at, zone),
                        s.closed_at.map_or("now".to_owned(), |t| full(t, zone))
                    )
                });
            bail!(
                "no session was under way at {}{nearest}. Is the time the shop's own?",
                full(at, zone)
            )
        }
        several => {
            let names: Vec<&str> = several.iter().map(|s| s.name.as_str()).collect();
            Err(WrongUse(format!(
                "{} sessions were under way at {}; say which with --session: {}",
                several.len(),
                full(at, zone),
                names.join(", ")
            ))
            .into())
        }
    }
}

fn full(at: Micros, zone: &TimeZone) -> String {
    local(at, zone).strftime("%Y-%m-%d %H:%M:%S").to_string()
}

/// A text that is a time of day and nothing more.
fn time_of_day(text: &str) -> Option<Time> {
    let plain = text.contains(':') && !text.contains(['-', 'T', 't', ' ', 'Z', 'z', '+']);
    plain.then(|| text.parse().ok()).flatten()
}

/// That time of day within a session, which may run past midnight.
fn within(time: Time, session: &Session, until: Micros, zone: &TimeZone) -> anyhow::Result<Micros> {
    let from = session.opened_at.plus_seconds(-BEFORE_OPENING_S);
    let mut date = local(from, zone).date();
    let mut found = Vec::new();
    let mut first = None;
    // The longest session touches four days.
    for _ in 0..4 {
        let at = instant(date.to_datetime(time), zone)?;
        first = first.or(Some(at));
        if from <= at && at <= until {
            found.push(at);
        }
        let Ok(next) = date.tomorrow() else { break };
        date = next;
    }
    match (found.as_slice(), first) {
        ([at], _) => Ok(*at),
        ([], Some(at)) => Ok(at),
        ([at, ..], _) => Err(WrongUse(format!(
            "--at {time}: session {} saw that time more than once; write it like {}",
            session.name,
            local(*at, zone).strftime("%Y-%m-%dT%H:%M:%S")
        ))
        .into()),
        ([], None) => bail!("--at {time} lies outside the calendar"),
    }
}

/// A time as people type it.
fn moment(text: &str, zone: &TimeZone) -> anyhow::Result<Micros> {
    if let Ok(at) = Micros::parse_rfc3339(text) {
        return Ok(at);
    }
    let typed: Result<DateTime, _> = text.parse();
    match typed {
        Ok(typed) if text.contains(':') => instant(typed, zone),
        _ => Err(WrongUse(format!(
            "--at \"{text}\" is no time; write 2026-11-18T10:02:05 (the shop's time), \
             2026-11-18T10:02:05Z, or with --session 10:02:05"
        ))
        .into()),
    }
}

/// The instant of a time by the shop's clock, unless that clock showed it twice or never.
fn instant(typed: DateTime, zone: &TimeZone) -> anyhow::Result<Micros> {
    match zone.to_ambiguous_timestamp(typed).unambiguous() {
        Ok(at) => Ok(Micros(at.as_microsecond())),
        Err(_) => Err(WrongUse(format!(
            "--at {typed}: the shop's clock was changed then and showed that time twice or \
             never; write it with its offset, like {typed}Z"
        ))
        .into()),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::records::words::SessionState;
    use uuid::Uuid;

    fn dublin() -> TimeZone {
        TimeZone::get("Europe/Dublin").unwrap()
    }

    #[test]
    fn a_time_is_the_shops_own_unless_it_says_otherwise() {
        for (text, utc) in [
            ("2026-07-01T10:02:05", "2026-07-01T09:02:05.000Z"),
            ("2026-07-01 10:02:05.5", "2026-07-01T09:02:05.500Z"),
            ("2026-07-01T10:02", "2026-07-01T09:02:00.000Z"),
            ("2026-07-01T10:02:05Z", "2026-07-01T10:02:05.000Z"),
            ("2026-07-01T10:02:05+02:00", "2026-07-01T08:02:05.000Z"),
        ] {
            let at = moment(text, &dublin()).unwrap();
            assert_eq!(at.rfc3339_ms(), utc, "{text}");
        }
        for wrong in ["2026-07-01", "noon", "", "25:00:00"] {
            let error = moment(wrong, &dublin()).unwrap_err();
            assert!(error.downcast_ref::<WrongUse>().is_some(), "{wrong}");
        }
        // Irish clocks went back on 25 October 2026 (EU summer-time directive 2000/84/EC).
        let twice = moment("2026-10-25T01:30:00", &dublin()).unwrap_err();
        assert!(twice.to_string().contains("twice"), "{twice}");
    }

    #[test]
    fn a_time_of_day_falls_into_its_session_past_midnight_too() {
        let at = |text: &str| Micros::parse_rfc3339(text).unwrap();
        let session = Session {
            id: Uuid::nil(),
            name: "late".into(),
            machine: "bench-1".into(),
            opened_at: at("2026-11-18T22:00:00Z"),
            closed_at: Some(at("2026-11-19T02:00:00Z")),
            state: SessionState::Closed,
            day: jiff::civil::Date::constant(2026, 11, 18),
            published: None,
            extractor: None,
        };
        let until = session.closed_at.unwrap();
        for (text, utc) in [
            ("23:10:05", "2026-11-18T23:10:05.000Z"),
            ("00:40", "2026-11-19T00:40:00.000Z"),
            // Outside: the first such time is refused with the session's own times.
            ("12:00:00", "2026-11-18T12:00:00.000Z"),
        ] {
            let time = time_of_day(text).unwrap();
            let got = within(time, &session, until, &dublin()).unwrap();
            assert_eq!(got.rfc3339_ms(), utc, "{text}");
        }
        assert_eq!(time_of_day("2026-11-18"), None);
        assert_eq!(time_of_day("10"), None);
    }
}
