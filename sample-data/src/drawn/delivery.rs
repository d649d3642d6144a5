//! From what was sensed to what arrives: sensors that fall silent, readings that come late and
//! out of order, and what that hides of the truth.

use analysis::channel::Channel;
use analysis::pour::Setup;
use analysis::sample::Sample;
use analysis::time::Micros;

use super::day::Done;
use super::plan::BenchDraw;
use super::{Arrival, DrawnSession, Trouble};
use crate::dice::Dice;

/// The usual way from sensor to log, s.
const ON_ITS_WAY_S: f64 = 0.05;
/// The latest that the final feed must still put in order is 10 s; senders' clocks jitter.
const LATEST_S: f64 = 9.9;
/// A silence of more than this many periods (and 2 s) around the lift hides it.
const HIDES_PERIODS: f64 = 2.5;

/// Readings and truth to a session.
pub(crate) fn deliver(seed: u64, bench: &BenchDraw, done: Done) -> DrawnSession {
    let mut dice = Dice::new(seed, 23);
    let Done {
        mut readings,
        mut truth,
    } = done;
    readings.sort_by(Sample::total_cmp);
    let lifts: Vec<Micros> = truth.pours.iter().map(|p| p.at).collect();
    if bench.has(Trouble::Dropouts) {
        silence(&mut readings, &lifts, &mut dice);
    }
    let melt: Vec<Micros> = readings
        .iter()
        .filter(|r| r.channel == Channel::MeltTemperature)
        .map(|r| r.time)
        .collect();
    for pour in &mut truth.pours {
        let after = melt.partition_point(|t| *t <= pour.at);
        let gap = |i: usize| match (i.checked_sub(1).and_then(|b| melt.get(b)), melt.get(i)) {
            (Some(before), Some(next)) => next.seconds_since(*before),
            _ => f64::INFINITY,
        };
        pour.gap_s = gap(after).min(3600.0);
        let hides = (HIDES_PERIODS / bench.melt_hz).max(2.0);
        // The seconds just before and after matter as much as the lift itself.
        let close = melt.iter().zip(melt.iter().skip(1)).any(|(a, b)| {
            b.seconds_since(*a) > hides
                && b.seconds_since(pour.at) > -3.0
                && a.seconds_since(pour.at) < 5.0
        });
        if close || pour.gap_s > hides {
            pour.troubles.insert(Trouble::SilentAtTheLift);
        }
    }
    let arrivals = on_their_way(&readings, bench, &mut dice);
    DrawnSession {
        seed,
        melt_hz: bench.melt_hz,
        vacuum_hz: if bench.has(Trouble::NoVacuumSensor) {
            0.0
        } else {
            bench.vacuum_hz
        },
        setup: Setup {
            liquidus_c: bench.alloy_known.then_some(bench.heat.liquidus_c),
            ..Setup::at_ambient(bench.standard_kpa)
        },
        usual_share: bench.usual_known.then_some(bench.usual_share),
        arrivals,
        truth,
    }
}

/// Silences of 1–60 s, of all sensors or one; every other one close to a pour, since that is
/// where they hurt.
fn silence(readings: &mut Vec<Sample>, lifts: &[Micros], dice: &mut Dice) {
    let (Some(first), Some(last)) = (readings.first(), readings.last()) else {
        return;
    };
    let (first, span) = (first.time, last.time.seconds_since(first.time));
    for _ in 0..dice.whole(2, 6) {
        let long = dice.between(1.0_f64.ln(), 60.0_f64.ln()).exp();
        let anywhere = first.plus_seconds(dice.between(0.0, span));
        let near = dice.pick(lifts).plus_seconds(dice.between(-60.0, 30.0));
        let from = if dice.chance(0.5) { near } else { anywhere };
        let which = dice.whole(0, 3);
        let until = from.plus_seconds(long);
        readings.retain(|r| {
            let hit = match (which, r.channel) {
                (0 | 1, channel) => !matches!(channel, Channel::KilnTemperature(_)),
                (2, channel) => channel == Channel::MeltTemperature,
                (_, channel) => channel == Channel::Vacuum,
            };
            !hit || r.time < from || r.time >= until
        });
    }
}

/// In order of arrival. Late readings come three ways: a little late each, a few very late, or
/// held back by a gateway and then all at once.
fn on_their_way(readings: &[Sample], bench: &BenchDraw, dice: &mut Dice) -> Vec<Arrival> {
    let way = bench.has(Trouble::Late).then(|| dice.whole(0, 2));
    let mut held_until = Micros(i64::MIN);
    let mut next_hold = bench.starts.plus_seconds(dice.between(0.0, 120.0));
    let mut arrivals: Vec<Arrival> = readings
        .iter()
        .map(|sample| {
            let late_s = match way {
                None => 0.0,
                Some(0) => dice.between(0.0, 2.5),
                Some(1) if dice.chance(0.05) => dice.between(1.0, LATEST_S),
                Some(1) => 0.0,
                Some(_) => {
                    if sample.time >= next_hold {
                        held_until = sample.time.plus_seconds(dice.between(1.0, LATEST_S));
                        next_hold = held_until.plus_seconds(dice.between(5.0, 120.0));
                    }
                    // The gateway carries the melt; the rest has a way of its own.
                    let held = sample.channel == Channel::MeltTemperature;
                    if held {
                        held_until.seconds_since(sample.time).max(0.0)
                    } else {
                        0.0
                    }
                }
            };
            Arrival {
                at: sample.time.plus_seconds(ON_ITS_WAY_S + late_s),
                sample: *sample,
            }
        })
        .collect();
    // Stable: what comes at one instant comes in the order it was sent.
    arrivals.sort_by_key(|a| a.at);
    arrivals
}
