//! Watching: from a book's flasks, pours and pulls to the control charts that a report shows, and
//! whether a change helped. A chart asks only whether something that should stay the same has
//! changed; why is for the caster, and what to pour at is for the evidence.
//!
//! | module | what it holds |
//! |---|---|
//! | [`defects`] | defective pieces, session by session |
//! | [`aim`] | pour temperatures against their targets |
//! | [`seal`] | how each gasket pulls as it ages |
//! | [`change`] | before and after a change |

pub mod aim;
pub mod change;
pub mod defects;
pub mod seal;
#[cfg(test)]
pub(crate) mod testing;

use crate::stats::charts::{Chart, Signal};
use crate::stats::error::StatsError;
use crate::time::Micros;

/// What a chart watches.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Subject {
    /// Share of defective pieces of each session, 0–1.
    Defects,
    /// Pour temperature less its target, K.
    Aim,
    /// Depth of each pull as a share of what the day's air allowed, 0–1, smoothed.
    Depth,
    /// Time constant of each pump-down, s, smoothed.
    PumpDown,
}

/// A watched series: what each point belongs to, and its chart or why there is none.
#[derive(Clone, Debug, PartialEq)]
pub struct Watched {
    /// What is watched.
    pub subject: Subject,
    /// What it belongs to: the machine of a pour or a gasket; nothing for the whole shop.
    pub of: Option<String>,
    /// Each point's time and name: the session of a share, session and number of a pour, the age
    /// of the gasket in pulls.
    pub points: Vec<(Micros, String)>,
    /// The chart, with as many points.
    pub chart: Result<Chart, StatsError>,
}

impl Watched {
    /// The signals, each with what it says in words: none where there is no chart.
    pub fn signals(&self) -> Vec<(Signal, String)> {
        let Ok(chart) = &self.chart else {
            return Vec::new();
        };
        chart
            .signals
            .iter()
            .filter_map(|signal| {
                let (_, to) = self.points.get(signal.to)?;
                let (_, from) = self.points.get(signal.from)?;
                let span = if signal.from == signal.to {
                    to.clone()
                } else {
                    format!("{from} to {to}")
                };
                let words = signal.rule.words(signal.side);
                Some((*signal, format!("{}: {words} ({span}).", self.name())))
            })
            .collect()
    }

    /// What is watched, in words.
    pub fn name(&self) -> String {
        let what = match self.subject {
            Subject::Defects => "Defective pieces by session",
            Subject::Aim => "Pour temperature less its target",
            Subject::Depth => "Vacuum reached as the gasket ages",
            Subject::PumpDown => "Pump-down time as the gasket ages",
        };
        match &self.of {
            Some(of) => format!("{what}, {of}"),
            None => what.to_owned(),
        }
    }

    /// Why there is no chart, as a sentence; nothing where there is one.
    pub fn why_not(&self) -> Option<String> {
        let why = self.chart.as_ref().err()?;
        Some(format!("{}: no chart, since {why}.", self.name()))
    }
}
