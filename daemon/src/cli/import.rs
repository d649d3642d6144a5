//! `pourbook import`: paper records and traces from CSV.

use std::path::{Path, PathBuf};

use analysis::sample::Sample;
use anyhow::Context;
use clap::{Args, Subcommand, ValueEnum};

use super::open::Opened;
use super::{BookArg, WrongUse, out};
use crate::import::enter::{ImportOptions, import_castings};
use crate::import::trace::{TraceOptions, read_trace, samples_sha256};
use crate::records::imported_traces::ImportedTrace;
use crate::records::words::AddedBy;
use crate::session::filed::{Filed, file_readings, placed};
use crate::session::settle::assemble_machine;
use crate::storage::RealDisk;
use crate::write_up::WriteUp;

/// Bring in paper records or a trace, from CSV.
#[derive(Debug, Args)]
pub struct ImportArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Flasks and what became of them, one row per flask line
    #[command(
        after_help = "Columns, in any order, units in square brackets:\n  flask, cast_at, machine, session, alloy, section, pattern, pieces, defective,\n  defective_steering, metal [g], remelt [%], pour_temperature [degF], flask_temperature [Cel],\n  vacuum [inHg], gas_flow [L/min], soak [min], seal_age, note, and one per defect kind.\nNeeded: cast_at, pieces, and defective or at least one defect kind. Blank is not zero.\n\nExample:\n  pourbook import castings paper-2019-2025.csv --skip-bad"
    )]
    Castings {
        #[command(flatten)]
        book: BookArg,
        /// The file
        #[arg(value_name = "FILE.csv")]
        file: PathBuf,
        /// The machine of rows that name none
        #[arg(long)]
        machine: Option<String>,
        /// Import the good rows and write the bad ones, with the reason, beside the file
        #[arg(long)]
        skip_bad: bool,
    },
    /// Readings that another logger took: columns time, channel, value, unit
    #[command(
        after_help = "The unit is a column of its own or stands in the header, value [degF].\nA time without an offset is the shop's own.\nChannels: melt_temperature, vacuum, gas_flow, kiln_temperature, …\n\nExample:\n  pourbook import trace 2025-11-03.csv --machine bench-1"
    )]
    Trace {
        #[command(flatten)]
        book: BookArg,
        /// The file
        #[arg(value_name = "FILE.csv")]
        file: PathBuf,
        /// The machine it was taken on [default: the book's only machine]
        #[arg(long)]
        machine: Option<String>,
        /// What its vacuum counts from
        #[arg(long, value_enum, default_value = "below-ambient")]
        sense: SenseArg,
    },
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum SenseArg {
    /// 0 is no vacuum, as on a shop needle
    BelowAmbient,
    /// 0 is a perfect vacuum
    Absolute,
}

/// Runs the command.
pub fn import(args: &ImportArgs) -> anyhow::Result<()> {
    match &args.what {
        What::Castings {
            book,
            file,
            machine,
            skip_bad,
        } => {
            let mut opened = Opened::open(&book.book())?;
            refuse_slip(&opened, machine.as_deref())?;
            let options = ImportOptions {
                kinds: opened.config.defect_kinds.clone(),
                ambient_kpa: opened.config.shop.ambient_kpa(),
                machine: machine.clone().or_else(|| only_machine(&opened)),
                skip_bad: *skip_bad,
                ..ImportOptions::default()
            };
            let report = import_castings(&mut opened.records, file, &options, opened.now)?;
            for machine in &report.machines_new {
                say_added(machine);
            }
            for odd in &report.warnings {
                eprintln!("pourbook: {odd}");
            }
            out::line(&format!(
                "{} good: {} new, {} known already, {} new",
                out::count(report.rows_good as u64, "row"),
                out::count(report.flasks_new as u64, "flask"),
                report.flasks_known,
                out::count(report.sessions_new as u64, "session")
            ))?;
            if let Some(bad) = &report.bad_file {
                for row in &report.bad {
                    eprintln!("pourbook: {row}");
                }
                out::line(&format!(
                    "{} bad, written with the reason to {}; mend there and import that file",
                    out::count(report.rows_bad as u64, "row"),
                    bad.display()
                ))?;
            }
            Ok(())
        }
        What::Trace {
            book,
            file,
            machine,
            sense,
        } => {
            let opened = Opened::open(&book.book())?;
            let machine = machine
                .clone()
                .or_else(|| only_machine(&opened))
                .ok_or_else(|| {
                    WrongUse(
                        "the book has several machines or none; say which with --machine".into(),
                    )
                })?;
            import_trace(opened, file, machine, *sense)
        }
    }
}

/// Imports a trace once: the same samples of the same machine change nothing a second time.
fn import_trace(
    mut opened: Opened,
    file: &Path,
    machine: String,
    sense: SenseArg,
) -> anyhow::Result<()> {
    refuse_slip(&opened, Some(&machine))?;
    let file_name = file.file_name().map_or_else(
        || file.display().to_string(),
        |n| n.to_string_lossy().into_owned(),
    );
    let bytes = std::fs::read(file).with_context(|| file.display().to_string())?;
    let options = TraceOptions {
        zone: opened.config.shop.time_zone.clone(),
        sense: match sense {
            SenseArg::BelowAmbient => analysis::units::Sense::BelowAmbient,
            SenseArg::Absolute => analysis::units::Sense::Absolute,
        },
        ambient_kpa: opened.config.shop.ambient_kpa(),
    };
    let samples = read_trace(&file_name, bytes, &options)?;
    let trace = ImportedTrace {
        samples_sha256: samples_sha256(&samples),
        samples: u64::try_from(samples.len()).unwrap_or(u64::MAX),
        imported_at: opened.now,
        machine,
        file_name,
    };
    let known = opened
        .records
        .imported_trace(&trace.machine, &trace.samples_sha256)?;
    if let Some(known) = known {
        return out::line(&format!(
            "{}: known already, imported as {} on {}; nothing has changed",
            trace.file_name,
            known.file_name,
            opened.records.day_of(known.imported_at)
        ));
    }
    let new_machine = opened
        .records
        .add_machine(&trace.machine, AddedBy::Import, opened.now)?;
    let filed = match file_trace(&mut opened, &trace, samples) {
        Ok(filed) => filed,
        Err(e) => {
            if new_machine {
                opened.records.forget_machine(&trace.machine)?;
            }
            return Err(e);
        }
    };
    if new_machine {
        say_added(&trace.machine);
    }
    for session in &filed {
        out::line(&format!(
            "{}: {} samples, {}",
            session.name,
            session.rows,
            opened.book.below(&session.trace).display()
        ))?;
    }
    let write_up = WriteUp::new(&opened.book, &opened.config, &opened.records, opened.now);
    for session in &filed {
        let sheet = write_up.session(&session.name).with_context(|| {
            format!(
                "the trace is in the book, but the sheet of {0} could not be written; write it \
                 with \"pourbook report --session {0}\"",
                session.name
            )
        })?;
        out::line(&format!("{}: {}", session.name, sheet.path.display()))?;
    }
    Ok(())
}

/// Files the samples as sessions, notes that they are in the book, and gives their pours what
/// only the book knows.
fn file_trace(
    opened: &mut Opened,
    trace: &ImportedTrace,
    samples: Vec<Sample>,
) -> anyhow::Result<Vec<Filed>> {
    let machine = trace.machine.as_str();
    let kilns = opened
        .config
        .machine(machine)
        .map_or_else(Vec::new, |m| m.kilns.clone());
    let readings = placed(samples, &machine.into(), &kilns);
    let disk = RealDisk::new(opened.book.root());
    let filed = file_readings(
        &mut opened.records,
        &disk,
        &opened.config,
        machine,
        readings,
        opened.now,
    )?;
    // From here on the sessions are in the book, so that the same file must not file them again.
    opened.records.add_imported_trace(trace)?;
    let since = filed
        .iter()
        .filter_map(|f| opened.records.session(f.id).ok())
        .map(|s| s.opened_at)
        .min()
        .unwrap_or(opened.now);
    assemble_machine(
        &mut opened.records,
        &opened.config,
        machine,
        since,
        opened.now,
    )?;
    Ok(filed)
}

/// Refuses a machine that is most likely a slip of the pen for one that is there. A machine is
/// in a book for ever, so another name is taken only once everything else is right.
fn refuse_slip(opened: &Opened, machine: Option<&str>) -> anyhow::Result<()> {
    let Some(name) = machine else { return Ok(()) };
    match opened.records.machine_meant_by(name)? {
        None => Ok(()),
        Some(meant) => Err(WrongUse(format!(
            "--machine \"{name}\" is no machine of this book; did you mean \"{meant}\"? If it is \
             another one, name it as a [[machine]] in pourbook.toml first"
        ))
        .into()),
    }
}

fn say_added(machine: &str) {
    eprintln!("pourbook: added the machine \"{machine}\", which no book entry named before");
}

fn only_machine(opened: &Opened) -> Option<String> {
    match opened.records.machines().ok()?.as_slice() {
        [one] => Some(one.clone()),
        _ => None,
    }
}
