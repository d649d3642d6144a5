//! A plan turned into what the sensors said, what the people wrote down and what really
//! happened.
//!
//! The bench is stepped at a tenth of a second through the caster's day: warm up, charge, melt,
//! take a flask from the kiln, pull, pour, hold, vent, again; then off and cold. Readings carry
//! noise, resolution and a few milliseconds of jitter of their sender's clock.

use analysis::channel::Channel;
use analysis::sample::{Quality, Sample};
use analysis::time::Micros;
use serde::{Deserialize, Serialize};

use crate::chamber::{Chamber, PumpDown, Seating};
use crate::defects::{Settings, odds};
use crate::dice::Dice;
use crate::furnace::Furnace;
use crate::gas::Supply;
use crate::kiln::{Burnout, Opening, cooled_k};
use crate::paper::write_down;
use crate::plan::{FlaskPlan, SessionPlan};
use crate::records::{FlaskCard, Inspection};
use crate::shop::{coefficients_of, heat_of};
use crate::troubles::Troubles;
use crate::truth::{PourTruth, PullTruth, Truth};

/// Step of the physics, s.
const DT: f64 = 0.1;
/// How fast the set point climbs towards the pour, K/s (3–12 K/min is common practice).
const CLIMB: f64 = 0.08;
/// How far below the next pour the furnace waits, K.
const WAIT_BELOW: f64 = 45.0;
/// Below this share of the usual flow the cover gas counts as lost.
const GAS_LOST_L_MIN: f64 = 1.0;

/// What a reading belongs to; names are the plan's.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PlaceKind {
    /// The casting machine.
    Machine,
    /// The kiln.
    Kiln,
    /// The shop.
    Shop,
}

/// One reading as its sensor sends it, in the canonical unit of its channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SensedReading {
    /// Where the sensor sits.
    pub place: PlaceKind,
    /// What it reads.
    pub channel: Channel,
    /// When, by the sender's clock, to the millisecond.
    pub time: Micros,
    /// The value.
    pub value: f64,
}

/// A session as simulated.
#[derive(Clone, Debug, PartialEq)]
pub struct SimulatedSession {
    /// The readings in order of delivery: the kiln's night first, then the session.
    pub samples: Vec<SensedReading>,
    /// The kiln's readings after the session, until it is cold.
    pub kiln_after: Vec<SensedReading>,
    /// What really happened.
    pub truth: Truth,
    /// The flask cards.
    pub cards: Vec<FlaskCard>,
    /// The inspections; flasks that nobody counted have none.
    pub inspections: Vec<Inspection>,
}

impl SimulatedSession {
    /// The readings as a published trace has them: by channel, then in the total order, each
    /// delivered repeat once.
    pub fn trace(&self) -> Vec<Sample> {
        let mut samples: Vec<Sample> = self
            .samples
            .iter()
            .map(|r| Sample {
                time: r.time,
                channel: r.channel,
                value: r.value,
                quality: Quality::Good,
            })
            .collect();
        samples.sort_by(|a, b| a.channel.cmp(&b.channel).then(a.total_cmp(b)));
        samples.dedup();
        samples
    }
}

/// Simulates one session. `rate_hz` is the rate of melt, vacuum and gas readings, at most 10;
/// the kiln is read every 30 s overnight and every 5 s from power-on. The same arguments give
/// the same result.
pub fn simulate(plan: &SessionPlan, rate_hz: f64, troubles: &Troubles) -> SimulatedSession {
    let mut bench = Bench::new(plan, rate_hz.clamp(0.01, 1.0 / DT), *troubles);
    bench.night();
    bench.day();
    bench.into_session()
}

/// What the caster is doing.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Doing {
    /// Melting, waiting for the temperature.
    Heating,
    /// Flask out of the kiln, on its way to the chamber.
    Carrying { pull_at: f64 },
    /// Vacuum on, not sealed: about to be called off.
    Doubting { until: f64 },
    /// Vacuum off again, reseating.
    Reseating { until: f64 },
    /// Vacuum on, about to pour.
    Pulling { pour_at: f64 },
    /// Stopper lifted.
    Pouring { until: f64 },
    /// Vacuum held on the poured flask.
    Holding { until: f64 },
    /// Flask out, next metal to hand.
    Clearing { charge_at: f64 },
    /// Second half of the charge to come.
    Charging { at: f64 },
    /// Furnace off.
    Cooling,
}

struct Bench<'a> {
    plan: &'a SessionPlan,
    troubles: Troubles,
    period_s: f64,
    noise: Dice,
    chance: Dice,
    furnace: Furnace,
    chamber: Chamber,
    supply: Supply,
    burnout: Burnout,
    /// Start of the burnout, s from power-on (below zero).
    kiln_start_s: f64,
    t: f64,
    doing: Doing,
    /// Index of the flask at work.
    flask: usize,
    /// How far the day runs behind its plan, s.
    behind_s: f64,
    out_of_kiln_s: f64,
    retried: bool,
    opened_s: f64,
    flow_l_min: f64,
    next_reading_s: f64,
    next_kiln_s: f64,
    next_slow_s: f64,
    next_state_s: f64,
    /// Last state sent of valve, stopper, kiln door.
    states: [Option<bool>; 3],
    door_open_until_s: f64,
    warm_up_min: f64,
    readings: Vec<SensedReading>,
    pours: Vec<PourTruth>,
    pulls: Vec<PullTruth>,
    kiln_out: Vec<Micros>,
    skimmed: bool,
}

impl<'a> Bench<'a> {
    fn new(plan: &'a SessionPlan, rate_hz: f64, troubles: Troubles) -> Self {
        let first_pour = plan.flasks.first().map_or(2800.0, |f| f.pour_s);
        let mut furnace = Furnace::cold(heat_of(&plan.alloy), plan.room_c);
        if let Some(flask) = plan.flasks.first() {
            furnace.charge(flask.metal_g / 1000.0);
        }
        Bench {
            plan,
            troubles,
            period_s: 1.0 / rate_hz,
            noise: Dice::new(plan.seed, 1),
            chance: Dice::new(plan.seed, 2),
            furnace,
            chamber: Chamber::vented(),
            supply: Supply::new(plan.cylinder_l, plan.gas_droop),
            burnout: Burnout::new(plan.room_c, plan.soak_c),
            // A soak of two hours and a little before the first pour.
            kiln_start_s: first_pour - 2.2 * 3600.0 - Burnout::UNTIL_SOAK_S,
            t: 0.0,
            doing: Doing::Heating,
            flask: 0,
            behind_s: 0.0,
            out_of_kiln_s: 0.0,
            retried: false,
            opened_s: 0.0,
            flow_l_min: 0.0,
            next_reading_s: 0.0,
            next_kiln_s: 0.0,
            next_slow_s: 0.0,
            next_state_s: 0.0,
            states: [None; 3],
            door_open_until_s: f64::NEG_INFINITY,
            warm_up_min: 0.0,
            readings: Vec::new(),
            pours: Vec::new(),
            pulls: Vec::new(),
            kiln_out: Vec::new(),
            skimmed: false,
        }
    }

    fn flask(&self) -> &'a FlaskPlan {
        // Every doing but cooling has a flask; cooling begins when they run out.
        &self.plan.flasks[self.flask.min(self.plan.flasks.len() - 1)]
    }

    fn when(&self, t: f64) -> Micros {
        self.plan.starts.plus_seconds(t)
    }

    fn ambient_kpa(&self) -> f64 {
        self.plan.barometer_kpa + self.plan.barometer_kpa_h * self.t / 3600.0
    }

    /// The kiln overnight, alone.
    fn night(&mut self) {
        let mut t = self.kiln_start_s;
        while t < 0.0 {
            self.read_kiln(t);
            t += 30.0;
        }
    }

    fn day(&mut self) {
        if self.plan.flasks.is_empty() {
            return;
        }
        // The longest day is six flasks and a cooling: well under eight hours.
        while self.t < 8.0 * 3600.0 {
            self.work();
            self.furnace.step(DT);
            self.chamber.step(DT);
            self.supply.set_l_min = self.gas_wanted();
            self.flow_l_min = self.supply.step(DT);
            if self.warm_up_min == 0.0 && self.furnace.probe_c > 850.0 {
                self.warm_up_min = self.t / 60.0;
            }
            self.read();
            self.t += DT;
            if self.doing == Doing::Cooling && self.furnace.probe_c < 92.0 {
                break;
            }
        }
    }

    /// Purge at 10 L/min for three minutes, then cover until the graphite is below 450 °C.
    fn gas_wanted(&self) -> f64 {
        if self.t < 60.0 {
            0.0
        } else if self.t < 240.0 {
            10.0
        } else if self.doing == Doing::Cooling && self.furnace.probe_c < 450.0 {
            0.0
        } else {
            self.plan.gas_set_l_min
        }
    }

    /// When this flask should pour now that the day runs as it does.
    fn due_s(&self) -> f64 {
        self.flask().pour_s + self.behind_s
    }

    fn follow_climb(&mut self) {
        let left = (self.due_s() - 20.0 - self.t).max(0.0);
        let below = (CLIMB * left).min(WAIT_BELOW);
        self.furnace.set_point_c = Some(self.flask().aimed_c + 2.0 - below);
    }

    fn work(&mut self) {
        let flask = self.flask();
        match self.doing {
            Doing::Heating => {
                self.follow_climb();
                if flask.skims && !self.skimmed && self.t > self.due_s() - 190.0 {
                    self.skimmed = true;
                    self.furnace.chill_k += self.chance.between(5.0, 15.0);
                }
                let warm = self.furnace.probe_c >= flask.aimed_c - CLIMB * flask.transfer_s
                    && self.furnace.metal_c() > heat_of(&self.plan.alloy).liquidus_c
                    && self.furnace.chill_k < 1.0;
                let soon = self.t >= self.due_s() - flask.transfer_s - 60.0;
                if (warm && soon) || self.t > self.due_s() + 300.0 {
                    self.take_flask_out();
                }
            }
            Doing::Carrying { pull_at } => {
                self.follow_climb();
                if self.t >= pull_at {
                    self.open_valve();
                }
            }
            Doing::Doubting { until } => {
                if self.t >= until {
                    self.close_valve(false);
                    self.doing = Doing::Reseating {
                        until: self.t + self.chance.between(40.0, 70.0),
                    };
                }
            }
            Doing::Reseating { until } => {
                if self.t >= until {
                    self.retried = true;
                    self.open_valve();
                }
            }
            Doing::Pulling { pour_at } => {
                self.follow_climb();
                if self.t >= pour_at {
                    self.pour();
                }
            }
            Doing::Pouring { until } => {
                self.furnace
                    .drain(flask.metal_g / 1000.0 / flask.flow_s * DT * 1.02);
                if self.t >= until {
                    self.furnace.drain(f64::INFINITY);
                    if let Some(pull) = &mut self.chamber.open {
                        pull.end_kpa += flask.sealed_gain * self.plan.barometer_kpa;
                    }
                    self.doing = Doing::Holding {
                        until: self.t + flask.hold_s,
                    };
                }
            }
            Doing::Holding { until } => {
                if self.t >= until {
                    self.close_valve(true);
                    self.next_flask();
                }
            }
            Doing::Clearing { charge_at } => {
                if self.t >= charge_at {
                    let share = if flask.second_charge_s.is_some() {
                        0.6
                    } else {
                        1.0
                    };
                    self.furnace.charge(flask.metal_g / 1000.0 * share);
                    self.doing = match flask.second_charge_s {
                        Some(wait) => Doing::Charging { at: self.t + wait },
                        None => Doing::Heating,
                    };
                }
            }
            Doing::Charging { at } => {
                self.follow_climb();
                if self.t >= at {
                    self.furnace.charge(flask.metal_g / 1000.0 * 0.4);
                    self.doing = Doing::Heating;
                }
            }
            Doing::Cooling => {}
        }
    }

    fn take_flask_out(&mut self) {
        let flask = self.flask();
        self.out_of_kiln_s = self.t;
        let for_s = self.chance.between(10.0, 30.0);
        self.burnout.openings.push(Opening {
            at_s: self.t - self.kiln_start_s,
            for_s,
            dip_k: self.chance.between(40.0, 120.0),
        });
        self.door_open_until_s = self.t + for_s;
        self.kiln_out.push(self.when(self.t));
        self.retried = false;
        self.doing = Doing::Carrying {
            pull_at: self.t + flask.transfer_s - flask.vacuum_lead_s,
        };
    }

    fn open_valve(&mut self) {
        let flask = self.flask();
        self.opened_s = self.t;
        let called_off = !self.retried
            && (flask.seating == Seating::Unseated || self.chance.chance(self.troubles.called_off));
        let pull = if called_off {
            PumpDown {
                tau_s: 2.0,
                end_kpa: flask.unseated_share * self.ambient_kpa(),
            }
        } else {
            PumpDown {
                tau_s: flask.tau_s,
                end_kpa: flask.end_share * self.ambient_kpa(),
            }
        };
        self.chamber.open = Some(pull);
        self.pulls.push(PullTruth {
            opened_at: self.when(self.t),
            closed_at: self.when(self.t),
            flask: self.flask as u32,
            seating: match (called_off, flask.seating) {
                (true, _) => Seating::Unseated,
                (false, Seating::Unseated) => Seating::Good,
                (false, other) => other,
            },
            tau_s: pull.tau_s,
            end_kpa: pull.end_kpa,
            poured: false,
        });
        self.doing = if called_off {
            Doing::Doubting {
                until: self.t + self.chance.between(8.0, 14.0),
            }
        } else {
            Doing::Pulling {
                pour_at: self.t + flask.vacuum_lead_s,
            }
        };
    }

    fn close_valve(&mut self, poured: bool) {
        self.chamber.open = None;
        let closed_at = self.when(self.t);
        if let Some(pull) = self.pulls.last_mut() {
            pull.closed_at = closed_at;
            pull.poured = poured;
        }
    }

    fn pour(&mut self) {
        let flask = self.flask();
        let transfer_s = self.t - self.out_of_kiln_s;
        let kiln_c = self.burnout.flask_c(self.out_of_kiln_s - self.kiln_start_s) + flask.shelf_k;
        let ambient = self.ambient_kpa();
        let seal_age_pours = self.plan.seal_age_pours + self.flask as u32;
        let settings = Settings {
            pour_c: self.furnace.metal_c(),
            flask_c: kiln_c - cooled_k(kiln_c, transfer_s),
            share: self.chamber.depth_kpa / ambient,
            seal_age_pours,
            remelt_percent: flask.remelt_percent,
            gas_lost: self.flow_l_min < GAS_LOST_L_MIN,
            effect: self.plan.effect + flask.effect,
        };
        self.pours.push(PourTruth {
            at: self.when(self.t),
            flask: self.flask as u32,
            label: flask.label.clone(),
            section: flask.section.clone(),
            pour_temperature_c: settings.pour_c,
            flask_temperature_c: settings.flask_c,
            vacuum_kpa: self.chamber.depth_kpa,
            vacuum_share: settings.share,
            gas_flow_l_min: self.flow_l_min,
            seal_age_pours,
            transfer_s,
            vacuum_lead_s: self.t - self.opened_s,
            odds: odds(coefficients_of(&self.plan.alloy, &flask.section), &settings),
            effect: flask.effect,
        });
        self.furnace.chill_k += flask.chill_k;
        self.behind_s = self.t - flask.pour_s;
        let next = self.plan.flasks.get(self.flask + 1);
        self.furnace.set_point_c = next.map(|f| f.aimed_c - WAIT_BELOW);
        self.doing = Doing::Pouring {
            until: self.t + flask.flow_s,
        };
    }

    fn next_flask(&mut self) {
        self.flask += 1;
        self.skimmed = false;
        if self.flask < self.plan.flasks.len() {
            self.doing = Doing::Clearing {
                charge_at: self.t + self.chance.between(40.0, 80.0),
            };
            return;
        }
        self.doing = Doing::Cooling;
        self.furnace.set_point_c = None;
        // The kiln is empty and switched off.
        let off = self.t - self.kiln_start_s;
        self.burnout.corners.pop();
        self.burnout.corners.push((off, self.plan.soak_c));
        self.burnout
            .corners
            .push((off + 7.0 * 3600.0, self.plan.room_c + 40.0));
    }

    fn send(&mut self, place: PlaceKind, channel: Channel, t: f64, value: f64) {
        let jitter = self.noise.normal(0.0, 0.004);
        let time = self.plan.starts.plus_seconds(t + jitter);
        self.readings.push(SensedReading {
            place,
            channel,
            // Senders stamp to the millisecond.
            time: Micros((time.0 as f64 / 1000.0).round() as i64 * 1000),
            value,
        });
    }

    fn read(&mut self) {
        let fittings = self.plan.fittings;
        if self.t >= self.next_reading_s {
            self.next_reading_s += self.period_s;
            let offset = self.plan.probe_offset_k
                + self.troubles.probe_offset_k
                + self.troubles.probe_drift_k_h * self.t / 3600.0;
            let melt = self.furnace.probe_c + offset + self.noise.normal(0.0, 0.5);
            self.send(
                PlaceKind::Machine,
                Channel::MeltTemperature,
                self.t,
                to_step(melt, 10.0),
            );
            // An unsealed flask hisses.
            let unsteady = if matches!(self.doing, Doing::Doubting { .. }) {
                1.2
            } else {
                0.12
            };
            let vacuum = self.chamber.depth_kpa + self.noise.normal(0.0, unsteady);
            self.send(
                PlaceKind::Machine,
                Channel::Vacuum,
                self.t,
                to_step(vacuum, 10.0),
            );
            let gas = self.flow_l_min * (1.0 + self.noise.normal(0.0, 0.015));
            self.send(
                PlaceKind::Machine,
                Channel::GasFlow,
                self.t,
                to_step(gas, 100.0),
            );
        }
        if self.t >= self.next_kiln_s {
            self.next_kiln_s += 5.0;
            self.read_kiln(self.t);
        }
        if self.t >= self.next_slow_s {
            self.next_slow_s += 30.0;
            if fittings.barometer {
                let ambient = self.ambient_kpa() + self.noise.normal(0.0, 0.005);
                self.send(
                    PlaceKind::Shop,
                    Channel::Barometer,
                    self.t,
                    to_step(ambient, 100.0),
                );
            }
            if fittings.gas_pressure {
                let pressure = self.supply.pressure_kpa() + self.noise.normal(0.0, 20.0);
                self.send(
                    PlaceKind::Machine,
                    Channel::GasPressure,
                    self.t,
                    to_step(pressure.max(0.0), 0.1),
                );
            }
        }
        self.read_switches();
    }

    /// Switches speak when they change, and every minute so that silence means something.
    fn read_switches(&mut self) {
        let fittings = self.plan.fittings;
        let minute = self.t >= self.next_state_s;
        if minute {
            self.next_state_s += 60.0;
        }
        let switches = [
            (
                fittings.vacuum_valve,
                PlaceKind::Machine,
                Channel::VacuumValve,
                self.chamber.open.is_some(),
            ),
            (
                fittings.stopper,
                PlaceKind::Machine,
                Channel::Stopper,
                matches!(self.doing, Doing::Pouring { .. }),
            ),
            (
                fittings.kiln_door,
                PlaceKind::Kiln,
                Channel::KilnDoor(0),
                self.t < self.door_open_until_s,
            ),
        ];
        for (i, (fitted, place, channel, on)) in switches.into_iter().enumerate() {
            if fitted && (minute || self.states[i] != Some(on)) {
                self.states[i] = Some(on);
                self.send(place, channel, self.t, f64::from(u8::from(on)));
            }
        }
    }

    fn read_kiln(&mut self, t: f64) {
        let air = self.burnout.air_c(t - self.kiln_start_s) + self.noise.normal(0.0, 0.4);
        self.send(
            PlaceKind::Kiln,
            Channel::KilnTemperature(0),
            t,
            to_step(air, 10.0),
        );
    }

    /// The kiln switched off and left alone, from the end of the day until it is cold.
    fn evening(&mut self) -> Vec<SensedReading> {
        const EVERY_S: f64 = 120.0;
        if self.doing != Doing::Cooling {
            return Vec::new();
        }
        let begins = self.readings.len();
        let cold_s = self.burnout.corners.last().map_or(0.0, |corner| corner.0);
        let mut t = self.t + EVERY_S;
        while t < self.kiln_start_s + cold_s + 1800.0 {
            self.read_kiln(t);
            t += EVERY_S;
        }
        self.readings.split_off(begins)
    }

    fn into_session(mut self) -> SimulatedSession {
        let (cards, inspections) = write_down(
            self.plan,
            &self.pours,
            self.when(self.kiln_start_s),
            &self.kiln_out,
        );
        let kiln_after = self.evening();
        let mut samples = std::mem::take(&mut self.readings);
        samples.sort_by_key(|r| (r.time, r.channel));
        self.troubles
            .apply(&mut samples, &mut Dice::new(self.plan.seed, 3));
        SimulatedSession {
            truth: Truth {
                session: self.plan.index,
                starts: self.plan.starts,
                ends: self.when(self.t),
                effect: self.plan.effect,
                probe_offset_k: self.plan.probe_offset_k + self.troubles.probe_offset_k,
                warm_up_min: self.warm_up_min,
                pours: self.pours,
                pulls: self.pulls,
            },
            samples,
            kiln_after,
            cards,
            inspections,
        }
    }
}

/// To a sensor's resolution of 1/`per_unit`.
fn to_step(value: f64, per_unit: f64) -> f64 {
    // Adding zero turns −0 into 0, which is how a sensor writes it.
    (value * per_unit).round() / per_unit + 0.0
}
