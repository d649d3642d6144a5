//! The advice of one alloy and section in figures: grade, temperature, change, what is not ruled out
//! and what would undo it.

use super::answer::asked_otherwise;
use super::curve::Curve;
use super::doubts::{near, tipping_point};
use super::grades::{Cap, Grade};
use super::standing::{Found, Key, Poured, Standing};
use super::{Advice, CurvePoint, Question, TrialSaid};

/// Temperatures closer than this are one to a caster and to the probe, K.
pub(super) const ALIKE_K: f64 = 2.5;
/// The farthest that "hotter" or "cooler" goes beyond what was tried, K.
pub(super) const FARTHEST_K: f64 = 10.0;

/// The advice, and what its sentence needs beside it.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Advised {
    pub advice: Advice,
    /// Why there is no grade.
    pub barred: Option<Cap>,
    /// Whether a formal look showed it and it still holds.
    pub claimed: bool,
    /// Whether its change is clear of chance now, claimed or not.
    pub clear: bool,
    /// The temperature that "hotter" or "cooler" ends at, °C; `None` where the alloy's usual range
    /// does before.
    pub until_c: Option<f64>,
    /// The trial that decides where the flasks at large claim nothing.
    pub trial: Option<TrialSaid>,
}

/// Without a counted flask there is nothing to advise.
pub(super) fn nothing_counted(usual_c: Option<f64>) -> Advice {
    Advice {
        grade: Grade::None,
        caps: Vec::new(),
        pour_temperature_c: None,
        edge: None,
        flat_from_c: None,
        flat_to_c: None,
        usual_c,
        against_c: None,
        expected_change: None,
        change_low: None,
        change_high: None,
        held_equal: Vec::new(),
        uninspected_near: None,
        aim: None,
        tipping_rate: None,
        sentence: String::new(),
    }
}

/// The curve as it is told.
pub(super) fn points(curve: &Curve) -> Vec<CurvePoint> {
    (0..curve.at.len())
        .map(|i| {
            let (least, most, limits) = curve.rate(i);
            CurvePoint {
                pour_temperature_c: curve.at[i].pour_c,
                rate: f64::midpoint(least, most),
                rate_least: least.min(most),
                rate_most: most.max(least),
                low: limits.map(|l| l.0),
                high: limits.map(|l| l.1),
                flasks_near: curve.at[i].flasks,
            }
        })
        .collect()
}

/// The advice of a standing. A completed trial that passed makes a claim of the same way strong, and
/// is fair by itself: lots were drawn, so nothing but chance can have made its difference. While
/// probes that were never compared are in it neither holds.
pub(super) fn advised(
    key: &Key,
    standing: &Standing,
    poured: &[Poured],
    ask: &Question,
) -> Advised {
    let mut told = by_flasks(key, standing, poured, ask);
    let Some(trial) = passed(key, ask).filter(|_| standing.unresolved.is_none()) else {
        return told;
    };
    if another_probe(trial, standing) {
        told.advice.caps.insert(
            0,
            Cap::new(
                "trial-on-another-probe",
                "the trial was poured by an earlier probe, and how many degrees that and today's \
                 read apart is not known",
            ),
        );
        return told;
    }
    let agrees = |pour_c: f64| {
        let middle = f64::midpoint(trial.better_c, trial.other_c);
        (pour_c > middle) == (trial.better_c > middle)
    };
    if told.claimed && told.advice.pour_temperature_c.is_some_and(agrees) {
        return told;
    }
    by_trial(told, trial)
}

/// Whether a trial was read by a probe that was never compared with today's: its temperatures are
/// then none of today's.
fn another_probe(trial: &TrialSaid, standing: &Standing) -> bool {
    let then = trial.scale.as_deref();
    then.is_some() && standing.scale.is_some() && then != standing.scale
}

/// The newest trial of an alloy and section that passed, as far as it is known at the time asked
/// for, and where the standing question is asked.
fn passed<'q>(key: &Key, ask: &'q Question) -> Option<&'q TrialSaid> {
    if asked_otherwise(ask).is_some() {
        return None;
    }
    ask.trials
        .iter()
        .filter(|t| t.passed && Some(&t.alloy) == key.0.as_ref() && t.section == key.1)
        .filter(|t| ask.until.is_none_or(|until| t.completed_at < until))
        .max_by_key(|t| t.completed_at)
}

/// What a trial says where the flasks at large claim nothing, or a thing that the trial denies.
fn by_trial(told: Advised, trial: &TrialSaid) -> Advised {
    let mut advice = Advice {
        grade: Grade::Fair,
        caps: told.advice.caps,
        pour_temperature_c: Some(trial.better_c),
        against_c: Some(trial.other_c),
        expected_change: Some(trial.change),
        change_low: Some(trial.change_low),
        change_high: Some(trial.change_high),
        ..nothing_counted(told.advice.usual_c)
    };
    if told.claimed {
        advice.caps.push(Cap::new(
            "trial-says-otherwise",
            "all flasks together say otherwise than the trial, and lots weigh more",
        ));
    }
    Advised {
        advice,
        barred: None,
        claimed: false,
        clear: false,
        until_c: None,
        trial: Some(trial.clone()),
    }
}

/// The advice by the flasks at large.
fn by_flasks(key: &Key, standing: &Standing, poured: &[Poured], ask: &Question) -> Advised {
    let mut advice = nothing_counted(standing.usual_c);
    if let Some(barred) = &standing.barred {
        advice.caps.push(barred.clone());
        return Advised {
            advice,
            barred: Some(barred.clone()),
            claimed: false,
            clear: false,
            until_c: None,
            trial: None,
        };
    }
    let Some(found) = &standing.found else {
        return Advised {
            advice,
            barred: None,
            claimed: false,
            clear: false,
            until_c: None,
            trial: None,
        };
    };
    let (grade, point) = graded(key, standing, found, ask);
    advice.grade = grade;
    advice.caps.clone_from(&found.caps);
    let curve = &found.study.curve;
    advice.held_equal = found
        .study
        .fits
        .most
        .plan
        .held()
        .into_iter()
        .map(str::to_owned)
        .collect();
    let Some(point) = point else {
        return Advised {
            advice,
            barred: None,
            claimed: false,
            clear: false,
            until_c: None,
            trial: None,
        };
    };
    let pour_c = curve.at[point].pour_c;
    let change = curve.change(point);
    let (flat_from, flat_to) = curve.flat(point);
    advice.pour_temperature_c = Some(pour_c);
    advice.against_c = Some(curve.reference_c);
    advice.expected_change = Some(change.estimate);
    advice.change_low = change.limits.map(|l| l.0);
    advice.change_high = change.limits.map(|l| l.1);
    advice.flat_from_c = Some(flat_from);
    advice.flat_to_c = Some(flat_to);
    let near_c = |inspected: bool| {
        near(
            poured
                .iter()
                .filter(|p| p.inspected == inspected)
                .filter_map(|p| p.pour_c),
            pour_c,
        )
    };
    let uninspected = near_c(false);
    advice.uninspected_near = Some(uninspected);
    let (_, rate, _) = curve.rate(point);
    advice.tipping_rate =
        tipping_point(rate, curve.reference_rate(), near_c(true), uninspected).map(|t| t.rate);
    let edge = curve.edge(point);
    // Beyond the alloy's usual range nobody is sent.
    let alloy = key.0.as_deref().and_then(|name| ask.alloys.get(name));
    let until_c = edge.and_then(|edge| {
        let farthest = if edge == "hotter" {
            alloy.map_or(pour_c + FARTHEST_K, |a| {
                a.pour_high_c.min(pour_c + FARTHEST_K)
            })
        } else {
            alloy.map_or(pour_c - FARTHEST_K, |a| {
                a.pour_low_c.max(pour_c - FARTHEST_K)
            })
        };
        let room = if edge == "hotter" {
            farthest - pour_c
        } else {
            pour_c - farthest
        };
        (room >= ALIKE_K).then_some(farthest)
    });
    advice.edge = edge.filter(|_| until_c.is_some()).map(str::to_owned);
    Advised {
        barred: None,
        claimed: found.claim.is_some(),
        clear: found.study.holds(point),
        until_c,
        trial: None,
        advice,
    }
}

/// Fair where a claim stands; strong where a completed trial of this alloy and section passed as
/// well and went the same way. With it the advised point: the trial's own temperature, where the
/// flasks at large show it as well and do not rule it out.
fn graded(key: &Key, standing: &Standing, found: &Found, ask: &Question) -> (Grade, Option<usize>) {
    let Some(claim) = found.claim else {
        return (Grade::Weak, found.point);
    };
    let same_way = |t: &&TrialSaid| (t.better_c > t.other_c) == (claim.pour_c > claim.against_c);
    let Some(trial) = passed(key, ask)
        .filter(same_way)
        .filter(|t| !another_probe(t, standing))
    else {
        return (Grade::Fair, found.point);
    };
    let curve = &found.study.curve;
    let as_well = |arm: &usize| {
        found.point.is_some_and(|point| {
            let (from, to) = curve.flat(point);
            (from..=to).contains(&curve.at[*arm].pour_c)
        }) && (curve.at[*arm].pour_c - trial.better_c).abs() < ALIKE_K
            && found.study.holds(*arm)
    };
    let arm = curve.nearest(trial.better_c).filter(as_well);
    (Grade::Strong, arm.or(found.point))
}
