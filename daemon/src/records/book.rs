//! Opening the records: one SQLite file in WAL mode where a commit is on disk before it is
//! answered, brought to the present version by numbered migrations, and never touched when a
//! newer pourbook wrote it.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

use analysis::time::Micros;
use jiff::tz::TimeZone;
use rusqlite::{
    Connection, OpenFlags, OptionalExtension, Transaction, TransactionBehavior, params,
};
use rusqlite_migration::{M, Migrations};
use uuid::Uuid;

use super::error::{RecordError, Result};
use super::words::AddedBy;

/// `pour` in ASCII: SQLite's own mark of whose database a file is.
const APPLICATION_ID: i64 = 0x706f_7572;

/// The schema's versions, oldest first. A published one never changes.
const MIGRATIONS: &[M<'static>] = &[M::up(include_str!("schema_1.sql"))];

/// How long a writer waits for another before it gives up.
const BUSY: Duration = Duration::from_secs(10);

/// The open records of a book.
///
/// One value is one connection; it moves between threads but is not shared. Several may be open
/// on one book at once (the daemon, a command, a report); writers wait for each other.
#[derive(Debug)]
pub struct Records {
    pub(crate) db: Connection,
    path: PathBuf,
    zone: TimeZone,
}

/// What a new book is told about itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BookSetup {
    /// The shop's name.
    pub shop: String,
    /// IANA name of the shop's time zone.
    pub time_zone: String,
    /// Whether it is the demo's, which the demo may overwrite.
    pub demo: bool,
    /// When it is made.
    pub now: Micros,
}

/// The book's own row.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Book {
    /// Identity of the book, for the journal and for exports.
    pub id: Uuid,
    /// The shop's name.
    pub shop: String,
    /// IANA name of the shop's time zone.
    pub time_zone: String,
    /// Whether it is the demo's.
    pub demo: bool,
    /// When it was made.
    pub made_at: Micros,
    /// The version of pourbook that made it.
    pub made_by: String,
}

impl Records {
    /// Opens the records at `path`, bringing them to the present version.
    ///
    /// # Errors
    /// [`RecordError::NoBook`] where there is no file, [`RecordError::Newer`] and
    /// [`RecordError::NotABook`] before anything is changed.
    pub fn open(path: &Path) -> Result<Records> {
        if !path.is_file() {
            return Err(RecordError::NoBook {
                path: path.to_owned(),
            });
        }
        let db = Connection::open_with_flags(
            path,
            OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX,
        )?;
        Records::from_connection(db, path)
    }

    /// Opens the records at `path`, or makes them. The folder must exist. A book that is there
    /// keeps its identity; its shop name and time zone become those of `setup`.
    ///
    /// # Errors
    /// As [`Records::open`]; [`RecordError::Invalid`] for an unknown time zone.
    pub fn open_or_create(path: &Path, setup: &BookSetup) -> Result<Records> {
        zone_named(&setup.time_zone)?;
        let db = Connection::open(path)?;
        prepare(&db, path)?;
        Records::from_ready(db, path, Some(setup))
    }

    /// Records in memory, for tests and trials; gone when dropped.
    ///
    /// # Errors
    /// As [`Records::open_or_create`].
    pub fn in_memory(setup: &BookSetup) -> Result<Records> {
        zone_named(&setup.time_zone)?;
        let db = Connection::open_in_memory()?;
        let path = Path::new("(memory)");
        prepare(&db, path)?;
        Records::from_ready(db, path, Some(setup))
    }

    fn from_connection(db: Connection, path: &Path) -> Result<Records> {
        prepare(&db, path)?;
        Records::from_ready(db, path, None)
    }

    fn from_ready(mut db: Connection, path: &Path, setup: Option<&BookSetup>) -> Result<Records> {
        Migrations::from_slice(MIGRATIONS)
            .to_latest(&mut db)
            .map_err(|source| RecordError::Migration {
                path: path.to_owned(),
                source,
            })?;
        // Only when it is not there yet: setting it is a write, and most who open only read.
        let mark: i64 = db.query_row("PRAGMA application_id", [], |row| row.get(0))?;
        if mark != APPLICATION_ID {
            db.pragma_update(None, "application_id", APPLICATION_ID)?;
        }
        if let Some(setup) = setup {
            db.execute(
                "INSERT INTO book (one, id, shop, time_zone, demo, made_at, made_by)
                 VALUES (1, ?1, ?2, ?3, ?4, ?5, ?6)
                 ON CONFLICT (one) DO UPDATE SET shop = ?2, time_zone = ?3
                 WHERE shop <> ?2 OR time_zone <> ?3",
                params![
                    Uuid::new_v4().to_string(),
                    setup.shop,
                    setup.time_zone,
                    setup.demo,
                    setup.now.0,
                    env!("CARGO_PKG_VERSION")
                ],
            )?;
        }
        let zone_name: Option<String> = db
            .query_row("SELECT time_zone FROM book", [], |row| row.get(0))
            .optional()?;
        let Some(zone_name) = zone_name else {
            return Err(RecordError::NotABook {
                path: path.to_owned(),
            });
        };
        Ok(Records {
            zone: zone_named(&zone_name)?,
            db,
            path: path.to_owned(),
        })
    }

    /// Where the records are.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The shop's time zone.
    pub fn zone(&self) -> &TimeZone {
        &self.zone
    }

    /// The shop's calendar day of an instant.
    pub fn day_of(&self, at: Micros) -> jiff::civil::Date {
        crate::book::local(at, &self.zone).date()
    }

    /// The book's own row.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn book(&self) -> Result<Book> {
        let (id, book) = self.db.query_row(
            "SELECT id, shop, time_zone, demo, made_at, made_by FROM book",
            [],
            |row| {
                Ok((
                    row.get::<_, String>(0)?,
                    Book {
                        id: Uuid::nil(),
                        shop: row.get(1)?,
                        time_zone: row.get(2)?,
                        demo: row.get(3)?,
                        made_at: Micros(row.get(4)?),
                        made_by: row.get(5)?,
                    },
                ))
            },
        )?;
        Ok(Book {
            id: read_id("book.id", &id)?,
            ..book
        })
    }

    /// Makes sure that a machine is known; says whether it is new.
    ///
    /// # Errors
    /// [`RecordError::Invalid`] for an empty name.
    pub fn add_machine(&mut self, name: &str, by: AddedBy, now: Micros) -> Result<bool> {
        named("machine", name)?;
        Ok(self.db.execute(
            "INSERT INTO machines (name, added_at, added_by) VALUES (?1, ?2, ?3)
             ON CONFLICT DO NOTHING",
            params![name, now.0, by],
        )? > 0)
    }

    /// Says how long a flask may stand between kiln and a machine's pour, s; none: as long as
    /// pourbook thinks usual.
    ///
    /// # Errors
    /// [`RecordError::Invalid`] for a time that is not positive.
    pub fn set_transfer_most(&mut self, machine: &str, seconds: Option<f64>) -> Result<()> {
        if seconds.is_some_and(|s| !(s > 0.0 && s.is_finite())) {
            return Err(RecordError::invalid(
                "transfer_most_s",
                "must be more than 0",
            ));
        }
        self.db.execute(
            "UPDATE machines SET transfer_most_s = ?2
             WHERE name = ?1 AND transfer_most_s IS NOT ?2",
            params![machine, seconds],
        )?;
        Ok(())
    }

    /// By machine, how long a flask may stand between kiln and pour, s, where the shop has said.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn transfers_most(&self) -> Result<BTreeMap<String, f64>> {
        let mut statement = self.db.prepare_cached(
            "SELECT name, transfer_most_s FROM machines WHERE transfer_most_s IS NOT NULL",
        )?;
        let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    /// Takes a machine back that nothing in the records refers to; says whether it did. For what
    /// named a new machine and then failed.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn forget_machine(&mut self, name: &str) -> Result<bool> {
        let forgotten = self
            .db
            .execute("DELETE FROM machines WHERE name = ?1", [name]);
        match forgotten {
            Ok(rows) => Ok(rows > 0),
            // Something refers to it, so it stays.
            Err(e) if e.sqlite_error_code() == Some(rusqlite::ErrorCode::ConstraintViolation) => {
                Ok(false)
            }
            Err(e) => Err(e.into()),
        }
    }

    /// The machine that an unknown name was most likely meant to be. Names that differ in their
    /// numbers alone are different machines, not slips of the pen.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn machine_meant_by(&self, name: &str) -> Result<Option<String>> {
        let machines = self.machines()?;
        if machines.iter().any(|m| m == name) {
            return Ok(None);
        }
        let letters = |name: &str| -> String {
            name.to_lowercase()
                .chars()
                .filter(|c| c.is_alphabetic())
                .collect()
        };
        let digits = |name: &str| -> String { name.chars().filter(char::is_ascii_digit).collect() };
        Ok(machines
            .into_iter()
            .filter(|m| letters(m) != letters(name) || digits(m) == digits(name))
            .map(|m| {
                (
                    strsim::osa_distance(&m.to_lowercase(), &name.to_lowercase()),
                    m,
                )
            })
            .filter(|(distance, _)| *distance <= 2)
            .min()
            .map(|(_, m)| m))
    }

    /// Makes sure that a kiln is known; says whether it is new. A spread that is given replaces
    /// the one there.
    ///
    /// # Errors
    /// [`RecordError::Invalid`] for an empty name or a negative spread.
    pub fn add_kiln(
        &mut self,
        name: &str,
        spread_k: Option<f64>,
        by: AddedBy,
        now: Micros,
    ) -> Result<bool> {
        named("kiln", name)?;
        if spread_k.is_some_and(|s| !(s >= 0.0 && s.is_finite())) {
            return Err(RecordError::invalid("spread_k", "must be 0 or more"));
        }
        let new = self.db.execute(
            "INSERT INTO kilns (name, spread_k, added_at, added_by) VALUES (?1, ?2, ?3, ?4)
             ON CONFLICT DO NOTHING",
            params![name, spread_k, now.0, by],
        )? > 0;
        if spread_k.is_some() && !new {
            self.db.execute(
                "UPDATE kilns SET spread_k = ?2 WHERE name = ?1",
                params![name, spread_k],
            )?;
        }
        Ok(new)
    }

    /// The machines of the book, by name.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn machines(&self) -> Result<Vec<String>> {
        names(&self.db, "SELECT name FROM machines ORDER BY name")
    }

    /// The kilns of the book, by name.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn kilns(&self) -> Result<Vec<String>> {
        names(&self.db, "SELECT name FROM kilns ORDER BY name")
    }

    /// Copies the records, as of now, to a new file that needs no WAL beside it.
    ///
    /// # Errors
    /// When the file exists or cannot be written.
    pub fn copy_to(&self, file: &Path) -> Result<()> {
        self.db
            .execute("VACUUM INTO ?1", params![file.to_string_lossy()])?;
        Ok(())
    }

    /// A transaction that takes the write lock at once, so that two writers wait rather than
    /// fail half way.
    pub(crate) fn write(&mut self) -> Result<Transaction<'_>> {
        Ok(self
            .db
            .transaction_with_behavior(TransactionBehavior::Immediate)?)
    }
}

/// Refuses what is not ours, then sets the connection up.
fn prepare(db: &Connection, path: &Path) -> Result<()> {
    let not_ours = || RecordError::NotABook {
        path: path.to_owned(),
    };
    let found: i64 = db
        .query_row("PRAGMA user_version", [], |row| row.get(0))
        .map_err(|e| match e.sqlite_error_code() {
            Some(rusqlite::ErrorCode::NotADatabase) => not_ours(),
            _ => RecordError::Database(e),
        })?;
    let mark: i64 = db.query_row("PRAGMA application_id", [], |row| row.get(0))?;
    let tables: i64 = db.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
    let known = i64::try_from(MIGRATIONS.len()).unwrap_or(i64::MAX);
    if mark != APPLICATION_ID && tables > 0 {
        // A power cut between the first migration and the mark leaves a book without its mark.
        let unmarked_book = mark == 0 && (1..=known).contains(&found) && {
            let named: i64 = db.query_row(
                "SELECT count(*) FROM sqlite_schema WHERE name IN ('book', 'pours', 'flask_lines')",
                [],
                |row| row.get(0),
            )?;
            named == 3
        };
        if !unmarked_book {
            return Err(not_ours());
        }
    }
    if found > known {
        return Err(RecordError::Newer {
            path: path.to_owned(),
            found,
            known,
        });
    }
    db.busy_timeout(BUSY)?;
    db.query_row("PRAGMA journal_mode = WAL", [], |_| Ok(()))?;
    db.pragma_update(None, "synchronous", "FULL")?;
    db.pragma_update(None, "foreign_keys", true)?;
    db.set_prepared_statement_cache_capacity(64);
    Ok(())
}

fn zone_named(name: &str) -> Result<TimeZone> {
    TimeZone::get(name).map_err(|_| {
        RecordError::invalid(
            "time_zone",
            format!("\"{name}\" is not a time zone; use an IANA name like Europe/Dublin"),
        )
    })
}

fn names(db: &Connection, sql: &str) -> Result<Vec<String>> {
    let mut statement = db.prepare_cached(sql)?;
    let rows = statement.query_map([], |row| row.get(0))?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

pub(crate) fn named(field: &'static str, name: &str) -> Result<()> {
    if name.trim().is_empty() {
        return Err(RecordError::invalid(field, "must not be empty"));
    }
    Ok(())
}

/// Reads a stored UUID.
pub(crate) fn read_id(what: &'static str, text: &str) -> Result<Uuid> {
    text.parse().map_err(|_| RecordError::Damaged {
        what,
        value: text.to_owned(),
    })
}

/// A setup for the tests of this crate.
#[cfg(test)]
pub(crate) fn test_setup() -> BookSetup {
    BookSetup {
        shop: "Larkfield bench".into(),
        time_zone: "Europe/Dublin".into(),
        demo: false,
        now: Micros(1_795_000_000_000_000),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn every_migration_applies_from_empty() {
        Migrations::from_slice(MIGRATIONS).validate().unwrap();
    }

    #[test]
    fn a_book_keeps_its_identity_and_commits_are_on_disk_before_they_are_answered() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("records.sqlite");
        let first = Records::open_or_create(&path, &test_setup()).unwrap();
        let book = first.book().unwrap();
        drop(first);
        let again = Records::open(&path).unwrap();
        assert_eq!(again.book().unwrap(), book);
        let mode: String = again
            .db
            .query_row("PRAGMA journal_mode", [], |r| r.get(0))
            .unwrap();
        let synchronous: i64 = again
            .db
            .query_row("PRAGMA synchronous", [], |r| r.get(0))
            .unwrap();
        let keys: i64 = again
            .db
            .query_row("PRAGMA foreign_keys", [], |r| r.get(0))
            .unwrap();
        assert_eq!((mode.as_str(), synchronous, keys), ("wal", 2, 1));
    }

    #[test]
    fn a_book_of_a_newer_pourbook_is_refused_and_left_alone() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("records.sqlite");
        drop(Records::open_or_create(&path, &test_setup()).unwrap());
        let db = Connection::open(&path).unwrap();
        db.pragma_update(None, "user_version", 99).unwrap();
        drop(db);
        let before = std::fs::read(&path).unwrap();
        let error = Records::open(&path).unwrap_err();
        assert!(matches!(error, RecordError::Newer { found: 99, .. }));
        assert!(error.to_string().contains("newer pourbook"), "{error}");
        assert!(Records::open_or_create(&path, &test_setup()).is_err());
        assert_eq!(std::fs::read(&path).unwrap(), before);
    }

    #[test]
    fn somebody_elses_database_is_not_a_book() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("records.sqlite");
        Connection::open(&path)
            .unwrap()
            .execute_batch("CREATE TABLE recipes (name TEXT)")
            .unwrap();
        assert!(matches!(
            Records::open_or_create(&path, &test_setup()),
            Err(RecordError::NotABook { .. })
        ));
        std::fs::write(&path, "not a database at all, only a note in a file").unwrap();
        assert!(matches!(
            Records::open(&path),
            Err(RecordError::NotABook { .. })
        ));
        assert!(matches!(
            Records::open(&dir.path().join("nothing")),
            Err(RecordError::NoBook { .. })
        ));
    }

    #[test]
    fn a_machine_is_added_once() {
        let mut records = Records::in_memory(&test_setup()).unwrap();
        assert!(
            records
                .add_machine("bench-1", AddedBy::Configuration, Micros(0))
                .unwrap()
        );
        assert!(
            !records
                .add_machine("bench-1", AddedBy::Import, Micros(1))
                .unwrap()
        );
        assert!(records.add_machine(" ", AddedBy::Hand, Micros(0)).is_err());
        assert!(
            records
                .add_kiln("kiln-1", Some(30.0), AddedBy::Configuration, Micros(0))
                .unwrap()
        );
        assert_eq!(records.machines().unwrap(), ["bench-1"]);
        assert_eq!(records.kilns().unwrap(), ["kiln-1"]);
    }

    #[test]
    fn a_mistyped_machine_is_not_a_new_one_but_another_number_is() {
        let mut records = Records::in_memory(&test_setup()).unwrap();
        records
            .add_machine("bench-1", AddedBy::Configuration, Micros(0))
            .unwrap();
        let meant = |name: &str| records.machine_meant_by(name).unwrap();
        for slip in ["bnech-1", "benc-1", "Bench-1", "bench1", "bench 1"] {
            assert_eq!(meant(slip).as_deref(), Some("bench-1"), "{slip}");
        }
        for other in ["bench-1", "bench-2", "bench-11", "old-bench", "tilt"] {
            assert_eq!(meant(other), None, "{other}");
        }
    }

    #[test]
    fn a_machine_is_taken_back_only_while_nothing_refers_to_it() {
        let mut records = Records::in_memory(&test_setup()).unwrap();
        for machine in ["bench-1", "bench-2"] {
            records
                .add_machine(machine, AddedBy::Import, Micros(0))
                .unwrap();
        }
        let change = super::super::parts::PartChange::of_machine(
            super::super::words::Part::Gasket,
            "bench-1",
            Micros(0),
        );
        records.add_part_change(&change, Micros(1)).unwrap();
        assert!(!records.forget_machine("bench-1").unwrap());
        assert!(records.forget_machine("bench-2").unwrap());
        assert!(!records.forget_machine("bench-2").unwrap());
        assert_eq!(records.machines().unwrap(), ["bench-1"]);
    }

    #[test]
    fn a_copy_is_a_book_of_its_own_file() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("records.sqlite");
        let records = Records::open_or_create(&path, &test_setup()).unwrap();
        let copy = dir.path().join("copy.sqlite");
        records.copy_to(&copy).unwrap();
        assert_eq!(
            Records::open(&copy).unwrap().book().unwrap(),
            records.book().unwrap()
        );
    }
}
