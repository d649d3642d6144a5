//! What was said of one drawn shop against what is true of it.

use analysis::evidence::{Evidence, Grade, Question, Stratum, evidence};
use sample_data::ledger::Ledger;

use super::naive::{best_line, lowest_bin};

/// How one alloy and section of one shop fared. Rates and changes are shares of pieces.
#[derive(Clone, Debug, PartialEq)]
pub struct Score {
    /// Points of the curve with an interval, and how many of those hold the truth.
    pub points: usize,
    /// … of which so many hold the truth.
    pub covered: usize,
    /// … and so many the best straight line; none when no line could be fitted to the truth.
    pub line_covered: Option<usize>,
    /// The grade.
    pub grade: Grade,
    /// The change that was expected, and whether its interval holds the true one.
    pub change: Option<Change>,
    /// Regrets: how much more the shop loses than at the best of the supported temperatures.
    pub regret: Option<Regret>,
}

/// The expected change.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Change {
    /// As said.
    pub said: f64,
    /// The true change.
    pub truth: f64,
    /// Whether the truth lies within the limits.
    pub covered: bool,
    /// Whether it lies above the upper one: worse than promised.
    pub worse: bool,
}

/// What each way of choosing a temperature loses against the best in support.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Regret {
    /// Pouring as usual.
    pub usual: f64,
    /// Pouring at what is advised, whatever its grade; as usual where nothing is.
    pub advised: f64,
    /// Pouring at what is advised once it is graded fair or strong, and as usual before.
    pub graded: f64,
    /// Pouring at the bin with the lowest raw rate.
    pub naive: Option<f64>,
}

impl Score {
    /// Graded fair or strong.
    pub fn claimed(&self) -> bool {
        self.grade >= Grade::Fair
    }

    /// Graded fair or strong, and following it would make things no better.
    pub fn claimed_wrongly(&self) -> bool {
        self.claimed() && self.change.is_none_or(|c| c.truth >= 0.0)
    }
}

/// Asks for the evidence of a shop as the weekly report does.
pub fn asked(shop: &Ledger) -> Evidence {
    evidence(&shop.flasks, &Question::default())
}

/// Scores what was said of the line of this number.
pub fn score(shop: &Ledger, line: usize, said: &Stratum) -> Score {
    let of = &shop.lines[line];
    let flasks: Vec<_> = shop
        .flasks
        .iter()
        .filter(|f| f.section.as_deref() == Some(of.section))
        .cloned()
        .collect();
    // Points where the sessions are too few for limits promise nothing.
    let limits: Vec<(f64, f64, f64)> = said
        .curve
        .iter()
        .filter_map(|p| Some((p.pour_temperature_c, p.low?, p.high?)))
        .collect();
    let at: Vec<f64> = limits.iter().map(|l| l.0).collect();
    let within = |truth: &[f64]| {
        limits
            .iter()
            .zip(truth)
            .filter(|((_, low, high), r)| low <= r && *r <= high)
            .count()
    };
    let truth: Vec<f64> = at.iter().map(|t| shop.rate(line, *t)).collect();
    let advice = &said.advice;
    let change = change(shop, line, said);
    let regret = advice.usual_c.filter(|_| !at.is_empty()).map(|usual| {
        let best = truth.iter().copied().fold(f64::INFINITY, f64::min);
        let lost = |t: f64| shop.rate(line, t) - best;
        let advised = lost(advice.pour_temperature_c.unwrap_or(usual));
        Regret {
            usual: lost(usual),
            advised,
            graded: if advice.grade >= Grade::Fair {
                advised
            } else {
                lost(usual)
            },
            naive: lowest_bin(&flasks).map(lost),
        }
    });
    Score {
        points: at.len(),
        covered: within(&truth),
        line_covered: best_line(shop, line, &flasks, &at).map(|l| within(&l)),
        grade: advice.grade,
        change,
        regret,
    }
}

fn change(shop: &Ledger, line: usize, said: &Stratum) -> Option<Change> {
    let advice = &said.advice;
    let truth = shop.rate(line, advice.pour_temperature_c?) - shop.rate(line, advice.against_c?);
    let (low, high) = (advice.change_low?, advice.change_high?);
    Some(Change {
        said: advice.expected_change?,
        truth,
        covered: low <= truth && truth <= high,
        worse: truth > high,
    })
}

/// The stratum of a line; `None` when the evidence has none of it.
pub fn stratum_of<'a>(said: &'a Evidence, shop: &Ledger, line: usize) -> Option<&'a Stratum> {
    let of = &shop.lines[line];
    said.strata
        .iter()
        .find(|s| s.alloy.as_deref() == Some(of.alloy) && s.section.as_deref() == Some(of.section))
}
