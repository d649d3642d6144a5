//! `pourbook record trial`: begins a trial of a second pour temperature, or stops one.

use analysis::channel::Quantity;
use analysis::evidence::trial::plan::Wish;
use clap::Args;
use uuid::Uuid;

use super::kind_of_work::{KindOfWork, meant};
use super::open::Opened;
use super::record_options::quantity;
use super::{BookArg, WrongUse, out};
use crate::records::words::StoppedFor;

/// How the command is used, shown below its options.
pub const EXAMPLE: &str = "Nothing is poured outside what the alloy is usually poured at. Trial or not: if a pour is not\nsafe, don't pour it.\n\nExample:\n  pourbook record trial --alloy sterling-925 --section medium\n  pourbook record trial --alloy sterling-925 --section medium --try \"955 Cel\" --difference 3\n  pourbook record trial --stop misruns --note \"no-fill in C and D\"";

/// A trial of a second pour temperature.
#[derive(Debug, Args)]
pub struct TrialArgs {
    #[command(flatten)]
    book: BookArg,
    /// The alloy [default: what was poured most lately]
    #[arg(long)]
    alloy: Option<String>,
    /// The section: thin, medium, heavy or mixed [default: likewise]
    #[arg(long)]
    section: Option<String>,
    /// The usual pour temperature, with its unit [default: the target, else the median of late]
    #[arg(long, value_name = "TEMPERATURE")]
    usual: Option<String>,
    /// The one to try, with its unit [default: chosen by the evidence, inside the alloy's range]
    #[arg(long = "try", value_name = "TEMPERATURE")]
    tried: Option<String>,
    /// The difference worth finding, in points of per cent [default: half of the rate now]
    #[arg(long, value_name = "POINTS")]
    difference: Option<f64>,
    /// Begin it though it will take more than a year
    #[arg(long)]
    anyway: bool,
    /// Stop the one that runs: safety, misruns or given-up. It then claims nothing
    #[arg(long, value_name = "WHY", conflicts_with_all = ["alloy", "section", "usual", "tried", "difference", "anyway"])]
    stop: Option<StoppedFor>,
    /// Anything else
    #[arg(long)]
    note: Option<String>,
}

/// Runs the command.
pub fn trial(args: &TrialArgs) -> anyhow::Result<()> {
    let mut opened = Opened::open(&args.book.book())?;
    if let Some(why) = args.stop {
        let now = opened.now;
        let stopped = opened.records.stop_trial(why, args.note.as_deref(), now)?;
        return out::line(&format!(
            "The trial of {} {} is stopped ({why}). It claims nothing; its flasks stay in the \
             evidence like any others.",
            stopped.trial.alloy, stopped.trial.section
        ));
    }
    let Some((alloy, section)) = meant(&opened, args.alloy.as_deref(), args.section.as_deref())?
    else {
        anyhow::bail!(
            "no flask with an alloy and a section has been counted yet, so there is no rate to \
             plan by"
        );
    };
    let work = KindOfWork::of(&opened, &alloy, &section)?;
    let temperature = |option: &str, text: &Option<String>| {
        text.as_deref()
            .map(|t| quantity(option, t, Quantity::Temperature))
            .transpose()
    };
    if let Some(points) = args.difference
        && !(points > 0.0 && points < 100.0)
    {
        return Err(WrongUse(format!(
            "--difference: {points} points is no difference of rates; write 3 for 3 of 100 pieces"
        ))
        .into());
    }
    let wish = Wish {
        usual_c: temperature("--usual", &args.usual)?,
        tried_c: temperature("--try", &args.tried)?,
        difference: args.difference.map(|points| points / 100.0),
    };
    let shown = opened.config.shop.shown_in;
    let plan = work
        .plan(&wish, new_seed())
        .map_err(|why| anyhow::anyhow!(why.in_units(&shown)))?;
    if !plan.worth_beginning() && !args.anyway {
        anyhow::bail!(
            "{} If you begin it all the same, say --anyway; a larger --difference takes fewer \
             flasks",
            plan.sentence(&shown)
        );
    }
    let now = opened.now;
    opened
        .records
        .plan_trial(&plan.trial, args.note.as_deref(), now)?;
    out::line(&format!("{alloy}, {section}. {}", plan.sentence(&shown)))?;
    out::line("")?;
    out::line(
        "The trial is begun, and nothing of it changes from now on. Write each day's cards, then \
         ask \"pourbook next\" before pouring: it draws the lots. Change nothing else for it. \
         Count the pieces of every flask, best without knowing its temperature. It is analysed \
         once, when the last flask is counted; stop it before only for safety or gross misruns \
         (\"pourbook record trial --stop\").",
    )
}

/// 62 bits of chance, as the records keep a seed.
fn new_seed() -> u64 {
    // The last 62 bits of a version 4 UUID are random (RFC 9562, 5.4).
    (Uuid::new_v4().as_u128() & ((1 << 62) - 1)) as u64
}
