//! `pourbook evidence`: rates of defects by setting, with how sure they are; the same numbers
//! as the report.

use analysis::alloy::Alloys;
use analysis::evidence::{Outcome, Question, evidence};
use clap::Args;

use super::open::{Opened, day_or_time};
use super::{BookArg, WrongUse, out};

/// Rates of defects by setting.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  pourbook evidence --alloy sterling-925 --section thin\n  pourbook evidence --outcome gas-porosity --json"
)]
pub struct EvidenceArgs {
    #[command(flatten)]
    book: BookArg,
    /// What counts: any, steering (kinds that may steer the pour temperature), or a defect kind
    #[arg(long, default_value = "steering", value_name = "any|steering|KIND")]
    outcome: String,
    /// Flasks cast from this day or time on
    #[arg(long, value_name = "DAY|TIME")]
    since: Option<String>,
    /// Flasks cast before this day or time
    #[arg(long, value_name = "DAY|TIME")]
    until: Option<String>,
    /// This alloy only
    #[arg(long)]
    alloy: Option<String>,
    /// This section only: thin, medium, heavy or mixed
    #[arg(long)]
    section: Option<String>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn evidence_of(args: &EvidenceArgs) -> anyhow::Result<()> {
    let opened = Opened::open(&args.book.book())?;
    let zone = &opened.config.shop.time_zone;
    let wrong = |e: &dyn std::fmt::Display| WrongUse(e.to_string());
    let alloys = Alloys::standard();
    if let Some(alloy) = &args.alloy {
        // An alloy of the shop's own may be in the records without being in the table.
        let own = opened.records.flasks_table(None, None)?;
        if alloys.get(alloy).is_none() && !own.iter().any(|f| f.alloy.as_ref() == Some(alloy)) {
            alloys.find(alloy).map_err(|e| wrong(&e))?;
        }
    }
    let ask = Question {
        outcome: Outcome::parse(&args.outcome, &opened.config.defect_kinds)
            .map_err(|e| wrong(&e))?,
        since: args
            .since
            .as_deref()
            .map(|t| day_or_time(t, zone))
            .transpose()?,
        until: args
            .until
            .as_deref()
            .map(|t| day_or_time(t, zone))
            .transpose()?,
        alloy: args.alloy.clone(),
        section: args.section.clone(),
        shown_in: opened.config.shop.shown_in,
        kinds: opened.config.defect_kinds.clone(),
        alloys,
    };
    let flasks = opened.records.flasks_table(None, None)?;
    let found = evidence(&flasks, &ask);
    if args.json {
        return out::json_lines(&[found]);
    }
    let percent = |share: f64| format!("{:.1} %", 100.0 * share);
    let shown = &opened.config.shop.shown_in;
    match &found.rate {
        None => out::line("No inspected flasks in that selection: record inspections first.")?,
        Some(rate) => out::line(&format!(
            "{} of {} pieces counted ({}, 95 % interval {} to {}) in {} flasks of {} sessions; \
             {} more flasks not inspected.",
            found.defective,
            found.pieces,
            percent(rate.estimate),
            percent(rate.low),
            percent(rate.high),
            found.flasks,
            found.sessions,
            found.flasks_uninspected
        ))?,
    }
    for stratum in &found.strata {
        out::line("")?;
        out::line(&stratum.advice.sentence)?;
        let rows: Vec<Vec<String>> = stratum
            .curve
            .iter()
            .map(|point| {
                vec![
                    shown.temperature(point.pour_temperature_c).to_string(),
                    percent(point.rate),
                    format!("{} to {}", percent(point.low), percent(point.high)),
                    point.flasks_near.to_string(),
                ]
            })
            .collect();
        if !rows.is_empty() {
            out::table(&["near", "rate", "95 % interval", "flasks"], &rows)?;
        }
    }
    if !found.kinds.is_empty() {
        out::line("")?;
        let rows: Vec<Vec<String>> = found
            .kinds
            .iter()
            .map(|kind| {
                let rate = kind.rate.as_ref();
                vec![
                    kind.kind.clone(),
                    rate.map_or_else(String::new, |r| percent(r.estimate)),
                    rate.map_or_else(String::new, |r| {
                        format!("{} to {}", percent(r.low), percent(r.high))
                    }),
                    kind.flasks.to_string(),
                ]
            })
            .collect();
        out::table(&["kind", "rate", "95 % interval", "flasks"], &rows)?;
    }
    for note in &found.notes {
        out::line("")?;
        out::line(note)?;
    }
    Ok(())
}
