//! What the people wrote down of a simulated session: a card for every flask, and the counts of
//! those who looked at its castings.
//!
//! Every piece is drawn by itself from the odds of its pour, so a flask's count scatters as a
//! real one does. The records' shapes are in [`crate::records`], the odds in [`crate::defects`].

use analysis::time::Micros;

use crate::defects::{COMMON, KINDS, Odds};
use crate::dice::Dice;
use crate::plan::{FlaskPlan, SessionPlan};
use crate::records::{FlaskCard, Inspection};
use crate::truth::PourTruth;

/// What is written down of a session: cards to the minute, and the counts of the flasks that
/// somebody inspected. `burnout_from` is when the kiln was lit, `kiln_out` when each flask left it.
pub(crate) fn write_down(
    plan: &SessionPlan,
    pours: &[PourTruth],
    burnout_from: Micros,
    kiln_out: &[Micros],
) -> (Vec<FlaskCard>, Vec<Inspection>) {
    let mut dice = Dice::new(plan.seed, 4);
    let kiln_in = to_minute(burnout_from);
    let mut cards = Vec::new();
    let mut inspections = Vec::new();
    for (i, (flask, pour)) in plan.flasks.iter().zip(pours).enumerate() {
        let order = i as u32 + 1;
        cards.push(FlaskCard {
            label: flask.label.clone(),
            order,
            alloy: plan.alloy.clone(),
            section: flask.section.clone(),
            pattern: flask.pattern.clone(),
            pieces: flask.pieces,
            metal_g: flask.metal_g,
            remelt_percent: flask.remelt_percent,
            diameter_mm: 100.0,
            kiln: plan.kiln.clone(),
            target_pour_c: flask.target_c,
            set_point_c: plan.soak_c,
            soak_min: 120.0,
            kiln_in,
            kiln_out: to_minute(kiln_out[i]),
            poured_at: to_minute(pour.at),
            by: plan.caster.clone(),
        });
        let inspection = inspect(plan, flask, order, pour.odds, &mut dice);
        if flask.inspected {
            inspections.push(inspection);
        }
    }
    (cards, inspections)
}

/// Counts a flask's pieces, each drawn by itself.
fn inspect(
    plan: &SessionPlan,
    flask: &FlaskPlan,
    order: u32,
    odds: Odds,
    dice: &mut Dice,
) -> Inspection {
    let mut kinds = KINDS.map(|kind| (kind.to_owned(), 0_u32));
    let (mut defective, mut defective_steering) = (0, 0);
    for _ in 0..flask.pieces {
        let mut seen = [false; KINDS.len()];
        if dice.chance(odds.cold) {
            seen[usize::from(dice.chance(COMMON.cold_shut_share))] = true;
        }
        if dice.chance(odds.hot) {
            seen[2 + usize::from(dice.chance(COMMON.rough_share))] = true;
        }
        seen[4] = dice.chance(COMMON.shrinkage);
        // The kinds before these are the ones that may steer.
        let steering = seen.iter().any(|s| *s);
        seen[5] = dice.chance(COMMON.nodule);
        seen[6] = dice.chance(COMMON.watermark);
        seen[7] = dice.chance(COMMON.broken_pattern);
        defective_steering += u32::from(steering);
        defective += u32::from(seen.iter().any(|s| *s));
        for ((_, count), seen) in kinds.iter_mut().zip(seen) {
            *count += u32::from(seen);
        }
    }
    Inspection {
        label: flask.label.clone(),
        order,
        stage: "cut".to_owned(),
        at: plan.inspected_at.plus_seconds(f64::from(order) * 420.0),
        pieces: flask.pieces,
        defective,
        defective_steering,
        kinds: kinds.into_iter().collect(),
        by: plan.inspector.clone(),
        blind: flask.blind,
    }
}

fn to_minute(t: Micros) -> Micros {
    Micros(t.0.div_euclid(60_000_000) * 60_000_000)
}
