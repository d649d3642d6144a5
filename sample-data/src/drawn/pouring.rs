//! What the caster does with one flask in a drawn session: charge, melt, stir, bring to
//! temperature, pull, pour, clear. Times and sizes are common practice.

use super::Trouble;
use super::day::{Day, SetPoint};
use super::plan::{Approach, FlaskDraw, HeaterAfter, OutWhen, Try};
use super::truth::{DrawnFlask, DrawnPour, DrawnPull, Worth};
use crate::chamber::{PumpDown, Seating};

/// Nobody waits longer than this for a melt, s.
const MELTED_BY_S: f64 = 3000.0;
/// … nor longer than this for it to come to its aim.
const READY_BY_S: f64 = 500.0;

impl Day<'_> {
    /// One flask from its metal to its clearing away.
    pub(super) fn cast(&mut self, index: u32, flask: &FlaskDraw) {
        self.flasks.push(DrawnFlask {
            diameter_mm: flask.diameter_mm,
            height_mm: flask.height_mm,
            metal_kg: flask.metal_kg,
        });
        self.full_kg = flask.metal_kg;
        self.set_point = SetPoint::At(Day::waiting_c(flask));
        self.charge(flask);
        self.melt(flask);
        if flask.has(Trouble::VacuumTooEarly) {
            self.wait_until(600.0, |day| {
                day.reads_c() >= flask.aim_c - flask.early_below_k
            });
        }
        let (last, called_off) = match flask.tries.split_last() {
            Some((last, before)) => (*last, before),
            None => return,
        };
        for the_try in called_off {
            self.call_off(index, flask, the_try);
        }
        if flask.has(Trouble::VacuumTooEarly) {
            self.open_kiln();
            self.open_valve(index, flask, &last);
            self.approach(flask, 0.0);
        } else {
            let carry_s = self.chance.between(15.0, 45.0);
            self.approach(flask, flask.lead_s + carry_s);
            self.open_kiln();
            self.wait(carry_s);
            self.open_valve(index, flask, &last);
            self.wait(flask.lead_s);
        }
        if flask.has(Trouble::StirredInPull) {
            let wait_s = self.chance.between(2.0, 10.0);
            self.wait(wait_s);
            self.stir();
            // Let it come back before the lift.
            let rest_s = self.chance.between(28.0, 60.0);
            self.wait(rest_s);
        }
        self.pour(index, flask);
        self.clear(flask);
    }

    /// Cold metal, in one go or several.
    fn charge(&mut self, flask: &FlaskDraw) {
        let goes = f64::from(flask.goes);
        for go in 0..flask.goes {
            if go > 0 {
                // Until there is room: what is in has begun to sink together.
                let seconds = self.chance.between(25.0, 150.0);
                self.wait(seconds);
                self.wait_until(1500.0, |day| day.furnace.crucible_c > 700.0);
            }
            self.furnace.charge(flask.metal_kg / goes);
            let (kelvin, fade_s) = (
                self.chance.between(5.0, 60.0) / goes,
                self.chance.between(20.0, 60.0),
            );
            // What lies against a rod has the rod's own heat to take, hot or cold.
            if self.probe.junction_c > 400.0 {
                self.probe.touch(kelvin, fade_s);
            }
        }
        if flask.bridge_k != 0.0 {
            self.probe.bridge(flask.bridge_k);
        }
        if flask.out == Some(OutWhen::BeforeMolten) {
            let seconds = self.chance.between(10.0, 60.0);
            self.wait(seconds);
            self.take_probe_out();
        }
    }

    fn melt(&mut self, flask: &FlaskDraw) {
        let liquidus_c = self.bench.heat.liquidus_c;
        self.wait_until(MELTED_BY_S, |day| day.furnace.metal_c() > liquidus_c + 3.0);
        if flask.bridge_k != 0.0 {
            let seconds = self.chance.between(5.0, 60.0);
            self.wait(seconds);
        }
        if flask.bridge_k != 0.0 || flask.skims {
            self.stir();
            self.wait(40.0);
        }
    }

    fn stir(&mut self) {
        let kelvin = self.chance.between(5.0, 15.0);
        let seconds = self.chance.between(10.0, 20.0);
        self.probe.stir(kelvin, seconds);
        self.wait(seconds);
    }

    /// Brings the melt to where it will be right in `ahead_s` seconds.
    fn approach(&mut self, flask: &FlaskDraw, ahead_s: f64) {
        let aim_c = flask.aim_c;
        match flask.approach {
            Approach::Climb(k_s) => {
                self.wait_until(READY_BY_S, |day| day.reads_c() >= aim_c - 25.0);
                // Never further ahead than where it waits.
                let from_c = (aim_c - k_s * ahead_s).min(aim_c - 5.0);
                let now_c = self.reads_c();
                self.set_point = SetPoint::Ramp {
                    from_c: now_c,
                    since_s: self.t,
                    k_s,
                };
                self.wait_until(READY_BY_S, |day| day.reads_c() >= from_c);
            }
            Approach::Hold(seconds) => {
                self.set_point = SetPoint::At(aim_c);
                self.wait_until(READY_BY_S, |day| (day.reads_c() - aim_c).abs() < 3.0);
                self.wait(seconds);
            }
            Approach::Down { over_k, fall_k_s } => {
                self.set_point = SetPoint::At(aim_c + over_k);
                self.wait_until(READY_BY_S, |day| day.reads_c() >= aim_c + over_k - 4.0);
                let now_c = self.reads_c();
                self.set_point = SetPoint::Ramp {
                    from_c: now_c,
                    since_s: self.t,
                    k_s: -fall_k_s,
                };
                let until_c = (aim_c + fall_k_s * ahead_s).min(aim_c + over_k - 6.0);
                self.wait_until(READY_BY_S, |day| day.reads_c() <= until_c);
            }
        }
    }

    fn open_valve(&mut self, index: u32, flask: &FlaskDraw, the_try: &Try) {
        if self.chamber.open.is_some() || self.vent_at_s.is_some() {
            self.hold = None;
            self.shut_valve();
            self.vent_at_s = None;
            self.chamber.held_kpa_min = None;
            let seconds = self.chance.between(15.0, 30.0);
            self.wait(seconds);
        }
        let air_kpa = self.bench.ambient_kpa;
        let end_kpa = the_try.end_share * air_kpa;
        let usual_kpa = flask.usual_share * air_kpa;
        self.chamber.open = Some(PumpDown {
            tau_s: the_try.tau_s,
            end_kpa,
        });
        self.hissing = the_try.seating == Seating::Unseated;
        let now = self.now();
        self.pulls.push(DrawnPull {
            opened_at: now,
            closed_at: now,
            flask: index,
            seating: the_try.seating,
            worth: Worth::of(end_kpa, usual_kpa),
            end_kpa,
            usual_kpa,
            tau_s: the_try.tau_s,
            loss_kpa_min: None,
            poured_at: None,
            seal_age_pours: self.poured_before,
        });
    }

    /// A pull that is given up: the flask is taken off and seated anew.
    fn call_off(&mut self, index: u32, flask: &FlaskDraw, the_try: &Try) {
        self.open_kiln();
        let carry_s = self.chance.between(15.0, 45.0);
        self.wait(carry_s);
        self.open_valve(index, flask, the_try);
        self.wait(the_try.called_off_after_s.unwrap_or(10.0));
        if flask.out == Some(OutWhen::InCalledOffPull) {
            self.take_probe_out();
        }
        self.hold = None;
        self.shut_valve();
        let reseat_s = self.chance.between(35.0, 70.0);
        self.wait(reseat_s);
    }

    fn pour(&mut self, index: u32, flask: &FlaskDraw) {
        let mut troubles = self.bench.troubles.clone();
        // The first flask still has the probe of the days before.
        if index == 0 {
            troubles.remove(&Trouble::ProbeSwapped);
        }
        troubles.extend(flask.troubles.iter().copied());
        let seen = self
            .probe
            .sees_c(&self.furnace, &self.bench.heat, self.full_kg);
        let now = self.now();
        self.pours.push(DrawnPour {
            at: now,
            flask: index,
            probe_c: self.reads_c(),
            lag_free_c: seen + self.probe.offset_k,
            metal_c: self.furnace.metal_c(),
            // Known once it is known which readings arrive.
            gap_s: 0.0,
            clean_c: Vec::new(),
            chill_k: flask.chill_k,
            troubles,
        });
        if let Some(pull) = self.pulls.last_mut() {
            pull.poured_at = Some(now);
        }
        self.probe
            .metal_leaves(flask.chill_k, flask.flow_s, flask.fade_s);
        if flask.chill_k > 0.0 {
            // The controller's own probe is in the same rod.
            self.furnace.chill_k += flask.chill_k;
        }
        self.lifted_until_s = self.t + flask.flow_s;
        self.drain_kg_s = flask.metal_kg / flask.flow_s * 1.02;
        self.poured_before += 1;
        match flask.after {
            HeaterAfter::Lowered => self.set_point = SetPoint::At(Day::waiting_c(flask)),
            HeaterAfter::Off => self.set_point = SetPoint::Off,
            HeaterAfter::Kept => self.set_point = SetPoint::At(self.reads_c()),
        }
        self.wait(flask.flow_s);
        self.furnace.drain(f64::INFINITY);
        // Metal seals the sprue, and less air comes through the investment.
        let gain = self.chance.between(0.015, 0.045) * self.bench.ambient_kpa;
        if let Some(pull) = &mut self.chamber.open
            && pull.end_kpa > 0.3 * self.bench.ambient_kpa
        {
            pull.end_kpa = (pull.end_kpa + gain).min(0.97 * self.bench.ambient_kpa);
        }
    }

    fn clear(&mut self, flask: &FlaskDraw) {
        if flask.out == Some(OutWhen::AfterPour) {
            let seconds = self.chance.between(12.0, 90.0);
            self.wait(seconds);
            self.take_probe_out();
        }
        match flask.left_on_s {
            Some(seconds) => {
                self.shut_at_s = Some(self.t + seconds);
                let cleared_s = self.chance.between(60.0, 200.0);
                self.wait(cleared_s);
            }
            None => {
                self.wait(flask.hold_s);
                self.hold = flask.held;
                self.shut_valve();
            }
        }
        self.set_point = SetPoint::At(Day::waiting_c(flask));
        let clearing_s = self.chance.between(40.0, 80.0);
        self.wait(clearing_s);
        if self.bench.has(Trouble::ProbeSwapped) {
            self.swap_probe();
        }
    }

    /// The rod comes out: hundreds of kelvin, at once or within seconds, and back.
    fn take_probe_out(&mut self) {
        let gas_c = self.chance.between(60.0, 600.0);
        let tau_s = if self.chance.chance(0.5) {
            0.01
        } else {
            self.chance.between(0.5, 6.0)
        };
        self.probe.take_out(gas_c, tau_s);
        let out_s = self.chance.between(15.0, 90.0);
        self.wait(out_s);
        self.probe.put_back();
        let settle_s = self.chance.between(50.0, 90.0);
        self.wait(settle_s);
    }

    /// Unplugged: the electronics show room temperature, nothing or their full scale; then
    /// another couple, with an offset of its own (±2–8 K apart is common).
    fn swap_probe(&mut self) {
        let room_c = self.bench.room_c;
        let shows_c = *self.chance.pick(&[room_c, 0.0, 1372.0]);
        self.probe.take_out(shows_c, 0.01);
        let out_s = self.chance.between(20.0, 150.0);
        self.wait(out_s);
        let apart = self.chance.between(2.0, 8.0);
        let more = self.chance.chance(0.5);
        self.probe.offset_k += if more { apart } else { -apart };
        if self.chance.chance(0.7) {
            self.probe.junction_c = room_c;
        } else {
            self.probe.junction_c = self.furnace.crucible_c;
        }
        self.probe.put_back();
        let settle_s = self.chance.between(40.0, 80.0);
        self.wait(settle_s);
    }
}
