//! Invented flasks, pulls and pours over so many weeks, for the charts that show a book's history.

use analysis::pour::Verdict;
use analysis::time::Micros;
use reports::chart::curve::{At, Flask};
use reports::chart::pulls::{Change, Pull};

use super::dice::Dice;

/// Seconds in a day.
pub const DAY_S: f64 = 86_400.0;

/// Monday 23 November 2026, 06:00 UTC: when the report is made.
pub fn now() -> Micros {
    Micros(1_795_413_600_000_000)
}

/// When sessions opened: two a week.
pub fn sessions(weeks: u32) -> Vec<Micros> {
    (0..weeks)
        .flat_map(|week| {
            [1.0, 3.0].map(|day| {
                let days = f64::from(week) * 7.0 - f64::from(weeks) * 7.0 + day;
                now().plus_seconds(days * DAY_S + 33_000.0)
            })
        })
        .collect()
}

/// The true share of defective pieces at a pour temperature, °C: cold shuts below, porosity above.
pub fn truth(pour_c: f64) -> f64 {
    let off = pour_c - 981.0;
    0.035 + 0.06 * (off / 18.0).powi(2)
}

/// Flasks of these weeks, `each` a session.
pub fn flasks(dice: &mut Dice, weeks: u32, each: u32, label: &dyn Fn(u32) -> String) -> Vec<Flask> {
    let mut out = Vec::new();
    for (day, at) in sessions(weeks).into_iter().enumerate() {
        let shift = (dice.bell() * 0.3).exp();
        for n in 0..each {
            let pour_c = 969.0 + dice.bell() * 8.0;
            let pieces = 12 + (dice.roll() * 26.0) as u32;
            let defective = dice.hits(pieces, (truth(pour_c) * shift).min(0.9));
            out.push(Flask {
                label: label(day as u32 * each + n),
                cast_at: at.plus_seconds(f64::from(n) * 1900.0),
                pour_c,
                pieces,
                defective,
            });
        }
    }
    out
}

/// A curve as the model might give it between two temperatures, °C.
pub fn line(from_c: i32, until_c: i32, flasks: &[Flask]) -> Vec<At> {
    (from_c..=until_c)
        .map(|c| {
            let pour_c = f64::from(c);
            let near = flasks
                .iter()
                .filter(|f| (f.pour_c - pour_c).abs() <= 10.0)
                .count();
            let rate = truth(pour_c);
            let unsure = (0.28 + 4.0 / (near as f64).max(1.0)).min(1.6);
            At {
                pour_c,
                rate,
                least: rate,
                most: rate,
                limits: Some((rate * (-unsure).exp(), (rate * unsure.exp()).min(1.0))),
                flasks: near,
            }
        })
        .collect()
}

/// Pulls of these weeks: a gasket fades and is changed every `life` pours.
pub fn pulls(dice: &mut Dice, weeks: u32, each: u32, life: u32) -> (Vec<Pull>, Vec<Change>) {
    let (mut pulls, mut changes) = (Vec::new(), Vec::new());
    let mut age = 20;
    for at in sessions(weeks) {
        if age >= life {
            age = 0;
            changes.push(Change {
                at: at.plus_seconds(-1800.0),
                part: "gasket".to_owned(),
            });
        }
        for n in 0..each {
            let worn = f64::from(age) / f64::from(life);
            let roll = dice.roll();
            let verdict = match roll {
                r if r < 0.03 => Verdict::Weak,
                r if r < 0.035 => Verdict::Missing,
                r if r < 0.05 => Verdict::Unknown,
                _ => Verdict::Good,
            };
            let depth = match verdict {
                Verdict::Weak => 70.0 + dice.bell(),
                Verdict::Missing => 1.0,
                _ => 87.0 - 4.0 * worn * worn + dice.bell() * 0.8,
            };
            pulls.push(Pull {
                at: at.plus_seconds(f64::from(n) * 1900.0),
                depth_kpa: Some(depth),
                share: Some(depth / 100.4),
                tau_s: (verdict != Verdict::Missing)
                    .then(|| 3.9 + 1.4 * worn * worn + dice.bell() * 0.15),
                age_pours: Some(age),
                verdict,
                poured: roll >= 0.035,
            });
            age += u32::from(roll >= 0.035);
        }
    }
    (pulls, changes)
}
