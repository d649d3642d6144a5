//! A shop's own flask, measured: a few readings of a thermocouple in it after it left the kiln
//! sharpen what the literature says of investment and wall. One measured flask moves the
//! figures as far as its readings carry and no further; several add up.
//!
//! The figures' logarithms have the literature's normal distribution beforehand; each reading
//! adds its own, with the scatter of the sensor, of the clock, and of where exactly its tip
//! sits, which every reading of one flask shares. The answer is the joint maximum, found by
//! damped least squares (Levenberg–Marquardt), and its curvature is the covariance.

use super::ranges::{self, invert};
use super::{LONGEST_S, Mould};
use crate::thermocouple::REPEATABILITY_SD_K;

/// How well the time of a reading is known, s.
const CLOCK_SD_S: f64 = 2.0;
/// How well it is known how deep a thermocouple's tip sits, mm.
const DEPTH_SD_MM: f64 = 1.0;
/// How far the first reading may be from what the flask had in the kiln, K: hardly a limit.
const START_SD_K: f64 = 300.0;
/// Readings that lie this many standard deviations from what is usual, per degree of freedom,
/// are mistaken or of something else.
const MOST_DEVIATIONS: f64 = 4.0;
/// Readings nearer than this in time tell nothing apart, s.
const LEAST_APART_S: f64 = 20.0;
/// What a flask on its way to the pour can read, °C.
const READINGS_C: std::ops::RangeInclusive<f64> = 100.0..=1000.0;
/// Shallower than this the tip measures the wall, mm.
const SHALLOWEST_MM: f64 = 3.0;

/// One flask that was measured while it cooled in air.
#[derive(Clone, Debug, PartialEq)]
pub struct CoolingTest {
    /// Its diameter, mm.
    pub diameter_mm: f64,
    /// How far inside the wall the thermocouple's tip sat, mm; the radius is the axis.
    pub depth_mm: f64,
    /// Seconds since it left the kiln, and °C. Two or more.
    pub readings: Vec<(f64, f64)>,
}

/// Why a measured flask calibrates nothing.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum CoolingError {
    /// One reading, or none, or all at one time.
    #[error(
        "two readings at least {LEAST_APART_S} s apart are needed, the first soon after the kiln"
    )]
    TooFew,
    /// A diameter that no flask has.
    #[error(
        "a flask of {diameter_mm} mm is none; give its diameter in millimetres, {} to {}",
        ranges::DIAMETER_MM.start(), ranges::DIAMETER_MM.end()
    )]
    Diameter {
        /// As given, mm.
        diameter_mm: f64,
    },
    /// A tip on the wall, or outside the flask.
    #[error(
        "a thermocouple {depth_mm} mm inside a flask of {diameter_mm} mm does not read what the pieces feel; put its tip from {SHALLOWEST_MM} mm inside the wall to the axis ({} mm)",
        diameter_mm / 2.0
    )]
    Depth {
        /// As given, mm.
        depth_mm: f64,
        /// The flask's, mm.
        diameter_mm: f64,
    },
    /// A reading that cannot be one.
    #[error(
        "{celsius} °C after {seconds} s is no reading of a cooling flask; times run from 0 to {LONGEST_S} s, temperatures from {} to {} °C",
        READINGS_C.start(), READINGS_C.end()
    )]
    Reading {
        /// As given, s.
        seconds: f64,
        /// As given, °C.
        celsius: f64,
    },
    /// The flask did not cool.
    #[error(
        "the flask read {first_c:.0} °C and later {last_c:.0} °C: it did not cool; check the order of the readings"
    )]
    NotCooling {
        /// The first, °C.
        first_c: f64,
        /// The last, °C.
        last_c: f64,
    },
    /// Nothing a flask in air would do.
    #[error(
        "from {first_c:.0} °C the flask lost {lost_k:.0} K in {seconds:.0} s; at that depth {expected_k:.0} K is usual. Check the times, the unit, and how deep the thermocouple sat"
    )]
    Unlikely {
        /// The first reading, °C.
        first_c: f64,
        /// What it lost to the last, K.
        lost_k: f64,
        /// In this time, s.
        seconds: f64,
        /// What the model before expects, K.
        expected_k: f64,
    },
}

impl CoolingTest {
    /// Readings in order of time, after all that can be checked without a model.
    fn checked(&self) -> Result<Vec<(f64, f64)>, CoolingError> {
        let diameter_mm = self.diameter_mm;
        if !ranges::DIAMETER_MM.contains(&diameter_mm) {
            return Err(CoolingError::Diameter { diameter_mm });
        }
        if !(SHALLOWEST_MM..=diameter_mm / 2.0).contains(&self.depth_mm) {
            let depth_mm = self.depth_mm;
            return Err(CoolingError::Depth {
                depth_mm,
                diameter_mm,
            });
        }
        for (seconds, celsius) in &self.readings {
            if !(0.0..=LONGEST_S).contains(seconds) || !READINGS_C.contains(celsius) {
                return Err(CoolingError::Reading {
                    seconds: *seconds,
                    celsius: *celsius,
                });
            }
        }
        let mut readings = self.readings.clone();
        readings.sort_by(|a, b| a.0.total_cmp(&b.0));
        let ((Some(first), Some(last)), 2..) =
            ((readings.first(), readings.last()), readings.len())
        else {
            return Err(CoolingError::TooFew);
        };
        if last.0 - first.0 < LEAST_APART_S {
            return Err(CoolingError::TooFew);
        }
        if last.1 - first.1 > 2.0 * REPEATABILITY_SD_K {
            return Err(CoolingError::NotCooling {
                first_c: first.1,
                last_c: last.1,
            });
        }
        Ok(readings)
    }
}

/// The literature's mould, sharpened by the flasks that were measured. No tests: the
/// literature's.
///
/// # Errors
/// For the first test that cannot be, or that is more than four standard deviations from what
/// the literature allows.
///
/// ```
/// # use analysis::cooling::{CoolingTest, Mould, calibrate};
/// let measured = CoolingTest { diameter_mm: 100.0, depth_mm: 10.0,
///                              readings: vec![(0.0, 600.0), (120.0, 548.0)] };
/// let mould = calibrate(&[measured])?;
/// // It lost more than is usual: the mould conducts better, or its wall loses more.
/// assert!(mould.conductivity_w_mk * mould.wall_loss > 0.5);
/// # Ok::<(), analysis::cooling::CoolingError>(())
/// ```
pub fn calibrate(tests: &[CoolingTest]) -> Result<Mould, CoolingError> {
    let mut flasks = Vec::new();
    for test in tests {
        let readings = test.checked()?;
        let flask = Measured::new(test, readings);
        let alone = Fit::of(std::slice::from_ref(&flask)).best();
        let freedom = (flask.readings.len() - 1) as f64;
        if alone.cost > MOST_DEVIATIONS.powi(2) * freedom {
            return Err(flask.unlikely());
        }
        flasks.push(flask);
    }
    Ok(Fit::of(&flasks).best().mould())
}

/// A test with what does not change while fitting.
struct Measured {
    diameter_mm: f64,
    depth_mm: f64,
    readings: Vec<(f64, f64)>,
    /// Standard deviation of each reading, K: sensor and clock.
    sd_k: Vec<f64>,
}

impl Measured {
    fn new(test: &CoolingTest, readings: Vec<(f64, f64)>) -> Measured {
        let mut flask = Measured {
            diameter_mm: test.diameter_mm,
            depth_mm: test.depth_mm,
            sd_k: Vec::new(),
            readings,
        };
        let usual = Mould::default();
        let from_c = flask.readings.first().map_or(0.0, |r| r.1);
        flask.sd_k = flask
            .readings
            .iter()
            .map(|(seconds, _)| {
                let at = |s: f64| flask.predict(&usual, from_c, 0.0, s.max(0.0));
                let slope_k_s = (at(seconds + 5.0) - at(seconds - 5.0)) / 10.0;
                REPEATABILITY_SD_K.hypot(slope_k_s * CLOCK_SD_S)
            })
            .collect();
        flask
    }

    /// What the thermocouple would read, °C.
    fn predict(&self, mould: &Mould, from_c: f64, deeper_mm: f64, seconds: f64) -> f64 {
        mould
            .profile(self.diameter_mm, from_c, seconds)
            .at_depth((self.depth_mm + deeper_mm).max(0.0) / 1000.0)
    }

    fn unlikely(&self) -> CoolingError {
        let first = self.readings[0];
        let last = self.readings[self.readings.len() - 1];
        let usual = Mould::default();
        let at = |seconds| self.predict(&usual, first.1, 0.0, seconds);
        CoolingError::Unlikely {
            first_c: first.1,
            lost_k: first.1 - last.1,
            seconds: last.0 - first.0,
            expected_k: at(first.0) - at(last.0),
        }
    }
}

/// The joint fit. Parameters: three logarithms against the literature's mould, then for each
/// flask its start over the first reading, K, and how much deeper the tip sat, mm.
struct Fit<'a> {
    flasks: &'a [Measured],
    prior: [f64; 3],
}

struct Best {
    at: Vec<f64>,
    cost: f64,
    covariance: [[f64; 3]; 3],
}

impl Best {
    fn mould(&self) -> Mould {
        let mut mould = Mould::default().moved([self.at[0], self.at[1], self.at[2]]);
        mould.covariance = self.covariance;
        mould
    }
}

impl<'a> Fit<'a> {
    fn of(flasks: &'a [Measured]) -> Fit<'a> {
        let usual = Mould::default().covariance;
        Fit {
            flasks,
            prior: std::array::from_fn(|i| usual[i][i].sqrt()),
        }
    }

    /// Deviations in standard deviations: of the parameters from what is known beforehand, then
    /// of the readings.
    fn deviations(&self, at: &[f64]) -> Vec<f64> {
        let mould = Mould::default().moved([at[0], at[1], at[2]]);
        let mut out: Vec<f64> = (0..3).map(|i| at[i] / self.prior[i]).collect();
        for (flask, own) in self.flasks.iter().zip(at[3..].chunks(2)) {
            out.push(own[0] / START_SD_K);
            out.push(own[1] / DEPTH_SD_MM);
            let from_c = flask.readings[0].1 + own[0];
            for ((seconds, celsius), sd) in flask.readings.iter().zip(&flask.sd_k) {
                out.push((flask.predict(&mould, from_c, own[1], *seconds) - celsius) / sd);
            }
        }
        out
    }

    /// JᵀJ and Jᵀr, by central differences.
    fn normal(&self, at: &[f64], here: &[f64]) -> (Vec<Vec<f64>>, Vec<f64>) {
        let n = at.len();
        let columns: Vec<Vec<f64>> = (0..n)
            .map(|j| {
                let step = match j {
                    0..3 => 1e-3,
                    _ if (j - 3).is_multiple_of(2) => 0.1,
                    _ => 1e-2,
                };
                let shifted = |by: f64| {
                    let mut moved = at.to_vec();
                    moved[j] += by;
                    self.deviations(&moved)
                };
                let (up, down) = (shifted(step), shifted(-step));
                up.iter()
                    .zip(down)
                    .map(|(u, d)| (u - d) / (2.0 * step))
                    .collect()
            })
            .collect();
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
        let square = columns
            .iter()
            .map(|a| columns.iter().map(|b| dot(a, b)).collect())
            .collect();
        (square, columns.iter().map(|a| dot(a, here)).collect())
    }

    fn best(&self) -> Best {
        let mut at = vec![0.0; 3 + 2 * self.flasks.len()];
        let mut here = self.deviations(&at);
        let cost_of = |r: &[f64]| r.iter().map(|x| x * x).sum::<f64>();
        let mut cost = cost_of(&here);
        let mut damping = 1e-3;
        for _ in 0..60 {
            let (square, gradient) = self.normal(&at, &here);
            let mut damped = square;
            for (i, row) in damped.iter_mut().enumerate() {
                row[i] *= 1.0 + damping;
            }
            let Some(inverse) = invert(damped) else { break };
            let step: Vec<f64> = inverse
                .iter()
                .map(|row| -row.iter().zip(&gradient).map(|(a, b)| a * b).sum::<f64>())
                .collect();
            let tried: Vec<f64> = at.iter().zip(&step).map(|(a, s)| a + s).collect();
            let there = self.deviations(&tried);
            let cost_there = cost_of(&there);
            if cost_there < cost {
                let gained = cost - cost_there;
                (at, here, cost) = (tried, there, cost_there);
                damping = (damping / 10.0_f64).max(1e-9);
                if gained < 1e-9 * (1.0 + cost) {
                    break;
                }
            } else {
                damping *= 10.0;
                if damping > 1e6 {
                    break;
                }
            }
        }
        let (square, _) = self.normal(&at, &here);
        // Its diagonal holds the prior's, so that it can always be inverted.
        let inverse = invert(square);
        let covariance = inverse.map_or(Mould::default().covariance, |inverse| {
            std::array::from_fn(|i| std::array::from_fn(|j| inverse[i][j]))
        });
        Best {
            at,
            cost,
            covariance,
        }
    }
}

/// What a flask loses where its pieces hang in the first two minutes from 600 °C, K, and its
/// standard uncertainty: a figure by which moulds can be compared.
pub fn loss_in_two_minutes(mould: &Mould, diameter_mm: f64) -> Option<(f64, f64)> {
    let way = super::Way {
        kiln_c: 600.0,
        kiln_sd_k: 0.0,
        seconds: 120.0,
        seconds_sd: 0.0,
        diameter_mm: Some(diameter_mm),
    };
    super::cooled(mould, &way).map(|flask| (600.0 - flask.pieces.celsius, flask.pieces.sd_k))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::super::PIECES_DEPTH_MM;
    use super::*;

    /// A flask that behaves exactly like this mould.
    fn measured(mould: &Mould, depth_mm: f64, at_s: &[f64]) -> CoolingTest {
        let readings = at_s
            .iter()
            .map(|s| {
                (
                    *s,
                    mould.profile(100.0, 600.0, *s).at_depth(depth_mm / 1000.0),
                )
            })
            .collect();
        CoolingTest {
            diameter_mm: 100.0,
            depth_mm,
            readings,
        }
    }

    fn loss(mould: &Mould) -> (f64, f64) {
        loss_in_two_minutes(mould, 100.0).unwrap()
    }

    #[test]
    fn no_measurement_leaves_the_literature() {
        let mould = calibrate(&[]).unwrap();
        let usual = Mould::default();
        assert_eq!(mould.conductivity_w_mk, usual.conductivity_w_mk);
        for i in 0..3 {
            for j in 0..3 {
                assert!((mould.covariance[i][j] - usual.covariance[i][j]).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn a_flask_that_behaves_as_usual_changes_nothing_but_the_doubt() {
        let usual = Mould::default();
        let test = measured(&usual, PIECES_DEPTH_MM, &[0.0, 120.0]);
        let mould = calibrate(&[test]).unwrap();
        assert!((loss(&mould).0 - loss(&usual).0).abs() < 0.1);
        assert!(
            loss(&mould).1 < 0.8 * loss(&usual).1,
            "{} {}",
            loss(&mould).1,
            loss(&usual).1
        );
    }

    /// The truth is made up; the point is that two readings bring the answer most of the way,
    /// and several with a second flask all of it.
    #[test]
    fn two_readings_bring_a_shops_own_mould_near() {
        let truth = Mould::default().moved([0.35, 0.0, 0.15]);
        let off = |mould: &Mould| (loss(mould).0 - loss(&truth).0).abs();
        let once = calibrate(&[measured(&truth, 10.0, &[5.0, 125.0])]).unwrap();
        assert!(
            off(&once) < 0.4 * off(&Mould::default()),
            "{} {}",
            off(&once),
            off(&Mould::default())
        );
        assert!(off(&once) < 2.0 * loss(&once).1);
        let thrice = calibrate(&[
            measured(&truth, 10.0, &[0.0, 60.0, 120.0, 240.0]),
            measured(&truth, 20.0, &[0.0, 120.0, 300.0, 600.0]),
            measured(&truth, 6.0, &[0.0, 45.0, 90.0]),
        ])
        .unwrap();
        assert!(off(&thrice) < off(&once));
        assert!(loss(&thrice).1 < loss(&once).1);
    }

    /// The order in which readings and flasks are written down does not matter.
    #[test]
    fn order_does_not_matter() {
        let truth = Mould::default().moved([-0.2, 0.05, 0.1]);
        let one = measured(&truth, 10.0, &[0.0, 120.0]);
        let mut other = measured(&truth, 25.0, &[0.0, 300.0, 600.0]);
        let first = calibrate(&[one.clone(), other.clone()]).unwrap();
        other.readings.reverse();
        let second = calibrate(&[other, one]).unwrap();
        assert!((first.conductivity_w_mk - second.conductivity_w_mk).abs() < 1e-4);
        assert!((first.wall_loss - second.wall_loss).abs() < 1e-4);
    }

    #[test]
    fn what_cannot_be_is_refused_with_what_to_do() {
        let good = CoolingTest {
            diameter_mm: 100.0,
            depth_mm: 10.0,
            readings: vec![(0.0, 600.0), (120.0, 558.0)],
        };
        calibrate(std::slice::from_ref(&good)).unwrap();
        let said = |spoil: fn(&mut CoolingTest)| {
            let mut test = good.clone();
            spoil(&mut test);
            calibrate(&[test]).unwrap_err().to_string()
        };
        for (spoil, expected) in [
            (
                (|t| t.readings.truncate(1)) as fn(&mut CoolingTest),
                "two readings at least 20 s apart are needed, the first soon after the kiln",
            ),
            (
                |t| t.readings[1].0 = 10.0,
                "two readings at least 20 s apart are needed, the first soon after the kiln",
            ),
            (
                |t| t.readings[1].1 = 640.0,
                "the flask read 600 °C and later 640 °C: it did not cool; check the order of the readings",
            ),
            (
                |t| t.readings[1].1 = 1036.0,
                "1036 °C after 120 s is no reading of a cooling flask; times run from 0 to 3600 s, temperatures from 100 to 1000 °C",
            ),
            (
                |t| t.diameter_mm = 4.0,
                "a flask of 4 mm is none; give its diameter in millimetres, 30 to 400",
            ),
            (
                |t| t.depth_mm = 1.0,
                "a thermocouple 1 mm inside a flask of 100 mm does not read what the pieces feel; put its tip from 3 mm inside the wall to the axis (50 mm)",
            ),
        ] {
            assert_eq!(said(spoil), expected);
        }
        let far = said(|t| t.readings[1].1 = 380.0);
        assert!(
            far.starts_with("from 600 °C the flask lost 220 K in 120 s; at that depth 4"),
            "{far}"
        );
        assert!(!said(|t| t.readings[1].0 = f64::NAN).is_empty());
    }
}
