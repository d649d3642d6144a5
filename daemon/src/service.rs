//! The daemon put together: ways in, journal, bench. Everything that could differ between a
//! shop, the demo and a test (the book, the clock, the program that children run) comes in.
//!
//! Stopping goes with the stream: first the ways in, which wait for what they still owe an
//! acknowledgement; then the journal's writer; then the bench, which takes what was committed.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context, anyhow};
use tokio::sync::{mpsc, oneshot};
use tokio::task::JoinHandle;
use tracing::{error, info, warn};

use crate::book::{Book, BookLock};
use crate::cli::records_of;
use crate::clock::Clock;
use crate::config::{Config, WayIn};
use crate::journal::{
    Committed, Journal, JournalMetrics, JournalReader, JournalSettings, Writer, WriterSettings,
};
use crate::mqtt::broker::Broker;
use crate::mqtt::door::Door;
use crate::mqtt::heard::Heard;
use crate::mqtt::ingest::Ingest;
use crate::mqtt::status::StatusBoard;
use crate::session::bench::{Bench, BenchSetup};
use crate::session::recovery::recover;
use crate::session::retire::Retire;
use crate::shutdown::{Shutdown, ShutdownTrigger};
use crate::storage::{RealDisk, Storage, replace_file};

/// What arrives is shown to other commands through this file, since only one process can hold
/// the way in.
pub const HEARD_FILE: &str = "heard.json";
/// How often that file is written. Every 15 s is one block of flash wear per minute of four.
const HEARD_EVERY: Duration = Duration::from_secs(15);
/// How often in the first minute, when somebody is most likely to be setting sensors up and
/// looking.
const HEARD_EVERY_AT_FIRST: Duration = Duration::from_secs(2);
/// How many times so.
const HEARD_AT_FIRST: u32 = 30;

/// What a service is given.
pub struct ServiceSetup {
    /// The book.
    pub book: Book,
    /// Its configuration.
    pub config: Config,
    /// The clock.
    pub clock: Arc<dyn Clock>,
    /// This program's own file, for children.
    pub program: PathBuf,
    /// Whether a new book is the demo's.
    pub demo: bool,
}

/// A running service.
pub struct Service {
    /// Where sensors publish, if it is the door.
    pub door: Option<SocketAddr>,
    metrics: Arc<JournalMetrics>,
    ingest: Ingest,
    writer: Writer,
    ways: Vec<JoinHandle<()>>,
    bench: oneshot::Receiver<anyhow::Result<()>>,
    heard: JoinHandle<()>,
    stop_ways: ShutdownTrigger,
    stop_writer: ShutdownTrigger,
    _lock: BookLock,
}

impl Service {
    /// Takes the book, recovers what the last run left and opens the ways in.
    ///
    /// # Errors
    /// When the book is in use, damaged or newer, or an address is taken.
    pub async fn start(given: ServiceSetup) -> anyhow::Result<Service> {
        let ServiceSetup {
            book,
            config,
            clock,
            program,
            demo,
        } = given;
        let lock = book.lock()?;
        let config = Arc::new(config);
        let mut records = records_of(&book, &config, demo, clock.now())?;
        let id = records.book()?.id;
        let storage: Arc<dyn Storage> = Arc::new(RealDisk::new(book.root()));
        let (journal, recovered) = Journal::open(
            Arc::clone(&storage),
            id,
            clock.boot(),
            clock.now(),
            JournalSettings::default(),
        )?;
        for hole in recovered.holes.iter().filter(|h| !h.torn) {
            let lost = hole.entries().max(1);
            warn!(
                "the journal has a hole: segment {}, {} entries lost",
                hole.segment, lost
            );
            let why = "the journal was damaged on the disk";
            records.note_trouble("journal", "", why, None, lost, clock.now(), clock.now())?;
        }
        let (stop_writer, writer_shutdown) = Shutdown::new();
        let reader = journal.reader();
        let (writer, committed) = Writer::start(
            journal,
            WriterSettings::default(),
            Arc::clone(&clock),
            writer_shutdown,
            |e| {
                // Nothing may be acknowledged after a failed sync, and what the pages of the
                // disk hold is unknown: end at once, be started again, read the truth back.
                eprintln!("pourbook: the journal cannot be written: {e}; stopping");
                std::process::exit(1);
            },
        )
        .context("the journal's thread")?;
        let ingest = Ingest::new(&config.routes(), Arc::clone(&clock), writer.submissions());
        reader
            .scan(0, |_, entry| ingest.learn(entry))
            .context("reading the journal")?;

        let (stop_ways, ways_shutdown) = Shutdown::new();
        let way = match &config.way_in {
            WayIn::Door(door) => Way::Door(Box::new(Door::bind(door.settings()).await?)),
            WayIn::Broker(shop) => {
                let posts = StatusBoard::new();
                let machines = config.machines.iter().map(|m| m.name.to_string()).collect();
                let broker = Broker::new(shop.settings(machines)?, posts.clone())?;
                info!("samples come from the broker at {}", shop.url);
                Way::Broker(Box::new(broker), posts)
            }
        };
        let mut board = None;
        let mut reachable: Box<dyn Fn() -> bool + Send> = Box::new(|| true);
        if let Way::Broker(broker, posts) = &way {
            let state = broker.state();
            reachable = Box::new(move || state.borrow().connected);
            board = Some(posts.clone());
        }
        let bench = recover(BenchSetup {
            book: book.clone(),
            config,
            records,
            reader: JournalReader::new(Arc::clone(&storage), id),
            clock,
            journal: writer.metrics(),
            closes: writer.closes(),
            retire: Retire(writer.retire()),
            program,
            board,
            reachable,
        })?;
        // The demo plays weeks in seconds and writes its reports itself, at its end.
        let bench = if demo { bench } else { bench.with_desk()? };
        // Only now may anything come in: what was heard before is in its sessions.
        let mut door_address = None;
        let way = match way {
            Way::Door(door) => {
                door_address = Some(door.local_addr());
                info!("sensors publish to {}", door.local_addr());
                tokio::spawn(door.run(ingest.clone(), ways_shutdown))
            }
            Way::Broker(broker, _) => {
                let running = broker.run(ingest.clone(), ways_shutdown);
                tokio::spawn(async move {
                    if let Err(e) = running.await {
                        error!("{e}");
                    }
                })
            }
        };
        let heard = tokio::spawn(post_heard(ingest.clone(), storage));
        Ok(Service {
            door: door_address,
            metrics: writer.metrics(),
            ingest,
            writer,
            ways: vec![way],
            bench: bench_thread(bench, committed).context("the bench's thread")?,
            heard,
            stop_ways,
            stop_writer,
            _lock: lock,
        })
    }

    /// What arrived so far.
    pub fn heard(&self) -> Heard {
        self.ingest.heard()
    }

    /// What the journal's writer did so far.
    pub fn journal(&self) -> &JournalMetrics {
        &self.metrics
    }

    /// Waits until something essential ends by itself, which it does only when it failed.
    pub async fn failed(&mut self) -> anyhow::Error {
        match (&mut self.bench).await {
            Ok(Ok(())) => anyhow!("the journal's writer stopped"),
            Ok(Err(e)) => e,
            Err(_) => anyhow!("the bench stopped in the middle of its work"),
        }
    }

    /// Stops in order: what was taken in is stored and acknowledged, and running publications
    /// finish.
    ///
    /// # Errors
    /// When the journal or the records failed on the way.
    pub async fn stop(self) -> anyhow::Result<()> {
        self.stop_ways.tell();
        for way in self.ways {
            let _ = way.await;
        }
        self.heard.abort();
        self.stop_writer.tell();
        let writer = self.writer;
        tokio::task::spawn_blocking(move || writer.join()).await??;
        match self.bench.await {
            Ok(ended) => ended,
            Err(_) => Err(anyhow!("the bench stopped in the middle of its work")),
        }
    }
}

/// A way in that is bound but not yet open.
enum Way {
    Door(Box<Door>),
    Broker(Box<Broker>, StatusBoard),
}

/// The bench works on a thread of its own, like the journal's writer: it waits for SQLite's
/// syncs and reads the journal, and the sockets must not wait with it.
fn bench_thread(
    bench: Bench,
    committed: mpsc::Receiver<Committed>,
) -> std::io::Result<oneshot::Receiver<anyhow::Result<()>>> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()?;
    let (ended, told) = oneshot::channel();
    std::thread::Builder::new()
        .name("bench".into())
        .spawn(move || {
            let result = runtime.block_on(bench.run(committed));
            // A service that is gone no longer asks.
            let _ = ended.send(result);
        })?;
    Ok(told)
}

async fn post_heard(ingest: Ingest, storage: Arc<dyn Storage>) {
    let mut written = 0u32;
    loop {
        let heard = ingest.heard();
        let storage = Arc::clone(&storage);
        // A full disk must not stop anything for the sake of this file.
        let _ = tokio::task::spawn_blocking(move || {
            let text = serde_json::to_vec(&heard).unwrap_or_default();
            replace_file::<HeardError>(storage.as_ref(), HEARD_FILE, |out| {
                use std::io::Write as _;
                Ok(out.write_all(&text)?)
            })
        })
        .await;
        tokio::time::sleep(if written < HEARD_AT_FIRST {
            HEARD_EVERY_AT_FIRST
        } else {
            HEARD_EVERY
        })
        .await;
        written = written.saturating_add(1);
    }
}

#[derive(Debug, thiserror::Error)]
enum HeardError {
    #[error(transparent)]
    Storage(#[from] crate::storage::StorageError),
    #[error(transparent)]
    Io(#[from] std::io::Error),
}
