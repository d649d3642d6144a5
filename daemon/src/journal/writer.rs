//! The thread that owns the journal. Ways in hand it messages; it stores them, commits once a
//! second or as soon as a sender is seen to wait ([`super::window`]), acknowledges in order,
//! and only then passes the entries on. Every queue has an end: when the disk is slow or full,
//! or whoever takes committed entries is, submitters wait and nothing is dropped.
//!
//! A thread of its own and not a task, because a write may hang for seconds on a tired card and
//! must not hold up the sockets; inside, it waits on its channels with a small runtime of its
//! own.

use std::collections::VecDeque;
use std::io;
use std::ops::RangeInclusive;
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use tokio::sync::mpsc;

use super::entry::Entry;
use super::error::JournalError;
use super::log::Journal;
use super::metrics::JournalMetrics;
use super::submission::{Committed, Submission};
use super::window::Windows;
use crate::clock::Clock;
use crate::shutdown::Shutdown;

/// How the writer works.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WriterSettings {
    /// Longest time between a message and its commit.
    pub commit_every: Duration,
    /// Messages that may wait in front of the writer.
    pub queue: usize,
    /// Entries that make a commit due by their number, and entries that may wait behind the
    /// writer to be taken.
    pub most_entries: usize,
    /// How long to wait for room on a full disk before trying again.
    pub try_again: Duration,
    /// How long committed entries are still offered after the end was told.
    pub last_offers: Duration,
}

impl Default for WriterSettings {
    fn default() -> Self {
        WriterSettings {
            commit_every: Duration::from_secs(1),
            queue: 2048,
            most_entries: 16_384,
            try_again: Duration::from_secs(1),
            last_offers: Duration::from_secs(2),
        }
    }
}

/// Says whether every sequence number in a range is published or expired.
pub type Done = Box<dyn Fn(RangeInclusive<u64>) -> bool + Send>;

/// The writer's handle.
#[derive(Debug)]
pub struct Writer {
    thread: JoinHandle<Result<(), JournalError>>,
    submissions: mpsc::Sender<Submission>,
    closes: mpsc::Sender<Submission>,
    retire: mpsc::UnboundedSender<Done>,
    metrics: Arc<JournalMetrics>,
}

impl Writer {
    /// Starts the thread. It ends when `shutdown` is told, or all submitters and this handle
    /// are gone: what was submitted by then is stored, committed and acknowledged first.
    /// `on_fatal` is called, before anything else can happen, when the disk has failed; it is
    /// to end the process.
    ///
    /// # Errors
    /// When the system has no thread to give.
    pub fn start(
        journal: Journal,
        settings: WriterSettings,
        clock: Arc<dyn Clock>,
        shutdown: Shutdown,
        on_fatal: impl FnOnce(&JournalError) + Send + 'static,
    ) -> io::Result<(Writer, mpsc::Receiver<Committed>)> {
        let (submissions, take_submissions) = mpsc::channel(settings.queue);
        let (closes, take_closes) = mpsc::channel(16);
        let (retire, take_retire) = mpsc::unbounded_channel();
        let (committed, take_committed) = mpsc::channel(4);
        let metrics = Arc::new(JournalMetrics::default());
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_time()
            .build()?;
        let work = Work {
            journal,
            settings,
            clock,
            metrics: metrics.clone(),
            windows: Windows::default(),
            inbox: VecDeque::new(),
            waiting: Vec::new(),
            waiting_entries: 0,
            commit_by: None,
            full_until: None,
            backlog: VecDeque::new(),
            backlog_entries: 0,
        };
        let ways = Ways {
            submissions: take_submissions,
            closes: take_closes,
            retire: take_retire,
            committed,
            shutdown,
        };
        let thread = std::thread::Builder::new()
            .name("journal".into())
            .spawn(move || {
                let ended = runtime.block_on(work.run(ways));
                if let Err(e) = &ended {
                    on_fatal(e);
                }
                ended
            })?;
        let writer = Writer {
            thread,
            submissions,
            closes,
            retire,
            metrics,
        };
        Ok((writer, take_committed))
    }

    /// The way for messages.
    pub fn submissions(&self) -> mpsc::Sender<Submission> {
        self.submissions.clone()
    }

    /// The way for what must be committed at once, such as a session's close. It is open even
    /// while committed entries wait to be taken, so whoever takes them may use it.
    pub fn closes(&self) -> mpsc::Sender<Submission> {
        self.closes.clone()
    }

    /// The way to ask the writer to give back every segment whose sequence numbers are all done
    /// with.
    pub fn retire(&self) -> mpsc::UnboundedSender<Done> {
        self.retire.clone()
    }

    /// What it did so far.
    pub fn metrics(&self) -> Arc<JournalMetrics> {
        self.metrics.clone()
    }

    /// Lets go of the submitting ends and waits for the thread.
    ///
    /// # Errors
    /// The fatal error that ended it.
    pub fn join(self) -> Result<(), JournalError> {
        drop((self.submissions, self.closes, self.retire));
        self.thread.join().unwrap_or(Err(JournalError::Dead))
    }
}

struct Ways {
    submissions: mpsc::Receiver<Submission>,
    closes: mpsc::Receiver<Submission>,
    retire: mpsc::UnboundedReceiver<Done>,
    committed: mpsc::Sender<Committed>,
    shutdown: Shutdown,
}

struct Work {
    journal: Journal,
    settings: WriterSettings,
    clock: Arc<dyn Clock>,
    metrics: Arc<JournalMetrics>,
    windows: Windows,
    /// Received, not yet appended.
    inbox: VecDeque<Submission>,
    /// Appended, not yet committed, with the first sequence number of each.
    waiting: Vec<(u64, Submission)>,
    waiting_entries: usize,
    commit_by: Option<Instant>,
    /// The disk is full; nothing is taken until then.
    full_until: Option<Instant>,
    /// Committed and acknowledged, not yet taken.
    backlog: VecDeque<Committed>,
    backlog_entries: usize,
}

impl Work {
    async fn run(mut self, mut ways: Ways) -> Result<(), JournalError> {
        let mut bulk_open = true;
        let mut closes_open = true;
        let mut told = false;
        let mut batch = Vec::new();
        while bulk_open || closes_open {
            let idle = self.inbox.is_empty() && self.full_until.is_none();
            let wake = [self.commit_by, self.full_until]
                .into_iter()
                .flatten()
                .min();
            let beat = Instant::now() + Duration::from_secs(1);
            let wake = wake.map_or(beat, |w| w.min(beat));
            let mut urgent = false;
            tokio::select! {
                biased;
                () = ways.shutdown.told(), if !told => {
                    told = true;
                    ways.submissions.close();
                    ways.closes.close();
                }
                Ok(permit) = ways.committed.reserve(), if !self.backlog.is_empty() => {
                    if let Some(committed) = self.backlog.pop_front() {
                        self.backlog_entries -= committed.entries.len();
                        permit.send(committed);
                    }
                }
                Some(done) = ways.retire.recv() => {
                    self.journal.retire(&done)?;
                    self.full_until = self.full_until.map(|_| Instant::now());
                }
                close = ways.closes.recv(), if closes_open && idle => match close {
                    Some(close) => {
                        self.inbox.push_back(close);
                        urgent = true;
                    }
                    None => closes_open = false,
                },
                n = ways.submissions.recv_many(&mut batch, 256),
                    if bulk_open && idle && self.backlog_entries < self.settings.most_entries =>
                {
                    bulk_open = n > 0;
                    self.inbox.extend(batch.drain(..));
                }
                () = tokio::time::sleep_until(wake.into()) => {}
            }
            self.metrics.beat();
            self.store(urgent)?;
            if told && self.full_until.is_some() {
                // Nobody was promised what there is no room for.
                break;
            }
        }
        self.commit()?;
        self.offer_backlog(&ways.committed).await;
        Ok(())
    }

    /// Appends what is in the inbox, committing whenever that is due.
    fn store(&mut self, urgent: bool) -> Result<(), JournalError> {
        if self.full_until.is_some_and(|t| Instant::now() < t) {
            return Ok(());
        }
        self.full_until = None;
        while let Some(submission) = self.inbox.pop_front() {
            match self.journal.append(&submission.entries) {
                Ok(seqs) => self.take(seqs.start, submission),
                Err(JournalError::Full { .. }) => {
                    self.inbox.push_front(submission);
                    self.commit()?;
                    self.is_full();
                    return Ok(());
                }
                Err(e) if e.is_fatal() => return Err(e),
                Err(e) => {
                    // It can never be stored, so it is never acknowledged.
                    tracing::error!("a message was not stored: {e}");
                    self.metrics.count_too_large();
                }
            }
            if self.windows.commit_is_due() || self.waiting_entries >= self.settings.most_entries {
                self.commit()?;
                if self.full_until.is_some() {
                    return Ok(());
                }
            }
        }
        let time_is_up = self.commit_by.is_some_and(|t| Instant::now() >= t);
        if urgent || time_is_up {
            self.commit()?;
        }
        Ok(())
    }

    fn take(&mut self, first_seq: u64, submission: Submission) {
        let now = Instant::now();
        if let Some(ack) = &submission.ack {
            self.windows.heard(ack.connection, now);
        }
        self.waiting_entries += submission.entries.len();
        self.waiting.push((first_seq, submission));
        self.commit_by
            .get_or_insert(now + self.settings.commit_every);
    }

    fn is_full(&mut self) {
        if !self.metrics.is_full() {
            tracing::warn!("the disk is full: nothing is acknowledged until there is room");
        }
        self.metrics.set_full(true);
        self.full_until = Some(Instant::now() + self.settings.try_again);
    }

    /// Makes what waits durable, acknowledges it, and lines it up to be taken.
    fn commit(&mut self) -> Result<(), JournalError> {
        if self.waiting.is_empty() {
            return Ok(());
        }
        let seq = match self.journal.commit() {
            Ok(seq) => seq,
            Err(JournalError::Full { .. }) => {
                self.is_full();
                return Ok(());
            }
            Err(e) => return Err(e),
        };
        self.metrics.set_full(false);
        self.commit_by = None;
        // Counted before anything is acknowledged: whoever has an acknowledgement finds its
        // message in the figures.
        let of = |s: &Submission| {
            s.entries
                .iter()
                .filter(|e| matches!(e, Entry::Refused(_)))
                .count()
        };
        let refused: usize = self.waiting.iter().map(|(_, s)| of(s)).sum();
        self.metrics.committed(
            self.clock.now(),
            self.waiting_entries as u64,
            refused as u64,
            self.journal.bytes_written(),
            seq,
        );
        let mut entries = Vec::with_capacity(self.waiting_entries);
        self.waiting_entries = 0;
        for (first_seq, submission) in self.waiting.drain(..) {
            if let Some(ack) = submission.ack {
                // A connection that is gone takes its acknowledgements with it.
                let _ = ack.to.send(ack.packet);
            }
            entries.extend((first_seq..).zip(submission.entries));
        }
        self.windows.acknowledged(Instant::now());
        if !entries.is_empty() {
            self.backlog_entries += entries.len();
            self.backlog.push_back(Committed {
                entries: entries.into(),
            });
        }
        Ok(())
    }

    /// At the end: whoever still takes committed entries gets them. Who does not finds them in
    /// the journal at the next start.
    async fn offer_backlog(&mut self, committed: &mpsc::Sender<Committed>) {
        let offers = async {
            while let Some(next) = self.backlog.pop_front() {
                if committed.send(next).await.is_err() {
                    break;
                }
            }
        };
        // Out of time is as good as not taken.
        let _ = tokio::time::timeout(self.settings.last_offers, offers).await;
    }
}
