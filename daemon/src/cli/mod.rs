//! The command line: one file per command, and here what they share. Each command prints data
//! on standard output and everything else on standard error, and ends with 0, with 1 when it
//! failed, or with 2 when it was called wrongly.

mod check;
mod check_kilns;
mod demo;
mod evidence;
mod evidence_tables;
mod export;
mod extract;
mod extract_book;
mod extract_rows;
mod import;
pub(crate) mod kind_of_work;
mod next;
mod open;
mod out;
mod pours;
mod progress;
mod record;
mod record_charge;
mod record_cooling;
mod record_options;
mod record_out_of_kiln;
mod record_pour;
mod record_probe_check;
mod record_trial;
mod report;
mod run;
mod session_at;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, Parser, Subcommand};

use crate::book::Book;
use crate::records::RecordError;

pub use open::records_of;

/// A casting bench's memory: logs every pour by itself and relates what failed to how it was
/// poured.
///
/// pourbook advises. It is never an interlock: the machine's own safety devices, your oxygen
/// monitor and your local rules come first.
#[derive(Debug, Parser)]
#[command(
    name = "pourbook",
    version,
    propagate_version = true,
    max_term_width = 100
)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

/// Which book a command works on.
#[derive(Debug, Clone, Args)]
struct BookArg {
    /// The book's folder [default: $POURBOOK_DIR, else the data folder of this system]
    #[arg(long, value_name = "DIR")]
    book: Option<PathBuf>,
}

impl BookArg {
    fn book(&self) -> Book {
        Book::chosen(self.book.as_deref())
    }
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Make the invented shop's book, pour its latest session over MQTT and write the reports
    Demo(demo::DemoArgs),
    /// Log the bench until told to stop
    Run(run::RunArgs),
    /// Check the configuration, then listen and say what arrives
    Check(check::CheckArgs),
    /// Write a week's report (and the index), or a session's sheet
    Report(report::ReportArgs),
    /// Rates of defects by setting, with how sure they are
    Evidence(evidence::EvidenceArgs),
    /// How hot to pour the next flasks, and why
    Next(next::NextArgs),
    /// List pours and pulls
    Pours(pours::PoursArgs),
    /// Bring in paper records or a trace, from CSV
    Import(import::ImportArgs),
    /// Write every table as CSV and Parquet, with a data dictionary
    Export(export::ExportArgs),
    /// Write down a flask, an inspection, a part change, when metal left or how a flask cooled
    Record(record::RecordArgs),
    /// Find the pulls and pours of trace files, or of a whole book, anew
    Extract(extract::ExtractArgs),
    /// Publish one closed session (started by the daemon itself)
    #[command(hide = true)]
    PublishSession(run::PublishArgs),
}

/// Runs the program with the process's own arguments.
pub fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(e) => {
            // Help and version are what was asked for; anything else is a wrong call.
            let code = if e.use_stderr() { 2 } else { 0 };
            let _ = e.print();
            return ExitCode::from(code);
        }
    };
    let result = match cli.command {
        Command::Demo(args) => demo::demo(&args),
        Command::Run(args) => run::run(&args),
        Command::Check(args) => check::check(&args),
        Command::Report(args) => report::report(&args),
        Command::Evidence(args) => evidence::evidence_of(&args),
        Command::Next(args) => next::next_pours(&args),
        Command::Pours(args) => pours::pours(&args),
        Command::Import(args) => import::import(&args),
        Command::Export(args) => export::export(&args),
        Command::Record(args) => record::record(&args),
        Command::Extract(args) => extract::extract(&args),
        Command::PublishSession(args) => run::publish_session(&args),
    };
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            // A reader that has seen enough closes the pipe; that is no failure.
            if failure.chain().any(out::is_closed_pipe) {
                return ExitCode::SUCCESS;
            }
            out::complain(&in_options(&failure).unwrap_or_else(|| out::in_words(&failure)));
            if failure.downcast_ref::<WrongUse>().is_some() {
                ExitCode::from(2)
            } else {
                ExitCode::FAILURE
            }
        }
    }
}

/// What the records refuse of a card, an inspection or a part change, by the option that gave
/// it: the records name their own columns, which nobody types.
fn in_options(failure: &anyhow::Error) -> Option<String> {
    let Some(RecordError::Invalid { field, problem }) = failure.downcast_ref() else {
        return None;
    };
    let option = match *field {
        "casting_order" => "--order",
        "kind" | "kinds" => "--kind",
        "metal_g" => "--metal-g",
        "remelt_percent" => "--remelt",
        "diameter_mm" => "--diameter-mm",
        "investment_batch" => "--investment",
        "kiln_set_c" => "--set-point",
        "soak_min" => "--soak-min",
        "kiln_in_at" => "--kiln-in",
        "kiln_out_at" => "--kiln-out",
        "defective" => "--defective",
        "defective_steering" => "--defective-steering",
        "pieces" => "--pieces",
        "label" => "--label",
        "line" | "lines" => "--line",
        "section" => "--section",
        "alloy" => "--alloy",
        "stage" => "--stage",
        "machine" => "--machine",
        "kiln" => "--kiln",
        "shelf" => "--shelf",
        "channel" => "--channel",
        "pressure_kpa" => "--pressure",
        "volume_l" => "--volume-l",
        "gas" => "--gas",
        "note" => "--note",
        "by" => "--by",
        "at" => "--at",
        _ => return None,
    };
    Some(format!("{option}: {problem}"))
}

/// A call that cannot be carried out as it stands, whatever the book holds.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct WrongUse(pub String);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_refused_is_called_by_its_option() {
        let refused = |field| anyhow::Error::from(RecordError::invalid(field, "counts from 1"));
        assert_eq!(
            in_options(&refused("casting_order")).as_deref(),
            Some("--order: counts from 1")
        );
        assert_eq!(in_options(&refused("spread_k")), None);
        assert_eq!(in_options(&anyhow::anyhow!("no disk")), None);
    }
}
