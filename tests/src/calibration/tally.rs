//! Means over drawn shops with what chance alone leaves of doubt about them.

use std::fmt;

use analysis::stats::proportion::wilson;

/// Mean of a figure over shops, and its standard error.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Mean {
    /// Shops that had the figure.
    pub shops: usize,
    sum: f64,
    squares: f64,
}

impl Mean {
    /// Adds a shop's figure, if it has one.
    pub fn add(&mut self, figure: impl Into<Option<f64>>) {
        if let Some(x) = figure.into() {
            self.shops += 1;
            self.sum += x;
            self.squares += x * x;
        }
    }

    /// The mean; `None` without a shop.
    pub fn mean(&self) -> Option<f64> {
        (self.shops > 0).then(|| self.sum / self.shops as f64)
    }

    /// Its standard error; `None` with fewer than two shops.
    pub fn error(&self) -> Option<f64> {
        let n = self.shops as f64;
        (self.shops > 1).then(|| {
            let variance = (self.squares - self.sum * self.sum / n) / (n - 1.0);
            (variance.max(0.0) / n).sqrt()
        })
    }

    /// The mean give or take 1.96 standard errors.
    pub fn between(&self) -> Option<(f64, f64)> {
        let (mean, error) = (self.mean()?, self.error()?);
        Some((mean - 1.96 * error, mean + 1.96 * error))
    }
}

/// How many of how many shops.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Share {
    /// With it.
    pub yes: usize,
    /// Asked.
    pub of: usize,
}

impl Share {
    /// Adds a shop's answer, if it has one.
    pub fn add(&mut self, answer: impl Into<Option<bool>>) {
        if let Some(yes) = answer.into() {
            self.yes += usize::from(yes);
            self.of += 1;
        }
    }

    /// The share; `None` of nothing.
    pub fn share(&self) -> Option<f64> {
        (self.of > 0).then(|| self.yes as f64 / self.of as f64)
    }

    /// Wilson's 95 % interval.
    pub fn between(&self) -> Option<(f64, f64)> {
        wilson(self.yes as f64, self.of as f64, 0.95).map(|i| (i.low, i.high))
    }
}

/// A share in percent with half its interval: `95.2 ± 0.6`.
impl fmt::Display for Share {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        percent(f, self.share(), self.between())
    }
}

/// A mean of shares in percent with half its interval.
impl fmt::Display for Mean {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        percent(f, self.mean(), self.between())
    }
}

fn percent(
    f: &mut fmt::Formatter<'_>,
    middle: Option<f64>,
    between: Option<(f64, f64)>,
) -> fmt::Result {
    match (middle, between) {
        (None, _) => f.write_str("–"),
        (Some(m), None) => write!(f, "{:.1}", 100.0 * m),
        (Some(m), Some((low, high))) => {
            write!(f, "{:.1} ± {:.1}", 100.0 * m, 50.0 * (high - low))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn means_say_how_far_chance_goes() {
        let mut mean = Mean::default();
        assert_eq!((mean.mean(), mean.error()), (None, None));
        for x in [0.9, 1.0, 0.8, 0.9] {
            mean.add(x);
        }
        mean.add(None);
        assert_eq!(mean.shops, 4);
        assert!((mean.mean().unwrap() - 0.9).abs() < 1e-12);
        // SD 0.0816, over √4.
        assert!((mean.error().unwrap() - 0.040_825).abs() < 1e-6);
        let mut share = Share::default();
        assert_eq!(share.to_string(), "–");
        for i in 0..400 {
            share.add(i % 20 != 0);
        }
        assert_eq!(share.to_string(), "95.0 ± 2.2");
    }
}
