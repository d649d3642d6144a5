//! The one analysis of a trial, by the temperature each flask was meant to have, once the fixed
//! number is counted; and what stops a trial before: only gross misruns (and safety, which a
//! person sees). A trial that was stopped claims nothing.

use serde::{Deserialize, Serialize};

use super::{Arm, Trial};
use crate::evidence::{TrialSaid, percent_number, percent_range};
use crate::flask::Aside;
use crate::stats::difference::newcombe;
use crate::stats::permutation::{DRAWS, Permuted, sign_flips};
use crate::stats::rate::{Tally, Totals};
use crate::stats::within_session::flask_design_effect_or_assumed;
use crate::time::Micros;
use crate::units::ShownIn;
use crate::upkeep::Fault;

/// A flask whose pieces were lost at least so far is a gross misrun.
const GROSS: f64 = 0.5;
/// So many more gross flasks in one arm than in the other stop a trial.
const GROSS_MORE: usize = 3;

/// One flask of a trial, counted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrialFlask<'a> {
    /// The temperature it was meant to have.
    pub arm: Arm,
    /// Which toss decided that ([`super::lots::Lot::draw`]).
    pub draw: u64,
    /// Its pieces with the outcome, at the fewest there can have been.
    pub fewest: Tally<'a>,
    /// At the most.
    pub most: Tally<'a>,
}

/// Whether a flask that is set aside from tuning still counts in a trial. Left out is only what
/// went wrong with vacuum or gas before metal left, or metal that went elsewhere: the lot cannot
/// have caused these. All else stays, a pour too cold or too late included, because the flask is
/// analysed by the temperature it was meant to have, and leaving out what that temperature made
/// harder would flatter it.
pub fn stays(set_aside: Option<&Aside>) -> bool {
    let out = [
        Fault::MissingPull.code(),
        Fault::WeakPull.code(),
        Fault::NoPull.code(),
        Fault::LostCoverGas.code(),
        "went-elsewhere",
    ];
    set_aside.is_none_or(|aside| !out.contains(&aside.code.as_str()))
}

/// What a trial found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    /// Flasks in each arm, usual first.
    pub flasks: [usize; 2],
    /// Pieces in each arm.
    pub pieces: [u64; 2],
    /// Pieces with the outcome in each arm, at the most.
    pub defective: [u64; 2],
    /// Rate tried less rate usual.
    pub difference: f64,
    /// Its lower limit, at a confidence of 1 − α, on effective counts.
    pub low: f64,
    /// Its upper limit.
    pub high: f64,
    /// Two-sided, by tossing the trial's own coins again.
    pub p: f64,
    /// The α it is held against.
    pub alpha: f64,
    /// Which arm lost fewer, where p is at most α; null where nothing was shown.
    pub better: Option<Arm>,
}

/// The analysis. Each flask's pieces are set against what its session's rate would have given,
/// zᵢ·(yᵢ − p̂ₛnᵢ) with z = +1 for tried and −1 for usual (the rate of all flasks where it was
/// alone in its session), and added up over flasks that one toss decided. Under no effect each of
/// these sums could as well have had the other sign, so [`sign_flips`] gives p: exact or by draws
/// from the trial's seed, valid whatever sessions and flasks do. Analysed by the temperature
/// meant, not the one reached. Where the outcome was not counted itself p is the larger of those
/// at the fewest and the most, and an arm is better only if it is so at both.
///
/// The interval is Newcombe's at 1 − α on pieces ÷ design effect within sessions.
///
/// `None` with no flask in one arm.
pub fn verdict(trial: &Trial, flasks: &[TrialFlask]) -> Option<Verdict> {
    let fewest: Vec<(Arm, u64, Tally)> = flasks.iter().map(|f| (f.arm, f.draw, f.fewest)).collect();
    let most: Vec<(Arm, u64, Tally)> = flasks.iter().map(|f| (f.arm, f.draw, f.most)).collect();
    let high_end = compared(trial, &most)?;
    let low_end = if fewest == most {
        high_end.clone()
    } else {
        compared(trial, &fewest)?
    };
    let p = low_end.test.p.max(high_end.test.p);
    let same_way = low_end.test.seen * high_end.test.seen > 0.0;
    let fewer = if high_end.test.seen < 0.0 {
        Arm::Tried
    } else {
        Arm::Usual
    };
    let better = (p <= trial.alpha && same_way).then_some(fewer);
    Some(Verdict {
        flasks: high_end.sides.each_ref().map(|t| t.flasks),
        pieces: high_end.sides.each_ref().map(|t| t.pieces),
        defective: high_end.sides.each_ref().map(|t| t.events),
        difference: high_end.interval.estimate,
        low: low_end.interval.low.min(high_end.interval.low),
        high: low_end.interval.high.max(high_end.interval.high),
        p,
        alpha: trial.alpha,
        better,
    })
}

#[derive(Clone)]
struct Compared {
    sides: [Totals; 2],
    interval: crate::stats::difference::Difference,
    test: Permuted,
}

fn compared(trial: &Trial, rows: &[(Arm, u64, Tally)]) -> Option<Compared> {
    let rows: Vec<&(Arm, u64, Tally)> = rows.iter().filter(|r| r.2.pieces > 0).collect();
    let tallies: Vec<Tally> = rows.iter().map(|r| r.2).collect();
    let of = |arm: Arm| {
        let own: Vec<Tally> = rows.iter().filter(|r| r.0 == arm).map(|r| r.2).collect();
        Totals::of(&own)
    };
    let sides = [of(Arm::Usual), of(Arm::Tried)];
    let all = Totals::of(&tallies).estimate()?;
    // Events, pieces and flasks of each session.
    let mut sessions: std::collections::BTreeMap<&str, (f64, f64, usize)> = Default::default();
    for tally in &tallies {
        let session = sessions.entry(tally.session).or_default();
        session.0 += f64::from(tally.events);
        session.1 += f64::from(tally.pieces);
        session.2 += 1;
    }
    let mut by_draw: std::collections::BTreeMap<u64, f64> = Default::default();
    for (arm, draw, tally) in &rows {
        let share = match sessions.get(tally.session) {
            Some((events, pieces, flasks)) if *flasks > 1 => events / pieces,
            _ => all,
        };
        let beyond = f64::from(tally.events) - share * f64::from(tally.pieces);
        *by_draw.entry(*draw).or_default() += match arm {
            Arm::Tried => beyond,
            Arm::Usual => -beyond,
        };
    }
    let scores: Vec<f64> = by_draw.into_values().collect();
    let deff = flask_design_effect_or_assumed(&tallies);
    let effective = |t: &Totals| (t.events as f64 / deff, t.pieces as f64 / deff);
    Some(Compared {
        interval: newcombe(
            effective(&sides[0]),
            effective(&sides[1]),
            1.0 - trial.alpha,
        )?,
        sides,
        test: sign_flips(&scores, DRAWS, trial.seed).ok()?,
    })
}

impl Verdict {
    /// What grades are made from: the verdict as the evidence takes it. `completed_at` is when the
    /// trial's last flask was poured. By which probe is the caller's to add.
    pub fn said(&self, trial: &Trial, completed_at: Micros) -> TrialSaid {
        let fewer = self.better.unwrap_or(if self.difference < 0.0 {
            Arm::Tried
        } else {
            Arm::Usual
        });
        let (change, low, high) = match fewer {
            Arm::Tried => (self.difference, self.low, self.high),
            Arm::Usual => (-self.difference, -self.high, -self.low),
        };
        TrialSaid {
            alloy: trial.alloy.clone(),
            section: Some(trial.section.clone()),
            completed_at,
            better_c: trial.pour_c(fewer),
            other_c: trial.pour_c(fewer.other()),
            passed: self.better.is_some(),
            alpha: self.alpha,
            change,
            change_low: low,
            change_high: high,
            scale: None,
        }
    }

    /// What was found, in words. What follows from it is for [`super::next`] to say, which knows
    /// what else speaks for a temperature.
    pub fn sentence(&self, trial: &Trial, shown: &ShownIn) -> String {
        let rate = |arm: usize| {
            percent_number(self.defective[arm] as f64 / self.pieces[arm].max(1) as f64)
        };
        let (usual, tried) = (
            shown.temperature(trial.usual_c),
            shown.temperature(trial.tried_c),
        );
        let counts = format!(
            "{} % of pieces had a defect that heat can steer at {tried} and {} % at {usual} ({} and {} \
             flasks)",
            rate(1),
            rate(0),
            self.flasks[1],
            self.flasks[0],
        );
        let confidence = 100.0 * (1.0 - self.alpha);
        let interval = if self.low < 0.0 && self.high > 0.0 {
            format!(
                "from {} points fewer to {} more",
                percent_number(-self.low),
                percent_number(self.high)
            )
        } else if self.high <= 0.0 {
            format!("{} fewer", points(-self.high, -self.low))
        } else {
            format!("{} more", points(self.low, self.high))
        };
        match self.better {
            Some(_) => format!(
                "The trial shows it: {counts}. The difference is {interval} ({confidence:.1} % \
                 interval); by lot alone as much would come up {} times in 1000.",
                per_thousand(self.p),
            ),
            None => format!(
                "The trial shows no difference: {counts}, which lots alone make {} times in 1000 \
                 ({confidence:.1} % interval {interval}).",
                per_thousand(self.p),
            ),
        }
    }
}

fn points(low: f64, high: f64) -> String {
    percent_range(low, high).replace(" %", " points")
}

fn per_thousand(p: f64) -> String {
    let thousandths = p * 1000.0;
    if thousandths < 1.0 {
        "less than 1".to_owned()
    } else {
        format!("{thousandths:.0}")
    }
}

/// Which arm has gross misruns that the other has not: at least three more flasks that lost half
/// of their pieces or more. A reason to stop pouring that way, and no evidence for the other.
pub fn gross_misruns(flasks: &[TrialFlask]) -> Option<Arm> {
    let gross = |arm: Arm| {
        flasks
            .iter()
            .filter(|f| f.arm == arm && f.fewest.pieces > 0)
            .filter(|f| f64::from(f.fewest.events) >= GROSS * f64::from(f.fewest.pieces))
            .count()
    };
    [Arm::Tried, Arm::Usual]
        .into_iter()
        .find(|arm| gross(*arm) >= gross(arm.other()) + GROSS_MORE)
}
