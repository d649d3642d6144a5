//! Watching for the melt's turn: a cheap look at every reading, and once the melt is clearly
//! below its crest, a careful fit of the seconds around ([`super::turn`]), from which follows
//! whether metal left and how sure that is.

use super::confidence::{Around, Signs};
use super::history::{Crest, Reading};
use super::melt::Melt;
use super::seal::Seal;
use super::stir;
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
/// A fall beyond this within 15 s is no pour: the probe came out, K.
const MOST_DROP_K: f64 = 90.0;
/// A turn that explains the readings no better than this (F ratio) is none; the 0.1 % point for 4
/// and 20 degrees of freedom is 7.1, and the best of many is taken.
const LEAST_EVIDENCE: f64 = 4.0;
/// A silence counts as no more than this in the span of the crest, s.
const SILENCE_COUNTS_S: f64 = 5.0;
/// Where the depth shows the lift, the melt's turn lies within so many seconds of it …
const NEAR_STEP_S: f64 = 6.0;
/// … and is looked at once it has shown itself for so long, s.
const SHOWN_AFTER_S: f64 = 14.0;
/// A fall without such a step, where the depth is heard, is not judged before this long after
/// the suspicion, s: the longest stir has come back by then.
const WAIT_WITHOUT_STEP_S: f64 = 45.0;
/// Before the probe comes out its readings may already be falling, s.
const COMING_OUT_S: f64 = 3.0;
/// … and then a turn may be judged that is only so old, s.
const JUDGED_AT_LAST_S: f64 = 4.0;
/// A turn moves the reading by at least this, K, …
const LEAST_MOVE_K: f64 = 1.5;
/// … or the depth speaks as plainly as this for a lift, as a logarithm, and a small pour was made
/// good by the furnace.
const CLEAR_STEP_LN: f64 = 6.0;
/// A fall slower than this over its first seconds is none that metal makes, K/s (5 K in 30 s).
const SLOW_FALL_K_S: f64 = 0.15;
/// How far before a turn it is asked whether the melt was hotter, s.
const BEFORE_S: f64 = 200.0;

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
    /// Whether the depth has moved in this pull.
    pub moved: bool,
    /// Whether it pulls so little that the flask cannot have sat.
    pub unseated: bool,
    /// The pull, by its opening.
    pub pull: Option<Micros>,
    /// Whether the probe rises at pours, as an earlier one of this session told.
    pub rises: Option<bool>,
    /// The alloy's liquidus, °C, as far as it is known.
    pub molten_above_c: f64,
}

/// A turn that may have been a pour.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Suspect {
    pub at: Micros,
    pub turn: Turn,
    pub signs: Signs,
    pub pull: Option<Micros>,
    /// Whether the pull was as deep as one that a flask sits on.
    pub in_good_pull: bool,
}

/// Why the careful look is taken now.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Occasion {
    /// It was due.
    Due,
    /// There will be no other: the next pull opens, or the trace is over.
    Last,
    /// The probe is coming out of the metal.
    ProbeComesOut,
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
        let pre = (20.0_f64).max(5.0 * step);
        let until = heard.min(origin.plus_seconds(WAIT_AT_MOST_S));
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
        let known = turn::Known {
            noise_k: melt.noise_k(),
            may_rise: setting.rises == Some(true),
            must_rise: false,
            favours: &|t| seal.times_as_likely(t).ln(),
        };
        let Some(turn) = turn::find(&readings, earliest, latest, &known) else {
            return stepped;
        };
        let at = origin.plus_seconds(turn.at_s);
        if turn.at_s > (seen - 2.0).max(0.0) && !last_chance {
            // The suspicion came early, on a melt already falling slowly; look again when the
            // fall itself is old enough.
            self.suspected_at = Some(at);
            self.due_at = Some(at.plus_seconds(WAIT_S.max(WAIT_READINGS * step)));
            return None;
        }
        let likelier = |a: Suspect, b: Suspect| {
            if a.signs.log_odds() > b.signs.log_odds() {
                a
            } else {
                b
            }
        };
        match (stepped, suspect(melt, setting, seal, origin, turn, heard)) {
            (Some(a), Some(b)) => Some(likelier(a, b)),
            (a, b) => a.or(b),
        }
    }
}

/// Until when the melt is looked at.
fn heard(melt: &Melt, occasion: Occasion) -> Option<Micros> {
    let last = melt.history.last()?.at;
    Some(match occasion {
        Occasion::ProbeComesOut => last.plus_seconds(-COMING_OUT_S),
        _ => last,
    })
}

/// Readings in seconds from `origin`, no more than five a second: the fit needs no more, and its
/// cost stays bounded.
fn readings(melt: &Melt, from: Micros, until: Micros, origin: Micros) -> Vec<(f64, f64)> {
    let all: Vec<(f64, f64)> = melt
        .history
        .between(from, until)
        .map(|r| (r.at.seconds_since(origin), r.value))
        .collect();
    turn::thinned(&all, 0.2)
}

/// A look where the depth shows the lift, at `lift` seconds from `origin`: the melt turns there,
/// down or up.
pub(crate) fn by_step(
    melt: &Melt,
    setting: &Setting,
    seal: &Seal,
    origin: Micros,
    lift: f64,
    occasion: Occasion,
) -> Option<Suspect> {
    let step = melt.step_s();
    let about = origin.plus_seconds(lift);
    let reach = WAIT_AT_MOST_S.max(10.0 * step);
    let heard = heard(melt, occasion)?;
    let until = heard.min(about.plus_seconds(reach));
    // A turn of which little has been seen yet is put too early or too late.
    let shown = SHOWN_AFTER_S.max(5.0 * step);
    if occasion == Occasion::Due && until.seconds_since(about) < shown {
        return None;
    }
    let readings = readings(melt, about.plus_seconds(-reach), until, about);
    let near = NEAR_STEP_S.max(1.5 * step);
    let known = turn::Known {
        noise_k: melt.noise_k(),
        may_rise: setting.rises != Some(false),
        must_rise: false,
        favours: &|t| seal.times_as_likely(t + lift).ln(),
    };
    let earliest = setting.from.seconds_since(about).max(-near);
    let latest = setting.until.seconds_since(about).min(near);
    let mut turn = turn::find(&readings, earliest, latest, &known)?;
    if setting.rises.is_none() && !turn.rises && turn.fall_k_s < SLOW_FALL_K_S {
        // No metal falls so slowly out of a probe's sight: rather it rose first, and what falls
        // is the furnace.
        let upwards = turn::Known {
            must_rise: true,
            ..known
        };
        let up = turn::find(&readings, earliest, latest, &upwards);
        turn = up.filter(|up| up.evidence > turn.evidence).unwrap_or(turn);
    }
    turn.at_s += lift;
    suspect(melt, setting, seal, origin, turn, heard)
}

/// What speaks for a pour at a turn; none if it cannot be one.
fn suspect(
    melt: &Melt,
    setting: &Setting,
    seal: &Seal,
    origin: Micros,
    turn: Turn,
    heard: Micros,
) -> Option<Suspect> {
    let clear_step = seal.ln_at(turn.at_s).is_some_and(|l| l > CLEAR_STEP_LN);
    let still = turn.deepest_k < LEAST_MOVE_K.max(2.0 * turn.spread_k);
    let no_pour = turn.drop_k > MOST_DROP_K
        || turn.temperature_c < setting.least_c
        || (still && (turn.rises || !clear_step))
        || (turn.evidence < LEAST_EVIDENCE && !clear_step);
    if no_pour {
        return None;
    }
    let at = origin.plus_seconds(turn.at_s);
    let around: Vec<(f64, f64)> = melt
        .history
        .between(at.plus_seconds(-40.0), heard)
        .map(|r| (r.at.seconds_since(at), r.value))
        .collect();
    let hottest = melt
        .history
        .between(at.plus_seconds(-BEFORE_S), at)
        .map(|r| r.value)
        .fold(turn.temperature_c, f64::max);
    let signs = Signs::of(
        &turn,
        &Around {
            seal_ln: seal.ln_at(turn.at_s),
            shapes: stir::compare(&around, 0.0, turn.rises),
            valve_only: setting.vacuum_known && !setting.moved,
            no_vacuum: !setting.vacuum_known,
            hotter_before_k: hottest - turn.temperature_c - 2.0 * melt.noise_k(),
            unseated: setting.unseated,
            lead_s: setting.pull.map(|_| at.seconds_since(setting.from)),
            cold_k: setting.molten_above_c - turn.temperature_c,
        },
    );
    Some(Suspect {
        at,
        turn,
        signs,
        pull: setting.pull,
        in_good_pull: setting.moved && !setting.unseated,
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
