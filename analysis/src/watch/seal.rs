//! How each gasket pulls as it ages: depth and pump-down time, smoothed, against its own first
//! pulls. A gasket that wears is told by its trend while single pulls still pass.

use super::{Subject, Watched};
use crate::pour::rows::{PullRow, Verdict};
use crate::stats::charts::ewma::{Ewma, Level};
use crate::stats::charts::{Chart, D2};
use crate::stats::error::StatsError;
use crate::time::Micros;

/// A gasket's own level is that of so many first pulls (as verdicts on pulls are anchored).
pub const FIRST_PULLS: usize = 10;

/// One pull as far as the seal matters.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SealPull {
    /// When the vacuum came on.
    pub at: Micros,
    /// Which pull since the gasket was changed, from 1.
    pub age_pulls: usize,
    /// Depth before the pour as a share of what the day's air allowed, 0–1.
    pub share: Option<f64>,
    /// Pump-down time constant, s.
    pub tau_s: Option<f64>,
}

/// One gasket's pulls, in order of time.
pub type Gasket = Vec<SealPull>;

/// A machine's pulls gasket by gasket, oldest first. `changed` are the times its gasket was
/// changed, in any order; pulls before the first belong to a gasket of unknown age, which is one
/// too. Pulls that moved nothing, or that the sensor could not tell, say nothing of the seal.
pub fn gaskets(pulls: &[PullRow], machine: &str, changed: &[Micros]) -> Vec<Gasket> {
    let mut changed = changed.to_vec();
    changed.sort_unstable();
    let mut gaskets: Vec<Gasket> = vec![Vec::new(); changed.len() + 1];
    let mut pulls: Vec<&PullRow> = pulls
        .iter()
        .filter(|p| p.machine == machine && matches!(p.verdict, Verdict::Good | Verdict::Weak))
        .collect();
    pulls.sort_by_key(|p| p.opened_at);
    for pull in pulls {
        let gasket = &mut gaskets[changed.partition_point(|c| *c <= pull.opened_at)];
        // Metal that fills the mould deepens the pull: what it settled at before is compared.
        let share = pull.settled_share().map(|(share, _)| share).or(pull.share);
        gasket.push(SealPull {
            at: pull.opened_at,
            age_pulls: gasket.len() + 1,
            share: share.filter(|s| s.is_finite()),
            tau_s: pull.tau_s.filter(|t| t.is_finite()),
        });
    }
    gaskets.retain(|g| !g.is_empty());
    gaskets
}

/// The charts of the newest gasket, depth and then pump-down time. Its level is the mean of its
/// first ten pulls; how much pulls differ is taken from neighbours on every gasket of the machine
/// (a change of gasket is no difference between neighbours). Points begin with the eleventh pull.
/// Flasks of another size pull differently; give pulls of one size where a shop has several.
pub fn seal(gaskets: &[Gasket], machine: &str) -> [Watched; 2] {
    let depth = |p: &SealPull| p.share;
    let pump_down = |p: &SealPull| p.tau_s;
    [
        charted(gaskets, machine, Subject::Depth, &depth),
        charted(gaskets, machine, Subject::PumpDown, &pump_down),
    ]
}

fn charted(
    gaskets: &[Gasket],
    machine: &str,
    subject: Subject,
    value: &dyn Fn(&SealPull) -> Option<f64>,
) -> Watched {
    let read = |gasket: &Gasket| -> Vec<(SealPull, f64)> {
        gasket
            .iter()
            .filter_map(|p| Some((*p, value(p)?)))
            .collect()
    };
    let newest = gaskets.last().map(read).unwrap_or_default();
    let after = newest.get(FIRST_PULLS..).unwrap_or_default();
    let mut ranges = (0.0, 0_usize);
    for gasket in gaskets {
        for pair in read(gasket).windows(2) {
            ranges.0 += (pair[1].1 - pair[0].1).abs();
            ranges.1 += 1;
        }
    }
    Watched {
        subject,
        of: Some(machine.to_owned()),
        points: after
            .iter()
            .map(|(p, _)| {
                (
                    p.at,
                    format!("pull {} since the gasket was changed", p.age_pulls),
                )
            })
            .collect(),
        chart: chart(&newest, after, ranges),
    }
}

fn chart(
    newest: &[(SealPull, f64)],
    after: &[(SealPull, f64)],
    (range_sum, ranges): (f64, usize),
) -> Result<Chart, StatsError> {
    if after.is_empty() {
        return Err(StatsError::Argument(format!(
            "{} measured on this gasket {}; its first {FIRST_PULLS} set the level",
            match newest.len() {
                1 => "1 pull".to_owned(),
                n => format!("{n} pulls"),
            },
            if newest.len() == 1 {
                "is too few"
            } else {
                "are too few"
            },
        )));
    }
    let first = &newest[..FIRST_PULLS];
    let level = Level {
        mean: first.iter().map(|r| r.1).sum::<f64>() / FIRST_PULLS as f64,
        sd: range_sum / ranges.max(1) as f64 / D2,
        from: Some(FIRST_PULLS),
    };
    let readings: Vec<f64> = after.iter().map(|r| r.1).collect();
    Ewma::default().chart(&readings, level)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::stats::charts::Side;

    fn pull(i: u32, share: f64, tau_s: f64) -> PullRow {
        let opened_at = Micros(0).plus_seconds(3600.0 * f64::from(i));
        PullRow {
            share: Some(share),
            tau_s: Some(tau_s),
            ..crate::watch::testing::pull(opened_at)
        }
    }

    #[test]
    fn a_gasket_that_wears_is_told_against_its_own_first_pulls() {
        let jitter = |i: u32| [0.0, 0.004, -0.003, 0.002, -0.004][i as usize % 5];
        // An older gasket that pulled less, then a new one that wears from its twentieth pull.
        let mut pulls: Vec<PullRow> = (0..20).map(|i| pull(i, 0.80 + jitter(i), 9.0)).collect();
        pulls.extend((20..60_u32).map(|i| {
            let worn = f64::from(i.saturating_sub(40)) * 0.001;
            pull(
                i,
                0.85 + jitter(i) - worn,
                6.0 + 20.0 * worn + 10.0 * jitter(i),
            )
        }));
        let changed = [pulls[20].opened_at];
        let gaskets = gaskets(&pulls, "bench-1", &changed);
        assert_eq!(gaskets.iter().map(Vec::len).collect::<Vec<_>>(), [20, 40]);
        let [depth, pump_down] = seal(&gaskets, "bench-1");
        assert_eq!(depth.points.len(), 30);
        let (first, words) = &depth.signals()[0];
        assert_eq!(first.side, Side::Low);
        assert!(first.to > 9, "not before it wears: {first:?}");
        assert!(words.contains("since the gasket was changed"), "{words}");
        assert_eq!(pump_down.signals()[0].0.side, Side::High);
    }

    #[test]
    fn a_new_gasket_has_no_chart_yet() {
        let pulls: Vec<PullRow> = (0..3).map(|i| pull(i, 0.85, 6.0)).collect();
        let [depth, _] = seal(&gaskets(&pulls, "bench-1", &[]), "bench-1");
        assert_eq!(
            depth.why_not().unwrap(),
            "Vacuum reached as the gasket ages, bench-1: no chart, since 3 pulls measured on this \
             gasket are too few; its first 10 set the level."
        );
        let [none, _] = seal(&[], "bench-1");
        assert!(none.why_not().unwrap().contains("0 pulls"));
        // Twelve alike to the last digit tell nothing of how pulls differ.
        let pulls: Vec<PullRow> = (0..12).map(|i| pull(i, 0.85, 6.0)).collect();
        let [same, _] = seal(&gaskets(&pulls, "bench-1", &[]), "bench-1");
        assert!(same.why_not().unwrap().contains("all the same"));
    }

    #[test]
    fn pulls_that_moved_nothing_say_nothing_of_the_seal() {
        let mut missing = pull(0, 0.0, 1.0);
        missing.verdict = Verdict::Missing;
        assert!(gaskets(&[missing], "bench-1", &[]).is_empty());
    }
}
