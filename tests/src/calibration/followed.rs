//! Shops that do what they are told: pour at the temperature that was advised, look again after a
//! hundred more flasks, and so on. One piece of advice goes no farther than was tried; whether
//! several of them arrive is asked here, and beside them whoever goes by the lowest raw bin.

use analysis::evidence::Stratum;
use sample_data::ledger::plan::Size;
use sample_data::ledger::{Ledger, Plan, draw_aimed};

use super::naive::lowest_bin;
use super::score::{asked, stratum_of};
use super::tally::Mean;

/// Times that advice is followed.
pub const ROUNDS: usize = 3;
/// Flasks between one look and the next.
pub const BETWEEN: usize = 100;
/// How far beyond what was tried a shop goes that is told to try hotter or cooler, K: half of what
/// the advice allows.
const BEYOND_K: f64 = 5.0;
/// What sterling is usually poured at, °C: nobody looks for a best outside.
const WINDOW_C: (f64, f64) = (940.0, 1000.0);

/// What a shop loses against the best in the alloy's usual range, as shares of pieces.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Followed {
    /// Pouring as usual.
    pub usual: f64,
    /// At the first advice.
    pub first: f64,
    /// At the last, [`ROUNDS`] later.
    pub last: f64,
    /// At the lowest raw bin, followed in the same rounds.
    pub naive_last: f64,
}

/// Where a shop that is told this pours next; `None` where nothing is told.
fn told(said: &Stratum) -> Option<f64> {
    let advice = &said.advice;
    let beyond = match advice.edge.as_deref() {
        Some("hotter") => BEYOND_K,
        Some("cooler") => -BEYOND_K,
        _ => 0.0,
    };
    let pour_c = advice.pour_temperature_c? + beyond;
    Some(pour_c.clamp(WINDOW_C.0, WINDOW_C.1))
}

/// The temperatures aimed at after each look, the last one included, by a rule that reads the shop.
fn aims(seed: u64, plan: &Plan, flasks: usize, rule: impl Fn(&Ledger) -> Option<f64>) -> Vec<f64> {
    let mut from: Vec<(usize, f64)> = Vec::new();
    let mut aims = Vec::new();
    for round in 0..=ROUNDS {
        let shop = draw_aimed(
            seed,
            &Plan {
                size: Size::Flasks(flasks + round * BETWEEN),
                ..plan.clone()
            },
            |session, _| {
                from.iter()
                    .rev()
                    .find(|(since, _)| session >= *since)
                    .map(|(_, aim)| *aim)
            },
        );
        let sessions = shop.flasks.chunk_by(|a, b| a.session == b.session).count();
        let before = aims.last().copied().unwrap_or(plan.lines[0].usual_c);
        let aim = rule(&shop).unwrap_or(before);
        from.push((sessions, aim));
        aims.push(aim);
    }
    aims
}

/// What becomes of the shop of this seed, which has poured so many flasks as ever.
pub fn followed(seed: u64, plan: &Plan, flasks: usize) -> Followed {
    let shop = draw_aimed(
        seed,
        &Plan {
            size: Size::Flasks(0),
            ..plan.clone()
        },
        |_, _| None,
    );
    let (low, high) = WINDOW_C;
    let best = (low as i32..=high as i32)
        .map(|t| shop.rate(0, f64::from(t)))
        .fold(f64::INFINITY, f64::min);
    let lost = |t: f64| shop.rate(0, t) - best;
    let advised = aims(seed, plan, flasks, |shop| {
        told(stratum_of(&asked(shop), shop, 0)?)
    });
    let naive = aims(seed, plan, flasks, |shop| lowest_bin(&shop.flasks));
    Followed {
        usual: lost(plan.lines[0].usual_c),
        first: lost(advised[0]),
        last: lost(advised[ROUNDS]),
        naive_last: lost(naive[ROUNDS]),
    }
}

/// Many shops added up.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    /// As usual.
    pub usual: Mean,
    /// At the first advice.
    pub first: Mean,
    /// At the last.
    pub last: Mean,
    /// By the lowest bin.
    pub naive_last: Mean,
}

impl Tally {
    /// Adds a shop.
    pub fn add(&mut self, shop: &Followed) {
        self.usual.add(shop.usual);
        self.first.add(shop.first);
        self.last.add(shop.last);
        self.naive_last.add(shop.naive_last);
    }

    /// A row of the table.
    pub fn line(&self, words: &str) -> String {
        format!(
            "| {words} | {} | {} | {} | {} | {} |",
            self.usual.shops, self.usual, self.first, self.last, self.naive_last
        )
    }
}

/// The head of the table.
pub const HEAD: &str = "\
| followed for three rounds of 100 flasks | number | lost as usual | at the first advice | at the last advice | at the last lowest bin |
|---|---|---|---|---|---|";
