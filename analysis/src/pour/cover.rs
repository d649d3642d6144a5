//! Cover gas while it matters: a flow that stays under its least while metal that oxygen would
//! spoil is hot. Told after a hold, once, and told to be over when the flow is back or nothing is
//! left to cover. A cold crucible needs no gas, and after the pour nobody can do anything about
//! it. Advice for the moment; what a pour had of it is measured in `measures.rs`.

use super::events::Event;
use super::history::Reading;
use crate::stage::Stage;
use crate::time::Micros;

/// A flow must be low this long before it is told, s: a knock at the hose or a hand at the valve
/// is over sooner, and gas that lies over the melt is not yet gone (common practice: some tens of
/// seconds).
pub(crate) const HOLD_S: f64 = 10.0;
/// … and by so many readings: one may be a dropped packet.
const LEAST_READINGS: u32 = 2;
/// What is usual follows the flow over this long, s.
const USUAL_S: f64 = 120.0;

/// The watch over the cover gas.
#[derive(Clone, Debug)]
pub(crate) struct Cover {
    least_l_min: f64,
    low_since: Option<Micros>,
    low_readings: u32,
    told: bool,
    usual_l_min: Option<f64>,
    heard_at: Option<Micros>,
}

impl Cover {
    /// One that has heard nothing; less than `least_l_min` is no cover, L/min.
    pub fn new(least_l_min: f64) -> Cover {
        Cover {
            least_l_min,
            low_since: None,
            low_readings: 0,
            told: false,
            usual_l_min: None,
            heard_at: None,
        }
    }

    /// Takes a reading of the flow in this stage.
    pub fn hear(&mut self, reading: Reading, stage: Stage) -> Option<Event> {
        let gap_s = self
            .heard_at
            .replace(reading.at)
            .map_or(0.0, |t| reading.at.seconds_since(t));
        if reading.value >= self.least_l_min {
            let usual = self.usual_l_min.unwrap_or(reading.value);
            let weight = gap_s / (USUAL_S + gap_s);
            self.usual_l_min = Some(usual + weight * (reading.value - usual));
            return self.over(reading.at, Some(reading.value));
        }
        if !needs_cover(stage) {
            return self.over(reading.at, None);
        }
        let since = *self.low_since.get_or_insert(reading.at);
        self.low_readings = self.low_readings.saturating_add(1);
        let held = reading.at.seconds_since(since) >= HOLD_S;
        if self.told || !held || self.low_readings < LEAST_READINGS {
            return None;
        }
        self.told = true;
        Some(Event::GasLow {
            at: reading.at,
            since,
            flow_l_min: reading.value,
            usual_l_min: self.usual_l_min,
            least_l_min: self.least_l_min,
            stage,
        })
    }

    /// The melt entered a stage.
    pub fn stage(&mut self, at: Micros, stage: Stage) -> Option<Event> {
        if needs_cover(stage) {
            None
        } else {
            self.over(at, None)
        }
    }

    fn over(&mut self, at: Micros, flow_l_min: Option<f64>) -> Option<Event> {
        (self.low_since, self.low_readings) = (None, 0);
        std::mem::take(&mut self.told).then_some(Event::GasLowOver { at, flow_l_min })
    }
}

fn needs_cover(stage: Stage) -> bool {
    matches!(
        stage,
        Stage::Charging | Stage::Melting | Stage::Molten | Stage::Pulling
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::channel::Channel;
    use crate::pour::{Detector, Setup};
    use crate::sample::{Quality, Sample};

    fn at(s: f64) -> Micros {
        Micros(1_795_000_000_000_000).plus_seconds(s)
    }

    /// What is told of a flow, as (from, until, L/min) in seconds, read once a second in a stage.
    fn told(flow: &[(f64, f64, f64)], stage: Stage) -> Vec<Event> {
        let mut cover = Cover::new(1.0);
        let mut told = Vec::new();
        for (from, until, value) in flow {
            let mut s = *from;
            while s < *until {
                told.extend(cover.hear(
                    Reading {
                        at: at(s),
                        value: *value,
                    },
                    stage,
                ));
                s += 1.0;
            }
        }
        told
    }

    #[test]
    fn a_lost_cover_over_molten_metal_is_told_once_with_the_usual_flow() {
        let told = told(&[(0.0, 300.0, 3.2), (300.0, 400.0, 0.4)], Stage::Molten);
        let [
            Event::GasLow {
                at: told_at,
                flow_l_min,
                usual_l_min,
                ..
            },
        ] = told.as_slice()
        else {
            panic!("{told:?}");
        };
        assert!((told_at.seconds_since(at(300.0)) - HOLD_S).abs() < 1.1);
        assert!((flow_l_min - 0.4).abs() < 1e-9);
        assert!(usual_l_min.is_some_and(|u| (u - 3.2).abs() < 1e-6));
    }

    #[test]
    fn a_knock_at_the_hose_is_no_lost_cover() {
        let flow = [(0.0, 60.0, 3.0), (60.0, 67.0, 0.0), (67.0, 120.0, 3.0)];
        assert_eq!(told(&flow, Stage::Molten), []);
    }

    #[test]
    fn a_flow_that_comes_back_is_told_too() {
        let flow = [(0.0, 60.0, 3.0), (60.0, 90.0, 0.0), (90.0, 120.0, 3.1)];
        let told = told(&flow, Stage::Pulling);
        assert!(
            matches!(
                told.as_slice(),
                [Event::GasLow { .. }, Event::GasLowOver { flow_l_min: Some(f), .. }]
                    if (f - 3.1).abs() < 1e-9
            ),
            "{told:?}"
        );
    }

    #[test]
    fn nothing_is_said_of_a_cold_crucible_or_after_the_pour() {
        for stage in [Stage::Cold, Stage::Warming, Stage::Poured, Stage::Cooling] {
            assert_eq!(told(&[(0.0, 600.0, 0.0)], stage), [], "{stage}");
        }
        let mut cover = Cover::new(1.0);
        let low = |s| Reading {
            at: at(s),
            value: 0.0,
        };
        let told: Vec<Event> = (0..20)
            .filter_map(|s| cover.hear(low(f64::from(s)), Stage::Pulling))
            .collect();
        assert_eq!(told.len(), 1);
        assert_eq!(
            cover.stage(at(21.0), Stage::Poured),
            Some(Event::GasLowOver {
                at: at(21.0),
                flow_l_min: None
            })
        );
        assert_eq!(cover.hear(low(22.0), Stage::Poured), None);
    }

    /// Through the detector: the gas of a molten melt fails, and nothing was said while it was
    /// still cold.
    #[test]
    fn the_detector_watches_the_cover_of_a_melt() {
        let mut detector = Detector::new(Setup::default());
        let mut told = Vec::new();
        let mut push = |s: f64, channel, value| {
            let sample = Sample {
                time: at(s),
                channel,
                value,
                quality: Quality::Good,
            };
            for event in detector.push(&sample) {
                if matches!(event, Event::GasLow { .. } | Event::GasLowOver { .. }) {
                    told.push(event);
                }
            }
        };
        for s in 0..2400 {
            let s = f64::from(s);
            let melt = (20.0 + 0.6 * s).min(960.0);
            push(s, Channel::MeltTemperature, melt);
            // Off while cold, on before it is hot, off again at 2000 s.
            let gas = if (120.0..2000.0).contains(&s) {
                3.0
            } else {
                0.0
            };
            push(s, Channel::GasFlow, gas);
        }
        let [
            Event::GasLow {
                at: told_at, stage, ..
            },
        ] = told.as_slice()
        else {
            panic!("{told:?}");
        };
        assert!((told_at.seconds_since(at(2000.0)) - HOLD_S).abs() < 1.1);
        assert_eq!(*stage, Stage::Molten);
    }
}
