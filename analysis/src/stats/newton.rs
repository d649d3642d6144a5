//! The top of a log-likelihood by Newton's method, for the fits that have no simpler way. It is
//! not told where the hill is concave: directions in which it is not are climbed by the size of
//! their curvature, and no step is taken that goes down. A log-likelihood that is itself a sum over
//! nodes may be out of step with its derivatives in the far decimals; there the slope decides.

use nalgebra::SymmetricEigen;

use super::error::StatsError;
use super::{Matrix, Vector};

/// Steps before a fit is given up.
const MOST_STEPS: usize = 120;
/// Settled when no parameter moves by more than this. The parameters are logits, or logarithms of
/// spreads, of columns brought to a mean square of 1; the next step would be its square.
const SETTLED: f64 = 1e-8;
/// The longest step of one parameter.
const LONGEST: f64 = 3.0;
/// Falls below this share of the value are rounding, not a way down.
const ROUNDING: f64 = 1e-11;
/// Falls below this share of the value are allowed if the slope lessens.
const OUT_OF_STEP: f64 = 1e-6;
/// Curvatures are kept above this share of the greatest, so that a flat direction does not make
/// a step of any length.
const FLATTEST: f64 = 1e-13;

/// A log-likelihood at one place.
#[derive(Clone, Debug)]
pub(super) struct Surface {
    /// The log-likelihood.
    pub value: f64,
    /// Its first derivatives.
    pub gradient: Vector,
    /// Its second derivatives.
    pub hessian: Matrix,
}

impl Surface {
    /// Nowhere anything that is not a number.
    fn sound(&self) -> bool {
        self.value.is_finite()
            && self.gradient.iter().all(|v| v.is_finite())
            && self.hessian.iter().all(|v| v.is_finite())
    }

    /// Newton's decrement gᵀ|H|⁻¹g: the square of how far the top is, in standard errors.
    pub(super) fn decrement(&self) -> f64 {
        uphill(self).dot(&self.gradient)
    }

    /// (−H)⁻¹, the covariance by observed information; `None` unless this is a top.
    pub(super) fn covariance(&self) -> Option<Matrix> {
        let inverse = (-&self.hessian).cholesky()?.inverse();
        inverse.iter().all(|v| v.is_finite()).then_some(inverse)
    }
}

/// Where a climb ended.
pub(super) enum Climb {
    /// At a top.
    Top {
        /// Its parameters.
        at: Vector,
        /// The log-likelihood there.
        surface: Surface,
        /// Steps taken.
        steps: usize,
    },
    /// Out of bounds, as the caller said.
    Out(Vector),
}

/// Climbs from `start` until the parameters settle or `out` says that they left the ground on
/// which a top is looked for. `hill` gives the log-likelihood with derivatives, `None` where it
/// cannot be computed.
///
/// Newton's method with the absolute values of the curvatures (Nocedal & Wright 2006, Numerical
/// Optimization, 3.4), each step halved while the log-likelihood falls.
///
/// # Errors
/// [`StatsError::NotSettled`] naming `what`.
pub(super) fn climb(
    what: &'static str,
    start: Vector,
    mut hill: impl FnMut(&Vector) -> Option<Surface>,
    out: impl Fn(&Vector) -> bool,
) -> Result<Climb, StatsError> {
    let lost = |steps| StatsError::NotSettled { what, steps };
    let mut at = start;
    let mut here = hill(&at).filter(Surface::sound).ok_or(lost(0))?;
    let mut change = uphill(&here);
    for step in 1..=MOST_STEPS {
        // What the step should gain, twice over (Newton's decrement).
        let gain = change.dot(&here.gradient);
        let longest = change.amax();
        if longest > LONGEST {
            change *= LONGEST / longest;
        }
        let least = here.value - ROUNDING * (1.0 + here.value.abs());
        let near = here.value - OUT_OF_STEP * (1.0 + here.value.abs());
        let mut taken = None;
        for _ in 0..40 {
            let next = &at + &change;
            if let Some(there) = hill(&next).filter(|s| s.sound() && s.value >= near) {
                let on = uphill(&there);
                if there.value >= least || on.dot(&there.gradient) < 0.25 * gain {
                    taken = Some((next, there, on));
                    break;
                }
            }
            change *= 0.5;
        }
        let moved = change.amax();
        if let Some((next, there, on)) = taken {
            (at, here, change) = (next, there, on);
        } else if longest > 1e-5 {
            return Err(lost(step));
        }
        if out(&at) {
            return Ok(Climb::Out(at));
        }
        if moved < SETTLED {
            return Ok(Climb::Top {
                at,
                surface: here,
                steps: step,
            });
        }
    }
    Err(lost(MOST_STEPS))
}

/// |H|⁻¹·gradient.
fn uphill(here: &Surface) -> Vector {
    let eigen = SymmetricEigen::new(here.hessian.clone());
    let least = (eigen.eigenvalues.amax() * FLATTEST).max(1e-300);
    let mut part = eigen.eigenvectors.tr_mul(&here.gradient);
    for (p, curvature) in part.iter_mut().zip(eigen.eigenvalues.iter()) {
        *p /= curvature.abs().max(least);
    }
    &eigen.eigenvectors * part
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// −(x²−1)²: two tops at ±1 and a valley at 0 in which plain Newton would settle.
    fn two_tops(at: &Vector) -> Option<Surface> {
        let x = at[0];
        Some(Surface {
            value: -(x * x - 1.0).powi(2),
            gradient: Vector::from_element(1, -4.0 * x * (x * x - 1.0)),
            hessian: Matrix::from_element(1, 1, -12.0 * x * x + 4.0),
        })
    }

    #[test]
    fn a_valley_is_left_for_the_top() {
        let start = Vector::from_element(1, 0.01);
        let Climb::Top { at, surface, .. } = climb("test", start, two_tops, |_| false).unwrap()
        else {
            panic!("out of bounds");
        };
        assert!((at[0] - 1.0).abs() < 1e-8, "{at}");
        assert!((surface.covariance().unwrap()[(0, 0)] - 0.125).abs() < 1e-6);
    }

    #[test]
    fn bounds_and_hills_without_a_top_are_said() {
        let start = Vector::from_element(1, 0.01);
        let ended = climb("test", start.clone(), two_tops, |at| at[0] > 0.5).unwrap();
        assert!(matches!(ended, Climb::Out(at) if at[0] > 0.5));
        let slope = |at: &Vector| {
            Some(Surface {
                value: at[0],
                gradient: Vector::from_element(1, 1.0),
                hessian: Matrix::from_element(1, 1, -1e-3),
            })
        };
        assert!(climb("test", start.clone(), slope, |_| false).is_err());
        assert!(climb("test", start, |_| None, |_| false).is_err());
    }
}
