//! Shops made to mislead: each has a fault that a careful caster knows from experience, and a
//! truth that says what a careless reading of its flasks would get wrong. Directions are those
//! of the trade (common practice); sizes are invented and on the large side, so that whoever
//! falls into the trap is seen to.

use super::counting::counted;
use super::plan::{Line, Plan, Size};
use super::pouring::{Poured, pours};
use super::truth::{Heat, Slope};
use super::{Ledger, draw};

/// Flasks of a trap shop: enough for a grade, were it honest.
pub const FLASKS: usize = 300;

/// A shop of a seed and so many flasks, made to mislead.
pub type Trap = fn(u64, usize) -> Ledger;

/// All of them, with a name in the trade's words.
pub const ALL: [(&str, Trap); 9] = [
    ("thin work poured hot", thin_work_poured_hot),
    ("the same, sections not written down", thin_work_unnamed),
    ("melt and flask turned up together", melt_and_flask_together),
    ("a probe that drifts low", probe_drifts_low),
    ("a probe changed, nobody told", probe_changed),
    (
        "gasket ages while the target creeps up",
        gasket_ages_while_target_creeps,
    ),
    (
        "good flasks mostly not inspected",
        good_flasks_not_inspected,
    ),
    ("one session with every piece lost", one_bad_session),
    ("nodules rise", nodules_rise),
];

/// Thin work is poured hot because it misruns; within each section heat prevents misruns. All
/// sections together, the hot pours have more of them.
pub fn thin_work_poured_hot(seed: u64, flasks: usize) -> Ledger {
    let misruns = |at_centre: f64, centre_c: f64| Heat {
        centre_c,
        cold: Slope {
            at_centre,
            per_k: -0.05,
        },
        hot: Slope::flat(0.01),
    };
    let plan = Plan::of(
        Size::Flasks(flasks),
        vec![
            Line::thin(992.0, misruns(-1.3, 992.0)),
            Line::medium(964.0, misruns(-2.9, 964.0)),
        ],
    );
    draw(seed, &plan)
}

/// The same shop with sections that nobody wrote down: nothing in the table can tell.
pub fn thin_work_unnamed(seed: u64, flasks: usize) -> Ledger {
    let mut shop = thin_work_poured_hot(seed, flasks);
    for flask in &mut shop.flasks {
        flask.section = None;
    }
    shop
}

/// The kiln is turned up whenever the melt is: only the flask's temperature does anything.
pub fn melt_and_flask_together(seed: u64, flasks: usize) -> Ledger {
    let plan = flat(flasks);
    let aim = plan.lines[0].usual_c;
    changed(seed, &plan, |p, _| {
        let flask_warmer = 1.5 * (p.pour_c - aim) + 0.2 * (p.flask_c - 555.0);
        p.flask_c = 555.0 + flask_warmer;
        p.cold_shift = -0.05 * flask_warmer;
    })
}

/// The probe drifts until it reads 18 K low, so that the melt is 18 K hotter than what is read
/// and aimed at. Thermocouples of type K drift low by 0.05 to 0.5 K an hour at heat.
pub fn probe_drifts_low(seed: u64, flasks: usize) -> Ledger {
    changed(
        seed,
        &Plan::medium(Size::Flasks(flasks), -4.0, Heat::cup()),
        |p, share| {
            p.pour_c = p.read_c + 18.0 * share;
        },
    )
}

/// Halfway the probe is changed for one that reads 12 K higher, and the caster goes on by
/// what is read: from then on everything is poured 12 K cooler. Steps of 2 to 8 K are usual;
/// this one is large.
pub fn probe_changed(seed: u64, flasks: usize) -> Ledger {
    changed(
        seed,
        &Plan::medium(Size::Flasks(flasks), 0.0, Heat::cup()),
        |p, share| {
            if share >= 0.5 {
                p.pour_c = p.read_c - 12.0;
            }
        },
    )
}

/// A gasket ages over the whole of the record, the vacuum with it, and the caster pours hotter
/// and hotter against the misruns, in vain: heat does nothing here.
pub fn gasket_ages_while_target_creeps(seed: u64, flasks: usize) -> Ledger {
    changed(seed, &flat(flasks), |p, share| {
        // Some ninety pours, however long the record.
        p.seal_age_pours = (90.0 * share) as u32;
        p.vacuum_share -= 0.25 * share;
        p.cold_shift = 1.8 * share;
        p.pour_c += 20.0 * share;
        p.read_c = p.pour_c;
    })
}

/// Flasks that look well are seldom counted; heat does nothing. Cool flasks are looked at more
/// closely, since that is where misruns are expected.
pub fn good_flasks_not_inspected(seed: u64, flasks: usize) -> Ledger {
    let mut plan = flat(flasks);
    plan.uninspected = 0.0;
    let mut shop = draw(seed, &plan);
    let aim = plan.lines[0].usual_c;
    let mut dice = crate::dice::Dice::new(seed, 45);
    for flask in &mut shop.flasks {
        let bad = flask.defective_steering.unwrap_or(0) > 1;
        let cool = flask.pour_temperature_c.is_some_and(|t| t < aim);
        let looked_at = match (bad, cool) {
            (true, true) => 0.95,
            // Hot ones are picked without a look.
            _ => 0.35,
        };
        if !dice.chance(looked_at) {
            flask.pieces = None;
            flask.defective = None;
            flask.defective_steering = None;
            flask.kinds.clear();
        }
    }
    shop
}

/// One session lost every piece for a reason of its own, and happened to be poured cool. Heat
/// does nothing.
pub fn one_bad_session(seed: u64, flasks: usize) -> Ledger {
    let plan = Plan::medium(Size::Flasks(flasks), 0.0, Heat::none());
    let poured = pours(seed, &plan);
    // A session of some size in the middle of the record.
    let many = |session: usize| poured.iter().filter(|p| p.session == session).count();
    let middle = poured[poured.len() / 2].session;
    let bad = (middle..).find(|s| many(*s) >= 3 || many(*s) == 0);
    changed(seed, &plan, |p, _| {
        if Some(p.session) == bad {
            p.pour_c -= 14.0;
            p.read_c = p.pour_c;
            p.session_effect = 12.0;
            p.failed_pull = false;
            p.inspected = true;
        }
    })
}

/// Nodules rise from one piece in a hundred to one in eight, because of the investing, while
/// the target creeps up. Heat does nothing.
pub fn nodules_rise(seed: u64, flasks: usize) -> Ledger {
    changed(seed, &flat(flasks), |p, share| {
        p.nodules = 0.01 + 0.115 * share;
        p.pour_c += 20.0 * share;
        p.read_c = p.pour_c;
    })
}

/// Medium sterling to which heat does nothing.
fn flat(flasks: usize) -> Plan {
    Plan::medium(Size::Flasks(flasks), 0.0, Heat::none())
}

/// A shop whose pours are changed before anything is counted; `change` is told how much of the
/// record is past, from 0 to 1.
fn changed(seed: u64, plan: &Plan, mut change: impl FnMut(&mut Poured, f64)) -> Ledger {
    let mut poured = pours(seed, plan);
    let last = (poured.len() - 1) as f64;
    for (i, p) in poured.iter_mut().enumerate() {
        change(p, i as f64 / last);
    }
    Ledger {
        seed,
        flasks: counted(seed, plan, &poured),
        lines: plan.lines.clone(),
        nature: plan.nature(seed),
        reads_low_k: poured.last().map_or(0.0, |p| p.pour_c - p.read_c),
    }
}

#[cfg(test)]
mod tests {
    use super::super::CENTRE_C as CENTRE;
    use super::*;

    /// Steering defects per piece of the flasks poured below and at or above `at_c`.
    fn rates(shop: &Ledger, at_c: f64, section: Option<&str>) -> (f64, f64) {
        let mut sums = [(0_u32, 0_u32); 2];
        for f in &shop.flasks {
            if section.is_some() && f.section.as_deref() != section || f.set_aside.is_some() {
                continue;
            }
            if let (Some(n), Some(bad), Some(t)) =
                (f.pieces, f.defective_steering, f.pour_temperature_c)
            {
                let sum = &mut sums[usize::from(t >= at_c)];
                sum.0 += bad;
                sum.1 += n;
            }
        }
        let [low, high] = sums.map(|(bad, n)| f64::from(bad) / f64::from(n));
        (low, high)
    }

    /// Without bait there is no trap: a careless reading gets each of these wrong.
    #[test]
    fn a_careless_reading_falls_into_each_trap() {
        let mean = |shop: Trap, at: f64, section: Option<&str>| {
            let all: Vec<(f64, f64)> = (1..=20)
                .map(|s| rates(&shop(s, FLASKS), at, section))
                .collect();
            let n = all.len() as f64;
            (
                all.iter().map(|r| r.0).sum::<f64>() / n,
                all.iter().map(|r| r.1).sum::<f64>() / n,
            )
        };
        let (cool, hot) = mean(thin_work_poured_hot, 978.0, None);
        assert!(
            hot > 1.5 * cool,
            "pooled, hot pours are worse: {cool} {hot}"
        );
        for (section, at) in [("thin", 992.0), ("medium", 964.0)] {
            let (cool, hot) = mean(thin_work_poured_hot, at, Some(section));
            assert!(hot < 0.75 * cool, "{section}: {cool} {hot}");
        }
        let (cool, hot) = mean(melt_and_flask_together, CENTRE, None);
        assert!(hot < 0.7 * cool, "the melt gets the credit: {cool} {hot}");
        let (cool, hot) = mean(gasket_ages_while_target_creeps, CENTRE + 10.0, None);
        assert!(hot > 1.3 * cool, "the melt gets the blame: {cool} {hot}");
        let (cool, hot) = mean(good_flasks_not_inspected, CENTRE, None);
        assert!(hot < 0.9 * cool, "heat looks good: {cool} {hot}");
        let (cool, hot) = mean(|seed, _| one_bad_session(seed, 100), CENTRE - 9.0, None);
        assert!(hot < 0.8 * cool, "cool looks bad: {cool} {hot}");
    }
}
