//! Watching for the melt's turn: a cheap look at every reading, and once the melt is clearly
//! below its crest, a careful fit of the seconds around ([`super::turn`]), from which follows
//! whether metal left and how sure that is.

use super::history::{Crest, Reading};
use super::melt::Melt;
use super::seal::Seal;
use super::sight::{
    Occasion, SEEN_AT_MOST_S, SHOWN_AFTER_S, Setting, Sight, Suspect, by_step, heard, likelier,
    readings,
};
use super::turn;
use crate::time::Micros;

/// The crest of the melt is that of the last so many seconds.
const CREST_S: f64 = 40.0;
/// A melt this far below its crest is looked at closely, K …
const SUSPECT_K: f64 = 2.5;
/// … or this many noise standard deviations, if that is more.
const SUSPECT_SDS: f64 = 4.0;
/// The careful look waits until a stir would have come back: a stir pulls the reading down by
/// 5–15 K for 10–20 s (common practice).
const WAIT_S: f64 = 20.0;
/// … and for at least this many readings.
const WAIT_READINGS: f64 = 4.0;
/// How long before the first suspicion the turn may lie, s; a slow reading needs more.
const BACK_S: f64 = 25.0;
/// A turn younger than this cannot be judged, s.
const JUDGED_AFTER_S: f64 = 10.0;
/// After a look that found nothing, the next suspicion is at least this far on, s.
const AGAIN_S: f64 = 4.0;
/// A silence counts as no more than this in the span of the crest, s.
const SILENCE_COUNTS_S: f64 = 5.0;
/// The longest it waits for more readings of a slow sensor, s, is [`SEEN_AT_MOST_S`]. A turn may be
/// judged at last that is only so old, s.
const JUDGED_AT_LAST_S: f64 = 4.0;
/// A fall without such a step, where the depth is heard, is not judged before this long after
/// the suspicion, s: the longest stir has come back by then.
const WAIT_WITHOUT_STEP_S: f64 = 45.0;
/// A rise at a pour is over, and the furnace falls, by the time a fall gives cause for a look: it
/// is looked for so much further back, s.
const RISE_BACK_S: f64 = 25.0;

/// The watch.
#[derive(Clone, Debug)]
pub(crate) struct Watch {
    crest: Crest,
    /// The time of the crest, which hardly passes while the sensor is silent.
    heard: Micros,
    last: Option<Micros>,
    below: u32,
    suspected_at: Option<Micros>,
    due_at: Option<Micros>,
    not_before: Option<Micros>,
}

impl Watch {
    /// A watch that has seen nothing.
    pub fn new() -> Watch {
        Watch {
            crest: Crest::over(CREST_S),
            heard: Micros(0),
            last: None,
            below: 0,
            suspected_at: None,
            due_at: None,
            not_before: None,
        }
    }

    /// The probe moved or the pour is over: begin afresh.
    pub fn reset(&mut self) {
        *self = Watch::new();
    }

    /// When the careful look is due.
    pub fn due_at(&self) -> Option<Micros> {
        self.due_at
    }

    /// When the melt was first clearly below its crest, if that is still to be looked into.
    pub fn suspected_at(&self) -> Option<Micros> {
        self.suspected_at
    }

    /// Takes in the smoothed melt; `armed` while a pour is possible.
    pub fn hear(&mut self, smooth: Reading, melt: &Melt, armed: Option<&Setting>) {
        let gap = self.last.map_or(0.0, |l| smooth.at.seconds_since(l));
        self.last = Some(smooth.at);
        let counts = SILENCE_COUNTS_S.max(1.5 * melt.step_s());
        self.heard = self.heard.plus_seconds(gap.min(counts));
        self.crest.push(Reading {
            at: self.heard,
            value: smooth.value,
        });
        let low = self.crest.top().is_some_and(|top| {
            top.value - smooth.value > SUSPECT_K.max(SUSPECT_SDS * melt.noise_k())
        });
        self.below = if low { self.below + 1 } else { 0 };
        let rested = self.not_before.is_none_or(|t| smooth.at >= t);
        if let Some(setting) = armed
            && self.below >= 2
            && self.suspected_at.is_none()
            && rested
        {
            let wait = if setting.vacuum_known {
                WAIT_S
                    .max(WAIT_READINGS * melt.step_s())
                    .min(SEEN_AT_MOST_S)
            } else {
                SEEN_AT_MOST_S
            };
            self.suspected_at = Some(smooth.at);
            self.due_at = Some(smooth.at.plus_seconds(wait));
        }
    }

    /// The careful look, with what has been heard so far; `seal` in seconds from the suspicion.
    pub fn look(
        &mut self,
        melt: &Melt,
        setting: &Setting,
        seal: &Seal,
        occasion: Occasion,
    ) -> Option<Suspect> {
        let suspected_at = self.suspected_at.take()?;
        self.due_at = None;
        self.not_before = Some(suspected_at.plus_seconds(AGAIN_S));
        let last_chance = occasion != Occasion::Due;
        let heard = heard(melt, occasion)?;
        let waited = heard.seconds_since(suspected_at);
        let mut stepped = None;
        if let Some(lift) = seal.lift() {
            let shown = lift + SHOWN_AFTER_S.max(5.0 * melt.step_s());
            if waited < shown && !last_chance {
                self.suspected_at = Some(suspected_at);
                self.due_at = Some(suspected_at.plus_seconds(shown + 0.5));
                return None;
            }
            stepped = by_step(melt, setting, seal, suspected_at, lift, occasion);
            if let Some(suspect) = stepped.filter(|s| s.signs.log_odds() > 0.0) {
                return Some(suspect);
            }
        }
        if seal.heard() && waited < WAIT_WITHOUT_STEP_S && !last_chance {
            self.suspected_at = Some(suspected_at);
            self.due_at = Some(suspected_at.plus_seconds(WAIT_WITHOUT_STEP_S));
            return None;
        }
        let step = melt.step_s();
        let origin = suspected_at;
        let back = BACK_S.max(5.0 * step) + longest_gap(melt, origin);
        let pre = (20.0_f64).max(5.0 * step) + RISE_BACK_S;
        let until = heard.min(origin.plus_seconds(SEEN_AT_MOST_S));
        let readings = readings(melt, origin.plus_seconds(-back - pre), until, origin);
        let earliest = setting.from.seconds_since(origin).max(-back);
        // A fall must have shown itself for a while before it can be judged.
        let judged_after = if occasion == Occasion::ProbeComesOut {
            JUDGED_AT_LAST_S
        } else {
            JUDGED_AFTER_S
        };
        let seen = heard.seconds_since(origin) - judged_after.max(2.5 * step);
        let latest = setting.until.seconds_since(origin).min(seen.max(0.0));
        let favours = |t: f64| seal.times_as_likely(t).ln();
        let sight = Sight {
            melt,
            setting,
            seal,
            origin,
            heard,
        };
        let down = turn::find(&readings, earliest, latest, &sight.known(false, &favours));
        let up = setting.way.may_rise().then(|| {
            let earliest = setting.from.seconds_since(origin).max(-back - RISE_BACK_S);
            turn::find(&readings, earliest, latest, &sight.known(true, &favours))
        });
        let found = sight.likelier_way(down, up.flatten());
        if let Some(turn) = found.map(|f| f.turn).or(down)
            && !turn.rises
            && turn.at_s > (seen - 2.0).max(0.0)
            && !last_chance
        {
            // The suspicion came early, on a melt already falling slowly; look again when the
            // fall itself is old enough.
            let at = origin.plus_seconds(turn.at_s);
            self.suspected_at = Some(at);
            self.due_at = Some(at.plus_seconds(WAIT_S.max(WAIT_READINGS * step)));
            return None;
        }
        likelier(stepped, found)
    }
}

/// The longest silence in the 90 s before, s, if it was longer than the sensor's usual.
fn longest_gap(melt: &Melt, at: Micros) -> f64 {
    let mut longest = 0.0_f64;
    let mut before: Option<Micros> = None;
    for r in melt.history.between(at.plus_seconds(-90.0), at) {
        if let Some(b) = before {
            longest = longest.max(r.at.seconds_since(b));
        }
        before = Some(r.at);
    }
    if longest > 2.0 * melt.step_s() {
        longest
    } else {
        0.0
    }
}
