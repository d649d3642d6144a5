//! `pourbook export`: every table as CSV and Parquet, with a data dictionary.

use std::path::PathBuf;

use clap::Args;

use super::open::Opened;
use super::{BookArg, out};

/// Write every table as CSV and Parquet.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  pourbook export ~/pourbook-export")]
pub struct ExportArgs {
    #[command(flatten)]
    book: BookArg,
    /// A new or empty folder, or an earlier export of the same book, which is replaced
    #[arg(value_name = "DIR")]
    folder: PathBuf,
}

/// Runs the command.
pub fn export(args: &ExportArgs) -> anyhow::Result<()> {
    let opened = Opened::read(&args.book.book())?;
    let report = crate::export::export(&opened.records, &args.folder)?;
    let rows: Vec<Vec<String>> = report
        .tables
        .iter()
        .map(|(table, rows)| vec![table.clone(), rows.to_string()])
        .collect();
    out::table(&["table", "rows"], &rows)?;
    out::line(&format!("Written to {}", report.folder.display()))
}
