//! Which pour filled which flask. A match by order is a guess until one tap or the flask's
//! inspection confirms it; a match by hand is a person's word. Nothing is overwritten: a match
//! that ends says when and why, and the next one is a row of its own.

use analysis::time::Micros;
use rusqlite::{OptionalExtension, Row, Transaction, params};
use uuid::Uuid;

use super::book::{Records, read_id};
use super::error::{RecordError, Result};
use super::order::pair_in_order;
use super::words::{ConfirmedBy, MatchedBy};

/// One match, present or past.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Match {
    /// The pour.
    pub pour: Uuid,
    /// The flask card.
    pub flask: Uuid,
    /// When it was made.
    pub made_at: Micros,
    /// How.
    pub made_by: MatchedBy,
    /// When it became evidence, and by what.
    pub confirmed: Option<(Micros, ConfirmedBy)>,
    /// When it ended, and why.
    pub ended: Option<(Micros, String)>,
}

/// What ends an unconfirmed match when the order of things has become another.
const NEW_ORDER: &str = "pours and cards are in another order now";
const UNMATCHED: &str = "unmatched by hand";
/// What ends the match of a pour that was none.
const STRUCK: &str = "the pour was struck out by hand";

impl Records {
    /// Matches a pour to a flask by hand, which is also its confirmation. Matches that either of
    /// them had end.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] for an unknown pour or flask.
    pub fn match_pour(&mut self, pour: Uuid, flask: Uuid, now: Micros) -> Result<()> {
        let tx = self.write()?;
        must_exist(&tx, "pour", "pours", pour)?;
        must_exist(&tx, "flask", "flasks", flask)?;
        let held: Option<i64> = tx
            .query_row(
                "SELECT id FROM matches WHERE pour = ?1 AND flask = ?2 AND ended_at IS NULL",
                params![pour.to_string(), flask.to_string()],
                |row| row.get(0),
            )
            .optional()?;
        if held.is_some() {
            confirm(&tx, "pour", pour, ConfirmedBy::Tap, now)?;
        } else {
            tx.execute(
                "UPDATE matches SET ended_at = ?3, ended_why = 'matched anew by hand'
                 WHERE (pour = ?1 OR flask = ?2) AND ended_at IS NULL",
                params![pour.to_string(), flask.to_string(), now.0],
            )?;
            tx.execute(
                "INSERT INTO matches (pour, flask, made_at, made_by, confirmed_at, confirmed_by)
                 VALUES (?1, ?2, ?3, 'hand', ?3, 'tap')",
                params![pour.to_string(), flask.to_string(), now.0],
            )?;
        }
        tx.commit()?;
        Ok(())
    }

    /// Takes a pour and its flask apart; says whether they were together. Matching by order
    /// leaves that pour alone from then on.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn unmatch_pour(&mut self, pour: Uuid, now: Micros) -> Result<bool> {
        Ok(self.db.execute(
            "UPDATE matches SET ended_at = ?2, ended_why = ?3 WHERE pour = ?1 AND ended_at IS NULL",
            params![pour.to_string(), now.0, UNMATCHED],
        )? > 0)
    }

    /// Confirms the match of a pour with one tap.
    ///
    /// # Errors
    /// [`RecordError::Clash`] when the pour has no match.
    pub fn confirm_match(&mut self, pour: Uuid, now: Micros) -> Result<()> {
        let tx = self.write()?;
        let matched = tx
            .prepare_cached("SELECT 1 FROM matches WHERE pour = ?1 AND ended_at IS NULL")?
            .exists([pour.to_string()])?;
        if !matched {
            return Err(RecordError::Clash(
                "this pour is matched to no flask; choose one first".into(),
            ));
        }
        confirm(&tx, "pour", pour, ConfirmedBy::Tap, now)?;
        tx.commit()?;
        Ok(())
    }

    /// Matches a session's pours, in order of time, to the cards of its day, in casting order,
    /// as far as the times at which flasks left the kiln allow ([`pair_in_order`]).
    ///
    /// Confirmed matches and matches by hand stay; between them the rest is paired anew, so that
    /// calling it again after a re-extraction or a late card puts things right. Left out are
    /// pours that went elsewhere than into a flask, that were struck, or that a person
    /// unmatched; and cards of other machines or sessions. Returns the pairs that are new.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] for an unknown session.
    pub fn match_by_order(&mut self, session: Uuid, now: Micros) -> Result<Vec<(Uuid, Uuid)>> {
        let held = self.session(session)?;
        let struck: Vec<Uuid> = self
            .pours(&super::pours::PourFilter {
                session: Some(session),
                with_struck: true,
                ..Default::default()
            })?
            .into_iter()
            .filter(|p| p.struck)
            .map(|p| p.id)
            .collect();
        let tx = self.write()?;
        let free_pours = timed(
            &tx,
            "SELECT id, poured_at FROM pours p WHERE session = ?1 AND destination = 'flask'
             AND gone_at IS NULL
             AND NOT EXISTS (SELECT 1 FROM matches m WHERE m.pour = p.id AND m.ended_at IS NULL
                             AND (m.confirmed_at IS NOT NULL OR m.made_by = 'hand'))
             AND coalesce((SELECT ended_why FROM matches m WHERE m.pour = p.id
                           ORDER BY m.id DESC LIMIT 1), '') <> ?2
             ORDER BY poured_at, id",
            &[&session.to_string(), UNMATCHED],
        )?;
        let free_cards = timed(
            &tx,
            "SELECT id, kiln_out_at FROM flasks f WHERE source = 'card'
             AND (session = ?1 OR (session IS NULL AND day = ?2
                  AND (machine IS NULL OR machine = ?3)))
             AND NOT EXISTS (SELECT 1 FROM matches m JOIN pours p ON p.id = m.pour
                             WHERE m.flask = f.id AND m.ended_at IS NULL
                             AND (m.confirmed_at IS NOT NULL OR m.made_by = 'hand'
                                  OR p.session <> ?1))
             ORDER BY casting_order IS NULL, casting_order, added_at, rowid",
            &[&session.to_string(), &held.day.to_string(), &held.machine],
        )?;
        let free_pours: Vec<(Uuid, Micros)> = free_pours
            .into_iter()
            .filter(|(id, _)| !struck.contains(id))
            .filter_map(|(id, at)| Some((id, at?)))
            .collect();
        let poured: Vec<Micros> = free_pours.iter().map(|(_, at)| *at).collect();
        let out: Vec<Option<Micros>> = free_cards.iter().map(|(_, at)| *at).collect();
        let wanted: Vec<(Uuid, Uuid)> = pair_in_order(&poured, &out)
            .into_iter()
            .map(|(pour, card)| (free_pours[pour].0, free_cards[card].0))
            .collect();
        let mut statement = tx.prepare_cached(
            "SELECT m.pour, m.flask FROM matches m JOIN pours p ON p.id = m.pour
             WHERE p.session = ?1 AND m.ended_at IS NULL AND m.confirmed_at IS NULL
             AND m.made_by = 'order'",
        )?;
        let rows = statement.query_map([session.to_string()], |row| {
            Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?))
        })?;
        let mut present = Vec::new();
        for row in rows {
            let (pour, flask) = row?;
            present.push((
                read_id("matches.pour", &pour)?,
                read_id("matches.flask", &flask)?,
            ));
        }
        drop(statement);
        for (pour, _) in present.iter().filter(|pair| !wanted.contains(pair)) {
            tx.execute(
                "UPDATE matches SET ended_at = ?2, ended_why = ?3
                 WHERE pour = ?1 AND ended_at IS NULL",
                params![pour.to_string(), now.0, NEW_ORDER],
            )?;
        }
        let new: Vec<(Uuid, Uuid)> = wanted
            .into_iter()
            .filter(|pair| !present.contains(pair))
            .collect();
        for (pour, flask) in &new {
            tx.execute(
                "INSERT INTO matches (pour, flask, made_at, made_by) VALUES (?1, ?2, ?3, 'order')",
                params![pour.to_string(), flask.to_string(), now.0],
            )?;
            // A card that was inspected before its pour was found needs no tap as well; but one
            // whose pour was struck out was inspected as another pour's, and asks a person.
            let inspected = tx
                .prepare_cached(
                    "SELECT 1 FROM inspections i JOIN flask_lines l ON l.id = i.line
                     WHERE l.flask = ?1 AND NOT EXISTS (SELECT 1 FROM matches
                         WHERE flask = ?1 AND confirmed_at IS NOT NULL AND ended_why = ?2)",
                )?
                .exists([flask.to_string(), STRUCK.to_owned()])?;
            if inspected {
                confirm(&tx, "pour", *pour, ConfirmedBy::Inspection, now)?;
            }
        }
        tx.commit()?;
        Ok(new)
    }

    /// Every match a pour has or had, oldest first.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn matches_of_pour(&self, pour: Uuid) -> Result<Vec<Match>> {
        self.match_rows("pour", pour)
    }

    /// Every match a flask has or had, oldest first.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn matches_of_flask(&self, flask: Uuid) -> Result<Vec<Match>> {
        self.match_rows("flask", flask)
    }

    fn match_rows(&self, column: &str, id: Uuid) -> Result<Vec<Match>> {
        let mut statement = self.db.prepare_cached(&format!(
            "SELECT pour, flask, made_at, made_by, confirmed_at, confirmed_by, ended_at, ended_why
             FROM matches WHERE {column} = ?1 ORDER BY id"
        ))?;
        let rows = statement.query_map([id.to_string()], |row: &Row<'_>| {
            Ok((
                row.get::<_, String>(0)?,
                row.get::<_, String>(1)?,
                Match {
                    pour: Uuid::nil(),
                    flask: Uuid::nil(),
                    made_at: Micros(row.get(2)?),
                    made_by: row.get(3)?,
                    confirmed: row
                        .get::<_, Option<i64>>(4)?
                        .zip(row.get(5)?)
                        .map(|(at, by)| (Micros(at), by)),
                    ended: row
                        .get::<_, Option<i64>>(6)?
                        .zip(row.get(7)?)
                        .map(|(at, why)| (Micros(at), why)),
                },
            ))
        })?;
        rows.map(|row| {
            let (pour, flask, held) = row?;
            Ok(Match {
                pour: read_id("matches.pour", &pour)?,
                flask: read_id("matches.flask", &flask)?,
                ..held
            })
        })
        .collect()
    }
}

/// Confirms the present match of a pour or a flask, unless it is confirmed already.
pub(crate) fn confirm(
    tx: &Transaction<'_>,
    column: &str,
    id: Uuid,
    by: ConfirmedBy,
    now: Micros,
) -> Result<()> {
    tx.execute(
        &format!(
            "UPDATE matches SET confirmed_at = ?2, confirmed_by = ?3
             WHERE {column} = ?1 AND ended_at IS NULL AND confirmed_at IS NULL"
        ),
        params![id.to_string(), now.0, by],
    )?;
    Ok(())
}

/// Frees the flask of a pour that was struck out.
pub(super) fn end_struck(tx: &Transaction<'_>, pour: Uuid, now: Micros) -> Result<()> {
    tx.execute(
        "UPDATE matches SET ended_at = ?2, ended_why = ?3 WHERE pour = ?1 AND ended_at IS NULL",
        params![pour.to_string(), now.0, STRUCK],
    )?;
    Ok(())
}

/// Gives a pour that counts again the confirmed flask that it had when it was struck out, unless
/// either has found another since. A match that was only a guess is left to the order.
pub(super) fn restore_struck(tx: &Transaction<'_>, pour: Uuid, now: Micros) -> Result<()> {
    let had: Option<(i64, String)> = tx
        .query_row(
            "SELECT m.id, m.flask FROM matches m
             WHERE m.id = (SELECT max(id) FROM matches WHERE pour = ?1)
               AND m.ended_why = ?2 AND m.confirmed_at IS NOT NULL
               AND NOT EXISTS (SELECT 1 FROM matches o
                               WHERE o.flask = m.flask AND o.ended_at IS NULL
                               AND (o.confirmed_at IS NOT NULL OR o.made_by = 'hand'))",
            params![pour.to_string(), STRUCK],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )
        .optional()?;
    let Some((had, flask)) = had else {
        return Ok(());
    };
    // A guess made meanwhile yields to it.
    tx.execute(
        "UPDATE matches SET ended_at = ?2, ended_why = ?3 WHERE flask = ?1 AND ended_at IS NULL",
        params![flask, now.0, NEW_ORDER],
    )?;
    tx.execute(
        "INSERT INTO matches (pour, flask, made_at, made_by, confirmed_at, confirmed_by)
         SELECT pour, flask, ?2, made_by, ?2, confirmed_by FROM matches WHERE id = ?1",
        params![had, now.0],
    )?;
    Ok(())
}

fn must_exist(tx: &Transaction<'_>, what: &'static str, table: &str, id: Uuid) -> Result<()> {
    let there = tx
        .prepare_cached(&format!("SELECT 1 FROM {table} WHERE id = ?1"))?
        .exists([id.to_string()])?;
    if there {
        Ok(())
    } else {
        Err(RecordError::not_found(what, id.to_string()))
    }
}

/// Identities with a time each, in the order of the query.
fn timed(tx: &Transaction<'_>, sql: &str, args: &[&str]) -> Result<Vec<(Uuid, Option<Micros>)>> {
    let mut statement = tx.prepare_cached(sql)?;
    let rows = statement.query_map(rusqlite::params_from_iter(args), |row| {
        Ok((row.get::<_, String>(0)?, row.get::<_, Option<i64>>(1)?))
    })?;
    rows.map(|row| {
        let (id, at) = row?;
        Ok((read_id("id", &id)?, at.map(Micros)))
    })
    .collect()
}
