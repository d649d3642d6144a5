//! The task that takes durable entries and makes sessions of them: opens them, feeds their
//! detectors, notices when they are over, and looks after what waits. How one ends is in
//! `closing.rs`, what is written about it in `reports.rs`.
//!
//! It sees nothing that is not on disk, and everything it decides can be decided again from the
//! journal and the records; see [`super::recovery`].

use std::collections::{BTreeMap, VecDeque};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use analysis::pour::Event;
use analysis::time::Micros;
use anyhow::Context;
use tokio::sync::mpsc;
use tracing::info;
use uuid::Uuid;

use crate::book::{Book, trace_path};
use crate::clock::Clock;
use crate::config::Config;
use crate::journal::{Close, Committed, Entry, JournalMetrics, JournalReader, Reading, Submission};
use crate::mqtt::status::StatusBoard;
use crate::records::Records;
use crate::records::sessions::NewSession;
use crate::reporting::calendar::Calendar;
use crate::reporting::desk::Desk;
use crate::session::alarms::Alarms;
use crate::session::filed::free_name;
use crate::session::jobs::{Done, Jobs};
use crate::session::keeper::{ClosePlan, Keeper, Step};
use crate::session::kilns::Kilns;
use crate::session::live::Live;
use crate::session::metadata::setup;
use crate::session::reports::Due;
use crate::session::say::STALE_ADVICE_S;
use crate::session::trace_rows::kiln_rows;
use crate::session::{retire, settle};

/// How often time is looked at when nothing comes.
pub(super) const TICK: Duration = Duration::from_millis(200);
/// The settled feed of a session is made anew at most this often, s.
const ANEW_EVERY_S: f64 = 60.0;
/// Troubles are counted in memory and written at most this often: a sensor that raves must not
/// wear the disk.
const TROUBLES_EVERY: Duration = Duration::from_secs(60);
/// How long a stop waits for traces and reports that are under way. The next start makes those
/// that are left.
const FINISH_WITHIN: Duration = Duration::from_secs(30);

/// What the bench is given.
pub struct BenchSetup {
    /// The book.
    pub book: Book,
    /// Its configuration.
    pub config: Arc<Config>,
    /// Its records.
    pub records: Records,
    /// Its journal, for looking back.
    pub reader: JournalReader,
    /// The clock.
    pub clock: Arc<dyn Clock>,
    /// What the journal's writer did: silence means nothing while durable entries wait here.
    pub journal: Arc<JournalMetrics>,
    /// Where closes are submitted.
    pub closes: mpsc::Sender<Submission>,
    /// Where segments are given back.
    pub retire: retire::Retire,
    /// This program's own file, for children.
    pub program: PathBuf,
    /// Where status is published, with a broker of the shop's own.
    pub board: Option<StatusBoard>,
    /// Whether samples could come in now: false while the broker is unreachable.
    pub reachable: Box<dyn Fn() -> bool + Send>,
}

/// One machine's part of the bench.
pub(super) struct MachineBench {
    pub(super) keeper: Keeper,
    pub(super) lives: BTreeMap<Uuid, Session>,
}

/// An open session's name and detector.
pub(super) struct Session {
    pub(super) name: String,
    pub(super) live: Live,
    pub(super) alarms: Alarms,
    /// When its settled feed was last begun.
    pub(super) anew_at: Micros,
}

/// The task's state.
pub struct Bench {
    pub(super) setup: BenchSetup,
    pub(super) machines: BTreeMap<Arc<str>, MachineBench>,
    /// The kilns, each followed on its own.
    pub(super) kilns: Kilns,
    pub(super) jobs: Jobs,
    pub(super) done: mpsc::UnboundedReceiver<Done>,
    /// Sessions that samples came late for, with when the last one did.
    pub(super) late: BTreeMap<Uuid, (Arc<str>, Micros)>,
    /// Closed sessions on their way to a published trace, from the moment at which that was
    /// decided.
    pub(super) closing: BTreeMap<Uuid, Box<Close>>,
    /// Closes that the journal's writer has not taken yet, which it does not while the disk is
    /// full; waiting for it here would keep room from being made.
    pub(super) unsent: VecDeque<Close>,
    pub(super) again: Vec<(tokio::time::Instant, Box<Close>)>,
    pub(super) failures: BTreeMap<Uuid, u32>,
    pub(super) retire_at: tokio::time::Instant,
    pub(super) retiring: Option<tokio::task::JoinHandle<()>>,
    /// The last sequence number that was taken. A start has read the journal, and what the
    /// writer passes on again of that is not taken twice.
    pub(super) taken: u64,
    /// Since when readings could come in without a break.
    listening: Option<Micros>,
    troubles: BTreeMap<(String, String, String), u64>,
    troubles_at: tokio::time::Instant,
    /// Who says when reports may be due; none where reports are somebody else's.
    pub(super) desk: Option<Desk>,
    pub(super) due: Due,
}

impl Bench {
    /// A bench without machines; [`super::recovery::recover`] brings it up to date.
    pub(super) fn empty(setup: BenchSetup) -> anyhow::Result<Bench> {
        let (told, done) = mpsc::unbounded_channel();
        let jobs = Jobs::start(setup.program.clone(), setup.book.root().to_owned(), told)
            .context("the thread for reports")?;
        Ok(Bench {
            kilns: Kilns::new(&setup.config),
            setup,
            machines: BTreeMap::new(),
            jobs,
            done,
            late: BTreeMap::new(),
            closing: BTreeMap::new(),
            unsent: VecDeque::new(),
            again: Vec::new(),
            failures: BTreeMap::new(),
            retire_at: tokio::time::Instant::now() + TICK,
            retiring: None,
            taken: 0,
            listening: None,
            troubles: BTreeMap::new(),
            troubles_at: tokio::time::Instant::now(),
            desk: None,
            due: Due::default(),
        })
    }

    /// The same bench, with reports written when they are due.
    ///
    /// # Errors
    /// When the system has no thread to give.
    pub fn with_desk(mut self) -> anyhow::Result<Bench> {
        let config = &self.setup.config;
        let calendar = Calendar::new(config.shop.time_zone.clone(), config.reports);
        let records = self.setup.book.records();
        let clock = Arc::clone(&self.setup.clock);
        let desk = Desk::start(records, calendar, clock).context("the thread for the desk")?;
        self.desk = Some(desk);
        Ok(self)
    }

    /// Works until the journal's writer has stopped, then lets running children finish. Open
    /// sessions stay open; the next start takes them up.
    ///
    /// # Errors
    /// When the records fail: nothing more can then be decided, and the service starts again.
    pub async fn run(mut self, mut committed: mpsc::Receiver<Committed>) -> anyhow::Result<()> {
        let mut tick = tokio::time::interval(TICK);
        tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        loop {
            tokio::select! {
                batch = committed.recv() => match batch {
                    Some(batch) => self.take(&batch)?,
                    None => break,
                },
                Some(done) = self.done.recv() => self.job_done(done)?,
                _ = tick.tick() => self.tick()?,
            }
        }
        // What is due is asked for again at the next start.
        self.desk = None;
        // A publication that is done and not told would be done again at the next start, and
        // its pours be unknown until then.
        let until = tokio::time::Instant::now() + FINISH_WITHIN;
        while !self.jobs.are_done() {
            match tokio::time::timeout_at(until, self.done.recv()).await {
                Ok(Some(done)) => self.job_done(done)?,
                Ok(None) | Err(_) => break,
            }
        }
        self.write_troubles()?;
        let Bench { jobs, done, .. } = self;
        drop(done);
        jobs.join();
        Ok(())
    }

    pub(super) fn now(&self) -> Micros {
        self.setup.clock.now()
    }

    fn take(&mut self, batch: &Committed) -> anyhow::Result<()> {
        for (seq, entry) in batch.entries.iter() {
            if *seq <= self.taken {
                continue;
            }
            self.taken = *seq;
            match entry {
                Entry::Reading(reading) => self.take_reading(*seq, reading)?,
                Entry::Refused(refused) => {
                    self.trouble(&refused.topic, "", &refused.reason);
                }
                Entry::Close(close) => self.close_is_durable(Box::new(close.clone()))?,
            }
        }
        Ok(())
    }

    /// Counts a trouble; they are written down together at the next tick.
    pub(super) fn trouble(&mut self, place: &str, channel: &str, reason: &str) {
        let key = (place.to_owned(), channel.to_owned(), reason.to_owned());
        *self.troubles.entry(key).or_default() += 1;
    }

    fn flush_troubles(&mut self) -> anyhow::Result<()> {
        if !self.troubles.is_empty() && tokio::time::Instant::now() >= self.troubles_at {
            self.troubles_at = tokio::time::Instant::now() + TROUBLES_EVERY;
            self.write_troubles()?;
        }
        Ok(())
    }

    fn write_troubles(&mut self) -> anyhow::Result<()> {
        let now = self.now();
        for ((place, channel, reason), count) in std::mem::take(&mut self.troubles) {
            self.setup
                .records
                .note_trouble(&place, &channel, &reason, None, count, now, now)?;
        }
        Ok(())
    }

    fn take_reading(&mut self, seq: u64, reading: &Reading) -> anyhow::Result<()> {
        self.take_kiln_reading(reading)?;
        let names: Vec<Arc<str>> = self.machines.keys().cloned().collect();
        for name in names {
            let Some(machine) = self.machines.get_mut(&name) else {
                continue;
            };
            if !machine.keeper.hears(&reading.place) {
                continue;
            }
            let step = machine.keeper.take(seq, reading, Uuid::new_v4);
            for id in machine.keeper.late_burnout(seq, reading) {
                let late = (Arc::clone(&name), self.setup.clock.now());
                self.late.insert(id, late);
            }
            match step {
                Step::None => {}
                Step::Opened(id) => {
                    self.open_session(&name, id)?;
                    self.look_back(&name, id)?;
                }
                Step::Late(id) => {
                    self.late
                        .insert(id, (Arc::clone(&name), self.setup.clock.now()));
                }
                Step::Within(id) => {
                    let Some(session) = machine.lives.get_mut(&id) else {
                        continue;
                    };
                    let news = session.live.take(reading);
                    for event in news.provisional {
                        self.tell(&name, &event);
                    }
                    if news.settled {
                        self.settle_live(&name, id)?;
                    }
                }
            }
        }
        Ok(())
    }

    /// Writes an opened session into the records.
    pub(super) fn open_session(&mut self, machine: &Arc<str>, id: Uuid) -> anyhow::Result<()> {
        let config = Arc::clone(&self.setup.config);
        let Some(bench) = self.machines.get_mut(machine) else {
            return Ok(());
        };
        let Some(open) = bench.keeper.open().iter().find(|s| s.id == id).cloned() else {
            return Ok(());
        };
        let name = free_name(&self.setup.records, &config, machine, open.opened)?;
        let kilns = config
            .machine(machine)
            .map_or_else(Vec::new, |m| m.kilns.clone());
        self.setup.records.open_session_claiming(
            &NewSession {
                id,
                name: name.clone(),
                machine: machine.to_string(),
                opened_at: open.opened,
                kilns: kilns.iter().map(|k| k.to_string()).collect(),
            },
            open.from,
        )?;
        info!("session {name} opened");
        let live = Live::new(setup(&config, machine), &bench.keeper.claims_of(id));
        let anew_at = self.setup.clock.now();
        bench.lives.insert(
            id,
            Session {
                name,
                live,
                alarms: Alarms::default(),
                anew_at,
            },
        );
        Ok(())
    }

    /// Feeds a session's detector what the journal holds of it already.
    pub(super) fn look_back(&mut self, machine: &Arc<str>, id: Uuid) -> anyhow::Result<()> {
        let Some(bench) = self.machines.get_mut(machine) else {
            return Ok(());
        };
        let claims = bench.keeper.claims_of(id);
        let last = claims.first().map_or(0, |c| c.last_seq);
        let other_windows: Vec<_> = bench.keeper.closed().to_vec();
        let Some(session) = bench.lives.get_mut(&id) else {
            return Ok(());
        };
        let horizon = bench
            .keeper
            .open()
            .iter()
            .find(|s| s.id == id)
            .map_or(Micros(i64::MAX), |s| s.horizon.plus_seconds(3600.0));
        let mut samples = Vec::new();
        self.setup
            .reader
            .scan_range(0..=last, |found| {
                let Entry::Reading(reading) = found.entry else {
                    return;
                };
                // A kiln's night may lie in an earlier session's window and is still wanted;
                // a machine's own readings there are that session's.
                let own = matches!(reading.place, crate::place::Place::Machine(_));
                let theirs = own
                    && other_windows
                        .iter()
                        .any(|w| w.from <= reading.time && reading.time <= w.to);
                if !theirs && reading.time <= horizon {
                    samples.extend(session.live.sample_of(reading));
                }
            })
            .context("looking back in the journal")?;
        // In the order of the trace, so that nothing of the past comes late.
        samples.sort_by(analysis::sample::Sample::total_cmp);
        for sample in samples {
            session.live.take_sample(sample);
        }
        self.learn_usual(machine);
        self.settle_live(machine, id)
    }

    /// Takes what is certain so far of an open session into the records.
    fn settle_live(&mut self, machine: &Arc<str>, id: Uuid) -> anyhow::Result<()> {
        let now = self.now();
        let Some(session) = self.machines.get(machine).and_then(|m| m.lives.get(&id)) else {
            return Ok(());
        };
        let mut rows = session.live.rows(&session.name, machine);
        if rows.is_empty() {
            return Ok(());
        }
        if let (Some(board), Some(pour)) = (
            &self.setup.board,
            rows.iter().rev().find_map(|row| match row {
                analysis::pour::Row::Pour(pour) => Some(pour),
                _ => None,
            }),
        ) {
            board.pour(machine, pour);
        }
        let kilns = self.setup.records.kilns_of_session(id)?;
        rows.extend(kiln_rows(
            session.live.kilns(),
            &session.name,
            machine,
            &kilns,
        ));
        settle::settle(&mut self.setup.records, id, None, rows, now)?;
        let opened = self.setup.records.session(id)?.opened_at;
        settle::assemble_machine(
            &mut self.setup.records,
            &self.setup.config,
            machine,
            opened,
            now,
        )?;
        Ok(())
    }

    fn tick(&mut self) -> anyhow::Result<()> {
        let now = self.now();
        self.listening = if (self.setup.reachable)() {
            self.listening.or(Some(now))
        } else {
            None
        };
        // After the machine slept, or a driven clock leapt, what waits to be taken comes first:
        // it was heard before the silence.
        let caught_up = self.taken >= self.setup.journal.durable_seq();
        let listening = self.listening.filter(|_| caught_up);
        let mut plans: Vec<(Arc<str>, ClosePlan, String)> = Vec::new();
        for (name, machine) in &mut self.machines {
            let MachineBench { keeper, lives } = machine;
            let busy = |id: Uuid| lives.get(&id).is_some_and(|s| s.live.busy());
            for plan in keeper.due(now, listening, busy) {
                let session = lives.remove(&plan.id).map(|s| s.name).unwrap_or_default();
                plans.push((Arc::clone(name), plan, session));
            }
        }
        for (machine, plan, name) in plans {
            info!("session {name} closed; publishing its trace");
            let config = &self.setup.config;
            let path = trace_path(plan.opened, &config.shop.time_zone, &machine, &name);
            self.submit_close(&machine, &plan, name, path, 1);
        }
        if caught_up {
            self.let_time_pass(now);
        }
        self.watch_kilns(now, listening)?;
        self.settle_late_anew(now)?;
        self.next_generations(now)?;
        self.send_closes();
        self.try_again();
        self.write_what_is_due();
        self.post_status(now);
        self.flush_troubles()?;
        if tokio::time::Instant::now() >= self.retire_at {
            self.retire()?;
        }
        Ok(())
    }

    /// A verdict must come within 5 s of a valve's opening though the vacuum sensor is silent.
    fn let_time_pass(&mut self, now: Micros) {
        let mut told: Vec<(Arc<str>, Event)> = Vec::new();
        for (name, machine) in &mut self.machines {
            for session in machine.lives.values_mut() {
                let figures = session.live.now();
                let waits = figures.pull.is_some_and(|p| p.verdict.is_none());
                let live = figures
                    .at
                    .is_some_and(|at| (0.0..STALE_ADVICE_S).contains(&now.seconds_since(at)));
                if waits && live {
                    let events = session.live.advance(now);
                    told.extend(events.into_iter().map(|e| (Arc::clone(name), e)));
                }
            }
        }
        for (machine, event) in told {
            self.tell(&machine, &event);
        }
    }

    /// Sessions for which samples came too late for the settled feed get it anew, so that what
    /// the records say of an open session is what its trace will say.
    fn settle_late_anew(&mut self, now: Micros) -> anyhow::Result<()> {
        let due = |s: &Session| s.live.is_late() && now.seconds_since(s.anew_at) >= ANEW_EVERY_S;
        let late: Vec<(Arc<str>, Uuid)> = self
            .machines
            .iter()
            .flat_map(|(name, m)| {
                let due = m.lives.iter().filter(|(_, s)| due(s));
                due.map(|(id, _)| (Arc::clone(name), *id))
            })
            .collect();
        for (name, id) in late {
            let setup = setup(&self.setup.config, &name);
            if let Some(machine) = self.machines.get_mut(&name) {
                let live = Live::new(setup, &machine.keeper.claims_of(id));
                if let Some(session) = machine.lives.get_mut(&id) {
                    session.live = live;
                    session.anew_at = now;
                }
            }
            self.look_back(&name, id)?;
        }
        Ok(())
    }
}
