//! From what the extractor found in a trace to what the records say: the pours keep their
//! identities, are matched to flask cards, and get what only the book knows (targets, part
//! ages, cards). Done anew whenever one of those changes.

use std::collections::BTreeMap;

use analysis::alloy::Alloys;
use analysis::gas::cylinder::Cylinder;
use analysis::pour::assemble::{Card, Context, Correction, Target, assemble};
use analysis::pour::correction::corrected;
use analysis::pour::usual::{self, Usuals};
use analysis::pour::{PourRow, PullRow, Row};
use analysis::time::Micros;
use analysis::upkeep::{Part, PartChange};
use uuid::Uuid;

use crate::config::Config;
use crate::records::features::Features;
use crate::records::hand::HandPour;
use crate::records::pours::PourFilter;
use crate::records::{Records, Result};
use crate::session::in_kiln::{SessionKilns, in_kiln, kilns_since, note_doors};

/// A cylinder is taken to be as warm as the room whose air its gas flows into, °C; that cancels.
pub(crate) const ROOM_C: f64 = 20.0;
/// Version of the detector and its measures. Rows found by another version are found anew.
pub const EXTRACTOR: &str = env!("CARGO_PKG_VERSION");

/// Takes what the extractor found in a session's trace (`trace_sha256`), or has found so far
/// while it is open (none), into the records, and matches its pours to the day's cards. What
/// people said of where metal left is laid over it.
///
/// # Errors
/// When the records refuse; each step is whole or not done, and doing it again is harmless.
pub fn settle(
    records: &mut Records,
    session: Uuid,
    trace_sha256: Option<String>,
    rows: Vec<Row>,
    now: Micros,
) -> Result<()> {
    let rows = keep_found(records, session, trace_sha256, rows)?;
    lay_hand_over(records, session, rows, now)
}

/// Keeps what the extractor found in a session's trace beside the pours and pulls that the
/// records show, for the step that assembles them. Gives the rows back but for the kilns', which
/// are kept apart: they are wanted for a card that is filled in late, and no reading of a
/// machine's years should have to pass them.
///
/// # Errors
/// When the records refuse.
pub fn keep_found(
    records: &mut Records,
    session: Uuid,
    trace_sha256: Option<String>,
    rows: Vec<Row>,
) -> Result<Vec<Row>> {
    let mut kilns = Vec::new();
    let mut others = Vec::new();
    for row in rows {
        match row {
            Row::Kiln(kiln) => kilns.push(kiln.heard),
            other => others.push(other),
        }
    }
    records.put_kiln_courses(session, &kilns)?;
    records.put_features(&Features {
        session,
        trace_sha256,
        extractor: EXTRACTOR.to_owned(),
        rows: others.clone(),
    })?;
    Ok(others)
}

/// Takes into the records what was said by hand since a session was settled.
///
/// # Errors
/// As [`settle`].
pub fn settle_hand(records: &mut Records, session: Uuid, now: Micros) -> Result<()> {
    let found = records.features_of_session(session)?;
    lay_hand_over(records, session, found.map_or(Vec::new(), |f| f.rows), now)
}

fn lay_hand_over(records: &mut Records, session: Uuid, rows: Vec<Row>, now: Micros) -> Result<()> {
    let said = records.hand_pours_of_session(session)?;
    let corrections: Vec<Correction> = said.iter().filter_map(HandPour::correction).collect();
    let (pulls, pours) = apart(corrected(rows, &corrections));
    records.replace_extraction(session, &pulls, &pours, EXTRACTOR, now)?;
    records.match_by_order(session, now)?;
    Ok(())
}

/// No session is longer, s: 48 h, the 45 min until it closes, and room for a pull that holds a
/// split up.
const LONGEST_SESSION_S: f64 = 72.0 * 3600.0;

/// Assembles a machine's pours anew: what spans sessions is added to what the extractor found.
/// Sessions that were open at `since` or later are written; earlier ones cannot change by what
/// happened since. How far back the others are read is to the oldest of each part's last change
/// before `since`: its age, its gas and its minutes hot and bare count from there, and from the
/// gasket's the machine's usual pull.
///
/// # Errors
/// When the records refuse.
pub fn assemble_machine(
    records: &mut Records,
    config: &Config,
    machine: &str,
    since: Micros,
    now: Micros,
) -> Result<()> {
    let write_from = since.plus_seconds(-LONGEST_SESSION_S);
    let kilns = kilns_since(records, write_from)?;
    let changes = part_changes(records, config, machine)?;
    let context = context(records, config, machine, changes, write_from, &kilns)?;
    let last_change = |part| {
        context
            .part_changes
            .iter()
            .filter(|c| c.part == part && c.at <= write_from)
            .map(|c| c.at)
            .max()
    };
    // Without a change of gasket the machine's usual pull is that of its first pulls of all.
    let read_from = match last_change(Part::Gasket) {
        None => Micros(i64::MIN),
        Some(_) => Part::ALL
            .into_iter()
            .filter_map(last_change)
            .min()
            .map_or(Micros(i64::MIN), |at| at.plus_seconds(-LONGEST_SESSION_S)),
    };
    let features = records.features_of(machine, read_from)?;
    let mut sessions: BTreeMap<String, Uuid> = BTreeMap::new();
    for session in records.sessions(Some(write_from), None)? {
        sessions.insert(session.name, session.id);
    }
    // A session in which nothing is found any more loses what was found in it before.
    let mut by_session: BTreeMap<Uuid, Vec<Row>> = features
        .iter()
        .filter(|f| sessions.values().any(|id| *id == f.session))
        .map(|f| (f.session, Vec::new()))
        .collect();
    let mut rows: Vec<Row> = features.into_iter().flat_map(|f| f.rows).collect();
    note_doors(&mut rows, &kilns);
    let rows = assemble(rows, &context);
    for row in rows {
        if let Some(id) = sessions.get(row.session()) {
            by_session.entry(*id).or_default().push(row);
        }
    }
    for (session, rows) in by_session {
        let (pulls, pours) = apart(rows);
        records.replace_extraction(session, &pulls, &pours, EXTRACTOR, now)?;
    }
    Ok(())
}

/// What a machine's good pulls are like at `now`, by flask size: those since the last change of
/// its gasket, compared by the same rule as the assembled rows.
///
/// # Errors
/// When the records refuse.
pub fn usuals(records: &Records, config: &Config, machine: &str, now: Micros) -> Result<Usuals> {
    let changes = part_changes(records, config, machine)?;
    let changed = changes
        .iter()
        .filter(|c| c.part == Part::Gasket && c.at <= now)
        .map(|c| c.at)
        .max();
    let from = changed.map_or(Micros(i64::MIN), |at| at.plus_seconds(-LONGEST_SESSION_S));
    let kilns = kilns_since(records, from)?;
    let context = context(records, config, machine, changes, from, &kilns)?;
    let rows = records.features_of(machine, from)?;
    let rows = assemble(rows.into_iter().flat_map(|f| f.rows).collect(), &context);
    Ok(usual::usuals(&rows, &context, machine, now))
}

/// Pulls and pours apart, each in the order given. A session's upkeep and kilns have done their
/// work once it was assembled.
pub fn apart(rows: Vec<Row>) -> (Vec<PullRow>, Vec<PourRow>) {
    let mut pulls = Vec::new();
    let mut pours = Vec::new();
    for row in rows {
        match row {
            Row::Pull(pull) => pulls.push(pull),
            Row::Pour(pour) => pours.push(pour),
            Row::Upkeep(_) | Row::Kiln(_) => {}
        }
    }
    (pulls, pours)
}

/// The changes of a machine's parts, as the step that assembles pours takes them.
fn part_changes(records: &Records, config: &Config, machine: &str) -> Result<Vec<PartChange>> {
    let air_kpa = config.shop.ambient_kpa();
    Ok(records
        .part_changes()?
        .into_iter()
        .map(|(_, change)| change)
        .filter(|c| c.machine.as_deref() == Some(machine))
        .filter(|c| c.channel.as_deref().is_none_or(|c| c == "melt_temperature"))
        .map(|c| PartChange {
            machine: machine.to_owned(),
            part: c.part.kind(),
            at: c.at,
            content_l: c.content.and_then(|c| {
                let full = Cylinder::at_room(c.volume_l, c.pressure_kpa, ROOM_C);
                full.content_l(0.0, air_kpa, ROOM_C)
            }),
        })
        .collect())
}

/// What spans sessions, with the cards of pours from `since` on.
fn context(
    records: &Records,
    config: &Config,
    machine: &str,
    part_changes: Vec<PartChange>,
    since: Micros,
    kilns: &BTreeMap<String, SessionKilns>,
) -> Result<Context> {
    let targets = records
        .targets()?
        .into_iter()
        .filter_map(|t| {
            Some(Target {
                alloy: t.target.alloy,
                section: Some(t.target.section).filter(|s| !s.is_empty()),
                from: t.from,
                pour_temperature_c: t.target.pour_temperature_c?,
            })
        })
        .collect();
    let alloys = Alloys::standard();
    let mut cards = Vec::new();
    let filter = PourFilter {
        since: Some(since),
        ..PourFilter::default()
    };
    // A flask of a trial is held against its lot, not against the shop's usual.
    let trial_targets = records.trial_targets()?;
    for pour in records.pours(&filter)? {
        if pour.row.machine != machine {
            continue;
        }
        let Some(id) = pour
            .row
            .flask
            .as_deref()
            .and_then(|f| f.parse::<Uuid>().ok())
        else {
            continue;
        };
        let card = records.flask(id)?.card;
        let in_kiln = in_kiln(records, &card, &pour.row, kilns.get(&pour.row.session))?;
        cards.push(Card {
            id: id.to_string(),
            machine: machine.to_owned(),
            pour_at: pour.row.at,
            liquidus_c: card
                .alloy
                .as_deref()
                .and_then(|a| alloys.get(a))
                .map(|a| a.liquidus_c),
            section: card.section().map(str::to_owned),
            size: card.size(),
            alloy: card.alloy,
            target_c: trial_targets.get(&id).copied(),
            diameter_mm: card.diameter_mm,
            kiln_set_point_c: card.kiln_set_c,
            kiln_spread_k: card
                .kiln
                .as_deref()
                .and_then(|k| config.kiln(k))
                .map(|k| k.spread_k),
            out_of_kiln_at: in_kiln.out_at,
            kiln_temperature_c: in_kiln.kiln_c,
            soak_min: in_kiln.soak_min,
            quality: in_kiln.quality,
            metal_g: card.metal_g,
            charged_g: records.charged_g(id)?,
        });
    }
    Ok(Context {
        part_changes,
        targets,
        cards,
        moulds: records.moulds()?,
        longest_out_s: records.transfers_most()?,
        corrections: records
            .hand_pours_of_machine(machine)?
            .iter()
            .filter_map(HandPour::correction)
            .collect(),
    })
}

/// A configured target as the records keep it.
pub fn target_of(target: &crate::config::Target) -> crate::records::targets::Target {
    let flask = target.flask_temperature.as_ref();
    crate::records::targets::Target {
        alloy: target.alloy.clone(),
        section: target.section.clone().unwrap_or_default(),
        pour_temperature_c: Some(target.pour_temperature.celsius),
        pour_temperature_text: Some(target.pour_temperature.written.clone()),
        flask_temperature_c: flask.map(|t| t.celsius),
        flask_temperature_text: flask.map(|t| t.written.clone()),
        soak_min: target.soak_min,
        vacuum_lead_s: target.vacuum_lead_s,
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use analysis::pour::FoundBy;
    use analysis::pour::assemble::bare_pour;
    use analysis::upkeep::{CoursePoint, UpkeepRow};

    use super::*;
    use crate::records::BookSetup;
    use crate::records::parts::{CylinderContent, PartChange};
    use crate::records::sessions::NewSession;
    use crate::records::words::{AddedBy, Part};

    const DAY: f64 = 86_400.0;

    /// A pour of this many degrees, ten minutes into the session of that day.
    fn pour(day: u32, pour_temperature_c: f64) -> PourRow {
        let at = opened(day).plus_seconds(600.0);
        PourRow {
            pour_temperature_c: Some(pour_temperature_c),
            ..bare_pour(&name(day), "bench-1", at, FoundBy::Trace)
        }
    }

    fn opened(day: u32) -> Micros {
        Micros(1_795_000_000_000_000).plus_seconds(f64::from(day) * DAY)
    }

    fn name(day: u32) -> String {
        format!("day-{day}")
    }

    fn poured_at_c(records: &Records, day: u32) -> Option<f64> {
        let filter = PourFilter {
            session: Some(Uuid::from_u128(u128::from(day))),
            ..PourFilter::default()
        };
        records.pours(&filter).unwrap()[0].row.pour_temperature_c
    }

    fn book(now: Micros) -> (Config, Records) {
        let config = Config::parse(
            "[shop]\nname = \"a\"\ntime_zone = \"Europe/Dublin\"\n[[machine]]\nname = \"bench-1\"\n",
            "pourbook.toml",
        )
        .unwrap();
        let mut records = Records::in_memory(&BookSetup {
            shop: "a".into(),
            time_zone: "Europe/Dublin".into(),
            demo: false,
            now,
        })
        .unwrap();
        records
            .add_machine("bench-1", AddedBy::Configuration, now)
            .unwrap();
        (config, records)
    }

    fn open(records: &mut Records, day: u32) -> Uuid {
        let id = Uuid::from_u128(u128::from(day));
        let new = NewSession {
            id,
            name: name(day),
            machine: "bench-1".into(),
            opened_at: opened(day),
            kilns: Vec::new(),
        };
        records.open_session(&new).unwrap();
        id
    }

    /// Two hours at 3 L/min, the last half hour hot and bare.
    fn upkeep(day: u32) -> Row {
        let point = |hours: f64| CoursePoint {
            at: opened(day).plus_seconds(3600.0 * hours),
            gas_used_l: Some(180.0 * hours),
            gas_unsure_l: 0.0,
            bare_hot_s: Some(3600.0 * (hours - 1.5).max(0.0)),
            unwatched_hot_s: 0.0,
        };
        Row::Upkeep(UpkeepRow {
            session: name(day),
            machine: "bench-1".into(),
            from: opened(day),
            to: opened(day).plus_seconds(7200.0),
            course: [0.0, 1.5, 2.0].map(point).to_vec(),
        })
    }

    /// 20 L at 200 bar are 3948 L at sea level's air; the day before yesterday let out 360 of
    /// them and left the graphite bare for half an hour, and this session's first ten minutes
    /// took 30 L.
    #[test]
    fn a_pour_knows_what_is_left_in_the_cylinder_and_what_its_parts_have_been_through() {
        let now = opened(40);
        let (config, mut records) = book(now);
        let rows = |day| vec![upkeep(day), Row::Pour(pour(day, 960.0))];
        for part in [Part::GasCylinder, Part::Crucible, Part::Gasket] {
            let mut change = PartChange::of_machine(part, "bench-1", opened(27));
            if part == Part::GasCylinder {
                change.content = Some(CylinderContent {
                    gas: "argon".into(),
                    volume_l: 20.0,
                    pressure_kpa: 20_000.0,
                });
            }
            records.add_part_change(&change, now).unwrap();
        }
        for day in [20, 28, 30] {
            let id = open(&mut records, day);
            settle(&mut records, id, None, rows(day), now).unwrap();
        }
        assemble_machine(&mut records, &config, "bench-1", opened(1), now).unwrap();
        let of_day = |records: &Records, day: u32| {
            let filter = PourFilter {
                session: Some(Uuid::from_u128(u128::from(day))),
                ..PourFilter::default()
            };
            records.pours(&filter).unwrap().remove(0).row
        };
        let last = of_day(&records, 30);
        let parts = &last.parts;
        assert!((parts.cylinder_used_l.unwrap() - 390.0).abs() < 0.01);
        assert!((parts.cylinder_left_l.unwrap() - (3947.7 - 390.0)).abs() < 0.1);
        assert!((parts.crucible_bare_hot_min.unwrap() - 30.0).abs() < 0.01);
        assert_eq!(parts.crucible_age_pours, Some(1));
        assert_eq!(parts.stopper_rod_age_pours, None, "never changed");
        assert_eq!(of_day(&records, 20).parts.cylinder_left_l, None);

        // Assembled from the last days alone, it is the same.
        assemble_machine(&mut records, &config, "bench-1", opened(30), now).unwrap();
        assert_eq!(of_day(&records, 30), last);
    }

    #[test]
    fn a_corrected_transfer_is_judged_again() {
        let now = opened(40);
        let (config, mut records) = book(now);
        let id = open(&mut records, 1);
        let mut stood = pour(1, 960.0);
        stood.transfer_s = Some(400.0);
        settle(&mut records, id, None, vec![Row::Pour(stood)], now).unwrap();
        assemble_machine(&mut records, &config, "bench-1", opened(1), now).unwrap();
        let pour = |records: &Records| records.pours(&PourFilter::default()).unwrap().remove(0);
        let found = pour(&records);
        assert_eq!(found.row.faults, ["long-out-of-kiln"]);
        records
            .correct_pour(found.id, "transfer_s", Some(80.0), None, now)
            .unwrap();
        assert!(pour(&records).row.faults.is_empty());
    }

    #[test]
    fn a_pour_of_today_leaves_the_sessions_of_years_alone() {
        let now = opened(40);
        let (config, mut records) = book(now);
        for day in [1, 28, 30] {
            let id = open(&mut records, day);
            settle(
                &mut records,
                id,
                None,
                vec![Row::Pour(pour(day, 960.0))],
                now,
            )
            .unwrap();
            // What the records say and the features do not shows which sessions were written.
            records
                .replace_extraction(id, &[], &[pour(day, 950.0)], EXTRACTOR, now)
                .unwrap();
        }
        assemble_machine(&mut records, &config, "bench-1", opened(30), now).unwrap();
        assert_eq!(poured_at_c(&records, 30), Some(960.0));
        // A session that may have been open then is written too.
        assert_eq!(poured_at_c(&records, 28), Some(960.0));
        assert_eq!(poured_at_c(&records, 1), Some(950.0));
    }
}
