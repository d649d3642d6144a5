//! When a session opens, what belongs to it and when it closes: a state machine over the
//! readings of one machine, in the order in which they became durable.
//!
//! It reads no clock and writes nothing. Because it is a function of what the journal holds,
//! a daemon that was killed finds its open sessions again by reading the journal from the
//! start. Several sessions may be open at once: a sensor that delivers last week's backlog
//! while today's casting runs must not disturb it.

use std::collections::BTreeMap;
use std::sync::Arc;

use analysis::channel::Channel;
use analysis::time::Micros;
use uuid::Uuid;

use crate::journal::{Claim, Reading};
use crate::place::Place;
use crate::session::kiln_heat::KilnHeat;

/// The fixed numbers of opening and closing.
#[derive(Clone, Debug, PartialEq)]
pub struct Rules {
    /// A session opens as the melt passes this, °C.
    pub hot_c: f64,
    /// It closes after this long below, or silent, s.
    pub quiet_s: f64,
    /// It claims this much from before it opened, s.
    pub before_s: f64,
    /// After this long it is split at the next moment without a pull or pour, s.
    pub split_s: f64,
    /// A vacuum deeper than this opens a session too, kPa below ambient: far above what a
    /// drifting sensor shows at rest, far below any pull.
    pub pull_kpa: f64,
    /// The furthest back a kiln's burnout is claimed, s.
    pub burnout_s: f64,
    /// A kiln that was cold for less than this goes on with the same burnout, s: a loose plug
    /// reads cold for a moment in the middle of the night.
    pub same_burnout_s: f64,
    /// How long a closed session is remembered for what comes late, s. Device times are taken
    /// up to 14 days late, and a session may be two days long.
    pub remember_s: f64,
}

impl Default for Rules {
    fn default() -> Self {
        Rules {
            hot_c: 100.0,
            quiet_s: 45.0 * 60.0,
            before_s: 30.0 * 60.0,
            split_s: 48.0 * 3600.0,
            pull_kpa: 20.0,
            burnout_s: 48.0 * 3600.0,
            same_burnout_s: 30.0 * 60.0,
            remember_s: 17.0 * 86_400.0,
        }
    }
}

/// What a keeper must know of its machine.
#[derive(Clone, Debug)]
pub struct KeeperSetup {
    /// The machine's name.
    pub machine: Arc<str>,
    /// The kilns that feed it, in the order that numbers their channels in its traces.
    pub kilns: Vec<Arc<str>>,
    /// Opening and closing.
    pub rules: Rules,
}

/// A session that is open.
#[derive(Clone, Debug, PartialEq)]
pub struct OpenSession {
    /// Its identity.
    pub id: Uuid,
    /// The reading that opened it, in its own time.
    pub opened: Micros,
    /// The start of what it claims.
    pub from: Micros,
    /// The latest time of a usable reading in it.
    pub horizon: Micros,
    /// The latest time at which it was hot or under vacuum.
    pub last_active: Micros,
    /// Wall time of the latest arrival for it.
    pub last_arrival: Micros,
}

/// A session that was closed, remembered so that what comes late finds it.
#[derive(Clone, Debug, PartialEq)]
pub struct Window {
    /// The session.
    pub id: Uuid,
    /// When it opened.
    pub opened: Micros,
    /// The start of what it claimed.
    pub from: Micros,
    /// The end of what it claimed, inclusive.
    pub to: Micros,
    /// Everything in the journal up to this sequence number was considered.
    pub last_seq: u64,
}

/// What a reading did.
#[derive(Clone, Debug, PartialEq)]
pub enum Step {
    /// Nothing to act on.
    None,
    /// It opened a session.
    Opened(Uuid),
    /// It belongs to the open session with this id.
    Within(Uuid),
    /// It came after its session was closed: a next generation of that trace is due.
    Late(Uuid),
}

/// A session that is due to close.
#[derive(Clone, Debug, PartialEq)]
pub struct ClosePlan {
    /// The session.
    pub id: Uuid,
    /// When it opened.
    pub opened: Micros,
    /// The end of what it claims, inclusive.
    pub to: Micros,
    /// What its trace takes from the journal.
    pub claims: Vec<Claim>,
}

/// The sessions of one machine.
#[derive(Debug)]
pub struct Keeper {
    setup: KeeperSetup,
    open: Vec<OpenSession>,
    closed: Vec<Window>,
    kilns: BTreeMap<Arc<str>, KilnHeat>,
    last_seq: u64,
}

impl Keeper {
    /// A keeper that remembers the sessions that were closed and those that were open when the
    /// daemon stopped; the journal's readings then bring it up to date.
    pub fn new(setup: KeeperSetup, closed: Vec<Window>, open: Vec<OpenSession>) -> Keeper {
        Keeper {
            setup,
            open,
            closed,
            kilns: BTreeMap::new(),
            last_seq: 0,
        }
    }

    /// The sessions that are open.
    pub fn open(&self) -> &[OpenSession] {
        &self.open
    }

    /// Whether this place's readings go into this machine's sessions.
    pub fn hears(&self, place: &Place) -> bool {
        match place {
            Place::Shop => true,
            Place::Kiln(name) => self.setup.kilns.contains(name),
            Place::Machine(name) => *name == self.setup.machine,
        }
    }

    /// The places beside the machine's own whose readings go into its sessions.
    pub fn hears_also(&self) -> Vec<Place> {
        let kilns = self.setup.kilns.iter().cloned().map(Place::Kiln);
        kilns.chain([Place::Shop]).collect()
    }

    /// Takes one durable reading. `make_id` gives the identity of a session that it opens.
    pub fn take(&mut self, seq: u64, reading: &Reading, make_id: impl FnOnce() -> Uuid) -> Step {
        self.last_seq = self.last_seq.max(seq);
        match &reading.place {
            Place::Machine(name) if *name == self.setup.machine => {
                self.take_own(seq, reading, make_id)
            }
            Place::Kiln(name) if self.setup.kilns.contains(name) => {
                if reading.channel == Channel::KilnTemperature(0) && reading.quality.usable() {
                    let rules = &self.setup.rules;
                    let heat = self.kilns.entry(Arc::clone(name));
                    heat.or_insert_with(|| KilnHeat::new(rules)).take(reading);
                }
                self.file(seq, reading.time)
            }
            Place::Shop => self.file(seq, reading.time),
            _ => Step::None,
        }
    }

    fn take_own(&mut self, seq: u64, reading: &Reading, make_id: impl FnOnce() -> Uuid) -> Step {
        let rules = &self.setup.rules;
        let time = reading.time;
        if let Some(id) = self.late_for(seq, time) {
            return Step::Late(id);
        }
        let active = reading.quality.usable()
            && match reading.channel {
                Channel::MeltTemperature => reading.value >= rules.hot_c,
                Channel::Vacuum => reading.value >= rules.pull_kpa,
                Channel::VacuumValve | Channel::Stopper => reading.value >= 0.5,
                _ => false,
            };
        let quiet = rules.quiet_s;
        // Of two that would take it, the later: the earlier one ends where the later begins,
        // whichever was heard of first.
        let found = self
            .open
            .iter_mut()
            .filter(|s| {
                time >= s.from && time.seconds_since(s.horizon) < quiet
                // A reading of long after the session went cold belongs to what comes next.
                && (active || time.seconds_since(s.last_active) <= quiet)
            })
            .max_by_key(|s| s.from);
        if let Some(session) = found {
            session.last_arrival = session.last_arrival.max(reading.arrival);
            if reading.quality.usable() {
                session.horizon = session.horizon.max(time);
                if active {
                    session.last_active = session.last_active.max(time);
                }
            }
            return Step::Within(session.id);
        }
        // A switch that stays on after a session went cold must not open the next one; the melt
        // or a real pull does.
        let opens = active && matches!(reading.channel, Channel::MeltTemperature | Channel::Vacuum);
        if !opens || self.already_considered(seq, time) {
            return Step::None;
        }
        let id = make_id();
        // Where the session before reaches into the half hour before, it keeps what it claimed.
        let before = time.plus_seconds(-rules.before_s);
        let from = self
            .closed
            .iter()
            .map(|w| w.to)
            .chain(
                self.open
                    .iter()
                    .map(|s| s.last_active.plus_seconds(quiet).min(s.horizon)),
            )
            .filter(|to| *to < time)
            .map(|to| Micros(to.0.saturating_add(1)))
            .fold(before, Micros::max);
        self.open.push(OpenSession {
            id,
            opened: time,
            from,
            horizon: time,
            last_active: time,
            last_arrival: reading.arrival,
        });
        Step::Opened(id)
    }

    /// Files a kiln's or the shop's reading: late for a closed session, or within an open one.
    fn file(&mut self, seq: u64, time: Micros) -> Step {
        if let Some(id) = self.late_for(seq, time) {
            return Step::Late(id);
        }
        let quiet = self.setup.rules.quiet_s;
        let found = self
            .open
            .iter()
            .filter(|s| time >= s.from && time.seconds_since(s.horizon) < quiet)
            .max_by_key(|s| s.from);
        match found {
            Some(session) => Step::Within(session.id),
            None => Step::None,
        }
    }

    /// Where a session's part of a kiln's trace begins: with the burnout that fed it.
    fn kiln_from(&self, kiln: &Arc<str>, opened: Micros, from: Micros) -> Micros {
        let start = self.kilns.get(kiln).and_then(|k| k.start_before(opened));
        start.map_or(from, |hot| hot.min(from))
    }

    /// The closed sessions for which a kiln's reading, taken just before, came late because it
    /// belongs to the burnout that fed them: it lies before all else that they claimed, and one
    /// night may have fed several.
    pub fn late_burnout(&self, seq: u64, reading: &Reading) -> Vec<Uuid> {
        let Place::Kiln(kiln) = &reading.place else {
            return Vec::new();
        };
        let time = reading.time;
        self.closed
            .iter()
            .filter(|w| seq > w.last_seq && time <= w.to)
            .filter(|w| w.opened.seconds_since(time) <= self.setup.rules.burnout_s)
            .filter(|w| w.from <= time || self.kiln_from(kiln, w.opened, w.from) <= time)
            .map(|w| w.id)
            .collect()
    }

    fn late_for(&self, seq: u64, time: Micros) -> Option<Uuid> {
        self.closed
            .iter()
            .find(|w| w.from <= time && time <= w.to && seq > w.last_seq)
            .map(|w| w.id)
    }

    /// On a re-read of the journal, readings of a closed session come by again; they must not
    /// open it a second time.
    fn already_considered(&self, seq: u64, time: Micros) -> bool {
        self.closed
            .iter()
            .any(|w| w.from <= time && time <= w.to && seq <= w.last_seq)
    }

    /// The sessions that are due to close. `listening` is since when readings could come in
    /// without a break, none while they cannot: the silence of a time in which nothing could be
    /// heard says nothing. `busy` tells whether a pull or a pour is going on.
    pub fn due(
        &mut self,
        now: Micros,
        listening: Option<Micros>,
        busy: impl Fn(Uuid) -> bool,
    ) -> Vec<ClosePlan> {
        let rules = self.setup.rules.clone();
        self.closed
            .retain(|w| now.seconds_since(w.to) < rules.remember_s);
        let is_due = |s: &OpenSession| {
            let cold = s.horizon.seconds_since(s.last_active) >= rules.quiet_s;
            let silent = listening
                .is_some_and(|since| now.seconds_since(s.last_arrival.max(since)) >= rules.quiet_s);
            let long = s.horizon.seconds_since(s.opened) >= rules.split_s && !busy(s.id);
            cold || silent || long
        };
        let ids: Vec<Uuid> = self
            .open
            .iter()
            .filter(|s| is_due(s))
            .map(|s| s.id)
            .collect();
        ids.into_iter().filter_map(|id| self.close(id)).collect()
    }

    /// Closes a session now, as by hand. `None` if it is not open.
    pub fn close(&mut self, id: Uuid) -> Option<ClosePlan> {
        let at = self.open.iter().position(|s| s.id == id)?;
        let session = self.open.remove(at);
        let quiet = self.setup.rules.quiet_s;
        let to = session.last_active.plus_seconds(quiet).min(session.horizon);
        let plan = ClosePlan {
            id,
            opened: session.opened,
            to,
            claims: self.claims(&session, to),
        };
        self.closed.push(Window {
            id,
            opened: session.opened,
            from: session.from,
            to,
            last_seq: self.last_seq,
        });
        Some(plan)
    }

    /// What came late for a closed session: the claims of its next generation, or `None` if the
    /// session is not known.
    pub fn close_again(&mut self, id: Uuid) -> Option<ClosePlan> {
        let last_seq = self.last_seq;
        let window = self.closed.iter_mut().find(|w| w.id == id)?;
        let first_seq = window.last_seq.saturating_add(1);
        window.last_seq = last_seq;
        let window = window.clone();
        let mut claims = self.claims(&reopened(&window), window.to);
        for claim in &mut claims {
            claim.first_seq = first_seq;
            if !matches!(claim.place, Place::Kiln(_)) {
                claim.from = claim.from.max(window.from);
            }
        }
        Some(ClosePlan {
            id,
            opened: window.opened,
            to: window.to,
            claims,
        })
    }

    /// What an open session claims so far; the ends are those of now.
    pub fn claims_of(&self, id: Uuid) -> Vec<Claim> {
        let open = self.open.iter().find(|s| s.id == id);
        open.map_or_else(Vec::new, |s| self.claims(s, s.horizon))
    }

    /// The windows of closed sessions.
    pub fn closed(&self) -> &[Window] {
        &self.closed
    }

    /// What must stay in the journal whatever was published: all that an open session takes or
    /// may yet take, what came late and is in no close yet, and the last burnout of each kiln,
    /// which the next session claims.
    pub fn wanted(&self) -> Vec<Claim> {
        let mut wanted = Vec::new();
        for session in &self.open {
            wanted.extend(self.claims(session, Micros(i64::MAX)));
        }
        for window in &self.closed {
            let mut late = self.claims(&reopened(window), window.to);
            for claim in &mut late {
                claim.first_seq = window.last_seq.saturating_add(1);
                if !matches!(claim.place, Place::Kiln(_)) {
                    claim.from = claim.from.max(window.from);
                }
            }
            wanted.extend(late);
        }
        for (kiln, heat) in &self.kilns {
            let Some(start) = heat.latest().and_then(|at| heat.start_before(at)) else {
                continue;
            };
            for channel in [Channel::KilnDoor(0), Channel::KilnTemperature(0)] {
                wanted.push(Claim {
                    place: Place::Kiln(Arc::clone(kiln)),
                    channel,
                    channel_in_trace: channel,
                    from: start,
                    to: Micros(i64::MAX),
                    first_seq: 0,
                    last_seq: 0,
                });
            }
        }
        for claim in &mut wanted {
            claim.last_seq = u64::MAX;
        }
        wanted
    }

    fn claims(&self, session: &OpenSession, to: Micros) -> Vec<Claim> {
        let last_seq = self.last_seq;
        let claim = |place: Place, channel: Channel, in_trace: Channel, from: Micros| Claim {
            place,
            channel,
            channel_in_trace: in_trace,
            from,
            to,
            first_seq: 0,
            last_seq,
        };
        let mut claims: Vec<Claim> = [
            Channel::ChamberDoor,
            Channel::FlaskTemperature,
            Channel::GasFlow,
            Channel::GasPressure,
            Channel::MeltTemperature,
            Channel::Stopper,
            Channel::Vacuum,
            Channel::VacuumValve,
        ]
        .into_iter()
        .map(|channel| {
            let machine = Place::Machine(Arc::clone(&self.setup.machine));
            claim(machine, channel, channel, session.from)
        })
        .collect();
        for (number, kiln) in (0u8..).zip(&self.setup.kilns) {
            let from = self.kiln_from(kiln, session.opened, session.from);
            for channel in [Channel::KilnDoor(0), Channel::KilnTemperature(0)] {
                let place = Place::Kiln(Arc::clone(kiln));
                claims.push(claim(place, channel, channel.of_kiln(number), from));
            }
        }
        for channel in [Channel::Barometer, Channel::RoomOxygen] {
            claims.push(claim(Place::Shop, channel, channel, session.from));
        }
        claims
    }
}

fn reopened(window: &Window) -> OpenSession {
    OpenSession {
        id: window.id,
        opened: window.opened,
        from: window.from,
        horizon: window.to,
        last_active: window.to,
        last_arrival: window.to,
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
