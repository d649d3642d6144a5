//! The book: one folder that holds everything a shop's pourbook keeps, and where in it each
//! thing lies. Paths only; what is written there belongs to the modules that write it.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use analysis::time::Micros;
use jiff::tz::TimeZone;
use rustix::fs::{FlockOperation, flock};

/// Where a book lies and how its parts are named.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Book {
    root: PathBuf,
}

/// Holds the book for one daemon; dropping it, or dying, lets go.
#[derive(Debug)]
pub struct BookLock {
    _file: File,
}

/// Why a book cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum BookError {
    /// Another process holds it.
    #[error(
        "the book {0} is in use by another pourbook; stop that one first, or use another --book"
    )]
    InUse(PathBuf),
    /// The folder is not there or cannot be written.
    #[error(
        "the book {path} cannot be used: {source}; check that the folder exists and may be written"
    )]
    Io {
        /// The folder.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

impl Book {
    /// The book in this folder, which need not exist yet.
    pub fn at(root: impl Into<PathBuf>) -> Book {
        Book { root: root.into() }
    }

    /// The folder that a command means: `--book`, else `POURBOOK_DIR`, else the platform's data
    /// folder.
    pub fn chosen(flag: Option<&Path>) -> Book {
        if let Some(dir) = flag {
            return Book::at(dir);
        }
        if let Some(dir) = std::env::var_os("POURBOOK_DIR").filter(|d| !d.is_empty()) {
            return Book::at(PathBuf::from(dir));
        }
        let data = std::env::var_os("XDG_DATA_HOME")
            .filter(|d| !d.is_empty())
            .map(PathBuf::from)
            .or_else(|| std::env::var_os("HOME").map(|h| PathBuf::from(h).join(".local/share")));
        match data {
            Some(dir) => Book::at(dir.join("pourbook")),
            None => Book::at("/var/lib/pourbook"),
        }
    }

    /// The folder itself.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// The configuration.
    pub fn config(&self) -> PathBuf {
        self.root.join("pourbook.toml")
    }

    /// What people and the detector write.
    pub fn records(&self) -> PathBuf {
        self.root.join("records.sqlite")
    }

    /// Samples that are not yet in a trace.
    pub fn journal(&self) -> PathBuf {
        self.root.join("journal")
    }

    /// All reports.
    pub fn reports(&self) -> PathBuf {
        self.root.join("reports")
    }

    /// A week's report, for `2026-W47`.
    pub fn week_report(&self, week: &str) -> PathBuf {
        self.reports().join(format!("{week}.html"))
    }

    /// A session's sheet.
    pub fn session_report(&self, session: &str) -> PathBuf {
        self.reports()
            .join("sessions")
            .join(format!("{session}.html"))
    }

    /// A file below the book by its path with `/` between folders, as the records keep it.
    pub fn below(&self, relative: &str) -> PathBuf {
        relative
            .split('/')
            .fold(self.root.clone(), |path, part| path.join(part))
    }

    /// Makes the folder if it is missing and takes the book for this process.
    ///
    /// # Errors
    /// [`BookError::InUse`] if another process holds it, [`BookError::Io`] otherwise.
    pub fn lock(&self) -> Result<BookLock, BookError> {
        let io = |source| BookError::Io {
            path: self.root.clone(),
            source,
        };
        fs::create_dir_all(&self.root).map_err(io)?;
        let file = File::create(self.root.join("in-use.lock")).map_err(io)?;
        match flock(&file, FlockOperation::NonBlockingLockExclusive) {
            Ok(()) => Ok(BookLock { _file: file }),
            Err(rustix::io::Errno::WOULDBLOCK) => Err(BookError::InUse(self.root.clone())),
            Err(e) => Err(io(e.into())),
        }
    }
}

/// The name of a session opened at `opened` on `machine`, in the shop's own time:
/// `2026-11-18T0912-bench-1`, then `…-2` and so on while `taken` says the name is taken.
pub fn session_name(
    opened: Micros,
    zone: &TimeZone,
    machine: &str,
    taken: impl Fn(&str) -> bool,
) -> String {
    let local = local(opened, zone);
    let first = format!("{}-{machine}", local.strftime("%Y-%m-%dT%H%M"));
    if !taken(&first) {
        return first;
    }
    (2u32..)
        .map(|n| format!("{first}-{n}"))
        .find(|name| !taken(name))
        .unwrap_or(first)
}

/// The path of a session's trace below the book: year and week are those of ISO 8601, of the
/// session's opening in the shop's time zone.
pub fn trace_path(opened: Micros, zone: &TimeZone, machine: &str, session: &str) -> String {
    let week = local(opened, zone).date().iso_week_date();
    format!(
        "traces/machine={machine}/year={:04}/week={:02}/{session}.parquet",
        week.year(),
        week.week()
    )
}

/// The ISO week of an instant in the shop's time zone, as reports are named: `2026-W47`.
pub fn week_name(at: Micros, zone: &TimeZone) -> String {
    let week = local(at, zone).date().iso_week_date();
    format!("{:04}-W{:02}", week.year(), week.week())
}

/// The first instant of the week `2026-W47` and that of the next, in the shop's time zone;
/// `None` if the text names no week.
pub fn week_bounds(name: &str, zone: &TimeZone) -> Option<(Micros, Micros)> {
    let (year, week) = name.split_once("-W")?;
    reports::page::week::bounds(year.parse().ok()?, week.parse().ok()?, zone).ok()
}

/// An instant in the shop's time. Instants that no calendar holds show as the epoch, which is
/// only reachable with a clock that is years off and still gives a usable file name.
pub fn local(at: Micros, zone: &TimeZone) -> jiff::ZonedDateTime {
    jiff::Timestamp::from_microsecond(at.0)
        .unwrap_or(jiff::Timestamp::UNIX_EPOCH)
        .to_zoned_datetime(zone.clone())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn dublin() -> TimeZone {
        TimeZone::get("Europe/Dublin").unwrap()
    }

    fn at(text: &str) -> Micros {
        Micros::parse_rfc3339(text).unwrap()
    }

    #[test]
    fn a_session_is_named_by_the_shops_own_clock_and_never_twice() {
        let opened = at("2026-07-01T08:12:30Z");
        assert_eq!(
            session_name(opened, &dublin(), "bench-1", |_| false),
            "2026-07-01T0912-bench-1"
        );
        assert_eq!(
            session_name(opened, &dublin(), "bench-1", |n| n
                == "2026-07-01T0912-bench-1"),
            "2026-07-01T0912-bench-1-2"
        );
        let two = ["2026-07-01T0912-bench-1", "2026-07-01T0912-bench-1-2"];
        assert_eq!(
            session_name(opened, &dublin(), "bench-1", |n| two.contains(&n)),
            "2026-07-01T0912-bench-1-3"
        );
    }

    #[test]
    fn new_years_day_lies_in_its_iso_week() {
        // 2027-01-01 is a Friday: ISO week 53 of 2026.
        let path = trace_path(at("2027-01-01T10:00:00Z"), &dublin(), "bench-1", "s");
        assert_eq!(path, "traces/machine=bench-1/year=2026/week=53/s.parquet");
    }

    #[test]
    fn a_week_has_bounds_in_local_time() {
        let (from, to) = week_bounds("2026-W44", &dublin()).unwrap();
        // Summer time ends on Sunday 25 October 2026, the day before.
        assert_eq!(from, at("2026-10-26T00:00:00Z"));
        assert_eq!(to, at("2026-11-02T00:00:00Z"));
        assert_eq!(week_name(from, &dublin()), "2026-W44");
        assert!(week_bounds("2026-W99", &dublin()).is_none());
        assert!(week_bounds("soon", &dublin()).is_none());
    }

    #[test]
    fn a_second_daemon_is_refused() {
        let dir = tempfile::tempdir().unwrap();
        let book = Book::at(dir.path());
        let held = book.lock().unwrap();
        assert!(matches!(book.lock(), Err(BookError::InUse(_))));
        drop(held);
        assert!(book.lock().is_ok());
    }
}
