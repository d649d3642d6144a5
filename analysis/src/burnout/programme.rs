//! What a kiln is meant to do: ramps and holds, as its controller was told. It knows nothing of
//! readings; [`super::step`] compares the two.
//!
//! Published schedules for gypsum-bonded moulds are such staircases: about 150 °C, 315–370 °C,
//! 730 °C for two to four hours, then down to the casting temperature for one or two; 6, 8 or
//! 12 h in all for small, middling and large flasks (common practice).

/// One ramp and the hold after it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Where the ramp ends and what is held, °C. None, in the last step only: whatever the
    /// flasks are cast at that day.
    pub to_c: Option<f64>,
    /// How fast, K/h, up or down alike. None: as fast as the kiln can.
    pub ramp_k_h: Option<f64>,
    /// How long it is held, min. None, in the last step only: until the flasks are out.
    pub hold_min: Option<f64>,
}

/// Ramps and holds, first to last.
#[derive(Clone, Debug, PartialEq)]
pub struct Programme {
    name: String,
    steps: Vec<Step>,
}

/// Why steps are no programme.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ProgrammeError {
    /// There are none.
    #[error(
        "a programme has at least one step; add one like {{ to = \"150 Cel\", hold_min = 60 }}"
    )]
    Empty,
    /// A step other than the last has no end temperature.
    #[error("step {0} has no temperature; only the last may leave it to the flask cards")]
    NoTemperature(usize),
    /// A step other than the last has no length of hold.
    #[error("step {0} has no hold_min; only the last may hold until the flasks are out")]
    NoHold(usize),
    /// A figure that no kiln can follow.
    #[error("step {step}: {what} is {value}; it must be from {least} to {most}")]
    Figure {
        /// The step, from 1.
        step: usize,
        /// Which figure, with its unit.
        what: &'static str,
        /// As given.
        value: f64,
        /// Least taken.
        least: f64,
        /// Most taken.
        most: f64,
    },
    /// Two steps in a row that end where the other did: nothing in a trace tells them apart.
    #[error("steps {0} and {1} end within 15 K of each other; make them one step")]
    Alike(usize, usize),
}

/// What a step may hold, °C: from a warm room to what ceramic moulds for platinum are fired at
/// (common practice).
const TO_C: (f64, f64) = (30.0, 1_200.0);
/// Slowest and fastest ramp, K/h. A small kiln at full power climbs some 20 K a minute (common
/// practice).
const RAMP_K_H: (f64, f64) = (5.0, 2_000.0);
/// Longest hold, min: three days.
const HOLD_MIN: (f64, f64) = (0.0, 4_320.0);
/// Holds nearer to each other than this cannot be told apart in a kiln that ripples, K.
const APART_K: f64 = 15.0;

impl Programme {
    /// A programme of these steps.
    ///
    /// # Errors
    /// [`ProgrammeError`] when no kiln could run them or no trace could show them.
    pub fn new(name: &str, steps: Vec<Step>) -> Result<Programme, ProgrammeError> {
        if steps.is_empty() {
            return Err(ProgrammeError::Empty);
        }
        let last = steps.len();
        for (number, step) in (1..).zip(&steps) {
            if number < last && step.to_c.is_none() {
                return Err(ProgrammeError::NoTemperature(number));
            }
            if number < last && step.hold_min.is_none() {
                return Err(ProgrammeError::NoHold(number));
            }
            for (what, value, (least, most)) in [
                ("\"to\" in °C", step.to_c, TO_C),
                ("\"ramp\" in K/h", step.ramp_k_h, RAMP_K_H),
                ("\"hold_min\"", step.hold_min, HOLD_MIN),
            ] {
                if let Some(value) = value
                    && !(least..=most).contains(&value)
                {
                    return Err(ProgrammeError::Figure {
                        step: number,
                        what,
                        value,
                        least,
                        most,
                    });
                }
            }
        }
        for (number, pair) in (1..).zip(steps.windows(2)) {
            if let (Some(a), Some(b)) = (pair[0].to_c, pair[1].to_c)
                && (a - b).abs() < APART_K
            {
                return Err(ProgrammeError::Alike(number, number + 1));
            }
        }
        Ok(Programme {
            name: name.to_owned(),
            steps,
        })
    }

    /// Its name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Its steps, first to last.
    pub fn steps(&self) -> &[Step] {
        &self.steps
    }

    /// The hottest step whose temperature it says, °C.
    pub fn hottest_c(&self) -> Option<f64> {
        let temperatures = self.steps.iter().filter_map(|s| s.to_c);
        temperatures.max_by(f64::total_cmp)
    }

    /// The same, its last step ending at `flask_c`, °C, where it leaves that to the cards.
    pub fn ending_at(&self, flask_c: Option<f64>) -> Programme {
        let mut programme = self.clone();
        if let Some(last) = programme.steps.last_mut() {
            last.to_c = last.to_c.or(flask_c);
        }
        programme
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn step(to_c: Option<f64>, ramp_k_h: Option<f64>, hold_min: Option<f64>) -> Step {
        Step {
            to_c,
            ramp_k_h,
            hold_min,
        }
    }

    #[test]
    fn only_the_last_step_may_leave_things_to_the_day() {
        let day = step(None, Some(120.0), None);
        let fixed = step(Some(150.0), Some(120.0), Some(60.0));
        assert!(Programme::new("day", vec![fixed, day]).is_ok());
        assert_eq!(
            Programme::new("day", vec![day, fixed]),
            Err(ProgrammeError::NoTemperature(1))
        );
        let endless = step(Some(150.0), None, None);
        assert_eq!(
            Programme::new("day", vec![endless, day]),
            Err(ProgrammeError::NoHold(1))
        );
        assert_eq!(Programme::new("day", vec![]), Err(ProgrammeError::Empty));
    }

    #[test]
    fn a_slip_of_the_pen_is_refused_with_its_step() {
        let fixed = step(Some(150.0), Some(120.0), Some(60.0));
        let error = Programme::new("x", vec![fixed, step(Some(7300.0), None, None)]);
        assert_eq!(
            error.map_err(|e| e.to_string()),
            Err("step 2: \"to\" in °C is 7300; it must be from 30 to 1200".into())
        );
        let error = Programme::new("x", vec![fixed, step(Some(158.0), None, None)]);
        assert_eq!(error, Err(ProgrammeError::Alike(1, 2)));
        let nan = Programme::new("x", vec![step(Some(f64::NAN), None, None)]);
        assert!(matches!(nan, Err(ProgrammeError::Figure { .. })));
    }

    #[test]
    fn the_cards_say_where_an_open_end_is() {
        let open =
            Programme::new("x", vec![step(None, None, None)]).map(|p| p.ending_at(Some(555.0)));
        assert_eq!(open.map(|p| p.steps()[0].to_c), Ok(Some(555.0)));
    }
}
