//! Control charts: whether something that should stay the same has changed. Each chart gives its
//! points with a centre and limits of its own, ready to be drawn, and the signals among them in
//! plain words. A signal says "look here", never why; a chart without one does not prove that
//! nothing changed.
//!
//! | module | what it holds |
//! |---|---|
//! | [`p_prime`] | shares of pieces, limits from how days really differ |
//! | [`individuals`] | one measure a pour |
//! | [`ewma`] | a measure that creeps, smoothed over its past |
//! | [`runs`] | which patterns of points are signals |

pub mod ewma;
pub mod individuals;
pub mod p_prime;
pub mod runs;

pub use runs::{Rule, Side, Signal};

/// d₂ for two readings: the mean range of two standard normals, 2/√π (tables print 1.128).
pub const D2: f64 = std::f64::consts::FRAC_2_SQRT_PI;

/// A chart: its points in order of time, and what stands out.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Chart {
    /// The points.
    pub points: Vec<Plotted>,
    /// What stands out, in order of the last point concerned.
    pub signals: Vec<Signal>,
}

/// One point of a chart, in the units of what is charted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plotted {
    /// The value.
    pub value: f64,
    /// What it is on average while nothing changes.
    pub centre: f64,
    /// The standard deviation of this point about the centre.
    pub sd: f64,
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
}

impl Plotted {
    /// How many of its standard deviations above the centre it is; 0 where there are none.
    pub fn deviations(&self) -> f64 {
        if self.sd > 0.0 {
            (self.value - self.centre) / self.sd
        } else {
            0.0
        }
    }
}

/// Mean absolute difference of neighbours ÷ d₂: the short-term standard deviation of readings in
/// order, which a slow drift or a step hardly moves. `None` with fewer than two.
pub fn moving_range_sd(values: &[f64]) -> Option<f64> {
    (values.len() >= 2).then(|| {
        let sum: f64 = values.windows(2).map(|w| (w[1] - w[0]).abs()).sum();
        sum / (values.len() - 1) as f64 / D2
    })
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}
