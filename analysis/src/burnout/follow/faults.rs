//! From what is wrong at a minute to faults that are told, and to what is right again: a wrong
//! must last before it is told, and be gone for a while before it is over.

use super::{Event, Follower, MENDED_S, Watch};
use crate::burnout::minutes::Minute;
use crate::burnout::row::{FaultKind, FaultRow};
use crate::burnout::step::Wrong;
use crate::time::Micros;

impl Follower {
    /// Turns what is wrong into faults once it has lasted, and faults into the past.
    pub(super) fn weigh(&mut self, minute: Minute, wrong: &[Wrong], events: &mut Vec<Event>) {
        for now in wrong {
            let watch = match self.watches.iter_mut().position(|w| w.kind == now.kind) {
                Some(at) => at,
                None => {
                    self.watches.push(Watch {
                        kind: now.kind,
                        since: minute.at,
                        last_wrong: minute.at,
                        told: None,
                    });
                    self.watches.len() - 1
                }
            };
            let watch = &mut self.watches[watch];
            watch.last_wrong = minute.at;
            let lasted = minute.at.seconds_since(watch.since);
            if watch.told.is_none() && lasted + 1.0 >= now.for_s {
                let since = now.since.unwrap_or(watch.since);
                self.tell(now.kind, since, minute.at, Some(minute.kiln_c), events);
            }
        }
        let judged = |w: &Watch| !matches!(w.kind, FaultKind::Silent | FaultKind::Probe);
        // What was wrong for a moment and is not told starts from nothing the next time.
        self.watches.retain(|w| {
            w.told.is_some() || !judged(w) || wrong.iter().any(|now| now.kind == w.kind)
        });
        let over: Vec<FaultKind> = self
            .watches
            .iter()
            .filter(|w| {
                judged(w) && w.told.is_some() && minute.at.seconds_since(w.last_wrong) >= MENDED_S
            })
            .map(|w| w.kind)
            .collect();
        for kind in over {
            self.mend(kind, minute.at, events);
            if let Some(steps) = &mut self.steps {
                steps.mended(minute.at, minute.kiln_c);
            }
        }
    }

    pub(super) fn tell(
        &mut self,
        kind: FaultKind,
        since: Micros,
        at: Micros,
        kiln_c: Option<f64>,
        events: &mut Vec<Event>,
    ) {
        let step = self.now().step;
        let Some(burnout) = &mut self.burnout else {
            return;
        };
        let expected_c = match kind {
            FaultKind::Silent | FaultKind::Probe | FaultKind::DoorOpen => None,
            FaultKind::RunOff if kiln_c.is_some_and(|c| c > self.setup.highest_c) => {
                Some(burnout.expected_c.unwrap_or(self.setup.highest_c))
            }
            _ => burnout.expected_c,
        };
        let fault = FaultRow {
            kind,
            since_at: since.max(burnout.row.began_at),
            told_at: at,
            over_at: None,
            kiln_c,
            expected_c,
            step,
        };
        let told = Some(burnout.row.faults.len());
        burnout.row.faults.push(fault);
        match self.watches.iter_mut().find(|w| w.kind == kind) {
            Some(watch) => watch.told = told,
            None => self.watches.push(Watch {
                kind,
                since,
                last_wrong: at,
                told,
            }),
        }
        events.push(Event::Fault(fault));
    }

    pub(super) fn mend(&mut self, kind: FaultKind, at: Micros, events: &mut Vec<Event>) {
        let Some(found) = self.watches.iter().position(|w| w.kind == kind) else {
            return;
        };
        let watch = self.watches.remove(found);
        let faults = self.burnout.as_mut().map(|b| &mut b.row.faults);
        if let (Some(faults), Some(told)) = (faults, watch.told)
            && let Some(fault) = faults.get_mut(told)
        {
            fault.over_at = Some(at);
            events.push(Event::Mended(*fault));
        }
    }
}
