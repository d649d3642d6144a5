//! Watches the clock and the records and says when there may be a report to write. It only
//! asks; what is to be written is found out by the child that writes, and most often that is
//! nothing. It reads through a connection of its own on a thread of its own, so that neither
//! readings nor verdicts ever wait for it.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use analysis::time::Micros;
use tracing::warn;

use super::calendar::Calendar;
use crate::clock::Clock;
use crate::records::Records;
use crate::records::beneath::{Beneath, Digests};

/// How often the clock and the records are looked at.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// Records must have rested so long before they are read: whoever enters the counts of ten
/// flasks wants one report, not ten.
const QUIET: Duration = Duration::from_secs(20);
/// Records that never rest are read after so long.
const AT_MOST: Duration = Duration::from_secs(120);
/// What cannot be read is tried again after so long.
const TRY_AGAIN: Duration = Duration::from_secs(300);

/// What is remembered between two looks.
#[derive(Debug)]
pub struct Watch {
    calendar: Calendar,
    /// The week that was last due, of which was asked.
    asked_for: Option<String>,
    /// The number that changes with the records, when it was last looked at.
    version: Option<i64>,
    /// When the records changed first and last, since they were read.
    changed: Option<(Duration, Duration)>,
}

/// What to do after a look.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Next {
    /// Nothing.
    Wait,
    /// A report's hour has come, or this is the first look.
    Ask,
    /// The records changed and rest now: read whether anything beneath a report did.
    Read,
}

impl Watch {
    /// A watch that has not looked yet.
    pub fn new(calendar: Calendar) -> Watch {
        Watch {
            calendar,
            asked_for: None,
            version: None,
            changed: None,
        }
    }

    /// Looks: `now` by the shop's clock, `passed` since the watch began, `version` the number
    /// that changes with the records.
    pub fn look(&mut self, now: Micros, passed: Duration, version: i64) -> Next {
        let before = self.version.replace(version);
        if before.is_some_and(|before| before != version) {
            let first = self.changed.map_or(passed, |(first, _)| first);
            self.changed = Some((first, passed));
        }
        // Whichever way the clock was set: another week is due than was asked for.
        let due = self.calendar.last_due(now).map(|week| week.name);
        if due != self.asked_for {
            self.asked_for = due;
            return Next::Ask;
        }
        match self.changed {
            Some((first, last)) if passed - last >= QUIET || passed - first >= AT_MOST => {
                self.changed = None;
                Next::Read
            }
            _ => Next::Wait,
        }
    }
}

/// The thread that watches, and where it asks.
#[derive(Debug)]
pub struct Desk {
    asks: Receiver<()>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Desk {
    /// Starts to watch the records at `records`.
    ///
    /// # Errors
    /// When the system has no thread to give.
    pub fn start(
        records: PathBuf,
        calendar: Calendar,
        clock: Arc<dyn Clock>,
    ) -> std::io::Result<Desk> {
        // One ask that nobody has taken yet says all that more of them would.
        let (ask, asks) = sync_channel(1);
        let stop = Arc::new(AtomicBool::new(false));
        let told = Arc::clone(&stop);
        let thread = std::thread::Builder::new()
            .name("desk".into())
            .spawn(move || {
                while !told.load(Ordering::Relaxed) {
                    let watch = Watch::new(calendar.clone());
                    if let Err(why) = keep_watch(&records, watch, clock.as_ref(), &ask, &told) {
                        warn!("whether reports are due could not be seen: {why:#}");
                        rest(TRY_AGAIN, &told);
                    }
                }
            })?;
        Ok(Desk {
            asks,
            stop,
            thread: Some(thread),
        })
    }

    /// Whether there may be a report to write; true once for each time it was found.
    pub fn asks(&self) -> bool {
        self.asks.try_recv().is_ok()
    }
}

impl Drop for Desk {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            thread.thread().unpark();
            let _ = thread.join();
        }
    }
}

fn rest(for_: Duration, stop: &AtomicBool) {
    let until = Instant::now() + for_;
    while !stop.load(Ordering::Relaxed) {
        let left = until.saturating_duration_since(Instant::now());
        if left.is_zero() {
            return;
        }
        std::thread::park_timeout(left);
    }
}

fn keep_watch(
    path: &std::path::Path,
    mut watch: Watch,
    clock: &dyn Clock,
    ask: &SyncSender<()>,
    stop: &AtomicBool,
) -> anyhow::Result<()> {
    let records = Records::open(path)?;
    let began = Instant::now();
    let mut seen: Option<Digests> = None;
    while !stop.load(Ordering::Relaxed) {
        let next = watch.look(clock.now(), began.elapsed(), records.data_version()?);
        let found = match next {
            Next::Wait => false,
            Next::Ask => {
                seen = Some(all(&records.beneath()?));
                true
            }
            Next::Read => {
                let now = all(&records.beneath()?);
                seen.replace(now) != seen
            }
        };
        if found {
            match ask.try_send(()) {
                Ok(()) | Err(TrySendError::Full(())) => {}
                Err(TrySendError::Disconnected(())) => return Ok(()),
            }
        }
        rest(LOOK_EVERY, stop);
    }
    Ok(())
}

/// The digests of everything there is.
fn all(beneath: &Beneath) -> Digests {
    beneath.at(&[Micros(i64::MAX)]).pop().unwrap_or_default()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use jiff::tz::TimeZone;

    use super::*;
    use crate::config::ReportDay;

    fn watch() -> Watch {
        let dublin = TimeZone::get("Europe/Dublin").unwrap();
        Watch::new(Calendar::new(dublin, ReportDay::default()))
    }

    fn at(text: &str) -> Micros {
        Micros::parse_rfc3339(text).unwrap()
    }

    fn s(seconds: u64) -> Duration {
        Duration::from_secs(seconds)
    }

    #[test]
    fn it_asks_at_the_start_and_when_the_hour_comes() {
        let mut watch = watch();
        let sunday = at("2026-11-22T22:00:00Z");
        assert_eq!(
            watch.look(sunday, s(0), 1),
            Next::Ask,
            "it may have been off"
        );
        assert_eq!(watch.look(sunday, s(1), 1), Next::Wait);
        assert_eq!(watch.look(at("2026-11-23T05:59:59Z"), s(2), 1), Next::Wait);
        assert_eq!(watch.look(at("2026-11-23T06:00:00Z"), s(3), 1), Next::Ask);
        assert_eq!(watch.look(at("2026-11-23T06:00:01Z"), s(4), 1), Next::Wait);
    }

    #[test]
    fn a_clock_that_was_set_back_asks_again_and_no_more_than_once() {
        let mut watch = watch();
        watch.look(at("2026-11-23T06:00:00Z"), s(0), 1);
        assert_eq!(watch.look(at("2026-11-22T06:00:00Z"), s(1), 1), Next::Ask);
        assert_eq!(watch.look(at("2026-11-22T06:00:01Z"), s(2), 1), Next::Wait);
    }

    #[test]
    fn the_clocks_going_back_does_not_ask_twice() {
        // Sunday 25 October 2026: in Dublin 1:00 comes twice.
        let dublin = TimeZone::get("Europe/Dublin").unwrap();
        let report = ReportDay {
            day: jiff::civil::Weekday::Sunday,
            hour: 1,
        };
        let mut watch = Watch::new(Calendar::new(dublin, report));
        watch.look(at("2026-10-24T20:00:00Z"), s(0), 1);
        let asked: Vec<Next> = (0..8)
            .map(|half_hours: u64| {
                let now = at("2026-10-24T23:00:00Z").plus_seconds(1_800.0 * half_hours as f64);
                watch.look(now, s(1 + 1_800 * half_hours), 1)
            })
            .collect();
        assert_eq!(asked.iter().filter(|n| **n == Next::Ask).count(), 1);
        assert_eq!(asked[2], Next::Ask, "at the first of the two");
    }

    #[test]
    fn two_inspections_in_a_row_are_read_once_when_the_records_rest() {
        let mut watch = watch();
        let now = at("2026-11-24T14:00:00Z");
        watch.look(now, s(0), 1);
        assert_eq!(watch.look(now, s(10), 2), Next::Wait);
        assert_eq!(watch.look(now, s(25), 3), Next::Wait, "the second came");
        assert_eq!(watch.look(now, s(44), 3), Next::Wait);
        assert_eq!(watch.look(now, s(45), 3), Next::Read);
        assert_eq!(watch.look(now, s(90), 3), Next::Wait);
    }

    #[test]
    fn records_that_never_rest_are_read_all_the_same() {
        let mut watch = watch();
        let now = at("2026-11-24T14:00:00Z");
        watch.look(now, s(0), 0);
        let read: Vec<u64> = (1..=300)
            .filter(|n| watch.look(now, s(*n), *n as i64) == Next::Read)
            .collect();
        assert_eq!(read, [121, 242]);
    }
}
