//! What the bench says while it works: to the log, and to whoever follows the status topics of a
//! broker of the shop's own. One piece of advice at a time, while it can still be followed: a
//! verdict on a pull ends with the pour or with the pull.

use analysis::pour::{Event, Verdict};
use analysis::time::Micros;
use analysis::units::ShownIn;
use tracing::{info, warn};

use super::bench::Bench;
use super::settle;
use crate::mqtt::status::{Advice, MachineStatus};
use crate::records::Result;

/// Advice about a moment longer ago than this is no advice, s.
pub(super) const STALE_ADVICE_S: f64 = 60.0;
/// Nearer to its end than this share of it, a pull is said to be there, and before, to be heading
/// there: a caster must find the number on the gauge.
const THERE: f64 = 0.9;

impl Bench {
    /// Says what became certain, in words, to the log and to whoever follows the status topics.
    pub(super) fn tell(&mut self, machine: &str, event: &Event) {
        let now = self.now();
        match event {
            Event::PullOpened { .. } => self.learn_usual(machine),
            // A lamp must not follow what a sensor's backlog tells of last week.
            Event::PullJudged { at, .. } if now.seconds_since(*at) > STALE_ADVICE_S => {}
            Event::PullJudged {
                verdict,
                depth_kpa,
                settles_at_kpa,
                usual_kpa,
                ..
            } => {
                let (level, sentence) = about_pull(
                    &self.setup.config.shop.shown_in,
                    *verdict,
                    *depth_kpa,
                    *settles_at_kpa,
                    *usual_kpa,
                );
                if level == "good" {
                    info!("{machine}: {sentence}");
                } else {
                    warn!("{machine}: {sentence}");
                }
                self.advise(machine, level, sentence);
            }
            Event::PullClosed { at, .. } if now.seconds_since(*at) <= STALE_ADVICE_S => {
                self.advise(machine, "over", "The pull is over.".into());
            }
            Event::Poured(pour) => {
                info!("{machine}: poured at {}", self.clock_of(pour.at));
                if now.seconds_since(pour.at) <= STALE_ADVICE_S {
                    self.advise(machine, "over", "Poured.".into());
                }
            }
            _ => {}
        }
    }

    fn advise(&self, machine: &str, level: &str, sentence: String) {
        if let Some(board) = &self.setup.board {
            let advice = Advice {
                at: self.now(),
                about: "pull".into(),
                level: level.into(),
                sentence,
            };
            board.advice(machine, &advice);
        }
    }

    /// Tells a machine's live detectors what its good pulls are like with the flask that is next.
    /// Without an answer from the records, pulls are held against the floor alone.
    pub(super) fn learn_usual(&mut self, machine: &str) {
        let now = self.now();
        let (records, config) = (&self.setup.records, &self.setup.config);
        let Some(bench) = self.machines.get_mut(machine) else {
            return;
        };
        if bench.lives.is_empty() {
            return;
        }
        let learnt = || -> Result<_> {
            let usuals = settle::usuals(records, config, machine, now)?;
            let mut by_session = Vec::new();
            for id in bench.lives.keys() {
                let size = records.next_flask(*id, now)?.and_then(|f| f.card.size());
                by_session.push((*id, usuals.of(size)));
            }
            Ok(by_session)
        };
        match learnt() {
            Ok(by_session) => {
                for (id, usual) in by_session {
                    if let Some(session) = bench.lives.get_mut(&id) {
                        session.live.set_usual(usual);
                    }
                }
            }
            Err(e) => warn!("{machine}: its usual pull is not known: {e}"),
        }
    }

    fn clock_of(&self, at: Micros) -> String {
        crate::book::local(at, &self.setup.config.shop.time_zone)
            .strftime("%H:%M:%S")
            .to_string()
    }

    pub(super) fn post_status(&self, now: Micros) {
        let Some(board) = &self.setup.board else {
            return;
        };
        for (name, machine) in &self.machines {
            let figures = machine.lives.values().next_back().map(|s| s.live.now());
            let fresh = |r: Option<analysis::pour::Reading>| {
                r.filter(|r| now.seconds_since(r.at) < 60.0)
                    .map(|r| r.value)
            };
            board.status(
                name,
                &MachineStatus {
                    online: true,
                    at: Some(now),
                    stage: figures.as_ref().map(|f| f.stage.word().to_owned()),
                    melt_temperature_c: fresh(figures.as_ref().and_then(|f| f.melt_c)),
                    vacuum_kpa: fresh(figures.as_ref().and_then(|f| f.vacuum_kpa)),
                    gas_flow_l_min: fresh(figures.as_ref().and_then(|f| f.gas_flow_l_min)),
                    trouble: Vec::new(),
                },
            );
        }
    }
}

/// The level and the sentence of a verdict: the number, what is usual, what to do.
fn about_pull(
    shown: &ShownIn,
    verdict: Verdict,
    depth_kpa: Option<f64>,
    settles_at_kpa: Option<f64>,
    usual_kpa: Option<f64>,
) -> (&'static str, String) {
    let depth = depth_kpa.unwrap_or(0.0);
    let end = settles_at_kpa.unwrap_or(depth);
    let on_its_way = if depth < THERE * end {
        "heading for "
    } else {
        ""
    };
    let beside = match usual_kpa {
        Some(usual) => format!(", usual {} below air", shown.vacuum(usual)),
        None => format!(" {} below air", shown.vacuum(end).unit),
    };
    let number = |kpa: f64| shown.vacuum(kpa).number();
    match verdict {
        Verdict::Good => (
            "good",
            format!("Vacuum {on_its_way}{}{beside}.", number(end)),
        ),
        Verdict::Weak => (
            "stop",
            format!(
                "Vacuum {on_its_way}{}{beside}. Don't pour. Reseat the flask.",
                number(end)
            ),
        ),
        Verdict::Missing => (
            "stop",
            format!(
                "Vacuum {}{beside}. Don't pour. Look at flask, seal, hose and pump.",
                number(depth)
            ),
        ),
        Verdict::Unknown => (
            "look",
            "Vacuum not known. Look at the gauge before you pour.".into(),
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use analysis::units::Scheme;

    #[test]
    fn a_weak_pull_is_told_with_its_number_the_usual_and_what_to_do() {
        let metric = ShownIn::from(Scheme::Metric);
        let said = |verdict, depth, settles, usual| {
            let (level, sentence) = about_pull(&metric, verdict, depth, settles, usual);
            format!("{level}: {sentence}")
        };
        assert_eq!(
            said(Verdict::Weak, Some(61.0), Some(62.0), Some(85.0)),
            "stop: Vacuum 620, usual 850 mbar below air. Don't pour. Reseat the flask."
        );
        assert_eq!(
            said(Verdict::Weak, Some(38.0), Some(62.0), Some(85.0)),
            "stop: Vacuum heading for 620, usual 850 mbar below air. Don't pour. Reseat the flask."
        );
        assert_eq!(
            said(Verdict::Weak, Some(45.0), Some(45.0), None),
            "stop: Vacuum 450 mbar below air. Don't pour. Reseat the flask."
        );
        assert_eq!(
            said(Verdict::Missing, Some(1.0), None, Some(85.0)),
            "stop: Vacuum 10, usual 850 mbar below air. Don't pour. Look at flask, seal, hose and \
             pump."
        );
        assert_eq!(
            said(Verdict::Good, Some(84.0), Some(85.5), Some(85.0)),
            "good: Vacuum 855, usual 850 mbar below air."
        );
        assert_eq!(
            said(Verdict::Unknown, None, None, Some(85.0)),
            "look: Vacuum not known. Look at the gauge before you pour."
        );
        let us = ShownIn::from(Scheme::Us);
        assert_eq!(
            about_pull(&us, Verdict::Weak, Some(61.0), Some(62.0), Some(85.0)).1,
            "Vacuum 18.3, usual 25.1 inHg below air. Don't pour. Reseat the flask."
        );
    }
}
