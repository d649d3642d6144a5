//! A kiln's door: when it opened, by its switch or by the dip that it leaves in the air, and how
//! the air came back. A door of 10–40 s takes the air down by 30–150 K and lets it come back by
//! 63 % in one to four minutes (common practice); no kiln cools so fast by itself, whatever
//! failed in it.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use crate::stats::median::median;
use crate::time::Micros;

/// The air must fall by this much to be a door, K: twice the ripple of a controller (1–4 K,
/// common practice), with room for noise.
const DIP_K: f64 = 15.0;
/// And within this time, s. A small kiln that has lost its power falls some 4 K a minute at
/// 730 °C, and a programmed fall is slower still.
const DIP_S: f64 = 75.0;
/// The reading after a fall confirms it while it is still low by this share of it.
const CONFIRMED_SHARE: f64 = 0.6;
/// How far below the level a reading must be to belong to the fall, K.
const FALLEN_K: f64 = 3.0;
/// Below this the room is no longer cold enough to make a dip, °C.
const HOT_C: f64 = 120.0;
/// The air rises by this much from its lowest once the door is shut, K.
const SHUT_K: f64 = 5.0;
/// Air this near to where it was counts as recovered, K.
const BACK_K: f64 = 10.0;
/// The level before a dip is the median of so many seconds.
const LEVEL_S: f64 = 45.0;
/// Readings are remembered for so long, s.
const REMEMBERED_S: f64 = 4.0 * DIP_S;
/// A reading so far over the highest remembered is no air, K,
const WILD_UP_K: f64 = 100.0;
/// nor is one so far below the one before.
const WILD_DOWN_K: f64 = 250.0;
/// After this long a dip is no dip any more, s: the kiln went elsewhere.
const GIVEN_UP_S: f64 = 45.0 * 60.0;

/// What showed a door opening.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum DoorFoundBy {
    /// The door's own switch.
    Switch,
    /// The dip in the kiln's trace.
    Trace,
}

/// One opening of a kiln's door.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct DoorOpening {
    /// When it opened.
    pub opened_at: Micros,
    /// When it was shut: by the switch, else when the air was lowest. Null while unknown.
    pub closed_at: Option<Micros>,
    /// When the air was back within 10 K; null if it never was, or not yet.
    pub recovered_at: Option<Micros>,
    /// What the kiln read just before, °C.
    pub before_c: Option<f64>,
    /// The lowest it read until it rose again, °C.
    pub lowest_c: Option<f64>,
    /// What showed it.
    pub found_by: DoorFoundBy,
}

impl DoorOpening {
    /// How far the air fell, K.
    pub fn dip_k(&self) -> Option<f64> {
        Some((self.before_c? - self.lowest_c?).max(0.0))
    }

    /// How long the door stood open, s.
    pub fn open_s(&self) -> Option<f64> {
        Some(self.closed_at?.seconds_since(self.opened_at))
    }
}

/// Watches one kiln's door. Readings and switch states come in order of time.
#[derive(Clone, Debug, Default)]
pub struct Door {
    recent: VecDeque<(Micros, f64)>,
    /// A fall seen once; the next reading confirms it, since a lone wild reading is no door.
    suspected: Option<(Micros, f64)>,
    under_way: Option<DoorOpening>,
    /// Where the air was before the first of the openings that it still recovers from, °C.
    level_c: Option<f64>,
    /// When the lowest reading was.
    lowest_at: Option<Micros>,
    switch: Option<bool>,
}

impl Door {
    /// Takes a reading of the kiln's air. Gives the opening that it found, or brought news of:
    /// an opening comes again when it was shut and when the air was back.
    pub fn reading(&mut self, at: Micros, kiln_c: f64) -> Option<DoorOpening> {
        while self
            .recent
            .front()
            .is_some_and(|(first, _)| at.seconds_since(*first) > REMEMBERED_S)
        {
            self.recent.pop_front();
        }
        let highest = self.recent.iter().map(|r| r.1).fold(f64::MIN, f64::max);
        if let Some((_, last_c)) = self.recent.back()
            && (kiln_c > highest + WILD_UP_K || kiln_c < last_c - WILD_DOWN_K)
        {
            // A probe and not the air; if it stays, what was remembered is soon forgotten.
            return None;
        }
        let changed = self.follow(at, kiln_c);
        let found = self.dip(at, kiln_c);
        self.recent.push_back((at, kiln_c));
        found.or(changed)
    }

    /// Takes a state of the door's switch.
    pub fn switch(&mut self, at: Micros, open: bool) -> Option<DoorOpening> {
        let was = self.switch.replace(open);
        match (was, open) {
            (Some(false), true) => {
                self.suspected = None;
                self.lowest_at = None;
                self.begin(at, DoorFoundBy::Switch)
            }
            (Some(true), false) => {
                let opening = self.under_way.as_mut()?;
                opening.closed_at = Some(at);
                Some(*opening)
            }
            _ => None,
        }
    }

    /// The opening whose air is not back yet.
    pub fn under_way(&self) -> Option<&DoorOpening> {
        self.under_way.as_ref()
    }

    /// Whether the door stands open, as far as can be told: by its switch, else while the air
    /// has not begun to rise after a dip.
    pub fn stands_open(&self) -> bool {
        self.switch.unwrap_or_else(|| {
            self.under_way
                .as_ref()
                .is_some_and(|o| o.closed_at.is_none())
        })
    }

    fn begin(&mut self, at: Micros, found_by: DoorFoundBy) -> Option<DoorOpening> {
        let opening = DoorOpening {
            opened_at: at,
            closed_at: None,
            recovered_at: None,
            before_c: self.level_before(at),
            lowest_c: None,
            found_by,
        };
        // Opened again while the air recovers, it has further to come back.
        self.level_c = match (opening.before_c, self.under_way.and(self.level_c)) {
            (Some(before), Some(level)) => Some(before.max(level)),
            (before, level) => before.or(level),
        };
        self.under_way = Some(opening);
        Some(opening)
    }

    fn level_before(&self, at: Micros) -> Option<f64> {
        let mut level: Vec<f64> = self
            .recent
            .iter()
            .filter(|(t, _)| (0.0..=LEVEL_S).contains(&at.seconds_since(*t)))
            .map(|(_, c)| *c)
            .collect();
        if level.is_empty() {
            level.extend(
                self.recent
                    .iter()
                    .rev()
                    .find(|(t, _)| *t <= at)
                    .map(|r| r.1),
            );
        }
        median(&mut level)
    }

    /// Follows the air of an opening that is under way.
    fn follow(&mut self, at: Micros, kiln_c: f64) -> Option<DoorOpening> {
        let by_switch = self.switch.is_some();
        let opening = self.under_way.as_mut()?;
        if at.seconds_since(opening.opened_at) > GIVEN_UP_S {
            self.under_way = None;
            return None;
        }
        if opening.lowest_c.is_none_or(|lowest| kiln_c < lowest) && opening.recovered_at.is_none() {
            opening.lowest_c = Some(kiln_c);
            self.lowest_at = Some(at);
            return None;
        }
        let lowest = opening.lowest_c?;
        let mut news = false;
        if opening.closed_at.is_none() && !by_switch && kiln_c - lowest >= SHUT_K {
            opening.closed_at = self.lowest_at;
            news = true;
        }
        let back = self.level_c.is_some_and(|level| kiln_c >= level - BACK_K);
        // Right after a switch the air has had no time to fall.
        let fell = opening.dip_k().is_some_and(|k| k >= BACK_K)
            || at.seconds_since(opening.opened_at) > DIP_S;
        if back && fell && opening.closed_at.is_some() {
            opening.recovered_at = Some(at);
            news = true;
        }
        let told = *opening;
        if told.recovered_at.is_some() {
            self.under_way = None;
        }
        news.then_some(told)
    }

    /// Looks for the fall that a door makes.
    fn dip(&mut self, at: Micros, kiln_c: f64) -> Option<DoorOpening> {
        if self.switch.is_some() {
            // A kiln with a switch needs no guess.
            return None;
        }
        // Air still falling from the opening before is that opening.
        if self.under_way.is_some_and(|o| o.closed_at.is_none()) {
            return None;
        }
        let reach = |t: Micros| {
            let since = at.seconds_since(t);
            since <= DIP_S
                || self
                    .recent
                    .back()
                    .is_some_and(|(last, _)| *last == t && since <= 2.0 * DIP_S)
        };
        let (_, peak_c) = self
            .recent
            .iter()
            .filter(|(t, _)| reach(*t))
            // What the air was before the opening that it still recovers from is no news.
            .filter(|(t, _)| self.under_way.is_none() || self.lowest_at.is_none_or(|l| *t >= l))
            .copied()
            .max_by(|a, b| a.1.total_cmp(&b.1))?;
        let (since, level_c) = match self.suspected {
            Some(suspected) => suspected,
            None => {
                let falls = peak_c >= HOT_C && peak_c - kiln_c >= DIP_K;
                self.suspected = falls.then_some((at, peak_c));
                return None;
            }
        };
        // The air may be on its way back already; it is the level from before that counts.
        let low = level_c - kiln_c >= CONFIRMED_SHARE * DIP_K;
        if !low || at.seconds_since(since) > 2.0 * DIP_S {
            self.suspected = None;
            return None;
        }
        self.suspected = None;
        let last_level = self
            .recent
            .iter()
            .rposition(|(_, c)| *c >= level_c - FALLEN_K)?;
        let (before_at, _) = self.recent[last_level];
        let fallen_at = self.recent.get(last_level + 1).map_or(at, |(t, _)| *t);
        // Somewhere between the last reading at the level and the first below it.
        let opened_at = Micros(i64::midpoint(before_at.0, fallen_at.0));
        self.begin(opened_at, DoorFoundBy::Trace)?;
        let fallen: Vec<(Micros, f64)> = self
            .recent
            .iter()
            .skip(last_level + 1)
            .copied()
            .chain([(at, kiln_c)])
            .collect();
        let (lowest_at, lowest_c) = fallen.into_iter().min_by(|a, b| a.1.total_cmp(&b.1))?;
        let opening = self.under_way.as_mut()?;
        opening.lowest_c = Some(lowest_c);
        self.lowest_at = Some(lowest_at);
        Some(*opening)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn at(s: f64) -> Micros {
        Micros(0).plus_seconds(s)
    }

    /// Air at 555 °C whose door opens at `opened` for 20 s and comes back with 110 s.
    fn air(t: f64, opened: &[f64]) -> f64 {
        let dips: f64 = opened
            .iter()
            .filter(|o| t > **o)
            .map(|o| 90.0 * ((t - o) / 20.0).min(1.0) * (-(t - o - 20.0).max(0.0) / 110.0).exp())
            .sum();
        555.0 + 1.5 * (t / 41.0).sin() - dips
    }

    fn openings(step_s: f64, air: impl Fn(f64) -> f64) -> Vec<DoorOpening> {
        let mut door = Door::default();
        let mut found: Vec<DoorOpening> = Vec::new();
        let mut t = 0.0;
        while t < 3600.0 {
            if let Some(news) = door.reading(at(t), air(t)) {
                found.retain(|o| o.opened_at != news.opened_at);
                found.push(news);
            }
            t += step_s;
        }
        found
    }

    #[test]
    fn a_door_is_seen_in_the_air_within_half_a_reading() {
        for step_s in [1.0, 5.0, 10.0, 30.0] {
            let found = openings(step_s, |t| air(t, &[1203.0]));
            assert_eq!(found.len(), 1, "{step_s} s: {found:?}");
            let late = found[0].opened_at.seconds_since(at(1203.0));
            assert!(late.abs() <= step_s.max(4.0), "{step_s} s: {late}");
            assert!((found[0].before_c.unwrap() - 555.0).abs() < 3.0);
            assert!(found[0].recovered_at.is_some());
        }
    }

    #[test]
    fn each_flask_taken_while_the_air_still_recovers_is_an_opening() {
        let found = openings(5.0, |t| air(t, &[1200.0, 1320.0, 1900.0]));
        assert_eq!(found.len(), 3, "{found:?}");
    }

    #[test]
    fn a_kiln_that_lost_its_power_has_not_opened_its_door() {
        // 4 K a minute, and one wild reading.
        let found = openings(5.0, |t| {
            if (1500.0..1505.0).contains(&t) {
                20.0
            } else {
                730.0 - t * 4.0 / 60.0
            }
        });
        assert_eq!(found, Vec::new());
    }

    #[test]
    fn a_switch_says_when_the_door_opened_and_shut() {
        let mut door = Door::default();
        door.switch(at(0.0), false);
        for i in 0..240 {
            door.reading(at(f64::from(i) * 5.0), air(f64::from(i) * 5.0, &[]));
        }
        let opened = door.switch(at(1201.0), true).unwrap();
        assert_eq!(opened.opened_at, at(1201.0));
        assert!((opened.before_c.unwrap() - 555.0).abs() < 3.0);
        assert!(door.stands_open());
        for i in 241..244 {
            door.reading(at(f64::from(i) * 5.0), air(f64::from(i) * 5.0, &[1201.0]));
        }
        let shut = door.switch(at(1221.0), false).unwrap();
        assert_eq!(shut.open_s(), Some(20.0));
        let back = (244..600).find_map(|i| {
            let t = f64::from(i) * 5.0;
            door.reading(at(t), air(t, &[1201.0]))
        });
        assert!(back.unwrap().recovered_at.is_some());
        assert!(back.unwrap().dip_k().unwrap() > 60.0);
    }
}
