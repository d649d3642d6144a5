//! `pourbook record probe-check`: the freezes of known metals that were found in the traces, what
//! the probe read there, and one of them accepted, so that it corrects the pours of its probe.

use analysis::probe::budget::COVERAGE;
use analysis::probe::series::changes_of;
use analysis::probe::{ArrestRow, Heat};
use analysis::time::Micros;
use analysis::units::ShownIn;
use clap::Args;

use super::open::Opened;
use super::record_options::as_options;
use super::{BookArg, WrongUse, out};
use crate::records::pours::PourFilter;
use crate::records::probe_checks::ProbeCheck;
use crate::records::words::Part;
use crate::session::settle::assemble_machine;

/// What stands under the help.
pub const EXAMPLE: &str = "Melt fine silver, or silver with 28.1 % copper, in a clean crucible under cover gas: in air silver \
takes up oxygen and freezes some 10 K lower. Take it 30 K above its freezing point (961.8 °C; \
779 °C), turn the heater down so that it cools by 3 to 9 K a minute, and leave it alone, with the \
probe as deep as for a pour, until it is 30 K below. Metal at that heat burns and spits if it \
meets anything damp; gloves and face shield as for casting. When the session is closed the freeze \
is listed here.\n\nExample:\n  pourbook record probe-check                 lists what was found\n  pourbook record probe-check --accept 1      corrects what this probe reads from then on\n  pourbook record probe-check --take-back     every pour as it was read";

/// The options.
#[derive(Debug, Args)]
pub struct ProbeCheckArgs {
    #[command(flatten)]
    book: BookArg,
    /// The machine, when the shop has several
    #[arg(long)]
    machine: Option<String>,
    /// Only what was found in this session
    #[arg(long, value_name = "NAME")]
    session: Option<String>,
    /// Accept the freeze of this number: pours of this probe are corrected from then on
    #[arg(long, value_name = "N", conflicts_with = "take_back")]
    accept: Option<usize>,
    /// Also correct what this probe read before the check, back to its change
    #[arg(long, requires = "accept")]
    whole_series: bool,
    /// Why
    #[arg(long, requires = "accept")]
    note: Option<String>,
    /// Take back the check that was accepted last
    #[arg(long)]
    take_back: bool,
    /// Print one JSON object per freeze
    #[arg(long, conflicts_with_all = ["accept", "take_back"])]
    json: bool,
}

/// Runs the command.
pub fn probe_check(args: &ProbeCheckArgs) -> anyhow::Result<()> {
    if args.take_back {
        let mut opened = Opened::open(&args.book.book())?;
        return take_back(args, &mut opened);
    }
    let Some(number) = args.accept else {
        return list(args, &Opened::read(&args.book.book())?);
    };
    let mut opened = Opened::open(&args.book.book())?;
    accept(args, number, &mut opened)
}

/// The freezes of a shop's machines, oldest first, so that a number stays the same as more are
/// found.
fn freezes(args: &ProbeCheckArgs, opened: &Opened) -> anyhow::Result<Vec<(usize, ArrestRow)>> {
    if let Some(machine) = &args.machine {
        known_machine(machine, opened)?;
    }
    if let Some(session) = &args.session {
        opened.records.session_named(session)?;
    }
    let all = opened.records.arrests(None)?;
    Ok((1..)
        .zip(all.into_iter().filter(|a| a.heat == Heat::Freezing))
        .filter(|(_, a)| args.machine.as_ref().is_none_or(|m| a.machine == *m))
        .filter(|(_, a)| args.session.as_ref().is_none_or(|s| a.session == *s))
        .collect())
}

fn known_machine(machine: &str, opened: &Opened) -> anyhow::Result<()> {
    let known = opened.records.machines()?;
    if known.iter().any(|m| m == machine) {
        return Ok(());
    }
    Err(WrongUse(format!(
        "--machine \"{}\" is not known; use {}",
        machine.escape_debug(),
        known.join(", ")
    ))
    .into())
}

fn list(args: &ProbeCheckArgs, opened: &Opened) -> anyhow::Result<()> {
    let freezes = freezes(args, opened)?;
    if args.json {
        let rows: Vec<&ArrestRow> = freezes.iter().map(|(_, a)| a).collect();
        return out::json_lines(&rows);
    }
    if freezes.is_empty() {
        eprintln!(
            "pourbook: no freeze of fine silver or of the silver-copper eutectic was found in a \
             closed session; \"pourbook record probe-check --help\" says how to make one"
        );
        return Ok(());
    }
    let accepted = opened.records.accepted_checks()?;
    let shown = &opened.config.shop.shown_in;
    let rows: Vec<Vec<String>> = freezes
        .iter()
        .map(|(number, freeze)| {
            let counts = accepted
                .iter()
                .any(|c| c.machine == freeze.machine && c.at == freeze.at);
            let mut row = vec![number.to_string(), minute(freeze.at, opened)];
            row.push(freeze.session.clone());
            row.push(freeze.probe_series.clone().unwrap_or_default());
            row.push(freeze.metal.map_or("", |m| m.words()).to_owned());
            row.push(shown.temperature_to_tenth(freeze.read_c).to_string());
            row.push(offset(freeze, shown));
            row.push(uncertainty(freeze, shown));
            row.push(if counts { "yes" } else { "" }.to_owned());
            row
        })
        .collect();
    out::table(
        &[
            "no",
            "froze at",
            "session",
            "probe",
            "metal",
            "read",
            "reads too much",
            "±",
            "accepted",
        ],
        &rows,
    )?;
    for (number, freeze) in &freezes {
        if let Some(why) = budget(freeze, shown) {
            out::line(&format!("{number}: {why}"))?;
        }
    }
    Ok(())
}

fn minute(at: Micros, opened: &Opened) -> String {
    crate::book::local(at, &opened.config.shop.time_zone)
        .strftime("%Y-%m-%d %H:%M")
        .to_string()
}

fn offset(freeze: &ArrestRow, shown: &ShownIn) -> String {
    let of = freeze.offset_k.map(|k| shown.difference(k));
    of.map_or(String::new(), |k| k.to_string())
}

fn uncertainty(freeze: &ArrestRow, shown: &ShownIn) -> String {
    let of = freeze.offset_sd_k.map(|k| shown.difference(COVERAGE * k));
    of.map_or(String::new(), |k| k.to_string())
}

/// What the uncertainty is made of, the greatest first.
fn budget(freeze: &ArrestRow, shown: &ShownIn) -> Option<String> {
    let budget = freeze.budget?;
    let mut lines = [
        ("the metal's purity", budget.purity_k),
        ("the probe's place", budget.position_k),
        ("the plateau's tilt", budget.tilt_k),
        ("noise", budget.fit_k),
        ("the readings' steps", budget.resolution_k),
    ];
    lines.sort_by(|a, b| b.1.total_cmp(&a.1));
    let lines: Vec<String> = lines
        .iter()
        .map(|(what, k)| format!("{what} {}", shown.difference(*k)))
        .collect();
    Some(format!(
        "± is twice the standard uncertainty, made of {}",
        lines.join(", ")
    ))
}

fn accept(args: &ProbeCheckArgs, number: usize, opened: &mut Opened) -> anyhow::Result<()> {
    let freezes = freezes(args, opened)?;
    let Some((_, freeze)) = freezes.iter().find(|(n, _)| *n == number) else {
        let there: Vec<String> = freezes.iter().map(|(n, _)| n.to_string()).collect();
        let there = if there.is_empty() {
            "none was found".to_owned()
        } else {
            format!("there: {}", there.join(", "))
        };
        return Err(WrongUse(format!("--accept {number}: no such freeze ({there})")).into());
    };
    let check = ProbeCheck::of(freeze, args.whole_series, args.note.as_deref());
    // What is listed is a freeze of a known metal.
    let check = check.ok_or_else(|| WrongUse(format!("--accept {number}: no such freeze")))?;
    let offset_k = opened
        .records
        .add_probe_check(&check, opened.now)
        .map_err(as_options)?;
    assemble(&freeze.machine, &check, opened)?;
    let shown = &opened.config.shop.shown_in;
    let reads = match offset_k {
        k if k >= 0.0 => format!("{} too much", shown.difference(k)),
        k => format!("{} too little", shown.difference(-k)),
    };
    out::line(&format!(
        "accepted: {} read {reads} (± {}) against {} freezing {}",
        freeze.probe_series.as_deref().unwrap_or("the probe"),
        uncertainty(freeze, shown),
        freeze.metal.map_or("metal", |m| m.words()),
        minute(freeze.at, opened),
    ))?;
    out::line(&corrected(freeze, args.whole_series, opened)?)
}

/// How many pours it corrects, and what becomes of the others.
fn corrected(freeze: &ArrestRow, whole: bool, opened: &Opened) -> anyhow::Result<String> {
    let pours = opened.records.pours(&PourFilter::default())?;
    let of_series: Vec<bool> = pours
        .iter()
        .filter(|p| p.row.parts.probe_series == freeze.probe_series)
        .map(|p| p.row.parts.probe_offset_k.is_some())
        .collect();
    let count = of_series.iter().filter(|c| **c).count();
    let left = of_series.len() - count;
    let now = match count {
        1 => "1 pour of this probe is corrected".to_owned(),
        n => format!("{n} pours of this probe are corrected"),
    };
    Ok(if left > 0 && !whole {
        format!(
            "{now}; {left} before the check stay as they were read (--take-back and --accept \
             with --whole-series corrects them too)"
        )
    } else {
        now
    })
}

fn take_back(args: &ProbeCheckArgs, opened: &mut Opened) -> anyhow::Result<()> {
    let machine = match (&args.machine, opened.records.machines()?.as_slice()) {
        (Some(machine), _) => {
            known_machine(machine, opened)?;
            machine.clone()
        }
        (None, [one]) => one.clone(),
        (None, _) => return Err(WrongUse("say which machine with --machine".to_owned()).into()),
    };
    let check = opened.records.take_back_probe_check(&machine, opened.now)?;
    assemble(&machine, &check, opened)?;
    out::line(&format!(
        "the probe check of {machine}, {}, is taken back",
        minute(check.at, opened)
    ))
}

/// Assembles anew what the check corrects, or no longer does.
fn assemble(machine: &str, check: &ProbeCheck, opened: &mut Opened) -> anyhow::Result<()> {
    let since = if check.whole_series {
        let changes: Vec<_> = opened
            .records
            .part_changes()?
            .into_iter()
            .filter(|(_, c)| c.part == Part::Thermocouple)
            .filter_map(|(_, c)| {
                Some(analysis::upkeep::PartChange {
                    machine: c.machine?,
                    part: c.part.kind(),
                    at: c.at,
                    content_l: None,
                })
            })
            .collect();
        let changes = changes_of(machine, &changes);
        let before = changes.iter().rev().find(|at| **at <= check.at);
        before.copied().unwrap_or(Micros(0))
    } else {
        check.at
    };
    assemble_machine(
        &mut opened.records,
        &opened.config,
        machine,
        since,
        opened.now,
    )?;
    Ok(())
}
