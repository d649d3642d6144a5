//! The table that `DEVELOPERS.md` keeps, a row for each kind of shop, and the targets that it
//! is held against.

use std::fmt::Write as _;

use analysis::evidence::Grade;

use super::score::Score;
use super::tally::{Mean, Share};

/// The scores of one row added up.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    /// Shops.
    pub shops: usize,
    /// Those that were shown a curve with limits.
    pub curve: Share,
    /// Share of the curve's points whose limits hold the truth.
    pub covered: Mean,
    /// Whether the limits hold the truth over the whole curve at once, as they say they do.
    pub whole: Share,
    /// … the best straight line.
    pub whole_line: Share,
    /// Whether the limits of the expected change hold the true one.
    pub change: Share,
    /// Whether the true change lies above its upper limit.
    pub worse: Share,
    /// Whether a temperature was advised at all.
    pub advised: Share,
    /// Graded fair or strong.
    pub claimed: Share,
    /// … and following it would make nothing better.
    pub wrongly: Share,
    /// Lost against the best, pouring as usual.
    pub usual: Mean,
    /// … as advised at any grade.
    pub at_advised: Mean,
    /// … as advised from fair on.
    pub at_graded: Mean,
    /// … at the bin with the lowest raw rate.
    pub at_naive: Mean,
}

impl Tally {
    /// Adds a shop, or one section of it; `None` when nothing was said of it.
    pub fn add(&mut self, score: Option<&Score>) {
        self.shops += 1;
        let Some(score) = score else {
            self.curve.add(false);
            self.claimed.add(false);
            self.wrongly.add(false);
            self.advised.add(false);
            return;
        };
        self.curve.add(score.points > 0);
        if score.points > 0 {
            let of = |n: usize| n as f64 / score.points as f64;
            self.covered.add(of(score.covered));
            self.whole.add(score.covered == score.points);
            self.whole_line
                .add(score.line_covered.map(|n| n == score.points));
        }
        self.advised.add(score.grade > Grade::None);
        self.change.add(score.change.map(|c| c.covered));
        self.worse.add(score.change.map(|c| c.worse));
        self.claimed.add(score.claimed());
        self.wrongly.add(score.claimed_wrongly());
        if let Some(regret) = score.regret {
            self.usual.add(regret.usual);
            self.at_advised.add(regret.advised);
            self.at_graded.add(regret.graded);
            self.at_naive.add(regret.naive);
        }
    }
}

/// The head of the table.
pub fn head() -> String {
    "| shops | number | with a curve | a point holds | the whole curve holds | holds the best line | change holds \
     | worse than said | weak or more | fair | wrongly fair | lost as usual | as advised \
     | as graded | lowest bin |\n|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|"
        .to_owned()
}

/// One row. All but the number of shops are percent, or points of percent where something is
/// lost, ± half a 95 % interval of what chance leaves of doubt.
pub fn line(words: &str, t: &Tally) -> String {
    let mut row = format!("| {words} | {} |", t.shops);
    let cells: [&dyn std::fmt::Display; 13] = [
        &t.curve,
        &t.covered,
        &t.whole,
        &t.whole_line,
        &t.change,
        &t.worse,
        &t.advised,
        &t.claimed,
        &t.wrongly,
        &t.usual,
        &t.at_advised,
        &t.at_graded,
        &t.at_naive,
    ];
    for cell in cells {
        // Writing to a string cannot fail.
        let _ = write!(row, " {cell} |");
    }
    row
}

/// A target and what came of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Target {
    /// In words, with its limits.
    pub words: String,
    /// What was found, with its interval.
    pub found: String,
    /// Whether the interval reaches into the limits.
    pub met: bool,
}

/// Holds an interval against limits: met when they overlap, since chance then leaves it open.
pub fn target(
    words: impl Into<String>,
    found: impl std::fmt::Display,
    between: Option<(f64, f64)>,
    limits: (f64, f64),
) -> Target {
    Target {
        words: words.into(),
        found: found.to_string(),
        met: between.is_some_and(|(low, high)| low <= limits.1 && high >= limits.0),
    }
}

/// The targets of a row of this name, as the design states them.
pub fn targets(name: &str, words: &str, t: &Tally) -> Vec<Target> {
    let mut all = Vec::new();
    // A curve can be held to a truth where there are flasks enough for a curve.
    if name.ends_with("-300") {
        all.push(target(
            format!("{words}: the whole curve holds the truth, 93 to 97 %"),
            t.whole,
            t.whole.between(),
            (0.93, 0.97),
        ));
        all.push(target(
            format!("{words}: the expected change holds the true one, 94 % or more"),
            t.change,
            t.change.between(),
            (0.94, 1.0),
        ));
    }
    all
}

/// The target of a watched row.
pub fn watched_target(words: &str, ever: Share) -> Target {
    target(
        format!("no effect, {words}, watched for five years: ever fair or strong, 5 % or less"),
        ever,
        ever.between(),
        (0.0, 0.05),
    )
}
