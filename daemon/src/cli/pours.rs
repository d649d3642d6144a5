//! `pourbook pours`: every pour and pull that the book knows, measured.

use std::collections::BTreeMap;

use anyhow::Context;
use clap::Args;

use super::{BookArg, WrongUse, out};
use crate::cli::open::{Opened, day_or_time};
use crate::records::pours::{Pour, PourFilter};
use analysis::pour::{FoundBy, Row};
use analysis::probe::drift::drifts;

/// List pours and pulls.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  pourbook pours --since 2026-11-16\n  pourbook pours --pulls --json > pours.jsonl"
)]
pub struct PoursArgs {
    #[command(flatten)]
    book: BookArg,
    /// From this day or time on
    #[arg(long, value_name = "DAY|TIME")]
    since: Option<String>,
    /// Up to, and without, this day or time
    #[arg(long, value_name = "DAY|TIME")]
    until: Option<String>,
    /// Of this session only
    #[arg(long, value_name = "NAME")]
    session: Option<String>,
    /// Also every pull of vacuum (always with --json)
    #[arg(long)]
    pulls: bool,
    /// Print one JSON object per line
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn pours(args: &PoursArgs) -> anyhow::Result<()> {
    let opened = Opened::read(&args.book.book())?;
    let zone = &opened.config.shop.time_zone;
    let since = args
        .since
        .as_deref()
        .map(|t| day_or_time(t, zone))
        .transpose()?;
    let until = args
        .until
        .as_deref()
        .map(|t| day_or_time(t, zone))
        .transpose()?;
    if let (Some(since), Some(until)) = (since, until)
        && since >= until
    {
        return Err(WrongUse("--since must be before --until".to_owned()).into());
    }
    let session = match &args.session {
        None => None,
        Some(name) => Some(opened.records.session_named(name)?.id),
    };
    let filter = PourFilter {
        since,
        until,
        session,
        with_struck: false,
    };
    let pours = opened.records.pours(&filter)?;
    let pulls = opened.records.pulls(since, until, session)?;
    let shown = &opened.config.shop.shown_in;
    if args.json {
        let mut rows: Vec<Row> = pulls
            .into_iter()
            .map(Row::Pull)
            .chain(pours.into_iter().map(|p| Row::Pour(p.row)))
            .collect();
        rows.sort_by_key(Row::at);
        return out::json_lines(&rows);
    }
    if pours.is_empty() {
        eprintln!("pourbook: no pours in that time");
    }
    let clock = |at| {
        crate::book::local(at, zone)
            .strftime("%Y-%m-%d %H:%M:%S")
            .to_string()
    };
    let text = |value: Option<String>| value.unwrap_or_default();
    let rows = pours
        .iter()
        .map(|pour| {
            let row = &pour.row;
            let label = match row.flask.as_deref().and_then(|f| f.parse().ok()) {
                Some(id) => opened.records.flask(id)?.card.label,
                None => String::new(),
            };
            Ok(vec![
                row.session.clone(),
                row.number.to_string(),
                clock(row.at),
                text(
                    row.pour_temperature_c
                        .map(|c| shown.temperature(c).to_string()),
                ),
                text(row.target_c.map(|c| shown.temperature(c).to_string())),
                text(row.vacuum_kpa.map(|k| shown.vacuum(k).to_string())),
                text(row.vacuum_lead_s.map(|s| format!("{s:.0} s"))),
                text(
                    row.flask_temperature_c
                        .map(|c| shown.temperature(c).to_string()),
                ),
                text(row.seal_age_pours.map(|n| n.to_string())),
                found_by(row.found_by).to_owned(),
                format!("{:.2}", row.confidence),
                label,
                row.faults.join(", "),
            ])
        })
        .collect::<anyhow::Result<Vec<_>>>()
        .context("the flask cards")?;
    out::table(
        &[
            "session",
            "no",
            "poured at",
            "melt",
            "target",
            "vacuum",
            "lead",
            "flask",
            "seal age",
            "found by",
            "sure",
            "label",
            "may not steer",
        ],
        &rows,
    )?;
    for said in probe_remarks(&pours, &opened)? {
        out::line(&said)?;
    }
    if args.pulls {
        out::line("")?;
        let rows: Vec<Vec<String>> = pulls
            .iter()
            .map(|pull| {
                vec![
                    pull.session.clone(),
                    clock(pull.opened_at),
                    text(pull.depth_kpa.map(|k| shown.vacuum(k).to_string())),
                    text(pull.share.map(|s| format!("{:.0} %", 100.0 * s))),
                    text(pull.tau_s.map(|s| format!("{s:.1} s"))),
                    word(pull.verdict).to_owned(),
                    if pull.poured { "poured" } else { "called off" }.to_owned(),
                ]
            })
            .collect();
        out::table(
            &[
                "session",
                "vacuum on",
                "depth",
                "of possible",
                "time constant",
                "verdict",
                "",
            ],
            &rows,
        )?;
    }
    Ok(())
}

/// What is to be known of the probes that read these pours: corrections and drift.
fn probe_remarks(pours: &[Pour], opened: &Opened) -> anyhow::Result<Vec<String>> {
    let shown = &opened.config.shop.shown_in;
    let mut corrected: BTreeMap<(String, String), usize> = BTreeMap::new();
    for parts in pours.iter().map(|p| &p.row.parts) {
        if let Some((series, offset_k)) = parts.probe_series.clone().zip(parts.probe_offset_k) {
            let by = match offset_k {
                k if k >= 0.0 => format!("{} too much", shown.difference(k)),
                k => format!("{} too little", shown.difference(-k)),
            };
            *corrected.entry((series, by)).or_default() += 1;
        }
    }
    let mut said: Vec<String> = corrected
        .into_iter()
        .map(|((series, by), n)| {
            format!("probe {series} reads {by} by its probe check: {n} of these are corrected")
        })
        .collect();
    let arrests = opened.records.arrests(None)?;
    for drift in drifts(&arrests, &opened.records.accepted_checks()?) {
        let by = shown.difference(drift.shift_k.abs()).to_string();
        said.push(format!("{}: {}", drift.machine, drift.sentence(&by)));
    }
    Ok(said)
}

fn found_by(found_by: FoundBy) -> &'static str {
    match found_by {
        FoundBy::Switch => "switch",
        FoundBy::Tap => "tap",
        FoundBy::Trace => "trace",
        FoundBy::Hand => "hand",
    }
}

fn word(verdict: analysis::pour::Verdict) -> &'static str {
    use analysis::pour::Verdict;
    match verdict {
        Verdict::Good => "good",
        Verdict::Weak => "weak",
        Verdict::Missing => "missing",
        Verdict::Unknown => "unknown",
    }
}
