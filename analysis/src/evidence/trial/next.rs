//! What to pour next: the running trial's order, or to keep to what is usual or advised, with the
//! reason in words. The shape is the JSON that `next --json` prints; other programs rely on its
//! keys.

use serde::{Deserialize, Serialize};

use super::plan::{NoPlan, Plan};
use super::verdict::Verdict;
use super::{Arm, State, Trial};
use crate::evidence::advise::ALIKE_K;
use crate::evidence::{Advice, Grade};
use crate::units::ShownIn;

/// The answer.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Next {
    /// How far the advice is backed.
    pub grade: Grade,
    /// What to do and why, in words.
    pub reason: String,
    /// The day's flasks that are not poured yet, in order, each with its temperature.
    pub order: Vec<Ordered>,
    /// Flasks that a trial still needs counted; of one that is not begun, all of them. Null where
    /// none is running or can be planned.
    pub flasks_needed: Option<u32>,
    /// The difference of rates that it is sized for, as a share of pieces.
    pub difference: Option<f64>,
    /// The chance that it finds that difference.
    pub power: Option<f64>,
    /// Clustered pieces that are worth one independent piece, within sessions.
    pub design_effect: Option<f64>,
}

impl Next {
    /// The answer where there is nothing to go by, with the reason.
    pub fn nothing(reason: &str) -> Next {
        Next {
            grade: Grade::None,
            reason: reason.to_owned(),
            order: Vec::new(),
            flasks_needed: None,
            difference: None,
            power: None,
            design_effect: None,
        }
    }
}

/// One flask and how hot to pour it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Ordered {
    /// The card's id.
    pub flask: String,
    /// °C.
    pub pour_temperature_c: f64,
}

/// A card that is not poured yet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Card {
    /// Its id.
    pub flask: String,
    /// Its lot in the running trial, if it has one.
    pub arm: Option<Arm>,
}

/// A trial and how far it has come.
#[derive(Clone, Debug, PartialEq)]
pub struct Standing {
    /// The trial.
    pub trial: Trial,
    /// Where it stands.
    pub state: State,
    /// Flasks of it that are counted.
    pub counted: u32,
    /// Flasks with a lot that may still be counted.
    pub waiting: u32,
    /// What it found; only of a complete one.
    pub verdict: Option<Verdict>,
    /// The arm with gross misruns.
    pub gross: Option<Arm>,
}

impl Standing {
    /// Flasks still to be counted.
    pub fn needed(&self) -> u32 {
        self.trial.flasks.saturating_sub(self.counted)
    }

    /// Flasks that still have to get a lot.
    pub fn without_lot(&self) -> u32 {
        self.needed().saturating_sub(self.waiting)
    }
}

/// What to pour next of one alloy and section. `advice` is that of the evidence, which knows of
/// completed trials ([`TrialSaid`](crate::evidence::TrialSaid)): its grade is the answer's, and a
/// trial that it does not go by is not gone by here. `standing` is its newest trial, `plan` what a new
/// one would be, `usual_c` what to keep to where nothing is advised (the shop's own target).
pub fn next(
    advice: Option<&Advice>,
    standing: Option<&Standing>,
    plan: &Result<Plan, NoPlan>,
    cards: &[Card],
    usual_c: Option<f64>,
    shown: &ShownIn,
) -> Next {
    let given = advice.map_or(Grade::None, |a| a.grade);
    if let Some(standing) = standing
        && matches!(standing.state, State::Planned | State::Running)
    {
        return running(given, standing, cards, shown);
    }
    let found = standing.and_then(|s| s.verdict.as_ref().map(|v| (&s.trial, v)));
    let backed_c = advice.and_then(Advice::backed_c);
    let aim = advice.and_then(|a| a.aim.as_ref());
    let mut words = Vec::new();
    // A trial that passed makes the advice fair at least, unless something bars it.
    let counts = found.is_some_and(|(_, v)| v.better.is_some()) && backed_c.is_some();
    let mut celsius = backed_c;
    if let Some((trial, verdict)) = found {
        words.push(verdict.sentence(trial, shown));
        match (verdict.better, backed_c) {
            (Some(arm), Some(c)) if (c - trial.pour_c(arm)).abs() >= ALIKE_K => {
                words.push(format!(
                    "All flasks together put the best at {}: pour at that ({}).",
                    shown.temperature(c),
                    grade_words(given)
                ));
            }
            (Some(arm), Some(_)) => {
                let c = trial.pour_c(arm);
                words.push(format!(
                    "Pour at {} ({}).",
                    shown.temperature(c),
                    grade_words(given)
                ));
                celsius = Some(c);
            }
            (Some(_), None) => words.push(format!(
                "It is not followed now: {}.",
                advice
                    .and_then(|a| a.caps.first())
                    .map_or("the flasks of today cannot be compared with it", |cap| cap
                        .reason
                        .as_str())
            )),
            (None, Some(c)) => words.push(format!(
                "All flasks together do show one, which a trial of that size can miss: pour at {} \
                 ({}).",
                shown.temperature(c),
                grade_words(given)
            )),
            (None, None) => {}
        }
    } else if let Some(c) = backed_c {
        words.push(format!(
            "Pour at {}: the evidence backs it ({}).",
            shown.temperature(c),
            grade_words(given)
        ));
    }
    let keep_c = usual_c.or(advice.and_then(|a| a.usual_c));
    match (aim, celsius) {
        (Some(aim), Some(_)) => words.push(aim.sentence.clone()),
        (Some(aim), None) => {
            words.push(format!("{} Until then aim at the target.", aim.sentence));
            celsius = Some(usual_c.unwrap_or(aim.target_c));
        }
        (None, Some(_)) => {}
        (None, None) => {
            words.push(match keep_c {
                Some(c) => format!(
                    "Keep to {} {}: no other temperature is shown to be better.",
                    if usual_c.is_some() {
                        "your target of"
                    } else {
                        "your usual"
                    },
                    shown.temperature(c)
                ),
                None => "Keep to what you do: no temperature is shown to be better.".to_owned(),
            });
            celsius = keep_c;
        }
    }
    let (mut flasks_needed, mut difference, mut power, mut design_effect) =
        (None, None, None, None);
    if !counts {
        match plan {
            Ok(plan) => {
                words.push(plan.sentence(shown));
                flasks_needed = Some(plan.trial.flasks);
                difference = Some(plan.trial.difference);
                power = Some(plan.trial.power);
                design_effect = Some(plan.trial.design_effect);
            }
            Err(why) => words.push(format!("No trial is proposed: {}.", why.in_units(shown))),
        }
    }
    Next {
        grade: given,
        reason: words.join(" "),
        order: celsius.map_or_else(Vec::new, |c| {
            cards.iter().map(|card| ordered(card, c)).collect()
        }),
        flasks_needed,
        difference,
        power,
        design_effect,
    }
}

fn ordered(card: &Card, pour_temperature_c: f64) -> Ordered {
    Ordered {
        flask: card.flask.clone(),
        pour_temperature_c,
    }
}

fn grade_words(grade: Grade) -> &'static str {
    match grade {
        Grade::None => "no grade",
        Grade::Weak => "weak: worth a trial",
        Grade::Fair => "fair: worth following",
        Grade::Strong => "strong: shown by a trial",
    }
}

fn running(grade: Grade, s: &Standing, cards: &[Card], shown: &ShownIn) -> Next {
    let trial = &s.trial;
    let mut words = vec![format!(
        "The trial of {} against {} goes on: {} of {} flasks are counted{}.",
        shown.temperature(trial.tried_c),
        shown.temperature(trial.usual_c),
        s.counted,
        trial.flasks,
        match s.waiting {
            0 => String::new(),
            1 => ", 1 more has its lot".to_owned(),
            n => format!(", {n} more have their lots"),
        },
    )];
    if let Some(arm) = s.gross {
        words.push(format!(
            "Flasks at {} misrun grossly and those at {} do not. Stop it: pourbook record trial \
             --stop misruns.",
            shown.temperature(trial.pour_c(arm)),
            shown.temperature(trial.pour_c(arm.other())),
        ));
    } else if cards.iter().any(|c| c.arm.is_some()) {
        words.push(
            "Pour each flask at the temperature below, which the lot decided, and all else as \
             usual; if one is not safe to pour so, don't. Count it like any other, best by someone \
             who does not know its temperature."
                .to_owned(),
        );
    } else if s.without_lot() == 0 {
        words.push("Every flask has its lot: count those that are waiting.".to_owned());
    } else {
        words.push(
            "No card of the day waits for its lot: write cards first, and each gets its \
             temperature here before it is poured."
                .to_owned(),
        );
    }
    Next {
        grade,
        reason: words.join(" "),
        order: cards
            .iter()
            .map(|card| ordered(card, trial.pour_c(card.arm.unwrap_or(Arm::Usual))))
            .collect(),
        flasks_needed: Some(s.needed()),
        difference: Some(trial.difference),
        power: Some(trial.power),
        design_effect: Some(trial.design_effect),
    }
}
