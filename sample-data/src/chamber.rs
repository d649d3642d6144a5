//! The vacuum chamber under the flask: pump-down, porous mould, seal and vent.
//!
//! Constant pump speed on a fixed volume gives an exponential (standard vacuum engineering);
//! a porous mould, a worn gasket and a leak each hold the end depth below what the pump could
//! reach. Depths are kPa below ambient.

use serde::{Deserialize, Serialize};

/// How the flask sat on its seal.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Seating {
    /// As it should.
    Good,
    /// A slow leak: the usual time constant, an end depth clearly short.
    SlowLeak,
    /// Not sealed: a shallow, noisy plateau soon reached. Called off and repeated.
    Unseated,
    /// Nothing seals, or nothing pulls: the valve opens and the pressure hardly moves.
    Open,
}

/// One spell of vacuum as the pump and the seal will have it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PumpDown {
    /// Time constant, s. Usual ones are 3–8 s (common practice).
    pub tau_s: f64,
    /// Depth it tends to, kPa.
    pub end_kpa: f64,
}

/// Depth and what the valve does.
#[derive(Clone, Debug)]
pub struct Chamber {
    /// kPa below ambient now.
    pub depth_kpa: f64,
    /// The pump-down while the valve is open.
    pub open: Option<PumpDown>,
    /// Valve and vent both shut: the depth that leaks away, kPa/min. Matters only while
    /// [`Chamber::open`] is none; none is a vent standing open.
    pub held_kpa_min: Option<f64>,
}

impl Chamber {
    /// Venting takes 1–3 s (common practice).
    const VENT_S: f64 = 0.7;

    /// At rest.
    pub fn vented() -> Chamber {
        Chamber {
            depth_kpa: 0.0,
            open: None,
            held_kpa_min: None,
        }
    }

    /// Goes on by `dt` seconds.
    pub fn step(&mut self, dt: f64) {
        let (towards, tau) = match (self.open, self.held_kpa_min) {
            (Some(PumpDown { tau_s, end_kpa }), _) => (end_kpa, tau_s),
            (None, Some(leak)) => {
                self.depth_kpa = (self.depth_kpa - leak * dt / 60.0).max(0.0);
                return;
            }
            (None, None) => (0.0, Self::VENT_S),
        };
        self.depth_kpa += (towards - self.depth_kpa) * (1.0 - (-dt / tau).exp());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Check value of constant-speed pump-down: V = 10 L, S = 2 L/s, 1013 to 100 mbar absolute
    /// with an ultimate of 10 mbar takes 12.0 s (t = V/S · ln((p0 − pu)/(p − pu))).
    #[test]
    fn pump_down_follows_constant_speed() {
        let mut chamber = Chamber::vented();
        chamber.open = Some(PumpDown {
            tau_s: 5.0,
            end_kpa: 100.3,
        });
        let mut t = 0.0;
        while chamber.depth_kpa < 91.3 {
            chamber.step(0.1);
            t += 0.1;
        }
        let expected = 5.0 * (1003.0_f64 / 90.0).ln();
        assert!((t - expected).abs() < 0.11, "{t} against {expected}");
        // Both valves shut, 6 kPa/min leak in.
        chamber.open = None;
        chamber.held_kpa_min = Some(6.0);
        let before = chamber.depth_kpa;
        for _ in 0..100 {
            chamber.step(0.1);
        }
        assert!((before - chamber.depth_kpa - 1.0).abs() < 1e-6);
        chamber.held_kpa_min = None;
        for _ in 0..30 {
            chamber.step(0.1);
        }
        assert!(chamber.depth_kpa < 2.0);
    }
}
