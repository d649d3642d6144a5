//! Sessions and the settings their flasks were poured with. About five sessions a week of one to
//! six flasks, three on average, so that 1,300 sessions and 4,000 flasks make five years.

use analysis::time::Micros;

use super::plan::{Plan, Size};
use crate::dice::Dice;

/// A Monday, 00:00 UTC.
const FIRST_DAY: Micros = Micros(1_609_718_400_000_000);
const DAY_S: f64 = 86_400.0;
/// Chance of a session by day of the week, Monday first: 5.0 in all.
const SESSION: [f64; 7] = [0.95, 0.95, 0.95, 0.95, 0.95, 0.25, 0.0];
/// How often a session has 1, 2, … 6 flasks: 3.08 on average.
const FLASKS: [f64; 6] = [0.12, 0.26, 0.26, 0.20, 0.10, 0.06];
/// Minutes between flasks of a session (common practice: a charge is melted in 8 to 20 min).
const BETWEEN_MIN: (f64, f64) = (14.0, 25.0);

/// One flask as it was poured, before anybody counted. A trap changes some of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Poured {
    /// Session, counted from 0.
    pub session: usize,
    /// Flask, counted from 0.
    pub number: usize,
    /// When the stopper lifted.
    pub at: Micros,
    /// Which of the plan's lines.
    pub line: usize,
    /// Pieces on the tree.
    pub pieces: u32,
    /// What was aimed at that day, °C.
    pub aim_c: f64,
    /// What the melt really was, °C.
    pub pour_c: f64,
    /// What the probe said, °C.
    pub read_c: f64,
    /// Flask temperature, °C.
    pub flask_c: f64,
    /// Vacuum as a share of the day's air.
    pub vacuum_share: f64,
    /// Pours on the gasket.
    pub seal_age_pours: u32,
    /// Old metal, %.
    pub remelt_percent: f64,
    /// Shift of both sides' logit that the session brings.
    pub session_effect: f64,
    /// Shift of the cold side's logit beside heat.
    pub cold_shift: f64,
    /// Chance of a nodule for each piece; nothing to do with the pour.
    pub nodules: f64,
    /// Whether its pull failed.
    pub failed_pull: bool,
    /// Whether anybody looked at the pieces.
    pub inspected: bool,
}

/// What the shop of a seed poured, in order of time.
pub fn pours(seed: u64, plan: &Plan) -> Vec<Poured> {
    let nature = plan.nature(seed);
    let mut dice = Dice::new(seed, 41);
    // Targets and luck of sessions each have a stream of their own, so that a plan that asks
    // for more of one keeps the other.
    let mut aims = Dice::new(seed, 42);
    let mut luck = Dice::new(seed, 43);
    let mut wander: Vec<f64> = plan
        .lines
        .iter()
        .map(|_| aims.normal(0.0, nature.target_sd_k))
        .collect();
    let shares: Vec<f64> = plan.lines.iter().map(|l| l.share).collect();
    let mut effect = luck.normal(0.0, nature.session_sd);
    let mut poured: Vec<Poured> = Vec::new();
    let (mut session, mut seal_age_pours) = (0, dice.whole(0, 40));
    for day in 0.. {
        let done = match plan.size {
            Size::Flasks(most) => poured.len() >= most,
            Size::Weeks(weeks) => day >= weeks * 7,
        };
        if done {
            break;
        }
        if !dice.chance(SESSION[day as usize % 7]) {
            continue;
        }
        let mut at =
            FIRST_DAY.plus_seconds(f64::from(day) * DAY_S + dice.between(8.0, 11.0) * 3600.0);
        for _ in 0..=dice.weighted(&FLASKS) {
            if matches!(plan.size, Size::Flasks(most) if poured.len() >= most) {
                break;
            }
            let line = dice.weighted(&shares);
            let of = &plan.lines[line];
            let (fewest, usual, most) = of.pieces;
            // Counts spread by about a third of their size (invented).
            let pieces = (usual * dice.normal(0.0, 0.35).exp()).round() as u32;
            let aim_c = of.usual_c + wander[line];
            let pour_c = aim_c + aims.normal(0.0, nature.within_sd_k);
            poured.push(Poured {
                session,
                number: poured.len(),
                at,
                line,
                pieces: pieces.clamp(fewest, most),
                aim_c,
                pour_c,
                read_c: pour_c,
                // Kilns hold within a few kelvin; shelf and way to the chamber add some ten.
                flask_c: dice.near(of.flask_c, 9.0, 30.0),
                vacuum_share: dice.near(0.90, 0.015, 0.05),
                seal_age_pours,
                remelt_percent: dice.near(40.0, 12.0, 40.0),
                session_effect: effect,
                cold_shift: 0.0,
                // Nodules are of the order of one in a hundred pieces (invented).
                nodules: 0.008,
                failed_pull: dice.chance(plan.set_aside),
                inspected: !dice.chance(plan.uninspected),
            });
            seal_age_pours += 1;
            at = at.plus_seconds(60.0 * dice.between(BETWEEN_MIN.0, BETWEEN_MIN.1));
        }
        session += 1;
        // Gaskets are changed after some fifty to a hundred pours (common practice).
        if seal_age_pours > 60 && dice.chance(0.1) {
            seal_age_pours = 0;
        }
        for w in &mut wander {
            *w = follow(&mut aims, *w, plan.target_memory, nature.target_sd_k);
        }
        effect = follow(&mut luck, effect, plan.session_memory, nature.session_sd);
    }
    poured
}

/// The next step of a wandering that keeps its spread: AR(1).
fn follow(dice: &mut Dice, from: f64, memory: f64, sd: f64) -> f64 {
    memory * from + (1.0 - memory * memory).sqrt() * dice.normal(0.0, sd)
}
