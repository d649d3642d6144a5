//! `pourbook report`: a week's report, or a session's sheet, and the index.

use clap::Args;

use super::open::Opened;
use super::{BookArg, out};
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
    let opened = Opened::open(&args.book.book())?;
    let write_up = WriteUp::new(&opened.book, &opened.config, &opened.records, opened.now);
    let written = match (&args.session, &args.week) {
        (Some(session), _) => write_up.session(session)?,
        (None, Some(week)) => write_up.week(week)?,
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

/// Prints where a page is and what it says in short.
pub fn print(written: &Written) -> anyhow::Result<()> {
    out::line(&written.path.display().to_string())?;
    for sentence in &written.sentences {
        out::line(&format!("  {sentence}"))?;
    }
    Ok(())
}
