//! `pourbook record out-of-kiln`: a flask that leaves the kiln, said by whoever takes it out. The
//! word is about that very flask, where a door may have opened for another.

use clap::Args;
use jiff::civil::Date;

use super::open::{Opened, day, day_or_time};
use super::record::{local_minute, match_day};
use super::record_options::as_options;
use super::{BookArg, WrongUse, out};
use crate::session::settle::assemble_machine;

#[derive(Debug, Args)]
pub(super) struct OutOfKilnArgs {
    #[command(flatten)]
    book: BookArg,
    /// The flask's label
    #[arg(long, value_name = "LABEL")]
    flask: String,
    /// The day of its card [default: today]
    #[arg(long, value_parser = day)]
    day: Option<Date>,
    /// When it left, to the second [default: now]
    #[arg(long, value_name = "TIME")]
    at: Option<String>,
}

/// Runs the command.
pub(super) fn out_of_kiln(args: &OutOfKilnArgs) -> anyhow::Result<()> {
    let mut opened = Opened::open(&args.book.book())?;
    let at = args.at.as_deref().map_or(Ok(opened.now), |t| {
        day_or_time(t, &opened.config.shop.time_zone)
    })?;
    if at > opened.now {
        let said = local_minute(at, &opened);
        return Err(WrongUse(format!("--at {said} is still to come")).into());
    }
    let today = opened.records.day_of(at);
    let day = args.day.unwrap_or(today);
    let id = opened.records.find_flask(&args.flask, Some(day), today)?;
    let mut card = opened.records.flask(id)?.card;
    let before = card.kiln_out_at.replace(at);
    card.kiln_out_tapped = true;
    opened.records.update_flask(id, &card).map_err(as_options)?;
    // Its place in the order of casting may have become another, and a pour that is there
    // already has another transfer.
    match_day(&mut opened, day)?;
    if let Some(pour) = opened.records.flask(id)?.pour {
        let session = opened.records.pour(pour)?.session;
        let session = opened.records.session(session)?;
        assemble_machine(
            &mut opened.records,
            &opened.config,
            &session.machine,
            session.opened_at,
            opened.now,
        )?;
    }
    let instead = before
        .map(|was| format!(" (its card said {})", local_minute(was, &opened)))
        .unwrap_or_default();
    out::line(&format!(
        "flask {} of {day} left the kiln {}{instead}",
        args.flask,
        local_minute(at, &opened)
    ))
}
