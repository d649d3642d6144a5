//! What the bench says while it works: to the log, and to whoever follows the status topics of a
//! broker of the shop's own.

use analysis::pour::{Event, Verdict};
use analysis::time::Micros;
use tracing::{info, warn};

use super::bench::Bench;
use crate::mqtt::status::{Advice, MachineStatus};

/// Advice about a moment longer ago than this is no advice, s.
pub(super) const STALE_ADVICE_S: f64 = 60.0;

impl Bench {
    /// Says what became certain, in words, to the log and to whoever follows the status topics.
    pub(super) fn tell(&self, machine: &str, event: &Event) {
        let shown = &self.setup.config.shop.shown_in;
        let now = self.now();
        let advise = |level: &str, sentence: String| {
            if let Some(board) = &self.setup.board {
                board.advice(
                    machine,
                    &Advice {
                        at: now,
                        about: "pull".into(),
                        level: level.into(),
                        sentence,
                    },
                );
            }
        };
        match event {
            // A lamp must not follow what a sensor's backlog tells of last week.
            Event::PullJudged { at, .. } if now.seconds_since(*at) > STALE_ADVICE_S => {}
            Event::PullJudged {
                verdict, depth_kpa, ..
            } => {
                let depth =
                    depth_kpa.map_or_else(|| "nothing".into(), |k| shown.vacuum(k).to_string());
                match verdict {
                    Verdict::Good => advise("good", format!("Vacuum {depth} below air.")),
                    Verdict::Weak | Verdict::Missing => {
                        let sentence = format!(
                            "Vacuum {depth} below air, less than usual. Don't pour. Reseat the flask."
                        );
                        warn!("{machine}: {sentence}");
                        advise("stop", sentence);
                    }
                    Verdict::Unknown => {}
                }
            }
            Event::Poured(pour) => {
                info!("{machine}: poured at {}", self.clock_of(pour.at));
            }
            _ => {}
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
