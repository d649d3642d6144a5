//! Kilns made up for tests: a controller that runs a programme through a kiln that lags, and
//! what can go wrong with it.

use super::follow::{Event, Follower, Setup};
use super::programme::{Programme, Step};
use super::row::{FaultKind, FaultRow};
use crate::channel::Channel;
use crate::sample::{Quality, Sample};
use crate::time::Micros;

/// The published schedule for flasks of about 90 × 100 mm, then down to 555 °C: the same
/// staircase as the invented shop's.
pub(super) fn usual() -> Programme {
    let step = |to_c, ramp_k_h, hold_min| Step {
        to_c: Some(to_c),
        ramp_k_h: Some(ramp_k_h),
        hold_min,
    };
    Programme::new(
        "usual",
        vec![
            step(150.0, 175.0, Some(105.0)),
            step(370.0, 176.0, Some(90.0)),
            step(730.0, 180.0, Some(195.0)),
            step(555.0, 117.0, None),
        ],
    )
    .expect("a sound programme")
}

pub(super) fn at(hours: f64) -> Micros {
    Micros(1_795_000_000_000_000).plus_seconds(3600.0 * hours)
}

/// What happens to a kiln.
#[derive(Clone, Copy, Debug)]
pub(super) enum Trouble {
    /// No heat from then on: a fuse, an element.
    NoHeat(f64),
    /// The contactor is welded: full heat from then on.
    FullHeat(f64),
    /// The controller stops at what it has reached, hours from and to.
    Stands(f64, f64),
    /// A door opened then, for so many seconds.
    Door(f64, f64),
    /// The sensor says nothing, hours from and to.
    Silence(f64, f64),
    /// The sensor reads this, hours from and to.
    Reads(f64, f64, f64),
    /// Switched off by the caster.
    Off(f64),
}

/// A kiln over some hours.
pub(super) struct Kiln {
    pub troubles: Vec<Trouble>,
    pub hours: f64,
    /// Seconds between readings.
    pub every_s: f64,
    /// The programme is begun this long after the first reading, h.
    pub lit_h: Vec<f64>,
}

impl Kiln {
    pub fn over(hours: f64, troubles: Vec<Trouble>) -> Kiln {
        Kiln {
            troubles,
            hours,
            every_s: 30.0,
            lit_h: vec![0.5],
        }
    }

    /// Its readings. Brick at 20 °C in a room of 20 °C; time constant 3 h, at most 22 K a minute.
    pub fn samples(&self) -> Vec<Sample> {
        let mut samples = Vec::new();
        let (mut wall_c, mut set_c) = (20.0_f64, 20.0_f64);
        let mut place = (usize::MAX, 0.0);
        let mut noise = 12_345_u64;
        let step_s = 5.0;
        let mut t = 0.0;
        let mut next_s = 0.0;
        let programme = usual();
        while t <= self.hours * 3600.0 {
            let h = t / 3600.0;
            if self
                .lit_h
                .iter()
                .any(|lit| (lit * 3600.0 - t).abs() < step_s / 2.0)
            {
                place = (0, 0.0);
                set_c = wall_c;
            }
            let is = |f: &dyn Fn(&Trouble) -> bool| self.troubles.iter().any(f);
            let off = is(&|x| matches!(x, Trouble::Off(from) if h >= *from));
            let stands = is(&|x| matches!(x, Trouble::Stands(a, b) if (*a..*b).contains(&h)));
            let lit = place.0 < programme.steps().len() && !off;
            if lit && !stands {
                let step = programme.steps()[place.0];
                let to = step.to_c.unwrap_or(555.0);
                let way = step.ramp_k_h.unwrap_or(180.0) / 3600.0 * step_s;
                if (to - set_c).abs() > way {
                    set_c += way * (to - set_c).signum();
                } else {
                    set_c = to;
                    place.1 += step_s;
                    if step.hold_min.is_some_and(|min| place.1 > 60.0 * min) {
                        place = (place.0 + 1, 0.0);
                    }
                }
            }
            let most = 22.0 / 60.0 * step_s;
            let loss = (wall_c - 20.0) / (3.0 * 3600.0) * step_s;
            let wanted = (set_c - wall_c + loss).clamp(0.0, most);
            let heat = if is(&|x| matches!(x, Trouble::FullHeat(from) if h >= *from)) {
                // Full heat at a kiln's size: some 8 K a minute net.
                8.0 / 60.0 * step_s + loss
            } else if !lit || is(&|x| matches!(x, Trouble::NoHeat(from) if h >= *from)) {
                0.0
            } else {
                wanted
            };
            wall_c += heat - loss;
            if t >= next_s {
                next_s += self.every_s;
                noise = noise
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1);
                let grain = ((noise >> 40) as f64 / f64::from(1 << 24) - 0.5) * 1.2;
                let ripple = 1.5 * (t / 41.0).sin() + 0.8 * (t / 170.0).sin();
                let dips: f64 = self
                    .troubles
                    .iter()
                    .filter_map(|x| match x {
                        Trouble::Door(from, long) if t > from * 3600.0 => {
                            let since = t - from * 3600.0;
                            let share = 0.16 * (wall_c - 20.0);
                            let back = (-(since - long).max(0.0) / 110.0).exp();
                            Some(share * (since / 20.0).min(1.0) * back)
                        }
                        _ => None,
                    })
                    .sum();
                let read = self.troubles.iter().find_map(|x| match x {
                    Trouble::Reads(a, b, c) if (*a..*b).contains(&h) => Some(*c),
                    _ => None,
                });
                if !is(&|x| matches!(x, Trouble::Silence(a, b) if (*a..*b).contains(&h))) {
                    samples.push(Sample {
                        time: at(h),
                        channel: Channel::KilnTemperature(0),
                        value: read.unwrap_or(wall_c + ripple + grain - dips),
                        quality: Quality::Good,
                    });
                }
            }
            t += step_s;
        }
        samples
    }

    pub fn followed(&self, programme: Option<Programme>) -> Vec<Event> {
        follow(&self.samples(), programme)
    }
}

pub(super) fn follow(samples: &[Sample], programme: Option<Programme>) -> Vec<Event> {
    let mut follower = Follower::new(Setup {
        programme,
        ..Setup::of("kiln-1")
    });
    let mut events = Vec::new();
    for sample in samples {
        events.append(&mut follower.push(sample));
    }
    events.append(&mut follower.finish());
    events
}

pub(super) fn faults(events: &[Event]) -> Vec<FaultRow> {
    events
        .iter()
        .filter_map(|e| match e {
            Event::Fault(fault) => Some(*fault),
            _ => None,
        })
        .collect()
}

pub(super) fn kinds(events: &[Event]) -> Vec<FaultKind> {
    faults(events).iter().map(|f| f.kind).collect()
}
