//! What most commands begin with: the book's configuration and records, and the times that
//! people type.

use std::os::unix::fs::{DirBuilderExt, PermissionsExt};
use std::path::{Path, PathBuf};

use analysis::time::Micros;
use anyhow::Context;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::WrongUse;
use crate::book::Book;
use crate::clock::{Clock, SystemClock};
use crate::config::Config;
use crate::records::words::AddedBy;
use crate::records::{BookSetup, RecordError, Records};

/// An open book.
#[derive(Debug)]
pub struct Opened {
    /// Where it lies.
    pub book: Book,
    /// Its configuration.
    pub config: Config,
    /// Its records.
    pub records: Records,
    /// What time it is.
    pub now: Micros,
    /// Where a copy of the records lies that may not be written where they are; gone when
    /// dropped.
    copy: Option<Copied>,
}

/// A folder of this process for a copy of the records.
#[derive(Debug)]
struct Copied(PathBuf);

impl Drop for Copied {
    fn drop(&mut self) {
        // What stays in the folder for temporary files is cleared away by the system.
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

impl Opened {
    /// Opens a book that is there.
    ///
    /// # Errors
    /// When there is none, its configuration is wrong, or its records cannot be used.
    pub fn open(book: &Book) -> anyhow::Result<Opened> {
        let (config, now) = Opened::begin(book)?;
        let records = records_of(book, &config, false, now)?;
        Ok(Opened {
            book: book.clone(),
            config,
            records,
            now,
            copy: None,
        })
    }

    /// Opens a book for a command that only reads it, which a book on a medium or in a folder
    /// that may not be written allows.
    ///
    /// # Errors
    /// As [`Opened::open`].
    pub fn read(book: &Book) -> anyhow::Result<Opened> {
        let why = match Opened::open(book) {
            Err(why) if book.records().is_file() && may_not_be_written(&why) => why,
            opened => return opened,
        };
        let (config, now) = Opened::begin(book)?;
        let (records, copy) = copied(&book.records()).map_err(|_| why)?;
        Ok(Opened {
            book: book.clone(),
            config,
            records,
            now,
            copy: Some(copy),
        })
    }

    /// That what is changed now stays: a copy is gone when the command ends.
    ///
    /// # Errors
    /// When the book may not be written.
    pub fn must_write(&self) -> anyhow::Result<()> {
        match self.copy {
            None => Ok(()),
            Some(_) => Err(anyhow::anyhow!(
                "{} may not be written by this user, and what was decided would be lost",
                self.book.records().display()
            )),
        }
    }

    fn begin(book: &Book) -> anyhow::Result<(Config, Micros)> {
        if !book.config().is_file() {
            return Err(anyhow::anyhow!(
                "there is no book in {}; start one with \"pourbook run --book {0}\", or say \
                 which with --book",
                book.root().display()
            ));
        }
        let config = load(book)?;
        Ok((config, SystemClock::new().now()))
    }
}

/// Whether this failure is that the records may not be written.
fn may_not_be_written(failure: &anyhow::Error) -> bool {
    failure
        .chain()
        .filter_map(|cause| cause.downcast_ref())
        .any(RecordError::is_read_only)
}

/// How often a copy is tried while a daemon of another user writes the records.
const TRIES: u32 = 5;

/// Opens a copy of the records. SQLite needs to write beside a file that it only reads; a copy
/// serves as well.
fn copied(records: &Path) -> anyhow::Result<(Records, Copied)> {
    let folder = Copied(std::env::temp_dir().join(format!("pourbook-{}", uuid::Uuid::new_v4())));
    // The records are the shop's own business: no other user may read the copy.
    std::fs::DirBuilder::new().mode(0o700).create(&folder.0)?;
    let copy = folder.0.join("records.sqlite");
    // What was not yet written back into the file stands in the log beside it.
    let log = records.with_extension("sqlite-wal");
    let as_of = || {
        [records, &log].map(|path| {
            let state = std::fs::metadata(path).ok()?;
            Some((state.len(), state.modified().ok()?))
        })
    };
    let mut tries = 0;
    loop {
        let before = as_of();
        std::fs::copy(records, &copy)?;
        if before[1].is_some() {
            std::fs::copy(&log, folder.0.join("records.sqlite-wal"))?;
        }
        tries += 1;
        // Another user's daemon may have written between the two.
        if before == as_of() {
            break;
        }
        if tries == TRIES {
            anyhow::bail!("{} is being written all the time", records.display());
        }
    }
    // A copy keeps the permissions of what it was copied from, and those said "read only".
    for entry in std::fs::read_dir(&folder.0)? {
        std::fs::set_permissions(entry?.path(), std::fs::Permissions::from_mode(0o600))?;
    }
    Ok((Records::open(&copy)?, folder))
}

/// Loads a book's configuration and says on standard error what is worth mending in it.
pub fn load(book: &Book) -> anyhow::Result<Config> {
    let config = Config::load(&book.config())?;
    for warning in &config.warnings {
        eprintln!("pourbook: {warning}");
    }
    Ok(config)
}

/// Opens or makes a book's records and tells them the machines, kilns and targets that the
/// configuration names.
pub fn records_of(
    book: &Book,
    config: &Config,
    demo: bool,
    now: Micros,
) -> anyhow::Result<Records> {
    told(book, config, demo, now).map_err(|e| match e.downcast_ref() {
        // What SQLite says names no file.
        Some(RecordError::Database(_)) => e.context(book.records().display().to_string()),
        _ => e,
    })
}

fn told(book: &Book, config: &Config, demo: bool, now: Micros) -> anyhow::Result<Records> {
    let setup = BookSetup {
        shop: config.shop.name.clone(),
        time_zone: config.shop.time_zone_name.clone(),
        demo,
        now,
    };
    let mut records = Records::open_or_create(&book.records(), &setup)?;
    for kiln in &config.kilns {
        records.add_kiln(&kiln.name, Some(kiln.spread_k), AddedBy::Configuration, now)?;
    }
    for machine in &config.machines {
        records.add_machine(&machine.name, AddedBy::Configuration, now)?;
        records.set_transfer_most(&machine.name, machine.transfer_most_s)?;
    }
    for target in &config.targets {
        let told = records.set_target(&crate::session::settle::target_of(target), now);
        match told {
            Ok(_) | Err(RecordError::Clash(_)) => {}
            Err(e) => return Err(e).context("[[target]]"),
        }
    }
    Ok(records)
}

/// A time as people type it: a day in the shop's time zone, or RFC 3339.
pub fn day_or_time(text: &str, zone: &TimeZone) -> anyhow::Result<Micros> {
    if let Ok(at) = Micros::parse_rfc3339(text) {
        return Ok(at);
    }
    let wrong = || {
        WrongUse(format!(
            "\"{text}\" is no day or time; write 2026-11-18, 2026-11-18T09:12 or \
             2026-11-18T09:12:00Z"
        ))
    };
    let local = match text.parse::<jiff::civil::DateTime>() {
        Ok(local) => local,
        Err(_) => text.parse::<Date>().map_err(|_| wrong())?.at(0, 0, 0, 0),
    };
    let at = local.to_zoned_datetime(zone.clone()).map_err(|_| wrong())?;
    Ok(Micros(at.timestamp().as_microsecond()))
}

/// A day as an option takes it; the answer to a wrong one says what a right one looks like.
pub fn day(text: &str) -> Result<Date, String> {
    text.parse()
        .map_err(|_| "no such day; write it like 2026-11-18".to_owned())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_copy_of_the_records_reads_as_they_do_and_leaves_nothing() {
        let dir = tempfile::tempdir().unwrap();
        let book = Book::at(dir.path());
        let now = Micros::parse_rfc3339("2026-11-18T09:12:00Z").unwrap();
        let config = Config::parse(
            "[shop]\nname = \"Larkfield bench\"\ntime_zone = \"Europe/Dublin\"\n[[machine]]\nname \
             = \"bench-1\"\n",
            "pourbook.toml",
        )
        .unwrap();
        // Still open, so that what was written stands in the log beside the file.
        let records = records_of(&book, &config, false, now).unwrap();
        let (copy, folder) = copied(&book.records()).unwrap();
        assert_eq!(copy.book().unwrap(), records.book().unwrap());
        assert_eq!(copy.machines().unwrap(), ["bench-1"]);
        let path = folder.0.clone();
        assert!(path.is_dir());
        drop((copy, folder));
        assert!(!path.exists());
    }

    #[test]
    fn a_day_is_the_shops_own() {
        let dublin = TimeZone::get("Europe/Dublin").unwrap();
        let at = |text: &str| day_or_time(text, &dublin).unwrap().rfc3339_ms();
        assert_eq!(at("2026-07-01"), "2026-06-30T23:00:00.000Z");
        assert_eq!(at("2026-07-01T09:12"), "2026-07-01T08:12:00.000Z");
        assert_eq!(at("2026-07-01T09:12:00Z"), "2026-07-01T09:12:00.000Z");
        assert!(day_or_time("last week", &dublin).is_err());
    }

    #[test]
    fn a_day_written_another_way_is_told_how() {
        assert_eq!(day("2026-11-24").unwrap().to_string(), "2026-11-24");
        for wrong in ["24/11/2026", "2026-02-30", "tomorrow", ""] {
            assert_eq!(
                day(wrong).unwrap_err(),
                "no such day; write it like 2026-11-18"
            );
        }
    }
}
