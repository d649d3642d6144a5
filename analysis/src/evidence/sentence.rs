//! The answer in words: what was seen, how sure, what is missing, and what to do, in the shop's
//! units. It never says more than the figures: steps of temperature are compared only where
//! there is something to compare, and then with the caution that nothing else is held equal.

use super::{Outcome, Question, SetAside};
use crate::stats::bins::Bin;
use crate::stats::rate::{Method, Rate, Totals};

/// Least before steps of temperature are put into words.
const FEWEST_FLASKS: usize = 20;
const FEWEST_SESSIONS: usize = 10;
const FEWEST_EFFECTIVE_EVENTS: f64 = 10.0;
/// Pour temperatures closer together than this cannot be told apart by the usual probe, K.
const LEAST_SPAN_K: f64 = 15.0;

/// What a sentence is made from.
pub(super) struct Material<'a> {
    pub alloy: Option<&'a str>,
    pub section: Option<&'a str>,
    pub ask: &'a Question,
    pub rate: Option<Rate>,
    /// Pieces with the outcome at the fewest.
    pub fewest: u64,
    pub totals: &'a Totals,
    pub uninspected: usize,
    pub not_counted: usize,
    pub set_aside: &'a [SetAside],
    pub effective_events: f64,
    pub temperatures: &'a [f64],
    pub steps: &'a [Bin],
    pub usual_c: Option<f64>,
}

/// What is counted, as it follows "pieces had".
pub fn outcome_words(outcome: &Outcome) -> String {
    match outcome {
        Outcome::Any => "a defect".to_owned(),
        Outcome::Steering => "a defect that heat can steer".to_owned(),
        Outcome::Kind(kind) => kind.clone(),
    }
}

/// `1 flask`, `2 flasks`.
fn several(n: usize, one: &str) -> String {
    if n == 1 {
        format!("1 {one}")
    } else {
        format!("{n} {one}s")
    }
}

/// A share as per cent without the sign, as every page and command writes it: one decimal below
/// 10, none from there; `–` for no number.
///
/// ```
/// # use analysis::evidence::percent_number;
/// assert_eq!(percent_number(0.052), "5.2");
/// assert_eq!(percent_number(0.118), "12");
/// ```
pub fn percent_number(share: f64) -> String {
    let p = share * 100.0;
    if !p.is_finite() {
        return "–".to_owned();
    }
    // Rounded first, so that 9.96 becomes "10" and not "10.0".
    let tenths = (p * 10.0).round();
    if tenths != 0.0 && tenths < 100.0 {
        format!("{p:.1}")
    } else {
        format!("{:.0}", p.abs())
    }
}

/// Two shares as per cent: `4.1–6.6 %`.
pub fn percent_range(low: f64, high: f64) -> String {
    format!("{}–{} %", percent_number(low), percent_number(high))
}

/// A rate between its fewest and its most: `5.2 %` where they are one, else `2.8–7.3 %`. The
/// middle of two bounds was never measured, so it is not shown.
pub fn share_number(least: f64, most: f64) -> String {
    let (least, most) = (percent_number(least), percent_number(most));
    if least == most {
        format!("{most} %")
    } else {
        format!("{least}–{most} %")
    }
}

pub(super) fn sentence(m: &Material) -> String {
    let name = format!(
        "{}, {}",
        m.alloy.unwrap_or("alloy not recorded"),
        m.section.unwrap_or("section not recorded")
    );
    match m.rate {
        Some(rate) => {
            let mut parts = vec![seen(m, &rate)];
            if m.uninspected > 0 {
                parts.push(format!(
                    "{} not inspected yet.",
                    if m.uninspected == 1 {
                        "1 more flask is".to_owned()
                    } else {
                        format!("{} more flasks are", m.uninspected)
                    }
                ));
            }
            parts.push(heat(m));
            format!("{name}: {}", parts.join(" "))
        }
        None => format!("{name}: {}", nothing(m)),
    }
}

/// Why there is no rate.
fn nothing(m: &Material) -> String {
    let outcome = outcome_words(&m.ask.outcome);
    if m.uninspected > 0 {
        let (none_of, them) = if m.uninspected == 1 {
            ("1 flask was poured and it has not".to_owned(), "it")
        } else {
            (format!("none of {} flasks has", m.uninspected), "them")
        };
        format!("{none_of} been inspected. Count pieces and defects to learn from {them}.")
    } else if m.not_counted > 0 {
        format!(
            "{} inspected, but pieces with {outcome} were not counted, and blank is not zero.",
            if m.not_counted == 1 {
                "1 flask was".to_owned()
            } else {
                format!("{} flasks were", m.not_counted)
            }
        )
    } else {
        let mut reasons: Vec<&str> = m.set_aside.iter().map(|s| s.reason.as_str()).collect();
        reasons.sort_unstable();
        reasons.dedup();
        format!(
            "{} poured and set aside ({}), so nothing can be said about heat.",
            if m.set_aside.len() == 1 {
                "1 flask was".to_owned()
            } else {
                format!("{} flasks were", m.set_aside.len())
            },
            reasons.join("; ")
        )
    }
}

/// The rate in words.
fn seen(m: &Material, rate: &Rate) -> String {
    let outcome = outcome_words(&m.ask.outcome);
    let flasks = several(m.totals.flasks, "flask");
    let interval = percent_range(rate.low, rate.high);
    if rate.method == Method::Bounds {
        format!(
            "{} to {} of {} pieces had {outcome}, which was not always counted by itself ({}, 95 % \
             interval {interval}, {flasks}).",
            m.fewest,
            m.totals.events,
            m.totals.pieces,
            share_number(rate.least, rate.most),
        )
    } else if m.totals.events == 0 {
        format!(
            "none of {} had {outcome} (95 % interval up to {} %, {flasks}).",
            several(
                usize::try_from(m.totals.pieces).unwrap_or(usize::MAX),
                "piece"
            ),
            percent_number(rate.high)
        )
    } else {
        format!(
            "{} % of pieces had {outcome} (95 % interval {interval}, {flasks}).",
            percent_number(rate.estimate)
        )
    }
}

/// What can be said about the pour temperature, and what to do.
fn heat(m: &Material) -> String {
    let shown = &m.ask.shown_in;
    let keep = |joint: &str| {
        m.usual_c.map_or_else(String::new, |t| {
            format!("{joint}eep to your usual {}.", shown.temperature(t))
        })
    };
    let then_keep = |what: String| {
        let keep = keep(" K");
        format!("{what}.{keep}")
    };
    let range = |from: f64, to: f64| {
        format!(
            "{}–{}",
            shown.temperature(from).number(),
            shown.temperature(to)
        )
    };
    let least = m.temperatures.iter().copied().reduce(f64::min);
    let most = m.temperatures.iter().copied().reduce(f64::max);
    let (Some(least), Some(most)) = (least, most) else {
        return "No pour temperature is recorded for them, so nothing can be said about heat."
            .to_owned();
    };
    let with_temperature: usize = m.temperatures.len();
    if with_temperature < FEWEST_FLASKS || m.totals.sessions < FEWEST_SESSIONS {
        return then_keep(format!(
            "Too few to compare temperatures: {} with a temperature over {} so far, and {} over {} \
             are the least",
            several(with_temperature, "flask"),
            several(m.totals.sessions, "session"),
            FEWEST_FLASKS,
            FEWEST_SESSIONS
        ));
    }
    if most - least < LEAST_SPAN_K {
        return then_keep(format!(
            "All were poured at {}, too close together to compare",
            range(least, most)
        ));
    }
    if m.effective_events < FEWEST_EFFECTIVE_EVENTS {
        return then_keep(format!(
            "Too few such pieces to compare temperatures: clustered as they are they count as {:.1} \
             independent ones, and {FEWEST_EFFECTIVE_EVENTS:.0} are the least",
            m.effective_events
        ));
    }
    let best = m
        .steps
        .iter()
        .min_by(|a, b| a.rate.estimate.total_cmp(&b.rate.estimate));
    match best {
        Some(best) if m.steps.iter().any(|b| b.rate.estimate > best.rate.estimate) => format!(
            "Fewest at {} ({}, 95 % interval {}), but nothing else is held equal in that comparison{}",
            range(best.from, best.to),
            share_number(best.rate.least, best.rate.most),
            percent_range(best.rate.low, best.rate.high),
            m.usual_c.map_or(".".to_owned(), |_| keep(": k"))
        ),
        _ => then_keep("No step of temperature stands out".to_owned()),
    }
}
