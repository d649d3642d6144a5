//! What holds when a trap is sprung: how often it still leads to a claim, and otherwise what
//! held the claim back.

use std::collections::BTreeMap;

use analysis::evidence::Grade;
use sample_data::ledger::traps::Trap;

use super::score::asked;
use super::tally::Share;

/// Many shops of one trap added up.
#[derive(Clone, Debug, Default)]
pub struct Trapped {
    /// Shops with a claim.
    pub claimed: Share,
    /// Shops where a change is clear of chance, claimed or not: the bait was seen.
    pub tempted: Share,
    /// What held it back in these, by code, most often first.
    pub held_back: BTreeMap<String, usize>,
}

/// What one shop with a trap came to: claimed, tempted, and the caps.
#[derive(Clone, Debug, PartialEq)]
pub struct Sprung {
    claimed: bool,
    tempted: bool,
    caps: Vec<String>,
}

/// Asks for the evidence of one shop with a trap.
pub fn sprung(trap: Trap, seed: u64, flasks: usize) -> Sprung {
    let said = asked(&trap(seed, flasks));
    let clear =
        |s: &&analysis::evidence::Stratum| s.advice.change_high.is_some_and(|high| high < 0.0);
    let mut caps: Vec<String> = said
        .strata
        .iter()
        .filter(clear)
        .flat_map(|s| s.advice.caps.iter().map(|c| c.code.clone()))
        .collect();
    caps.sort();
    caps.dedup();
    Sprung {
        claimed: said.strata.iter().any(|s| s.advice.grade >= Grade::Fair),
        tempted: said.strata.iter().any(|s| clear(&s)),
        caps,
    }
}

impl Trapped {
    /// Adds a shop.
    pub fn add(&mut self, shop: &Sprung) {
        self.claimed.add(shop.claimed);
        self.tempted.add(shop.tempted);
        for cap in &shop.caps {
            *self.held_back.entry(cap.clone()).or_default() += 1;
        }
    }

    /// A row of the table of traps.
    pub fn line(&self, words: &str, flasks: usize) -> String {
        let mut codes: Vec<(&String, &usize)> = self.held_back.iter().collect();
        codes.sort_by(|a, b| b.1.cmp(a.1));
        let codes: Vec<String> = codes
            .iter()
            .take(4)
            .map(|(code, n)| format!("{code} {n}"))
            .collect();
        format!(
            "| {words} | {flasks} | {} | {} | {} | {} |",
            self.claimed.of,
            self.tempted,
            self.claimed,
            codes.join(", ")
        )
    }
}

/// The head of the table of traps.
pub const HEAD: &str = "\
| trap | flasks | shops | bait seen | claimed | held back by, shops |
|---|---|---|---|---|---|";
