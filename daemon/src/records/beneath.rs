//! What lies beneath a report: every row of the records that a week's report is made from, as
//! digests by kind, and what became of those rows since the report was first made, in numbers.
//! Only what is kept counts, never how a version of pourbook reads it, so that a new version by
//! itself changes no digest. Troubles are left out: they are counted as a week goes on and no
//! evidence rests on them.

use std::collections::BTreeMap;

use analysis::time::Micros;
use rusqlite::types::ValueRef;
use sha2::{Digest, Sha256};

use super::book::Records;
use super::error::Result;
use super::sessions::read_day;
use crate::checksum::hex;

/// Kinds of rows, each with a query of its own. The first two columns say when the work was cast
/// or done: an instant, else a day. What follows is hashed, in this order. A query that is
/// changed makes another digest of the same rows; [`DEFINITION`] must then be raised.
const KINDS: [(Kind, &str); 9] = [
    (
        Kind::Cards,
        "SELECT coalesce(p.poured_at, g.cast_at), f.day, f.id, l.number, f.label, f.session,
                f.machine, f.alloy, f.metal_g, f.remelt_percent, f.diameter_mm, f.height_mm,
                f.kiln, f.kiln_in_at, f.kiln_out_at, f.kiln_set_c, f.soak_min, f.trial_arm,
                f.note, l.pattern, l.sprue_version, l.section, l.pieces, l.made_of, g.day_only,
                g.pour_temperature_c, g.flask_temperature_c, g.vacuum_kpa, g.vacuum_share,
                g.gas_flow_l_min, g.soak_min, g.seal_age_pours
         FROM flasks f
         LEFT JOIN flask_lines l ON l.flask = f.id
         LEFT JOIN imported_settings g ON g.flask = f.id
         LEFT JOIN matches m ON m.flask = f.id AND m.ended_at IS NULL
         LEFT JOIN pours p ON p.id = m.pour
         LEFT JOIN sessions s ON s.id = p.session
         WHERE s.state IS NOT 'open' AND (g.flask IS NOT NULL OR m.pour IS NOT NULL OR EXISTS
           (SELECT 1 FROM inspections i JOIN flask_lines w ON w.id = i.line
            WHERE w.flask = f.id))
         ORDER BY f.id, l.number",
    ),
    (
        Kind::Inspections,
        "SELECT coalesce(p.poured_at, g.cast_at), f.day, i.id, c.kind, i.line, i.stage,
                i.inspected_at, i.pieces, i.defective, i.defective_steering, i.good, i.rework,
                i.scrap, i.blind, i.note, c.pieces
         FROM inspections i
         JOIN flask_lines l ON l.id = i.line
         JOIN flasks f ON f.id = l.flask
         LEFT JOIN inspection_counts c ON c.inspection = i.id
         LEFT JOIN imported_settings g ON g.flask = f.id
         LEFT JOIN matches m ON m.flask = f.id AND m.ended_at IS NULL
         LEFT JOIN pours p ON p.id = m.pour
         ORDER BY i.id, c.kind",
    ),
    (
        Kind::Pours,
        "SELECT p.poured_at, NULL, p.id, p.session, p.number, p.found_by, p.destination, p.alloy,
                p.target_c, p.pour_temperature_c, p.superheat_k, p.heating_rate_k_s,
                p.time_molten_s, p.since_charge_s, p.vacuum_kpa, p.vacuum_share, p.vacuum_lead_s,
                p.vacuum_after_kpa, p.gas_flow_l_min, p.gas_flow_least_l_min,
                p.kiln_temperature_c, p.soak_min, p.transfer_s, p.flask_temperature_c,
                p.flask_temperature_from, p.seal_age_pours, p.quality, p.faults, p.gasket_pulls,
                p.session_gas_l, p.session_bare_hot_s, p.cylinder_left_l, p.crucible_age_pours,
                p.stopper_rod_age_pours, p.probe_series, p.probe_offset_k, p.gone_at IS NULL,
                m.flask, m.confirmed_at IS NULL, x.becomes
         FROM pours p
         JOIN sessions s ON s.id = p.session
         LEFT JOIN matches m ON m.pour = p.id AND m.ended_at IS NULL
         LEFT JOIN corrections x ON x.pour = p.id
         WHERE s.state <> 'open'
         ORDER BY p.id, x.id",
    ),
    (
        Kind::Pulls,
        "SELECT u.opened_at, NULL, u.session, u.number, u.opened_at, u.closed_at, u.depth_kpa,
                u.share, u.time_to_90_s, u.tau_s, u.end_kpa, u.loss_kpa_min, u.verdict, u.poured
         FROM pulls u JOIN sessions s ON s.id = u.session
         WHERE s.state <> 'open'
         ORDER BY u.session, u.number",
    ),
    (
        Kind::Parts,
        "SELECT changed_at, NULL, id, part, machine, kiln, channel, changed_at, gas, volume_l,
                pressure_kpa, note
         FROM part_changes ORDER BY id",
    ),
    (
        Kind::ProbeChecks,
        "SELECT checked_at, NULL, id, machine, kiln, channel, offset_k, offset_sd_k, whole_series
         FROM probe_checks WHERE taken_back_at IS NULL ORDER BY id",
    ),
    (
        Kind::Trials,
        "SELECT coalesce(complete_at, stopped_at), NULL, id, complete_at, stopped_at, stopped_for
         FROM trials WHERE complete_at IS NOT NULL OR stopped_at IS NOT NULL ORDER BY id",
    ),
    (
        Kind::Weights,
        "SELECT coalesce(p.poured_at, g.cast_at), f.day, b.id, b.flask, b.what, b.grams
         FROM weights_back b
         JOIN flasks f ON f.id = b.flask
         LEFT JOIN imported_settings g ON g.flask = f.id
         LEFT JOIN matches m ON m.flask = f.id AND m.ended_at IS NULL
         LEFT JOIN pours p ON p.id = m.pour
         ORDER BY b.id",
    ),
    (
        // Not when it ended: that is of a later week.
        Kind::Targets,
        "SELECT from_at, NULL, id, alloy, section, pour_temperature_c, flask_temperature_c,
                soak_min, vacuum_lead_s
         FROM targets ORDER BY id",
    ),
];

/// Raised whenever a query above, or the way of hashing, makes another digest of the same rows.
/// Reports whose digest is of another definition are left as they are.
pub const DEFINITION: u32 = 1;

/// A kind of rows beneath a report.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Flask cards, and the settings of imported flasks.
    Cards,
    /// What came of the pieces.
    Inspections,
    /// Pours of closed sessions, corrected, and the flasks they filled.
    Pours,
    /// Pulls of closed sessions.
    Pulls,
    /// Part changes.
    Parts,
    /// Probe checks that are accepted.
    ProbeChecks,
    /// Trials that ended.
    Trials,
    /// Weights that came back.
    Weights,
    /// What the shop meant to do.
    Targets,
}

/// The digest of each kind of rows that lie beneath a report.
pub type Digests = BTreeMap<Kind, String>;

/// All rows that any report can rest on, in order of time, each as its hash.
#[derive(Debug)]
pub struct Beneath {
    rows: BTreeMap<Kind, Vec<(Micros, [u8; 32])>>,
    /// When flasks were cast and sessions opened, in order.
    worked: Vec<Micros>,
}

impl Beneath {
    /// What lies beneath the reports of weeks that end at these instants, which must ascend.
    pub fn at(&self, ends: &[Micros]) -> Vec<Digests> {
        let mut found = vec![Digests::new(); ends.len()];
        for (kind, rows) in &self.rows {
            let mut sum = Sha256::new();
            let mut rows = rows.iter().peekable();
            for (digests, end) in found.iter_mut().zip(ends) {
                while let Some((_, hash)) = rows.next_if(|(at, _)| at < end) {
                    sum.update(hash);
                }
                // Half of it tells two apart as surely as anything here needs.
                let digest = sum.clone().finalize();
                digests.insert(*kind, hex(&digest[..16]));
            }
        }
        found
    }

    /// Whether anything was cast, or a session opened, from `from` on and before `until`.
    pub fn anything(&self, from: Micros, until: Micros) -> bool {
        let first = self.worked.partition_point(|at| *at < from);
        self.worked.get(first).is_some_and(|at| *at < until)
    }

    /// When the first flask was cast or the first session opened.
    pub fn first(&self) -> Option<Micros> {
        self.worked.first().copied()
    }
}

/// What came in since an instant that lies beneath a report, in numbers.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct CameIn {
    /// Flasks with a new inspection.
    pub flasks_inspected: u32,
    /// Flasks that were imported.
    pub flasks_imported: u32,
    /// Cards of flasks that were added by hand.
    pub cards: u32,
    /// Pours of which something was corrected.
    pub pours_corrected: u32,
    /// Pours that were given another flask, or none, by hand.
    pub pours_rematched: u32,
    /// Sessions whose trace was read.
    pub sessions_read: u32,
    /// Part changes.
    pub part_changes: u32,
    /// Probe checks accepted.
    pub probe_checks: u32,
    /// Probe checks taken back.
    pub probe_checks_back: u32,
}

impl Records {
    /// Whether another connection wrote to the records since this was last asked: the number is
    /// then another. Costs no reading.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn data_version(&self) -> Result<i64> {
        Ok(self
            .db
            .query_row("PRAGMA data_version", [], |row| row.get(0))?)
    }

    /// Everything that reports rest on.
    ///
    /// # Errors
    /// When SQLite fails or a day is damaged.
    pub fn beneath(&self) -> Result<Beneath> {
        // One moment for all kinds: a writer may come in between.
        let moment = self.db.unchecked_transaction()?;
        let mut all = BTreeMap::new();
        let mut worked = Vec::new();
        for (kind, query) in KINDS {
            let rows = self.hashed(query)?;
            if kind == Kind::Cards {
                worked.extend(rows.iter().map(|(at, _)| *at));
            }
            all.insert(kind, rows);
        }
        let mut statement = self
            .db
            .prepare_cached("SELECT opened_at FROM sessions WHERE state <> 'open'")?;
        for opened in statement.query_map([], |row| row.get(0))? {
            worked.push(Micros(opened?));
        }
        worked.sort_unstable();
        drop(statement);
        moment.finish()?;
        Ok(Beneath { rows: all, worked })
    }

    fn hashed(&self, query: &str) -> Result<Vec<(Micros, [u8; 32])>> {
        let mut statement = self.db.prepare_cached(query)?;
        let columns = statement.column_count();
        let mut rows = statement.query([])?;
        let mut found = Vec::new();
        while let Some(row) = rows.next()? {
            let at = match row.get::<_, Option<i64>>(0)? {
                Some(at) => Micros(at),
                None => match row.get::<_, Option<String>>(1)? {
                    Some(day) => self.noon_of(read_day("flasks.day", &day)?),
                    None => Micros(i64::MIN),
                },
            };
            let mut sum = Sha256::new();
            for column in 2..columns {
                add(&mut sum, row.get_ref(column)?);
            }
            found.push((at, sum.finalize().into()));
        }
        // Stable: rows of one instant stay in the query's order.
        found.sort_by_key(|(at, _)| *at);
        Ok(found)
    }

    /// What came in after `since` of that which lies beneath a report of a week that ends at
    /// `until`.
    ///
    /// # Errors
    /// When SQLite fails.
    pub fn came_in(&self, since: Micros, until: Micros) -> Result<CameIn> {
        const CAST: &str = "LEFT JOIN imported_settings g ON g.flask = f.id
             LEFT JOIN matches m ON m.flask = f.id AND m.ended_at IS NULL
             LEFT JOIN pours p ON p.id = m.pour";
        // A flask with only a day was cast at noon of it; half a day more or less decides
        // nothing here, since the digests say what changed.
        const BEFORE: &str =
            "coalesce(p.poured_at, g.cast_at, 1000000 * unixepoch(f.day, '+12 hours')) < ?2";
        let count = |sql: &str| -> Result<u32> {
            Ok(self
                .db
                .query_row(sql, [since.0, until.0], |row| row.get(0))?)
        };
        let pours = "JOIN pours p ON p.id = x.pour WHERE p.poured_at < ?2";
        Ok(CameIn {
            flasks_inspected: count(&format!(
                "SELECT count(DISTINCT f.id) FROM inspections i
                 JOIN flask_lines l ON l.id = i.line JOIN flasks f ON f.id = l.flask {CAST}
                 LEFT JOIN imports o ON o.id = g.import
                 WHERE i.added_at > ?1 AND {BEFORE}
                   AND (o.imported_at IS NULL OR o.imported_at <= ?1)"
            ))?,
            flasks_imported: count(&format!(
                "SELECT count(*) FROM flasks f {CAST} JOIN imports o ON o.id = g.import
                 WHERE o.imported_at > ?1 AND {BEFORE}"
            ))?,
            cards: count(&format!(
                "SELECT count(*) FROM flasks f {CAST}
                 WHERE f.added_at > ?1 AND f.source = 'card' AND {BEFORE}"
            ))?,
            pours_corrected: count(&format!(
                "SELECT count(DISTINCT x.pour) FROM corrections x {pours} AND x.made_at > ?1"
            ))?,
            pours_rematched: count(&format!(
                "SELECT count(DISTINCT x.pour) FROM matches x {pours}
                 AND ((x.made_at > ?1 AND x.made_by = 'hand') OR x.ended_at > ?1)"
            ))?,
            sessions_read: count(
                "SELECT count(*) FROM sessions
                 WHERE state <> 'open' AND extracted_at > ?1 AND opened_at < ?2",
            )?,
            part_changes: count(
                "SELECT count(*) FROM part_changes WHERE added_at > ?1 AND changed_at < ?2",
            )?,
            probe_checks: count(
                "SELECT count(*) FROM probe_checks
                 WHERE added_at > ?1 AND taken_back_at IS NULL AND checked_at < ?2",
            )?,
            probe_checks_back: count(
                "SELECT count(*) FROM probe_checks WHERE taken_back_at > ?1 AND checked_at < ?2",
            )?,
        })
    }
}

/// Adds a value so that no two rows of values are one row of bytes.
fn add(sum: &mut Sha256, value: ValueRef<'_>) {
    match value {
        ValueRef::Null => sum.update([0]),
        ValueRef::Integer(n) => {
            sum.update([1]);
            sum.update(n.to_le_bytes());
        }
        ValueRef::Real(x) => {
            sum.update([2]);
            sum.update(x.to_le_bytes());
        }
        ValueRef::Text(bytes) | ValueRef::Blob(bytes) => {
            sum.update([3]);
            sum.update((bytes.len() as u64).to_le_bytes());
            sum.update(bytes);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::checksum::sha256;

    #[test]
    fn whoever_changes_a_query_raises_the_definition() {
        let queries = KINDS.map(|(_, query)| query).join("\n");
        assert_eq!(
            (DEFINITION, &sha256(queries.as_bytes())[..16]),
            (1, "a22e5c073bdc2f67"),
            "then put the new pair here"
        );
    }
}
