//! Which patterns of points on a chart are signals: few, so that a chart does not cry wolf, and
//! each with a name a caster can read.

use serde::{Deserialize, Serialize};

use super::Plotted;

/// A pattern that chance alone makes seldom. The first is that of every Shewhart chart
/// (ISO 7870-2:2023); the other two are runs tests of its annex and of the NIST/SEMATECH
/// e-Handbook 6.3.2 (numbers of points from memory of both). Together they give a false signal
/// once in about 122 points where the level is known and readings are normal (Champ & Woodall
/// 1987, Technometrics 29:393–399; from memory, and simulated in the tests).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rule {
    /// One point beyond a limit.
    BeyondLimit,
    /// Two of three neighbours beyond two thirds of the way to the same limit.
    TwoOfThreeFar,
    /// Eight in a row on one side of the centre.
    EightOnOneSide,
}

/// Which way a signal points.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    /// Above the centre.
    High,
    /// Below it.
    Low,
}

/// A pattern that stands out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Signal {
    /// Which.
    pub rule: Rule,
    /// Which way.
    pub side: Side,
    /// The first point concerned, from 0.
    pub from: usize,
    /// The last one, with which it was complete.
    pub to: usize,
}

impl Rule {
    /// Every rule that [`signals`] knows.
    pub const ALL: [Rule; 3] = [Rule::BeyondLimit, Rule::TwoOfThreeFar, Rule::EightOnOneSide];

    /// The pattern in words.
    pub fn words(self, side: Side) -> &'static str {
        match (self, side) {
            (Rule::BeyondLimit, Side::High) => "above the upper limit",
            (Rule::BeyondLimit, Side::Low) => "below the lower limit",
            (Rule::TwoOfThreeFar, Side::High) => "two of three close to the upper limit",
            (Rule::TwoOfThreeFar, Side::Low) => "two of three close to the lower limit",
            (Rule::EightOnOneSide, Side::High) => "eight in a row above the middle line",
            (Rule::EightOnOneSide, Side::Low) => "eight in a row below the middle line",
        }
    }
}

/// How long a run on one side has to be.
const RUN: usize = 8;

/// The signals of these rules among points, each pattern once: a run that goes on, or a point
/// beyond a limit that also makes two of three, is not said again.
pub fn signals(points: &[Plotted], rules: &[Rule]) -> Vec<Signal> {
    let mut found: Vec<Signal> = Vec::new();
    for side in [Side::High, Side::Low] {
        let out: Vec<f64> = points
            .iter()
            .map(|p| match side {
                Side::High => p.deviations(),
                Side::Low => -p.deviations(),
            })
            .collect();
        let beyond = |i: usize| match side {
            Side::High => points[i].value > points[i].high,
            Side::Low => points[i].value < points[i].low,
        };
        let mut add = |rule, from, to| {
            if rules.contains(&rule) {
                found.push(Signal {
                    rule,
                    side,
                    from,
                    to,
                });
            }
        };
        let mut run = 0;
        for (to, deviation) in out.iter().enumerate() {
            run = if *deviation > 0.0 { run + 1 } else { 0 };
            if run == RUN {
                add(Rule::EightOnOneSide, to + 1 - RUN, to);
            }
            if beyond(to) {
                add(Rule::BeyondLimit, to, to);
            } else if *deviation > 2.0
                && let Some(from) = (to.saturating_sub(2)..to).rev().find(|i| out[*i] > 2.0)
                // One beyond the limit has been said already.
                && !beyond(from)
            {
                add(Rule::TwoOfThreeFar, from, to);
            }
        }
    }
    found.sort_by_key(|s| (s.to, s.rule, s.side));
    found
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_pcg::Pcg64;

    fn points(values: &[f64]) -> Vec<Plotted> {
        values
            .iter()
            .map(|value| Plotted {
                value: *value,
                centre: 0.0,
                sd: 1.0,
                low: -3.0,
                high: 3.0,
            })
            .collect()
    }

    fn check(values: &[f64], expected: &[(Rule, Side, usize, usize)]) {
        let found: Vec<_> = signals(&points(values), &Rule::ALL)
            .into_iter()
            .map(|s| (s.rule, s.side, s.from, s.to))
            .collect();
        assert_eq!(found, expected, "{values:?}");
    }

    #[test]
    fn each_pattern_is_said_once() {
        check(&[], &[]);
        check(&[0.5, -0.5, 2.9, -2.9], &[]);
        check(&[0.0, 3.1], &[(Rule::BeyondLimit, Side::High, 1, 1)]);
        check(&[2.1, 0.0, 2.2], &[(Rule::TwoOfThreeFar, Side::High, 0, 2)]);
        check(&[-2.1, 0.0, 0.0, -2.2], &[]);
        check(&[-2.1, 0.0, 2.2], &[]);
        let run = [(Rule::EightOnOneSide, Side::Low, 1, 8)];
        check(
            &[0.3, -0.1, -0.2, -0.1, -0.4, -0.1, -0.1, -0.6, -0.1, -0.5],
            &run,
        );
        // A point on the line ends a run.
        check(&[0.1, 0.1, 0.1, 0.1, 0.0, 0.1, 0.1, 0.1, 0.1], &[]);
    }

    /// Average number of points to the first false signal, level known: 370.4 for the limits
    /// alone, 225.4 with two of three, 152.7 with eight on one side instead (Champ & Woodall
    /// 1987, Table 1; from memory), 122.05 with both.
    #[test]
    fn false_signals_are_as_rare_as_published() {
        let mut chance = Pcg64::seed_from_u64(20_260_101);
        let mut normal = || {
            // Box and Muller's; the tests of this crate draw few normals.
            let (u, v): (f64, f64) = (chance.random(), chance.random());
            (-2.0 * (1.0 - u).ln()).sqrt() * (std::f64::consts::TAU * v).cos()
        };
        let all = [
            (&[Rule::BeyondLimit][..], 370.4),
            (&[Rule::BeyondLimit, Rule::TwoOfThreeFar], 225.4),
            (&[Rule::BeyondLimit, Rule::EightOnOneSide], 152.7),
            (&Rule::ALL, 122.05),
        ];
        let runs = 1500;
        for (rules, published) in all {
            let mut lengths = 0.0;
            for _ in 0..runs {
                let mut values = Vec::new();
                let first = loop {
                    values.extend((0..200).map(|_| normal()));
                    if let Some(first) = signals(&points(&values), rules).first() {
                        break first.to + 1;
                    }
                };
                lengths += first as f64;
            }
            let mean = lengths / f64::from(runs);
            // Lengths are close to geometric: four standard errors of the mean.
            let margin = 4.0 * published / f64::from(runs).sqrt();
            assert!((mean - published).abs() < margin, "{rules:?}: {mean}");
        }
    }
}
