//! A kiln's trace made small enough to be kept with the session: corners between which it ran
//! straight to within 1.5 K, and the door. What a flask's soak and its withdrawal are read from,
//! long after, when its card is filled in.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::door::{Door, DoorOpening};
use super::minutes::{Minute, Minutes};
use crate::channel::Channel;
use crate::sample::Sample;
use crate::time::Micros;

/// How far the corners may be from the minutes, K: less than a controller's ripple.
const WITHIN_K: f64 = 1.5;
/// Silence for longer than this is kept as silence, s.
const GAP_S: f64 = 600.0;
/// Openings kept per kiln and session; one that raves must not fill the records.
const MOST_OPENINGS: usize = 500;

/// One kiln over one session, from its burnout on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct KilnRow {
    /// The kiln's number among those of the session's machine, from 1, as in the trace.
    pub number: u32,
    /// The first reading.
    pub from_at: Micros,
    /// Corners: seconds from `from_at`, and °C; null where silence begins.
    pub course: Vec<(i64, Option<f64>)>,
    /// Door openings in order of time.
    pub doors: Vec<DoorOpening>,
}

/// The same as a row that other programs read, printed by `extract` beside pours and pulls: what
/// whoever assembles many sessions reads a flask's soak and its way out of the kiln from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename = "kiln")]
pub struct SessionKiln {
    /// The session's name.
    pub session: String,
    /// The machine's name.
    pub machine: String,
    /// The kiln's name, if the trace says it.
    pub kiln: Option<String>,
    /// Its number, course and doors.
    #[serde(flatten)]
    pub heard: KilnRow,
}

impl KilnRow {
    /// What the kiln read at `at` as far as the corners tell, °C; none in a silence and outside.
    pub fn at(&self, at: Micros) -> Option<f64> {
        let s = at.seconds_since(self.from_at);
        self.legs()
            .find(|leg| leg.from_s <= s && s <= leg.to_s)
            .map(|leg| leg.at(s))
    }

    /// The straight legs between corners, in order of time.
    pub(crate) fn legs(&self) -> impl DoubleEndedIterator<Item = Leg> + '_ {
        self.course.windows(2).filter_map(|pair| {
            let ((from_s, from_c), (to_s, to_c)) = (pair[0], pair[1]);
            Some(Leg {
                from_s: from_s as f64,
                from_c: from_c?,
                to_s: to_s as f64,
                // Where silence begins, the last reading stands for itself.
                to_c: to_c.or(from_c)?,
            })
        })
    }
}

/// A straight stretch of a course.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Leg {
    pub from_s: f64,
    pub from_c: f64,
    pub to_s: f64,
    pub to_c: f64,
}

impl Leg {
    pub fn at(&self, s: f64) -> f64 {
        let long = self.to_s - self.from_s;
        let share = if long > 0.0 {
            (s - self.from_s) / long
        } else {
            0.0
        };
        self.from_c + (self.to_c - self.from_c) * share.clamp(0.0, 1.0)
    }
}

/// The kilns of one session, from its samples in order of time.
#[derive(Clone, Debug, Default)]
pub struct Courses {
    kilns: BTreeMap<u8, Course>,
}

/// The kilns of one session, from its samples in any order.
pub fn courses_of(samples: &[Sample]) -> Vec<KilnRow> {
    let kiln = |s: &&Sample| {
        matches!(
            s.channel,
            Channel::KilnTemperature(_) | Channel::KilnDoor(_)
        )
    };
    let mut sorted: Vec<Sample> = samples.iter().filter(kiln).copied().collect();
    sorted.sort_by(Sample::total_cmp);
    let mut courses = Courses::default();
    for sample in &sorted {
        courses.push(sample);
    }
    courses.rows()
}

#[derive(Clone, Debug, Default)]
struct Course {
    minutes: Minutes,
    door: Door,
    from: Option<Micros>,
    corners: Vec<(i64, Option<f64>)>,
    /// The newest minute, no corner yet.
    newest: Option<(i64, f64)>,
    /// Slopes that a straight line from the last corner may have, K/s.
    slopes: (f64, f64),
    doors: Vec<DoorOpening>,
}

impl Courses {
    /// Takes a sample; others than kilns' are passed over.
    pub fn push(&mut self, sample: &Sample) {
        if !sample.quality.usable() || !sample.value.is_finite() {
            return;
        }
        let news = match sample.channel {
            Channel::KilnTemperature(n) => {
                let kiln = self.kilns.entry(n).or_default();
                kiln.from.get_or_insert(sample.time);
                if let Some(minute) = kiln.minutes.push(sample.time, sample.value) {
                    kiln.take(minute);
                }
                (n, kiln.door.reading(sample.time, sample.value))
            }
            Channel::KilnDoor(n) => {
                let kiln = self.kilns.entry(n).or_default();
                (n, kiln.door.switch(sample.time, sample.value >= 0.5))
            }
            _ => return,
        };
        if let (n, Some(opening)) = news
            && let Some(kiln) = self.kilns.get_mut(&n)
        {
            kiln.note(opening);
        }
    }

    /// The rows so far; kilns of which no temperature was heard have none.
    pub fn rows(&self) -> Vec<KilnRow> {
        self.kilns
            .iter()
            .filter_map(|(n, kiln)| {
                let mut kiln = kiln.clone();
                if let Some(minute) = kiln.minutes.finish() {
                    kiln.take(minute);
                }
                let last = kiln.newest.map(|(s, c)| (s, Some(tenth(c))));
                kiln.corners.extend(last);
                Some(KilnRow {
                    number: u32::from(*n) + 1,
                    from_at: kiln.from?,
                    course: kiln.corners,
                    doors: kiln.doors,
                })
            })
            .collect()
    }
}

impl Course {
    fn note(&mut self, opening: DoorOpening) {
        if let Some(last) = self.doors.last_mut()
            && last.opened_at == opening.opened_at
        {
            *last = opening;
        } else if self.doors.len() < MOST_OPENINGS {
            self.doors.push(opening);
        }
    }

    /// The swinging door: a corner is set only where no straight line passes near all minutes.
    fn take(&mut self, minute: Minute) {
        let Some(from) = self.from else { return };
        let s = minute.at.seconds_since(from).floor() as i64;
        let c = minute.kiln_c;
        if let Some((newest_s, newest_c)) = self.newest
            && (s - newest_s) as f64 > GAP_S
        {
            self.corners.push((newest_s, Some(tenth(newest_c))));
            self.corners.push((newest_s, None));
            self.newest = None;
            self.set_corner(s, c);
            return;
        }
        let Some(&(corner_s, Some(corner_c))) = self.corners.last() else {
            self.set_corner(s, c);
            return;
        };
        let long = ((s - corner_s) as f64).max(1.0);
        let low = self.slopes.0.max((c - WITHIN_K - corner_c) / long);
        let high = self.slopes.1.min((c + WITHIN_K - corner_c) / long);
        match self.newest {
            Some((newest_s, newest_c)) if low > high => {
                self.set_corner(newest_s, newest_c);
                let long = ((s - newest_s) as f64).max(1.0);
                self.slopes = (
                    (c - WITHIN_K - newest_c) / long,
                    (c + WITHIN_K - newest_c) / long,
                );
            }
            _ => self.slopes = (low, high),
        }
        self.newest = Some((s, c));
    }

    fn set_corner(&mut self, s: i64, c: f64) {
        self.corners.push((s, Some(tenth(c))));
        self.slopes = (f64::NEG_INFINITY, f64::INFINITY);
    }
}

fn tenth(c: f64) -> f64 {
    (c * 10.0).round() / 10.0
}
