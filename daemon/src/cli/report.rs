//! `pourbook report`: a week's report, or a session's sheet, and the index.

use analysis::time::Micros;
use anyhow::anyhow;
use clap::Args;
use jiff::tz::TimeZone;

use super::open::Opened;
use super::{BookArg, WrongUse, out};
use crate::book::{week_bounds, week_name};
use crate::reporting::turn::{REPORTS_A_TURN, turn};
use crate::session::jobs::{give_way, limit_memory};
use crate::write_up::{WriteUp, Written};

/// Write a week's report (and the index), or a session's sheet.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  pourbook report\n  pourbook report --week 2026-W47\n  pourbook report --due\n  pourbook report --session 2026-11-18T0912-bench-1"
)]
pub struct ReportArgs {
    #[command(flatten)]
    book: BookArg,
    /// The ISO week [default: this week]
    #[arg(long, value_name = "YEAR-Www")]
    week: Option<String>,
    /// The sheet of this session instead
    #[arg(long, value_name = "NAME", conflicts_with = "week")]
    session: Option<String>,
    /// Write every report that is due, was missed, or whose records changed since, as the daemon
    /// does by itself
    #[arg(long, conflicts_with_all = ["week", "session"])]
    due: bool,
    /// Print where the page is and its sentences as one JSON object
    #[arg(long)]
    json: bool,
    /// The time to go by, for the daemon's children
    #[arg(long, hide = true, value_parser = Micros::parse_rfc3339)]
    now: Option<Micros>,
}

/// Runs the command.
pub fn report(args: &ReportArgs) -> anyhow::Result<()> {
    limit_memory();
    give_way();
    let mut opened = Opened::read(&args.book.book())?;
    opened.now = args.now.unwrap_or(opened.now);
    if args.due {
        return due(args, &opened);
    }
    let write_up = WriteUp::new(&opened.book, &opened.config, &opened.records, opened.now);
    let written = match (&args.session, &args.week) {
        (Some(session), _) => write_up.session(session)?,
        (None, Some(week)) => {
            let zone = &opened.config.shop.time_zone;
            // The demo's shop is invented and may lie in any year.
            let latest = (!opened.records.book()?.demo).then_some(opened.now);
            write_up.week(&week_asked(week, zone, latest)?)?
        }
        (None, None) => write_up.week(&write_up.week_of(opened.now))?,
    };
    if args.json {
        return out::json_lines(&[serde_json::json!({
            "path": written.path,
            "sentences": written.sentences,
        })]);
    }
    print(&written)
}

/// Writes what is due: all of it for a person, a few reports for the daemon, which has other
/// work for its children in between.
fn due(args: &ReportArgs, opened: &Opened) -> anyhow::Result<()> {
    let most = if args.json {
        REPORTS_A_TURN
    } else {
        usize::MAX
    };
    let Opened {
        book,
        config,
        records,
        now,
        ..
    } = opened;
    let done = turn(book, config, records, *now, most)?;
    if args.json {
        return out::json_lines(&[done]);
    }
    for week in &done.written {
        out::line(&book.week_report(week).display().to_string())?;
    }
    if done.written.is_empty() && done.failed.is_empty() {
        out::line("every report is as the records say")?;
    }
    match done.failed.as_slice() {
        [] => Ok(()),
        failed => Err(anyhow!(
            "{}",
            failed
                .iter()
                .map(|(week, why)| format!("{week}: {why}"))
                .collect::<Vec<_>>()
                .join("; ")
        )),
    }
}

/// The name of the week that was asked for, which must have begun by `latest`.
fn week_asked(text: &str, zone: &TimeZone, latest: Option<Micros>) -> Result<String, WrongUse> {
    let (from, _) = week_bounds(text, zone).ok_or_else(|| {
        WrongUse(format!(
            "--week \"{text}\" is no ISO week; write it like 2026-W47"
        ))
    })?;
    if latest.is_some_and(|latest| from > latest) {
        return Err(WrongUse(format!(
            "--week {text} has not begun; its report can be written from its Monday on"
        )));
    }
    // Written as pages are named, so that 2026-W5 is no second page of 2026-W05.
    Ok(week_name(from, zone))
}

/// Prints where a page is and what it says in short.
pub fn print(written: &Written) -> anyhow::Result<()> {
    out::line(&written.path.display().to_string())?;
    for sentence in &written.sentences {
        out::line(&format!("  {sentence}"))?;
    }
    Ok(())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_week_that_is_none_or_has_not_begun_is_refused() {
        let dublin = TimeZone::get("Europe/Dublin").unwrap();
        let now = Micros::parse_rfc3339("2026-11-18T09:12:00Z").unwrap();
        let asked = |text| week_asked(text, &dublin, Some(now));
        assert_eq!(asked("2026-W47").unwrap(), "2026-W47");
        assert_eq!(asked("2026-W5").unwrap(), "2026-W05");
        for none in ["2026-W54", "2026-W48", "2030-W10", "last", "2026-47"] {
            assert!(asked(none).is_err(), "{none}");
        }
        assert_eq!(week_asked("2030-W10", &dublin, None).unwrap(), "2030-W10");
    }
}
