//! A careful look at a stretch of the melt: where a pour may lie, the turn that explains the
//! readings best, downwards or upwards, and what speaks for metal having left there. When to look
//! is decided by [`super::watch`] and the detector.

use super::confidence::{Around, Signs};
use super::melt::Melt;
use super::seal::Seal;
use super::stir;
use super::turn::{self, Turn};
use super::way::Way;
use crate::time::Micros;

/// Readings later than this after a turn, s, are the furnace's or the next charge's.
pub(super) const SEEN_AT_MOST_S: f64 = 45.0;
/// A fall beyond this within 15 s is no pour: the probe came out, K.
const MOST_DROP_K: f64 = 90.0;
/// A turn that explains the readings no better than this (F ratio) is none; the 0.1 % point for 4
/// and 20 degrees of freedom is 7.1, and the best of many is taken.
const LEAST_EVIDENCE: f64 = 4.0;
/// A turn moves the reading by at least this, K, …
const LEAST_MOVE_K: f64 = 1.5;
/// … or the depth speaks as plainly as this for a lift, as a logarithm, and a small pour was made
/// good by the furnace.
const CLEAR_STEP_LN: f64 = 6.0;
/// Where the depth shows the lift, the melt's turn lies within so many seconds of it …
const NEAR_STEP_S: f64 = 6.0;
/// … and is looked at once it has shown itself for so long, s.
pub(super) const SHOWN_AFTER_S: f64 = 14.0;
/// Before the probe comes out its readings may already be falling, s.
const COMING_OUT_S: f64 = 3.0;
/// How far before a turn it is asked whether the melt was hotter, s.
const BEFORE_S: f64 = 200.0;
/// A charge is told from a pour by how the melt came to it: over so many seconds, but for the
/// last.
const MINUTES_S: f64 = 420.0;
const MINUTES_END_S: f64 = 10.0;
/// Which way the reading went is asked of readings from so long before, s.
const WAY_SEEN_S: f64 = 60.0;

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
    /// Which way the probe goes at pours, as earlier ones of this session told.
    pub way: Way,
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
    /// Logarithm of how much likelier the readings make a pour that moves them up than one that
    /// moves them down.
    pub up_ln: f64,
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

/// The likelier of two, if there are two.
pub(super) fn likelier(a: Option<Suspect>, b: Option<Suspect>) -> Option<Suspect> {
    match (a, b) {
        (Some(a), Some(b)) if a.signs.log_odds() > b.signs.log_odds() => Some(a),
        (_, Some(b)) => Some(b),
        (a, None) => a,
    }
}

/// Until when the melt is looked at.
pub(super) fn heard(melt: &Melt, occasion: Occasion) -> Option<Micros> {
    let last = melt.history.last()?.at;
    Some(match occasion {
        Occasion::ProbeComesOut => last.plus_seconds(-COMING_OUT_S),
        _ => last,
    })
}

/// Readings in seconds from `origin`, no more than five a second: the fit needs no more, and its
/// cost stays bounded.
pub(super) fn readings(
    melt: &Melt,
    from: Micros,
    until: Micros,
    origin: Micros,
) -> Vec<(f64, f64)> {
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
    let reach = SEEN_AT_MOST_S.max(10.0 * step);
    let heard = heard(melt, occasion)?;
    let until = heard.min(about.plus_seconds(reach));
    // A turn of which little has been seen yet is put too early or too late.
    let shown = SHOWN_AFTER_S.max(5.0 * step);
    if occasion == Occasion::Due && until.seconds_since(about) < shown {
        return None;
    }
    let readings = readings(melt, about.plus_seconds(-reach), until, about);
    let near = NEAR_STEP_S.max(1.5 * step);
    let favours = |t: f64| seal.times_as_likely(t + lift).ln();
    let earliest = setting.from.seconds_since(about).max(-near);
    let latest = setting.until.seconds_since(about).min(near);
    let sight = Sight {
        melt,
        setting,
        seal,
        origin,
        heard,
    };
    let find = |up: bool| {
        let mut turn = turn::find(&readings, earliest, latest, &sight.known(up, &favours))?;
        turn.at_s += lift;
        Some(turn)
    };
    sight.likelier_way(
        find(false),
        setting.way.may_rise().then(|| find(true)).flatten(),
    )
}

/// A look between two times where no fall gave cause for one: a probe in the wall rises at a pour,
/// and falls only once the furnace does; and with a reading every few seconds a small fall may be
/// over before it is suspected. `origin`: what the seal's seconds count from.
pub(crate) fn anywhere(
    melt: &Melt,
    setting: &Setting,
    seal: &Seal,
    origin: Micros,
    from: Micros,
    to: Micros,
) -> Option<Suspect> {
    let step = melt.step_s();
    let heard = heard(melt, Occasion::Due)?;
    let reach = SEEN_AT_MOST_S.max(5.0 * step);
    let readings = readings(melt, from.plus_seconds(-reach), heard, origin);
    let favours = |t: f64| seal.times_as_likely(t).ln();
    let sight = Sight {
        melt,
        setting,
        seal,
        origin,
        heard,
    };
    let earliest = setting.from.max(from).seconds_since(origin);
    let latest = setting.until.min(to).seconds_since(origin);
    let find = |up: bool| turn::find(&readings, earliest, latest, &sight.known(up, &favours));
    sight.likelier_way(
        find(false),
        setting.way.may_rise().then(|| find(true)).flatten(),
    )
}

/// What is in sight when a turn is weighed.
pub(super) struct Sight<'a> {
    pub melt: &'a Melt,
    pub setting: &'a Setting,
    pub seal: &'a Seal,
    pub origin: Micros,
    pub heard: Micros,
}

impl Sight<'_> {
    /// What is known before a turn that way is looked for.
    pub fn known<'a>(&self, up: bool, favours: &'a dyn Fn(f64) -> f64) -> turn::Known<'a> {
        turn::Known {
            noise_k: self.melt.noise_k(),
            rises: up,
            favours,
        }
    }

    /// The likelier of a fall and a rise, as a pour.
    pub fn likelier_way(&self, down: Option<Turn>, up: Option<Turn>) -> Option<Suspect> {
        let first = down.or(up)?;
        let about = self.origin.plus_seconds(first.at_s);
        let around: Vec<(f64, f64)> = self
            .melt
            .history
            .between(about.plus_seconds(-WAY_SEEN_S), self.heard)
            .map(|r| (r.at.seconds_since(self.origin), r.value))
            .collect();
        let at = |turn: Option<Turn>| turn.unwrap_or(first).at_s;
        let up_ln = stir::up_over_down(&around, at(up), at(down));
        let suspect = |turn: Turn| suspect(self, turn, up_ln);
        likelier(down.and_then(suspect), up.and_then(suspect))
    }
}

/// What speaks for a pour at a turn; none if it cannot be one.
fn suspect(sight: &Sight, turn: Turn, up_ln: f64) -> Option<Suspect> {
    let Sight {
        melt,
        setting,
        seal,
        origin,
        heard,
    } = *sight;
    let clear_step = seal.ln_at(turn.at_s).is_some_and(|l| l > CLEAR_STEP_LN);
    let still = turn.deepest_k < LEAST_MOVE_K.max(2.0 * turn.spread_k);
    let faint = turn.evidence < LEAST_EVIDENCE;
    let no_pour = turn.drop_k > MOST_DROP_K
        || turn.temperature_c < setting.least_c
        || (still && (turn.rises || faint || !clear_step))
        || (faint && !clear_step);
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
    let up = up_ln + setting.way.up_ln();
    let minutes = (at.plus_seconds(-MINUTES_S), at.plus_seconds(-MINUTES_END_S));
    let highest = melt
        .highest_c(minutes.0, minutes.1)
        .unwrap_or(turn.temperature_c);
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
            sunk_k: highest - turn.temperature_c,
            way_ln: if turn.rises { up } else { -up },
        },
    );
    Some(Suspect {
        at,
        turn,
        signs,
        pull: setting.pull,
        in_good_pull: setting.moved && !setting.unseated,
        up_ln,
    })
}
