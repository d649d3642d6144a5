//! What the bench says of its kilns, in words with the number and the action: to the log, and
//! to whoever follows the status topics. Advice only; a kiln's own limit controller is what
//! keeps a shop from burning.

use analysis::burnout::{Event, FaultKind, FaultRow};
use analysis::time::Micros;
use analysis::units::ShownIn;
use tracing::{info, warn};

use super::bench::Bench;
use crate::mqtt::status::Advice;

/// What anybody must know who goes to a kiln that is not as it should be: carbon monoxide,
/// sulphur dioxide and aldehydes come off burnt wax and gypsum (common practice).
const FUMES: &str = "Burnout fumes are poisonous: extraction on before you go near.";

impl Bench {
    /// Says what a kiln's follower told.
    pub(super) fn tell_kiln(&mut self, kiln: &str, event: &Event) {
        match event {
            Event::Began { joined_late, .. } => {
                let late = if *joined_late {
                    ", hot when first heard"
                } else {
                    ""
                };
                info!("{kiln}: a burnout began{late}");
            }
            Event::Stepped { step, holding, .. } => {
                let place = if *holding { "hold" } else { "ramp" };
                info!("{kiln}: on the {place} of step {step}");
            }
            Event::Door(opening) if opening.closed_at.is_none() => info!("{kiln}: door opened"),
            Event::Door(_) => {}
            Event::Fault(fault) => {
                let zone = &self.setup.config.shop.time_zone;
                let clock = crate::book::local(fault.since_at, zone).strftime("%H:%M");
                let shown = &self.setup.config.shop.shown_in;
                let sentence = sentence(kiln, fault, &clock.to_string(), shown);
                warn!("{sentence}");
                self.advise_kiln(kiln, "look", sentence, fault.told_at);
                if matches!(fault.kind, FaultKind::Silent | FaultKind::Probe) {
                    let reason = match fault.kind {
                        FaultKind::Silent => "silent during a burnout",
                        _ => "jumped during a burnout as no kiln can",
                    };
                    self.trouble(kiln, "kiln_temperature", reason);
                }
            }
            Event::Mended(fault) => {
                let sentence = match fault.kind {
                    FaultKind::Silent => format!("{kiln} is heard again."),
                    FaultKind::DoorOpen => format!("{kiln}'s door is shut again."),
                    _ => format!("{kiln} is as it should be again."),
                };
                info!("{sentence}");
                let at = fault.over_at.unwrap_or(fault.told_at);
                self.advise_kiln(kiln, "good", sentence, at);
            }
            Event::Ended(row) => info!(
                "{kiln}: the burnout is over, {:.0} min at 700 °C and above",
                row.above_700_min
            ),
        }
    }

    fn advise_kiln(&self, kiln: &str, level: &str, sentence: String, at: Micros) {
        if let Some(board) = &self.setup.board {
            board.advice(
                kiln,
                &Advice {
                    at,
                    about: "burnout".into(),
                    level: level.into(),
                    sentence,
                },
            );
        }
    }
}

/// A fault in words. `clock` is since when, in the shop's time.
fn sentence(kiln: &str, fault: &FaultRow, clock: &str, shown: &ShownIn) -> String {
    let reads = fault.kiln_c.map_or_else(
        || "not heard".to_owned(),
        |c| shown.temperature(c).to_string(),
    );
    let should = fault.expected_c.map_or_else(String::new, |c| {
        format!(", should be {}", shown.temperature(c))
    });
    match fault.kind {
        FaultKind::Stalled => format!(
            "{kiln} does not go on with its programme since {clock}: {reads}{should}. Look at the \
             kiln. {FUMES}"
        ),
        FaultKind::RunOff => format!(
            "{kiln} is hotter than it should be since {clock}: {reads}{should}. If it goes on \
             climbing, switch it off at its supply. {FUMES}"
        ),
        FaultKind::Cooling => format!(
            "{kiln} cools since {clock}: {reads}{should}. Look at its supply, elements and door. \
             {FUMES}"
        ),
        FaultKind::DoorOpen => {
            format!("{kiln}'s door seems to stand open since {clock}: {reads}. Shut it. {FUMES}")
        }
        FaultKind::Silent => format!(
            "{kiln} is not heard since {clock}, in the middle of a burnout. Look at its sensor, \
             and at the kiln. {FUMES}"
        ),
        FaultKind::Probe => format!(
            "{kiln}'s reading jumped to {reads} at {clock}, as no kiln can. Look at its \
             thermocouple and plug. {FUMES}"
        ),
    }
}

#[cfg(test)]
mod tests {
    use analysis::units::Scheme;

    use super::*;

    #[test]
    fn a_kiln_that_cools_at_night_is_said_with_the_number_and_what_to_do() {
        let fault = FaultRow {
            kind: FaultKind::Cooling,
            since_at: Micros(0),
            told_at: Micros(0),
            over_at: None,
            kiln_c: Some(702.0),
            expected_c: Some(730.0),
            step: Some(3),
        };
        let metric = sentence("kiln-1", &fault, "03:12", &ShownIn::from(Scheme::Metric));
        assert_eq!(
            metric,
            "kiln-1 cools since 03:12: 702 °C, should be 730 °C. Look at its supply, elements and \
             door. Burnout fumes are poisonous: extraction on before you go near."
        );
        let us = sentence("kiln-1", &fault, "03:12", &ShownIn::from(Scheme::Us));
        assert!(us.contains("1296 °F, should be 1346 °F"), "{us}");
    }
}
