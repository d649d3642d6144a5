//! Faults to add to a session's readings, each off by default. The truth stays what it was;
//! only what is sensed, and in which order it is delivered, changes (but for called-off pulls,
//! which happen).

use analysis::channel::Channel;
use serde::{Deserialize, Serialize};

use crate::dice::Dice;
use crate::simulate::{PlaceKind, SensedReading};

/// What goes wrong in a session.
#[derive(Clone, Copy, Debug, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Troubles {
    /// How many times all sensors of the machine fall silent, 5–120 s each. What they would
    /// have said is lost.
    pub silences: u32,
    /// Share of readings that are delivered after up to 20 later ones.
    pub out_of_order: f64,
    /// Share of readings that are delivered twice, as an at-least-once sender may.
    pub twice: f64,
    /// The melt sensor shows whole degrees Fahrenheit; values here are converted back to °C.
    pub whole_fahrenheit: bool,
    /// Another probe, reading this much more, K.
    pub probe_offset_k: f64,
    /// The probe drifts, K/h; worn base-metal couples read low, so usually below zero.
    pub probe_drift_k_h: f64,
    /// The valve switch says nothing.
    pub no_valve_switch: bool,
    /// The gas float sticks at its first running value.
    pub stuck_gas_float: bool,
    /// Added chance per flask that the first pull is called off and repeated.
    pub called_off: f64,
}

impl Troubles {
    /// Changes the readings of a session, which come and go in order of delivery.
    pub(crate) fn apply(&self, readings: &mut Vec<SensedReading>, dice: &mut Dice) {
        if self.no_valve_switch {
            readings.retain(|r| r.channel != Channel::VacuumValve);
        }
        if self.whole_fahrenheit {
            for r in readings
                .iter_mut()
                .filter(|r| r.channel == Channel::MeltTemperature)
            {
                r.value = ((r.value * 1.8 + 32.0).round() - 32.0) / 1.8;
            }
        }
        if self.stuck_gas_float {
            let mut stuck = None;
            for r in readings
                .iter_mut()
                .filter(|r| r.channel == Channel::GasFlow)
            {
                if r.value > 1.0 {
                    r.value = *stuck.get_or_insert(r.value);
                }
            }
        }
        self.silence(readings, dice);
        self.deliver_twice(readings, dice);
        self.disorder(readings, dice);
    }

    fn silence(&self, readings: &mut Vec<SensedReading>, dice: &mut Dice) {
        let times = readings
            .iter()
            .filter(|r| r.place == PlaceKind::Machine)
            .map(|r| r.time);
        let (Some(first), Some(last)) = (times.clone().min(), times.max()) else {
            return;
        };
        for _ in 0..self.silences {
            let from = first.plus_seconds(dice.between(0.0, last.seconds_since(first)));
            let until = from.plus_seconds(dice.between(5.0, 120.0));
            readings.retain(|r| r.place != PlaceKind::Machine || r.time < from || r.time >= until);
        }
    }

    fn deliver_twice(&self, readings: &mut Vec<SensedReading>, dice: &mut Dice) {
        if self.twice <= 0.0 {
            return;
        }
        *readings = readings
            .drain(..)
            .flat_map(|r| std::iter::repeat_n(r, if dice.chance(self.twice) { 2 } else { 1 }))
            .collect();
    }

    fn disorder(&self, readings: &mut Vec<SensedReading>, dice: &mut Dice) {
        if self.out_of_order <= 0.0 {
            return;
        }
        let mut placed: Vec<(f64, SensedReading)> = readings
            .drain(..)
            .enumerate()
            .map(|(i, r)| {
                let back = if dice.chance(self.out_of_order) {
                    dice.between(1.0, 20.0)
                } else {
                    0.0
                };
                (i as f64 + back, r)
            })
            .collect();
        placed.sort_by(|a, b| a.0.total_cmp(&b.0));
        readings.extend(placed.into_iter().map(|(_, r)| r));
    }
}
