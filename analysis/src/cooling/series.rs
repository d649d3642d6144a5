//! The classical answer to compare with: a long cylinder at one temperature that from time 0
//! loses heat to surroundings at 0 with a constant heat-transfer coefficient. Carslaw & Jaeger,
//! Conduction of Heat in Solids, 2nd ed. 1959, section 7.7 (also Incropera & DeWitt, section
//! 5.6):
//!
//! θ(r, Fo) = Σ 2·Bi·J₀(μₙ r/a)·e^(−μₙ² Fo) / [(μₙ² + Bi²)·J₀(μₙ)], μₙ·J₁(μₙ) = Bi·J₀(μₙ)
//!
//! For tests only; `tests/reference` computes the same with SciPy's Bessel functions.

use std::f64::consts::PI;

/// The problem without units.
pub(super) struct Cylinder {
    /// h·a/k.
    pub biot: f64,
    /// a, m.
    pub radius_m: f64,
}

impl Cylinder {
    /// The share of the starting temperature that is left at a radius.
    pub fn share_left(&self, radius_m: f64, fourier: f64) -> f64 {
        let rho = radius_m / self.radius_m;
        let mut sum = 0.0;
        for n in 0..200 {
            let mu = self.root(n);
            let fading = (-mu * mu * fourier).exp();
            if fading < 1e-16 {
                break;
            }
            let (top, bottom) = (bessel(0, mu * rho), bessel(0, mu));
            sum += 2.0 * self.biot * top * fading / ((mu * mu + self.biot * self.biot) * bottom);
        }
        sum
    }

    /// The n-th root: between the n-th zeros of J₁ and of J₀, found by halving.
    fn root(&self, n: usize) -> f64 {
        let f = |mu: f64| mu * bessel(1, mu) - self.biot * bessel(0, mu);
        // J₀ changes sign near (n + 3/4)π and J₁ near (n + 1/4)π (McMahon's expansion).
        let (mut low, mut high) = ((n as f64 + 0.2) * PI, (n as f64 + 0.8) * PI);
        if n == 0 {
            low = 1e-9;
        }
        let rising = f(low) < 0.0;
        for _ in 0..80 {
            let middle = (low + high) / 2.0;
            if (f(middle) < 0.0) == rising {
                low = middle;
            } else {
                high = middle;
            }
        }
        (low + high) / 2.0
    }
}

/// Jₙ(x) from Bessel's integral (1/π)∫₀^π cos(nτ − x·sin τ) dτ; the trapezium rule converges
/// faster than any power of the step, since the integrand is periodic.
fn bessel(n: u32, x: f64) -> f64 {
    let points = 64 + 2 * (x.abs() as u32);
    let sum: f64 = (0..points)
        .map(|i| {
            let tau = 2.0 * PI * f64::from(i) / f64::from(points);
            (f64::from(n) * tau - x * tau.sin()).cos()
        })
        .sum();
    sum / f64::from(points)
}

/// Abramowitz & Stegun, table 9.1: J₀(1) = 0.765 197 686 6, J₁(1) = 0.440 050 585 7,
/// J₀(10) = −0.245 935 764 5, J₁(10) = 0.043 472 746 2; first root for Bi = 1: 1.2558
/// (Carslaw & Jaeger, table III of appendix IV).
#[test]
fn bessel_functions_and_roots_are_those_of_the_tables() {
    for (n, x, printed) in [
        (0, 1.0, 0.765_197_686_6),
        (1, 1.0, 0.440_050_585_7),
        (0, 10.0, -0.245_935_764_5),
        (1, 10.0, 0.043_472_746_2),
    ] {
        assert!((bessel(n, x) - printed).abs() < 1e-9, "J{n}({x})");
    }
    let cylinder = Cylinder {
        biot: 1.0,
        radius_m: 1.0,
    };
    assert!((cylinder.root(0) - 1.2558).abs() < 1e-4);
}
