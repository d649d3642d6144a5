//! Whether metal left at a turn that the watch suspects. What is plain is told at once; what is
//! not is kept until what follows is known: the flask stays on the vacuum for half a minute, the
//! melt gets no hotter, and no likelier turn comes within the minutes in which a crucible cannot
//! be charged, melted and poured a second time. Of turns so close at most one is a pour.

use super::{AFTER_STEP_S, APART_S, Detector, SEAL_REACH_S, SHOWS_AFTER_CLOSE_S};
use crate::pour::confidence::Signs;
use crate::pour::events::{Event, Weighed};
use crate::pour::found::PourFound;
use crate::pour::history::Reading;
use crate::pour::rows::{FoundBy, quality};
use crate::pour::seal::Seal;
use crate::pour::sight::{Occasion, Suspect, anywhere, by_step};
use crate::time::Micros;

/// Two turns found in the trace closer than this are not both pours, s: charging, melting and
/// bringing to heat takes longer (about ten minutes between flasks once hot: common practice).
const RIVALS_S: f64 = 240.0;
/// Where nothing tells of pulls, cold metal going in may look the same, after a pour or before
/// one. Less than two flasks are apart (eight minutes: common practice; a little less, since a hot
/// machine and little metal are quick), s.
const CHARGE_BEFORE_S: f64 = 400.0;
/// … and a turn in doubt with a later one is decided when it is so old, at the latest, s.
const UNSEEN_AT_MOST_S: f64 = 900.0;
const LOOK_TAKES_S: f64 = 60.0;
/// Of rivals that are this likely the earliest is the pour: what follows metal leaving (the heater
/// turned down, the valve shut) looks like it again, what comes before does not.
const LIKELY: f64 = 0.9;
/// … unless a later one is likelier by more than this, as a logarithm of odds.
const AS_GOOD_LN: f64 = 3.0;
/// Two looks that come upon one turn put it no further apart than this, s.
const SAME_TURN_S: f64 = 9.0;
/// A turn this likely is told at once, if the depth speaks for it …
const SURE: f64 = 0.97;
const SEAL_SPEAKS: f64 = 1.5;
/// … one this likely soon after its pull is over …
const NEARLY_SURE: f64 = 0.95;
/// … and one less likely than this is not listed: of what would be told with 0.5 to 0.7 one in
/// five was a pour, from 0.7 to 0.8 five in six (`detection-table` on the seeds 31000 to 31499).
const LEAST: f64 = 0.7;
/// A turn less likely than this is not kept at all.
const WORTH_KEEPING: f64 = 0.02;
/// A turn in a pull is decided this long after the valve shut, s, but not before it is so old.
const AFTER_CLOSE_S: f64 = 20.0;
const DECIDED_FROM_S: f64 = 75.0;
/// What the melt does sooner after a turn is still the turn, s.
const TURN_LASTS_S: f64 = 20.0;
/// Cold metal that went in so long after a turn was not the turn itself, s: how hot the next melt
/// gets says nothing of it.
const CHARGED_AFTER_S: f64 = 50.0;
const LIKE_A_CHARGE_S: f64 = 15.0;
/// While a pull lasts, a turn in it that is not plain is not decided before it is so old, s; it is
/// asked again so often, s.
const PULL_LASTS_S: f64 = 900.0;
const ASKED_AGAIN_S: f64 = 30.0;
/// A probe in the wall rises by this much at most when metal leaves, K (4–15: common practice).
const MOST_RISE_K: f64 = 15.0;
/// Where nothing gave cause to suspect a pour, one is looked for over so long, s.
const LOOK_BACK_S: f64 = 70.0;
/// A turn this likely is taken for the pour by what is measured meanwhile.
const MEANWHILE: f64 = 0.3;

/// A turn that is kept until what follows is known.
#[derive(Clone, Debug)]
pub(super) struct Held {
    at: Micros,
    /// Whether what is measured meanwhile takes it for the pour.
    taken: bool,
    signs: Signs,
    pull: Option<Micros>,
    temperature_c: f64,
    rises: bool,
    /// Logarithm of how much likelier the readings make a pour that moves them up than down.
    up_ln: f64,
    in_good_pull: bool,
    /// Whether the melt took it for cold metal going in.
    like_a_charge: bool,
    found: PourFound,
    decide_at: Micros,
}

impl Held {
    /// Whether at most one of the two is a pour.
    fn is_rival_of(&self, other: &Held) -> bool {
        let apart = self.at.seconds_since(other.at).abs();
        let one_pull = self.pull.is_some() && self.pull == other.pull;
        one_pull || apart < rivals_s(self.pull).min(rivals_s(other.pull))
    }

    fn probability(&self) -> f64 {
        1.0 / (1.0 + (-self.signs.log_odds()).exp())
    }
}

fn rivals_s(pull: Option<Micros>) -> f64 {
    if pull.is_some() {
        RIVALS_S
    } else {
        CHARGE_BEFORE_S
    }
}

impl Detector {
    /// The careful look that was due.
    pub(super) fn look_for_turn(&mut self, occasion: Occasion) {
        let Some(suspected_at) = self.watch.suspected_at() else {
            return;
        };
        let heard = self.melt.history.last().map_or(suspected_at, |r| r.at);
        let Some(setting) = self.setting(suspected_at, heard) else {
            self.watch.reset();
            return;
        };
        let seal = self.seal_around(suspected_at);
        if let Some(suspect) = self.watch.look(&self.melt, &setting, &seal, occasion) {
            self.hold(&suspect);
        }
    }

    /// A look at a pull in which the melt gave no cause to suspect a pour: a probe in the wall
    /// rises at one, and a small one hardly shows; but metal seals the sprue. `recent_s`: the
    /// newest readings that may still be on their way to a step.
    pub(super) fn look_for_step(&mut self, now: Micros, recent_s: f64, occasion: Occasion) {
        if self.watch.suspected_at().is_some() {
            return;
        }
        let Some(setting) = self.setting(now, now.plus_seconds(-recent_s)) else {
            return;
        };
        let origin = now.plus_seconds(-SEAL_REACH_S);
        let seal = self.seal_around(origin);
        let stepped = seal
            .lift()
            .and_then(|lift| by_step(&self.melt, &setting, &seal, origin, lift, occasion));
        if let Some(suspect) = stepped {
            self.hold(&suspect);
            return;
        }
        let held = |h: &Held| h.pull == setting.pull && h.probability() > MEANWHILE;
        if setting.pull.is_some() && !self.held.iter().any(held) {
            let from = now.plus_seconds(-LOOK_BACK_S);
            let to = now.plus_seconds(-recent_s.max(AFTER_STEP_S));
            if let Some(suspect) = anywhere(&self.melt, &setting, &seal, origin, from, to) {
                self.hold(&suspect);
            }
        }
    }

    /// What the depth of the pull around `origin` says about the moment of the lift, in seconds
    /// from `origin`.
    fn seal_around(&self, origin: Micros) -> Seal {
        let Some(pull) = self.vacuum.open().or(self.ending.as_deref()) else {
            return Seal::default();
        };
        if !pull.moved() {
            return Seal::default();
        }
        let reach = origin.plus_seconds(SEAL_REACH_S);
        let until = pull
            .closed_at
            .map_or(reach, |c| c.plus_seconds(-1.0).min(reach));
        let from = pull.opened_at.max(origin.plus_seconds(-SEAL_REACH_S));
        let depth: Vec<(f64, f64)> = self
            .vacuum
            .history
            .between(from, until)
            .map(|r| (r.at.seconds_since(origin), r.value))
            .collect();
        Seal::look(&depth, self.vacuum.rest.noise_kpa())
    }

    /// Keeps a suspect, or tells it if it is plain.
    fn hold(&mut self, suspect: &Suspect) {
        let Suspect {
            at,
            turn,
            signs,
            pull,
            ..
        } = suspect;
        let near = |other: Micros| at.seconds_since(other).abs();
        // What is so soon after a pour can be none; before one that is told it may still be.
        let none_for = if pull.is_some() {
            RIVALS_S
        } else {
            CHARGE_BEFORE_S
        };
        let soon = |p: Micros| (-APART_S..none_for).contains(&at.seconds_since(p));
        if self.is_by_hand(*at) || self.last_pour.is_some_and(soon) {
            return;
        }
        let found = self.measure(*at, FoundBy::Trace, 1.0, Some(turn));
        let mut held = Held {
            at: *at,
            taken: false,
            signs: *signs,
            pull: *pull,
            temperature_c: turn.temperature_c,
            rises: turn.rises,
            up_ln: suspect.up_ln,
            in_good_pull: suspect.in_good_pull,
            like_a_charge: false,
            found,
            decide_at: at.plus_seconds(if pull.is_some() {
                RIVALS_S
            } else {
                // Until a look at the last that may be its pour.
                CHARGE_BEFORE_S + LOOK_TAKES_S
            }),
        };
        let p = held.probability();
        let same = self.held.iter().position(|h| near(h.at) < SAME_TURN_S);
        if let Some(i) = same {
            if self.held[i].probability() >= p {
                return;
            }
            self.held.remove(i);
        }
        if p < WORTH_KEEPING {
            self.weighed(&held, p, false);
            return;
        }
        if p > MEANWHILE {
            self.pour_into_pull(*at);
            self.melt.poured(*at);
            held.taken = true;
        }
        self.held.push(held);
        if let Some(closed) = self.pull_closed(*pull) {
            self.pull_shut(*pull, closed);
        }
        self.tell_sure();
    }

    fn pull_closed(&self, pull: Option<Micros>) -> Option<Micros> {
        let ending = self.ending.as_deref()?;
        ending.closed_at.filter(|_| Some(ending.opened_at) == pull)
    }

    /// A pull is over: turns in it are decided soon.
    pub(super) fn pull_shut(&mut self, pull: Option<Micros>, closed: Micros) {
        if pull.is_none() {
            return;
        }
        for held in self.held.iter_mut().filter(|h| h.pull == pull) {
            held.signs
                .held_for(closed.seconds_since(held.at), held.in_good_pull);
            let due = closed
                .plus_seconds(AFTER_CLOSE_S.max(SHOWS_AFTER_CLOSE_S))
                .max(held.at.plus_seconds(DECIDED_FROM_S));
            if held.probability() >= NEARLY_SURE {
                held.decide_at = held.decide_at.min(due);
            }
        }
    }

    /// A believed reading of the melt, smoothed.
    pub(super) fn melt_goes_on(&mut self, smooth: Reading) {
        for held in &mut self.held {
            let after = self
                .melt
                .charge_at
                .map_or(f64::MIN, |c| c.seconds_since(held.at));
            held.like_a_charge |= (-LIKE_A_CHARGE_S..CHARGED_AFTER_S).contains(&after);
            let next_melt = after > CHARGED_AFTER_S && !held.like_a_charge;
            if smooth.at.seconds_since(held.at) > TURN_LASTS_S && !next_melt {
                let may = if held.rises { MOST_RISE_K } else { 0.0 };
                let over = smooth.value - held.temperature_c - may - 2.0 * self.melt.noise_k();
                let before = held.signs;
                held.signs.hotter_after(over);
                if held.signs.log_odds() > before.log_odds() {
                    held.signs = before;
                }
            }
        }
    }

    /// When the next turn is to be decided.
    pub(super) fn decide_due(&self) -> Option<Micros> {
        self.held.iter().map(|h| h.decide_at).min()
    }

    /// Tells the turns that leave no doubt.
    fn tell_sure(&mut self) {
        while let Some(i) = self.held.iter().position(|h| {
            let usual = !h.rises || self.way.rises() == Some(true);
            usual && h.signs.0[0] >= SEAL_SPEAKS && h.probability() >= SURE
        }) {
            self.tell_held(self.likeliest(i));
        }
    }

    /// Decides the turns whose time has come; all if `until` is none.
    pub(super) fn decide(&mut self, until: Option<Micros>) {
        self.tell_sure();
        if let (Some(now), Some(open)) = (until, self.vacuum.open().map(|p| p.opened_at)) {
            for held in self.held.iter_mut().filter(|h| h.pull == Some(open)) {
                let plain = held.probability() >= NEARLY_SURE;
                if held.decide_at <= now && !plain && now.seconds_since(held.at) < PULL_LASTS_S {
                    held.decide_at = now.plus_seconds(ASKED_AGAIN_S);
                }
            }
        }
        loop {
            let due = |h: &Held| until.is_none_or(|t| h.decide_at <= t);
            let Some(i) = self.held.iter().position(due) else {
                break;
            };
            if self.held[i].pull.is_none() {
                if let Some(later) = until.and_then(|now| self.wait_for_next(i, now)) {
                    self.held[i].decide_at = later;
                } else if self.share_unseen(i) >= LEAST {
                    self.tell_held(i);
                } else {
                    self.dismiss(i);
                }
            } else if self.likeliest(i) == i {
                self.tell_held(i);
            } else {
                self.dismiss(i);
            }
        }
        self.settle_pulls();
    }

    /// How likely a turn of which no pull tells is a pour, given the others of which none tells:
    /// pours and charges look alike there, but two pours are never so close together. Over all
    /// ways to choose pours among them that are far enough apart, each weighted by its odds.
    fn share_unseen(&self, i: usize) -> f64 {
        let mut turns: Vec<(Micros, f64)> = self
            .held
            .iter()
            .filter(|h| h.pull.is_none())
            .map(|h| (h.at, h.signs.log_odds().exp().min(1e9)))
            .collect();
        turns.sort_by_key(|t| t.0);
        let apart = |a: usize, b: usize| turns[b].0.seconds_since(turns[a].0) >= CHARGE_BEFORE_S;
        let n = turns.len();
        // What comes before each, and after each, chosen in all ways.
        let (mut before, mut after) = (vec![1.0; n], vec![1.0; n]);
        for b in 0..n {
            let earlier = (0..b).filter(|a| apart(*a, b));
            before[b] = 1.0 + earlier.map(|a| turns[a].1 * before[a]).sum::<f64>();
        }
        for a in (0..n).rev() {
            let later = (a + 1..n).filter(|b| apart(a, *b));
            after[a] = 1.0 + later.map(|b| turns[b].1 * after[b]).sum::<f64>();
        }
        let with = |k: usize| turns[k].1 * before[k] * after[k];
        let all = 1.0 + (0..n).map(|k| turns[k].1 * before[k]).sum::<f64>();
        let at = self.held[i].at;
        turns
            .iter()
            .position(|t| t.0 == at)
            .map_or(0.0, |k| with(k) / all)
    }

    /// Until when a turn of which no pull tells is to wait, if a later one is in doubt with it.
    fn wait_for_next(&self, i: usize, now: Micros) -> Option<Micros> {
        let share = self.share_unseen(i);
        if !(1.0 - NEARLY_SURE..NEARLY_SURE).contains(&share) {
            return None;
        }
        let at = self.held[i].at;
        let in_doubt = |h: &&Held| {
            h.pull.is_none()
                && (0.1..CHARGE_BEFORE_S).contains(&h.at.seconds_since(at))
                && h.probability() > 1.0 - NEARLY_SURE
        };
        let last = self.held.iter().filter(in_doubt).map(|h| h.at).max()?;
        let until = last
            .plus_seconds(CHARGE_BEFORE_S + LOOK_TAKES_S)
            .min(at.plus_seconds(UNSEEN_AT_MOST_S));
        (until > now).then_some(until)
    }

    /// The likeliest of a turn and its rivals.
    fn likeliest(&self, i: usize) -> usize {
        let rivals = (0..self.held.len()).filter(|j| self.held[i].is_rival_of(&self.held[*j]));
        let odds = |j: &usize| self.held[*j].signs.log_odds();
        let most = rivals.clone().map(|j| odds(&j)).fold(f64::MIN, f64::max);
        let likely = rivals
            .clone()
            .filter(|j| self.held[*j].probability() >= LIKELY && odds(j) > most - AS_GOOD_LN)
            .min_by_key(|j| self.held[*j].at);
        likely
            .or_else(|| rivals.max_by(|a, b| odds(a).total_cmp(&odds(b))))
            .unwrap_or(i)
    }

    /// Tells one of the turns as a pour, if it is likely enough, and dismisses its rivals.
    fn tell_held(&mut self, i: usize) {
        let unseen = self.held[i].pull.is_none().then(|| self.share_unseen(i));
        let held = self.held.remove(i);
        let odds = |h: &Held| h.signs.log_odds().exp();
        let (rivals, others): (Vec<Held>, Vec<Held>) = std::mem::take(&mut self.held)
            .into_iter()
            .partition(|h| h.is_rival_of(&held));
        self.held = others;
        // At most one of them is a pour, or none.
        let likely = held.probability() >= LIKELY;
        let in_doubt = rivals.iter().filter(|h| !likely || h.at < held.at);
        let all: f64 = 1.0 + odds(&held) + in_doubt.map(odds).sum::<f64>();
        let p = (odds(&held) / all).min(1.0);
        let p = unseen.unwrap_or(if p.is_finite() { p } else { 1.0 });
        for rival in &rivals {
            self.weighed(rival, (odds(rival) / (all + odds(rival))).min(1.0), false);
            self.not_poured(rival);
        }
        let told = p >= LEAST;
        self.weighed(&held, p, told);
        if !told {
            self.not_poured(&held);
            return;
        }
        self.poured_for_sure(&held);
        self.way.poured(p, held.up_ln);
        if !held.taken {
            self.melt.poured(held.at);
        }
        let mut found = held.found;
        found.confidence = p;
        if p < 0.5 {
            found.quality.push(quality::FAINT_TURN);
        }
        self.tell_pour(found);
    }

    fn dismiss(&mut self, i: usize) {
        let held = self.held.remove(i);
        self.weighed(&held, held.probability(), false);
        self.not_poured(&held);
    }

    fn weighed(&mut self, held: &Held, confidence: f64, poured: bool) {
        self.events.push(Event::Weighed(Box::new(Weighed {
            at: held.at,
            signs: held.signs.0.to_vec(),
            confidence,
            poured,
        })));
    }

    /// A turn that had been taken for the pour of its pull meanwhile was none.
    fn not_poured(&mut self, held: &Held) {
        let ending = self.ending.as_deref_mut();
        for pull in self.vacuum.open_mut().into_iter().chain(ending) {
            if pull.poured_at == Some(held.at) {
                pull.poured_at = None;
            }
        }
        for pull in &mut self.untold {
            if Some(pull.opened_at) == held.pull {
                pull.poured = false;
            }
        }
    }

    fn poured_for_sure(&mut self, held: &Held) {
        let ending = self.ending.as_deref_mut();
        for pull in self.vacuum.open_mut().into_iter().chain(ending) {
            if Some(pull.opened_at) == held.pull {
                pull.poured_at = Some(held.at);
            }
        }
        for pull in &mut self.untold {
            if Some(pull.opened_at) == held.pull {
                pull.poured = true;
            }
        }
    }

    /// Tells the pulls that are over and in which no turn is left to be decided.
    pub(super) fn settle_pulls(&mut self) {
        let mut i = 0;
        while i < self.untold.len() {
            let opened_at = Some(self.untold[i].opened_at);
            if self.held.iter().any(|h| h.pull == opened_at) {
                i += 1;
            } else {
                let pull = self.untold.remove(i);
                self.events.push(Event::PullFound(Box::new(pull)));
            }
        }
    }

    /// Metal left here for certain, as a switch or a person says: nearby turns are no second.
    pub(super) fn drop_rivals_of(&mut self, at: Micros) {
        while let Some(i) = self
            .held
            .iter()
            .position(|h| h.at.seconds_since(at).abs() < RIVALS_S)
        {
            self.dismiss(i);
        }
    }
}
