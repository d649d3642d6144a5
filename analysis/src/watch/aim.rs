//! Pour temperatures against their targets, on a chart of single values: a probe that begins to
//! read off, or a habit that changes, shows here before it shows in the pieces.

use super::{Subject, Watched};
use crate::pour::rows::PourRow;
use crate::stats::charts::individuals::{FEWEST, individuals};
use crate::time::Micros;

/// The chart of pour temperature less target (K) for one machine's pours, in order of time; pours
/// without either are left out. Pours before `limits_until` set the limits where they are ten or
/// more, else all do.
pub fn aim(pours: &[PourRow], machine: &str, limits_until: Option<Micros>) -> Watched {
    let mut rows: Vec<(&PourRow, f64)> = pours
        .iter()
        .filter(|p| p.machine == machine)
        .filter_map(|p| {
            let error = p.pour_temperature_c? - p.target_c?;
            error.is_finite().then_some((p, error))
        })
        .collect();
    rows.sort_by_key(|row| (row.0.at, row.0.number));
    let values: Vec<f64> = rows.iter().map(|r| r.1).collect();
    let earlier = limits_until.map_or(0, |until| rows.partition_point(|r| r.0.at < until));
    let base = if earlier >= FEWEST {
        earlier
    } else {
        rows.len()
    };
    Watched {
        subject: Subject::Aim,
        of: Some(machine.to_owned()),
        points: rows
            .iter()
            .map(|(p, _)| (p.at, format!("{}, pour {}", p.session, p.number)))
            .collect(),
        chart: individuals(&values, base),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::pour::assemble::bare_pour;
    use crate::pour::rows::FoundBy;
    use crate::stats::charts::Side;

    fn pour(i: u32, error_k: f64) -> PourRow {
        let at = Micros(0).plus_seconds(3600.0 * f64::from(i));
        PourRow {
            number: 1,
            pour_temperature_c: Some(968.0 + error_k),
            target_c: Some(968.0),
            ..bare_pour(&format!("s{i}"), "bench-1", at, FoundBy::Trace)
        }
    }

    #[test]
    fn a_pour_far_from_its_target_is_told() {
        let mut pours: Vec<PourRow> = (0..20).map(|i| pour(i, f64::from(i % 4) - 1.5)).collect();
        pours.push(pour(20, 9.0));
        pours.push(PourRow {
            target_c: None,
            ..pour(21, 50.0)
        });
        let watched = aim(&pours, "bench-1", Some(pours[20].at));
        assert_eq!(watched.points.len(), 21);
        let told = watched.signals();
        assert_eq!((told.len(), told[0].0.side), (1, Side::High));
        assert_eq!(
            told[0].1,
            "Pour temperature less its target, bench-1: above the upper limit (s20, pour 1)."
        );
        assert!(aim(&pours, "bench-2", None).why_not().is_some());
    }
}
