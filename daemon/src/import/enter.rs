//! The flasks of a castings file into the records, all in one transaction. A flask is known by
//! what its rows say, in whatever order they come, so the same file twice, or a longer file with
//! the same rows in it, adds only what is new.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::path::{Path, PathBuf};

use analysis::alloy::Alloys;
use analysis::atmosphere::standard_pressure_kpa;
use analysis::defect::DefectKinds;
use analysis::time::Micros;
use rusqlite::{OptionalExtension, Transaction, params};
use uuid::Uuid;

use super::bad_rows;
use super::castings::{Castings, CastingsContext, ImportedFlask, read_castings};
use super::error::{BadRow, ImportError};
use crate::checksum::sha256;
use crate::records::Records;
use crate::records::flasks::{FlaskCard, FlaskLine, SECTIONS, insert_flask};

/// How to import a castings file.
#[derive(Clone, Debug)]
pub struct ImportOptions {
    /// The kinds of defect that may head a column.
    pub kinds: DefectKinds,
    /// The words for a section.
    pub sections: Vec<String>,
    /// Standard air pressure at the shop, kPa.
    pub ambient_kpa: f64,
    /// The alloys the shop knows.
    pub alloys: Alloys,
    /// The machine of rows that name none; none takes the book's only machine.
    pub machine: Option<String>,
    /// Import what is good and write the bad rows beside the file.
    pub skip_bad: bool,
}

impl Default for ImportOptions {
    /// A shop at sea level with the standard kinds, sections and alloys.
    fn default() -> Self {
        ImportOptions {
            kinds: DefectKinds::standard(),
            sections: SECTIONS.map(str::to_owned).to_vec(),
            ambient_kpa: standard_pressure_kpa(0.0),
            alloys: Alloys::standard(),
            machine: None,
            skip_bad: false,
        }
    }
}

/// What an import did.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ImportReport {
    /// Rows that entered or were known.
    pub rows_good: usize,
    /// Rows left out.
    pub rows_bad: usize,
    /// Flasks that are new.
    pub flasks_new: usize,
    /// Flasks that were in the records already, just so.
    pub flasks_known: usize,
    /// Sessions that are new.
    pub sessions_new: usize,
    /// Machines that are new, to be told to the user.
    pub machines_new: Vec<String>,
    /// What is odd and entered all the same.
    pub warnings: Vec<BadRow>,
    /// Why rows were left out.
    pub bad: Vec<BadRow>,
    /// Where the rows left out were written.
    pub bad_file: Option<PathBuf>,
}

/// Imports a castings file.
///
/// # Errors
/// [`ImportError`]; nothing of the file has entered then.
pub fn import_castings(
    records: &mut Records,
    file: &Path,
    options: &ImportOptions,
    now: Micros,
) -> Result<ImportReport, ImportError> {
    let name = file.file_name().map_or_else(
        || file.display().to_string(),
        |n| n.to_string_lossy().into_owned(),
    );
    let bytes = std::fs::read(file).map_err(|source| ImportError::Io {
        path: file.to_owned(),
        source,
    })?;
    let machine = default_machine(records, options)?;
    let zone = records.zone().clone();
    let mut castings = read_castings(
        &name,
        bytes,
        &CastingsContext {
            zone: &zone,
            kinds: &options.kinds,
            sections: &options.sections,
            ambient_kpa: options.ambient_kpa,
            alloys: &options.alloys,
            default_machine: machine.as_deref(),
            now,
        },
    )?;
    let tx = records.write()?;
    let hashed = hash_all(std::mem::take(&mut castings.flasks));
    let mut entry = Entry::new(&tx);
    let mut new = Vec::new();
    for (flask, hash) in hashed {
        match entry.standing(&flask, &hash)? {
            Standing::New => new.push((flask, hash)),
            Standing::Known => entry.report.flasks_known += 1,
            Standing::Clash(reason) => {
                for row in &flask.rows {
                    castings.bad.insert(
                        *row,
                        vec![BadRow {
                            file: name.clone(),
                            line: castings.sheet.rows[*row].line,
                            column: None,
                            reason: reason.clone(),
                        }],
                    );
                }
            }
        }
    }
    let mut report = entry.report;
    report.warnings = std::mem::take(&mut castings.warnings);
    report.rows_bad = castings.bad.len();
    report.rows_good = castings.sheet.rows.len() - report.rows_bad;
    report.bad = castings.bad.values().flatten().cloned().collect();
    if !castings.bad.is_empty() {
        if !options.skip_bad {
            return Err(ImportError::BadRows {
                rows: report.bad,
                good: report.rows_good,
            });
        }
        let contents = bad_rows::contents(&castings.sheet, &castings.bad);
        report.bad_file = Some(bad_rows::write(file, &contents)?);
    }
    if !new.is_empty() {
        enter(&tx, &castings, &new, &name, options, now, &mut report)?;
    }
    tx.commit()?;
    Ok(report)
}

/// The machine of rows that name none: the one asked for, or the book's only one, or, in a book
/// without machines, one called `bench`. In a book with several there is none.
fn default_machine(
    records: &Records,
    options: &ImportOptions,
) -> Result<Option<String>, ImportError> {
    if options.machine.is_some() {
        return Ok(options.machine.clone());
    }
    Ok(match records.machines()?.as_slice() {
        [] => Some("bench".to_owned()),
        [only] => Some(only.clone()),
        _ => None,
    })
}

/// What the records know of a flask.
enum Standing {
    New,
    Known,
    Clash(String),
}

struct Entry<'a> {
    tx: &'a Transaction<'a>,
    report: ImportReport,
}

impl<'a> Entry<'a> {
    fn new(tx: &'a Transaction<'a>) -> Self {
        Entry {
            tx,
            report: ImportReport::default(),
        }
    }

    fn standing(&self, flask: &ImportedFlask, hash: &str) -> Result<Standing, ImportError> {
        let known = self
            .tx
            .prepare_cached("SELECT 1 FROM imported_settings WHERE content_sha256 = ?1")?
            .exists([hash])?;
        if known {
            return Ok(Standing::Known);
        }
        if let Some(label) = &flask.label {
            let session = flask.session.as_ref().map(|_| session_name(flask));
            let other = self
                .tx
                .prepare_cached(
                    "SELECT 1 FROM flasks f LEFT JOIN sessions s ON s.id = f.session
                     WHERE f.label = ?1 AND f.day = ?2
                     AND (f.machine IS NULL OR f.machine = ?3)
                     AND (?4 IS NULL OR s.name IS NULL OR s.name = ?4)",
                )?
                .exists(params![
                    label,
                    flask.day.to_string(),
                    flask.machine,
                    session
                ])?;
            if other {
                return Ok(Standing::Clash(format!(
                    "flask \"{label}\" of {} is in the records already, with other figures; \
                     correct it there or take its rows out of the file",
                    flask.day
                )));
            }
        }
        let name = session_name(flask);
        let elsewhere: Option<String> = self
            .tx
            .prepare_cached("SELECT machine FROM sessions WHERE name = ?1 AND machine <> ?2")?
            .query_row([&name, &flask.machine], |row| row.get(0))
            .optional()?;
        Ok(match elsewhere {
            Some(machine) => Standing::Clash(format!(
                "session \"{name}\" is one of {machine}, not of {}",
                flask.machine
            )),
            None => Standing::New,
        })
    }
}

/// The session of an imported flask: one for each machine and day, or as the file names them
/// within that. A name that starts with its day is taken as it is, so that it may be that of a
/// logged session.
fn session_name(flask: &ImportedFlask) -> String {
    let day = flask.day.to_string();
    match &flask.session {
        Some(name) if name.starts_with(&day) => name.clone(),
        Some(name) => format!("{day}-{}-{name}", flask.machine),
        None => format!("{day}-{}", flask.machine),
    }
}

fn enter(
    tx: &Transaction<'_>,
    castings: &Castings,
    new: &[(ImportedFlask, String)],
    name: &str,
    options: &ImportOptions,
    now: Micros,
    report: &mut ImportReport,
) -> Result<(), ImportError> {
    let machines: BTreeSet<&str> = new.iter().map(|(f, _)| f.machine.as_str()).collect();
    for machine in machines {
        let added = tx.execute(
            "INSERT INTO machines (name, added_at, added_by) VALUES (?1, ?2, 'import')
             ON CONFLICT DO NOTHING",
            params![machine, now.0],
        )?;
        if added > 0 {
            report.machines_new.push(machine.to_owned());
        }
    }
    let sessions = enter_sessions(tx, new, report)?;
    let import = Uuid::new_v4().to_string();
    tx.execute(
        "INSERT INTO imports (id, file_name, file_sha256, imported_at, rows_in, rows_bad, flasks_new)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        params![
            import,
            name,
            sha256(castings.sheet.bytes()),
            now.0,
            as_i64(new.iter().map(|(f, _)| f.rows.len()).sum()),
            as_i64(report.rows_bad),
            as_i64(new.len())
        ],
    )?;
    for (flask, hash) in new {
        let session = sessions[&session_name(flask)];
        enter_flask(tx, flask, hash, session, &import, options.ambient_kpa, now)?;
    }
    report.flasks_new = new.len();
    Ok(())
}

fn as_i64(n: usize) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

fn enter_sessions(
    tx: &Transaction<'_>,
    new: &[(ImportedFlask, String)],
    report: &mut ImportReport,
) -> Result<HashMap<String, Uuid>, ImportError> {
    struct Span<'a> {
        machine: &'a str,
        day: String,
        from: Micros,
        to: Micros,
    }
    let mut spans: BTreeMap<String, Span<'_>> = BTreeMap::new();
    for (flask, _) in new {
        let span = spans.entry(session_name(flask)).or_insert_with(|| Span {
            machine: &flask.machine,
            day: flask.day.to_string(),
            from: flask.cast_at,
            to: flask.cast_at,
        });
        span.from = span.from.min(flask.cast_at);
        span.to = span.to.max(flask.cast_at);
    }
    let mut ids = HashMap::new();
    for (name, span) in spans {
        let known: Option<String> = tx
            .prepare_cached("SELECT id FROM sessions WHERE name = ?1")?
            .query_row([&name], |row| row.get(0))
            .optional()?;
        let id = match known {
            Some(id) => {
                tx.prepare_cached(
                    "UPDATE sessions SET opened_at = min(opened_at, ?2),
                     closed_at = max(closed_at, ?3) WHERE id = ?1 AND state = 'imported'",
                )?
                .execute(params![id, span.from.0, span.to.0])?;
                crate::records::book::read_id("sessions.id", &id)?
            }
            None => {
                let id = Uuid::new_v4();
                tx.prepare_cached(
                    "INSERT INTO sessions (id, name, machine, opened_at, closed_at, state, day)
                     VALUES (?1, ?2, ?3, ?4, ?5, 'imported', ?6)",
                )?
                .execute(params![
                    id.to_string(),
                    name,
                    span.machine,
                    span.from.0,
                    span.to.0,
                    span.day
                ])?;
                report.sessions_new += 1;
                id
            }
        };
        ids.insert(name, id);
    }
    Ok(ids)
}

fn enter_flask(
    tx: &Transaction<'_>,
    flask: &ImportedFlask,
    hash: &str,
    session: Uuid,
    import: &str,
    ambient_kpa: f64,
    now: Micros,
) -> Result<(), ImportError> {
    let id = Uuid::new_v4();
    let set = &flask.settings;
    let label = flask
        .label
        .clone()
        .unwrap_or_else(|| format!("unlabelled-{}", &hash[..6]));
    let mut card = FlaskCard::new(label, flask.day);
    card.session = Some(session);
    card.machine = Some(flask.machine.clone());
    card.alloy = set.alloy.clone();
    card.metal_g = set.metal_g;
    card.remelt_percent = set.remelt_percent;
    card.note = set.note.clone();
    card.lines = flask
        .lines
        .iter()
        .map(|line| FlaskLine {
            pattern: line.pattern.clone(),
            section: line.section.clone(),
            pieces: Some(line.pieces),
            ..FlaskLine::default()
        })
        .collect();
    insert_flask(tx, id, &card, true, now)?;
    tx.prepare_cached(
        "INSERT INTO imported_settings (flask, import, content_sha256, cast_at, day_only,
           pour_temperature_c, flask_temperature_c, vacuum_kpa, vacuum_share, gas_flow_l_min,
           soak_min, seal_age_pours)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)",
    )?
    .execute(params![
        id.to_string(),
        import,
        hash,
        flask.cast_at.0,
        flask.day_only,
        set.pour_temperature_c,
        set.flask_temperature_c,
        set.vacuum_kpa,
        set.vacuum_kpa.map(|kpa| kpa / ambient_kpa),
        set.gas_flow_l_min,
        set.soak_min,
        set.seal_age_pours
    ])?;
    for (line, number) in flask.lines.iter().zip(1_i64..) {
        if !line.inspected() {
            continue;
        }
        let inspection = Uuid::new_v4().to_string();
        // Paper does not say how far the pieces had come. The earliest stage lets any later
        // inspection of the same flask count over it.
        tx.prepare_cached(
            "INSERT INTO inspections (id, line, stage, inspected_at, pieces, defective,
               defective_steering, added_at)
             SELECT ?1, id, 'washed', ?4, ?5, ?6, ?7, ?8 FROM flask_lines
             WHERE flask = ?2 AND number = ?3",
        )?
        .execute(params![
            inspection,
            id.to_string(),
            number,
            flask.cast_at.0,
            line.pieces,
            line.defective,
            line.defective_steering,
            now.0
        ])?;
        for (kind, n) in &line.kinds {
            tx.prepare_cached(
                "INSERT INTO inspection_counts (inspection, kind, pieces) VALUES (?1, ?2, ?3)",
            )?
            .execute(params![inspection, kind, n])?;
        }
    }
    Ok(())
}

/// Each flask with the hash of what its rows say. Lines are hashed in an order of their own, so
/// the order of rows does not matter; of flasks without a label that say the very same, each
/// next one gets a hash of its own, since two alike in one day are two.
fn hash_all(flasks: Vec<ImportedFlask>) -> Vec<(ImportedFlask, String)> {
    let mut seen: HashMap<String, u32> = HashMap::new();
    flasks
        .into_iter()
        .map(|mut flask| {
            flask.lines.sort_by_cached_key(|line| format!("{line:?}"));
            let mut text = format!(
                "{:?}|{}|{:?}|{}|{}|{}|{:?}",
                flask.label,
                // A machine that was only assumed is not part of what the rows say.
                if flask.machine_named {
                    flask.machine.as_str()
                } else {
                    ""
                },
                flask.session,
                flask.day,
                flask.cast_at.0,
                flask.day_only,
                flask.settings
            );
            for line in &flask.lines {
                text.push_str(&format!("|{line:?}"));
            }
            let alike = seen.entry(text.clone()).or_insert(0);
            *alike += 1;
            text.push_str(&format!("|{alike}"));
            let hash = sha256(text.as_bytes());
            (flask, hash)
        })
        .collect()
}

#[cfg(test)]
mod tests;
