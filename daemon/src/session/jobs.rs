//! Work that reads traces or sets pages, done one after the other in child processes of this
//! same program with a memory limit: a damaged file, or a panic in a library, ends a child and
//! never the logging.

use std::collections::VecDeque;
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;

use analysis::pour::{PourRow, Row};
use analysis::time::Micros;
use serde::{Deserialize, Serialize};
use tokio::sync::mpsc;
use uuid::Uuid;

use crate::journal::Close;
use crate::reporting::turn::Turn;

/// Something to do.
#[derive(Clone, Debug)]
pub enum Job {
    /// Publish a closed session's trace and find its pulls and pours.
    Publish(Box<Close>),
    /// Write a session's sheet, at this time.
    SessionSheet(String, Micros),
    /// Write a week's report, at this time.
    Week(String, Micros),
    /// Write a few of the reports that are due at this time.
    Due(Micros),
}

/// What the publishing child prints: one JSON object.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PublishedSession {
    /// The trace's path below the book.
    pub path: String,
    /// SHA-256 of the file.
    pub sha256: String,
    /// Samples in it.
    pub rows: u64,
    /// Its generation.
    pub generation: u32,
    /// Sequence numbers that the journal has lost of it, counted.
    pub lost: u64,
    /// Readings whose time was moved because the clock was set later.
    pub moved: u64,
    /// Pulls and pours found in it, its upkeep and its kilns.
    pub found: Vec<Row>,
    /// What it shows where people said that metal left, by the pour's identity.
    #[serde(default)]
    pub by_hand: Vec<(Uuid, PourRow)>,
}

/// What came of a job.
#[derive(Debug)]
pub enum Done {
    /// A trace is published.
    Published(Box<Close>, Box<PublishedSession>),
    /// It is not; the reason in words.
    NotPublished(Box<Close>, String),
    /// A report is written, or not and why.
    Report(Job, Result<(), String>),
    /// What was due is written as far as one turn goes, or not and why.
    Due(Result<Turn, String>),
}

/// What waits to be done. Publications come first: a trace must not wait for reports, and what a
/// session's reports say comes from its trace.
#[derive(Debug, Default)]
struct Queue {
    waiting: VecDeque<Job>,
    closed: bool,
}

impl Queue {
    /// Puts a job in its place; false if the same report waits to be written already.
    fn add(&mut self, job: Job) -> bool {
        if self.waiting.iter().any(|held| held.does(&job)) {
            return false;
        }
        let publishes = |job: &Job| matches!(job, Job::Publish(_));
        let place = if publishes(&job) {
            self.waiting
                .iter()
                .take_while(|held| publishes(held))
                .count()
        } else {
            self.waiting.len()
        };
        self.waiting.insert(place, job);
        true
    }
}

impl Job {
    /// Whether this one does all that `other` asks for.
    fn does(&self, other: &Job) -> bool {
        match (self, other) {
            (Job::SessionSheet(a, _), Job::SessionSheet(b, _))
            | (Job::Week(a, _), Job::Week(b, _)) => a == b,
            (Job::Due(_), Job::Due(_)) => true,
            _ => false,
        }
    }
}

/// The queue and what wakes its thread.
type Shared = Arc<(Mutex<Queue>, Condvar)>;

/// The thread that does them.
#[derive(Debug)]
pub struct Jobs {
    queue: Shared,
    thread: JoinHandle<()>,
    under_way: usize,
}

/// The queue, whatever became of a thread that held it: nothing in it is ever half done.
fn held(queue: &Mutex<Queue>) -> MutexGuard<'_, Queue> {
    queue.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The next job, waiting for one; none once the queue is closed and empty.
fn next((queue, wake): &(Mutex<Queue>, Condvar)) -> Option<Job> {
    let mut queue = held(queue);
    loop {
        if let Some(job) = queue.waiting.pop_front() {
            return Some(job);
        }
        if queue.closed {
            return None;
        }
        queue = wake.wait(queue).unwrap_or_else(PoisonError::into_inner);
    }
}

impl Jobs {
    /// Starts the thread; `program` is this program's own file.
    ///
    /// # Errors
    /// When the system has no thread to give.
    pub fn start(
        program: PathBuf,
        book: PathBuf,
        done: mpsc::UnboundedSender<Done>,
    ) -> std::io::Result<Jobs> {
        let queue = Shared::default();
        let jobs = Arc::clone(&queue);
        let thread = std::thread::Builder::new()
            .name("jobs".into())
            .spawn(move || {
                while let Some(job) = next(&jobs) {
                    let told = done.send(do_job(&program, &book, job));
                    if told.is_err() {
                        return;
                    }
                }
            })?;
        Ok(Jobs {
            queue,
            thread,
            under_way: 0,
        })
    }

    /// Puts a job in the queue: a publication before all reports, and a report that waits to be
    /// written already not twice.
    pub fn add(&mut self, job: Job) {
        let (queue, wake) = &*self.queue;
        // A thread that panicked takes no more; the next start finds the unpublished session in
        // the journal again.
        if !self.thread.is_finished() && held(queue).add(job) {
            self.under_way += 1;
            wake.notify_one();
        }
    }

    /// Counts a job as done; to be called for each thing that was told.
    pub fn one_is_done(&mut self) {
        self.under_way = self.under_way.saturating_sub(1);
    }

    /// Whether nothing is queued or being done.
    pub fn are_done(&self) -> bool {
        self.under_way == 0
    }

    /// Lets the job that is being done finish, and those queued as long as what they tell is
    /// still listened to.
    pub fn join(self) {
        let (queue, wake) = &*self.queue;
        held(queue).closed = true;
        wake.notify_one();
        let _ = self.thread.join();
    }
}

fn do_job(program: &Path, book: &Path, job: Job) -> Done {
    match job {
        Job::Publish(close) => match publish(program, book, close.session) {
            Ok(published) => Done::Published(close, Box::new(published)),
            Err(why) => Done::NotPublished(close, why),
        },
        Job::SessionSheet(ref name, now) => {
            let args = ["--session", name, "--now", &now.rfc3339_ms()];
            let told = run(program, book, "report", &args).map(drop);
            Done::Report(job, told)
        }
        Job::Week(ref name, now) => {
            let args = ["--week", name, "--now", &now.rfc3339_ms()];
            let told = run(program, book, "report", &args).map(drop);
            Done::Report(job, told)
        }
        Job::Due(now) => Done::Due(due(program, book, now)),
    }
}

fn due(program: &Path, book: &Path, now: Micros) -> Result<Turn, String> {
    let args = ["--due", "--json", "--now", &now.rfc3339_ms()];
    let printed = run(program, book, "report", &args)?;
    serde_json::from_slice(&printed).map_err(|e| format!("the reporting child's answer: {e}"))
}

fn publish(program: &Path, book: &Path, session: Uuid) -> Result<PublishedSession, String> {
    let printed = run(
        program,
        book,
        "publish-session",
        &["--session", &session.to_string()],
    )?;
    serde_json::from_slice(&printed).map_err(|e| format!("the publishing child's answer: {e}"))
}

/// Runs this program as a child and returns what it printed.
fn run(program: &Path, book: &Path, command: &str, args: &[&str]) -> Result<Vec<u8>, String> {
    let output = Command::new(program)
        .arg(command)
        .arg("--book")
        .arg(book)
        .args(args)
        // Two workers gain nothing on one file and double the memory.
        .env("POLARS_MAX_THREADS", "1")
        .env(MEMORY_LIMIT, "1")
        .stdin(Stdio::null())
        // Ctrl-C is for the daemon, which lets its children finish.
        .process_group(0)
        .output()
        .map_err(|e| format!("cannot start {}: {e}", program.display()))?;
    if output.status.success() {
        return Ok(output.stdout);
    }
    let told = String::from_utf8_lossy(&output.stderr);
    let last = told
        .lines()
        .last()
        .unwrap_or_default()
        .trim_start_matches("pourbook: ");
    Err(format!("{command}: {last} ({})", output.status))
}

/// Set in children; they limit their own memory when they see it.
pub const MEMORY_LIMIT: &str = "POURBOOK_CHILD";

/// Most memory a child may take, bytes. A trace of twelve hours at 20 Hz on eight channels is
/// seven million samples of 32 bytes, sorted beside a copy.
const CHILD_BYTES: u64 = 1 << 30;

/// Gives way to everything else on the machine, if it is a child of the daemon: nobody waits for a
/// report to the second, and the logging does not wait at all.
pub fn give_way() {
    if std::env::var_os(MEMORY_LIMIT).is_some() {
        // A system that refuses runs it as it runs everything else.
        let _ = rustix::process::nice(10);
    }
}

/// Limits this process's memory and binds its life to the daemon's, if it is a child of it.
pub fn limit_memory() {
    if std::env::var_os(MEMORY_LIMIT).is_none() {
        return;
    }
    use rustix::process::{Resource, Rlimit, Signal, set_parent_process_death_signal, setrlimit};
    // A daemon that was killed is started again and publishes anew; two must not write one file.
    if let Err(e) = set_parent_process_death_signal(Some(Signal::KILL)) {
        eprintln!("pourbook: this child may outlive the daemon: {e}");
    }
    let limit = Rlimit {
        current: Some(CHILD_BYTES),
        maximum: Some(CHILD_BYTES),
    };
    if let Err(e) = setrlimit(Resource::Data, limit) {
        eprintln!("pourbook: this child's memory could not be limited: {e}");
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn close(name: &str) -> Job {
        Job::Publish(Box::new(Close {
            session: Uuid::nil(),
            path: String::new(),
            machine: "bench-1".to_owned(),
            generation: 1,
            claims: Vec::new(),
            metadata: Vec::new(),
            name: name.to_owned(),
        }))
    }

    #[test]
    fn traces_are_published_before_reports_and_no_report_waits_twice() {
        let mut queue = Queue::default();
        let now = Micros(0);
        let week = || Job::Week("2026-W47".to_owned(), now);
        assert!(queue.add(week()));
        assert!(queue.add(Job::Due(now)));
        assert!(queue.add(close("first")));
        assert!(!queue.add(week()));
        assert!(queue.add(close("second")));
        assert!(!queue.add(Job::Due(Micros(1))));
        assert!(queue.add(Job::Week("2026-W46".to_owned(), now)));
        let order: Vec<String> = queue
            .waiting
            .iter()
            .map(|job| match job {
                Job::Publish(close) => close.name.clone(),
                Job::SessionSheet(name, _) | Job::Week(name, _) => name.clone(),
                Job::Due(_) => "due".to_owned(),
            })
            .collect();
        assert_eq!(order, ["first", "second", "2026-W47", "due", "2026-W46"]);
    }
}
