//! Settings that move together. Where the pour got hotter whenever the flask did, the figures cannot
//! say which of the two did it: they are named, and credit is not split.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use super::factor::Factor;
use super::rows::{Row, origin};

/// From this correlation on, either way, two settings count as moving together.
pub(super) const TOGETHER: f64 = 0.8;
/// From this one on, a setting that the model does not hold equal may be what did it: small tables
/// cannot hold many (of shops whose gasket aged while the target crept up, one in forty with 100
/// flasks blamed the heat).
const NOT_HELD: f64 = 0.5;
/// Fewest flasks with both settings that a correlation is told from …
const FEWEST: usize = 10;
/// … and fewest sessions: settings move by the day.
const FEWEST_SESSIONS: usize = 10;

/// Settings looked at, each against the others.
const SETTINGS: [Factor; 9] = [
    Factor::PourTemperature,
    Factor::FlaskTemperature,
    Factor::VacuumShare,
    Factor::GasFlow,
    Factor::Soak,
    Factor::SealAge,
    Factor::Remelt,
    Factor::Metal,
    Factor::Days,
];

/// Two settings that moved together.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Together {
    /// The two, by name.
    pub settings: [String; 2],
    /// Their correlation over the flasks that have both.
    pub correlation: f64,
    /// The same in words.
    pub sentence: String,
}

/// Pearson's correlation over the flasks that have both settings; `None` for fewer than ten or
/// where one did not move.
pub(super) fn correlation(rows: &[&Row], a: Factor, b: Factor) -> Option<f64> {
    let from = origin(rows);
    let mut sessions = BTreeSet::new();
    let pairs: Vec<(f64, f64)> = rows
        .iter()
        .filter_map(|r| {
            let pair = (a.value(r, from)?, b.value(r, from)?);
            sessions.insert(r.flask.session.as_str());
            Some(pair)
        })
        .collect();
    if pairs.len() < FEWEST || sessions.len() < FEWEST_SESSIONS {
        return None;
    }
    let n = pairs.len() as f64;
    let mean_a = pairs.iter().map(|p| p.0).sum::<f64>() / n;
    let mean_b = pairs.iter().map(|p| p.1).sum::<f64>() / n;
    let (mut aa, mut bb, mut ab) = (0.0, 0.0, 0.0);
    for (x, y) in &pairs {
        aa += (x - mean_a).powi(2);
        bb += (y - mean_b).powi(2);
        ab += (x - mean_a) * (y - mean_b);
    }
    // What rounding leaves of a setting that did not move is no movement.
    let still = |squares: f64, mean: f64| squares <= 1e-18 * n * mean * mean;
    if still(aa, mean_a) || still(bb, mean_b) {
        return None;
    }
    let r = ab / (aa.sqrt() * bb.sqrt());
    r.is_finite().then(|| r.clamp(-1.0, 1.0))
}

/// Every pair that moved together in these flasks, the pour temperature's first.
pub(super) fn together(rows: &[&Row]) -> Vec<Together> {
    let mut found = Vec::new();
    for (i, a) in SETTINGS.into_iter().enumerate() {
        for b in SETTINGS.into_iter().skip(i + 1) {
            let Some(r) = correlation(rows, a, b).filter(|r| r.abs() > TOGETHER) else {
                continue;
            };
            found.push(Together {
                settings: [a.name().to_owned(), b.name().to_owned()],
                correlation: r,
                sentence: format!(
                    "{} and {} moved together ({} {:.2}), so what one of them did cannot be told \
                     from what the other did.",
                    capital(a.words()),
                    b.words(),
                    if r > 0.0 {
                        "correlation"
                    } else {
                        "opposite ways, correlation"
                    },
                    r
                ),
            });
        }
    }
    found
}

/// The settings that moved with the pour temperature so far that a claim for it cannot stand: from
/// [`TOGETHER`] on where the model holds them equal, from [`NOT_HELD`] on where it does not.
pub(super) fn with_the_pour(
    rows: &[&Row],
    held_equal: impl Fn(Factor) -> bool,
) -> Vec<(Factor, f64)> {
    SETTINGS
        .into_iter()
        .skip(1)
        .filter_map(|f| Some((f, correlation(rows, Factor::PourTemperature, f)?)))
        .filter(|(f, r)| r.abs() > if held_equal(*f) { TOGETHER } else { NOT_HELD })
        .collect()
}

fn capital(words: &str) -> String {
    let mut chars = words.chars();
    chars
        .next()
        .map(|c| c.to_uppercase().collect::<String>() + chars.as_str())
        .unwrap_or_default()
}
