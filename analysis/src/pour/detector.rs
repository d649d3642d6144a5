//! The pour detector: samples in the order of their times go in, stages, pulls and pours come
//! out. A pure state machine over event time; it asks no clock, so that a live feed, a replay
//! and a re-extraction agree to the last digit.
//!
//! It is fed twice (provisionally on arrival, finally behind the
//! [`Watermark`](super::watermark::Watermark)); a sample older than the last of its channel is
//! ignored, so the provisional feed never goes back.

mod deciding;

use super::cover::Cover;
use super::events::{Event, Now, OpenPull};
use super::found::PourFound;
use super::history::{History, Reading};
use super::measures::{Bench, Kiln};
use super::melt::{Heard, Melt};
use super::pull::{JUDGE_AGAIN_S, LOSS_S, Pull, PullFound};
use super::rows::FoundBy;
use super::setup::{Mark, Setup, UsualPull};
use super::sight::{Occasion, Setting};
use super::valve::{Change, Vacuum};
use super::watch::Watch;
use super::way::Way;
use crate::channel::Channel;
use crate::probe::Course;
use crate::sample::Sample;
use crate::stage::Stage;
use crate::time::Micros;
use crate::upkeep::Tally;
use deciding::Held;

/// A pour known by a switch or a mark is measured this long after, s: the vacuum 10 s after is
/// one of its measures.
const MEASURE_AFTER_S: f64 = 12.0;
/// Two pours cannot be closer than this, s.
const APART_S: f64 = 15.0;
/// A turn found this long after the vacuum went off may still have been in the pull, s.
const AFTER_CLOSE_S: f64 = 3.0;
/// … and the fall may show up to this long after, s.
const SHOWS_AFTER_CLOSE_S: f64 = 12.0;
/// The depth is looked at this far to either side of a suspected turn, s: what comes earlier is
/// the pump-down's beginning, which no law fits.
const SEAL_REACH_S: f64 = 60.0;
/// A step needs this long to be seen, s.
const AFTER_STEP_S: f64 = 10.0;
/// A pull in which nothing was suspected is looked at for the sealed sprue this long after its
/// opening and as often again, s, while the melt is remembered: pours come 5 to 60 s after it.
const STEP_LOOK_S: f64 = 50.0;
/// A flask that does not sit ends at 5 to 18 of 30 inHg (common practice); a share of the air.
const UNSEATED: f64 = 0.6;
/// A silence of the depth longer than this may hide when a pull really opened, s.
const HIDDEN_OPENING_S: f64 = 3.0;
/// The lowest liquidus a pourable alloy can have, °C: the silver–copper eutectic (779 °C). Used
/// while the alloy is unknown.
const LOWEST_LIQUIDUS_C: f64 = 779.0;
/// A probe may read this much under the melt, K.
const PROBE_UNDER_K: f64 = 15.0;
/// Without any vacuum sensor a melt must have been molten this long before a turn can be a
/// pour, s.
const MOLTEN_FIRST_S: f64 = 60.0;
/// "Poured" is shown for at least this long, s.
const POURED_SHOWN_S: f64 = 30.0;
/// Readings outside these are no readings of their channel, whatever the configuration allows;
/// they keep the arithmetic finite. (channel's unit; °C, kPa, L/min)
const SANE: [(f64, f64); 4] = [
    (-300.0, 3000.0),
    (-60.0, 200.0),
    (-10.0, 10_000.0),
    (30.0, 120.0),
];

/// The streaming detector of one machine's session.
#[derive(Clone, Debug)]
pub struct Detector {
    setup: Setup,
    now: Option<Micros>,
    melt: Melt,
    vacuum: Vacuum,
    gas: History,
    cover: Cover,
    flask: History,
    kilns: Vec<Kiln>,
    barometer_kpa: Option<f64>,
    barometer_at: Option<Micros>,
    stopper: Option<bool>,
    stopper_at: Option<Micros>,
    valve_at: Option<Micros>,
    tally: Tally,
    course: Course,
    watch: Watch,
    ending: Option<Box<Pull>>,
    /// Since when the pull under way may have been on: its opening, or the last that was heard
    /// of the depth before a silence that hid it.
    on_since: Option<Micros>,
    /// Turns that may have been pours, until what follows is known.
    held: Vec<Held>,
    /// Which way the probe goes at pours, as earlier ones told.
    way: Way,
    /// Pulls that are over and measured, while a turn in them is still to be decided.
    untold: Vec<PullFound>,
    judge_at: Option<Micros>,
    step_look_at: Option<Micros>,
    known: Vec<Known>,
    last_pour: Option<Micros>,
    by_hand: Option<(Micros, Micros)>,
    stage: Stage,
    ignored: u64,
    events: Vec<Event>,
}

/// A pour known without the trace, waiting to be measured.
#[derive(Clone, Copy, Debug)]
struct Known {
    at: Micros,
    found_by: FoundBy,
    due: Micros,
}

impl Detector {
    /// A detector that has heard nothing.
    pub fn new(setup: Setup) -> Detector {
        Detector {
            setup,
            now: None,
            melt: Melt::new(),
            vacuum: Vacuum::default(),
            gas: History::default(),
            cover: Cover::new(setup.gas_least_l_min),
            flask: History::default(),
            kilns: Vec::new(),
            barometer_kpa: None,
            barometer_at: None,
            stopper: None,
            stopper_at: None,
            valve_at: None,
            tally: Tally::new(setup.gas_least_l_min),
            course: Course::default(),
            watch: Watch::new(),
            ending: None,
            on_since: None,
            held: Vec::new(),
            way: Way::unknown(),
            untold: Vec::new(),
            judge_at: None,
            step_look_at: None,
            known: Vec::new(),
            last_pour: None,
            by_hand: None,
            stage: Stage::Cold,
            ignored: 0,
            events: Vec::new(),
        }
    }

    /// Takes in one sample and tells what became certain by it.
    pub fn push(&mut self, sample: &Sample) -> Vec<Event> {
        if !sample.quality.usable() || !sane(sample) || self.goes_back(sample) {
            self.ignored += 1;
            return Vec::new();
        }
        self.advance_to(sample.time);
        let reading = Reading {
            at: sample.time,
            value: sample.value,
        };
        let on = sample.value > 0.5;
        match sample.channel {
            Channel::MeltTemperature => {
                self.tally.hear_melt(reading.at, reading.value);
                self.course.hear(reading.at, reading.value);
                self.hear_melt(reading);
            }
            Channel::Vacuum => {
                let change = self.vacuum.hear(reading);
                self.vacuum_changed(change);
            }
            Channel::VacuumValve => {
                self.valve_at = Some(sample.time);
                let change = self.vacuum.hear_valve(sample.time, on);
                self.vacuum_changed(change);
            }
            Channel::Stopper => self.hear_stopper(sample.time, on),
            Channel::GasFlow => {
                self.tally.hear_gas(reading.at, reading.value);
                self.gas.push(reading);
                self.events.extend(self.cover.hear(reading, self.stage));
            }
            Channel::FlaskTemperature => self.flask.push(reading),
            Channel::Barometer => {
                self.barometer_kpa = Some(sample.value);
                self.barometer_at = Some(sample.time);
            }
            Channel::KilnTemperature(n) => self.kiln(n).temperature.push(reading),
            Channel::KilnDoor(n) => self.hear_kiln_door(n, sample.time, on),
            Channel::ChamberDoor | Channel::GasPressure | Channel::RoomOxygen => {}
        }
        self.tell_stage(sample.time);
        std::mem::take(&mut self.events)
    }

    /// Lets event time pass without a sample, so that a verdict comes on time when a sensor is
    /// silent. For the provisional feed only: the final feed's time is that of its samples.
    pub fn advance(&mut self, now: Micros) -> Vec<Event> {
        self.advance_to(now);
        self.tell_stage(now);
        std::mem::take(&mut self.events)
    }

    /// A person says that metal left at this time: it is measured there, and a turn found
    /// nearby is not a second pour. To be called once the samples up to that time are in, and
    /// within a few minutes of event time, while they are remembered.
    pub fn mark(&mut self, mark: Mark) -> Vec<Event> {
        self.note_known(mark.at, mark.found_by);
        std::mem::take(&mut self.events)
    }

    /// A person says when metal left in this span, and will [`mark`](Detector::mark) it: neither
    /// a turn of the melt nor the stopper's switch is a pour there.
    pub fn leave_to_hand(&mut self, from: Micros, until: Micros) {
        self.by_hand = Some((from, until));
    }

    fn is_by_hand(&self, at: Micros) -> bool {
        self.by_hand
            .is_some_and(|(from, until)| (from..=until).contains(&at))
    }

    /// What the machine's good pulls are like with the flask that is on now. For the provisional
    /// feed only: what is found in a trace is judged without, and compared afterwards
    /// ([`super::assemble`]).
    pub fn set_usual(&mut self, usual: Option<UsualPull>) {
        self.setup.usual = usual;
    }

    /// The end of the trace: whatever is still open is told as far as it is known. The
    /// detector is then as new.
    pub fn finish(&mut self) -> Vec<Event> {
        if let Some(now) = self.now {
            self.look_for_turn(Occasion::Last);
            self.look_for_step(now, AFTER_STEP_S, Occasion::Last);
            let mut known = std::mem::take(&mut self.known);
            known.sort_by_key(|k| k.at);
            for k in known {
                self.measure_known(k);
            }
            self.finish_ending(now);
            self.decide(None);
            if let Some(pull) = self.vacuum.take_open() {
                self.tell_pull(&pull, now);
            }
            self.settle_pulls();
        }
        if let Some((from, course)) = self.tally.course() {
            self.events.push(Event::Upkeep { from, course });
        }
        let arrests = self.course.arrests().into_iter();
        self.events
            .extend(arrests.map(|a| Event::Arrested(Box::new(a))));
        let events = std::mem::take(&mut self.events);
        *self = Detector::new(self.setup);
        events
    }

    /// The figures of the moment, for a page.
    pub fn now(&self) -> Now {
        Now {
            at: self.now,
            stage: self.stage,
            melt_c: self.melt.history.last(),
            vacuum_kpa: self.vacuum.history.last(),
            vacuum_share: self
                .vacuum
                .history
                .last()
                .map(|r| (r.value / self.ambient_kpa()).clamp(0.0, 1.0)),
            gas_flow_l_min: self.gas.last(),
            kiln_c: self.kilns.iter().find_map(|k| k.temperature.last()),
            probe_out: self.melt.probe_is_out(),
            charge_at: self.melt.charge_at,
            pull: self.vacuum.open().map(|pull| OpenPull {
                opened_at: pull.opened_at,
                depth_kpa: pull.depth_kpa(),
                verdict: pull.verdict,
                poured: pull.poured_at.is_some(),
            }),
            last_pour: self.last_pour,
        }
    }

    /// How many samples were not looked at: unusable quality, no possible reading, or older
    /// than the last of their channel.
    pub fn ignored(&self) -> u64 {
        self.ignored
    }

    fn ambient_kpa(&self) -> f64 {
        self.barometer_kpa.unwrap_or(self.setup.ambient_kpa)
    }

    fn kiln(&mut self, number: u8) -> &mut Kiln {
        let index = usize::from(number);
        if self.kilns.len() <= index {
            self.kilns.resize_with(index + 1, Kiln::default);
        }
        &mut self.kilns[index]
    }

    fn goes_back(&self, sample: &Sample) -> bool {
        let last = match sample.channel {
            Channel::MeltTemperature => self.melt.history.last().map(|r| r.at),
            Channel::Vacuum => self.vacuum.history.last().map(|r| r.at),
            Channel::VacuumValve => self.valve_at,
            Channel::Stopper => self.stopper_at,
            Channel::GasFlow => self.gas.last().map(|r| r.at),
            Channel::FlaskTemperature => self.flask.last().map(|r| r.at),
            Channel::Barometer => self.barometer_at,
            Channel::KilnTemperature(n) => self
                .kilns
                .get(usize::from(n))
                .and_then(|k| k.temperature.last())
                .map(|r| r.at),
            Channel::KilnDoor(_)
            | Channel::ChamberDoor
            | Channel::GasPressure
            | Channel::RoomOxygen => None,
        };
        last.is_some_and(|last| sample.time < last)
    }

    /// Does what was due before `now`, in the order in which it was due.
    fn advance_to(&mut self, now: Micros) {
        let reached = |due: Option<Micros>| due.is_some_and(|t| t <= now);
        if reached(self.judge_at) {
            self.judge(now);
        }
        if reached(self.watch.due_at()) {
            self.look_for_turn(Occasion::Due);
        }
        if reached(self.step_look_at) {
            let due = self.step_look_at.take().unwrap_or(now);
            self.look_for_step(due, AFTER_STEP_S, Occasion::Due);
            self.step_look_at = self
                .vacuum
                .open()
                .filter(|p| self.last_pour.is_none_or(|at| at < p.opened_at))
                .map(|_| due.plus_seconds(STEP_LOOK_S));
        }
        while let Some(i) = self.known.iter().position(|k| k.due <= now) {
            let known = self.known.remove(i);
            self.measure_known(known);
        }
        let over = self
            .ending
            .as_ref()
            .and_then(|p| p.closed_at)
            .map(|closed| closed.plus_seconds(LOSS_S));
        if reached(over) {
            self.finish_ending(now);
        }
        if reached(self.decide_due()) {
            self.decide(Some(now));
        }
        self.now = self.now.max(Some(now));
    }

    fn hear_melt(&mut self, reading: Reading) {
        let may_charge = match self.vacuum.open() {
            Some(pull) => pull.poured_at.is_some() || !pull.moved(),
            None => true,
        };
        let molten_above = self.setup.molten_above_c();
        if self.melt.moves_probe(reading) {
            // What was still undecided is decided with what the probe told while it was in.
            self.look_for_turn(Occasion::ProbeComesOut);
            self.watch.reset();
            self.look_for_step(reading.at, AFTER_STEP_S, Occasion::ProbeComesOut);
        }
        match self.melt.hear(reading, molten_above, may_charge) {
            Heard::Believed(smooth) => {
                let setting = self.setting(reading.at, reading.at);
                self.watch.hear(smooth, &self.melt, setting.as_ref());
                if !self.melt.probe_is_out() {
                    self.melt_goes_on(smooth);
                }
            }
            Heard::ProbeMoved => {
                self.course.busy(reading.at, reading.at);
                self.watch.reset();
                self.way.probe_moved();
            }
            Heard::Doubtful => {}
        }
    }

    /// Where a turn suspected at `now` would be a pour, if anywhere; `heard`: the newest reading.
    fn setting(&self, now: Micros, heard: Micros) -> Option<Setting> {
        if self.stopper.is_some() || self.melt.probe_is_out() || self.is_by_hand(now) {
            return None;
        }
        let least_c = self.setup.liquidus_c.unwrap_or(LOWEST_LIQUIDUS_C) - PROBE_UNDER_K;
        let molten_above_c = self.setup.molten_above_c();
        let after_last = self
            .last_pour
            .map_or(Micros(i64::MIN), |at| at.plus_seconds(APART_S));
        let open = self.vacuum.open();
        let pull = open.or(self.ending.as_deref());
        let Some(pull) = pull else {
            let molten = self.melt.molten_before(now, molten_above_c) >= MOLTEN_FIRST_S;
            let unseen = !self.vacuum.fitted() && molten;
            return unseen.then_some(Setting {
                from: after_last,
                until: heard,
                least_c,
                vacuum_known: false,
                moved: false,
                unseated: false,
                pull: None,
                way: self.way,
                molten_above_c,
            });
        };
        let until = pull
            .closed_at
            .map_or(heard, |closed| closed.plus_seconds(AFTER_CLOSE_S));
        let shows = pull
            .closed_at
            .map_or(now, |closed| closed.plus_seconds(SHOWS_AFTER_CLOSE_S));
        let not_yet = self.last_pour.is_none_or(|at| at < pull.opened_at);
        let possible = not_yet && (pull.moved() || pull.by_valve) && now <= shows;
        let from = match self.vacuum.open() {
            Some(_) => self.on_since.unwrap_or(pull.opened_at),
            None => pull.opened_at,
        };
        possible.then_some(Setting {
            from: from.max(after_last),
            until,
            least_c,
            vacuum_known: true,
            moved: pull.moved(),
            unseated: pull.rise_kpa() < UNSEATED * self.ambient_kpa(),
            pull: Some(pull.opened_at),
            way: self.way,
            molten_above_c,
        })
    }

    fn hear_stopper(&mut self, at: Micros, lifted: bool) {
        self.stopper_at = Some(at);
        if self.stopper.replace(lifted) == Some(false) && lifted {
            let least_c = self.setup.liquidus_c.unwrap_or(LOWEST_LIQUIDUS_C) - 2.0 * PROBE_UNDER_K;
            // A rod lifted from a cold crucible, or to let a charge in, lets nothing out. With
            // no melt reading the switch is all there is.
            let solid = self
                .melt
                .history
                .last_until(at)
                .is_some_and(|r| at.seconds_since(r.at) <= 60.0 && r.value < least_c);
            if !solid && !self.is_by_hand(at) {
                self.note_known(at, FoundBy::Switch);
            }
        }
    }

    fn note_known(&mut self, at: Micros, found_by: FoundBy) {
        let near = |other: Micros| at.seconds_since(other).abs() < APART_S;
        if self.last_pour.is_some_and(near) || self.known.iter().any(|k| near(k.at)) {
            return;
        }
        self.watch.reset();
        self.drop_rivals_of(at);
        self.pour_into_pull(at);
        self.known.push(Known {
            at,
            found_by,
            due: at.plus_seconds(MEASURE_AFTER_S),
        });
    }

    fn measure_known(&mut self, known: Known) {
        let found = self.measure(known.at, known.found_by, 1.0, None);
        self.melt.poured(known.at);
        self.tell_pour(found);
    }

    /// The pull that was on at `at`: open, or just closed.
    fn pull_at(&self, at: Micros) -> Option<&Pull> {
        let covers = |p: &&Pull| {
            let closed = p.closed_at.map(|c| c.plus_seconds(AFTER_CLOSE_S));
            at >= p.opened_at && closed.is_none_or(|c| at <= c)
        };
        self.vacuum
            .open()
            .filter(covers)
            .or_else(|| self.ending.as_deref().filter(covers))
    }

    fn pour_into_pull(&mut self, at: Micros) {
        let Some(opened_at) = self.pull_at(at).map(|p| p.opened_at) else {
            return;
        };
        let ending = self.ending.as_deref_mut();
        for pull in self.vacuum.open_mut().into_iter().chain(ending) {
            if pull.opened_at == opened_at && pull.poured_at.is_none() {
                pull.poured_at = Some(at);
            }
        }
    }

    fn measure(
        &self,
        at: Micros,
        found_by: FoundBy,
        confidence: f64,
        turn: Option<&super::turn::Turn>,
    ) -> PourFound {
        Bench {
            setup: &self.setup,
            ambient_kpa: self.ambient_kpa(),
            melt: &self.melt,
            vacuum: &self.vacuum,
            gas: &self.gas,
            kilns: &self.kilns,
            flask: &self.flask,
            so_far: self.tally.at(at),
            pull: self.pull_at(at),
        }
        .measure(at, found_by, confidence, turn)
    }

    fn tell_pour(&mut self, found: PourFound) {
        self.last_pour = self.last_pour.max(Some(found.at));
        self.course.busy(found.at, found.at);
        self.watch.reset();
        self.events.push(Event::Poured(Box::new(found)));
    }

    fn hear_kiln_door(&mut self, number: u8, at: Micros, open: bool) {
        let kiln = self.kiln(number);
        if kiln.door_open.replace(open) == Some(false) && open {
            let before = kiln.temperature.settled(at, 60.0, 600.0);
            kiln.opened = Some((at, before));
        }
    }

    fn vacuum_changed(&mut self, change: Option<Change>) {
        match change {
            None => {}
            Some(Change::Opened) => {
                if let Some((at, judge_at)) =
                    self.vacuum.open().map(|p| (p.opened_at, p.judge_at()))
                {
                    // What was still undecided about the pull before is decided now.
                    self.look_for_turn(Occasion::Last);
                    self.finish_ending(at);
                    self.on_since = Some(self.vacuum_last_at_rest(at));
                    self.judge_at = Some(judge_at);
                    self.step_look_at = Some(at.plus_seconds(STEP_LOOK_S));
                    self.events.push(Event::PullOpened { at });
                }
            }
            Some(Change::Closed(pull)) => {
                self.judge_at = None;
                let at = pull.closed_at.unwrap_or(pull.opened_at);
                self.finish_ending(at);
                self.events.push(Event::PullClosed {
                    opened_at: pull.opened_at,
                    at,
                });
                self.ending = Some(pull);
                self.step_look_at = None;
                self.look_for_step(at, 0.0, Occasion::Due);
                self.pull_shut(self.ending.as_ref().map(|p| p.opened_at), at);
            }
        }
    }

    fn judge(&mut self, now: Micros) {
        let due = self.judge_at.take().unwrap_or(now);
        let ambient = self.ambient_kpa();
        let setup = self.setup;
        let Some(pull) = self.vacuum.open_mut() else {
            return;
        };
        // After the pour a verdict helps nobody; the row gets its own.
        if pull.poured_at.is_some() {
            return;
        }
        if pull.judge_again(due, &setup, ambient)
            && let Some(verdict) = pull.verdict
        {
            let heading = pull.heading(due, &setup).filter(|_| pull.moved());
            self.events.push(Event::PullJudged {
                opened_at: pull.opened_at,
                at: due,
                verdict,
                depth_kpa: pull.depth_kpa(),
                settles_at_kpa: heading.map(|h| h.rise_kpa),
                usual_kpa: setup.usual.map(|u| u.share * ambient),
            });
        }
        if pull.age_s(due) < 60.0 {
            self.judge_at = Some(due.plus_seconds(JUDGE_AGAIN_S));
        }
    }

    fn finish_ending(&mut self, now: Micros) {
        if let Some(pull) = self.ending.take() {
            self.tell_pull(&pull, now);
        }
    }

    fn tell_pull(&mut self, pull: &Pull, now: Micros) {
        self.course
            .busy(pull.opened_at, pull.closed_at.unwrap_or(now));
        let found = pull.found(now, &self.setup, self.ambient_kpa(), &self.vacuum.history);
        self.untold.push(found);
        self.settle_pulls();
    }

    /// When the depth was last heard before a pull that opened, as far as it is known, at
    /// `opened_at`, if a silence lay between; else that.
    fn vacuum_last_at_rest(&self, opened_at: Micros) -> Micros {
        let history = &self.vacuum.history;
        let before = history.last_until(Micros(opened_at.0.saturating_sub(1)));
        let after = history.between(opened_at, Micros(i64::MAX)).next();
        match (before, after) {
            (Some(b), Some(a)) if a.at.seconds_since(b.at) > HIDDEN_OPENING_S => b.at,
            _ => opened_at,
        }
    }

    fn tell_stage(&mut self, now: Micros) {
        let just_poured = self
            .last_pour
            .is_some_and(|at| now.seconds_since(at) < POURED_SHOWN_S);
        let stage = match self.vacuum.open() {
            Some(pull) if pull.poured_at.is_some() => Stage::Poured,
            Some(_) => Stage::Pulling,
            None if just_poured => Stage::Poured,
            None => self.melt.stage(),
        };
        if stage != self.stage {
            self.stage = stage;
            self.events.push(Event::StageChanged { at: now, stage });
            self.events.extend(self.cover.stage(now, stage));
        }
    }
}

fn sane(sample: &Sample) -> bool {
    let (low, high) = match sample.channel {
        Channel::MeltTemperature | Channel::FlaskTemperature | Channel::KilnTemperature(_) => {
            SANE[0]
        }
        Channel::Vacuum => SANE[1],
        Channel::Barometer => SANE[3],
        _ => SANE[2],
    };
    (low..=high).contains(&sample.value)
}
