//! A throw-away book with a small configuration, and a session to send into it: a melt that
//! warms, stays hot and is cold for long enough that the session closes by the readings' own
//! times, however fast they are sent.

use std::collections::BTreeMap;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

use analysis::channel::Channel;
use analysis::sample::Sample;
use analysis::time::Micros;
use analysis::trace::read_trace;
use tempfile::TempDir;

use crate::wait::{free_port, wait_for};

/// The one topic that a [`Bench`] listens to.
pub const MELT: &str = "shop/bench-1/melt";

/// A book in a folder that vanishes with the test.
#[derive(Debug)]
pub struct Bench {
    /// The folder around the book.
    pub folder: TempDir,
    /// The book.
    pub book: PathBuf,
    /// Where its door listens, or its broker.
    pub port: u16,
}

impl Bench {
    /// A book whose door listens on a free port, open to this computer.
    pub fn with_door() -> Bench {
        let port = free_port();
        Bench::with_mqtt(port, &format!("listen = \"127.0.0.1:{port}\""))
    }

    /// A book that subscribes at a broker on this computer.
    pub fn with_broker(port: u16) -> Bench {
        Bench::with_mqtt(port, &format!("url = \"mqtt://127.0.0.1:{port}\""))
    }

    fn with_mqtt(port: u16, mqtt: &str) -> Bench {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let book = folder.path().join("book");
        std::fs::create_dir(&book).expect("a folder in a new folder");
        let pages = free_port();
        let text = format!(
            "[shop]\nname = \"Larkfield bench\"\ntime_zone = \"Europe/Dublin\"\naltitude_m = \
             85\n\n[mqtt]\n{mqtt}\n\n[pages]\nlisten = \"127.0.0.1:{pages}\"\n\n[[machine]]\n\
             name = \"bench-1\"\n[machine.channels.melt_temperature]\ntopic = \"{MELT}\"\nunit = \
             \"Cel\"\nvalue = \"/v\"\ntime = \"/t\"\n"
        );
        std::fs::write(book.join("pourbook.toml"), text).expect("a file in a new folder");
        Bench { folder, book, port }
    }

    /// The published traces.
    pub fn traces(&self) -> Vec<PathBuf> {
        traces_in(&self.book)
    }

    /// Waits until the book holds these readings, each exactly once, in published traces.
    ///
    /// # Panics
    /// When that is not so within `seconds`, saying what is missing and what is too much.
    #[track_caller]
    pub fn wait_for_readings(&self, expected: &[Reading], seconds: u64, log: impl Fn() -> String) {
        let expected = counted(expected.iter().copied());
        let mut last = String::new();
        let done = wait_quietly(seconds, || {
            let held = counted(self.melt_readings());
            let missing = expected.keys().filter(|k| !held.contains_key(k)).count();
            let unexpected = held.keys().filter(|k| !expected.contains_key(k)).count();
            let doubled = held.values().filter(|n| **n > 1).count();
            last = format!(
                "of {} readings {missing} are missing, {doubled} are doubled and {unexpected} \
                 were never sent",
                expected.len()
            );
            missing + unexpected + doubled == 0
        });
        assert!(done, "{last}; traces {:?}\n{}", self.traces(), log());
    }

    /// Every melt reading in published traces.
    pub fn melt_readings(&self) -> Vec<Reading> {
        self.traces()
            .iter()
            .flat_map(|path| samples(path))
            .filter(|s| s.channel == Channel::MeltTemperature)
            .map(|s| Reading {
                time: s.time,
                hundredths: (s.value * 100.0).round() as i64,
            })
            .collect()
    }
}

/// The published traces of a book, in the order of their paths.
pub fn traces_in(book: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    collect_parquet(&book.join("traces"), &mut found);
    found.sort();
    found
}

/// The samples of one trace; of one that is just being replaced, none.
fn samples(path: &Path) -> Vec<Sample> {
    let Ok(file) = File::open(path) else {
        return Vec::new();
    };
    match read_trace(file) {
        Ok(trace) => trace.samples,
        Err(error) => panic!("{}: {error}", path.display()),
    }
}

fn collect_parquet(folder: &Path, found: &mut Vec<PathBuf>) {
    let Ok(entries) = std::fs::read_dir(folder) else {
        return;
    };
    for path in entries.flatten().map(|e| e.path()) {
        if path.is_dir() {
            collect_parquet(&path, found);
        } else if path.extension().is_some_and(|e| e == "parquet") {
            found.push(path);
        }
    }
}

fn wait_quietly(seconds: u64, mut ready: impl FnMut() -> bool) -> bool {
    let end = std::time::Instant::now() + std::time::Duration::from_secs(seconds);
    while std::time::Instant::now() < end {
        if ready() {
            return true;
        }
        std::thread::sleep(std::time::Duration::from_millis(200));
    }
    ready()
}

fn counted(readings: impl IntoIterator<Item = Reading>) -> BTreeMap<Reading, usize> {
    readings
        .into_iter()
        .fold(BTreeMap::new(), |mut counts, reading| {
            *counts.entry(reading).or_default() += 1;
            counts
        })
}

/// One reading of the melt: its own time, and its value in hundredths so that it compares
/// exactly.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Reading {
    /// When it was taken.
    pub time: Micros,
    /// °C × 100.
    pub hundredths: i64,
}

impl Reading {
    /// The payload that a sensor would send: JSON with its own time.
    pub fn payload(&self) -> String {
        format!(
            "{{\"v\":{}.{:02},\"t\":\"{}\"}}",
            self.hundredths / 100,
            self.hundredths % 100,
            self.time.rfc3339_ms()
        )
    }
}

/// A session of `hot` readings, one a second, at a melt that a session opens for, followed by
/// `cold` readings spread over exactly the 45 minutes after which it closes. It ended an hour
/// ago, so that no reading is from the future.
///
/// Every reading has a value of its own, so that one cannot stand in for another.
pub fn session(hot: usize, cold: usize) -> Vec<Reading> {
    const QUIET_MS: i64 = 45 * 60 * 1000;
    let now_ms = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0, |d| d.as_millis() as i64);
    let (hot, cold) = (hot as i64, cold as i64);
    let start_ms = now_ms - 3_600_000 - QUIET_MS - hot * 1000;
    let at = |ms: i64| Micros(ms * 1000);
    let last_hot_ms = start_ms + (hot - 1) * 1000;
    (0..hot)
        .map(|n| Reading {
            time: at(start_ms + n * 1000),
            // From 800 °C upwards by hundredths: above any opening, below any limit.
            hundredths: 80_000 + n,
        })
        .chain((1..=cold).map(|n| Reading {
            time: at(last_hot_ms + n * QUIET_MS / cold),
            hundredths: 2_000 + n,
        }))
        .collect()
}

/// Waits for the first trace of a book.
///
/// # Panics
/// When there is none within `seconds`.
#[track_caller]
pub fn wait_for_trace(bench: &Bench, seconds: u64) -> PathBuf {
    wait_for("a published trace", seconds, || {
        bench.traces().into_iter().next()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_session_closes_by_its_own_times_and_repeats_no_reading() {
        let readings = session(900, 100);
        assert_eq!(counted(readings.iter().copied()).len(), 1000);
        let last_hot = readings[899].time;
        assert_eq!(readings[999].time.seconds_since(last_hot), 2700.0);
        assert!(readings.windows(2).all(|w| w[0].time < w[1].time));
        let text = Reading {
            time: Micros(0),
            hundredths: 80_007,
        }
        .payload();
        assert_eq!(text, "{\"v\":800.07,\"t\":\"1970-01-01T00:00:00.000Z\"}");
    }
}
