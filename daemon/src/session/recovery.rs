//! A start: what the records remember and the journal holds, put together into the state in
//! which the last run stopped, however it stopped.

use std::collections::BTreeMap;
use std::sync::Arc;

use analysis::time::Micros;
use anyhow::Context;
use tracing::info;
use uuid::Uuid;

use crate::journal::{Close, Entry};
use crate::session::alarms::Alarms;
use crate::session::bench::{Bench, BenchSetup, MachineBench, Session};
use crate::session::keeper::{Keeper, KeeperSetup, OpenSession, Rules, Step, Window};
use crate::session::live::Live;
use crate::session::metadata::setup;

/// Brings a bench up to date with the journal and takes up what was under way.
///
/// # Errors
/// When the journal or the records cannot be read.
pub fn recover(given: BenchSetup) -> anyhow::Result<Bench> {
    let mut bench = Bench::empty(given)?;
    let mut windows: BTreeMap<String, Vec<Window>> = BTreeMap::new();
    let mut opens: BTreeMap<String, Vec<OpenSession>> = BTreeMap::new();
    let (mut unpublished, oldest) = unpublished_closes(&bench)?;
    for claim in bench.setup.records.claims(Micros(i64::MIN))? {
        // The journal's close is ahead of the records if the last run ended between the two.
        let closed = match unpublished.iter().rfind(|c| c.session == claim.session) {
            Some(close) => Some(end_of(close)),
            None if claim.published => claim.closed,
            None => None,
        };
        match closed {
            // However old: as long as one of its readings is in the journal, that reading must
            // not open the session again.
            Some((to, _)) if to < oldest && !may_come_late(&bench, to) => {}
            Some((to, last_seq)) => windows.entry(claim.machine).or_default().push(Window {
                id: claim.session,
                opened: claim.opened_at,
                from: claim.from,
                to,
                last_seq,
            }),
            None => opens.entry(claim.machine).or_default().push(OpenSession {
                id: claim.session,
                opened: claim.opened_at,
                from: claim.from,
                horizon: claim.opened_at,
                last_active: claim.opened_at,
                last_arrival: claim.opened_at,
            }),
        }
    }
    let config = Arc::clone(&bench.setup.config);
    let mut machines: BTreeMap<Arc<str>, Vec<Arc<str>>> = config
        .machines
        .iter()
        .map(|m| (Arc::clone(&m.name), m.kilns.clone()))
        .collect();
    // A machine that was taken out of the configuration in mid-session still closes it.
    for (name, sessions) in &opens {
        if let (None, Some(first)) = (machines.get(name.as_str()), sessions.first()) {
            let kilns = bench.setup.records.kilns_of_session(first.id)?;
            let kilns = kilns.iter().map(|k| k.as_str().into()).collect();
            machines.insert(name.as_str().into(), kilns);
        }
    }
    for (machine, kilns) in machines {
        let name: &str = &machine;
        let keeper = Keeper::new(
            KeeperSetup {
                machine: Arc::clone(&machine),
                kilns,
                rules: Rules::default(),
            },
            windows.remove(name).unwrap_or_default(),
            opens.remove(name).unwrap_or_default(),
        );
        let part = MachineBench {
            keeper,
            lives: BTreeMap::new(),
        };
        bench.machines.insert(machine, part);
    }
    replay(&mut bench)?;
    reports_left_undone(&mut bench)?;
    for close in unpublished.drain(..) {
        info!(
            "session {}: closed but not published; publishing it",
            close.name
        );
        bench.close_is_durable(Box::new(close))?;
    }
    Ok(bench)
}

/// Whether readings of that time may still come: device times are taken up to 14 days late.
fn may_come_late(bench: &Bench, to: Micros) -> bool {
    bench.setup.clock.now().seconds_since(to) < Rules::default().remember_s
}

/// Sheets older than the trace that they show, or never written: the last run ended in between.
fn reports_left_undone(bench: &mut Bench) -> anyhow::Result<()> {
    let since = bench
        .setup
        .clock
        .now()
        .plus_seconds(-Rules::default().remember_s);
    for session in bench.setup.records.sessions(Some(since), None)? {
        let Some(published) = &session.published else {
            continue;
        };
        let written = |path: std::path::PathBuf| path.metadata().and_then(|m| m.modified()).ok();
        let trace = written(bench.setup.book.below(&published.trace));
        let sheet = written(bench.setup.book.session_report(&session.name));
        if trace.is_some() && sheet < trace {
            bench.add_reports(&session.name, session.opened_at);
        }
    }
    Ok(())
}

/// Closes in the journal whose trace the records do not have, and the oldest time of a reading.
fn unpublished_closes(bench: &Bench) -> anyhow::Result<(Vec<Close>, Micros)> {
    let mut closes = Vec::new();
    let mut oldest = Micros(i64::MAX);
    bench
        .setup
        .reader
        .scan(0, |_, entry| match entry {
            Entry::Close(close) => closes.push(close.clone()),
            Entry::Reading(reading) => oldest = oldest.min(reading.time),
            Entry::Refused(_) => {}
        })
        .context("reading the journal")?;
    let mut open = Vec::new();
    for close in closes {
        let session = bench.setup.records.session(close.session)?;
        let held = session.published.map_or(0, |p| p.generation);
        if held < close.generation {
            open.push(close);
        }
    }
    Ok((open, oldest))
}

fn end_of(close: &Close) -> (Micros, u64) {
    let to = close.claims.iter().map(|c| c.to).max().unwrap_or_default();
    (
        to,
        close.claims.iter().map(|c| c.last_seq).max().unwrap_or(0),
    )
}

/// Shows the keepers everything that the journal holds, and starts the detectors of the
/// sessions that are then open.
fn replay(bench: &mut Bench) -> anyhow::Result<()> {
    let mut opened: Vec<(Arc<str>, Uuid)> = Vec::new();
    let mut late: Vec<(Arc<str>, Uuid)> = Vec::new();
    let Bench {
        machines,
        kilns,
        setup: given,
        taken,
        ..
    } = bench;
    given
        .reader
        .scan(0, |seq, entry| {
            // The writer may be at work already, and passes on what it stores meanwhile.
            *taken = seq.max(*taken);
            let Entry::Reading(reading) = entry else {
                return;
            };
            kilns.gather(reading);
            for (name, machine) in machines.iter_mut() {
                if !machine.keeper.hears(&reading.place) {
                    continue;
                }
                let step = machine.keeper.take(seq, reading, Uuid::new_v4);
                let of_burnout = machine.keeper.late_burnout(seq, reading);
                late.extend(of_burnout.into_iter().map(|id| (Arc::clone(name), id)));
                match step {
                    Step::Opened(id) => opened.push((Arc::clone(name), id)),
                    Step::Late(id) => late.push((Arc::clone(name), id)),
                    Step::None | Step::Within(_) => {}
                }
            }
        })
        .context("reading the journal")?;
    bench.follow_gathered()?;
    let now = bench.setup.clock.now();
    for (machine, id) in late {
        bench.late.insert(id, (machine, now));
    }
    for (machine, id) in &opened {
        bench.open_session(machine, *id)?;
    }
    let mut open: Vec<(Arc<str>, Uuid)> = Vec::new();
    for (name, machine) in &bench.machines {
        open.extend(
            machine
                .keeper
                .open()
                .iter()
                .map(|s| (Arc::clone(name), s.id)),
        );
    }
    let config = Arc::clone(&bench.setup.config);
    for (name, id) in open {
        let session = bench.setup.records.session(id)?.name;
        if let Some(machine) = bench.machines.get_mut(&name) {
            // With all of the journal seen, the burnout that it claims is known.
            let live = Live::new(setup(&config, &name), &machine.keeper.claims_of(id));
            info!("session {session} is open");
            machine.lives.insert(
                id,
                Session {
                    name: session,
                    live,
                    alarms: Alarms::default(),
                    anew_at: now,
                },
            );
        }
        bench.look_back(&name, id)?;
    }
    Ok(())
}
