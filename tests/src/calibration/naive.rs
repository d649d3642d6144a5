//! What somebody without statistics would pour at, and the best that a straight line can say:
//! the yardsticks beside which advice is held.

use std::collections::BTreeMap;

use analysis::flask::Flask;
use analysis::stats::counts::Counts;
use analysis::stats::design::Design;
use analysis::stats::logistic::{Extras, expit, fit};
use sample_data::ledger::Ledger;

/// Width of the naive rule's bins, K: what a shop's notebook would have.
pub const BIN_K: f64 = 5.0;
/// A bin that anybody would go by has this many flasks.
pub const BIN_FLASKS: usize = 3;

/// Flasks that may steer the pour and were looked at: temperature, bad pieces, pieces, session.
pub fn counted(flasks: &[Flask]) -> Vec<(f64, u32, u32, &str)> {
    flasks
        .iter()
        .filter(|f| f.set_aside.is_none())
        .filter_map(|f| {
            let (t, bad, pieces) = (f.pour_temperature_c?, f.defective_steering?, f.pieces?);
            Some((t, bad, pieces, f.session.as_str()))
        })
        .collect()
}

/// "Pour at the bin with the lowest raw rate": its middle, °C; the coolest of equal ones.
pub fn lowest_bin(flasks: &[Flask]) -> Option<f64> {
    let mut bins: BTreeMap<i64, (usize, u32, u32)> = BTreeMap::new();
    for (t, bad, pieces, _) in counted(flasks) {
        let bin = bins.entry((t / BIN_K).floor() as i64).or_default();
        bin.0 += 1;
        bin.1 += bad;
        bin.2 += pieces;
    }
    bins.iter()
        .filter(|(_, (flasks, ..))| *flasks >= BIN_FLASKS)
        .min_by(|a, b| {
            let rate = |(_, bad, pieces): &(usize, u32, u32)| f64::from(*bad) / f64::from(*pieces);
            rate(a.1).total_cmp(&rate(b.1))
        })
        .map(|(bin, _)| (*bin as f64 + 0.5) * BIN_K)
}

/// The straight line on the logit that lies nearest to the truth for these flasks: the limit of
/// a line's fit as shops like this one go on for ever (White 1982). What a model that can only
/// afford a line may be held to where the truth is curved. The rate at each of `at_c`; `None`
/// where no line can be fitted.
pub fn best_line(shop: &Ledger, line: usize, flasks: &[Flask], at_c: &[f64]) -> Option<Vec<f64>> {
    let rows = counted(flasks);
    let temperatures: Vec<f64> = rows.iter().map(|r| r.0).collect();
    let middle = temperatures.iter().sum::<f64>() / temperatures.len() as f64;
    let pieces: Vec<f64> = rows.iter().map(|r| f64::from(r.2)).collect();
    let expected: Vec<f64> = rows
        .iter()
        .zip(&pieces)
        .map(|(r, n)| n * shop.rate(line, r.0))
        .collect();
    let sessions: Vec<&str> = rows.iter().map(|r| r.3).collect();
    let centred: Vec<f64> = temperatures.iter().map(|t| t - middle).collect();
    let counts = Counts::new(&expected, &pieces, &sessions).ok()?;
    let design = Design::intercept(centred.len())
        .column("pour", &centred)
        .ok()?;
    let fitted = fit(&design, &counts, &Extras::default()).ok()?;
    Some(
        at_c.iter()
            .map(|t| expit(fitted.coef[0] + fitted.coef[1] * (t - middle)))
            .collect(),
    )
}

#[cfg(test)]
mod tests {
    use sample_data::ledger::plan::Size;
    use sample_data::ledger::{CENTRE_C, Heat, Plan, draw};

    use super::*;

    #[test]
    fn the_naive_rule_takes_the_lowest_bin_with_flasks_enough() {
        let mut shop = draw(1, &Plan::medium(Size::Flasks(40), 0.0, Heat::none()));
        for (i, flask) in shop.flasks.iter_mut().enumerate() {
            flask.set_aside = None;
            flask.pieces = Some(20);
            // Two flasks without a defect at 990 are too few to go by.
            let (t, bad) = match i {
                0..2 => (990.0, 0),
                2..20 => (962.0, 3),
                _ => (971.0, 2),
            };
            flask.pour_temperature_c = Some(t);
            flask.defective_steering = Some(bad);
        }
        assert_eq!(lowest_bin(&shop.flasks), Some(972.5));
        assert_eq!(lowest_bin(&[]), None);
    }

    #[test]
    fn the_best_line_is_the_truth_where_the_truth_is_a_line() {
        let plan = Plan::medium(Size::Flasks(200), 0.0, Heat::one_sided());
        let shop = draw(2, &plan);
        let at = [CENTRE_C - 10.0, CENTRE_C, CENTRE_C + 10.0];
        let line = best_line(&shop, 0, &shop.flasks, &at).unwrap();
        for (t, rate) in at.iter().zip(line) {
            let truth = shop.rate(0, *t);
            // Nearly a line: the hot side's one in a hundred bends it a little.
            assert!((rate / truth - 1.0).abs() < 0.05, "{t}: {rate} {truth}");
        }
        // No line reaches a cup's bottom: with pours that scatter by 6 to 10 K about it, the mean
        // lies 1.1 to 1.3 times as high. This shop's 200 flasks need not be centred.
        let cup = draw(2, &Plan::medium(Size::Flasks(200), 0.0, Heat::cup()));
        let line = best_line(&cup, 0, &cup.flasks, &at).unwrap();
        let over = line[1] / cup.rate(0, CENTRE_C);
        assert!(over > 1.02, "{over}");
    }
}
