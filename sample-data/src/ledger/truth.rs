//! What heat really does in a drawn shop: the chance that a piece has a defect that may steer the
//! pour, by the temperature of the melt, and how much sessions and flasks differ beside that.

/// One side of the truth: a defect that falls or rises with heat, on the logit scale.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slope {
    /// Logit of a piece's chance at the centre, in a middling session.
    pub at_centre: f64,
    /// Change of the logit for each kelvin hotter; negative for misruns, positive for gas.
    pub per_k: f64,
}

impl Slope {
    /// This chance at every temperature.
    pub fn flat(chance: f64) -> Slope {
        Slope {
            at_centre: (chance / (1.0 - chance)).ln(),
            per_k: 0.0,
        }
    }

    fn logit(self, warmer_k: f64) -> f64 {
        self.at_centre + self.per_k * warmer_k
    }
}

/// What heat does to the pieces of one alloy and section.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heat {
    /// Where both sides are centred, °C.
    pub centre_c: f64,
    /// No-fill and cold shuts.
    pub cold: Slope,
    /// Gas porosity and rough surfaces.
    pub hot: Slope,
}

/// Where drawn shops of medium sterling are centred, °C: within the published window of 940 to
/// 1000 °C.
pub const CENTRE_C: f64 = 974.0;

impl Heat {
    /// Heat changes nothing: one piece in ten is bad at any temperature, which is about what
    /// the other truths lose at the temperature their shops pour at. Invented.
    pub fn none() -> Heat {
        Heat {
            centre_c: CENTRE_C,
            cold: Slope::flat(0.06),
            hot: Slope::flat(0.03),
        }
    }

    /// Misruns fall and gas rises with heat, so that the best lies between: about 6 % bad at the
    /// best, 11 % when poured 12 K too cool. Directions are those of every published defect table; sizes
    /// are invented, and of the order of the 10 against 5 % that sample-size tables take as
    /// worth finding.
    pub fn cup() -> Heat {
        Heat {
            centre_c: CENTRE_C,
            cold: Slope {
                at_centre: -3.4,
                per_k: -0.085,
            },
            hot: Slope {
                at_centre: -3.9,
                per_k: 0.07,
            },
        }
    }

    /// Only misruns, fewer the hotter: no best within reach. Sizes invented, as above.
    pub fn one_sided() -> Heat {
        Heat {
            centre_c: CENTRE_C,
            cold: Slope {
                at_centre: -2.9,
                per_k: -0.05,
            },
            hot: Slope::flat(0.01),
        }
    }

    /// Chance of a defect on the cold side and on the hot side, for a piece poured at `pour_c`
    /// with `shift` and `cold_shift` added to the logits of both sides and of the cold one.
    pub fn sides(&self, pour_c: f64, shift: f64, cold_shift: f64) -> (f64, f64) {
        let warmer = pour_c - self.centre_c;
        (
            expit(self.cold.logit(warmer) + shift + cold_shift),
            expit(self.hot.logit(warmer) + shift),
        )
    }

    /// Chance of either.
    pub fn chance(&self, pour_c: f64, shift: f64) -> f64 {
        let (cold, hot) = self.sides(pour_c, shift, 0.0);
        either(cold, hot)
    }

    /// The rate a shop sees at `pour_c` in the long run: the mean over sessions that differ by a
    /// normal shift of the logit with this standard deviation (Simpson's rule over ±6 SD). It
    /// is what a curve over all sessions estimates; a chance in a middling session is lower.
    pub fn rate(&self, pour_c: f64, session_sd: f64) -> f64 {
        const STEPS: u32 = 48;
        let (mut sum, mut weights) = (0.0, 0.0);
        for i in 0..=STEPS {
            let z = -6.0 + 12.0 * f64::from(i) / f64::from(STEPS);
            let simpson = match i {
                0 | STEPS => 1.0,
                i if i % 2 == 1 => 4.0,
                _ => 2.0,
            };
            let weight = simpson * (-0.5 * z * z).exp();
            sum += weight * self.chance(pour_c, session_sd * z);
            weights += weight;
        }
        sum / weights
    }
}

/// Chance of at least one of two independent defects.
pub(super) fn either(a: f64, b: f64) -> f64 {
    1.0 - (1.0 - a) * (1.0 - b)
}

/// 1/(1+e^−x).
pub(super) fn expit(x: f64) -> f64 {
    1.0 / (1.0 + (-x).exp())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn truths_have_the_shapes_they_are_named_for() {
        let rate = |heat: Heat, t: f64| heat.rate(t, 0.5);
        let none = Heat::none();
        assert_eq!(rate(none, 940.0), rate(none, 1000.0));
        let cup = Heat::cup();
        let best = rate(cup, CENTRE_C);
        let cool = rate(cup, CENTRE_C - 12.0);
        assert!((0.05..0.07).contains(&best), "{best}");
        assert!((0.10..0.12).contains(&cool), "{cool}");
        assert!(rate(cup, CENTRE_C + 15.0) > best);
        let one = Heat::one_sided();
        assert!((0..8).all(|i| {
            let t = 940.0 + 5.0 * f64::from(i);
            rate(one, t + 5.0) < rate(one, t)
        }));
    }

    /// With nothing that differs between sessions the long run is one session; a shift that
    /// differs lifts a small rate (Zeger, Liang & Albert 1988).
    #[test]
    fn sessions_that_differ_lift_the_long_run() {
        let cup = Heat::cup();
        assert!((cup.rate(970.0, 0.0) - cup.chance(970.0, 0.0)).abs() < 1e-12);
        assert!(cup.rate(970.0, 0.6) > cup.chance(970.0, 0.0) * 1.05);
    }
}
