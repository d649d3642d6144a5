//! Verdicts over shops whose gaskets wear out: each session is judged against what the rows of
//! the sessions before it make usual, as a daemon would.

use std::fmt::{self, Display};

use analysis::pour::assemble::Context;
use analysis::pour::usual::usuals;
use analysis::pour::{Row, Setup, extract};
use analysis::upkeep::{Part, PartChange};
use sample_data::chamber::Seating;
use sample_data::drawn::{SealShop, Trouble, Worth};
use serde_json::{Value, json};

use super::feed::meta_of;
use super::tally::{place, share};

/// Verdicts by the age of the gasket, in tens of pours.
#[derive(Clone, Debug, Default)]
pub struct SealTally {
    /// By decade of pours: pulls on a well seated flask, and of those called weak.
    pub worn: [(usize, usize); 8],
    /// Pulls of true worth good, in between, weak, missing against verdicts good, weak,
    /// missing, unknown, none; once the usual was known.
    pub verdicts: [[usize; 5]; 4],
}

impl SealTally {
    /// Adds another tally.
    pub fn add(&mut self, other: &SealTally) {
        for (mine, theirs) in self.worn.iter_mut().zip(&other.worn) {
            mine.0 += theirs.0;
            mine.1 += theirs.1;
        }
        for (mine, theirs) in self.verdicts.iter_mut().zip(&other.verdicts) {
            for (mine, theirs) in mine.iter_mut().zip(theirs) {
                *mine += theirs;
            }
        }
    }

    /// The same as JSON: verdicts by true worth, and pulls and weak ones by tens of pours.
    pub fn json(&self) -> Value {
        json!({ "verdicts": self.verdicts, "worn": self.worn })
    }

    /// Plays a shop through.
    pub fn play(&mut self, shop: &SealShop) {
        let context = Context {
            part_changes: shop
                .gasket_changes
                .iter()
                .map(|at| PartChange::new("bench-1", Part::Gasket, *at))
                .collect(),
            ..Context::default()
        };
        let mut rows: Vec<Row> = Vec::new();
        for session in &shop.sessions {
            let Some(begins) = session.arrivals.first().map(|a| a.at) else {
                continue;
            };
            let usual = usuals(&rows, &context, "bench-1", begins).of(None);
            let setup = Setup {
                usual,
                ..session.setup
            };
            let found = extract(&session.trace(), &meta_of(session, setup));
            for pull in &session.truth.pulls {
                let verdict = found.iter().find_map(|row| match row {
                    Row::Pull(p) => {
                        let away = p.opened_at.seconds_since(pull.opened_at).abs();
                        (away < 12.0).then_some(p.verdict)
                    }
                    Row::Pour(_) | Row::Upkeep(_) | Row::Kiln(_) => None,
                });
                let unseen = pull.worth == Worth::Missing
                    && session.truth.troubles.contains(&Trouble::NoValveSwitch);
                if usual.is_none() || unseen {
                    continue;
                }
                self.verdicts[row_of(pull.worth)][place(verdict)] += 1;
                if pull.seating == Seating::Good {
                    let decade = (pull.seal_age_pours as usize / 10).min(7);
                    self.worn[decade].0 += 1;
                    self.worn[decade].1 += usize::from(place(verdict) == 1);
                }
            }
            rows.extend(found);
        }
    }
}

fn row_of(worth: Worth) -> usize {
    match worth {
        Worth::Good => 0,
        Worth::Between => 1,
        Worth::Weak => 2,
        Worth::Missing => 3,
    }
}

impl Display for SealTally {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "| true worth | pulls | good | weak | missing | unknown | not found |"
        )?;
        writeln!(f, "|---|---|---|---|---|---|---|")?;
        for (name, counts) in ["good", "in between", "weak", "missing"]
            .into_iter()
            .zip(&self.verdicts)
        {
            let all: usize = counts.iter().sum();
            let shares = counts.map(|c| format!("{:.1} %", 100.0 * share(c, all)));
            writeln!(f, "| {name} | {all} | {} |", shares.join(" | "))?;
        }
        writeln!(
            f,
            "\n| pours on the gasket | well seated pulls | called weak |"
        )?;
        writeln!(f, "|---|---|---|")?;
        for (i, (pulls, weak)) in self.worn.iter().enumerate() {
            if *pulls > 0 {
                writeln!(
                    f,
                    "| {}–{} | {pulls} | {:.1} % |",
                    10 * i,
                    10 * i + 9,
                    100.0 * share(*weak, *pulls)
                )?;
            }
        }
        Ok(())
    }
}
