//! What the bench says while it works: to the log, and to whoever follows the status topics of a
//! broker of the shop's own. One piece of advice at a time, while it can still be followed
//! ([`super::alarms`]): verdicts on pulls and lost cover gas end with the pour, and that a gasket
//! is due is said once, when nothing else is going on.

use std::sync::Arc;

use analysis::pour::seal_due::SealDue;
use analysis::pour::{Event, Verdict};
use analysis::stage::Stage;
use analysis::time::Micros;
use analysis::units::ShownIn;
use tracing::{info, warn};

use super::alarms::{Alarms, Said};
use super::bench::Bench;
use super::metadata::setup;
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
                self.say(machine, |alarms| {
                    alarms.pull(Said::new("pull", level, sentence))
                });
            }
            Event::PullClosed { .. } => {
                self.say(machine, |alarms| alarms.pull_over("The pull is over."));
            }
            Event::Poured(pour) => {
                info!("{machine}: poured at {}", self.clock_of(pour.at));
                self.say(machine, Alarms::poured);
            }
            Event::GasLow { at, .. } if now.seconds_since(*at) > STALE_ADVICE_S => {}
            Event::GasLow {
                flow_l_min,
                usual_l_min,
                least_l_min,
                stage,
                ..
            } => {
                let shown = &self.setup.config.shop.shown_in;
                let (level, sentence) =
                    about_gas(shown, *flow_l_min, *usual_l_min, *least_l_min, *stage);
                self.say(machine, |alarms| {
                    alarms.gas(Said::new("gas", level, sentence))
                });
            }
            Event::GasLowOver { flow_l_min, .. } => {
                let shown = &self.setup.config.shop.shown_in;
                let sentence = match flow_l_min {
                    Some(flow) => format!("Gas {} again.", shown.flow(*flow)),
                    None => "No hot metal that needs gas.".to_owned(),
                };
                self.say(machine, |alarms| alarms.gas_over(&sentence));
            }
            _ => {}
        }
    }

    /// Says what changes at a machine's alarms, if anything does, to the log and to whoever
    /// follows its advice. The newest session of a machine is the one that speaks.
    fn say(&mut self, machine: &str, change: impl FnOnce(&mut Alarms) -> Option<Said>) {
        let at = self.now();
        let session = self.machines.get_mut(machine);
        let Some(said) = session
            .and_then(|bench| bench.lives.values_mut().next_back())
            .and_then(|session| change(&mut session.alarms))
        else {
            return;
        };
        if matches!(said.level, "good" | "over") {
            info!("{machine}: {}", said.sentence);
        } else {
            warn!("{machine}: {}", said.sentence);
        }
        if let Some(board) = &self.setup.board {
            let advice = Advice {
                at,
                about: said.about.into(),
                level: said.level.into(),
                sentence: said.sentence,
            };
            board.advice(machine, &advice);
        }
    }

    /// Says what has waited until nothing else is going on: that a seal is due.
    fn say_when_quiet(&mut self) {
        let quiet: Vec<Arc<str>> = self
            .machines
            .iter()
            .filter(|(_, machine)| {
                let session = machine.lives.values().next_back();
                session.is_some_and(|s| is_quiet(s.live.now().stage))
            })
            .map(|(name, _)| Arc::clone(name))
            .collect();
        for machine in quiet {
            self.say(&machine, Alarms::quiet);
        }
    }

    /// Tells a machine's live detectors what its good pulls are like with the flask that is next,
    /// and takes note if its gasket is due.
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
            let standing = settle::standing(records, config, machine, now)?;
            let mut by_session = Vec::new();
            for id in bench.lives.keys() {
                let size = records.next_flask(*id, now)?.and_then(|f| f.card.size());
                by_session.push((*id, standing.usuals.of(size)));
            }
            Ok((by_session, standing.seal))
        };
        match learnt() {
            Ok((by_session, seal)) => {
                let ambient_kpa = setup(config, machine).ambient_kpa;
                let sentence = seal.map(|due| about_seal(&config.shop.shown_in, due, ambient_kpa));
                for (id, usual) in by_session {
                    if let Some(session) = bench.lives.get_mut(&id) {
                        session.live.set_usual(usual);
                        session.alarms.seal(sentence.clone());
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

    /// Posts how every machine is doing, and what has waited for a quiet moment.
    pub(super) fn post_status(&mut self, now: Micros) {
        self.say_when_quiet();
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

/// The level and the sentence of a lost cover. Nobody pours without it; before the metal is
/// molten there is time to look.
fn about_gas(
    shown: &ShownIn,
    flow_l_min: f64,
    usual_l_min: Option<f64>,
    least_l_min: f64,
    stage: Stage,
) -> (&'static str, String) {
    let flow = shown.flow(flow_l_min);
    let beside = match usual_l_min {
        Some(usual) => format!("{}, usual {}", flow.number(), shown.flow(usual)),
        None => format!("{}, least {}", flow.number(), shown.flow(least_l_min)),
    };
    match stage {
        Stage::Molten | Stage::Pulling => (
            "stop",
            format!("Gas {beside}. Don't pour. Look at cylinder, valve and hose."),
        ),
        _ => (
            "look",
            format!("Gas {beside}. Look at cylinder, valve and hose."),
        ),
    }
}

/// The sentence of a gasket that is due.
fn about_seal(shown: &ShownIn, due: SealDue, ambient_kpa: f64) -> String {
    match due {
        SealDue::Fading {
            lately_share,
            usual_share,
        } => format!(
            "Seal fades: vacuum lately {}, {} below air when new. Change the gasket before the \
             next flask.",
            shown.vacuum(lately_share * ambient_kpa).number(),
            shown.vacuum(usual_share * ambient_kpa)
        ),
        SealDue::Aged { pours, usual_pours } => format!(
            "Seal is old: {pours} pours, usually changed after {usual_pours}. Look at the gasket, \
             and change it if it is worn."
        ),
    }
}

/// Stages in which a caster has a hand free for what is not pressing.
fn is_quiet(stage: Stage) -> bool {
    !matches!(stage, Stage::Pulling | Stage::Poured)
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

    #[test]
    fn lost_gas_and_a_seal_that_is_due_are_told_with_number_usual_and_action() {
        let metric = ShownIn::from(Scheme::Metric);
        assert_eq!(
            about_gas(&metric, 0.4, Some(3.2), 1.0, Stage::Molten),
            (
                "stop",
                "Gas 0.4, usual 3.2 L/min. Don't pour. Look at cylinder, valve and hose.".into()
            )
        );
        assert_eq!(
            about_gas(&metric, 0.0, None, 1.0, Stage::Melting),
            (
                "look",
                "Gas 0.0, least 1.0 L/min. Look at cylinder, valve and hose.".into()
            )
        );
        let fading = SealDue::Fading {
            lately_share: 0.795,
            usual_share: 0.85,
        };
        assert_eq!(
            about_seal(&metric, fading, 100.0),
            "Seal fades: vacuum lately 795, 850 mbar below air when new. Change the gasket before \
             the next flask."
        );
        let aged = SealDue::Aged {
            pours: 52,
            usual_pours: 48,
        };
        assert_eq!(
            about_seal(&metric, aged, 100.0),
            "Seal is old: 52 pours, usually changed after 48. Look at the gasket, and change it \
             if it is worn."
        );
    }
}
