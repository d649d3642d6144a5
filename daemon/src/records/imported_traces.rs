//! Which traces of other loggers were imported: a hash of the samples of each, with its machine,
//! so that the same trace is not taken twice, whatever its file is called and however its rows
//! are sorted.

use analysis::time::Micros;
use rusqlite::{OptionalExtension, params};

use super::book::Records;
use super::error::Result;

/// A trace that was imported.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ImportedTrace {
    /// The machine it was taken on.
    pub machine: String,
    /// SHA-256 of its samples, in hexadecimal.
    pub samples_sha256: String,
    /// How many samples the file held.
    pub samples: u64,
    /// What the file was called.
    pub file_name: String,
    /// When it was imported.
    pub imported_at: Micros,
}

impl Records {
    /// The import of these samples for this machine, if there was one.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn imported_trace(
        &self,
        machine: &str,
        samples_sha256: &str,
    ) -> Result<Option<ImportedTrace>> {
        Ok(self
            .db
            .prepare_cached(
                "SELECT samples, file_name, imported_at FROM imported_traces
                 WHERE machine = ?1 AND samples_sha256 = ?2",
            )?
            .query_row([machine, samples_sha256], |row| {
                Ok(ImportedTrace {
                    machine: machine.to_owned(),
                    samples_sha256: samples_sha256.to_owned(),
                    samples: row.get::<_, i64>(0)?.try_into().unwrap_or(0),
                    file_name: row.get(1)?,
                    imported_at: Micros(row.get(2)?),
                })
            })
            .optional()?)
    }

    /// Notes that a trace was imported. Noting it twice changes nothing.
    ///
    /// # Errors
    /// When SQLite fails, which it also does for a machine that is not known.
    pub fn add_imported_trace(&mut self, trace: &ImportedTrace) -> Result<()> {
        self.db.execute(
            "INSERT INTO imported_traces (machine, samples_sha256, samples, file_name, imported_at)
             VALUES (?1, ?2, ?3, ?4, ?5) ON CONFLICT DO NOTHING",
            params![
                trace.machine,
                trace.samples_sha256,
                i64::try_from(trace.samples).unwrap_or(i64::MAX),
                trace.file_name,
                trace.imported_at.0
            ],
        )?;
        Ok(())
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::records::book::test_setup;
    use crate::records::words::AddedBy;

    #[test]
    fn a_trace_is_known_by_its_machine_and_samples() {
        let mut records = Records::in_memory(&test_setup()).unwrap();
        let trace = ImportedTrace {
            machine: "bench-1".into(),
            samples_sha256: "a".repeat(64),
            samples: 3600,
            file_name: "tuesday.csv".into(),
            imported_at: Micros(7),
        };
        assert!(
            records.add_imported_trace(&trace).is_err(),
            "no such machine"
        );
        records
            .add_machine("bench-1", AddedBy::Configuration, Micros(0))
            .unwrap();
        records.add_imported_trace(&trace).unwrap();
        let again = ImportedTrace {
            file_name: "copy.csv".into(),
            ..trace.clone()
        };
        records.add_imported_trace(&again).unwrap();
        let known = |machine: &str, hash: &str| records.imported_trace(machine, hash).unwrap();
        assert_eq!(
            known("bench-1", &trace.samples_sha256),
            Some(trace.clone()),
            "the first import stands"
        );
        assert_eq!(known("bench-2", &trace.samples_sha256), None);
        assert_eq!(known("bench-1", &"b".repeat(64)), None);
    }
}
