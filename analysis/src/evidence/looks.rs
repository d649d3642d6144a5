//! When the evidence is looked at formally. Looking every week at 5 % claims falsely in about a
//! quarter of shops in a year; here claims are made at few looks, each strict, and between looks a
//! grade may only fall. What a look said follows from the flasks that were there, so nothing is
//! stored.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::rows::Row;
use crate::time::Micros;

/// Sessions at the first look.
const FIRST: f64 = 20.0;
/// Each look comes at so many times the sessions of the one before.
const GROWTH: f64 = 1.5;
/// Most looks.
pub(super) const MOST: usize = 10;
/// Risk of a false claim at each look, over all strata that are advised: with ten looks 2.5 %,
/// which leaves as much for trials.
pub(super) const ALPHA: f64 = 0.0025;

/// The formal look that counts now.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Look {
    /// Its number, from 1; 0 before the first.
    pub number: usize,
    /// The risk of a false claim that this alloy and section may take at it; null before the first.
    pub alpha: Option<f64>,
    /// Sessions of the book at the next look; null after the last.
    pub next_at_sessions: Option<usize>,
    /// Sessions of the book so far.
    pub sessions: usize,
    /// What every look so far said of this alloy and section, in order.
    pub history: Vec<Said>,
}

/// What one look said.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Said {
    /// The look's number.
    pub number: usize,
    /// Sessions of the book then.
    pub sessions: usize,
    /// The risk of a false claim taken.
    pub alpha: f64,
    /// Whether a change was claimed, or an earlier claim still held.
    pub claimed: bool,
    /// The temperature it was claimed for, °C.
    pub pour_temperature_c: Option<f64>,
    /// What it was compared with, °C.
    pub against_c: Option<f64>,
}

/// Sessions at look `number`, from 1: 20, 30, 45, 68, 102, …
pub(super) fn sessions_at(number: usize) -> usize {
    let exponent = number.saturating_sub(1).min(MOST) as i32;
    (FIRST * GROWTH.powi(exponent)).ceil() as usize
}

/// How many looks have been reached with so many sessions.
pub(super) fn reached(sessions: usize) -> usize {
    (1..=MOST)
        .take_while(|number| sessions_at(*number) <= sessions)
        .count()
}

/// Sessions at the look after `number`; `None` after the last.
pub(super) fn next_at(number: usize) -> Option<usize> {
    (number < MOST).then(|| sessions_at(number + 1))
}

/// Flasks of a look's last session are waited for so long, s: they are not all counted in one minute.
const WAITED_S: f64 = 86_400.0;

/// When a look was: what was poured and what was counted by then.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Until {
    pub poured: Micros,
    pub counted: Micros,
}

/// The sessions in the order in which anything of them was first counted: a session that is counted
/// late takes its place then, and changes nothing that an earlier look said.
pub(super) struct InOrder<'a> {
    places: BTreeMap<&'a str, usize>,
    known: Vec<Micros>,
}

impl<'a> InOrder<'a> {
    pub(super) fn of(rows: &[&Row<'a>]) -> InOrder<'a> {
        let mut first: BTreeMap<&str, (Micros, Micros)> = BTreeMap::new();
        for row in rows {
            let at = (row.flask.known_at(), row.flask.cast_at);
            let held = first.entry(row.flask.session.as_str()).or_insert(at);
            *held = (*held).min(at);
        }
        let mut names: Vec<((Micros, Micros), &str)> =
            first.into_iter().map(|(name, at)| (at, name)).collect();
        names.sort_unstable();
        InOrder {
            known: names.iter().map(|((known, _), _)| *known).collect(),
            places: names
                .into_iter()
                .enumerate()
                .map(|(place, (_, name))| (name, place))
                .collect(),
        }
    }

    pub(super) fn sessions(&self) -> usize {
        self.places.len()
    }

    /// What a look at the first so many sessions saw: their flasks, as far as they were counted
    /// within a day of the last of these sessions; and when that was.
    pub(super) fn first<'b>(
        &self,
        sessions: usize,
        rows: &[&'b Row<'a>],
    ) -> (Vec<&'b Row<'a>>, Option<Until>) {
        let Some(counted) = sessions
            .checked_sub(1)
            .and_then(|last| self.known.get(last))
            .map(|at| at.plus_seconds(WAITED_S))
        else {
            return (Vec::new(), None);
        };
        let seen: Vec<&Row> = rows
            .iter()
            .copied()
            .filter(|r| {
                self.places
                    .get(r.flask.session.as_str())
                    .is_some_and(|place| *place < sessions)
                    && r.flask.known_at() <= counted
            })
            .collect();
        let poured = seen.iter().map(|r| r.flask.cast_at).max();
        (seen, poured.map(|poured| Until { poured, counted }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn looks_come_at_half_as_many_sessions_again() {
        let at: Vec<usize> = (1..=MOST).map(sessions_at).collect();
        assert_eq!(at, [20, 30, 45, 68, 102, 152, 228, 342, 513, 769]);
        assert_eq!(reached(19), 0);
        assert_eq!(reached(20), 1);
        assert_eq!(reached(67), 3);
        assert_eq!(reached(68), 4);
        assert_eq!(reached(100_000), MOST);
        assert_eq!(next_at(0), Some(20));
        assert_eq!(next_at(MOST), None);
    }
}
