//! What a weekly report is told beside its flasks and their evidence: trials, targets, part
//! changes, the weeks before, gas, and the readings around each pour. Each may be empty; the
//! part of the report that needs it then says what is missing.

use std::collections::BTreeMap;

use analysis::evidence::Evidence;
use analysis::evidence::trial::State;
use analysis::gas::cylinder::Lasts;
use analysis::pour::seal_due::SealDue;
use analysis::pour::{PourRow, PullRow};
use analysis::time::Micros;

use crate::session_trace::Readings;

/// All of it.
#[derive(Clone, Debug, Default)]
pub struct Facts {
    /// The answer to the same question from the flasks poured before the week, as they are
    /// recorded now; none where there were none.
    pub evidence_before: Option<Evidence>,
    /// Trials by alloy and section, in any order.
    pub trials: Vec<TrialFacts>,
    /// What the shop meant to do and means to do, oldest first.
    pub targets: Vec<Target>,
    /// Parts that were changed, oldest first.
    pub part_changes: Vec<PartChanged>,
    /// The pours of the eight weeks before the week, in order of time.
    pub pours_before: Vec<PourRow>,
    /// The pulls before the week on the gaskets whose wear is shown, in order of time.
    pub pulls_before: Vec<PullRow>,
    /// Gaskets that are due, by machine.
    pub seals: BTreeMap<String, SealDue>,
    /// Cover gas, one for each machine that senses it.
    pub gas: Vec<GasOfMachine>,
    /// The readings around each pour of the week.
    pub excerpts: Vec<Excerpt>,
    /// Labels of flask cards by id, for the flasks that pours are matched to.
    pub labels: BTreeMap<String, String>,
    /// The option that names this book to a command, as it is to be typed; empty where commands
    /// find it by themselves.
    pub book_option: String,
}

/// A trial of one alloy and section: one that runs, one that is over, or the one that could be
/// begun.
#[derive(Clone, Debug, PartialEq)]
pub struct TrialFacts {
    /// The alloy, as the evidence names it.
    pub alloy: String,
    /// The section.
    pub section: String,
    /// Its newest trial, if it had one that was not stopped.
    pub newest: Option<TrialStands>,
    /// What a trial to begin now would be, or why none is proposed, in words.
    pub plan: Result<TrialPlan, String>,
}

/// A trial that could be begun.
#[derive(Clone, Debug, PartialEq)]
pub struct TrialPlan {
    /// The usual pour temperature of it, °C.
    pub usual_c: f64,
    /// The one to try, °C.
    pub tried_c: f64,
    /// Flasks that it takes.
    pub flasks: u32,
    /// Weeks that it takes at the shop's pace; none where that is not known.
    pub weeks: Option<f64>,
    /// All of it in words.
    pub sentence: String,
}

/// How far a trial has come.
#[derive(Clone, Debug, PartialEq)]
pub struct TrialStands {
    /// Where it stands.
    pub state: State,
    /// The usual pour temperature of it, °C.
    pub usual_c: f64,
    /// The one that is tried, °C.
    pub tried_c: f64,
    /// Flasks that end it.
    pub flasks: u32,
    /// Those that are counted.
    pub counted: u32,
    /// Those with a lot that are not counted yet.
    pub waiting: u32,
    /// The temperature whose flasks misrun grossly, °C, where one arm does and the other does
    /// not.
    pub gross_c: Option<f64>,
    /// What it found, in words; only of a complete one.
    pub verdict: Option<String>,
}

/// What the shop means to pour at.
#[derive(Clone, Debug, PartialEq)]
pub struct Target {
    /// The alloy, as the evidence names it.
    pub alloy: String,
    /// The section.
    pub section: String,
    /// Pour temperature, °C.
    pub pour_temperature_c: Option<f64>,
    /// Flask temperature, °C.
    pub flask_temperature_c: Option<f64>,
    /// From when.
    pub from: Micros,
    /// Until when; none while it holds.
    pub until: Option<Micros>,
}

/// A part that was changed.
#[derive(Clone, Debug, PartialEq)]
pub struct PartChanged {
    /// The machine or kiln.
    pub machine: String,
    /// What was changed, in words: `gasket`, `stopper rod`.
    pub part: String,
    /// When.
    pub at: Micros,
}

/// A machine's cover gas.
#[derive(Clone, Debug, PartialEq)]
pub struct GasOfMachine {
    /// The machine.
    pub machine: String,
    /// Gas let out by session, those of the week and the eight weeks before, oldest first.
    pub sessions: Vec<GasOfSession>,
    /// When the cylinder in use was fitted; none while no change is on record.
    pub fitted_at: Option<Micros>,
    /// How long what is left lasts, down to the pressure at which a cylinder is changed.
    pub lasts: Option<Lasts>,
}

/// The cover gas of one session.
#[derive(Clone, Debug, PartialEq)]
pub struct GasOfSession {
    /// The session's name.
    pub session: String,
    /// Its first reading.
    pub at: Micros,
    /// Its last reading.
    pub until: Micros,
    /// Gas let out, L as it flowed.
    pub used_l: f64,
    /// How far that may be off because the sensor was silent, L.
    pub unsure_l: f64,
    /// Left in the cylinder at its end, L; none while the cylinder's content is not on record.
    pub left_l: Option<f64>,
}

/// The readings around a pour, thinned to what a small chart can show.
#[derive(Clone, Debug, PartialEq)]
pub struct Excerpt {
    /// The pour's session.
    pub session: String,
    /// The pour's number in it.
    pub number: u32,
    /// Melt temperature, °C.
    pub melt_c: Readings,
    /// Vacuum, kPa below ambient.
    pub vacuum_kpa: Readings,
}

impl Facts {
    /// A command of this book as it is to be typed: `pourbook record part --book …`.
    pub fn command(&self, words: &str) -> String {
        if self.book_option.is_empty() {
            format!("pourbook {words}")
        } else {
            format!("pourbook {words} {}", self.book_option)
        }
    }

    /// The target in force for an alloy and section at a time.
    pub fn target_at(&self, alloy: &str, section: &str, at: Micros) -> Option<&Target> {
        self.targets.iter().rev().find(|t| {
            t.alloy == alloy
                && t.section == section
                && t.from <= at
                && t.until.is_none_or(|until| until > at)
        })
    }

    /// The trial of an alloy and section.
    pub fn trial_of(&self, alloy: Option<&str>, section: Option<&str>) -> Option<&TrialFacts> {
        self.trials
            .iter()
            .find(|t| Some(t.alloy.as_str()) == alloy && Some(t.section.as_str()) == section)
    }
}
