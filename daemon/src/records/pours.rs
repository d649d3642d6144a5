//! Pulls and pours as others read them: the detector's rows with the people's corrections laid
//! over them. What the detector said stays in the pour's own row; a correction is a row of its
//! own, with when, what it was and what it becomes, so that each can be told from the other.

use std::collections::HashMap;

use analysis::pour::assemble::bare_pour;
use analysis::pour::rows::{FlaskTemperatureFrom, FoundBy, PourRow, PullRow, Verdict};
use analysis::time::Micros;
use analysis::upkeep::Fault;
use analysis::upkeep::fault::LONGEST_OUT_S;
use rusqlite::{OptionalExtension, Row, Transaction, params};
use uuid::Uuid;

use super::book::{Records, read_id};
use super::error::{RecordError, Result};
use super::sessions::range;
use super::upkeep;
use super::words::{Destination, MatchedBy};

/// A pour as the records know it.
#[derive(Clone, Debug, PartialEq)]
pub struct Pour {
    /// Its identity, which outlives re-extraction.
    pub id: Uuid,
    /// Its session's identity.
    pub session: Uuid,
    /// Its measures, corrections applied; `flask` is the id of the card it is matched to.
    pub row: PourRow,
    /// Where the metal went.
    pub destination: Destination,
    /// The alloy in the crucible as chosen on the page; none leaves it to the card.
    pub alloy: Option<String>,
    /// How it came to its flask card, if it has one.
    pub matched_by: Option<MatchedBy>,
    /// Whether that match counts as evidence.
    pub confirmed: bool,
    /// A person said that this was no pour. It is kept, shown and not counted.
    pub struck: bool,
    /// The fields that people corrected.
    pub corrected: Vec<String>,
    /// When an extraction last failed to find it, though something binds to it.
    pub gone_at: Option<Micros>,
}

/// Which pours to read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct PourFilter {
    /// Poured at or after this.
    pub since: Option<Micros>,
    /// Poured before this.
    pub until: Option<Micros>,
    /// Of this session only.
    pub session: Option<Uuid>,
    /// Also those that people struck out or that the last extraction no longer found.
    pub with_struck: bool,
}

/// A change that a person made to a pour.
#[derive(Clone, Debug, PartialEq)]
pub struct Correction {
    /// What was changed: a measure of the pour's row, `destination`, `alloy`, `poured` (whether
    /// it was a pour at all: yes or no) or `poured_at` (when metal left).
    pub field: String,
    /// What it was.
    pub was: Option<String>,
    /// What it became.
    pub becomes: Option<String>,
    /// When.
    pub made_at: Micros,
    /// Why, if said.
    pub note: Option<String>,
}

type Get = fn(&PourRow) -> Option<f64>;
type Slot = fn(&mut PourRow) -> &mut Option<f64>;

macro_rules! measures {
    ($($name:ident),+ $(,)?) => {
        /// The numeric measures of a pour's row: column, how to read it, how to set it.
        pub(crate) const MEASURES: &[(&str, Get, Slot)] = &[
            $((stringify!($name), |row| row.$name, |row| &mut row.$name)),+
        ];
    };
}

measures!(
    target_c,
    pour_temperature_c,
    superheat_k,
    heating_rate_k_s,
    peak_melt_c,
    time_molten_s,
    since_charge_s,
    vacuum_kpa,
    vacuum_share,
    vacuum_lead_s,
    vacuum_after_kpa,
    gas_flow_l_min,
    gas_flow_least_l_min,
    kiln_temperature_c,
    soak_min,
    transfer_s,
    flask_temperature_c,
    flask_temperature_sd_k,
);

pub(crate) fn found_by_word(found_by: FoundBy) -> &'static str {
    match found_by {
        FoundBy::Switch => "switch",
        FoundBy::Tap => "tap",
        FoundBy::Trace => "trace",
        FoundBy::Hand => "hand",
    }
}

fn found_by(word: &str) -> Result<FoundBy> {
    Ok(match word {
        "switch" => FoundBy::Switch,
        "tap" => FoundBy::Tap,
        "trace" => FoundBy::Trace,
        "hand" => FoundBy::Hand,
        _ => return Err(damaged("pours.found_by", word)),
    })
}

pub(crate) fn from_word(from: FlaskTemperatureFrom) -> &'static str {
    match from {
        FlaskTemperatureFrom::Measured => "measured",
        FlaskTemperatureFrom::Cooled => "cooled",
        FlaskTemperatureFrom::Card => "card",
    }
}

fn flask_temperature_from(word: &str) -> Result<FlaskTemperatureFrom> {
    Ok(match word {
        "measured" => FlaskTemperatureFrom::Measured,
        "cooled" => FlaskTemperatureFrom::Cooled,
        "card" => FlaskTemperatureFrom::Card,
        _ => return Err(damaged("pours.flask_temperature_from", word)),
    })
}

pub(crate) fn verdict_word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Good => "good",
        Verdict::Weak => "weak",
        Verdict::Missing => "missing",
        Verdict::Unknown => "unknown",
    }
}

fn verdict(word: &str) -> Result<Verdict> {
    Ok(match word {
        "good" => Verdict::Good,
        "weak" => Verdict::Weak,
        "missing" => Verdict::Missing,
        "unknown" => Verdict::Unknown,
        _ => return Err(damaged("pulls.verdict", word)),
    })
}

fn damaged(what: &'static str, value: &str) -> RecordError {
    RecordError::Damaged {
        what,
        value: value.to_owned(),
    }
}

/// The columns of a pour before its measures.
const HEAD: &str = "p.id, p.session, s.name, s.machine, p.number, p.poured_at, p.confidence, \
     p.found_by, p.destination, p.alloy, p.flask_temperature_from, p.seal_age_pours, p.quality, \
     p.gone_at, m.flask, m.made_by, m.confirmed_at, p.faults";
const HEAD_COLUMNS: usize = 18;

struct Texts {
    id: String,
    session: String,
    found_by: String,
    from: Option<String>,
    pour: Pour,
}

fn texts(row: &Row<'_>) -> rusqlite::Result<Texts> {
    let quality: String = row.get(12)?;
    let faults: String = row.get(17)?;
    let (session, machine): (String, String) = (row.get(2)?, row.get(3)?);
    let mut measured = PourRow {
        number: row.get(4)?,
        confidence: row.get(6)?,
        flask: row.get(14)?,
        seal_age_pours: row.get(11)?,
        quality: quality.split_whitespace().map(str::to_owned).collect(),
        faults: faults.split_whitespace().map(str::to_owned).collect(),
        parts: upkeep::read(row, HEAD_COLUMNS + MEASURES.len())?,
        ..bare_pour(&session, &machine, Micros(row.get(5)?), FoundBy::Trace)
    };
    for (i, (_, _, slot)) in MEASURES.iter().enumerate() {
        *slot(&mut measured) = row.get(HEAD_COLUMNS + i)?;
    }
    Ok(Texts {
        id: row.get(0)?,
        session: row.get(1)?,
        found_by: row.get(7)?,
        from: row.get(10)?,
        pour: Pour {
            id: Uuid::nil(),
            session: Uuid::nil(),
            row: measured,
            destination: row.get(8)?,
            alloy: row.get(9)?,
            matched_by: row.get(15)?,
            confirmed: row.get::<_, Option<i64>>(16)?.is_some(),
            struck: false,
            corrected: Vec::new(),
            gone_at: row.get::<_, Option<i64>>(13)?.map(Micros),
        },
    })
}

impl Records {
    /// Pours in order of time, corrections applied.
    ///
    /// # Errors
    /// When SQLite fails or the records are damaged.
    pub fn pours(&self, filter: &PourFilter) -> Result<Vec<Pour>> {
        let session = filter.session.map(|s| s.to_string());
        let [since, until] = range(filter.since, filter.until);
        let scope = "p.poured_at >= ?1 AND p.poured_at < ?2 AND (?3 IS NULL OR p.session = ?3)";
        let longest_out_s = self.transfers_most()?;
        let mut corrections = self.corrections_where(scope, since, until, session.as_deref())?;
        let measures: String = MEASURES
            .iter()
            .map(|(n, _, _)| *n)
            .chain(upkeep::COLUMNS.iter().copied())
            .map(|n| format!(", p.{n}"))
            .collect();
        let mut statement = self.db.prepare_cached(&format!(
            "SELECT {HEAD}{measures} FROM pours p JOIN sessions s ON s.id = p.session
             LEFT JOIN matches m ON m.pour = p.id AND m.ended_at IS NULL
             WHERE {scope} ORDER BY p.poured_at, p.id"
        ))?;
        let rows = statement.query_map(params![since, until, session], texts)?;
        let mut pours = Vec::new();
        for row in rows {
            let Texts {
                id,
                session,
                found_by: found,
                from,
                mut pour,
            } = row?;
            for correction in corrections.remove(&id).unwrap_or_default() {
                apply(&mut pour, &correction)?;
            }
            pour.id = read_id("pours.id", &id)?;
            pour.session = read_id("pours.session", &session)?;
            pour.row.found_by = found_by(&found)?;
            if pour.row.found_by == FoundBy::Hand {
                pour.corrected.push("poured_at".to_owned());
            }
            pour.row.flask_temperature_from =
                from.as_deref().map(flask_temperature_from).transpose()?;
            pour.row.faults = judged(&pour.row, longest_out_s.get(&pour.row.machine).copied());
            if filter.with_struck || !(pour.struck || pour.gone_at.is_some()) {
                pours.push(pour);
            }
        }
        Ok(pours)
    }

    /// The pour with this identity, struck or not.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub fn pour(&self, id: Uuid) -> Result<Pour> {
        let found: Option<(i64, String)> = self
            .db
            .query_row(
                "SELECT poured_at, session FROM pours WHERE id = ?1",
                [id.to_string()],
                |row| Ok((row.get(0)?, row.get(1)?)),
            )
            .optional()?;
        let missing = || RecordError::not_found("pour", id.to_string());
        let (at, session) = found.ok_or_else(missing)?;
        self.pours(&PourFilter {
            since: Some(Micros(at)),
            until: Some(Micros(at.saturating_add(1))),
            session: Some(read_id("pours.session", &session)?),
            with_struck: true,
        })?
        .into_iter()
        .find(|p| p.id == id)
        .ok_or_else(missing)
    }

    /// Pulls that opened from `since` on and before `until`, in order of time.
    ///
    /// # Errors
    /// When SQLite fails or the records are damaged.
    pub fn pulls(
        &self,
        since: Option<Micros>,
        until: Option<Micros>,
        session: Option<Uuid>,
    ) -> Result<Vec<PullRow>> {
        let [since, until] = range(since, until);
        let mut statement = self.db.prepare_cached(
            "SELECT s.name, s.machine, p.opened_at, p.closed_at, depth_kpa, share, settled_kpa,
                    settled_se_kpa, rest_kpa, time_to_90_s, tau_s, tau_se_s, end_kpa, end_se_kpa,
                    loss_kpa_min, loss_se_kpa_min, verdict, poured
             FROM pulls p JOIN sessions s ON s.id = p.session
             WHERE p.opened_at >= ?1 AND p.opened_at < ?2 AND (?3 IS NULL OR p.session = ?3)
             ORDER BY p.opened_at, s.name",
        )?;
        let rows = statement.query_map(
            params![since, until, session.map(|s| s.to_string())],
            |row| {
                Ok((
                    row.get::<_, String>(16)?,
                    PullRow {
                        session: row.get(0)?,
                        machine: row.get(1)?,
                        opened_at: Micros(row.get(2)?),
                        closed_at: row.get::<_, Option<i64>>(3)?.map(Micros),
                        depth_kpa: row.get(4)?,
                        share: row.get(5)?,
                        settled_kpa: row.get(6)?,
                        settled_se_kpa: row.get(7)?,
                        rest_kpa: row.get(8)?,
                        time_to_90_s: row.get(9)?,
                        tau_s: row.get(10)?,
                        tau_se_s: row.get(11)?,
                        end_kpa: row.get(12)?,
                        end_se_kpa: row.get(13)?,
                        loss_kpa_min: row.get(14)?,
                        loss_se_kpa_min: row.get(15)?,
                        verdict: Verdict::Unknown,
                        poured: row.get(17)?,
                    },
                ))
            },
        )?;
        rows.map(|row| {
            let (word, pull) = row?;
            Ok(PullRow {
                verdict: verdict(&word)?,
                ..pull
            })
        })
        .collect()
    }

    /// Corrects a measure of a pour; `becomes` none says that it is not known after all. The
    /// detector's own figure stays beneath.
    ///
    /// # Errors
    /// [`RecordError::Invalid`] for a field that is no measure or a value that is no number.
    pub fn correct_pour(
        &mut self,
        pour: Uuid,
        field: &str,
        becomes: Option<f64>,
        note: Option<&str>,
        now: Micros,
    ) -> Result<()> {
        let Some((name, get, _)) = MEASURES.iter().find(|(name, _, _)| *name == field) else {
            let names: Vec<&str> = MEASURES.iter().map(|(n, _, _)| *n).collect();
            return Err(RecordError::invalid(
                "field",
                format!(
                    "\"{field}\" is no measure of a pour; use {}",
                    names.join(", ")
                ),
            ));
        };
        if becomes.is_some_and(|v| !v.is_finite()) {
            return Err(RecordError::invalid("becomes", "must be a number"));
        }
        let was = get(&self.pour(pour)?.row);
        let tx = self.write()?;
        keep(
            &tx,
            pour,
            name,
            was.map(|v| v.to_string()),
            becomes.map(|v| v.to_string()),
            note,
            now,
        )?;
        tx.commit()?;
        Ok(())
    }

    /// Says where the metal went. Anything but a flask ends a match the pour may have.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub fn set_destination(
        &mut self,
        pour: Uuid,
        destination: Destination,
        now: Micros,
    ) -> Result<()> {
        let held = self.pour(pour)?;
        if held.destination == destination {
            return Ok(());
        }
        let tx = self.write()?;
        tx.execute(
            "UPDATE pours SET destination = ?2 WHERE id = ?1",
            params![pour.to_string(), destination],
        )?;
        if destination != Destination::Flask {
            tx.execute(
                "UPDATE matches SET ended_at = ?2, ended_why = ?3
                 WHERE pour = ?1 AND ended_at IS NULL",
                params![
                    pour.to_string(),
                    now.0,
                    format!("the metal went to {destination}")
                ],
            )?;
        }
        let was = Some(held.destination.to_string());
        let becomes = Some(destination.to_string());
        keep(&tx, pour, "destination", was, becomes, None, now)?;
        tx.commit()?;
        Ok(())
    }

    /// Says which alloy was in the crucible.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub fn set_alloy(&mut self, pour: Uuid, alloy: Option<&str>, now: Micros) -> Result<()> {
        let held = self.pour(pour)?;
        if held.alloy.as_deref() == alloy {
            return Ok(());
        }
        let tx = self.write()?;
        tx.execute(
            "UPDATE pours SET alloy = ?2 WHERE id = ?1",
            params![pour.to_string(), alloy],
        )?;
        let becomes = alloy.map(str::to_owned);
        keep(&tx, pour, "alloy", held.alloy, becomes, None, now)?;
        tx.commit()?;
        Ok(())
    }

    /// What people changed of a pour, oldest first.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn corrections(&self, pour: Uuid) -> Result<Vec<Correction>> {
        let mut statement = self.db.prepare_cached(
            "SELECT field, was, becomes, made_at, note FROM corrections WHERE pour = ?1 ORDER BY id",
        )?;
        let rows = statement.query_map([pour.to_string()], |row| correction(row, 0))?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    fn corrections_where(
        &self,
        scope: &str,
        since: i64,
        until: i64,
        session: Option<&str>,
    ) -> Result<HashMap<String, Vec<Correction>>> {
        let mut statement = self.db.prepare_cached(&format!(
            "SELECT c.pour, c.field, c.was, c.becomes, c.made_at, c.note
             FROM corrections c JOIN pours p ON p.id = c.pour WHERE {scope} ORDER BY c.id"
        ))?;
        let mut rows = statement.query(params![since, until, session])?;
        let mut by_pour: HashMap<String, Vec<Correction>> = HashMap::new();
        while let Some(row) = rows.next()? {
            by_pour
                .entry(row.get(0)?)
                .or_default()
                .push(correction(row, 1)?);
        }
        Ok(by_pour)
    }
}

/// A pour's faults by its figures as they now stand, and by how long its machine's flasks may
/// stand out of the kiln, s. What was weighed in is not among them, so a charge that was found
/// short stays so; as does what a later version knows and this one does not.
pub(crate) fn judged(row: &PourRow, longest_out_s: Option<f64>) -> Vec<String> {
    let short = row.faults.iter().any(|f| f == Fault::ShortCharge.code());
    let mut faults = Fault::of(row, short, longest_out_s.unwrap_or(LONGEST_OUT_S));
    let unknown = row.faults.iter().filter(|f| Fault::from_code(f).is_none());
    faults.extend(unknown.cloned());
    faults
}

fn correction(row: &Row<'_>, first: usize) -> rusqlite::Result<Correction> {
    Ok(Correction {
        field: row.get(first)?,
        was: row.get(first + 1)?,
        becomes: row.get(first + 2)?,
        made_at: Micros(row.get(first + 3)?),
        note: row.get(first + 4)?,
    })
}

fn apply(pour: &mut Pour, correction: &Correction) -> Result<()> {
    if let Some((_, _, slot)) = MEASURES.iter().find(|(n, _, _)| *n == correction.field) {
        let becomes = correction.becomes.as_deref();
        *slot(&mut pour.row) = becomes
            .map(|text| {
                text.parse::<f64>()
                    .map_err(|_| damaged("corrections.becomes", text))
            })
            .transpose()?;
    } else if correction.field == "poured" {
        pour.struck = correction.becomes.as_deref() == Some("no");
    }
    // Where metal left is corrected before the records see it (`hand.rs`), and `destination` and
    // `alloy` are columns of the pour itself; their rows here are the history.
    if correction.field == "poured_at" {
        return Ok(());
    }
    if !pour.corrected.contains(&correction.field) {
        pour.corrected.push(correction.field.clone());
    }
    Ok(())
}

pub(super) fn keep(
    tx: &Transaction<'_>,
    pour: Uuid,
    field: &str,
    was: Option<String>,
    becomes: Option<String>,
    note: Option<&str>,
    now: Micros,
) -> Result<()> {
    tx.execute(
        "INSERT INTO corrections (pour, field, was, becomes, made_at, note)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
        params![pour.to_string(), field, was, becomes, now.0, note],
    )?;
    Ok(())
}
