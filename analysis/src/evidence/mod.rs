//! What the flasks say about a question: rates with their intervals, by alloy and section and by
//! kind of defect; the model of what each setting did; and for each alloy and section the pour
//! temperature that the evidence supports, with a grade. The shapes are the JSON that
//! `evidence --json` prints; other programs rely on their keys.
//!
//! | file | what it holds |
//! |---|---|
//! | `count`, `rows` | what one flask contributes |
//! | `factor`, `budget`, `terms` | which settings a model holds, and how many it can |
//! | `fitted`, `model` | the fit, and the table of what each setting did |
//! | `wander` | whether sessions are good and bad in spells |
//! | `study`, `curve` | the curve of an alloy and section, and its changes from the usual |
//! | `opinion`, `doubts`, `porosity`, `probes`, `together` | what could be wrong with it |
//! | `looks`, `standing`, `grades` | when a change is claimed, and how far it is backed |
//! | `past` | what looks said, kept from one asking to the next |
//! | `by_kind` | the same asked of each kind of defect |
//! | `side_by_side` | work shared among cores |
//! | `aim` | where pours came against where they were meant to |
//! | `advise`, `sentence`, `answer` | the answer, in figures and in words |

mod advise;
mod aim;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod aim_tests;
mod answer;
mod budget;
mod by_kind;
mod count;
mod curve;
mod doubts;
mod factor;
mod fitted;
mod grades;
mod looks;
mod model;
mod opinion;
mod past;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod past_tests;
mod porosity;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod probe_tests;
mod probes;
mod rows;
mod sentence;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod shop_tests;
mod side_by_side;
mod standing;
mod study;
mod terms;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod terms_tests;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
mod together;
pub mod trial;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod trial_tests;
mod wander;

use serde::{Deserialize, Serialize};

use crate::alloy::Alloys;
use crate::defect::{DefectKinds, Side};
use crate::stats::rate::Rate;
use crate::time::Micros;
use crate::units::ShownIn;

pub use aim::{Aim, Meant, OFF_TARGET_K};
pub use answer::{evidence, evidence_after, formal_looks};
pub use count::tallies;
pub use factor::{Factor, UnknownFactor};
pub use grades::{Cap, Grade};
pub use looks::{Look, Said};
pub use model::{Method, Model, Spread, Term};
pub use opinion::SecondOpinion;
pub use past::Past;
pub use probes::only_scale_of;
pub use sentence::{outcome_words, percent_number, percent_range, share_number};
pub use together::Together;

/// Which pieces count as events.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub enum Outcome {
    /// Pieces with any defect.
    Any,
    /// Pieces with at least one defect that may steer the pour temperature.
    #[default]
    Steering,
    /// Pieces with this kind of defect.
    Kind(String),
}

impl Outcome {
    /// The outcome of this name: `any`, `steering`, or a kind of defect.
    ///
    /// # Errors
    /// [`DefectError::Unknown`](crate::defect::DefectError::Unknown) for anything else.
    pub fn parse(name: &str, kinds: &DefectKinds) -> Result<Outcome, crate::defect::DefectError> {
        match name.trim() {
            "any" => Ok(Outcome::Any),
            "steering" => Ok(Outcome::Steering),
            kind => kinds.find(kind).map(|k| Outcome::Kind(k.name.clone())),
        }
    }

    /// The name that [`Outcome::parse`] reads.
    pub fn name(&self) -> &str {
        match self {
            Outcome::Any => "any",
            Outcome::Steering => "steering",
            Outcome::Kind(kind) => kind,
        }
    }
}

/// What is asked.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Question {
    /// Which pieces count.
    pub outcome: Outcome,
    /// Only flasks poured at or after this.
    pub since: Option<Micros>,
    /// Only flasks poured before this.
    pub until: Option<Micros>,
    /// Only this alloy, spelt as freely as the alloy table reads it.
    pub alloy: Option<String>,
    /// Only this section.
    pub section: Option<String>,
    /// The units of the sentences and of the round steps of temperature.
    pub shown_in: ShownIn,
    /// The kinds of defect the shop counts.
    pub kinds: DefectKinds,
    /// The alloys the shop knows.
    pub alloys: Alloys,
    /// The factors the model is to hold, and no others; none: what the flasks can carry, in the
    /// fixed order.
    pub factors: Vec<Factor>,
    /// A line or a curve for the pour temperature; none: what the flasks can carry.
    pub shape: Option<Shape>,
    /// What standard errors allow for; none: sessions that differ.
    pub spread: Option<Spread>,
    /// How models are fitted; none: by maximum likelihood, penalised where that has no answer.
    pub method: Option<Method>,
    /// Standard deviation of the melt probe from pour to pour in one place, K, where known.
    pub repeatability_k: Option<f64>,
    /// Completed trials ([`trial::verdict::Verdict::said`]).
    pub trials: Vec<TrialSaid>,
    /// The pour temperatures that the shop means to have now.
    pub meant: Vec<Meant>,
    /// Draws behind the intervals of curves; none: 999. Fewer than 400 cannot show a formal look.
    pub draws: Option<usize>,
}

/// The form of the pour temperature in a model.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Shape {
    /// Straight on the logit scale.
    Line,
    /// A restricted cubic spline.
    Curve,
}

/// What a completed randomised trial of one alloy and section said.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrialSaid {
    /// The alloy, by the table's name.
    pub alloy: String,
    /// The section.
    pub section: Option<String>,
    /// When its last flask was poured.
    pub completed_at: Micros,
    /// The pour temperature of the arm that lost fewer pieces, °C.
    pub better_c: f64,
    /// The other's, °C.
    pub other_c: f64,
    /// Whether it passed at its α.
    pub passed: bool,
    /// That α.
    pub alpha: f64,
    /// Rate at the better less rate at the other temperature.
    pub change: f64,
    /// Its lower limit, at a confidence of 1 − α.
    pub change_low: f64,
    /// Its upper limit.
    pub change_high: f64,
    /// The one scale ([`crate::probe::series::scale`]) that its pours were read on; null where they
    /// were read on several or nobody knows.
    #[serde(default)]
    pub scale: Option<String>,
}

/// The answer.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// Start of the time asked for, else the first flask; null without either.
    pub from: Option<Micros>,
    /// End of the time asked for, else the last flask.
    pub to: Option<Micros>,
    /// `any`, `steering` or a kind.
    pub outcome: String,
    /// Flasks whose pieces were counted for this outcome, those set aside from tuning included.
    pub flasks: usize,
    /// Flasks poured but not inspected. They are not counted as good.
    pub flasks_uninspected: usize,
    /// Sessions of the counted flasks.
    pub sessions: usize,
    /// Their pieces, without those whose pattern was broken before casting.
    pub pieces: u64,
    /// Pieces with the outcome; the most there can have been where it was not counted itself.
    pub defective: u64,
    /// The fewest there can have been; null where it was counted itself.
    pub defective_least: Option<u64>,
    /// The rate over all of them.
    pub rate: Option<Rate>,
    /// What each setting did, of the alloy with most flasks where several are asked for; null where
    /// the flasks cannot carry it, and then the first note says why.
    pub model: Option<Model>,
    /// What a reader should know before using the figures.
    pub notes: Vec<String>,
    /// By alloy and section, most flasks first.
    pub strata: Vec<Stratum>,
    /// By kind of defect, commonest first.
    pub kinds: Vec<KindRate>,
}

/// One alloy and section.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Stratum {
    /// The alloy; null where it was not recorded.
    pub alloy: Option<String>,
    /// The section; null where it was not recorded.
    pub section: Option<String>,
    /// Counted flasks that may steer the pour.
    pub flasks: usize,
    /// Flasks poured but not inspected.
    pub flasks_uninspected: usize,
    /// Their sessions.
    pub sessions: usize,
    /// Their pieces.
    pub pieces: u64,
    /// Pieces with the outcome (the most, as above).
    pub defective: u64,
    /// The fewest, as above.
    pub defective_least: Option<u64>,
    /// The rarer of bad and good pieces, in independent pieces.
    pub effective_events: f64,
    /// The rate over these flasks.
    pub rate: Option<Rate>,
    /// Flasks that may not steer, each with why.
    pub set_aside: Vec<SetAside>,
    /// The formal looks so far; null where no flask was counted.
    pub look: Option<Look>,
    /// The rate over pour temperature by the model, every other setting held equal and the mix of
    /// the last eight weeks, coolest first, with limits that hold over the whole curve at once.
    /// Empty where there is no model.
    pub curve: Vec<CurvePoint>,
    /// The rate by steps of pour temperature as counted, nothing held equal, coolest first.
    pub steps: Vec<CurvePoint>,
    /// What to do.
    pub advice: Advice,
    /// What a model of another kind says of the advised change.
    pub second_opinion: Option<SecondOpinion>,
    /// Settings that moved together in these flasks.
    pub moves_together: Vec<Together>,
    /// What a reader should know of the curve.
    pub notes: Vec<String>,
}

/// A flask that may not steer the pour.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SetAside {
    /// The flask's id.
    pub flask: String,
    /// Why, as a fixed code.
    pub code: String,
    /// Why, in words.
    pub reason: String,
}

/// The rate at one pour temperature, or at one step of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CurvePoint {
    /// The temperature, or the mean of the flasks of the step, °C.
    pub pour_temperature_c: f64,
    /// Their rate; the middle of the two that follow where it was not counted itself.
    pub rate: f64,
    /// The rate at the fewest pieces that can have had it.
    pub rate_least: f64,
    /// The rate at the most.
    pub rate_most: f64,
    /// Its lower limit (95 %); null where the sessions are too few for one.
    pub low: Option<f64>,
    /// Its upper limit.
    pub high: Option<f64>,
    /// How many flasks it rests on: of the step, or within 10 °C.
    pub flasks_near: usize,
}

/// What to do about the pour temperature.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Advice {
    /// How far it is backed.
    pub grade: Grade,
    /// What holds the grade down.
    pub caps: Vec<Cap>,
    /// The temperature advised, or with weak evidence the one worth trying, °C; null without a
    /// grade.
    pub pour_temperature_c: Option<f64>,
    /// `hotter` or `cooler` where the best seen is at the edge of what was tried.
    pub edge: Option<String>,
    /// Start of the temperatures not ruled out, °C.
    pub flat_from_c: Option<f64>,
    /// End of the temperatures not ruled out, °C.
    pub flat_to_c: Option<f64>,
    /// Median pour temperature of the last eight weeks, °C; null where the alloy was not
    /// recorded or fewer than five flasks were poured in them.
    pub usual_c: Option<f64>,
    /// What the change is told against, °C: the usual, or what was usual when it was claimed.
    pub against_c: Option<f64>,
    /// Change of the rate that following the advice should bring.
    pub expected_change: Option<f64>,
    /// Its lower limit (95 %, over the whole curve at once).
    pub change_low: Option<f64>,
    /// Its upper limit.
    pub change_high: Option<f64>,
    /// What is held equal in that, in words.
    pub held_equal: Vec<String>,
    /// Flasks poured within 10 °C of the advised temperature and not inspected.
    pub uninspected_near: Option<usize>,
    /// Pours that come to one side of their target; null where they do not.
    #[serde(default)]
    pub aim: Option<Aim>,
    /// The defect rate among those that would undo the advice; above 1: not even all bad would.
    /// Null where there are none.
    pub tipping_rate: Option<f64>,
    /// The answer in words, in the shop's units.
    pub sentence: String,
}

/// The rate of one kind of defect, over the flasks where that kind was counted. A kind that was
/// not counted is not zero.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct KindRate {
    /// The kind.
    pub kind: String,
    /// Where it goes with heat; null for a kind this shop's list does not have.
    pub side: Option<Side>,
    /// Whether it may steer the pour.
    pub may_steer: bool,
    /// Flasks where it was counted.
    pub flasks: usize,
    /// Their sessions.
    pub sessions: usize,
    /// Their pieces.
    pub pieces: u64,
    /// Pieces with it.
    pub defective: u64,
    /// Its rate.
    pub rate: Option<Rate>,
    /// What pour and flask temperature did to it, alloy and section held equal, adjusted over all
    /// kinds and settings together. Empty for kinds that cannot follow the pour and for kinds too
    /// rare to tell.
    pub terms: Vec<Term>,
}
