//! How a session ends: its close is journaled, its trace published by a child, its pours taken
//! into the records, its reports asked for, and its journal segments given back. A publication
//! that fails is tried again for as long as it takes.

use std::sync::Arc;
use std::time::Duration;

use analysis::time::Micros;
use tracing::{error, info};
use uuid::Uuid;

use crate::journal::{Close, Entry, Submission};
use crate::records::sessions::Published;
use crate::session::bench::{Bench, TICK};
use crate::session::jobs::{Done, Job, PublishedSession};
use crate::session::keeper::ClosePlan;
use crate::session::metadata::metadata;
use crate::session::{retire, settle};

/// Late samples are gathered this long before a trace's next generation, s.
const GATHER_LATE_S: f64 = 60.0;
/// A publication that failed is tried again after this long, and twice as long each time after.
const TRY_AGAIN: Duration = Duration::from_secs(10);
/// The longest of these waits.
const TRY_AGAIN_AT_MOST: Duration = Duration::from_secs(600);
/// How often segments are given back even if no session closed.
const RETIRE_EVERY: Duration = Duration::from_secs(3600);

impl Bench {
    pub(super) fn submit_close(
        &mut self,
        machine: &Arc<str>,
        plan: &ClosePlan,
        name: String,
        path: String,
        generation: u32,
    ) {
        let close = Close {
            session: plan.id,
            path,
            machine: machine.to_string(),
            generation,
            claims: plan.claims.clone(),
            metadata: metadata(&self.setup.config, machine, &name, plan.id),
            name,
        };
        // From now on, not from when it is durable: a generation must never be asked for twice,
        // and what the close claims must stay in the journal.
        self.closing.insert(plan.id, Box::new(close.clone()));
        self.unsent.push_back(close);
    }

    pub(super) fn send_closes(&mut self) {
        while let Ok(permit) = self.setup.closes.try_reserve() {
            let Some(close) = self.unsent.pop_front() else {
                return;
            };
            permit.send(Submission {
                entries: vec![Entry::Close(close)],
                ack: None,
            });
        }
        // A writer that is full is asked again at the next tick. One that is gone means that
        // the service is stopping; the next start decides anew.
    }

    /// Sessions that samples came late for get the next generation of their trace.
    pub(super) fn next_generations(&mut self, now: Micros) -> anyhow::Result<()> {
        let due: Vec<(Uuid, Arc<str>)> = self
            .late
            .iter()
            .filter(|(id, (_, last))| {
                now.seconds_since(*last) >= GATHER_LATE_S && !self.closing.contains_key(id)
            })
            .map(|(id, (machine, _))| (*id, Arc::clone(machine)))
            .collect();
        for (id, machine) in due {
            self.late.remove(&id);
            let session = self.setup.records.session(id)?;
            let Some(before) = session.published else {
                continue;
            };
            let bench = self.machines.get_mut(&machine);
            let Some(plan) = bench.and_then(|b| b.keeper.close_again(id)) else {
                continue;
            };
            info!(
                "session {}: samples came late; its trace is made anew",
                session.name
            );
            // Where the one before is, even if the shop's time zone was changed since.
            let generation = before.generation.saturating_add(1);
            self.submit_close(&machine, &plan, session.name, before.trace, generation);
        }
        Ok(())
    }

    /// A close is on disk: whatever happens now, the session will be published.
    pub(super) fn close_is_durable(&mut self, close: Box<Close>) -> anyhow::Result<()> {
        let last_seq = close.claims.iter().map(|c| c.last_seq).max().unwrap_or(0);
        let to = close.claims.iter().map(|c| c.to).max().unwrap_or_default();
        self.setup
            .records
            .close_claim(close.session, to, last_seq)?;
        self.closing.insert(close.session, close.clone());
        self.jobs.add(Job::Publish(close));
        Ok(())
    }

    pub(super) fn try_again(&mut self) {
        let now = tokio::time::Instant::now();
        let (due, rest) = std::mem::take(&mut self.again)
            .into_iter()
            .partition(|(at, _)| *at <= now);
        self.again = rest;
        for (_, close) in due {
            self.jobs.add(Job::Publish(close));
        }
    }

    pub(super) fn job_done(&mut self, done: Done) -> anyhow::Result<()> {
        self.jobs.one_is_done();
        match done {
            Done::Published(close, published) => self.published(&close, *published),
            Done::NotPublished(close, why) => {
                error!("session {}: {why}; trying again", close.name);
                self.trouble(
                    &close.machine,
                    "",
                    &format!("a trace could not be published: {why}"),
                );
                let failures = self.failures.entry(close.session).or_default();
                let wait = TRY_AGAIN.saturating_mul(2_u32.saturating_pow(*failures));
                *failures = failures.saturating_add(1);
                let at = tokio::time::Instant::now() + wait.min(TRY_AGAIN_AT_MOST);
                self.again.push((at, close));
                Ok(())
            }
            Done::Report(job, told) => {
                self.report_done(&job, told);
                Ok(())
            }
            Done::Due(told) => {
                self.due_done(told);
                Ok(())
            }
        }
    }

    fn published(&mut self, close: &Close, published: PublishedSession) -> anyhow::Result<()> {
        let now = self.now();
        let to = close.claims.iter().map(|c| c.to).max().unwrap_or_default();
        let records = &mut self.setup.records;
        if published.lost > 0 {
            let why = "samples lost to damage of the disk, found in the journal";
            records.note_trouble(
                &close.machine,
                "",
                why,
                Some(close.session),
                published.lost,
                now,
                now,
            )?;
        }
        if published.moved > 0 {
            let why = "readings timed anew because the clock was set";
            records.note_trouble(
                &close.machine,
                "",
                why,
                Some(close.session),
                published.moved,
                now,
                now,
            )?;
        }
        for (pour, row) in &published.by_hand {
            records.measured_by_hand(*pour, row)?;
        }
        let pours = published
            .found
            .iter()
            .filter(|r| matches!(r, analysis::pour::Row::Pour(_)))
            .count();
        settle::settle(
            records,
            close.session,
            Some(published.sha256.clone()),
            published.found,
            now,
        )?;
        let opened = records.session(close.session)?.opened_at;
        settle::assemble_machine(records, &self.setup.config, &close.machine, opened, now)?;
        // Last, since it is what a start goes by: until then, all of this is done again.
        records.close_session(
            close.session,
            to,
            Some(&Published {
                trace: published.path,
                sha256: published.sha256,
                rows: published.rows,
                generation: published.generation,
            }),
        )?;
        self.closing.remove(&close.session);
        self.failures.remove(&close.session);
        info!(
            "session {}: {} samples published, {pours} pours",
            close.name, published.rows
        );
        self.add_reports(&close.name, opened);
        self.retire()
    }

    /// Gives back the segments that nothing needs. They are looked for beside the bench, since
    /// reading two days of the journal takes longer than a verdict may.
    pub(super) fn retire(&mut self) -> anyhow::Result<()> {
        if self.retiring.as_ref().is_some_and(|r| !r.is_finished()) {
            self.retire_at = tokio::time::Instant::now() + TICK;
            return Ok(());
        }
        self.retire_at = tokio::time::Instant::now() + RETIRE_EVERY;
        let known = self.known()?;
        let reader = self.setup.reader.clone();
        let writer = self.setup.retire.clone();
        self.retiring = Some(tokio::task::spawn_blocking(move || {
            match retire::done(&reader, &known) {
                Ok(done) => writer.ask(done),
                Err(e) => error!("no segment of the journal was given back: {e}"),
            }
        }));
        Ok(())
    }
}
