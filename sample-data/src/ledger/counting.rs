//! What became of the pieces, and what was written down: defects by kind, steering defects,
//! flasks that nobody looked at, flasks set aside with their reason.

use std::collections::BTreeMap;

use analysis::flask::Flask;
use analysis::upkeep::Fault;

use super::plan::Plan;
use super::pouring::Poured;
use super::truth::either;
use crate::dice::Dice;

/// Share of the cold side that shows as a cold shut, the rest being no-fill (invented, as in
/// [`crate::defects::COMMON`]).
const COLD_SHUT_SHARE: f64 = 0.25;
/// Share of the hot side that shows as a rough surface, the rest being gas porosity (invented).
const ROUGH_SHARE: f64 = 0.3;
/// Shift of the cold side's logit after a failed pull: vacuum is what fills thin work.
const FAILED_PULL: f64 = 2.0;

/// The flasks of the shop of `seed` as its records have them.
pub fn counted(seed: u64, plan: &Plan, poured: &[Poured]) -> Vec<Flask> {
    let nature = plan.nature(seed);
    let mut dice = Dice::new(seed, 44);
    poured
        .iter()
        .map(|p| {
            let line = &plan.lines[p.line];
            let cold_shift = p.cold_shift + if p.failed_pull { FAILED_PULL } else { 0.0 };
            let (cold, hot) = line.heat.sides(p.pour_c, p.session_effect, cold_shift);
            // Pieces of a flask share a chance drawn around the session's.
            let chance = dice.share(either(cold, hot), nature.flask_correlation);
            let steering = dice.of(p.pieces, chance);
            let on_cold_side = dice.of(steering, cold / (cold + hot));
            let cold_shut = dice.of(on_cold_side, COLD_SHUT_SHARE);
            let rough = dice.of(steering - on_cold_side, ROUGH_SHARE);
            // Nodules fall on good and bad pieces alike.
            let nodules_on_bad = dice.of(steering, p.nodules);
            let nodules_on_good = dice.of(p.pieces - steering, p.nodules);
            let kinds: BTreeMap<String, u32> = [
                ("no-fill", on_cold_side - cold_shut),
                ("cold-shut", cold_shut),
                ("gas-porosity", steering - on_cold_side - rough),
                ("rough-surface", rough),
                ("nodule", nodules_on_bad + nodules_on_good),
            ]
            .map(|(kind, n)| (kind.to_owned(), n))
            .into();
            let seen = |n: u32| p.inspected.then_some(n);
            Flask {
                id: format!("flask-{:05}", p.number),
                label: format!("F{}", p.number % 100),
                session: format!("session-{:05}", p.session),
                machine: "bench-1".to_owned(),
                cast_at: p.at,
                alloy: Some(line.alloy.to_owned()),
                section: Some(line.section.to_owned()),
                pieces: seen(p.pieces),
                defective: seen(steering + nodules_on_good),
                defective_steering: seen(steering),
                kinds: if p.inspected { kinds } else { BTreeMap::new() },
                pour_temperature_c: Some(p.read_c),
                flask_temperature_c: Some(p.flask_c),
                // Sea-level air.
                vacuum_kpa: Some(p.vacuum_share * 101.325),
                vacuum_share: Some(p.vacuum_share),
                gas_flow_l_min: Some(8.0),
                soak_min: Some(150.0),
                seal_age_pours: Some(p.seal_age_pours),
                remelt_percent: Some(p.remelt_percent),
                metal_g: Some(f64::from(p.pieces) * 6.0),
                set_aside: p.failed_pull.then(|| Fault::WeakPull.into()),
                ..Flask::default()
            }
        })
        .collect()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::super::plan::{Plan, Size};
    use super::super::{Heat, draw, draw_aimed};

    #[test]
    fn five_years_are_some_1300_sessions_of_some_4000_flasks() {
        let shop = draw(1, &Plan::three_sections(Size::Weeks(260), Heat::cup()));
        let mut sessions: Vec<&str> = shop.flasks.iter().map(|f| f.session.as_str()).collect();
        sessions.dedup();
        assert!((1250..1350).contains(&sessions.len()), "{}", sessions.len());
        let flasks = shop.flasks.len();
        assert!((3800..4200).contains(&flasks), "{flasks}");
        assert!(shop.flasks.is_sorted_by_key(|f| f.cast_at));
        assert!(shop.flasks.iter().all(|f| {
            f.pieces.is_none_or(|n| (8..=60).contains(&n))
                && f.defective_steering <= f.defective
                && f.defective <= f.pieces
        }));
        let aside = shop.flasks.iter().filter(|f| f.set_aside.is_some()).count();
        assert!((100..240).contains(&aside), "{aside}");
    }

    #[test]
    fn one_seed_is_one_shop() {
        let plan = Plan::medium(Size::Flasks(100), -12.0, Heat::cup());
        assert_eq!(draw(7, &plan).flasks, draw(7, &plan).flasks);
        assert_ne!(draw(7, &plan).flasks, draw(8, &plan).flasks);
        assert_eq!(draw(7, &plan).flasks.len(), 100);
    }

    #[test]
    fn flasks_told_what_to_aim_at_scatter_around_it_and_the_others_are_as_ever() {
        let plan = Plan::medium(Size::Flasks(300), 0.0, Heat::none());
        let aimed = draw_aimed(3, &plan, |session, place| {
            (session >= 40).then_some(if place % 2 == 0 { 960.0 } else { 980.0 })
        });
        let usual = draw(3, &plan);
        let before = usual
            .flasks
            .iter()
            .position(|f| f.session == "session-00040")
            .unwrap();
        assert_eq!(aimed.flasks[..before], usual.flasks[..before]);
        let firsts: Vec<f64> = aimed.flasks[before..]
            .chunk_by(|a, b| a.session == b.session)
            .map(|session| session[0].pour_temperature_c.unwrap() - 960.0)
            .collect();
        let mean = firsts.iter().sum::<f64>() / firsts.len() as f64;
        assert!(firsts.len() > 40 && mean.abs() < 2.0, "{mean}");
        assert!(firsts.iter().any(|off| off.abs() > 3.0));
    }

    /// The truth that scores are held against is the rate that many flasks really show.
    #[test]
    fn the_long_run_is_what_the_truth_says() {
        let plan = Plan::medium(Size::Weeks(2600), -12.0, Heat::cup());
        let shop = draw(5, &plan);
        for from in [950.0, 960.0, 970.0] {
            let near: Vec<_> = shop
                .flasks
                .iter()
                .filter(|f| f.set_aside.is_none() && f.pieces.is_some())
                .filter(|f| {
                    let t = f.pour_temperature_c.unwrap();
                    (from..from + 2.0).contains(&t)
                })
                .collect();
            let bad: u32 = near.iter().map(|f| f.defective_steering.unwrap()).sum();
            let pieces: u32 = near.iter().map(|f| f.pieces.unwrap()).sum();
            let seen = f64::from(bad) / f64::from(pieces);
            let truth = shop.rate(0, from + 1.0);
            assert!(near.len() > 1000, "{}", near.len());
            assert!((seen / truth - 1.0).abs() < 0.06, "{from}: {seen} {truth}");
        }
    }
}
