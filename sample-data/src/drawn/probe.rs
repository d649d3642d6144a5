//! The probe of a drawn session: what its junction sees of metal and crucible, how late it
//! follows, and what stirring, bridging, lifting and taking it out do to it.
//!
//! It is a couple of its own beside the controller's. Figures are common practice: 5–40 K down
//! in 10–30 s after a pour from a probe in the rod, up from one in the wall; 5–15 K down for
//! 10–20 s while stirred.

use crate::furnace::{Furnace, Heat};

/// A probe and its moment.
#[derive(Clone, Debug)]
pub struct Probe {
    /// What the junction is at, °C: the reading without offset, noise and resolution.
    pub junction_c: f64,
    /// What this probe reads too much, K.
    pub offset_k: f64,
    /// First-order lag of junction and sheath, s.
    pub lag_s: f64,
    /// Share of liquid metal in what it sees when the crucible is full; the rest is crucible.
    pub metal_share: f64,
    /// How much less it sees since metal left, K; below zero is more.
    chill_k: f64,
    /// What the chill still grows by, K/s, and for how long, s.
    chill_growth: (f64, f64),
    fade_s: f64,
    stir: Passing,
    /// Cold metal against the rod: K, and how fast it fades, s.
    touch: (f64, f64),
    /// What a bridged charge makes it read falsely now, K, and where that tends to.
    bridge_k: f64,
    bridge_towards_k: f64,
    away: Option<Away>,
}

/// A disturbance that lasts for a while and then is over.
#[derive(Clone, Copy, Debug, Default)]
struct Passing {
    kelvin: f64,
    left_s: f64,
}

/// The junction is not in the crucible.
#[derive(Clone, Copy, Debug)]
struct Away {
    towards_c: f64,
    tau_s: f64,
}

impl Probe {
    /// How fast a stir resolves a bridge, s.
    const RESOLVE_S: f64 = 4.0;
    /// How fast a bridge makes itself felt, s.
    const BRIDGE_S: f64 = 40.0;

    /// What stirring, bridges and cold lumps do to a probe in the wall, against one in the rod.
    const WALL_FEELS: f64 = 0.2;

    /// A probe that has been where it is for long.
    pub fn settled(at_c: f64, lag_s: f64, metal_share: f64) -> Probe {
        Probe {
            junction_c: at_c,
            offset_k: 0.0,
            lag_s,
            metal_share,
            chill_k: 0.0,
            chill_growth: (0.0, 0.0),
            fade_s: 40.0,
            stir: Passing::default(),
            touch: (0.0, 30.0),
            bridge_k: 0.0,
            bridge_towards_k: 0.0,
            away: None,
        }
    }

    /// What it reads without noise, °C.
    pub fn reads_c(&self) -> f64 {
        self.junction_c + self.offset_k
    }

    /// What it would read without lag, °C.
    pub fn sees_c(&self, furnace: &Furnace, heat: &Heat, full_kg: f64) -> f64 {
        if let Some(away) = self.away {
            return away.towards_c;
        }
        let mut seen = furnace.crucible_c;
        if furnace.metal_kg > 0.0 {
            let (metal_c, molten) = heat.state(furnace.metal_content);
            // Lumps hardly touch the rod.
            let weight =
                self.metal_share * (0.1 + 0.9 * molten) * (furnace.metal_kg / full_kg).min(1.0);
            seen += weight * (metal_c - seen);
        }
        let feels = if self.metal_share < 0.2 {
            Self::WALL_FEELS
        } else {
            1.0
        };
        seen - self.chill_k - feels * (self.stir.kelvin + self.touch.0 - self.bridge_k)
    }

    /// The stopper lifts: over `flow_s` it comes to see `chill_k` less (below zero: more), which
    /// fades with `fade_s` as the empty crucible takes over.
    pub fn metal_leaves(&mut self, chill_k: f64, flow_s: f64, fade_s: f64) {
        self.chill_growth = (chill_k / flow_s, flow_s);
        self.fade_s = fade_s;
    }

    /// The rod is moved: `kelvin` less for `for_s`, and a bridge is broken.
    pub fn stir(&mut self, kelvin: f64, for_s: f64) {
        self.stir = Passing {
            kelvin,
            left_s: for_s,
        };
        self.bridge_towards_k = 0.0;
    }

    /// Cold metal comes to lie against the rod and takes on its heat with `fade_s`.
    pub fn touch(&mut self, kelvin: f64, fade_s: f64) {
        self.touch = (self.touch.0 + kelvin, fade_s);
    }

    /// The charge bridges: falsely hot (above zero) or cold until stirred.
    pub fn bridge(&mut self, kelvin: f64) {
        self.bridge_towards_k = kelvin;
    }

    /// It goes where it is `towards_c`, or into a plug that reads so, with `tau_s`.
    pub fn take_out(&mut self, towards_c: f64, tau_s: f64) {
        self.away = Some(Away { towards_c, tau_s });
    }

    /// Back into the crucible.
    pub fn put_back(&mut self) {
        self.away = None;
    }

    /// Whether it is out.
    pub fn is_out(&self) -> bool {
        self.away.is_some()
    }

    /// Goes on by `dt` seconds (at most a tenth).
    pub fn step(&mut self, dt: f64, furnace: &Furnace, heat: &Heat, full_kg: f64) {
        let (per_s, left_s) = self.chill_growth;
        if left_s > 0.0 {
            self.chill_k += per_s * dt.min(left_s);
            self.chill_growth.1 -= dt;
        } else {
            self.chill_k -= self.chill_k * dt / self.fade_s;
        }
        self.stir.left_s -= dt;
        if self.stir.left_s <= 0.0 {
            self.stir.kelvin = 0.0;
        }
        self.touch.0 -= self.touch.0 * dt / self.touch.1;
        let tau = if self.bridge_towards_k == 0.0 {
            Self::RESOLVE_S
        } else {
            Self::BRIDGE_S
        };
        self.bridge_k += (self.bridge_towards_k - self.bridge_k) * dt / tau;
        let sees = self.sees_c(furnace, heat, full_kg);
        let lag = self.away.map_or(self.lag_s, |away| away.tau_s);
        self.junction_c += (sees - self.junction_c) * -(-dt / lag.max(1e-3)).exp_m1();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::shop::{ALLOYS, heat_of};

    fn furnace_at(c: f64) -> (Furnace, Heat) {
        let heat = heat_of(ALLOYS[0]);
        let mut furnace = Furnace::cold(heat, 20.0);
        furnace.crucible_c = c;
        furnace.metal_kg = 0.3;
        furnace.metal_content = heat.content(c);
        (furnace, heat)
    }

    /// A first-order lag reads a ramp late by its time constant: slope × lag (any text on
    /// thermometry; from memory).
    #[test]
    fn a_lagging_probe_reads_a_climb_low_by_slope_times_lag() {
        let (mut furnace, heat) = furnace_at(950.0);
        let mut probe = Probe::settled(950.0, 5.0, 0.6);
        for _ in 0..1200 {
            furnace.crucible_c += 0.2 * 0.05;
            furnace.metal_content = heat.content(furnace.crucible_c);
            probe.step(0.05, &furnace, &heat, 0.3);
        }
        let behind = probe.sees_c(&furnace, &heat, 0.3) - probe.reads_c();
        assert!((behind - 1.0).abs() < 0.02, "{behind}");
    }

    #[test]
    fn the_reading_falls_at_the_pour_from_the_rod_and_rises_from_the_wall() {
        for (chill, sign) in [(20.0, -1.0), (-8.0, 1.0)] {
            let (furnace, heat) = furnace_at(960.0);
            let mut probe = Probe::settled(960.0, 4.0, 0.6);
            probe.metal_leaves(chill, 1.5, 40.0);
            let mut extreme: f64 = 0.0;
            for _ in 0..600 {
                probe.step(0.05, &furnace, &heat, 0.3);
                extreme = extreme.max(sign * (probe.reads_c() - 960.0));
            }
            let share = extreme / chill.abs();
            assert!((0.6..1.0).contains(&share), "{chill}: {share}");
        }
    }

    #[test]
    fn a_bridge_reads_falsely_until_it_is_stirred() {
        let (furnace, heat) = furnace_at(960.0);
        let mut probe = Probe::settled(960.0, 4.0, 0.6);
        let run = |probe: &mut Probe, seconds: f64| {
            for _ in 0..(seconds / 0.05) as u32 {
                probe.step(0.05, &furnace, &heat, 0.3);
            }
        };
        probe.bridge(-60.0);
        run(&mut probe, 200.0);
        assert!((probe.reads_c() - 900.0).abs() < 2.0);
        probe.stir(10.0, 12.0);
        run(&mut probe, 50.0);
        assert!((probe.reads_c() - 960.0).abs() < 1.0);
    }
}
