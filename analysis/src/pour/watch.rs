//! Watching for the melt's turn: a cheap look at every reading, and once the melt is clearly
//! below its crest, a careful fit of the seconds around ([`super::turn`]), from which follows
//! whether metal left and how sure that is.

use super::history::{Crest, Reading};
use super::melt::Melt;
use super::seal::Seal;
use super::turn::{self, Turn};
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
/// … but never longer than this, s.
const WAIT_AT_MOST_S: f64 = 45.0;
/// How long before the first suspicion the turn may lie, s; a slow reading needs more.
const BACK_S: f64 = 25.0;
/// A turn younger than this cannot be judged, s.
const JUDGED_AFTER_S: f64 = 10.0;
/// After a look that found nothing, the next suspicion is at least this far on, s.
const AGAIN_S: f64 = 4.0;
/// A pour takes at least this much off the reading within 15 s, K (5–40 K in 10–30 s is common
/// practice; the fit sees the beginning of it).
const LEAST_DROP_K: f64 = 3.0;
/// A fall beyond this within 15 s is no pour: the probe came out, K.
const MOST_DROP_K: f64 = 90.0;
/// The fall must set in at least this fast, K/s: 5 K in 30 s.
const LEAST_FALL_K_S: f64 = 0.15;
/// The turn must explain the readings this much better than a straight line (F ratio; the 0.1 %
/// point for 4 and 20 degrees of freedom is 7.1) …
const LEAST_EVIDENCE: f64 = 6.0;
/// … and is only fully believed at twice that, because the best of many turns is taken.
const FULL_EVIDENCE: f64 = 14.0;
/// Without a vacuum sensor a deeper fall than this is taken for cold metal, K …
const MOST_DROP_UNSEEN_K: f64 = 50.0;
/// … and so is one of which more than this share comes late.
const LATE_SHARE_UNSEEN: f64 = 0.3;
/// A silence counts as no more than this in the span of the crest, s.
const SILENCE_COUNTS_S: f64 = 5.0;
/// A melt that has come back to less than this share of its drop after some 20 s was stirred. A
/// small pour comes back too, as the furnace answers, but not so fast; it is told with less
/// confidence.
const STIRRED: f64 = 0.15;
/// Where the depth shows the lift, the melt's turn lies within so many seconds of it …
const NEAR_STEP_S: f64 = 6.0;
/// … and needs to move the reading by no more than this, K: a probe in the crucible's wall rises,
/// and a small pour is soon made good by the furnace.
const LEAST_MOVE_K: f64 = 1.5;
/// … and is looked at once it has shown itself for so long, s.
const SHOWN_AFTER_S: f64 = 14.0;
/// A fall without such a step, where the depth is heard, is not judged before this long after
/// the suspicion, s: the longest stir has come back by then.
const WAIT_WITHOUT_STEP_S: f64 = 38.0;
/// Below this confidence nothing is said.
const LEAST_CONFIDENCE: f64 = 0.2;

/// Where a turn may lie and what speaks for a pour there.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Setting {
    /// No turn before this.
    pub from: Micros,
    /// No turn after this.
    pub until: Micros,
    /// Colder than this nothing can be poured, °C.
    pub least_c: f64,
    /// Whether vacuum was on, as a switch or the depth tells; false: there is no sensor.
    pub vacuum_known: bool,
    /// The alloy's liquidus, °C, as far as it is known.
    pub molten_above_c: f64,
}

/// A turn that was a pour.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Poured {
    pub at: Micros,
    pub turn: Turn,
    pub confidence: f64,
}

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
                    .min(WAIT_AT_MOST_S)
            } else {
                WAIT_AT_MOST_S
            };
            self.suspected_at = Some(smooth.at);
            self.due_at = Some(smooth.at.plus_seconds(wait));
        }
    }

    /// The careful look, with what has been heard so far; `seal` in seconds from the suspicion; `last_chance`: there will be no other.
    pub fn look(
        &mut self,
        melt: &Melt,
        setting: &Setting,
        seal: &Seal,
        last_chance: bool,
    ) -> Option<Poured> {
        let suspected_at = self.suspected_at.take()?;
        self.due_at = None;
        self.not_before = Some(suspected_at.plus_seconds(AGAIN_S));
        let heard = melt.history.last()?.at;
        let waited = heard.seconds_since(suspected_at);
        if let Some(lift) = seal.lift() {
            let shown = lift + SHOWN_AFTER_S.max(4.0 * melt.step_s());
            if waited < shown && !last_chance {
                self.suspected_at = Some(suspected_at);
                self.due_at = Some(suspected_at.plus_seconds(shown + 0.5));
                return None;
            }
            if let Some(poured) = by_step(melt, setting, seal, suspected_at, lift) {
                return Some(poured);
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
        let pre = (20.0_f64).max(5.0 * step);
        let readings: Vec<(f64, f64)> = melt
            .history
            .between(
                origin.plus_seconds(-back - pre),
                origin.plus_seconds(WAIT_AT_MOST_S),
            )
            .map(|r| (r.at.seconds_since(origin), r.value))
            .collect();
        // The fit needs no more than five readings a second, and its cost stays bounded.
        let readings = turn::thinned(&readings, 0.2);
        let earliest = setting.from.seconds_since(origin).max(-back);
        // A fall must have shown itself for a while before it can be judged.
        let seen = heard.seconds_since(origin) - JUDGED_AFTER_S.max(2.5 * step);
        let latest = setting.until.seconds_since(origin).min(seen.max(0.0));
        let known = turn::Known {
            noise_k: melt.noise_k(),
            may_rise: false,
            favours: &|t| seal.times_as_likely(t).ln(),
        };
        let turn = turn::find(&readings, earliest, latest, &known)?;
        let at = origin.plus_seconds(turn.at_s);
        if turn.at_s > (seen - 2.0).max(0.0) && !last_chance {
            // The suspicion came early, on a melt already falling slowly; look again when the
            // fall itself is old enough.
            self.suspected_at = Some(at);
            self.due_at = Some(at.plus_seconds(WAIT_S.max(WAIT_READINGS * step)));
            return None;
        }
        let confidence = confidence(&turn, setting)?;
        Some(Poured {
            at,
            turn,
            confidence,
        })
    }
}

/// A look where the depth shows the lift, at `lift` seconds from `origin`: the melt turns there,
/// down or up, or it is no pour.
pub(crate) fn by_step(
    melt: &Melt,
    setting: &Setting,
    seal: &Seal,
    origin: Micros,
    lift: f64,
) -> Option<Poured> {
    let step = melt.step_s();
    let about = origin.plus_seconds(lift);
    let reach = WAIT_AT_MOST_S.max(10.0 * step);
    let readings: Vec<(f64, f64)> = melt
        .history
        .between(about.plus_seconds(-reach), about.plus_seconds(reach))
        .map(|r| (r.at.seconds_since(about), r.value))
        .collect();
    let readings = turn::thinned(&readings, 0.2);
    let near = NEAR_STEP_S.max(1.5 * step);
    let known = turn::Known {
        noise_k: melt.noise_k(),
        may_rise: true,
        favours: &|t| seal.times_as_likely(t + lift).ln(),
    };
    let earliest = setting.from.seconds_since(about).max(-near);
    let latest = setting.until.seconds_since(about).min(near);
    let turn = turn::find(&readings, earliest, latest, &known)?;
    // A rise is told by fewer: it must be the plainer.
    let least_evidence = if turn.rises {
        FULL_EVIDENCE
    } else {
        LEAST_EVIDENCE
    };
    let no_pour = turn.deepest_k < LEAST_MOVE_K.max(2.0 * turn.spread_k)
        || turn.drop_k > MOST_DROP_K
        || turn.temperature_c < setting.least_c
        || turn.evidence < least_evidence;
    if no_pour {
        return None;
    }
    let evidence = 0.5 + 0.5 * (turn.evidence / FULL_EVIDENCE).min(1.0);
    let silence = (1.0 - (turn.gap_s - 5.0).max(0.0) / 90.0).clamp(0.4, 1.0);
    Some(Poured {
        at: about.plus_seconds(turn.at_s),
        turn,
        confidence: 0.98 * evidence * silence,
    })
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

/// How sure it is that metal left at this turn, 0–1; none if it did not.
///
/// Not yet a calibrated probability: each factor is a plain statement of what speaks against.
fn confidence(turn: &Turn, setting: &Setting) -> Option<f64> {
    let spread = turn.spread_k.max(0.2);
    let no_pour = turn.drop_k < LEAST_DROP_K.max(4.0 * spread)
        || turn.drop_k > MOST_DROP_K
        || turn.fall_k_s < LEAST_FALL_K_S
        // On the way down the fall must be clearly steeper than before.
        || turn.fall_k_s < 2.0 * -turn.slope_before_k_s
        || turn.temperature_c < setting.least_c
        || turn.evidence < LEAST_EVIDENCE
        || turn.still_down < STIRRED
        || (!setting.vacuum_known
            && (turn.deepest_k > MOST_DROP_UNSEEN_K || turn.late_share > LATE_SHARE_UNSEEN));
    if no_pour {
        return None;
    }
    let strength = 1.0 - (-0.5 * (turn.drop_k / (2.0 * spread).max(1.8)).powi(2)).exp();
    let evidence = (turn.evidence / FULL_EVIDENCE).min(1.0);
    let came_back = ((turn.still_down - STIRRED) / 0.4).clamp(0.3, 1.0);
    let silence = (1.0 - (turn.gap_s - 5.0).max(0.0) / 90.0).clamp(0.4, 1.0);
    let molten = if turn.temperature_c < setting.molten_above_c {
        0.7
    } else {
        1.0
    };
    let vacuum = if setting.vacuum_known { 1.0 } else { 0.5 };
    let confidence = 0.99 * strength * evidence * came_back * silence * molten * vacuum;
    (confidence >= LEAST_CONFIDENCE).then_some(confidence)
}
