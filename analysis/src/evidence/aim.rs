//! Where pours came against where they were meant to. What is usual is what was reached; where a
//! shop means another temperature than it reaches, both are told in one place, so that what to
//! keep to is one thing on every page.

use serde::{Deserialize, Serialize};

use super::answer::alloy_name_of;
use super::standing::{Key, Poured, USUAL_FEWEST, recent};
use super::{Advice, Question};
use crate::stats::median::median;
use crate::units::ShownIn;

/// Pours that come this far from their targets are told, K: a thermocouple repeats to 1 to 3 K and
/// a stopper is lifted within about 5 (common practice).
pub const OFF_TARGET_K: f64 = 5.0;

/// The pour temperature that a shop means to have now.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Meant {
    /// The alloy, spelt as freely as the alloy table reads it.
    pub alloy: String,
    /// The section.
    pub section: String,
    /// °C.
    pub pour_temperature_c: f64,
}

/// Pours that came to one side of where they were meant to.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Aim {
    /// What the shop means to have now, °C.
    pub target_c: f64,
    /// Median of what was reached in the last eight weeks, °C.
    pub usual_c: f64,
    /// Median of how far each of these came above its own target, K; below 0: they came cooler.
    pub above_k: f64,
    /// How many had a target.
    pub flasks: usize,
    /// The same in words, with the two ways to make them agree.
    pub sentence: String,
}

/// How pours of the last eight weeks came against their targets; `None` where fewer than five had
/// one, where they came within [`OFF_TARGET_K`] of their own, or where what was reached is what is
/// meant by now.
pub(super) fn aim(key: &Key, poured: &[Poured], usual_c: f64, ask: &Question) -> Option<Aim> {
    let mut above: Vec<f64> = recent(poured, None)
        .into_iter()
        .filter_map(|p| Some(p.pour_c? - p.flask.target_c.filter(|t| t.is_finite())?))
        .collect();
    let flasks = above.len();
    if flasks < USUAL_FEWEST {
        return None;
    }
    let above_k = median(&mut above)?;
    let target_c = target(key, poured, ask)?;
    let still_k = usual_c - target_c;
    // A target that was set to what is reached agrees with it, whatever the old one was.
    let off = above_k.abs() >= OFF_TARGET_K
        && still_k.abs() >= OFF_TARGET_K
        && (above_k > 0.0) == (still_k > 0.0);
    off.then(|| Aim {
        target_c,
        usual_c,
        above_k,
        flasks,
        sentence: String::new(),
    })
}

/// What is meant now: as the question says, else the target of the newest flask that had one.
fn target(key: &Key, poured: &[Poured], ask: &Question) -> Option<f64> {
    let (alloy, section) = (key.0.as_deref()?, key.1.as_deref()?);
    let meant = ask.meant.iter().find(|m| {
        alloy_name_of(&m.alloy, ask) == alloy && m.section.trim().to_lowercase() == section
    });
    meant.map(|m| m.pour_temperature_c).or_else(|| {
        poured
            .iter()
            .filter(|p| p.flask.target_c.is_some())
            .max_by_key(|p| p.at)
            .and_then(|p| p.flask.target_c)
    })
}

impl Aim {
    /// In words. Where something is advised: what to aim at to reach it, as pours come now. Else
    /// the evidence does not tell the two apart, and either the target follows the pours, which
    /// changes nothing at the bench, or the pours follow the target.
    pub(super) fn words(&self, reach_c: Option<f64>, shown: &ShownIn) -> String {
        let at = |c: f64| shown.temperature(c);
        let (usual, target) = (at(self.usual_c), at(self.target_c));
        // The difference of the two as they are written, so that the three numbers agree.
        let apart = format!(
            "{:.0} {}",
            (usual.value.round() - target.value.round()).abs(),
            usual.unit
        );
        let (side, back) = if self.above_k > 0.0 {
            ("above", "lower")
        } else {
            ("below", "higher")
        };
        let came = format!("Pours have come at {usual}, {apart} {side} the target of {target}");
        match reach_c {
            Some(reach_c) => format!(
                "{came}: as they come now, aim at {} to reach {}.",
                at(reach_c - self.above_k),
                at(reach_c)
            ),
            None => format!(
                "{came}. The evidence does not tell the two apart: set the target to {usual}, which \
                 leaves the pour as it is, or aim {apart} {back} to meet the target."
            ),
        }
    }
}

impl Advice {
    /// The temperature that the evidence backs with a claim or a trial, °C.
    pub fn backed_c(&self) -> Option<f64> {
        self.pour_temperature_c
            .filter(|_| self.grade >= super::Grade::Fair)
    }
}
