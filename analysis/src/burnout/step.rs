//! Where in its programme a burnout is, decided minute by minute from the kiln itself and not
//! from a clock: controllers wait for a kiln that lags, so a timetable would be wrong by the
//! first hold. And what is wrong there.
//!
//! The figures below are starting values: a controller's ripple is 1–4 K and the air recovers
//! from a door in minutes (both common practice), and a fault should be told within minutes.

use super::minutes::Minute;
use super::programme::Programme;
use super::row::FaultKind;
use crate::stats::median::median;
use crate::time::Micros;

/// A ramp has arrived this near to its end, K.
const ARRIVED_K: f64 = 10.0;
/// A hold is held within this, K.
const HELD_K: f64 = 15.0;
/// A hold that is missed by more than this is told a minute later, K.
const FAR_OFF_K: f64 = 40.0;
/// A ramp that lags by more is behind, K; kilns lag by 10–20 K as a ramp begins.
const BEHIND_K: f64 = 40.0;
/// A climb that leads by more is no lag of the set point, K.
const AHEAD_K: f64 = 25.0;
/// Less than this share of the climb that the ramp asks for is a stall.
const STALL_SHARE: f64 = 0.33;
/// A climb is judged over the time that it takes to go this far, K.
const JUDGED_OVER_K: f64 = 15.0;
/// But not over less or more than this, s.
const JUDGED_S: (f64, f64) = (480.0, 1800.0);
/// A kiln that climbs as fast as it can makes at least this over 15 min, K.
const LEAST_CLIMB_K: f64 = 6.0;
/// Going the wrong way is judged over this, s,
const WRONG_WAY_S: f64 = 360.0;
/// and by this much, K.
const WRONG_WAY_K: f64 = 6.0;
/// A steady stretch of this length tells at which hold a kiln is, s.
const STEADY_S: f64 = 20.0 * 60.0;
/// It stays within this, K.
const STEADY_K: f64 = 10.0;
/// A burnout has been at its high hold once it was hotter than this, °C; gypsum-bonded moulds
/// are burnt out at 700–740 °C (common practice).
pub(crate) const BURNT_OUT_C: f64 = 650.0;

/// Where in the programme.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Position {
    /// Not known: it was hot when it was first heard, or was lost in a silence.
    Unknown,
    /// On the ramp of this step (from 0) since then, from that temperature.
    Ramp {
        step: usize,
        since: Micros,
        from_c: f64,
    },
    /// On the hold of this step since then. `shaken`: how long it had been held was lost.
    Hold {
        step: usize,
        since: Micros,
        level_c: f64,
        shaken: bool,
    },
    /// Past its last hold: the flasks are out, or it was switched off.
    Done { step: usize, level_c: f64 },
}

/// What a minute is judged by.
pub(crate) struct Look<'a> {
    /// Minutes without door dips, oldest first; the last is the one judged.
    pub steady: &'a [Minute],
    /// A door explains why the air is low.
    pub door: bool,
    /// When a door last explained that: what rises and falls is judged from there, since air
    /// that is back within 10 K is not yet where the ramp is.
    pub calm_since: Micros,
    /// The door was opened during this hold.
    pub opened_in_hold: bool,
    /// The hottest minute of this burnout, °C.
    pub highest_c: f64,
}

/// Something that is wrong if it stays so.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Wrong {
    pub kind: FaultKind,
    /// It must stay wrong for so long before it is told, s.
    pub for_s: f64,
    /// Since when it is wrong, if that is longer ago than this minute.
    pub since: Option<Micros>,
}

/// What came of judging a minute.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Judged {
    pub expected_c: Option<f64>,
    pub wrong: Vec<Wrong>,
    /// It went on to another ramp or hold.
    pub moved: bool,
}

/// A programme and the position in it.
#[derive(Clone, Debug)]
pub(crate) struct Steps {
    programme: Programme,
    pub position: Position,
}

impl Steps {
    pub fn new(programme: Programme) -> Steps {
        Steps {
            programme,
            position: Position::Unknown,
        }
    }

    pub fn programme(&self) -> &Programme {
        &self.programme
    }

    /// Takes another programme in mid-burnout if it differs only in where its last step ends, as
    /// the cards say; false if it differs in more, and the position would mean nothing.
    pub fn take_end(&mut self, programme: &Programme) -> bool {
        let (old, new) = (self.programme.steps(), programme.steps());
        let same = old.len() == new.len()
            && old
                .iter()
                .zip(new)
                .all(|(a, b)| (a.ramp_k_h, a.hold_min) == (b.ramp_k_h, b.hold_min))
            && old
                .iter()
                .zip(new)
                .rev()
                .skip(1)
                .all(|(a, b)| a.to_c == b.to_c);
        if same {
            self.programme = programme.clone();
        }
        same
    }

    /// A kiln begins to climb from here: on the first ramp that leads higher.
    pub fn begin(&mut self, since: Micros, from_c: f64) {
        let higher = |s: &super::programme::Step| s.to_c.is_none_or(|to| to > from_c + HELD_K);
        let step = self.programme.steps().iter().position(higher).unwrap_or(0);
        self.position = Position::Ramp {
            step,
            since,
            from_c,
        };
    }

    /// Time in which a door explained everything does not count against a climb. A fall goes on
    /// meanwhile.
    pub fn excuse(&mut self, seconds: f64) {
        if let Position::Ramp {
            step,
            since,
            from_c,
        } = &mut self.position
            && self.programme.steps()[*step]
                .to_c
                .is_some_and(|to| to > *from_c)
        {
            *since = since.plus_seconds(seconds);
        }
    }

    /// What went wrong is over: what is expected counts from here.
    pub fn mended(&mut self, at: Micros, kiln_c: f64) {
        match &mut self.position {
            Position::Ramp { since, from_c, .. } => (*since, *from_c) = (at, kiln_c),
            Position::Hold { since, shaken, .. } => (*since, *shaken) = (at, true),
            Position::Unknown | Position::Done { .. } => {}
        }
    }

    /// The kiln was not heard until now: if the programme running on leads to what it reads, it
    /// did; else the position is lost.
    pub fn unheard(&mut self, until: Micros, kiln_c: f64) {
        let on = self.run_on(until);
        self.position = match on {
            Some((position, there_c)) if (there_c - kiln_c).abs() <= AHEAD_K => match position {
                Position::Ramp { step, .. } => Position::Ramp {
                    step,
                    since: until,
                    from_c: kiln_c,
                },
                other => other,
            },
            _ => Position::Unknown,
        };
    }

    /// Where the programme alone would be at `until`, and how hot.
    fn run_on(&self, until: Micros) -> Option<(Position, f64)> {
        let steps = self.programme.steps();
        let mut position = self.position;
        // Each round goes one ramp or hold further, so it ends.
        for _ in 0..=2 * steps.len() {
            match position {
                Position::Unknown => return None,
                Position::Done { level_c, .. } => return Some((position, level_c)),
                Position::Ramp {
                    step,
                    since,
                    from_c,
                } => {
                    let to = steps[step].to_c?;
                    let per_s = steps[step].ramp_k_h? / 3600.0;
                    let takes_s = (to - from_c).abs() / per_s;
                    let gone_s = until.seconds_since(since);
                    if gone_s <= takes_s {
                        let way = per_s * gone_s.max(0.0) * (to - from_c).signum();
                        return Some((position, from_c + way));
                    }
                    position = Position::Hold {
                        step,
                        since: since.plus_seconds(takes_s),
                        level_c: to,
                        shaken: true,
                    };
                }
                Position::Hold {
                    step,
                    since,
                    level_c,
                    ..
                } => {
                    let over = steps[step]
                        .hold_min
                        .map(|min| since.plus_seconds(60.0 * min));
                    match over {
                        Some(over) if over < until && step + 1 < steps.len() => {
                            position = Position::Ramp {
                                step: step + 1,
                                since: over,
                                from_c: level_c,
                            };
                        }
                        _ => return Some((position, level_c)),
                    }
                }
            }
        }
        None
    }

    /// Judges the last minute of `look`.
    pub fn judge(&mut self, look: &Look<'_>) -> Judged {
        let Some(now) = look.steady.last().copied() else {
            return Judged::default();
        };
        let before = self.position;
        let mut judged = match self.position {
            Position::Unknown => {
                self.find(look);
                Judged::default()
            }
            Position::Ramp {
                step,
                since,
                from_c,
            } => self.on_ramp(step, since, from_c, now, look),
            Position::Hold {
                step,
                since,
                level_c,
                shaken,
            } => self.on_hold(step, since, level_c, shaken, now, look),
            Position::Done { step, level_c } => {
                if (now.kiln_c - level_c).abs() <= ARRIVED_K && steady_at(look.steady).is_some() {
                    self.position = Position::Hold {
                        step,
                        since: now.at,
                        level_c,
                        shaken: true,
                    };
                }
                Judged::default()
            }
        };
        judged.moved = self.position != before;
        judged
    }

    /// A kiln that stands still at a temperature that is one step's own is on that step's hold.
    pub fn find(&mut self, look: &Look<'_>) {
        let Some((since, level_c)) = steady_at(look.steady) else {
            return;
        };
        let steps = self.programme.steps();
        let fits = |i: &usize| {
            steps[*i]
                .to_c
                .is_some_and(|to| (to - level_c).abs() <= ARRIVED_K)
        };
        // The same temperature on the way up and on the way down: how hot it has been tells.
        let top = self.programme.hottest_c().unwrap_or(f64::MAX);
        let past_top = look.highest_c >= top - HELD_K;
        let mut fitting = (0..steps.len()).filter(fits);
        let step = if past_top {
            fitting.next_back()
        } else {
            fitting.next()
        };
        let open_end = steps
            .last()
            .is_some_and(|s| s.to_c.is_none())
            .then(|| steps.len() - 1)
            .filter(|_| look.highest_c >= BURNT_OUT_C && level_c < look.highest_c - 50.0);
        if let Some(step) = step.or(open_end) {
            self.position = Position::Hold {
                step,
                since,
                level_c,
                shaken: true,
            };
        }
    }

    fn on_ramp(
        &mut self,
        step: usize,
        since: Micros,
        from_c: f64,
        now: Minute,
        look: &Look<'_>,
    ) -> Judged {
        let this = self.programme.steps()[step];
        let mut judged = Judged::default();
        let calm = since.max(look.calm_since);
        let six_ago = past(look.steady, calm, WRONG_WAY_S);
        let rose = |by: f64| six_ago.is_some_and(|m| now.kiln_c > m.kiln_c + by);
        let fell = |by: f64| six_ago.is_some_and(|m| now.kiln_c < m.kiln_c - by);
        let Some(to) = this.to_c else {
            // Down to whatever the flasks are cast at: where it comes to rest.
            if let Some((since, level_c)) = steady_at(look.steady).filter(|s| s.0 >= since) {
                self.position = Position::Hold {
                    step,
                    since,
                    level_c,
                    shaken: false,
                };
            } else if !look.door && rose(WRONG_WAY_K) && now.kiln_c < from_c - HELD_K {
                judged.push(FaultKind::RunOff, 120.0, None);
            }
            return judged;
        };
        let up = to >= from_c;
        let past_end = if up { now.kiln_c > to } else { now.kiln_c < to };
        if (now.kiln_c - to).abs() <= ARRIVED_K || past_end {
            judged.expected_c = Some(to);
            self.arrive(step, to, now);
            return judged;
        }
        let hours = (now.at.seconds_since(since) / 3600.0).max(0.0);
        let expected = this.ramp_k_h.map(|k_h| {
            if up {
                (from_c + k_h * hours).min(to)
            } else {
                (from_c - k_h * hours).max(to)
            }
        });
        judged.expected_c = expected.or(Some(to));
        if look.door {
            return judged;
        }
        if up {
            let per_s = this.ramp_k_h.map(|k_h| k_h / 3600.0);
            let window_s = per_s.map_or(900.0, |k_s| {
                (JUDGED_OVER_K / k_s).clamp(JUDGED_S.0, JUDGED_S.1)
            });
            if let Some(then) = past(look.steady, calm, window_s) {
                let gone_s = now.at.seconds_since(then.at);
                let asked = per_s
                    .map_or(LEAST_CLIMB_K, |k_s| STALL_SHARE * k_s * gone_s)
                    .min(to - ARRIVED_K - then.kiln_c);
                let lags = expected.is_none_or(|e| e - now.kiln_c > ARRIVED_K);
                if now.kiln_c - then.kiln_c < asked && lags {
                    // A dip too small to be seen as a door is gone in a few minutes.
                    judged.push(FaultKind::Stalled, 180.0, Some(then.at));
                }
            }
            if fell(WRONG_WAY_K) {
                judged.push(FaultKind::Cooling, 60.0, six_ago.map(|m| m.at));
            }
            if let Some(expected) = expected {
                if expected - now.kiln_c > BEHIND_K {
                    judged.push(FaultKind::Stalled, 600.0, None);
                }
                if now.kiln_c - expected > AHEAD_K {
                    judged.push(FaultKind::RunOff, 300.0, None);
                }
            }
        } else {
            if rose(WRONG_WAY_K) {
                judged.push(FaultKind::RunOff, 120.0, six_ago.map(|m| m.at));
            }
            if let (Some(k_h), Some(expected)) = (this.ramp_k_h, expected) {
                if expected - now.kiln_c > BEHIND_K {
                    judged.push(FaultKind::Cooling, 300.0, None);
                }
                // A tight kiln falls slower than it is told to, and nothing is wrong with it.
                if hours > 1.5 * (from_c - to) / k_h + 1.0 {
                    judged.push(FaultKind::Stalled, 60.0, None);
                }
            }
        }
        judged
    }

    fn arrive(&mut self, step: usize, level_c: f64, now: Minute) {
        let steps = self.programme.steps();
        let no_hold = steps[step].hold_min == Some(0.0) && step + 1 < steps.len();
        self.position = if no_hold {
            Position::Ramp {
                step: step + 1,
                since: now.at,
                from_c: now.kiln_c,
            }
        } else {
            Position::Hold {
                step,
                since: now.at,
                level_c,
                shaken: false,
            }
        };
    }

    fn on_hold(
        &mut self,
        step: usize,
        since: Micros,
        level_c: f64,
        shaken: bool,
        now: Minute,
        look: &Look<'_>,
    ) -> Judged {
        let mut judged = Judged {
            expected_c: Some(level_c),
            ..Judged::default()
        };
        let steps = self.programme.steps();
        let this = steps[step];
        let next = steps.get(step + 1);
        let off_k = now.kiln_c - level_c;
        let held_min = now.at.seconds_since(since) / 60.0;
        // A ramp that arrives within 10 K is early by the time those take.
        let early_min = this.ramp_k_h.map_or(5.0, |k_h| 60.0 * ARRIVED_K / k_h);
        // A controller's clock and this one agree to some minutes. A kiln that fails in the last
        // of them, when it was about to be cooled anyway, is told only once it passes its next
        // hold: until then nothing in the trace tells the two apart.
        let may_go_on = |hold: f64| shaken || held_min >= 0.95 * hold - 10.0;
        if off_k.abs() <= HELD_K {
            if let (Some(hold), Some(_)) = (this.hold_min, next)
                && held_min > hold + early_min + (0.15 * hold).max(20.0)
            {
                judged.push(FaultKind::Stalled, 0.0, None);
            }
            return judged;
        }
        let hold_for_s = if off_k.abs() > FAR_OFF_K { 60.0 } else { 180.0 };
        let next_is_up = next.and_then(|n| n.to_c).map(|to| to > level_c);
        // A ramp leaves its hold over minutes, a door's dip from one to the next.
        let leaves = look.steady.iter().rev().nth(1).is_some_and(|m| {
            let before_k = m.kiln_c - level_c;
            before_k.abs() > HELD_K / 3.0 && (before_k > 0.0) == (off_k > 0.0)
        });
        let went_on =
            leaves && !look.door && this.hold_min.is_some_and(may_go_on) && next.is_some();
        if off_k > 0.0 {
            if went_on && next_is_up == Some(true) {
                self.go_on(step + 1, level_c, look);
            } else {
                judged.push(FaultKind::RunOff, hold_for_s, None);
            }
        } else if went_on && next_is_up != Some(true) {
            self.go_on(step + 1, level_c, look);
        } else if !look.door {
            let taken_out = next.is_none()
                && (look.opened_in_hold || this.hold_min.is_some_and(|hold| held_min >= hold));
            if taken_out {
                self.position = Position::Done { step, level_c };
            } else {
                judged.push(FaultKind::Cooling, hold_for_s, None);
            }
        }
        judged
    }

    /// On to this step's ramp, which began as the kiln left the hold before.
    fn go_on(&mut self, step: usize, level_c: f64, look: &Look<'_>) {
        let left = look
            .steady
            .iter()
            .rev()
            .find(|m| (m.kiln_c - level_c).abs() <= HELD_K / 3.0)
            .or(look.steady.last());
        if let Some(left) = left {
            self.position = Position::Ramp {
                step,
                since: left.at,
                from_c: left.kiln_c,
            };
        }
    }
}

impl Judged {
    fn push(&mut self, kind: FaultKind, for_s: f64, since: Option<Micros>) {
        self.wrong.push(Wrong { kind, for_s, since });
    }
}

/// The newest minute that is at least `seconds` old, not older than `since` and not much older
/// than asked for.
pub(crate) fn past(steady: &[Minute], since: Micros, seconds: f64) -> Option<Minute> {
    let now = steady.last()?.at;
    steady
        .iter()
        .rev()
        .find(|m| now.seconds_since(m.at) >= seconds)
        .filter(|m| m.at >= since && now.seconds_since(m.at) <= 1.5 * seconds + 120.0)
        .copied()
}

/// Since when and where a kiln has been standing still for the last 20 min, if it has.
fn steady_at(steady: &[Minute]) -> Option<(Micros, f64)> {
    let now = steady.last()?.at;
    let from = steady.partition_point(|m| now.seconds_since(m.at) > STEADY_S + 90.0);
    let recent = &steady[from..];
    let first = recent.first()?.at;
    if now.seconds_since(first) < STEADY_S || recent.len() < 8 {
        return None;
    }
    let mut values: Vec<f64> = recent.iter().map(|m| m.kiln_c).collect();
    // A slow ramp of 30 K/h goes 5 K from one half to the other.
    let (a, b) = values.split_at(values.len() / 2);
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    if (mean(a) - mean(b)).abs() > 2.5 {
        return None;
    }
    let level = median(&mut values)?;
    let within = values.last()? - values.first()? <= STEADY_K;
    within.then_some((first, level))
}
