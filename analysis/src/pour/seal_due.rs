//! When a gasket is due: its pulls fade against what they were when it was new, or it has seen as
//! many pours as this shop's gaskets usually last. A word in good time, before a single pull
//! is so short that the flask must go back.

use std::collections::BTreeMap;

use super::assemble::Context;
use super::rows::{PullRow, Row, Verdict};
use super::setup::LEAST_SHORTFALL;
use super::usual::{self, FlaskSize, PULLS_FOR_USUAL};
use crate::stats::median::median;
use crate::time::Micros;

/// Pulls whose median is how it seals lately.
const LATELY: usize = 5;
/// Fading is told when that is short by half of what makes a single pull weak, …
const FADED: f64 = 0.5 * LEAST_SHORTFALL;
/// … and by more than chance would have it: a median of five against one of ten, each with the
/// standard error 1.2533·σ/√n of a normal's median, once in 200.
const BY_CHANCE_SDS: f64 = 2.576 * 1.2533 * 0.547_722_557_505_166_1;
/// Gaskets that must have been worn out before their ages say anything.
const LIVES: usize = 3;

/// Why a gasket is due.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SealDue {
    /// Its pulls fade.
    Fading {
        /// Median of the last five over what is usual for their flasks, as a share of the air.
        lately_share: f64,
        /// That usual: what the gasket did when new.
        usual_share: f64,
    },
    /// It is as old as its like were when they were changed.
    Aged {
        /// Pours on it.
        pours: u32,
        /// Pours after which a gasket is usually changed here (median).
        usual_pours: u32,
    },
}

/// Whether the pulls on the gasket in force at `at` fade; from assembled rows in any order. None
/// while it has no usual of its own, or fewer than five settled pulls since that was learnt.
pub fn fading(rows: &[Row], context: &Context, machine: &str, at: Micros) -> Option<SealDue> {
    let (pulls, pours) = usual::on_gasket(rows, context, machine, at);
    let mut made: BTreeMap<Option<FlaskSize>, Vec<&PullRow>> = BTreeMap::new();
    let mut sized: Vec<(Option<FlaskSize>, &PullRow)> = Vec::new();
    for pull in pulls {
        let size = usual::size_of(pull, &pours, context);
        made.entry(size).or_default().push(pull);
        sized.push((size, pull));
    }
    let usuals: BTreeMap<_, _> = made
        .iter()
        .filter_map(|(size, pulls)| Some((*size, usual::anchor(pulls.iter().copied())?)))
        .collect();
    // Those that made the usual are not held against it.
    let mut left: BTreeMap<Option<FlaskSize>, usize> =
        usuals.keys().map(|size| (*size, PULLS_FOR_USUAL)).collect();
    let mut later: Vec<(f64, f64, f64)> = Vec::new();
    for (size, pull) in sized {
        let (Some(usual), Some(left)) = (usuals.get(&size), left.get_mut(&size)) else {
            continue;
        };
        if *left > 0 {
            *left -= usize::from(usual::counts(pull));
            continue;
        }
        if matches!(pull.verdict, Verdict::Good | Verdict::Weak)
            && let Some((share, _)) = pull.settled_share().filter(|s| usual::is_sure(*s))
        {
            later.push((share / usual.share, usual.share, usual.share_spread));
        }
    }
    let last = &later[later.len().checked_sub(LATELY)?..];
    let middle =
        |of: fn(&(f64, f64, f64)) -> f64| median(&mut last.iter().map(of).collect::<Vec<_>>());
    let ratio = middle(|l| l.0)?;
    let usual_share = middle(|l| l.1)?;
    let spread = middle(|l| l.2)?;
    let short = 1.0 - ratio;
    (short > FADED.max(BY_CHANCE_SDS * spread)).then_some(SealDue::Fading {
        lately_share: ratio * usual_share,
        usual_share,
    })
}

/// Whether a gasket with so many pours is as old as those before it were when they were changed.
/// None while fewer than three are on record.
pub fn aged(pours: u32, lives: &[u32]) -> Option<SealDue> {
    if lives.len() < LIVES {
        return None;
    }
    let mut lives: Vec<f64> = lives.iter().copied().map(f64::from).collect();
    let usual_pours = median(&mut lives)?.round() as u32;
    (usual_pours > 0 && pours >= usual_pours).then_some(SealDue::Aged { pours, usual_pours })
}

#[cfg(test)]
mod tests {
    use super::*;

    const MACHINE: &str = "bench-1";

    fn at(hours: f64) -> Micros {
        Micros(1_795_000_000_000_000).plus_seconds(3600.0 * hours)
    }

    /// Pulls an hour apart that settle at these shares of 100 kPa.
    fn pulls(shares: &[f64]) -> Vec<Row> {
        shares
            .iter()
            .enumerate()
            .map(|(i, share)| {
                let opened_at = at(i as f64);
                Row::Pull(PullRow {
                    session: "day".to_owned(),
                    machine: MACHINE.to_owned(),
                    closed_at: Some(opened_at.plus_seconds(60.0)),
                    depth_kpa: Some(100.0 * share),
                    share: Some(*share),
                    settled_kpa: Some(100.0 * share),
                    settled_se_kpa: Some(0.3),
                    rest_kpa: Some(0.0),
                    tau_s: Some(5.0),
                    tau_se_s: Some(0.1),
                    ..crate::watch::testing::pull(opened_at)
                })
            })
            .collect()
    }

    fn told(shares: &[f64]) -> Option<SealDue> {
        fading(&pulls(shares), &Context::default(), MACHINE, at(1000.0))
    }

    const NEW: [f64; 10] = [0.85, 0.86, 0.84, 0.85, 0.86, 0.84, 0.85, 0.86, 0.85, 0.84];

    #[test]
    fn a_seal_that_fades_is_told_before_its_pulls_are_weak() {
        let faded: Vec<f64> = NEW
            .into_iter()
            .chain([0.81, 0.80, 0.81, 0.80, 0.81])
            .collect();
        let Some(SealDue::Fading {
            lately_share,
            usual_share,
        }) = told(&faded)
        else {
            panic!("nothing told");
        };
        assert!((lately_share - 0.81).abs() < 1e-9 && (usual_share - 0.85).abs() < 1e-9);
    }

    #[test]
    fn a_seal_as_good_as_new_is_not_due_nor_is_one_leaky_flask() {
        let steady: Vec<f64> = NEW.into_iter().chain(NEW).collect();
        assert_eq!(told(&steady), None);
        let one: Vec<f64> = NEW
            .into_iter()
            .chain([0.85, 0.60, 0.84, 0.85, 0.86])
            .collect();
        assert_eq!(told(&one), None);
        assert_eq!(told(&NEW), None, "too few to tell");
    }

    #[test]
    fn a_gasket_is_old_by_the_shops_own_history() {
        assert_eq!(aged(52, &[45, 50]), None, "two gaskets are no history");
        assert_eq!(aged(40, &[45, 50, 48]), None);
        assert_eq!(
            aged(52, &[45, 50, 48]),
            Some(SealDue::Aged {
                pours: 52,
                usual_pours: 48
            })
        );
        assert_eq!(aged(0, &[0, 0, 0]), None, "changed without a pour");
    }
}
