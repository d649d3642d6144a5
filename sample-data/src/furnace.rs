//! The melt: a graphite crucible with a heater, a controller with a power limit, metal by its
//! heat content, and a probe in the rod that lags and reads mostly crucible while the metal is
//! still solid.
//!
//! Constants are chosen so that the curve behaves as such furnaces do (common practice): 25 to
//! 950 °C in about half an hour, 45–60 K/min at first and about 20 near 900; 40–120 K down when
//! cold metal goes in; 5–40 K down after a pour.

/// Stefan–Boltzmann constant, W/(m²·K⁴); CODATA 2018, from memory.
const STEFAN_BOLTZMANN: f64 = 5.670_374e-8;

/// How a metal takes up heat. Handbook-type values, from memory; together they give about
/// 360 kJ/kg from cold to pour for sterling, 670 for tin bronze, 225 for a karat gold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heat {
    /// Melting begins, °C.
    pub solidus_c: f64,
    /// Melting ends, °C.
    pub liquidus_c: f64,
    /// Specific heat below the solidus, kJ/(kg·K).
    pub solid: f64,
    /// Heat of melting, kJ/kg, taken up evenly between solidus and liquidus.
    pub melting: f64,
    /// Specific heat above the solidus, kJ/(kg·K).
    pub liquid: f64,
}

impl Heat {
    /// Heat content above 0 °C at a temperature, kJ/kg.
    pub fn content(&self, c: f64) -> f64 {
        let molten = ((c - self.solidus_c) / (self.liquidus_c - self.solidus_c)).clamp(0.0, 1.0);
        self.solid * c.min(self.solidus_c)
            + self.melting * molten
            + self.liquid * (c - self.solidus_c).max(0.0)
    }

    /// Temperature (°C) and molten share (0–1) at a heat content.
    pub fn state(&self, content: f64) -> (f64, f64) {
        let at_solidus = self.solid * self.solidus_c;
        if content <= at_solidus {
            return (content / self.solid, 0.0);
        }
        let range = self.liquidus_c - self.solidus_c;
        let slope = self.liquid + self.melting / range;
        let through = (content - at_solidus) / slope;
        if through <= range {
            (self.solidus_c + through, through / range)
        } else {
            let at_liquidus = at_solidus + slope * range;
            (self.liquidus_c + (content - at_liquidus) / self.liquid, 1.0)
        }
    }
}

/// The furnace and what is in it.
#[derive(Clone, Debug)]
pub struct Furnace {
    /// Crucible and heater, °C.
    pub crucible_c: f64,
    /// Metal in it, kg.
    pub metal_kg: f64,
    /// Heat content of the metal, kJ/kg.
    pub metal_content: f64,
    /// What the controller aims at, °C; none is heater off.
    pub set_point_c: Option<f64>,
    /// What the probe's junction is at, °C, before noise and offset.
    pub probe_c: f64,
    /// A passing chill of the probe (rod moved, metal gone), K; fades by itself.
    pub chill_k: f64,
    heat: Heat,
    room_c: f64,
    integral_kw: f64,
}

impl Furnace {
    /// Heat capacity of crucible and heater, kJ/K.
    const CRUCIBLE: f64 = 3.5;
    /// Power limit, kW.
    const POWER: f64 = 2.9;
    /// Loss by conduction and convection, kW/K.
    const LOSS: f64 = 0.9e-3;
    /// How much faster it cools with the heater off and the cooling air on.
    const COOLING_AIR: f64 = 2.5;
    /// Emissivity times area of what radiates, m².
    const RADIATING: f64 = 0.0075;
    /// Controller gain, kW/K, and integral time, s.
    const GAIN: f64 = 0.12;
    const INTEGRAL_S: f64 = 120.0;
    /// Lag of the probe in its sheath, s.
    const PROBE_LAG_S: f64 = 6.0;
    /// How fast a chill fades, s.
    const CHILL_S: f64 = 25.0;

    /// A cold furnace in a room at this temperature, for one alloy.
    pub fn cold(heat: Heat, room_c: f64) -> Furnace {
        Furnace {
            crucible_c: room_c,
            metal_kg: 0.0,
            metal_content: heat.content(room_c),
            set_point_c: None,
            probe_c: room_c,
            chill_k: 0.0,
            heat,
            room_c,
            integral_kw: 0.0,
        }
    }

    /// The metal's temperature, °C; the crucible's when it is empty.
    pub fn metal_c(&self) -> f64 {
        if self.metal_kg > 0.0 {
            self.heat.state(self.metal_content).0
        } else {
            self.crucible_c
        }
    }

    /// Puts cold metal in.
    pub fn charge(&mut self, kg: f64) {
        let cold = self.heat.content(self.room_c);
        let before = self.metal_kg;
        self.metal_kg += kg;
        self.metal_content = (self.metal_content * before + cold * kg) / self.metal_kg;
    }

    /// Lets metal out; it takes its heat with it.
    pub fn drain(&mut self, kg: f64) {
        self.metal_kg = (self.metal_kg - kg).max(0.0);
        if self.metal_kg < 1e-6 {
            self.metal_kg = 0.0;
        }
    }

    /// Goes on by `dt` seconds (at most a few tenths).
    pub fn step(&mut self, dt: f64) {
        let power = match self.set_point_c {
            Some(set) => {
                let off = set - self.probe_c;
                let wanted = Self::GAIN * off + self.integral_kw;
                // Integrate only where the power limit does not bind.
                if (0.0..=Self::POWER).contains(&wanted) {
                    self.integral_kw += Self::GAIN * off * dt / Self::INTEGRAL_S;
                }
                wanted.clamp(0.0, Self::POWER)
            }
            None => 0.0,
        };
        let kelvin = self.crucible_c + 273.15;
        let room = self.room_c + 273.15;
        let air = if self.set_point_c.is_none() && self.crucible_c > self.room_c {
            Self::COOLING_AIR
        } else {
            1.0
        };
        let loss = air * Self::LOSS * (self.crucible_c - self.room_c)
            + Self::RADIATING * STEFAN_BOLTZMANN * (kelvin.powi(4) - room.powi(4)) / 1000.0;
        let (metal_c, molten) = self.heat.state(self.metal_content);
        let mut into_metal = 0.0;
        let mut seen = self.crucible_c;
        if self.metal_kg > 0.0 {
            // Lumps touch the wall in a few places; liquid wets all of it, kW/K.
            let contact = (1.5e-3 + 18.5e-3 * molten * molten) * (self.metal_kg / 0.3);
            into_metal = contact * (self.crucible_c - metal_c);
            self.metal_content += into_metal * dt / self.metal_kg;
            let weight = 0.06 + 0.5 * molten;
            seen = self.crucible_c * (1.0 - weight) + metal_c * weight;
        }
        self.crucible_c += (power - loss - into_metal) * dt / Self::CRUCIBLE;
        self.probe_c += (seen - self.chill_k - self.probe_c) * dt / Self::PROBE_LAG_S;
        self.chill_k -= self.chill_k * dt / Self::CHILL_S;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::shop::{ALLOYS, heat_of};

    /// Heat from cold to pour: 360 (sterling), 225 (karat gold), 670 (tin bronze) kJ/kg within
    /// a tenth; sums of handbook specific heats and heats of melting, from memory.
    #[test]
    fn a_charge_takes_the_heat_that_handbooks_add_up_to() {
        for (alloy, pour_c, kj) in [
            (ALLOYS[0], 968.0, 360.0),
            (ALLOYS[1], 960.0, 225.0),
            (ALLOYS[2], 1090.0, 670.0),
        ] {
            let heat = heat_of(alloy);
            let takes = heat.content(pour_c) - heat.content(25.0);
            assert!((takes / kj - 1.0).abs() < 0.1, "{alloy}: {takes:.0}");
        }
    }

    #[test]
    fn heat_content_and_temperature_are_each_others_inverse() {
        let heat = heat_of(ALLOYS[0]);
        for c in [20.0, 500.0, 802.0, 850.0, 893.0, 1000.0] {
            assert!((heat.state(heat.content(c)).0 - c).abs() < 1e-9, "{c}");
        }
        assert_eq!(heat.state(heat.content(1000.0)).1, 1.0);
        assert_eq!(heat.state(heat.content(700.0)).1, 0.0);
    }

    /// About half an hour to 950 °C, 45–60 K/min early, 15–25 K/min near 900 (common practice).
    #[test]
    fn warming_up_takes_about_half_an_hour() {
        let mut furnace = Furnace::cold(heat_of(ALLOYS[0]), 20.0);
        furnace.set_point_c = Some(990.0);
        let mut when = |c: f64, t: &mut f64| {
            while furnace.probe_c < c {
                furnace.step(0.1);
                *t += 0.1;
                assert!(*t < 7200.0, "never reaches {c} °C");
            }
            *t
        };
        let mut t = 0.0;
        let (t100, t300) = (when(100.0, &mut t), when(300.0, &mut t));
        let (t875, t925) = (when(875.0, &mut t), when(925.0, &mut t));
        let minutes = when(950.0, &mut t) / 60.0;
        assert!((24.0..36.0).contains(&minutes), "{minutes}");
        let early = 200.0 / (t300 - t100) * 60.0;
        let late = 50.0 / (t925 - t875) * 60.0;
        assert!((40.0..65.0).contains(&early), "{early}");
        assert!((12.0..28.0).contains(&late), "{late}");
    }
}
