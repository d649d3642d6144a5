//! What the flasks say about a question: rates with their intervals, by alloy and section, by
//! step of pour temperature and by kind of defect. It describes and does not advise: no
//! setting is held equal between the steps, so every grade here is `none` and the sentence
//! says to keep on. The shapes are the JSON that `evidence --json` prints; other programs rely
//! on their keys.

mod answer;
mod count;
mod sentence;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
pub mod trial;

use serde::{Deserialize, Serialize};

use crate::alloy::Alloys;
use crate::defect::{DefectKinds, Side};
use crate::stats::rate::Rate;
use crate::time::Micros;
use crate::units::ShownIn;

pub use answer::evidence;
pub use count::tallies;
pub use sentence::{outcome_words, percent_number, percent_range, share_number};

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
    /// Always null here: models come when they can be trusted, as the notes say.
    pub model: (),
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
    /// Always null here: formal looks belong to the models.
    pub look: (),
    /// The rate by steps of pour temperature, coolest first.
    pub curve: Vec<CurvePoint>,
    /// What to do, which here is always to keep on.
    pub advice: Advice,
    /// Always null here.
    pub second_opinion: (),
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

/// The rate at one step of pour temperature.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CurvePoint {
    /// Mean pour temperature of the flasks of this step, °C.
    pub pour_temperature_c: f64,
    /// Their rate; the middle of the two that follow where it was not counted itself.
    pub rate: f64,
    /// The rate at the fewest pieces that can have had it.
    pub rate_least: f64,
    /// The rate at the most.
    pub rate_most: f64,
    /// Its lower limit (95 %).
    pub low: f64,
    /// Its upper limit.
    pub high: f64,
    /// How many flasks it rests on.
    pub flasks_near: usize,
}

/// How far advice is backed. Nothing in this module gives more than `none`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Grade {
    /// Not enough, or nothing was held equal.
    None,
    /// Worth a trial.
    Weak,
    /// Worth following.
    Fair,
    /// Shown by a trial.
    Strong,
}

/// What to do about the pour temperature.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Advice {
    /// How far it is backed.
    pub grade: Grade,
    /// What holds the grade down.
    pub caps: Vec<String>,
    /// The temperature advised, °C; null without a grade.
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
    /// Change of the rate that following the advice should bring.
    pub expected_change: Option<f64>,
    /// Its lower limit.
    pub change_low: Option<f64>,
    /// Its upper limit.
    pub change_high: Option<f64>,
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
}
