//! What holds when a trap is sprung: how often it still leads to a claim, and otherwise what
//! held the claim back.

use std::collections::BTreeMap;

use analysis::evidence::{Grade, Stratum};
use sample_data::ledger::Ledger;
use sample_data::ledger::traps::Trap;

use super::score::asked;
use super::tally::Share;

/// Many shops of one trap added up.
#[derive(Clone, Debug, Default)]
pub struct Trapped {
    /// Shops with a claim.
    pub claimed: Share,
    /// … that would make nothing better.
    pub wrongly: Share,
    /// Shops where a change is clear of chance, claimed or not: the bait was seen.
    pub tempted: Share,
    /// What held it back in these, by code, most often first.
    pub held_back: BTreeMap<String, usize>,
}

/// What one shop with a trap came to: claimed, tempted, and the caps.
#[derive(Clone, Debug, PartialEq)]
pub struct Sprung {
    claimed: bool,
    wrongly: bool,
    tempted: bool,
    caps: Vec<String>,
}

/// What following the advice would do to the rate, on the probe as it reads today. Where nobody
/// wrote the section down, the shop's first line stands for it.
pub fn true_change(shop: &Ledger, stratum: &Stratum) -> Option<f64> {
    let advice = &stratum.advice;
    let line = shop
        .lines
        .iter()
        .position(|l| stratum.section.as_deref() == Some(l.section))
        .unwrap_or(0);
    Some(shop.rate(line, advice.pour_temperature_c?) - shop.rate(line, advice.against_c?))
}

/// Asks for the evidence of one shop with a trap.
pub fn sprung(trap: Trap, seed: u64, flasks: usize) -> Sprung {
    let shop = trap(seed, flasks);
    let said = asked(&shop);
    let clear = |s: &&Stratum| s.advice.change_high.is_some_and(|high| high < 0.0);
    let claims = |s: &&Stratum| s.advice.grade >= Grade::Fair;
    let mut caps: Vec<String> = said
        .strata
        .iter()
        .filter(clear)
        .flat_map(|s| s.advice.caps.iter().map(|c| c.code.clone()))
        .collect();
    caps.sort();
    caps.dedup();
    Sprung {
        claimed: said.strata.iter().any(|s| claims(&s)),
        wrongly: said
            .strata
            .iter()
            .filter(claims)
            .any(|s| true_change(&shop, s).is_none_or(|c| c >= 0.0)),
        tempted: said.strata.iter().any(|s| clear(&s)),
        caps,
    }
}

impl Trapped {
    /// Adds a shop.
    pub fn add(&mut self, shop: &Sprung) {
        self.claimed.add(shop.claimed);
        self.wrongly.add(shop.wrongly);
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
            "| {words} | {flasks} | {} | {} | {} | {} | {} |",
            self.claimed.of,
            self.tempted,
            self.claimed,
            self.wrongly,
            codes.join(", ")
        )
    }
}

/// The head of the table of traps.
pub const HEAD: &str = "\
| trap | flasks | shops | bait seen | claimed | wrongly | held back by, shops |
|---|---|---|---|---|---|---|";
