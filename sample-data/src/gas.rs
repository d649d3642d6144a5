//! Cover gas: a cylinder, a regulator that droops, a needle valve, and the end of the bottle,
//! which comes slowly and then fast (common practice).

/// A cylinder behind its regulator.
#[derive(Clone, Debug)]
pub struct Supply {
    /// Gas left, L at 1 bar.
    pub content_l: f64,
    /// What the needle valve is set to, L/min.
    pub set_l_min: f64,
    /// Share of the flow that is lost over the first hour as the regulator droops.
    pub droop: f64,
    flowing_min: f64,
}

impl Supply {
    /// A new cylinder: 20 L at 200 bar, about 4000 L at 1 bar by the ideal gas law, which is
    /// 5–15 % on the cautious side for argon.
    pub const FULL_L: f64 = 4000.0;
    /// Water volume, L.
    pub const BOTTLE_L: f64 = 20.0;
    /// Below this content the flow begins to go, L.
    const FAILING_L: f64 = 90.0;

    /// A cylinder with this much left.
    pub fn new(content_l: f64, droop: f64) -> Supply {
        Supply {
            content_l,
            set_l_min: 0.0,
            droop,
            flowing_min: 0.0,
        }
    }

    /// Goes on by `dt` seconds and gives the true flow, L/min.
    pub fn step(&mut self, dt: f64) -> f64 {
        let droop = self.droop * (1.0 - (-self.flowing_min / 30.0).exp());
        let left = 1.0
            - (1.0 - self.content_l / Self::FAILING_L)
                .clamp(0.0, 1.0)
                .powi(4);
        let flow = self.set_l_min * (1.0 - droop) * left;
        if flow > 0.0 {
            self.flowing_min += dt / 60.0;
            self.content_l = (self.content_l - flow * dt / 60.0).max(0.0);
        }
        flow
    }

    /// Cylinder pressure, kPa gauge.
    pub fn pressure_kpa(&self) -> f64 {
        self.content_l / Self::BOTTLE_L * 100.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_ending_cylinder_fades_slowly_then_fast() {
        let mut supply = Supply::new(150.0, 0.0);
        supply.set_l_min = 3.0;
        let flow: Vec<f64> = (0..3600).map(|_| supply.step(1.0)).collect();
        assert!((flow[0] - 3.0).abs() < 1e-9);
        assert!((flow[15 * 60] - 3.0).abs() < 1e-9);
        assert!(flow[3599] < 1.0 && flow[3599] > 0.0);
        let fall = |from: usize| flow[from] - flow[from + 300];
        assert!(fall(2400) > 3.0 * fall(1300));
    }

    /// 20 L at 200 bar is about 4 m³: 22 hours at 3 L/min.
    #[test]
    fn a_full_cylinder_lasts_as_long_as_its_content_says() {
        let supply = Supply::new(Supply::FULL_L, 0.0);
        assert!((supply.pressure_kpa() - 20_000.0).abs() < 1e-9);
        assert!((supply.content_l / 3.0 / 60.0 - 22.2).abs() < 0.1);
    }
}
