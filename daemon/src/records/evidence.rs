//! The flasks as the statistics take them: card, matched pour, imported settings and the latest
//! inspection joined, one row per flask that was poured or counted. A flask that may not steer
//! the pour temperature says why; none is left out silently.

use std::collections::{BTreeMap, HashMap};

use analysis::flask::{Aside, Flask};
use analysis::pour::rows::{PullRow, Verdict};
use analysis::time::Micros;
use analysis::upkeep::Fault;
use rusqlite::params;

use super::book::Records;
use super::card::section_of;
use super::error::Result;
use super::pours::{Pour, PourFilter};
use super::sessions::range;
use super::words::{Destination, Part, Stage};

/// One inspection of one line, as far as the statistics need it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LineInspection {
    /// The stage.
    pub stage: Stage,
    /// When.
    pub at: Micros,
    /// Pieces looked at.
    pub pieces: u32,
    /// Pieces with any defect.
    pub defective: Option<u32>,
    /// Pieces with a kind that may steer.
    pub defective_steering: Option<u32>,
    /// Pieces by kind.
    pub kinds: BTreeMap<String, u32>,
    /// Whether whoever counted did not know the temperature.
    pub blind: Option<bool>,
}

/// What counts of a line, or of a whole flask.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Counted {
    /// Pieces looked at.
    pub pieces: u32,
    /// Pieces with any defect.
    pub defective: Option<u32>,
    /// Pieces with a kind that may steer.
    pub defective_steering: Option<u32>,
    /// Pieces by kind, of the kinds that were looked for.
    pub kinds: BTreeMap<String, u32>,
    /// Whether whoever counted the defective ones did not know the temperature.
    pub blind: Option<bool>,
}

/// What counts of a line after several inspections: for each figure, the latest stage that has
/// it, and within a stage the latest look. The pieces looked at are those of the inspection that
/// counted the defective ones; a kind counted when more pieces were looked at cannot exceed them.
/// None without any inspection.
pub fn latest(inspections: &[LineInspection]) -> Option<Counted> {
    let mut ordered: Vec<&LineInspection> = inspections.iter().collect();
    ordered.sort_by_key(|i| (i.stage, i.at));
    let last = ordered.last()?;
    let counter = ordered.iter().rev().find(|i| i.defective.is_some());
    let mut counted = Counted {
        pieces: counter.unwrap_or(last).pieces,
        defective: counter.and_then(|i| i.defective),
        blind: counter.unwrap_or(last).blind,
        ..Counted::default()
    };
    counted.defective_steering = ordered
        .iter()
        .rev()
        .find_map(|i| i.defective_steering)
        .map(|n| n.min(counted.defective.unwrap_or(counted.pieces)));
    if counted.defective == Some(0) {
        counted.defective_steering = Some(0);
    }
    for inspection in ordered {
        for (kind, n) in &inspection.kinds {
            counted.kinds.insert(kind.clone(), (*n).min(counted.pieces));
        }
    }
    Some(counted)
}

/// The lines of a flask together. A figure that one of the inspected lines lacks is unknown for
/// the flask, since a blank is not zero; lines nobody inspected are not among the pieces.
pub fn together(lines: &[Counted]) -> Option<Counted> {
    let (first, rest) = lines.split_first()?;
    let mut sum = first.clone();
    for line in rest {
        sum.pieces += line.pieces;
        sum.defective = sum.defective.zip(line.defective).map(|(a, b)| a + b);
        sum.defective_steering = sum
            .defective_steering
            .zip(line.defective_steering)
            .map(|(a, b)| a + b);
        // One pair of eyes that knew is enough to know.
        sum.blind = match (sum.blind, line.blind) {
            (Some(false), _) | (_, Some(false)) => Some(false),
            (Some(true), Some(true)) => Some(true),
            _ => None,
        };
        sum.kinds = std::mem::take(&mut sum.kinds)
            .into_iter()
            .filter_map(|(kind, n)| line.kinds.get(&kind).map(|m| (kind, n + m)))
            .collect();
    }
    Some(sum)
}

/// Why a flask may not steer the pour temperature, from what is known of its pour. The first
/// reason that applies.
fn set_aside(pour: &Pour, pull: Option<&PullRow>) -> Option<Aside> {
    if pour.struck {
        return Some(Aside::new("struck-out", "the pour was struck out"));
    }
    if pour.gone_at.is_some() {
        return Some(Aside::new(
            "no-longer-found",
            "the pour is no longer found in the trace",
        ));
    }
    if pour.destination != Destination::Flask {
        return Some(Aside::new(
            "went-elsewhere",
            format!("the metal went to {}", pour.destination),
        ));
    }
    if !pour.confirmed {
        return Some(Aside::new("unconfirmed", "the pour is not confirmed"));
    }
    // A pour entered by hand has no words about its pull.
    match pull.map(|p| p.verdict) {
        Some(Verdict::Weak) => return Some(Fault::WeakPull.into()),
        Some(Verdict::Missing) => return Some(Fault::MissingPull.into()),
        Some(Verdict::Good | Verdict::Unknown) | None => {}
    }
    let gravest = pour.row.faults.first()?;
    Some(Fault::from_code(gravest).map_or_else(
        // Written by a later version, which knows more faults.
        || Aside::new(gravest.clone(), gravest.replace('-', " ")),
        Aside::from,
    ))
}

struct Card {
    id: String,
    flask: Flask,
    pour: Option<String>,
    soak_min: Option<f64>,
}

impl Records {
    /// The flasks that were poured, imported or counted, cast from `since` on and before `until`,
    /// in order of time. Flasks that nobody inspected are among them, without pieces.
    ///
    /// # Errors
    /// When SQLite fails or the records are damaged.
    pub fn flasks_table(&self, since: Option<Micros>, until: Option<Micros>) -> Result<Vec<Flask>> {
        let cards = self.cards(range(since, until))?;
        let pours = self.pours_by_id(&cards)?;
        let mut lines = self.lines_by_flask()?;
        let pulls = self.pulls(None, None, None)?;
        let mut by_session: HashMap<&str, Vec<&PullRow>> = HashMap::new();
        for pull in &pulls {
            by_session.entry(&pull.session).or_default().push(pull);
        }
        let mut flasks = Vec::with_capacity(cards.len());
        for card in cards {
            let mut flask = card.flask;
            if let Some(pour) = card.pour.as_ref().and_then(|id| pours.get(id)) {
                let pull = by_session.get(pour.row.session.as_str()).and_then(|pulls| {
                    pulls.iter().copied().rev().find(|p| {
                        p.opened_at <= pour.row.at && p.closed_at.is_none_or(|c| pour.row.at <= c)
                    })
                });
                self.take_pour(&mut flask, pour, pull)?;
            }
            flask.soak_min = flask.soak_min.or(card.soak_min);
            let (sections, patterns, inspected) = lines.remove(&card.id).unwrap_or_default();
            flask.section = section_of(sections.iter().map(|s| s.as_deref())).map(str::to_owned);
            let mut names: Vec<String> = patterns.into_iter().flatten().collect();
            // One name for one mixture, whatever the order of its lines.
            names.sort_unstable();
            names.dedup();
            flask.pattern = (!names.is_empty()).then(|| names.join(" + "));
            let counted: Vec<Counted> = inspected.iter().filter_map(|i| latest(i)).collect();
            if let Some(counted) = together(&counted) {
                flask.inspected_at = inspected.iter().flatten().map(|i| i.at).min();
                flask.pieces = Some(counted.pieces);
                flask.defective = counted.defective;
                flask.defective_steering = counted.defective_steering;
                flask.kinds = counted.kinds;
                flask.counted_blind = counted.blind;
            }
            flasks.push(flask);
        }
        flasks.sort_by(|a, b| a.cast_at.cmp(&b.cast_at).then_with(|| a.id.cmp(&b.id)));
        Ok(flasks)
    }

    /// Cards with imported settings, a match or an inspection, by the time they were cast.
    fn cards(&self, [since, until]: [i64; 2]) -> Result<Vec<Card>> {
        let mut statement = self.db.prepare_cached(
            "SELECT f.id, f.label, f.day, f.alloy, f.metal_g, f.remelt_percent, f.soak_min,
                    coalesce(s.name, own.name), coalesce(s.machine, own.machine, f.machine),
                    m.pour, coalesce(p.poured_at, g.cast_at),
                    g.pour_temperature_c, g.flask_temperature_c, g.vacuum_kpa, g.vacuum_share,
                    g.gas_flow_l_min, g.soak_min, g.seal_age_pours, g.flask IS NOT NULL
             FROM flasks f
             LEFT JOIN imported_settings g ON g.flask = f.id
             LEFT JOIN matches m ON m.flask = f.id AND m.ended_at IS NULL
             LEFT JOIN pours p ON p.id = m.pour
             LEFT JOIN sessions s ON s.id = p.session
             LEFT JOIN sessions own ON own.id = f.session
             WHERE g.flask IS NOT NULL OR m.pour IS NOT NULL OR EXISTS
               (SELECT 1 FROM inspections i JOIN flask_lines l ON l.id = i.line
                WHERE l.flask = f.id)",
        )?;
        let rows = statement.query_map([], |row| {
            let id: String = row.get(0)?;
            let day: String = row.get(2)?;
            let imported: bool = row.get(18)?;
            let pour: Option<String> = row.get(9)?;
            let machine: Option<String> = row.get(8)?;
            let machine = machine.unwrap_or_else(|| "unknown".to_owned());
            let session: Option<String> = row.get(7)?;
            let cast_at: Option<i64> = row.get(10)?;
            Ok((
                day.clone(),
                cast_at,
                Card {
                    flask: Flask {
                        id: id.clone(),
                        label: row.get(1)?,
                        session: session.unwrap_or_else(|| format!("{day}-{machine}")),
                        machine,
                        cast_at: Micros(0),
                        alloy: row.get(3)?,
                        section: None,
                        pattern: None,
                        inspected_at: None,
                        pieces: None,
                        defective: None,
                        defective_steering: None,
                        kinds: BTreeMap::new(),
                        counted_blind: None,
                        pour_temperature_c: row.get(11)?,
                        target_c: None,
                        flask_temperature_c: row.get(12)?,
                        vacuum_kpa: row.get(13)?,
                        vacuum_share: row.get(14)?,
                        gas_flow_l_min: row.get(15)?,
                        soak_min: row.get(16)?,
                        seal_age_pours: row.get(17)?,
                        remelt_percent: row.get(5)?,
                        metal_g: row.get(4)?,
                        probe_series: None,
                        probe_offset_k: None,
                        set_aside: (!imported && pour.is_none())
                            .then(|| Aside::new("no-pour", "no pour is matched to it")),
                    },
                    id,
                    pour,
                    soak_min: row.get(6)?,
                },
            ))
        })?;
        let mut cards = Vec::new();
        for row in rows {
            let (day, cast_at, mut card) = row?;
            card.flask.cast_at = match cast_at {
                Some(at) => Micros(at),
                None => self.noon_of(super::sessions::read_day("flasks.day", &day)?),
            };
            if (since..until).contains(&card.flask.cast_at.0) {
                cards.push(card);
            }
        }
        Ok(cards)
    }

    /// Noon of a day in the shop: where something is put that has a day and no time.
    pub fn noon_of(&self, day: jiff::civil::Date) -> Micros {
        let noon = day.at(12, 0, 0, 0);
        self.zone()
            .to_timestamp(noon)
            .map_or(Micros(0), |t| Micros(t.as_microsecond()))
    }

    fn pours_by_id(&self, cards: &[Card]) -> Result<HashMap<String, Pour>> {
        if cards.iter().all(|c| c.pour.is_none()) {
            return Ok(HashMap::new());
        }
        let pours = self.pours(&PourFilter {
            with_struck: true,
            ..PourFilter::default()
        })?;
        Ok(pours.into_iter().map(|p| (p.id.to_string(), p)).collect())
    }

    fn take_pour(&self, flask: &mut Flask, pour: &Pour, pull: Option<&PullRow>) -> Result<()> {
        let row = &pour.row;
        flask.alloy = pour.alloy.clone().or_else(|| flask.alloy.take());
        flask.pour_temperature_c = row.pour_temperature_c.or(flask.pour_temperature_c);
        flask.target_c = row.target_c;
        flask.flask_temperature_c = row.flask_temperature_c.or(flask.flask_temperature_c);
        flask.vacuum_kpa = row.vacuum_kpa.or(flask.vacuum_kpa);
        flask.vacuum_share = row.vacuum_share.or(flask.vacuum_share);
        flask.gas_flow_l_min = row.gas_flow_l_min.or(flask.gas_flow_l_min);
        flask.probe_series.clone_from(&row.parts.probe_series);
        flask.probe_offset_k = row.parts.probe_offset_k;
        flask.soak_min = row.soak_min.or(flask.soak_min);
        flask.seal_age_pours = match row.seal_age_pours {
            Some(age) => Some(age),
            None => self.pours_since_change(&row.machine, Part::Gasket, row.at)?,
        };
        flask.set_aside = set_aside(pour, pull);
        Ok(())
    }

    /// Per flask: the sections and patterns of its lines, and the inspections of each line.
    fn lines_by_flask(&self) -> Result<HashMap<String, Lines>> {
        let mut counts: HashMap<String, BTreeMap<String, u32>> = HashMap::new();
        let mut statement = self
            .db
            .prepare_cached("SELECT inspection, kind, pieces FROM inspection_counts")?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            counts
                .entry(row.get(0)?)
                .or_default()
                .insert(row.get(1)?, row.get(2)?);
        }
        let mut by_line: HashMap<String, Vec<LineInspection>> = HashMap::new();
        let mut statement = self.db.prepare_cached(
            "SELECT line, id, stage, inspected_at, pieces, defective, defective_steering, blind
             FROM inspections ORDER BY inspected_at, added_at, rowid",
        )?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let id: String = row.get(1)?;
            by_line
                .entry(row.get(0)?)
                .or_default()
                .push(LineInspection {
                    stage: row.get(2)?,
                    at: Micros(row.get(3)?),
                    pieces: row.get(4)?,
                    defective: row.get(5)?,
                    defective_steering: row.get(6)?,
                    kinds: counts.remove(&id).unwrap_or_default(),
                    blind: row.get(7)?,
                });
        }
        let mut by_flask: HashMap<String, Lines> = HashMap::new();
        let mut statement = self.db.prepare_cached(
            "SELECT flask, id, section, pattern FROM flask_lines ORDER BY flask, number",
        )?;
        let mut rows = statement.query(params![])?;
        while let Some(row) = rows.next()? {
            let line: String = row.get(1)?;
            let (sections, patterns, inspections) = by_flask.entry(row.get(0)?).or_default();
            sections.push(row.get(2)?);
            patterns.push(row.get(3)?);
            inspections.push(by_line.remove(&line).unwrap_or_default());
        }
        Ok(by_flask)
    }
}

type Lines = (
    Vec<Option<String>>,
    Vec<Option<String>>,
    Vec<Vec<LineInspection>>,
);

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn look(stage: Stage, at: i64, pieces: u32, defective: Option<u32>) -> LineInspection {
        LineInspection {
            stage,
            at: Micros(at),
            pieces,
            defective,
            defective_steering: None,
            kinds: BTreeMap::new(),
            blind: None,
        }
    }

    fn with(mut look: LineInspection, kinds: &[(&str, u32)]) -> LineInspection {
        look.kinds = kinds.iter().map(|(k, n)| ((*k).to_owned(), *n)).collect();
        look
    }

    #[test]
    fn the_latest_stage_counts_kind_by_kind_and_blank_is_not_zero() {
        let washed = with(
            look(Stage::Washed, 50, 20, Some(3)),
            &[("no-fill", 3), ("fin", 1)],
        );
        let polished = with(
            look(Stage::Polished, 40, 20, Some(5)),
            &[("gas-porosity", 2)],
        );
        let counted = latest(&[washed, polished]).unwrap();
        assert_eq!(
            counted.defective,
            Some(5),
            "polished comes after washed, whenever entered"
        );
        let kinds: Vec<(&str, u32)> = counted
            .kinds
            .iter()
            .map(|(k, n)| (k.as_str(), *n))
            .collect();
        assert_eq!(kinds, [("fin", 1), ("gas-porosity", 2), ("no-fill", 3)]);
        assert_eq!(latest(&[]), None);
    }

    #[test]
    fn a_later_look_at_the_same_stage_replaces_the_earlier() {
        let counted = latest(&[
            with(look(Stage::Cut, 2, 20, Some(1)), &[("no-fill", 1)]),
            with(look(Stage::Cut, 1, 20, Some(4)), &[("no-fill", 4)]),
        ])
        .unwrap();
        assert_eq!((counted.defective, counted.kinds["no-fill"]), (Some(1), 1));
    }

    #[test]
    fn a_later_stage_that_did_not_count_leaves_the_earlier_count() {
        let counted = latest(&[
            look(Stage::Washed, 1, 20, Some(4)),
            look(Stage::Returned, 2, 1, None),
        ])
        .unwrap();
        assert_eq!((counted.pieces, counted.defective), (20, Some(4)));
    }

    #[test]
    fn no_defect_at_all_means_none_that_steers() {
        let counted = latest(&[look(Stage::Cut, 1, 20, Some(0))]).unwrap();
        assert_eq!(counted.defective_steering, Some(0));
    }

    #[test]
    fn a_flask_was_counted_blind_only_if_every_line_was() {
        let line = |blind| {
            let mut look = look(Stage::Cut, 1, 10, Some(1));
            look.blind = blind;
            latest(&[look]).unwrap()
        };
        let flask = |a, b| together(&[line(a), line(b)]).unwrap().blind;
        assert_eq!(flask(Some(true), Some(true)), Some(true));
        assert_eq!(flask(Some(true), None), None);
        assert_eq!(flask(None, Some(false)), Some(false));
    }

    #[test]
    fn a_kind_that_one_line_did_not_look_for_is_unknown_for_the_flask() {
        let line = |kinds: &[(&str, u32)]| {
            latest(&[with(look(Stage::Cut, 1, 10, Some(2)), kinds)]).unwrap()
        };
        let flask = together(&[line(&[("no-fill", 1), ("fin", 0)]), line(&[("no-fill", 2)])]);
        let flask = flask.unwrap();
        assert_eq!((flask.pieces, flask.defective), (20, Some(4)));
        assert_eq!(
            flask.kinds.into_iter().collect::<Vec<_>>(),
            [("no-fill".to_owned(), 3)]
        );
        assert_eq!(together(&[]), None);
    }
}
