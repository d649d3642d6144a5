//! When a pull opens and closes: by the valve's switch where one is fitted, else by the depth
//! rising above the resting level and falling back.

use super::history::{History, Reading};
use super::pull::Pull;
use super::rest::Rest;
use crate::time::Micros;

/// A pull is over when the depth has fallen back to this share of its rise.
const FALLEN_BACK: f64 = 0.5;
/// With the valve still open, only a fall to this share of the rise …
const LID_OPEN: f64 = 0.2;
/// … for this long ends the pull, s: the chamber was opened with the pump running.
const LID_OPEN_S: f64 = 5.0;
/// With the valve said to be shut, a rise must last this long before it is believed over the
/// switch, s.
const AGAINST_THE_SWITCH_S: f64 = 3.0;
/// A rise of so many thresholds opens a pull.
const CLEARLY: f64 = 1.5;
/// After a pull the resting level is learnt anew when the depth has stayed for this long, s, …
const SETTLED_S: f64 = 10.0;
/// … below this share of the rise.
const NEARLY_BACK: f64 = 0.15;

/// What a reading changed.
#[derive(Clone, Debug)]
pub(crate) enum Change {
    /// A pull opened; it is now [`Vacuum::open`].
    Opened,
    /// The pull closed.
    Closed(Box<Pull>),
}

/// The vacuum line: sensor, valve and the pull under way.
#[derive(Clone, Debug, Default)]
pub(crate) struct Vacuum {
    pub rest: Rest,
    pub history: History,
    valve: Option<bool>,
    state: State,
}

#[derive(Clone, Debug, Default)]
enum State {
    /// Nothing pulls. A first raised reading waits for a second.
    #[default]
    Resting,
    Raised(Reading),
    Pulling {
        pull: Box<Pull>,
        /// When the depth fell back, and how many readings have said so.
        low: Option<(Micros, u32)>,
    },
    /// A pull is over; the depth is on its way back or held behind a shut valve.
    Back {
        rest_kpa: f64,
        rise_kpa: f64,
        lowest: Reading,
        raised: Option<Reading>,
    },
}

impl Vacuum {
    /// The pull under way.
    pub fn open(&self) -> Option<&Pull> {
        match &self.state {
            State::Pulling { pull, .. } => Some(pull),
            _ => None,
        }
    }

    /// The same, to be written to.
    pub fn open_mut(&mut self) -> Option<&mut Pull> {
        match &mut self.state {
            State::Pulling { pull, .. } => Some(pull),
            _ => None,
        }
    }

    /// Whether a vacuum sensor or a valve switch was ever heard.
    pub fn fitted(&self) -> bool {
        self.valve.is_some() || self.history.ever_heard()
    }

    /// Takes the pull under way out, for the end of a trace.
    pub fn take_open(&mut self) -> Option<Box<Pull>> {
        match std::mem::take(&mut self.state) {
            State::Pulling { pull, .. } => Some(pull),
            other => {
                self.state = other;
                None
            }
        }
    }

    /// The valve's switch says open or shut.
    pub fn hear_valve(&mut self, at: Micros, open: bool) -> Option<Change> {
        if self.valve.replace(open) == Some(open) {
            return None;
        }
        match (open, &mut self.state) {
            (true, State::Pulling { pull, .. }) => {
                // The depth had already shown it; from now on the switch decides.
                pull.by_valve = true;
                None
            }
            (true, _) => {
                self.state = State::Pulling {
                    pull: Box::new(Pull::open(at, true, &self.rest)),
                    low: None,
                };
                Some(Change::Opened)
            }
            (false, State::Pulling { pull, .. }) => {
                pull.by_valve = true;
                let lowest = Reading {
                    at,
                    value: self.history.last().map_or(pull.rest_kpa, |r| r.value),
                };
                self.close(at, lowest)
            }
            (false, _) => None,
        }
    }

    /// The vacuum sensor's reading.
    pub fn hear(&mut self, reading: Reading) -> Option<Change> {
        let before = self.history.last();
        self.rest.hear(reading);
        self.history.push(reading);
        match &mut self.state {
            State::Resting | State::Raised(_) => self.at_rest(reading, before),
            State::Pulling { .. } => self.in_pull(reading, before),
            State::Back { .. } => self.on_the_way_back(reading),
        }
    }

    fn at_rest(&mut self, reading: Reading, before: Option<Reading>) -> Option<Change> {
        let gap_s = before.map_or(0.0, |b| reading.at.seconds_since(b.at));
        // The first reading of all is at rest unless it is too deep for a wrong zero.
        let first_of_all = self.rest.unknown() && self.rest.may_be_zero(reading.value);
        if first_of_all || reading.value - self.rest.level() <= self.rest.threshold() {
            self.state = State::Resting;
            self.rest.follow(reading.value, gap_s.min(30.0));
            return None;
        }
        let State::Raised(first) = self.state else {
            self.state = State::Raised(reading);
            return None;
        };
        let against_the_switch =
            self.valve == Some(false) && reading.at.seconds_since(first.at) < AGAINST_THE_SWITCH_S;
        // The second must be clearly raised: the tail of a vent or a burst is not a pull.
        let faint = reading.value - self.rest.level() < CLEARLY * self.rest.threshold();
        if against_the_switch || faint {
            return None;
        }
        let opened_at = self.backwards(first, reading);
        let mut pull = Pull::open(opened_at, false, &self.rest);
        let raised: Vec<Reading> = self.history.between(first.at, reading.at).collect();
        for r in raised {
            pull.hear(r);
        }
        self.rest.saw_it_move();
        self.state = State::Pulling {
            pull: Box::new(pull),
            low: None,
        };
        Some(Change::Opened)
    }

    /// Where the line through the first two raised readings leaves the resting level, but not
    /// before the last reading at rest.
    fn backwards(&self, first: Reading, second: Reading) -> Micros {
        let last_at_rest = self
            .history
            .last_until(Micros(first.at.0.saturating_sub(1)))
            .map_or(first.at, |r| r.at);
        let rise = second.value - first.value;
        let step = second.at.seconds_since(first.at);
        let back_s = if rise > 0.0 {
            step * (first.value - self.rest.level()) / rise
        } else {
            0.0
        };
        first.at.plus_seconds(-back_s).clamp(last_at_rest, first.at)
    }

    fn in_pull(&mut self, reading: Reading, before: Option<Reading>) -> Option<Change> {
        let State::Pulling { pull, low } = &mut self.state else {
            return None;
        };
        let still_on = pull.by_valve && self.valve == Some(true);
        let share = if still_on { LID_OPEN } else { FALLEN_BACK };
        let line = pull.rest_kpa + share * pull.rise_kpa();
        if !pull.moved() || reading.value >= line {
            *low = None;
            pull.hear(reading);
            return None;
        }
        let (since, readings) = *low.get_or_insert_with(|| (crossing(before, reading, line), 0));
        *low = Some((since, readings + 1));
        if still_on {
            pull.hear(reading);
            if reading.at.seconds_since(since) < LID_OPEN_S {
                return None;
            }
        } else if readings == 0 {
            // One low reading may be a spike; two are a vent.
            return None;
        }
        self.close(since, reading)
    }

    fn close(&mut self, at: Micros, lowest: Reading) -> Option<Change> {
        let mut pull = self.take_open()?;
        if pull.moved() {
            self.rest.saw_it_move();
            self.state = State::Back {
                rest_kpa: pull.rest_kpa,
                rise_kpa: pull.rise_kpa(),
                lowest,
                raised: None,
            };
        }
        pull.closed_at = Some(at.max(pull.opened_at));
        Some(Change::Closed(pull))
    }

    fn on_the_way_back(&mut self, reading: Reading) -> Option<Change> {
        let threshold = self.rest.threshold();
        let State::Back {
            rest_kpa,
            rise_kpa,
            lowest,
            raised,
        } = &mut self.state
        else {
            return None;
        };
        if reading.value <= *rest_kpa + threshold / 2.0 {
            self.state = State::Resting;
            return None;
        }
        if reading.value < lowest.value - threshold / 2.0 {
            *lowest = reading;
            *raised = None;
            return None;
        }
        if reading.value > lowest.value + threshold.max(0.3 * *rise_kpa)
            && self.valve != Some(false)
        {
            let Some(first) = *raised else {
                *raised = Some(reading);
                return None;
            };
            let mut pull = Pull::open(first.at, false, &self.rest);
            pull.hear(first);
            pull.hear(reading);
            self.state = State::Pulling {
                pull: Box::new(pull),
                low: None,
            };
            return Some(Change::Opened);
        }
        *raised = None;
        let settled = reading.at.seconds_since(lowest.at) >= SETTLED_S
            && reading.value < *rest_kpa + NEARLY_BACK * *rise_kpa;
        if settled {
            self.rest.restart(reading.value);
            self.state = State::Resting;
        }
        None
    }
}

/// When the depth crossed `line` on its way from `before` to `now`.
fn crossing(before: Option<Reading>, now: Reading, line: f64) -> Micros {
    let Some(before) = before.filter(|b| b.value > now.value) else {
        return now.at;
    };
    let share = ((before.value - line) / (before.value - now.value)).clamp(0.0, 1.0);
    let span = now.at.seconds_since(before.at);
    before.at.plus_seconds(share * span).min(now.at)
}
