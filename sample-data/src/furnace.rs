//! The melt: a graphite crucible with a heater, a controller with a power limit, metal by its
//! heat content, and a probe in the rod that lags and reads mostly crucible while the metal is
//! still solid. Metal that has been liquid and freezes again may undercool first, and stays in
//! touch with the wall and the rod.
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
    /// Heat of melting, kJ/kg.
    pub melting: f64,
    /// The share of it that is taken up at the solidus itself, 0–1: all of a pure metal or a
    /// eutectic, whose liquidus is its solidus; the eutectic's of an alloy that froze fast. The
    /// rest is taken up evenly between solidus and liquidus.
    pub at_once: f64,
    /// Specific heat above the solidus, kJ/(kg·K).
    pub liquid: f64,
}

impl Heat {
    /// Heat content above 0 °C at a temperature, kJ/kg.
    pub fn content(&self, c: f64) -> f64 {
        let range = self.liquidus_c - self.solidus_c;
        let through = if range > 0.0 {
            ((c - self.solidus_c) / range).clamp(0.0, 1.0)
        } else {
            f64::from(u8::from(c > self.solidus_c))
        };
        // At the solidus itself: all solid.
        let molten = if c > self.solidus_c {
            self.at_once + (1.0 - self.at_once) * through
        } else {
            0.0
        };
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
        let at_once = self.at_once * self.melting;
        if content <= at_solidus + at_once {
            return (self.solidus_c, (content - at_solidus) / self.melting);
        }
        let above = content - at_once - at_solidus;
        let range = self.liquidus_c - self.solidus_c;
        if range > 0.0 {
            let slope = self.liquid + (self.melting - at_once) / range;
            let through = above / slope;
            if through <= range {
                let molten = self.at_once + (1.0 - self.at_once) * (through / range);
                return (self.solidus_c + through, molten);
            }
        }
        (
            self.liquidus_c + (content - self.at_liquidus()) / self.liquid,
            1.0,
        )
    }

    /// Heat content above 0 °C where the last solid melts, kJ/kg.
    fn at_liquidus(&self) -> f64 {
        let at_once = self.at_once * self.melting;
        let range = self.liquidus_c - self.solidus_c;
        let gradual = self.melting - at_once;
        let slope_range = if range > 0.0 {
            (self.liquid + gradual / range) * range
        } else {
            0.0
        };
        self.solid * self.solidus_c + at_once + slope_range
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
    /// A fixed power instead of the controller's, kW: the heater turned down by hand.
    pub by_hand_kw: Option<f64>,
    /// How far liquid metal cools below its freezing point before it begins to freeze, K.
    pub undercools_k: f64,
    /// How far traces of other metals lower the freezing point, K: by as much where freezing
    /// begins, and by more as they gather in what is still liquid.
    pub impure_k: f64,
    /// Share of the metal in what the probe sees once all of it is wetted, beside the few
    /// hundredths that it always has.
    pub sees_metal: f64,
    /// The greatest share of the metal that has been liquid since it was charged: what lies
    /// against the wall and the rod and stays there when it freezes.
    wetted: f64,
    /// All of it is liquid, and nothing has begun to freeze.
    no_solid: bool,
    heat: Heat,
    room_c: f64,
    integral_kw: f64,
}

impl Furnace {
    /// Heat capacity of crucible and heater, kJ/K.
    pub(crate) const CRUCIBLE: f64 = 3.5;
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
    /// A probe in the rod, dipping into the melt.
    pub(crate) const SEES_METAL: f64 = 0.5;
    /// Impurities gather in the liquid until so little of it is left.
    const LAST_LIQUID: f64 = 0.3;

    /// A cold furnace in a room at this temperature, for one alloy.
    pub fn cold(heat: Heat, room_c: f64) -> Furnace {
        Furnace {
            crucible_c: room_c,
            metal_kg: 0.0,
            metal_content: heat.content(room_c),
            set_point_c: None,
            probe_c: room_c,
            chill_k: 0.0,
            by_hand_kw: None,
            undercools_k: 0.0,
            impure_k: 0.0,
            sees_metal: Self::SEES_METAL,
            wetted: 0.0,
            no_solid: false,
            heat,
            room_c,
            integral_kw: 0.0,
        }
    }

    /// The metal's temperature, °C; the crucible's when it is empty.
    pub fn metal_c(&self) -> f64 {
        if self.metal_kg > 0.0 {
            self.metal().0
        } else {
            self.crucible_c
        }
    }

    /// The metal's temperature, °C, and the share of it that is liquid, 0–1.
    pub fn metal(&self) -> (f64, f64) {
        let (celsius, molten) = self.heat.state(self.metal_content);
        if self.no_solid {
            let over = self.metal_content - self.heat.at_liquidus();
            return (self.heat.liquidus_c + over / self.heat.liquid, 1.0);
        }
        if self.impure_k == 0.0 || molten == 1.0 {
            return (celsius, molten);
        }
        // What stays in the liquid lowers it in proportion to how thick it has become; the last
        // of it freezes as something else.
        let thick = 1.0 / molten.max(Self::LAST_LIQUID);
        (celsius - self.impure_k * thick, molten)
    }

    /// The greatest share of the metal that has been liquid since it was charged, 0–1.
    pub fn wetted(&self) -> f64 {
        self.wetted
    }

    /// Another metal goes into the empty crucible from now on.
    pub fn change_metal(&mut self, heat: Heat) {
        self.heat = heat;
        self.metal_kg = 0.0;
        self.metal_content = heat.content(self.room_c);
        (self.wetted, self.no_solid) = (0.0, false);
    }

    /// Puts cold metal in.
    pub fn charge(&mut self, kg: f64) {
        let cold = self.heat.content(self.room_c);
        let before = self.metal_kg;
        self.metal_kg += kg;
        self.metal_content = (self.metal_content * before + cold * kg) / self.metal_kg;
        self.wetted = self.heat.state(self.metal_content).1;
        self.no_solid = false;
    }

    /// Lets metal out; it takes its heat with it.
    pub fn drain(&mut self, kg: f64) {
        self.metal_kg = (self.metal_kg - kg).max(0.0);
        if self.metal_kg < 1e-6 {
            self.metal_kg = 0.0;
        }
    }

    /// How much is wetted, and whether freezing has begun, after a change of heat content.
    fn wet(&mut self) {
        let molten = self.heat.state(self.metal_content).1;
        self.wetted = self.wetted.max(molten);
        if molten == 1.0 {
            self.no_solid = true;
        } else if self.no_solid {
            let undercooled_k = self.heat.liquidus_c - self.impure_k - self.metal().0;
            self.no_solid = undercooled_k < self.undercools_k;
        }
    }

    /// Loss at a crucible temperature with the heater at work, kW: what holds it there.
    pub fn loss_kw(&self, crucible_c: f64) -> f64 {
        let kelvin = crucible_c + 273.15;
        let room = self.room_c + 273.15;
        Self::LOSS * (crucible_c - self.room_c)
            + Self::RADIATING * STEFAN_BOLTZMANN * (kelvin.powi(4) - room.powi(4)) / 1000.0
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
        let power = self.by_hand_kw.unwrap_or(power);
        let kelvin = self.crucible_c + 273.15;
        let room = self.room_c + 273.15;
        let off = self.set_point_c.is_none() && self.by_hand_kw.is_none();
        let air = if off && self.crucible_c > self.room_c {
            Self::COOLING_AIR
        } else {
            1.0
        };
        let loss = air * Self::LOSS * (self.crucible_c - self.room_c)
            + Self::RADIATING * STEFAN_BOLTZMANN * (kelvin.powi(4) - room.powi(4)) / 1000.0;
        let (metal_c, _) = self.metal();
        let molten = self.wetted;
        let mut into_metal = 0.0;
        let mut seen = self.crucible_c;
        if self.metal_kg > 0.0 {
            // Lumps touch the wall in a few places; liquid wets all of it, kW/K.
            let contact = (1.5e-3 + 18.5e-3 * molten * molten) * (self.metal_kg / 0.3);
            into_metal = contact * (self.crucible_c - metal_c);
            self.metal_content += into_metal * dt / self.metal_kg;
            self.wet();
            let weight = 0.06 + self.sees_metal * molten;
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
    use crate::check::check_heat;
    use crate::shop::{ALLOYS, heat_of};
    use analysis::probe::Metal;

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

    /// Silver takes up 104.8 kJ/kg as it melts (11.30 kJ/mol over 107.87 g/mol, from memory), all
    /// of it at 961.78 °C (ITS-90).
    #[test]
    fn a_pure_metal_melts_at_one_temperature() {
        let heat = check_heat(Metal::FineSilver);
        let melts = heat.content(961.78 + 1e-9) - heat.content(961.78);
        assert!((melts - 104.8).abs() < 0.5, "{melts}");
        for share in [0.1, 0.5, 0.9] {
            let (celsius, molten) = heat.state(heat.content(961.78) + share * heat.melting);
            assert!((celsius - 961.78).abs() < 1e-9 && (molten - share).abs() < 1e-9);
        }
        for c in [500.0, 961.0, 963.0, 1000.0] {
            assert!((heat.state(heat.content(c)).0 - c).abs() < 1e-9, "{c}");
        }
    }

    /// The eutectic of sterling that froze fast: some 13 % (Scheil's equation) melts at 779 °C.
    #[test]
    fn a_share_of_the_eutectic_melts_first_and_at_once() {
        let heat = Heat {
            solidus_c: 779.1,
            at_once: 0.13,
            ..heat_of(ALLOYS[0])
        };
        let melts = heat.content(779.1 + 1e-9) - heat.content(779.1);
        assert!((melts - 0.13 * heat.melting).abs() < 1e-3);
        let (celsius, molten) = heat.state(heat.content(779.1) + 0.5 * melts);
        assert_eq!(celsius, 779.1);
        assert!((molten - 0.065).abs() < 1e-9);
        for c in [600.0, 790.0, 850.0, 893.0, 1000.0] {
            assert!((heat.state(heat.content(c)).0 - c).abs() < 1e-9, "{c}");
        }
    }

    #[test]
    fn silver_that_undercools_comes_back_to_its_freezing_point_and_stays_there() {
        let heat = check_heat(Metal::FineSilver);
        let mut furnace = Furnace::cold(heat, 20.0);
        furnace.undercools_k = 4.0;
        furnace.charge(0.3);
        furnace.crucible_c = 985.0;
        furnace.metal_content = heat.content(985.0);
        furnace.by_hand_kw = Some(furnace.loss_kw(962.0) - 0.3);
        let mut lowest: f64 = 2000.0;
        let mut at_rest_s = 0.0;
        for _ in 0..9000 {
            furnace.step(0.1);
            let (celsius, molten) = furnace.metal();
            lowest = lowest.min(if molten == 1.0 { celsius } else { lowest });
            if (celsius - 961.78).abs() < 1e-6 {
                at_rest_s += 0.1;
            }
        }
        assert!((957.6..957.9).contains(&lowest), "{lowest}");
        assert!((120.0..500.0).contains(&at_rest_s), "{at_rest_s}");
        assert!(furnace.metal_c() < 950.0);
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
