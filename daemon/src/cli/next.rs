//! `pourbook next`: how hot to pour the day's flasks. A running trial's flasks get their lots
//! here, before they are poured; else it says to keep to what is usual or advised, and what a
//! trial would take.

use analysis::evidence::trial::State;
use analysis::evidence::trial::next::{Card, Next, next};
use analysis::evidence::trial::plan::{NoPlan, Wish};
use clap::Args;
use jiff::civil::Date;

use super::kind_of_work::{KindOfWork, meant};
use super::open::{Opened, day};
use super::{BookArg, out};
use crate::records::flasks::StoredFlask;

/// How hot to pour the next flasks, and why.
#[derive(Debug, Args)]
#[command(
    after_help = "A trial is begun with \"pourbook record trial\". While it runs, write the day's cards, then\nask here before pouring: each flask gets its temperature by lot.\n\nExample:\n  pourbook next\n  pourbook next --alloy sterling-925 --section thin --json"
)]
pub struct NextArgs {
    #[command(flatten)]
    book: BookArg,
    /// This alloy [default: the running trial's, else what was poured most lately]
    #[arg(long)]
    alloy: Option<String>,
    /// This section: thin, medium, heavy or mixed [default: likewise]
    #[arg(long)]
    section: Option<String>,
    /// The day of the cards [default: today]
    #[arg(long, value_parser = day)]
    day: Option<Date>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn next_pours(args: &NextArgs) -> anyhow::Result<()> {
    let mut opened = Opened::read(&args.book.book())?;
    let Some((alloy, section)) = meant(&opened, args.alloy.as_deref(), args.section.as_deref())?
    else {
        let nothing = Next::nothing(
            "No flask with an alloy and a section has been poured yet: write flask cards and \
             count what comes of them, and pour as you do.",
        );
        return if args.json {
            out::json_lines(&[nothing])
        } else {
            out::line(&nothing.reason)
        };
    };
    let work = KindOfWork::of(&opened, &alloy, &section)?;
    let day = args
        .day
        .unwrap_or_else(|| opened.records.day_of(opened.now));
    let cards: Vec<StoredFlask> = opened
        .records
        .flasks_of_day(day)?
        .into_iter()
        .filter(|f| !f.imported && f.pour.is_none())
        .filter(|f| work.holds(f.card.alloy.as_deref(), f.card.section()))
        .collect();
    let mut standing = work.standing(&opened.records)?;
    if let Some((stored, s)) = &standing {
        match s.state {
            State::Planned | State::Running if s.gross.is_none() && s.without_lot() > 0 => {
                let lots = opened.records.trial_lots(stored.id)?;
                let without = cards
                    .iter()
                    .any(|card| !lots.iter().any(|l| l.flask == card.id));
                if without {
                    opened.must_write()?;
                    let ids: Vec<uuid::Uuid> = cards.iter().map(|c| c.id).collect();
                    let now = opened.now;
                    opened
                        .records
                        .give_lots(stored.id, &ids, s.without_lot(), now)?;
                    standing = work.standing(&opened.records)?;
                }
            }
            // On a copy of a book that may not be written this is for the copy alone.
            State::Complete => opened.records.complete_trial(stored.id, opened.now)?,
            _ => {}
        }
    }
    let lots = match &standing {
        Some((stored, _)) => opened.records.trial_lots(stored.id)?,
        None => Vec::new(),
    };
    let in_order: Vec<Card> = cards
        .iter()
        .map(|card| Card {
            flask: card.id.to_string(),
            arm: lots.iter().find(|l| l.flask == card.id).map(|l| l.arm),
        })
        .collect();
    let shown = &opened.config.shop.shown_in;
    let own = standing.as_ref().map(|(stored, _)| stored.id);
    let plan = match opened.records.open_trial()? {
        Some(other) if own != Some(other.id) => Err(NoPlan::Another {
            what: format!("{}, {}", other.trial.alloy, other.trial.section),
        }),
        _ => work.plan(&Wish::default(), 0),
    };
    let told = next(
        work.advice.as_ref(),
        standing.as_ref().map(|(_, s)| s),
        &plan,
        &in_order,
        work.target_c,
        shown,
    );
    if args.json {
        return out::json_lines(&[told]);
    }
    out::line(&format!("{alloy}, {section}. {}", told.reason))?;
    if told.order.is_empty() {
        return Ok(());
    }
    out::line("")?;
    let rows: Vec<Vec<String>> = told
        .order
        .iter()
        .zip(&cards)
        .map(|(ordered, card)| {
            vec![
                card.card.label.clone(),
                shown.temperature(ordered.pour_temperature_c).to_string(),
            ]
        })
        .collect();
    out::table(&["flask", "pour at"], &rows)
}
