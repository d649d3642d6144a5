//! `pourbook report`: a week's report, or a session's sheet, and the index.

use analysis::time::Micros;
use clap::Args;
use jiff::tz::TimeZone;

use super::open::Opened;
use super::{BookArg, WrongUse, out};
use crate::book::{week_bounds, week_name};
use crate::write_up::{WriteUp, Written};

/// Write a week's report (and the index), or a session's sheet.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  pourbook report\n  pourbook report --week 2026-W47\n  pourbook report --session 2026-11-18T0912-bench-1"
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
    /// Print where the page is and its sentences as one JSON object
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn report(args: &ReportArgs) -> anyhow::Result<()> {
    let opened = Opened::read(&args.book.book())?;
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
