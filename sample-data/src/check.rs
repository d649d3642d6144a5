//! Probe checks drawn at random: a crucible of fine silver or of the eutectic is melted under
//! cover gas and left to freeze with the probe in it. The truth is what the probe reads too
//! much; nothing here knows how a freeze is found.
//!
//! What is drawn, each from its own range: how much metal and how impure, how far it undercools,
//! how fast the caster lets it cool, how much of the metal the probe sees and how late, its
//! noise, resolution and rate.

use analysis::channel::Channel;
use analysis::probe::Metal;
use analysis::sample::{Quality, Sample};
use analysis::time::Micros;

use crate::dice::Dice;
use crate::furnace::{Furnace, Heat};

/// Step of the physics, s.
const DT: f64 = 0.1;
/// The melt is held so long before the heater is turned down, s.
const HELD_S: f64 = 240.0;
/// It is left alone until it has cooled this far below its freezing point, K, …
const UNTIL_BELOW_K: f64 = 60.0;
/// … or for so long, s.
const LONGEST_S: f64 = 3600.0;
/// Metal that is melted again in place warms by so much before it melts, K/min.
const WARMS_K_MIN: f64 = 10.0;

/// How the metals of probe checks take up heat. Silver: 104.8 kJ/kg of melting, 0.31 kJ/(kg·K)
/// liquid, a mean of 0.27 solid (handbooks, from memory). The eutectic: by weight from silver
/// and copper (204.8 kJ/kg), 133 kJ/kg.
pub fn check_heat(metal: Metal) -> Heat {
    let (melting, solid, liquid) = match metal {
        Metal::FineSilver => (104.8, 0.27, 0.31),
        Metal::SilverCopperEutectic => (133.0, 0.30, 0.36),
    };
    Heat {
        solidus_c: metal.freezes_c(),
        liquidus_c: metal.freezes_c(),
        solid,
        melting,
        at_once: 1.0,
        liquid,
    }
}

/// How a check is made.
#[derive(Clone, Debug, PartialEq)]
pub struct CheckDraw {
    /// What freezes.
    pub metal: Metal,
    /// How much of it, kg.
    pub kg: f64,
    /// How far traces lower its freezing point, K.
    pub impure_k: f64,
    /// How far it cools below that before it begins to freeze, K.
    pub undercools_k: f64,
    /// How fast the melt cools before, K/min.
    pub cools_k_min: f64,
    /// Share of metal in what the probe sees; the rest is crucible.
    pub metal_share: f64,
    /// First-order lag of the probe, s.
    pub lag_s: f64,
    /// What it reads too much, K: the truth.
    pub offset_k: f64,
    /// Readings a second.
    pub rate_hz: f64,
    /// Standard deviation of a reading, K.
    pub noise_k: f64,
    /// Resolution, K.
    pub step_k: f64,
    /// Frozen, it is melted again in place.
    pub remelts: bool,
    /// What freezes takes up heat so, and not as the metal of a check does: no check at all.
    pub other: Option<Heat>,
}

impl CheckDraw {
    /// How what freezes takes up heat.
    pub fn heat(&self) -> Heat {
        self.other.unwrap_or_else(|| check_heat(self.metal))
    }

    /// Draws one. Ranges are common practice where trade figures exist: probes immersed in the
    /// melt (in a sheath), readings at 0.2 to 10 Hz with 0.3 to 0.8 K of noise, in steps of 0.1 K
    /// to 1 °F, offsets of a class 2 wire.
    pub fn draw(dice: &mut Dice) -> CheckDraw {
        let metal = *dice.pick(&Metal::ALL);
        CheckDraw {
            metal,
            kg: dice.between(0.15, 0.6),
            // Evenly in the logarithm: 999.9 is as common as 999.
            impure_k: metal.freezes_lower_by_up_to_k() * 10.0_f64.powf(dice.between(-2.0, 0.0)),
            undercools_k: 8.0 * dice.between(0.0, 1.0).powi(2),
            cools_k_min: dice.between(3.0, 9.0),
            metal_share: dice.between(0.6, 0.98),
            lag_s: dice.between(1.0, 6.0),
            offset_k: dice.near(0.0, 3.5, 9.0),
            rate_hz: *dice.pick(&[0.2, 0.5, 1.0, 1.0, 2.0, 5.0, 10.0]),
            noise_k: dice.between(0.3, 0.8),
            step_k: *dice.pick(&[0.1, 0.1, 0.25, 5.0 / 9.0]),
            remelts: false,
            other: None,
        }
    }
}

/// A check as simulated.
#[derive(Clone, Debug, PartialEq)]
pub struct DrawnCheck {
    /// How it was made.
    pub draw: CheckDraw,
    /// The readings of melt and vacuum, in order of time.
    pub samples: Vec<Sample>,
    /// When the first metal froze.
    pub froze_at: Option<Micros>,
}

/// Draws and simulates the check of a seed.
pub fn draw_check(seed: u64) -> DrawnCheck {
    let mut dice = Dice::new(seed, 40);
    let draw = CheckDraw::draw(&mut dice);
    let starts = Micros(1_795_000_000_000_000).plus_seconds(dice.between(0.0, 86_400.0));
    simulate_check(&draw, starts, &mut Dice::new(seed, 41))
}

/// Simulates a check that begins at `starts` with its metal molten.
pub fn simulate_check(draw: &CheckDraw, starts: Micros, noise: &mut Dice) -> DrawnCheck {
    let heat = draw.heat();
    let begins_c = heat.liquidus_c + noise.between(20.0, 45.0);
    let mut furnace = Furnace::cold(heat, 20.0);
    furnace.undercools_k = draw.undercools_k;
    furnace.impure_k = draw.impure_k;
    furnace.charge(draw.kg);
    furnace.crucible_c = begins_c;
    furnace.metal_content = heat.content(begins_c);
    let mut junction_c = begins_c;
    let mut samples = Vec::new();
    let (mut t, mut due_s) = (0.0, 0.0);
    let mut froze_at = None;
    let mut frozen = false;
    while t < LONGEST_S {
        let metal_c = furnace.metal_c();
        frozen = frozen || metal_c < heat.solidus_c - UNTIL_BELOW_K;
        if frozen && (!draw.remelts || metal_c > begins_c) {
            break;
        }
        furnace.by_hand_kw = Some(if frozen {
            furnace.loss_kw(heat.solidus_c) + gives_kj_k(draw) * WARMS_K_MIN / 60.0
        } else if t < HELD_S {
            furnace.loss_kw(begins_c)
        } else {
            turned_down_kw(&furnace, draw)
        });
        furnace.step(DT);
        let (metal_c, molten) = furnace.metal();
        let seen = furnace.crucible_c + draw.metal_share * (metal_c - furnace.crucible_c);
        junction_c += (seen - junction_c) * -(-DT / draw.lag_s).exp_m1();
        t += DT;
        if froze_at.is_none() && molten < 1.0 {
            froze_at = Some(starts.plus_seconds(t));
        }
        if t >= due_s {
            due_s += 1.0 / draw.rate_hz;
            let at = starts.plus_seconds((t * 1000.0).round() / 1000.0);
            let read = junction_c + draw.offset_k + noise.normal(0.0, draw.noise_k);
            samples.push(Sample {
                time: at,
                channel: Channel::MeltTemperature,
                value: (read / draw.step_k).round() * draw.step_k,
                quality: Quality::Good,
            });
            // The vacuum is sensed, and at rest.
            samples.push(Sample {
                time: at,
                channel: Channel::Vacuum,
                value: (10.0 * noise.normal(0.0, 0.1)).round() / 10.0,
                quality: Quality::Good,
            });
        }
    }
    DrawnCheck {
        draw: draw.clone(),
        samples,
        froze_at,
    }
}

/// The power that lets the melt cool as fast as it is to, kW: what the furnace loses at the
/// freezing point, less what crucible and metal give up.
fn turned_down_kw(furnace: &Furnace, draw: &CheckDraw) -> f64 {
    let gives_kw = gives_kj_k(draw) * draw.cools_k_min / 60.0;
    (furnace.loss_kw(draw.heat().solidus_c) - gives_kw).max(0.0)
}

/// What crucible and metal give up by the kelvin, kJ/K.
fn gives_kj_k(draw: &CheckDraw) -> f64 {
    Furnace::CRUCIBLE + draw.kg * draw.heat().liquid
}

/// A probe check at the end of an ordinary day: fine silver goes into the empty crucible, is
/// melted and held, and freezes with the heater turned down and the probe dipped deep.
#[derive(Clone, Debug)]
pub struct DayCheck {
    kg: f64,
    impure_k: f64,
    undercools_k: f64,
    cools_k_min: f64,
    begins_s: Option<f64>,
    charged: bool,
    molten_s: Option<f64>,
    /// When the first of it froze, s from power-on.
    pub froze_s: Option<f64>,
}

impl DayCheck {
    /// From the last flask to the silver's going in, s.
    const CLEARED_S: f64 = 240.0;
    /// Melted and held over its freezing point by so much, K.
    const HELD_OVER_K: f64 = 30.0;
    /// Share of metal in what the probe sees when it is dipped for a check.
    const DIPPED: f64 = 0.75;

    /// How it will go, from the session's seed.
    pub fn draw(seed: u64) -> DayCheck {
        // A stream of its own: the day before the check is what it would have been without.
        let mut dice = Dice::new(seed, 4);
        DayCheck {
            kg: dice.between(0.25, 0.40),
            impure_k: dice.between(0.02, 0.5),
            undercools_k: dice.between(0.0, 3.0),
            cools_k_min: dice.between(4.0, 7.0),
            begins_s: None,
            charged: false,
            molten_s: None,
            froze_s: None,
        }
    }

    /// What is done at `t` seconds of the day; says when it is over.
    pub(crate) fn work(&mut self, t: f64, furnace: &mut Furnace) -> bool {
        let metal = Metal::FineSilver;
        let begins = *self.begins_s.get_or_insert(t + Self::CLEARED_S);
        if t < begins {
            furnace.set_point_c = Some(metal.freezes_c() + Self::HELD_OVER_K);
            return false;
        }
        if !self.charged {
            self.charged = true;
            furnace.change_metal(check_heat(metal));
            furnace.sees_metal = Self::DIPPED;
            furnace.impure_k = self.impure_k;
            furnace.undercools_k = self.undercools_k;
            furnace.charge(self.kg);
        }
        let Some(molten_s) = self.molten_s else {
            let hot = furnace.metal_c() > metal.freezes_c() + Self::HELD_OVER_K - 8.0;
            self.molten_s = hot.then_some(t);
            return false;
        };
        if t < molten_s + HELD_S {
            return false;
        }
        let gives_kj_k = Furnace::CRUCIBLE + self.kg * check_heat(metal).liquid;
        let kw = furnace.loss_kw(metal.freezes_c()) - gives_kj_k * self.cools_k_min / 60.0;
        furnace.by_hand_kw = Some(kw);
        if furnace.metal().1 < 1.0 {
            self.froze_s.get_or_insert(t);
        }
        let over = furnace.metal_c() < metal.freezes_c() - UNTIL_BELOW_K;
        if over {
            furnace.by_hand_kw = None;
        }
        over
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_check_is_the_same_every_time_and_freezes() {
        for seed in 0..20 {
            let check = draw_check(seed);
            assert_eq!(check, draw_check(seed));
            assert!(check.froze_at.is_some(), "{seed}: {:?}", check.draw);
            assert!(check.samples.is_sorted_by_key(|s| s.time));
        }
    }
}
