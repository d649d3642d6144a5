//! Rates by steps of a setting: flasks are put into bins at round edges, neighbouring bins are
//! joined until each has enough flasks to say anything, and each gets a rate and an interval.
//! It shows; it does not advise, since nothing else is held equal between bins.

use super::rate::{Rate, Tally, Totals, bounded_rate};
use crate::units::Unit;

/// Flasks that a bin should have.
pub const FEWEST_FLASKS: usize = 5;
/// Most bins that a chart of this size can show.
const MOST_BINS: f64 = 8.0;

/// One flask on the scale of a setting. Without doubt about its count both tallies are the
/// same.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point<'a> {
    /// The setting, in its stored unit.
    pub value: f64,
    /// Its count at the fewest pieces that can have had the outcome.
    pub fewest: Tally<'a>,
    /// Its count at the most.
    pub most: Tally<'a>,
}

/// One bin.
#[derive(Clone, Debug, PartialEq)]
pub struct Bin {
    /// From, in the stored unit, included.
    pub from: f64,
    /// To, in the stored unit, excluded.
    pub to: f64,
    /// Mean setting of its flasks.
    pub mean: f64,
    /// Its flasks.
    pub flasks: usize,
    /// Their sessions.
    pub sessions: usize,
    /// Their pieces.
    pub pieces: u64,
    /// Pieces with the outcome, at the most there can have been.
    pub events: u64,
    /// The rate there.
    pub rate: Rate,
}

/// Bins of a setting, in order. Edges are round in `unit` (the unit people see; a setting that
/// has none takes [`Unit::Percent`], which changes nothing): multiples of 1, 2 or 5 times a
/// power of ten, as fine as eight bins allow. Bins with fewer than five flasks are joined with
/// the smaller of their neighbours while there is one. Points without pieces, or whose setting
/// is not a number, are passed over. `pooled` is the design effect of all flasks of the
/// comparison; a bin uses its own where its sessions can tell.
pub fn bins(points: &[Point], unit: Unit, pooled: Option<f64>) -> Vec<Bin> {
    let mut points: Vec<(f64, &Point)> = points
        .iter()
        .filter(|p| p.value.is_finite() && p.most.pieces > 0)
        .map(|p| (unit.from_canonical(p.value), p))
        .filter(|(shown, _)| shown.is_finite())
        .collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (Some(first), Some(last)) = (points.first(), points.last()) else {
        return Vec::new();
    };
    let step = round_step(last.0 - first.0);
    // A spell of bins, as (first edge, last edge, points), edges counted in steps.
    let mut spells: Vec<(f64, f64, Vec<&Point>)> = Vec::new();
    for (shown, point) in points {
        // A value on an edge belongs to the bin above, even if its unit left it a hair below.
        let at = (shown / step + 1e-9).floor();
        match spells.last_mut() {
            Some(spell) if at < spell.1 => spell.2.push(point),
            _ => spells.push((at, at + 1.0, vec![point])),
        }
    }
    while spells.len() > 1
        && let Some((small, _)) = spells
            .iter()
            .enumerate()
            .filter(|(_, s)| s.2.len() < FEWEST_FLASKS)
            .min_by_key(|(_, s)| s.2.len())
    {
        let left = small.checked_sub(1);
        let right = (small + 1 < spells.len()).then_some(small + 1);
        let joined = match (left, right) {
            (Some(l), Some(r)) if spells[r].2.len() < spells[l].2.len() => small,
            (Some(l), _) => l,
            _ => small,
        };
        let (_, to, mut upper) = spells.remove(joined + 1);
        spells[joined].1 = to;
        spells[joined].2.append(&mut upper);
    }
    spells
        .into_iter()
        .filter_map(|(from, to, points)| {
            let fewest: Vec<Tally> = points.iter().map(|p| p.fewest).collect();
            let most: Vec<Tally> = points.iter().map(|p| p.most).collect();
            let totals = Totals::of(&most);
            Some(Bin {
                from: unit.to_canonical(from * step),
                to: unit.to_canonical(to * step),
                mean: points.iter().map(|p| p.value).sum::<f64>() / points.len() as f64,
                flasks: totals.flasks,
                sessions: totals.sessions,
                pieces: totals.pieces,
                events: totals.events,
                rate: bounded_rate(&Totals::of(&fewest), &totals, pooled)?,
            })
        })
        .collect()
}

/// The finest of 1, 2, 5 times a power of ten that cuts `span` into at most eight; 1 for no
/// span at all.
fn round_step(span: f64) -> f64 {
    if !(span > 0.0 && span.is_finite()) {
        return 1.0;
    }
    let least = span / MOST_BINS;
    let power = 10f64.powf(least.log10().floor());
    [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|m| m * power)
        .find(|step| *step >= least * (1.0 - 1e-12))
        .unwrap_or(10.0 * power)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn points(values: &[f64]) -> Vec<Point<'static>> {
        const SESSIONS: [&str; 8] = ["a", "b", "c", "d", "e", "f", "g", "h"];
        values
            .iter()
            .enumerate()
            .map(|(i, &value)| {
                let tally = Tally {
                    session: SESSIONS[i % 8],
                    events: u32::from(i % 3 == 0),
                    pieces: 20,
                };
                Point {
                    value,
                    fewest: tally,
                    most: tally,
                }
            })
            .collect()
    }

    #[test]
    fn edges_are_round_in_the_unit_people_read() {
        let values: Vec<f64> = (0..80).map(|i| 951.0 + f64::from(i) * 0.5).collect();
        let metric = bins(&points(&values), Unit::Celsius, None);
        let edges: Vec<(f64, f64)> = metric.iter().map(|b| (b.from, b.to)).collect();
        assert_eq!(edges[0], (950.0, 955.0));
        assert!(
            edges
                .iter()
                .all(|(from, to)| from % 5.0 == 0.0 && to % 5.0 == 0.0)
        );
        for bin in bins(&points(&values), Unit::Fahrenheit, None) {
            let shown = Unit::Fahrenheit.from_canonical(bin.from);
            assert!(
                (shown / 10.0 - (shown / 10.0).round()).abs() < 1e-6,
                "{shown}"
            );
        }
    }

    #[test]
    fn thin_bins_are_joined_until_each_has_five_flasks() {
        // A crowd at 960 to 970, and three strays below.
        let mut values = vec![931.0, 938.0, 944.0];
        values.extend((0..40).map(|i| 960.0 + f64::from(i) * 0.25));
        let joined = bins(&points(&values), Unit::Celsius, None);
        assert!(
            joined.iter().all(|b| b.flasks >= FEWEST_FLASKS),
            "{joined:?}"
        );
        assert_eq!(joined.iter().map(|b| b.flasks).sum::<usize>(), 43);
        // Too few for two bins make one.
        let one = bins(&points(&[950.0, 960.0, 970.0, 980.0]), Unit::Celsius, None);
        assert_eq!(one.len(), 1);
        assert_eq!(one[0].flasks, 4);
    }

    #[test]
    fn a_single_setting_is_one_bin_and_nothing_is_none() {
        let same = bins(&points(&[968.0; 9]), Unit::Celsius, None);
        assert_eq!(same.len(), 1);
        assert_eq!((same[0].from, same[0].to), (968.0, 969.0));
        assert!(bins(&[], Unit::Celsius, None).is_empty());
        assert!(bins(&points(&[f64::NAN, f64::INFINITY]), Unit::Celsius, None).is_empty());
    }

    #[test]
    fn steps_are_one_two_or_five() {
        for (span, step) in [
            (40.0, 5.0),
            (8.0, 1.0),
            (9.0, 2.0),
            (0.5, 0.1),
            (80.1, 20.0),
            (0.0, 1.0),
        ] {
            assert!((round_step(span) / step - 1.0).abs() < 1e-9, "{span}");
        }
    }

    proptest! {
        #[test]
        fn every_flask_is_in_exactly_one_bin(values in proptest::collection::vec(-50.0..1300.0f64, 0..120)) {
            let found = bins(&points(&values), Unit::Celsius, None);
            prop_assert_eq!(found.iter().map(|b| b.flasks).sum::<usize>(), values.len());
            for pair in found.windows(2) {
                prop_assert!(pair[0].to <= pair[1].from + 1e-9);
            }
            for bin in &found {
                prop_assert!(bin.from <= bin.mean + 1e-6 && bin.mean <= bin.to + 1e-6);
                prop_assert!(found.len() == 1 || bin.flasks >= FEWEST_FLASKS);
                prop_assert!(bin.rate.low <= bin.rate.high);
            }
        }
    }
}
