//! `pourbook run`: the daemon; and the hidden command that its publishing children are.

use std::sync::Arc;

use anyhow::{Context, anyhow};
use clap::Args;
use tokio::signal::unix::{SignalKind, signal};
use tracing::info;
use uuid::Uuid;

use super::open::load;
use super::{BookArg, extract, out};
use crate::book::Book;
use crate::clock::SystemClock;
use crate::config::Config;
use crate::journal::{Close, Entry, JournalReader};
use crate::publish::publish;
use crate::records::Records;
use crate::service::{Service, ServiceSetup};
use crate::session::anew::by_hand;
use crate::session::jobs::{PublishedSession, limit_memory};
use crate::session::trace_rows::rows_of;
use crate::storage::{RealDisk, Storage};

/// Log the bench until told to stop.
#[derive(Debug, Args)]
#[command(
    after_help = "Stop it with Ctrl-C or SIGTERM: everything taken in is stored first.\n\nExample:\n  pourbook run --book ~/book"
)]
pub struct RunArgs {
    #[command(flatten)]
    book: BookArg,
    /// Say more about what it does
    #[arg(long)]
    verbose: bool,
}

/// Publish one closed session.
#[derive(Debug, Args)]
pub struct PublishArgs {
    #[command(flatten)]
    book: BookArg,
    #[arg(long)]
    session: Uuid,
}

/// Writes an example configuration where there is none.
fn first_start(book: &Book) -> anyhow::Result<bool> {
    if book.config().exists() {
        return Ok(false);
    }
    std::fs::create_dir_all(book.root()).with_context(|| book.root().display().to_string())?;
    std::fs::write(book.config(), Config::sample())
        .with_context(|| book.config().display().to_string())?;
    Ok(true)
}

/// Runs the daemon.
pub fn run(args: &RunArgs) -> anyhow::Result<()> {
    let book = args.book.book();
    if first_start(&book)? {
        return Err(anyhow!(
            "there was no book in {}; an example configuration is now in {}. Put in your own \
             shop, sensors and machine, then run this again",
            book.root().display(),
            book.config().display()
        ));
    }
    log_to_stderr(args.verbose);
    let config = load(&book)?;
    let program = std::env::current_exe().context("this program's own file")?;
    runtime()?.block_on(async {
        let mut interrupt = signal(SignalKind::interrupt())?;
        let mut terminate = signal(SignalKind::terminate())?;
        let mut service = Service::start(ServiceSetup {
            book,
            config,
            clock: Arc::new(SystemClock::new()),
            program,
            demo: false,
        })
        .await?;
        info!("ready");
        let failed = tokio::select! {
            _ = interrupt.recv() => None,
            _ = terminate.recv() => None,
            failed = service.failed() => Some(failed),
        };
        if let Some(failed) = failed {
            return Err(failed);
        }
        info!("stopping");
        service.stop().await
    })
}

/// A runtime for the daemon's sockets. Two threads: the machine it is meant for has few cores,
/// and the work is in the journal's thread and the bench.
pub fn runtime() -> anyhow::Result<tokio::runtime::Runtime> {
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .context("the runtime")
}

/// One line per thing that a person must know, on standard error without times: whoever keeps
/// the service's output stamps them.
pub fn log_to_stderr(verbose: bool) {
    let level = if verbose {
        "pourbook=debug"
    } else {
        "pourbook=info"
    };
    let filter = tracing_subscriber::EnvFilter::try_from_env("POURBOOK_LOG")
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new(level));
    let _ = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .without_time()
        .with_target(false)
        .with_ansi(false)
        .try_init();
}

/// Publishes the newest close of a session and prints what was published and found.
pub fn publish_session(args: &PublishArgs) -> anyhow::Result<()> {
    limit_memory();
    let book = args.book.book();
    let records = Records::open(&book.records())?;
    let id = records.book()?.id;
    let storage: Arc<dyn Storage> = Arc::new(RealDisk::new(book.root()));
    let mut newest: Option<Close> = None;
    JournalReader::new(Arc::clone(&storage), id).scan(0, |_, entry| {
        if let Entry::Close(close) = entry
            && close.session == args.session
            && newest
                .as_ref()
                .is_none_or(|held| held.generation <= close.generation)
        {
            newest = Some(close.clone());
        }
    })?;
    let close = newest.ok_or_else(|| anyhow!("the journal has no close of {}", args.session))?;
    let published = publish(&storage, id, &close)?;
    let trace = extract::read(&book.below(&published.path))?;
    let found = rows_of(&trace.samples, &trace.told);
    let said = records.hand_pours_of_session(args.session)?;
    let by_hand = by_hand(&trace.samples, &trace.told, &said);
    out::json_lines(&[PublishedSession {
        lost: published
            .holes
            .iter()
            .filter(|h| !h.torn)
            .map(|h| h.entries())
            .sum(),
        path: published.path,
        sha256: published.sha256,
        rows: published.rows,
        generation: published.generation,
        moved: published.moved,
        found,
        by_hand,
    }])
}
