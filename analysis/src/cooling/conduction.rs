//! Heat leaving a long round body through its wall: the radial heat equation by finite volumes.
//! Knows nothing of flasks; what the wall loses comes in as a function of its temperature.
//!
//! ρc ∂T/∂t = (1/r) ∂/∂r (r k ∂T/∂r), 0 < r < a, with a thin shell of heat capacity C_s at
//! r = a that gives off q(T_s): C_s dT_s/dt = −k ∂T/∂r − q(T_s). Cells are finer towards the
//! wall, where the temperature bends; the flow between neighbours is that of a steady cylinder
//! wall, k/ln(r₂/r₁). In time, the two-stage, second-order, L-stable diagonally implicit
//! Runge–Kutta method with γ = 1 − 1/√2 (Alexander, SIAM J. Numer. Anal. 14 (1977) 1006): the
//! wall's sudden cooling does not ring.

/// A long round body with a thin shell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Body {
    /// Radius, m.
    pub radius_m: f64,
    /// Thermal conductivity, W/(m K).
    pub conductivity_w_mk: f64,
    /// Heat capacity of the inside, J/(m³ K).
    pub capacity_j_m3k: f64,
    /// Heat capacity of the shell, J/(m² K); 0 for none.
    pub shell_j_m2k: f64,
}

/// How finely space and time are cut.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Fineness {
    pub cells: usize,
    pub steps: usize,
}

impl Fineness {
    /// Right to 0.25 K of 600 in the first quarter of an hour in air, which is nothing
    /// beside what is not known of the flask.
    pub const USUAL: Fineness = Fineness {
        cells: 72,
        steps: 24,
    };
}

/// How strongly cells shrink towards the wall: edges at a·[1 − (1 − i/n)^this].
const GRADING: f64 = 1.6;
/// Newton's method on the wall's one equation; a handful of rounds suffice, since what it
/// solves rises monotonically.
const MOST_ROUNDS: usize = 40;

/// Temperatures along a radius.
#[derive(Clone, Debug)]
pub(super) struct Profile {
    /// From the axis out, m; the last is the wall.
    radii_m: Vec<f64>,
    /// There, in the unit of the start.
    temperatures: Vec<f64>,
}

impl Profile {
    /// The wall's temperature.
    pub fn wall(&self) -> f64 {
        // There is always a wall: `cool` puts it last.
        self.temperatures[self.temperatures.len() - 1]
    }

    /// The temperature on the axis.
    pub fn axis(&self) -> f64 {
        self.at_radius(0.0)
    }

    /// The temperature this far inside the wall, m; deeper than the axis is the axis.
    pub fn at_depth(&self, depth_m: f64) -> f64 {
        let wall_m = self.radii_m[self.radii_m.len() - 1];
        self.at_radius((wall_m - depth_m).clamp(0.0, wall_m))
    }

    /// Cubic through the four nearest points, mirrored at the axis.
    fn at_radius(&self, r: f64) -> f64 {
        let point = |i: isize| {
            if i < 0 {
                let mirrored = (-1 - i) as usize;
                (-self.radii_m[mirrored], self.temperatures[mirrored])
            } else {
                (self.radii_m[i as usize], self.temperatures[i as usize])
            }
        };
        let beyond = self.radii_m.partition_point(|x| *x < r) as isize;
        let first = (beyond - 2).min(self.radii_m.len() as isize - 4);
        let near: [(f64, f64); 4] = std::array::from_fn(|j| point(first + j as isize));
        let mut sum = 0.0;
        for (j, (rj, tj)) in near.iter().enumerate() {
            let mut weight = 1.0;
            for (m, (rm, _)) in near.iter().enumerate() {
                if m != j {
                    weight *= (r - rm) / (rj - rm);
                }
            }
            sum += weight * tj;
        }
        sum
    }
}

/// The profile after `seconds`, starting at one temperature throughout. `loss` gives the heat
/// that leaves the wall at a temperature, W/m², and its derivative, which must not be negative.
pub(super) fn cool(
    body: &Body,
    start: f64,
    seconds: f64,
    fineness: Fineness,
    loss: impl Fn(f64) -> (f64, f64),
) -> Profile {
    let n = fineness.cells.max(4);
    let a = body.radius_m;
    let edge = |i: usize| a * (1.0 - (1.0 - i as f64 / n as f64).powf(GRADING));
    // Per radian and metre of length.
    let mut radii_m: Vec<f64> = (0..n).map(|i| (edge(i) + edge(i + 1)) / 2.0).collect();
    let capacity: Vec<f64> = (0..n)
        .map(|i| body.capacity_j_m3k * (edge(i + 1).powi(2) - edge(i).powi(2)) / 2.0)
        .collect();
    radii_m.push(a);
    let conductance: Vec<f64> = (0..n)
        .map(|i| body.conductivity_w_mk / (radii_m[i + 1] / radii_m[i]).ln())
        .collect();
    let cells = Cells {
        capacity,
        conductance,
        shell: body.shell_j_m2k * a,
        wall_m: a,
    };

    let gamma = 1.0 - 0.5_f64.sqrt();
    let mut now = vec![start; n + 1];
    let mut stage = vec![start; n + 1];
    let mut work = Work::new(n);
    let mut before_s = 0.0;
    for step in 1..=fineness.steps.max(1) {
        // Short steps first: the wall is quickest at the beginning.
        let share = step as f64 / fineness.steps.max(1) as f64;
        let until_s = seconds * share * share;
        let h = gamma * (until_s - before_s);
        before_s = until_s;
        cells.implicit(&now, h, &loss, &mut stage, &mut work);
        for (base, first) in now.iter_mut().zip(&stage) {
            *base += (1.0 - gamma) / gamma * (first - *base);
        }
        cells.implicit(&now, h, &loss, &mut stage, &mut work);
        now.copy_from_slice(&stage);
    }
    Profile {
        radii_m,
        temperatures: now,
    }
}

/// The body cut up.
struct Cells {
    /// Heat capacities from the axis out, J/K.
    capacity: Vec<f64>,
    /// Conductances to the next, W/K; the last to the wall.
    conductance: Vec<f64>,
    /// Heat capacity of the shell, J/K.
    shell: f64,
    wall_m: f64,
}

/// Space for the elimination, kept from step to step: T_i = p_i + q_i · T_{i+1}.
struct Work {
    p: Vec<f64>,
    q: Vec<f64>,
}

impl Work {
    fn new(cells: usize) -> Work {
        Work {
            p: vec![0.0; cells],
            q: vec![0.0; cells],
        }
    }
}

impl Cells {
    /// Solves C·(T − base) = h·f(T) for T: straight elimination inside, Newton at the wall.
    fn implicit(
        &self,
        base: &[f64],
        h: f64,
        loss: &impl Fn(f64) -> (f64, f64),
        out: &mut [f64],
        work: &mut Work,
    ) {
        let n = self.capacity.len();
        let (mut from_inside, mut q_before, mut p_before) = (0.0, 0.0, 0.0);
        for (i, (capacity, conductance)) in self.capacity.iter().zip(&self.conductance).enumerate()
        {
            let outward = h * conductance;
            let diagonal = capacity + from_inside * (1.0 - q_before) + outward;
            work.q[i] = outward / diagonal;
            work.p[i] = (capacity * base[i] + from_inside * p_before) / diagonal;
            (from_inside, q_before, p_before) = (outward, work.q[i], work.p[i]);
        }
        let mut wall = out[n];
        let inside = h * self.conductance[n - 1];
        for _ in 0..MOST_ROUNDS {
            let (gone, slope) = loss(wall);
            let excess = self.shell * (wall - base[n])
                + inside * ((1.0 - q_before) * wall - p_before)
                + h * self.wall_m * gone;
            let change =
                excess / (self.shell + inside * (1.0 - q_before) + h * self.wall_m * slope);
            if !change.is_finite() {
                break;
            }
            wall -= change;
            if change.abs() < 1e-9 {
                break;
            }
        }
        out[n] = wall;
        for i in (0..n).rev() {
            out[i] = work.p[i] + work.q[i] * out[i + 1];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::series::Cylinder;
    use super::*;
    use proptest::prelude::*;

    /// The wall of the classical problem: constant h, surroundings at 0, no shell.
    fn newton(h: f64) -> impl Fn(f64) -> (f64, f64) {
        move |t| (h * t, h)
    }

    fn bare(radius_m: f64) -> Body {
        Body {
            radius_m,
            conductivity_w_mk: 0.5,
            capacity_j_m3k: 1.3125e6,
            shell_j_m2k: 0.0,
        }
    }

    /// Against the series of Carslaw & Jaeger for three flasks and weak to strong cooling, from
    /// 600 K over the surroundings.
    #[test]
    fn the_classical_series_comes_out() {
        for radius_m in [0.0375, 0.05, 0.075] {
            for h in [10.0, 43.0, 62.0] {
                let body = bare(radius_m);
                let exact = Cylinder {
                    biot: h * radius_m / body.conductivity_w_mk,
                    radius_m,
                };
                for seconds in [20.0, 60.0, 120.0, 300.0, 900.0] {
                    let fourier =
                        body.conductivity_w_mk / body.capacity_j_m3k * seconds / radius_m.powi(2);
                    let ours = cool(&body, 600.0, seconds, Fineness::USUAL, newton(h));
                    for depth_m in [0.0, 0.003, 0.01, 0.02, radius_m] {
                        let theirs = 600.0 * exact.share_left(radius_m - depth_m, fourier);
                        let ours = ours.at_depth(depth_m);
                        assert!(
                            (ours - theirs).abs() < 0.25,
                            "a {radius_m} h {h} t {seconds} depth {depth_m}: {ours} {theirs}"
                        );
                    }
                }
            }
        }
    }

    /// Twice as fine is four times as near: the method is of second order in space and time.
    #[test]
    fn finer_is_nearer_at_second_order() {
        let body = bare(0.05);
        let exact = Cylinder {
            biot: 5.0,
            radius_m: 0.05,
        };
        let fourier = body.conductivity_w_mk / body.capacity_j_m3k * 120.0 / 0.05_f64.powi(2);
        let theirs = 600.0 * exact.share_left(0.04, fourier);
        let off = |times: usize| {
            let fineness = Fineness {
                cells: 72 * times,
                steps: 24 * times,
            };
            (cool(&body, 600.0, 120.0, fineness, newton(50.0)).at_depth(0.01) - theirs).abs()
        };
        let (coarse, fine) = (off(1), off(4));
        assert!(coarse < 0.25, "{coarse}");
        assert!(fine < coarse / 8.0 + 1e-4, "{coarse} {fine}");
    }

    /// What left through the wall is what the body and its shell no longer hold.
    #[test]
    fn no_heat_is_lost_on_the_way() {
        let mut body = bare(0.05);
        body.shell_j_m2k = 3900.0;
        let fineness = Fineness {
            cells: 200,
            steps: 200,
        };
        // A constant flux of 20 kW/m² for 30 s from 0.1 m² per radian·metre of wall.
        let left = cool(&body, 600.0, 30.0, fineness, |_| (20_000.0, 0.0));
        let n = fineness.cells;
        let edge = |i: usize| 0.05 * (1.0 - (1.0 - i as f64 / n as f64).powf(GRADING));
        let inside: f64 = (0..n)
            .map(|i| {
                let volume = (edge(i + 1).powi(2) - edge(i).powi(2)) / 2.0;
                body.capacity_j_m3k * volume * (600.0 - left.temperatures[i])
            })
            .sum();
        let gone = inside + body.shell_j_m2k * 0.05 * (600.0 - left.wall());
        assert!(
            (gone / (20_000.0 * 0.05 * 30.0) - 1.0).abs() < 1e-9,
            "{gone}"
        );
    }

    proptest! {
        /// Nothing gets hotter than it was, colder than the room, or hotter further out.
        #[test]
        fn heat_only_flows_out(
            radius_m in 0.02..0.12_f64, start in 50.0..900.0_f64, seconds in 0.0..3600.0_f64,
            h in 0.0..200.0_f64, shell in 0.0..10_000.0_f64,
        ) {
            let body = Body { shell_j_m2k: shell, ..bare(radius_m) };
            let profile = cool(&body, start, seconds, Fineness::USUAL, newton(h));
            let mut before = start + 1e-6;
            for t in &profile.temperatures {
                prop_assert!(*t <= before + 1e-6 && *t >= -1e-6, "{:?}", profile.temperatures);
                before = *t;
            }
        }
    }
}
