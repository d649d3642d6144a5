//! From what the extractor found in a trace to what the records say: the pours keep their
//! identities, are matched to flask cards, and get what only the book knows (targets, part
//! ages, cards). Done anew whenever one of those changes.

use std::collections::BTreeMap;

use analysis::alloy::Alloys;
use analysis::pour::assemble::{Card, Context, GasketChange, Target, assemble};
use analysis::pour::usual::{self, Usuals};
use analysis::pour::{PourRow, PullRow, Row};
use analysis::time::Micros;
use uuid::Uuid;

use crate::config::Config;
use crate::records::features::Features;
use crate::records::pours::PourFilter;
use crate::records::words::Part;
use crate::records::{Records, Result};

/// Version of the detector and its measures. Rows found by another version are found anew.
pub const EXTRACTOR: &str = env!("CARGO_PKG_VERSION");

/// Takes what the extractor found in a session's trace (`trace_sha256`), or has found so far
/// while it is open (none), into the records, and matches its pours to the day's cards.
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
    let (pulls, pours) = apart(rows.clone());
    records.put_features(&Features {
        session,
        trace_sha256,
        extractor: EXTRACTOR.to_owned(),
        rows,
    })?;
    records.replace_extraction(session, &pulls, &pours, EXTRACTOR, now)?;
    records.match_by_order(session, now)?;
    Ok(())
}

/// No session is longer, s: 48 h, the 45 min until it closes, and room for a pull that holds a
/// split up.
const LONGEST_SESSION_S: f64 = 72.0 * 3600.0;

/// Assembles a machine's pours anew: what spans sessions is added to what the extractor found.
/// Sessions that were open at `since` or later are written; earlier ones cannot change by what
/// happened since. The last change of gasket before `since` is how far back the others are
/// read, since a seal's age and a machine's usual pull count from there.
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
    let context = context(records, config, machine, write_from)?;
    let read_from = context
        .gasket_changes
        .iter()
        .map(|c| c.at)
        .filter(|at| *at <= write_from)
        .max()
        .map_or(Micros(i64::MIN), |at| at.plus_seconds(-LONGEST_SESSION_S));
    let features = records.features_of(machine, read_from)?;
    let mut sessions: BTreeMap<String, Uuid> = BTreeMap::new();
    for session in records.sessions(Some(write_from), None)? {
        sessions.insert(session.name, session.id);
    }
    let rows = assemble(
        features.into_iter().flat_map(|f| f.rows).collect(),
        &context,
    );
    let mut by_session: BTreeMap<Uuid, Vec<Row>> = BTreeMap::new();
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
    let changed = records
        .part_changes()?
        .into_iter()
        .map(|(_, c)| c)
        .filter(|c| c.part == Part::Gasket && c.machine.as_deref() == Some(machine))
        .map(|c| c.at)
        .filter(|at| *at <= now)
        .max();
    let from = changed.map_or(Micros(i64::MIN), |at| at.plus_seconds(-LONGEST_SESSION_S));
    let context = context(records, config, machine, from)?;
    let rows = records.features_of(machine, from)?;
    let rows = assemble(rows.into_iter().flat_map(|f| f.rows).collect(), &context);
    Ok(usual::usuals(&rows, &context, machine, now))
}

/// Pulls and pours apart, each in the order given.
pub fn apart(rows: Vec<Row>) -> (Vec<PullRow>, Vec<PourRow>) {
    let mut pulls = Vec::new();
    let mut pours = Vec::new();
    for row in rows {
        match row {
            Row::Pull(pull) => pulls.push(pull),
            Row::Pour(pour) => pours.push(pour),
        }
    }
    (pulls, pours)
}

/// What spans sessions, with the cards of pours from `since` on.
fn context(records: &Records, config: &Config, machine: &str, since: Micros) -> Result<Context> {
    let gasket_changes = records
        .part_changes()?
        .into_iter()
        .map(|(_, change)| change)
        .filter(|c| c.part == Part::Gasket && c.machine.as_deref() == Some(machine))
        .map(|c| GasketChange {
            machine: machine.to_owned(),
            at: c.at,
        })
        .collect();
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
            target_c: None,
            kiln_set_point_c: card.kiln_set_c,
            kiln_spread_k: card
                .kiln
                .as_deref()
                .and_then(|k| config.kiln(k))
                .map(|k| k.spread_k),
            out_of_kiln_at: card.kiln_out_at,
            kiln_temperature_c: None,
            soak_min: card.soak_min,
        });
    }
    Ok(Context {
        gasket_changes,
        targets,
        cards,
        corrections: Vec::new(),
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

    use super::*;
    use crate::records::BookSetup;
    use crate::records::sessions::NewSession;
    use crate::records::words::AddedBy;

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

    #[test]
    fn a_pour_of_today_leaves_the_sessions_of_years_alone() {
        let config = Config::parse(
            "[shop]\nname = \"a\"\ntime_zone = \"Europe/Dublin\"\n[[machine]]\nname = \"bench-1\"\n",
            "pourbook.toml",
        )
        .unwrap();
        let now = opened(40);
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
        for day in [1, 28, 30] {
            let id = Uuid::from_u128(u128::from(day));
            let new = NewSession {
                id,
                name: name(day),
                machine: "bench-1".into(),
                opened_at: opened(day),
                kilns: Vec::new(),
            };
            records.open_session(&new).unwrap();
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
