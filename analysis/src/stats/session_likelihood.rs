//! The likelihood of sessions that differ: each session's unknown level is integrated out, with
//! first and second derivatives of the logarithm of the integral in everything that is estimated.

use nalgebra::SymmetricEigen;

use super::beta_binomial::{Flasks, Row};
use super::counts::Counts;
use super::linear::Turned;
use super::newton::Surface;
use super::{Matrix, Vector};

/// The curvature that a session's integrand is at least taken to have, so that its nodes never
/// spread out too far. The normal distribution alone has 1.
const LEAST_CURVATURE: f64 = 0.3;

/// The flasks by session, and the nodes.
pub(super) struct SessionLikelihood<'a> {
    /// The turned columns.
    pub(super) turned: Turned,
    counts: &'a Counts,
    sessions: Vec<Vec<usize>>,
}

/// Where a session's integrand is looked at.
pub(super) struct Nodes {
    /// Places and logarithms of weights.
    list: Vec<(f64, f64)>,
    /// Whether places are counted from each session's mode in units of its width, else they are
    /// levels in themselves.
    adaptive: bool,
}

impl Nodes {
    /// How many there are.
    pub(super) fn number(&self) -> usize {
        self.list.len()
    }
}

/// What one session adds, kept between sessions so that nothing is allocated anew.
struct Parts {
    value: f64,
    gradient: Vector,
    hessian: Matrix,
    /// ln of each node's part of the integral, then its share.
    shares: Vec<f64>,
    /// Parameters × nodes: the gradient at each node.
    gradients: Matrix,
    /// Rows of the session at each node.
    rows: Vec<Row>,
}

impl<'a> SessionLikelihood<'a> {
    pub(super) fn new(turned: Turned, counts: &'a Counts) -> SessionLikelihood<'a> {
        SessionLikelihood {
            turned,
            counts,
            sessions: counts.rows_by_session(),
        }
    }

    /// Where the search for each session's mode starts when nothing is known.
    pub(super) fn no_modes(&self) -> Vec<f64> {
        vec![0.0; self.sessions.len()]
    }

    /// The log-likelihood without binomial coefficients at (turned coefficients, ln σ if `sd`,
    /// ln θ if `theta`). `modes` are where each session's integrand was highest the last time.
    pub(super) fn surface(
        &self,
        at: &Vector,
        sd: bool,
        theta: bool,
        nodes: &Nodes,
        modes: &mut [f64],
    ) -> Option<Surface> {
        let columns = self.turned.rows.nrows();
        let sigma = if sd { at[columns].exp() } else { 0.0 };
        let theta_at = columns + usize::from(sd);
        let flasks = Flasks::new(if theta { at[theta_at].exp() } else { 0.0 }, self.counts);
        let linear = self.turned.rows.tr_mul(&at.rows(0, columns));
        let dims = at.len();
        let mut parts = Parts {
            value: 0.0,
            gradient: Vector::zeros(dims),
            hessian: Matrix::zeros(dims, dims),
            shares: vec![0.0; nodes.list.len()],
            gradients: Matrix::zeros(dims, nodes.list.len()),
            rows: Vec::new(),
        };
        for (rows, mode) in self.sessions.iter().zip(modes.iter_mut()) {
            let (at, scale) = if nodes.adaptive {
                let (at, curvature) = self.mode(rows, &linear, sigma, &flasks, *mode);
                *mode = at;
                (at, (2.0 / curvature.max(LEAST_CURVATURE)).sqrt())
            } else {
                (0.0, 1.0)
            };
            self.add(
                rows,
                &linear,
                (sigma, sd),
                (&flasks, theta),
                (nodes, at, scale),
                &mut parts,
            );
        }
        let Parts {
            value,
            gradient,
            mut hessian,
            ..
        } = parts;
        hessian.fill_lower_triangle_with_upper_triangle();
        Some(Surface {
            value,
            gradient,
            hessian,
        })
    }

    /// Where Σ ln f(η+σv) − v²/2 is highest, and its curvature there. Newton's method inside what
    /// the sign of the slope has bracketed.
    fn mode(
        &self,
        rows: &[usize],
        linear: &Vector,
        sigma: f64,
        flasks: &Flasks,
        start: f64,
    ) -> (f64, f64) {
        let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
        let mut v = start;
        let mut curvature = 1.0;
        for _ in 0..60 {
            let (mut slope, mut bend) = (-v, 1.0);
            for row in rows {
                let r = self.row(*row, linear[*row] + sigma * v, flasks);
                slope += sigma * r.e;
                bend -= sigma * sigma * r.ee;
            }
            curvature = bend;
            if slope > 0.0 {
                low = v;
            } else {
                high = v;
            }
            let step = (slope / bend.max(LEAST_CURVATURE)).clamp(-2.0, 2.0);
            let mut next = v + step;
            if !(next > low && next < high) {
                next = 0.5 * (low + high);
            }
            if !next.is_finite() || (next - v).abs() < 1e-7 {
                break;
            }
            v = next;
        }
        (v, curvature)
    }

    fn row(&self, row: usize, eta: f64, flasks: &Flasks) -> Row {
        flasks.row(self.counts.events()[row], self.counts.trials()[row], eta)
    }

    /// Adds a session. With πq the share of node q in the integral, gq the gradient and Hq the
    /// second derivatives of the logarithm of the integrand there, the gradient is ḡ = Σπg and
    /// the second derivatives are ΣπH + Σπ(g−ḡ)(g−ḡ)ᵀ. Only the upper triangle is filled.
    fn add(
        &self,
        rows: &[usize],
        linear: &Vector,
        (sigma, sd): (f64, bool),
        (flasks, theta): (&Flasks, bool),
        (nodes, mode, scale): (&Nodes, f64, f64),
        parts: &mut Parts,
    ) {
        let x = &self.turned.rows;
        let columns = x.nrows();
        let dims = parts.gradient.len();
        let theta_at = dims - 1;
        parts.rows.clear();
        parts.gradients.fill(0.0);
        // At each node: the integrand and its gradient.
        for (q, (place, weight)) in nodes.list.iter().enumerate() {
            let v = mode + scale * place;
            let mut ln = weight + scale.ln() - 0.5 * v * v - 0.5 * std::f64::consts::TAU.ln();
            let mut gradient = parts.gradients.column_mut(q);
            let mut slope = 0.0;
            for row in rows {
                let r = self.row(*row, linear[*row] + sigma * v, flasks);
                ln += r.value;
                slope += r.e;
                gradient
                    .rows_mut(0, columns)
                    .axpy(r.e, &x.column(*row), 1.0);
                if theta {
                    gradient[theta_at] += r.t;
                }
                parts.rows.push(r);
            }
            if sd {
                gradient[columns] = sigma * v * slope;
            }
            parts.shares[q] = ln;
        }
        let most = parts
            .shares
            .iter()
            .fold(f64::NEG_INFINITY, |m, l| m.max(*l));
        let total: f64 = parts.shares.iter().map(|l| (l - most).exp()).sum();
        parts.value += most + total.ln();
        for share in &mut parts.shares {
            *share = (*share - most).exp() / total;
        }
        // The mean gradient, and how gradients spread about it.
        let mut mean = Vector::zeros(dims);
        for (q, share) in parts.shares.iter().enumerate() {
            mean.axpy(*share, &parts.gradients.column(q), 1.0);
        }
        for (q, share) in parts.shares.iter().enumerate() {
            let root = share.sqrt();
            let mut gradient = parts.gradients.column_mut(q);
            gradient -= &mean;
            gradient *= root;
        }
        parts.gradient += &mean;
        for gradient in parts.gradients.column_iter() {
            for (a, whole) in gradient.iter().enumerate() {
                add_to_column(&mut parts.hessian, a, *whole, gradient.as_slice());
            }
        }
        // The mean of the second derivatives.
        for (i, row) in rows.iter().enumerate() {
            let (mut ee, mut e_sd, mut e_theta) = (0.0, 0.0, 0.0);
            let (mut sd_sd, mut sd_theta, mut theta_theta) = (0.0, 0.0, 0.0);
            for (q, share) in parts.shares.iter().enumerate() {
                let r = parts.rows[q * rows.len() + i];
                let by_sd = sigma * (mode + scale * nodes.list[q].0);
                ee += share * r.ee;
                e_sd += share * r.ee * by_sd;
                e_theta += share * r.et;
                sd_sd += share * (r.ee * by_sd * by_sd + r.e * by_sd);
                sd_theta += share * r.et * by_sd;
                theta_theta += share * r.tt;
            }
            let z = x.column(*row);
            for (a, value) in z.iter().enumerate() {
                add_to_column(&mut parts.hessian, a, ee * value, z.as_slice());
            }
            if sd {
                for (b, value) in z.iter().enumerate() {
                    parts.hessian[(b, columns)] += e_sd * value;
                }
                parts.hessian[(columns, columns)] += sd_sd;
            }
            if theta {
                for (b, value) in z.iter().enumerate() {
                    parts.hessian[(b, theta_at)] += e_theta * value;
                }
                if sd {
                    parts.hessian[(columns, theta_at)] += sd_theta;
                }
                parts.hessian[(theta_at, theta_at)] += theta_theta;
            }
        }
    }
}

/// Adds `times` × `values` to the upper part of a column.
fn add_to_column(matrix: &mut Matrix, column: usize, times: f64, values: &[f64]) {
    let rows = matrix.nrows();
    let upper = &mut matrix.as_mut_slice()[column * rows..=column * rows + column];
    for (sum, value) in upper.iter_mut().zip(values) {
        *sum += times * value;
    }
}

/// Levels a step apart from −9 to 9: the trapezium rule, for integrands too lopsided for nodes about
/// a mode. Its error on an analytic integrand falls as e^(−2πd/step), d being how far the nearest
/// pole lies off the real line, π/σ (Trefethen & Weideman 2014, SIAM Review 56:385–458).
pub(super) fn even(step: f64) -> Nodes {
    let side = (9.0 / step).ceil() as i32;
    Nodes {
        list: (-side..=side)
            .map(|k| (f64::from(k) * step, step.ln()))
            .collect(),
        adaptive: false,
    }
}

/// Places xq and ln(wq·e^(xq²)) of Gauss–Hermite quadrature ∫f(x)e^(−x²)dx ≈ Σwq·f(xq), from the
/// eigenvalues of the recurrence's matrix (Golub & Welsch 1969, Mathematics of Computation
/// 23:221–230).
pub(super) fn hermite(nodes: usize) -> Nodes {
    let mut matrix = Matrix::zeros(nodes, nodes);
    for k in 1..nodes {
        let beside = (k as f64 / 2.0).sqrt();
        matrix[(k - 1, k)] = beside;
        matrix[(k, k - 1)] = beside;
    }
    let eigen = SymmetricEigen::new(matrix);
    let mut list: Vec<(f64, f64)> = eigen
        .eigenvalues
        .iter()
        .map(|x| (*x, ln_weight(nodes, *x)))
        .collect();
    list.sort_by(|a, b| a.0.total_cmp(&b.0));
    Nodes {
        list,
        adaptive: true,
    }
}

/// ln(w·e^(x²)) at a root x: w = 1 ÷ Σ_{k<n} hₖ(x)² over orthonormal Hermite polynomials, taken as
/// Hermite functions hₖ(x)·e^(−x²/2), which neither overflow nor lose the small weights, as the
/// eigenvectors would.
fn ln_weight(nodes: usize, x: f64) -> f64 {
    let mut before = 0.0;
    let mut here = std::f64::consts::PI.powf(-0.25) * (-0.5 * x * x).exp();
    let mut sum = 0.0;
    for k in 0..nodes {
        sum += here * here;
        let k = k as f64;
        let next = x * (2.0 / (k + 1.0)).sqrt() * here - (k / (k + 1.0)).sqrt() * before;
        (before, here) = (here, next);
    }
    -sum.ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Abramowitz & Stegun 1972, table 25.10, n = 5, and moments of e^(−x²).
    #[test]
    fn nodes_are_those_of_the_tables() {
        let five = hermite(5).list;
        let table = [
            (0.0, 0.945_308_720_482_9),
            (0.958_572_464_613_8, 0.393_619_323_152_2),
            (2.020_182_870_456, 0.019_953_242_059_05),
        ];
        for (node, (x, w)) in five[2..].iter().zip(table) {
            assert!((node.0 - x).abs() < 1e-12, "{node:?}");
            assert!(
                ((node.1 - node.0 * node.0).exp() - w).abs() < 1e-12,
                "{node:?}"
            );
        }
        for nodes in [1, 2, 15, 50, 200] {
            let list = hermite(nodes).list;
            let total: f64 = list.iter().map(|(x, l)| (l - x * x).exp()).sum();
            assert!(
                (total - std::f64::consts::PI.sqrt()).abs() < 1e-10,
                "{nodes}"
            );
        }
    }
}
