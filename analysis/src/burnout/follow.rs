//! A kiln followed as it goes: readings in order of their own time in, burnouts and faults out.
//! Pure: it asks no clock, so the same readings give the same burnouts live and afterwards;
//! [`Follower::advance`] only tells a silence while it lasts.
//!
//! It advises. A kiln needs its own limit controller whatever this says.

use super::door::{Door, DoorOpening};
use super::minutes::{Minute, Minutes};
use super::programme::Programme;
use super::row::{BurnoutRow, FaultKind, FaultRow};
use super::shape::spells;
use super::step::{BURNT_OUT_C, Look, Position, Steps, Wrong, past};
use crate::channel::Channel;
use crate::sample::Sample;
use crate::time::Micros;

/// Gypsum-bonded moulds break down somewhere between 704 and 788 °C; the sources disagree, and
/// the investment's own sheet counts. Alarm above this unless told otherwise, °C (common
/// practice).
pub const HIGHEST_C: f64 = 760.0;
/// A kiln is read every half minute or so; silence of this is told, s.
pub const SILENT_AFTER_S: f64 = 300.0;

/// Below this a kiln is cold, °C.
const COLD_C: f64 = 100.0;
/// A burnout that never passed this has not really begun, °C.
const BEGUN_C: f64 = 120.0;
/// It is over when cold for so long, s: a loose plug reads cold for a moment.
const COLD_FOR_S: f64 = 30.0 * 60.0;
/// A climb of this from cold begins a burnout, K.
const CLIMB_K: f64 = 20.0;
/// A kiln at rest is looked back on for this long, s.
const REST_S: f64 = 3600.0;
/// After this long unheard its position is worked out anew, s.
const UNHEARD_S: f64 = 600.0;
/// No kiln rises by this much over its highest of the last quarter of an hour within minutes, K.
const JUMP_UP_K: f64 = 100.0;
/// No kiln, with its door open wide, falls by this much from one minute to the next, K.
const JUMP_DOWN_K: f64 = 250.0;
/// A jumped reading that is within this of where it was is itself again, K.
const BACK_K: f64 = 60.0;
/// A jump that stays this long is believed: the kiln is there, s.
const BELIEVED_S: f64 = 1800.0;
/// A door explains low air for this long, s,
const DOOR_S: f64 = 20.0 * 60.0;
/// or for this long while the air rises: cold flasks went in.
const LOADED_S: f64 = 45.0 * 60.0;
/// A door that stands open this long is told, s; flasks go in or out in 10–40 s.
const DOOR_OPEN_S: f64 = 300.0;
/// What was wrong must be right for this long to be over, s.
const MENDED_S: f64 = 300.0;
/// Without a programme: before burnout heat, a fall of this below the highest is told, K.
const FELL_K: f64 = 25.0;
/// Minutes kept for shapes.
const MOST_MINUTES: usize = 72 * 60;
/// Minutes at this and above burn carbon off, °C (common practice).
const CARBON_C: f64 = 700.0;

/// What a follower is told of its kiln.
#[derive(Clone, Debug, PartialEq)]
pub struct Setup {
    /// The kiln's name.
    pub kiln: String,
    /// What it is meant to run, if that is known.
    pub programme: Option<Programme>,
    /// Hotter than this is a fault whatever the programme says, °C.
    pub highest_c: f64,
    /// Silence for this long is a fault while it burns out, s.
    pub silent_after_s: f64,
}

impl Setup {
    /// A kiln of which only the name is known.
    pub fn of(kiln: &str) -> Setup {
        Setup {
            kiln: kiln.to_owned(),
            programme: None,
            highest_c: HIGHEST_C,
            silent_after_s: SILENT_AFTER_S,
        }
    }
}

mod faults;

/// Something became certain.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// A burnout began.
    Began {
        /// When.
        at: Micros,
        /// Whether the kiln was hot when it was first heard.
        joined_late: bool,
    },
    /// It went on to another ramp or hold of its programme.
    Stepped {
        /// When that was seen.
        at: Micros,
        /// Which step, from 1.
        step: u32,
        /// On its hold, or on its ramp.
        holding: bool,
    },
    /// The door was opened, or there is news of it; by its time of opening.
    Door(DoorOpening),
    /// Something is wrong.
    Fault(FaultRow),
    /// It is right again.
    Mended(FaultRow),
    /// The kiln is cold, or where the next burnout begins.
    Ended(Box<BurnoutRow>),
}

/// The figures of the moment.
#[derive(Clone, Debug, PartialEq)]
pub struct Now {
    /// The newest reading, and its time.
    pub reading: Option<(Micros, f64)>,
    /// `cold`, `climbing`, `holding`, `falling` or `ending`; `hot` while the position is not
    /// known.
    pub stage: &'static str,
    /// The step of the programme, from 1.
    pub step: Option<u32>,
    /// What it should read, °C.
    pub expected_c: Option<f64>,
    /// What is wrong.
    pub faults: Vec<FaultKind>,
}

/// A burnout under way.
#[derive(Clone, Debug)]
struct Burnout {
    row: BurnoutRow,
    from_c: f64,
    steady: Vec<Minute>,
    cold_since: Option<Micros>,
    /// When a door last explained low air.
    calm_since: Micros,
    /// Openings since the hold began.
    opened_in_hold: bool,
    expected_c: Option<f64>,
}

/// A wrong that may become a fault, or a fault that may be over.
#[derive(Clone, Copy, Debug)]
struct Watch {
    kind: FaultKind,
    since: Micros,
    last_wrong: Micros,
    /// Position in the burnout's faults, once told.
    told: Option<usize>,
}

/// Follows one kiln.
#[derive(Clone, Debug)]
pub struct Follower {
    setup: Setup,
    minutes: Minutes,
    door: Door,
    steps: Option<Steps>,
    burnout: Option<Burnout>,
    /// Minutes of a kiln at rest.
    rest: Vec<Minute>,
    watches: Vec<Watch>,
    last: Option<(Micros, f64)>,
    last_minute: Option<Minute>,
    /// The highest of the last quarter of an hour, by minutes.
    recent: std::collections::VecDeque<Minute>,
    /// A jump that no kiln makes: since when, and where it was before.
    jumped: Option<(Micros, f64)>,
}

impl Follower {
    /// A follower that has heard nothing yet.
    pub fn new(setup: Setup) -> Follower {
        let steps = setup.programme.clone().map(Steps::new);
        Follower {
            setup,
            minutes: Minutes::default(),
            door: Door::default(),
            steps,
            burnout: None,
            rest: Vec::new(),
            watches: Vec::new(),
            last: None,
            last_minute: None,
            recent: std::collections::VecDeque::new(),
            jumped: None,
        }
    }

    /// Silence for this long is a fault, s.
    pub fn silent_after_s(&self) -> f64 {
        self.setup.silent_after_s
    }

    /// What it is followed by now.
    pub fn programme(&self) -> Option<&Programme> {
        self.setup.programme.as_ref()
    }

    /// Follows by another programme from here on: the cards of the load say so.
    pub fn follow_by(&mut self, programme: Option<Programme>) {
        if self.setup.programme == programme {
            return;
        }
        self.setup.programme.clone_from(&programme);
        if let (Some(steps), Some(programme)) = (&mut self.steps, &programme)
            && steps.take_end(programme)
        {
            return;
        }
        let begun = self.burnout.as_mut().map(|b| {
            b.row.programme = programme.as_ref().map(|p| p.name().to_owned());
            (b.row.began_at, b.from_c, b.row.highest_c, b.row.joined_late)
        });
        self.steps = programme.map(Steps::new);
        if let (Some(steps), Some((at, from_c, highest_c, joined_late))) = (&mut self.steps, begun)
            && !joined_late
            && highest_c < from_c + 2.0 * CLIMB_K
        {
            // It has hardly begun; later, its next hold will tell where it is.
            steps.begin(at, from_c);
        }
    }

    /// Takes a sample of the kiln's temperature or door, in order of time; an earlier one is
    /// passed over.
    pub fn push(&mut self, sample: &Sample) -> Vec<Event> {
        let mut events = Vec::new();
        if !sample.quality.usable() || !sample.value.is_finite() {
            return events;
        }
        match sample.channel {
            Channel::KilnDoor(_) => {
                let news = self.door.switch(sample.time, sample.value >= 0.5);
                self.note_door(news, &mut events);
            }
            Channel::KilnTemperature(_) => {
                if self.last.is_some_and(|(last, _)| sample.time < last) {
                    return events;
                }
                // Told as if time had been let pass, so that a replay tells the same.
                if let Some((last, _)) = self.last
                    && sample.time.seconds_since(last) > self.setup.silent_after_s
                {
                    events.append(&mut self.advance(last.plus_seconds(self.setup.silent_after_s)));
                    self.mend(FaultKind::Silent, sample.time, &mut events);
                }
                self.last = Some((sample.time, sample.value));
                let news = self.door.reading(sample.time, sample.value);
                self.note_door(news, &mut events);
                if let Some(minute) = self.minutes.push(sample.time, sample.value) {
                    self.take(minute, &mut events);
                }
            }
            _ => {}
        }
        events
    }

    /// Lets time pass: tells a silence that lasts. `now` in the time of the readings.
    pub fn advance(&mut self, now: Micros) -> Vec<Event> {
        let mut events = Vec::new();
        let Some((last, _)) = self.last else {
            return events;
        };
        let told = self.watches.iter().any(|w| w.kind == FaultKind::Silent);
        if self.burnout.is_some() && !told && now.seconds_since(last) >= self.setup.silent_after_s {
            let at = last.plus_seconds(self.setup.silent_after_s);
            self.tell(FaultKind::Silent, last, at, None, &mut events);
        }
        events
    }

    /// The end of a feed: the minute that was being filled counts.
    pub fn finish(&mut self) -> Vec<Event> {
        let mut events = Vec::new();
        if let Some(minute) = self.minutes.finish() {
            self.take(minute, &mut events);
        }
        events
    }

    /// The burnout under way, as far as it has come.
    pub fn burnout(&self) -> Option<BurnoutRow> {
        let burnout = self.burnout.as_ref()?;
        Some(BurnoutRow {
            spells: spells(&burnout.steady),
            ..burnout.row.clone()
        })
    }

    /// The figures of the moment.
    pub fn now(&self) -> Now {
        let position = self.steps.as_ref().map(|s| s.position);
        let (stage, step) = match (&self.burnout, position) {
            (None, _) => ("cold", None),
            (_, None | Some(Position::Unknown)) => ("hot", None),
            (_, Some(Position::Hold { step, .. })) => ("holding", Some(step)),
            (_, Some(Position::Done { .. })) => ("ending", None),
            (_, Some(Position::Ramp { step, from_c, .. })) => {
                let to = self
                    .steps
                    .as_ref()
                    .and_then(|s| s.programme().steps()[step].to_c);
                let up = to.is_some_and(|to| to >= from_c);
                (if up { "climbing" } else { "falling" }, Some(step))
            }
        };
        Now {
            reading: self.last,
            stage,
            step: step.map(number),
            expected_c: self.burnout.as_ref().and_then(|b| b.expected_c),
            faults: self
                .watches
                .iter()
                .filter(|w| w.told.is_some())
                .map(|w| w.kind)
                .collect(),
        }
    }

    fn note_door(&mut self, news: Option<DoorOpening>, events: &mut Vec<Event>) {
        let Some(opening) = news else { return };
        if let Some(burnout) = &mut self.burnout {
            let row = &mut burnout.row;
            // The first news of an opening is that it is open.
            if opening.closed_at.is_none() {
                row.door_openings += 1;
                burnout.opened_in_hold = true;
            }
            let longest = |so_far: Option<f64>, new: Option<f64>| match (so_far, new) {
                (Some(a), Some(b)) => Some(a.max(b)),
                (a, b) => a.or(b),
            };
            row.door_longest_s = longest(row.door_longest_s, opening.open_s());
            let recovery = opening
                .closed_at
                .and_then(|shut| Some(opening.recovered_at?.seconds_since(shut)));
            row.door_slowest_recovery_s = longest(row.door_slowest_recovery_s, recovery);
        }
        events.push(Event::Door(opening));
    }

    /// Whether an open door, or flasks that went in cold, explain why the air is low.
    fn door_explains(&self, minute: Minute) -> bool {
        self.door.under_way().is_some_and(|opening| {
            let since = minute.at.seconds_since(opening.opened_at);
            let rises = self
                .recent
                .iter()
                .rev()
                .find(|m| minute.at.seconds_since(m.at) >= 240.0)
                .is_some_and(|m| minute.kiln_c > m.kiln_c + 1.0);
            since <= DOOR_S || (rises && since <= LOADED_S)
        })
    }

    fn take(&mut self, minute: Minute, events: &mut Vec<Event>) {
        let before = self.last_minute.replace(minute);
        let gap_s = before.map_or(0.0, |b| minute.at.seconds_since(b.at));
        if self.is_a_jump(minute, before, gap_s, events) {
            return;
        }
        let door = self.door_explains(minute);
        self.recent.push_back(minute);
        while self
            .recent
            .front()
            .is_some_and(|m| minute.at.seconds_since(m.at) > 900.0)
        {
            self.recent.pop_front();
        }
        if self.burnout.is_none() {
            self.at_rest(minute, door, events);
            return;
        }
        if gap_s > UNHEARD_S {
            self.after_silence(minute, before);
        }
        self.go_on(minute, door, gap_s, events);
        self.look_for_the_end(minute, events);
    }

    /// A reading that jumped as no kiln can; it is not used until it is back or has stayed.
    fn is_a_jump(
        &mut self,
        minute: Minute,
        before: Option<Minute>,
        gap_s: f64,
        events: &mut Vec<Event>,
    ) -> bool {
        if let Some((since, was_c)) = self.jumped {
            if (minute.kiln_c - was_c).abs() <= BACK_K {
                self.jumped = None;
                self.mend(FaultKind::Probe, minute.at, events);
                return false;
            }
            let lasted = minute.at.seconds_since(since);
            if lasted < BELIEVED_S {
                let told = self.watches.iter().any(|w| w.kind == FaultKind::Probe);
                if lasted >= 60.0 && !told {
                    self.tell(
                        FaultKind::Probe,
                        since,
                        minute.at,
                        Some(minute.kiln_c),
                        events,
                    );
                }
                return true;
            }
            self.jumped = None;
            self.mend(FaultKind::Probe, minute.at, events);
            self.recent.clear();
            if let Some(steps) = &mut self.steps {
                steps.position = Position::Unknown;
            }
            return false;
        }
        // Over a silence anything may have happened.
        if gap_s > self.setup.silent_after_s {
            return false;
        }
        let highest = self
            .recent
            .iter()
            .map(|m| m.kiln_c)
            .fold(f64::MIN, f64::max);
        let up = !self.recent.is_empty()
            && minute.kiln_c > highest + JUMP_UP_K * (gap_s / 60.0).max(1.0);
        let down = before.is_some_and(|b| gap_s <= 120.0 && b.kiln_c - minute.kiln_c > JUMP_DOWN_K);
        if up || down {
            let was = before.map_or(minute.kiln_c, |b| b.kiln_c);
            self.jumped = Some((minute.at, was));
        }
        up || down
    }

    /// A kiln at rest, cold or warm: whether a burnout begins.
    fn at_rest(&mut self, minute: Minute, door: bool, events: &mut Vec<Event>) {
        if self.rest.is_empty() && self.recent.len() <= 1 && minute.kiln_c >= BEGUN_C {
            // First heard while hot.
            self.begin(minute, true, events);
            return;
        }
        self.rest.push(minute);
        self.rest
            .retain(|m| minute.at.seconds_since(m.at) <= REST_S);
        let base = self.rest.iter().map(|m| m.kiln_c).fold(f64::MAX, f64::min);
        // The warmer it rests, the more its walls give back when its door is shut.
        let needed = CLIMB_K + 0.4 * (base - 60.0).max(0.0);
        if door || minute.kiln_c - base < needed {
            return;
        }
        let start = self
            .rest
            .iter()
            .rposition(|m| m.kiln_c <= base + 5.0)
            .unwrap_or(0);
        let began = self.rest.split_off(start);
        self.begin(began[0], false, events);
        for m in &began[1..] {
            self.go_on(*m, false, 60.0, events);
        }
    }

    fn begin(&mut self, minute: Minute, joined_late: bool, events: &mut Vec<Event>) {
        self.rest.clear();
        self.watches.clear();
        if let Some(steps) = &mut self.steps {
            if joined_late {
                steps.position = Position::Unknown;
            } else {
                steps.begin(minute.at, minute.kiln_c);
            }
        }
        self.burnout = Some(Burnout {
            row: BurnoutRow {
                kiln: self.setup.kiln.clone(),
                programme: self.setup.programme.as_ref().map(|p| p.name().to_owned()),
                began_at: minute.at,
                joined_late,
                ended_at: None,
                last_at: minute.at,
                highest_c: minute.kiln_c,
                above_700_min: 0.0,
                door_openings: 0,
                door_longest_s: None,
                door_slowest_recovery_s: None,
                spells: Vec::new(),
                faults: Vec::new(),
            },
            from_c: minute.kiln_c,
            steady: vec![minute],
            cold_since: None,
            calm_since: minute.at,
            opened_in_hold: false,
            expected_c: None,
        });
        events.push(Event::Began {
            at: minute.at,
            joined_late,
        });
    }

    fn after_silence(&mut self, minute: Minute, before: Option<Minute>) {
        if let (Some(steps), Some(_)) = (&mut self.steps, before) {
            steps.unheard(minute.at, minute.kiln_c);
        }
        // What was wrong before may be over; it is judged anew.
        self.watches.retain(|w| w.told.is_some());
    }

    fn go_on(&mut self, minute: Minute, door: bool, gap_s: f64, events: &mut Vec<Event>) {
        let Some(burnout) = &mut self.burnout else {
            return;
        };
        let row = &mut burnout.row;
        row.last_at = row.last_at.max(minute.at);
        row.highest_c = row.highest_c.max(minute.kiln_c);
        if minute.kiln_c >= CARBON_C && gap_s <= UNHEARD_S {
            row.above_700_min += gap_s / 60.0;
        }
        if door {
            burnout.calm_since = minute.at;
        }
        if let Some(steps) = self.steps.as_mut().filter(|_| door) {
            steps.excuse(gap_s);
        }
        if !door || burnout.steady.is_empty() {
            burnout.steady.push(minute);
            if burnout.steady.len() > MOST_MINUTES {
                burnout.steady.drain(..MOST_MINUTES / 4);
            }
        }
        let mut wrong = Vec::new();
        let always = |kind, for_s| Wrong {
            kind,
            for_s,
            since: None,
        };
        if minute.kiln_c > self.setup.highest_c {
            wrong.push(always(FaultKind::RunOff, 60.0));
        }
        burnout.expected_c = None;
        if let Some(steps) = &mut self.steps {
            let look = Look {
                steady: &burnout.steady,
                door,
                calm_since: burnout.calm_since,
                opened_in_hold: burnout.opened_in_hold,
                highest_c: burnout.row.highest_c,
            };
            let lost = self.watches.iter().any(|w| {
                w.told.is_some()
                    && matches!(
                        w.kind,
                        FaultKind::RunOff | FaultKind::Cooling | FaultKind::Stalled
                    )
            });
            let before = steps.position;
            if lost {
                // Somebody may have set another programme, or begun it anew.
                steps.find(&look);
            }
            let judged = steps.judge(&look);
            burnout.expected_c = judged.expected_c;
            wrong.extend(judged.wrong);
            let place = |p: Position| match p {
                Position::Ramp { step, .. } => Some((step, false)),
                Position::Hold { step, .. } => Some((step, true)),
                Position::Unknown | Position::Done { .. } => None,
            };
            if place(before) != place(steps.position) {
                burnout.opened_in_hold = false;
                if let Some((step, holding)) = place(steps.position) {
                    events.push(Event::Stepped {
                        at: minute.at,
                        step: number(step),
                        holding,
                    });
                }
            }
        } else if !door && burnout.row.highest_c < BURNT_OUT_C {
            let falls = past(&burnout.steady, burnout.calm_since, 1200.0)
                .is_some_and(|m| minute.kiln_c < m.kiln_c - FELL_K / 2.0);
            if falls && minute.kiln_c < burnout.row.highest_c - FELL_K {
                wrong.push(always(FaultKind::Cooling, 180.0));
            }
        }
        let ending = self
            .steps
            .as_ref()
            .is_some_and(|s| matches!(s.position, Position::Done { .. }));
        let open_since = self.door.under_way().map(|o| o.opened_at);
        let stands_open = self.door.stands_open() && !ending;
        let open_long = |since: &Micros| minute.at.seconds_since(*since) >= DOOR_OPEN_S;
        if let Some(since) = open_since.filter(|since| stands_open && open_long(since)) {
            wrong.push(Wrong {
                kind: FaultKind::DoorOpen,
                for_s: 0.0,
                since: Some(since),
            });
        }
        self.weigh(minute, &wrong, events);
    }

    fn look_for_the_end(&mut self, minute: Minute, events: &mut Vec<Event>) {
        // Where the next burnout begins: its first hold, or low enough that it is no hold.
        let first_c = self
            .setup
            .programme
            .as_ref()
            .and_then(|p| p.steps().first()?.to_c)
            .map_or(200.0, |c| (c + 10.0).clamp(COLD_C, 250.0));
        let Some(burnout) = &mut self.burnout else {
            return;
        };
        let row = &burnout.row;
        let cold = if row.highest_c >= BEGUN_C {
            minute.kiln_c < COLD_C
        } else {
            row.highest_c > burnout.from_c + CLIMB_K && minute.kiln_c <= burnout.from_c + 5.0
        };
        if cold {
            burnout.cold_since.get_or_insert(minute.at);
        } else {
            burnout.cold_since = None;
        }
        let since = burnout
            .cold_since
            .filter(|since| minute.at.seconds_since(*since) >= COLD_FOR_S);
        let cooled_down =
            row.highest_c >= 400.0 && minute.kiln_c <= first_c && self.door.under_way().is_none();
        let Some(ended) = since.or(cooled_down.then_some(minute.at)) else {
            return;
        };
        for kind in FaultKind::ALL {
            self.mend(kind, minute.at, events);
        }
        if let Some(mut burnout) = self.burnout.take() {
            burnout.row.ended_at = Some(ended);
            burnout.row.last_at = burnout.row.last_at.max(ended);
            burnout.row.spells = spells(&burnout.steady);
            events.push(Event::Ended(Box::new(burnout.row)));
        }
        self.watches.clear();
        self.rest = vec![minute];
        if let Some(steps) = &mut self.steps {
            steps.position = Position::Unknown;
        }
    }
}

/// A step as people count it.
fn number(step: usize) -> u32 {
    u32::try_from(step).map_or(u32::MAX, |s| s.saturating_add(1))
}
