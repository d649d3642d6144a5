//! Pulls and pours as the detector finds them, put into the records again and again: a trace
//! that grew, or a better extractor, replaces the rows of its session, while each pour keeps its
//! identity, so that matches, corrections and destinations stay where they were put.

use analysis::pour::rows::{FoundBy, PourRow, PullRow};
use analysis::time::Micros;
use rusqlite::types::Value;
use rusqlite::{Transaction, params, params_from_iter};
use uuid::Uuid;

use super::book::Records;
use super::error::Result;
use super::pours::{MEASURES, found_by_word, from_word, judged, verdict_word};
use super::upkeep;

/// Two pours of one session nearer than this are the same pour found again, s. A crucible is
/// not emptied, charged and melted twice in a quarter of a minute.
pub const SAME_POUR_WITHIN_S: f64 = 15.0;

/// A row by hand this near to a word by hand is what it put there, s; rows kept as JSON have
/// times in milliseconds.
const SAME_WORD_S: f64 = 0.01;

/// Which of the pours in the records each found pour is: pairs nearest in time first, each used
/// once, none further apart than [`SAME_POUR_WITHIN_S`]. The answer has one entry per found
/// pour, the index of the recorded one or none.
pub fn reconcile(recorded: &[Micros], found: &[Micros]) -> Vec<Option<usize>> {
    let mut pairs: Vec<(i64, usize, usize)> = Vec::new();
    for (f, found_at) in found.iter().enumerate() {
        for (r, recorded_at) in recorded.iter().enumerate() {
            let apart = found_at.0.saturating_sub(recorded_at.0).saturating_abs();
            if apart as f64 <= SAME_POUR_WITHIN_S * 1e6 {
                pairs.push((apart, f, r));
            }
        }
    }
    pairs.sort_unstable();
    let mut answer = vec![None; found.len()];
    let mut used = vec![false; recorded.len()];
    for (_, f, r) in pairs {
        if answer[f].is_none() && !used[r] {
            answer[f] = Some(r);
            used[r] = true;
        }
    }
    answer
}

struct Held {
    id: String,
    at: Micros,
    /// Where a person said that its metal left.
    by_hand: Option<Micros>,
}

/// Which of the held pours each row is: those by hand by the word that put them there, the rest
/// by their times.
fn same_pours(held: &[Held], rows: &[PourRow]) -> Vec<Option<usize>> {
    let said = |row: &PourRow| {
        held.iter().position(|h| {
            row.found_by == FoundBy::Hand
                && h.by_hand
                    .is_some_and(|at| at.seconds_since(row.at).abs() <= SAME_WORD_S)
        })
    };
    let mut same: Vec<Option<usize>> = rows.iter().map(said).collect();
    let left = |taken: &[Option<usize>], n: usize| !taken.contains(&Some(n));
    let recorded: Vec<usize> = (0..held.len()).filter(|r| left(&same, *r)).collect();
    let found: Vec<usize> = (0..rows.len()).filter(|f| same[*f].is_none()).collect();
    let recorded_at: Vec<Micros> = recorded.iter().map(|r| held[*r].at).collect();
    let found_at: Vec<Micros> = found.iter().map(|f| rows[*f].at).collect();
    for (f, r) in found.iter().zip(reconcile(&recorded_at, &found_at)) {
        same[*f] = r.map(|r| recorded[r]);
    }
    same
}

impl Records {
    /// Replaces a session's pulls and pours with those of an extraction and says which identity
    /// each pour has, in the order given. A recorded pour that was not found again goes; if
    /// something binds to it (a match, a correction) it stays, marked gone, and comes back when
    /// found again. A pour by hand keeps the identity that its word belongs to
    /// ([`super::hand`]), and stays whatever the trace says.
    ///
    /// # Errors
    /// When SQLite fails; then nothing has changed.
    pub fn replace_extraction(
        &mut self,
        session: Uuid,
        pulls: &[PullRow],
        pours: &[PourRow],
        extractor: &str,
        now: Micros,
    ) -> Result<Vec<Uuid>> {
        self.session(session)?;
        let longest_out_s = self.transfers_most()?;
        let tx = self.write()?;
        replace_pulls(&tx, session, pulls)?;
        let held = held_pours(&tx, session)?;
        let same = same_pours(&held, pours);

        let mut ids = Vec::with_capacity(pours.len());
        for (row, same) in pours.iter().zip(&same) {
            let held = same.map(|r| &held[r]);
            let id = held.map_or_else(|| Uuid::new_v4().to_string(), |h| h.id.clone());
            write_pour(
                &tx,
                session,
                &id,
                row,
                held.is_some_and(|h| h.by_hand.is_some()),
                longest_out_s.get(&row.machine).copied(),
            )?;
            ids.push(super::book::read_id("pours.id", &id)?);
        }
        for (r, held) in held.iter().enumerate() {
            if held.by_hand.is_none() && !same.contains(&Some(r)) {
                remove_or_mark_gone(&tx, &held.id, now)?;
            }
        }
        renumber(&tx, session)?;
        tx.execute(
            "UPDATE sessions SET extractor = ?2, extracted_at = ?3 WHERE id = ?1",
            params![session.to_string(), extractor, now.0],
        )?;
        tx.commit()?;
        Ok(ids)
    }
}

fn replace_pulls(tx: &Transaction<'_>, session: Uuid, pulls: &[PullRow]) -> Result<()> {
    tx.execute(
        "DELETE FROM pulls WHERE session = ?1",
        [session.to_string()],
    )?;
    let mut statement = tx.prepare_cached(
        "INSERT INTO pulls (session, number, opened_at, closed_at, depth_kpa, share, settled_kpa,
                            settled_se_kpa, rest_kpa, time_to_90_s, tau_s, tau_se_s, end_kpa,
                            end_se_kpa, loss_kpa_min, loss_se_kpa_min, verdict, poured)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18)",
    )?;
    for (pull, number) in pulls.iter().zip(1_i64..) {
        statement.execute(params![
            session.to_string(),
            number,
            pull.opened_at.0,
            pull.closed_at.map(|t| t.0),
            pull.depth_kpa,
            pull.share,
            pull.settled_kpa,
            pull.settled_se_kpa,
            pull.rest_kpa,
            pull.time_to_90_s,
            pull.tau_s,
            pull.tau_se_s,
            pull.end_kpa,
            pull.end_se_kpa,
            pull.loss_kpa_min,
            pull.loss_se_kpa_min,
            verdict_word(pull.verdict),
            pull.poured,
        ])?;
    }
    Ok(())
}

fn held_pours(tx: &Transaction<'_>, session: Uuid) -> Result<Vec<Held>> {
    // Those that are there before those that are gone: of two equally near, the living one.
    let mut statement = tx.prepare_cached(
        "SELECT p.id, p.poured_at, h.poured_at
         FROM pours p LEFT JOIN hand_pours h ON h.pour = p.id WHERE p.session = ?1
         ORDER BY p.gone_at IS NOT NULL, p.poured_at, p.id",
    )?;
    let rows = statement.query_map([session.to_string()], |row| {
        Ok(Held {
            id: row.get(0)?,
            at: Micros(row.get(1)?),
            by_hand: row.get::<_, Option<i64>>(2)?.map(Micros),
        })
    })?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

fn write_pour(
    tx: &Transaction<'_>,
    session: Uuid,
    id: &str,
    row: &PourRow,
    by_hand: bool,
    longest_out_s: Option<f64>,
) -> Result<()> {
    let found_by = if by_hand {
        "hand"
    } else {
        found_by_word(row.found_by)
    };
    let mut columns = vec![
        ("id", Value::from(id.to_owned())),
        ("session", Value::from(session.to_string())),
        ("number", Value::from(1_i64)),
        ("poured_at", Value::from(row.at.0)),
        ("confidence", Value::from(row.confidence.clamp(0.0, 1.0))),
        ("found_by", Value::from(found_by.to_owned())),
        (
            "flask_temperature_from",
            row.flask_temperature_from
                .map_or(Value::Null, |f| Value::from(from_word(f).to_owned())),
        ),
        (
            "seal_age_pours",
            row.seal_age_pours
                .map_or(Value::Null, |n| Value::from(i64::from(n))),
        ),
        ("quality", Value::from(row.quality.join(" "))),
        ("faults", Value::from(judged(row, longest_out_s).join(" "))),
        ("gone_at", Value::Null),
    ];
    for (name, get, _) in MEASURES {
        let value = get(row).filter(|v| v.is_finite());
        columns.push((name, value.map_or(Value::Null, Value::from)));
    }
    columns.extend(
        upkeep::COLUMNS
            .iter()
            .copied()
            .zip(upkeep::values(&row.parts)),
    );
    let names: Vec<&str> = columns.iter().map(|(n, _)| *n).collect();
    let marks: Vec<String> = (1..=names.len()).map(|i| format!("?{i}")).collect();
    let updates: Vec<String> = names[2..]
        .iter()
        .map(|n| format!("{n} = excluded.{n}"))
        .collect();
    tx.prepare_cached(&format!(
        "INSERT INTO pours ({}) VALUES ({}) ON CONFLICT (id) DO UPDATE SET {}",
        names.join(", "),
        marks.join(", "),
        updates.join(", ")
    ))?
    .execute(params_from_iter(columns.into_iter().map(|(_, v)| v)))?;
    Ok(())
}

fn remove_or_mark_gone(tx: &Transaction<'_>, id: &str, now: Micros) -> Result<()> {
    let removed = tx.execute(
        "DELETE FROM pours WHERE id = ?1
         AND NOT EXISTS (SELECT 1 FROM matches WHERE pour = ?1)
         AND NOT EXISTS (SELECT 1 FROM corrections WHERE pour = ?1)",
        [id],
    )?;
    if removed == 0 {
        tx.execute(
            "UPDATE pours SET number = 0, gone_at = coalesce(gone_at, ?2) WHERE id = ?1",
            params![id, now.0],
        )?;
        tx.execute(
            "UPDATE matches SET ended_at = ?2, ended_why = 'the pour was no longer found'
             WHERE pour = ?1 AND ended_at IS NULL AND confirmed_at IS NULL",
            params![id, now.0],
        )?;
    }
    Ok(())
}

/// Numbers a session's pours from 1 in order of time; those that are gone have no number.
pub(crate) fn renumber(tx: &Transaction<'_>, session: Uuid) -> Result<()> {
    tx.execute(
        "UPDATE pours SET number = ranked.number FROM (
           SELECT id, row_number() OVER (ORDER BY poured_at, id) AS number
           FROM pours WHERE session = ?1 AND gone_at IS NULL) AS ranked
         WHERE pours.id = ranked.id",
        [session.to_string()],
    )?;
    Ok(())
}
