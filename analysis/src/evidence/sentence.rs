//! The answer in words: what was seen, how sure, what is missing, and what to do, in the shop's
//! units. It never says more than the figures: steps of temperature are compared as counted only
//! where no model can be had, and then with the caution that nothing else is held equal.

use super::advise::{ALIKE_K, Advised};
use super::aim::Aim;
use super::grades::Grade;
use super::{Outcome, Question, SetAside, TrialSaid};
use crate::stats::bins::Bin;
use crate::stats::rate::{Method, Rate, Totals};

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
    pub temperatures: &'a [f64],
    pub steps: &'a [Bin],
    pub usual_c: Option<f64>,
    pub aim: Option<&'a Aim>,
    pub advised: Option<&'a Advised>,
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

/// A range of temperatures: `950–965 °C`.
fn range(m: &Material, from: f64, to: f64) -> String {
    let shown = &m.ask.shown_in;
    format!(
        "{}–{}",
        shown.temperature(from).number(),
        shown.temperature(to)
    )
}

/// What can be said about the pour temperature, and what to do; last, where pours do not come where
/// they are meant to.
fn heat(m: &Material) -> String {
    let told = by_evidence(m);
    match m.aim {
        Some(aim) => format!("{told} {}", aim.sentence),
        None => told,
    }
}

fn by_evidence(m: &Material) -> String {
    let keep = |joint: &str| match (m.aim, m.usual_c) {
        // Said below, with the target.
        (Some(_), _) | (None, None) => String::new(),
        (None, Some(t)) => format!(
            "{joint}eep to your usual {}.",
            m.ask.shown_in.temperature(t)
        ),
    };
    let then_keep = |what: String| {
        let keep = keep(" K");
        format!("{what}.{keep}")
    };
    let least = m.temperatures.iter().copied().reduce(f64::min);
    let most = m.temperatures.iter().copied().reduce(f64::max);
    let (Some(least), Some(most), Some(advised)) = (least, most, m.advised) else {
        return "No pour temperature is recorded for them, so nothing can be said about heat."
            .to_owned();
    };
    if let Some(trial) = &advised.trial {
        return by_trial(m, trial);
    }
    match &advised.barred {
        Some(why) if why.code == "narrow-span" => then_keep(format!(
            "All or nearly all were poured too close together to compare, at {}",
            range(m, least, most)
        )),
        Some(why) if why.code == "no-model" || why.code == "no-usual" => {
            let raw = as_counted(m);
            let keep = keep(" K");
            format!("{raw}{}.{keep}", capital(&why.reason))
        }
        Some(why) => then_keep(capital(&why.reason)),
        None => advice(m, advised),
    }
}

/// The best step as counted, for where nothing better can be had.
fn as_counted(m: &Material) -> String {
    let best = m
        .steps
        .iter()
        .min_by(|a, b| a.rate.estimate.total_cmp(&b.rate.estimate));
    match best {
        Some(best) if m.steps.iter().any(|b| b.rate.estimate > best.rate.estimate) => format!(
            "Fewest at {} ({}, 95 % interval {}), but nothing else is held equal in that comparison. ",
            range(m, best.from, best.to),
            share_number(best.rate.least, best.rate.most),
            percent_range(best.rate.low, best.rate.high),
        ),
        _ => String::new(),
    }
}

pub(super) fn capital(words: &str) -> String {
    let mut chars = words.chars();
    chars
        .next()
        .map(|c| c.to_uppercase().collect::<String>() + chars.as_str())
        .unwrap_or_default()
}

/// A change in pieces in a hundred: `3.1 fewer`, `0.4 more`.
fn pieces(change: f64) -> String {
    format!(
        "{} {}",
        percent_number(change.abs()),
        if change <= 0.0 { "fewer" } else { "more" }
    )
}

/// Its limits: `between 1.2 and 5.0 fewer`, `anything from 5.0 fewer to 0.6 more`.
fn limits(low: f64, high: f64) -> String {
    if high < 0.0 {
        format!(
            "between {} and {} fewer, 95 % confidence",
            percent_number(-high),
            percent_number(-low)
        )
    } else {
        format!("anything from {} to {} fits", pieces(low), pieces(high))
    }
}

/// What a trial showed where the flasks at large claim nothing.
fn by_trial(m: &Material, trial: &TrialSaid) -> String {
    let at = |t: f64| m.ask.shown_in.temperature(t).to_string();
    let kept = m
        .usual_c
        .is_some_and(|u| (u - trial.better_c).abs() <= 2.0 * ALIKE_K);
    let fits = if trial.change_high < 0.0 {
        format!(
            "between {} and {} fewer",
            percent_number(-trial.change_high),
            percent_number(-trial.change_low)
        )
    } else {
        format!(
            "from {} to {}",
            pieces(trial.change_low),
            pieces(trial.change_high)
        )
    };
    format!(
        "{} at {} (fair evidence, by trial): where lots decided, about {} bad pieces in a hundred \
         than at {} ({fits}, {} % confidence). All flasks together do not claim the same by \
         themselves.",
        if kept { "Keep pouring" } else { "Pour" },
        at(trial.better_c),
        pieces(trial.change),
        at(trial.other_c),
        (1000.0 * (1.0 - trial.alpha)).round() / 10.0,
    )
}

/// What the evidence supports.
fn advice(m: &Material, advised: &Advised) -> String {
    let a = &advised.advice;
    let shown = &m.ask.shown_in;
    let at = |t: f64| shown.temperature(t).to_string();
    let sure = match a.grade {
        Grade::None => "no evidence",
        Grade::Weak => "weak evidence",
        Grade::Fair => "fair evidence",
        Grade::Strong => "strong evidence, by trial",
    };
    let (Some(pour), Some(against), Some(change)) =
        (a.pour_temperature_c, a.against_c, a.expected_change)
    else {
        let why = a
            .caps
            .first()
            .map_or("no temperature is supported", |c| c.reason.as_str());
        return format!(
            "{}.{}",
            capital(why),
            m.usual_c
                .filter(|_| m.aim.is_none())
                .map_or_else(String::new, |t| format!(" Keep to your usual {}.", at(t)))
        );
    };
    let about = if percent_number(change.abs()) == "0" {
        format!("about as many bad pieces as at {}", at(against))
    } else {
        format!(
            "about {} bad pieces in a hundred than at {}",
            pieces(change),
            at(against)
        )
    };
    let by = match a.change_low.zip(a.change_high) {
        Some((low, high)) => format!("{about} ({})", limits(low, high)),
        None => about,
    };
    let mut parts = Vec::new();
    let follows = m.usual_c.is_some_and(|u| (u - pour).abs() <= 2.0 * ALIKE_K);
    let alike = (pour - against).abs() < ALIKE_K;
    if advised.claimed {
        parts.push(if follows && !alike {
            format!("Keep pouring at {} ({sure}): {by}.", at(pour))
        } else {
            format!("Pour at {} ({sure}): {by}.", at(pour))
        });
    } else if m.aim.is_some() {
        // What to keep to is said with the target.
        parts.push(if alike {
            format!(
                "Nothing that was tried enough does better than your usual {} ({sure}).",
                at(against)
            )
        } else if advised.clear {
            format!(
                "{} looks better than your usual one ({sure}): {by}. Try the two by turns before \
                 you change.",
                at(pour)
            )
        } else {
            format!(
                "No other temperature is shown to be better ({sure}). {} is worth a trial: {by}.",
                at(pour)
            )
        });
    } else if alike {
        parts.push(format!(
            "Keep to your usual {} ({sure}): nothing that was tried enough does better.",
            at(against)
        ));
    } else if advised.clear {
        parts.push(format!(
            "{} looks better than your usual one ({sure}): {by}. Keep to {} until it is sure, or try \
             the two by turns.",
            at(pour),
            at(against)
        ));
    } else {
        parts.push(format!(
            "Keep to your usual {} ({sure}). {} is worth a trial: {by}.",
            at(against),
            at(pour)
        ));
    }
    if advised.clear && !advised.claimed && !alike {
        let against_it: Vec<&str> = a
            .caps
            .iter()
            .filter(|c| c.code != "change-not-shown")
            .map(|c| c.reason.as_str())
            .take(2)
            .collect();
        if !against_it.is_empty() {
            parts.push(format!("Against it: {}.", against_it.join("; ")));
        }
    }
    if let (Some(from), Some(to)) = (a.flat_from_c, a.flat_to_c)
        && to - from >= ALIKE_K
        && (advised.claimed || advised.clear)
    {
        parts.push(format!(
            "Anything at {} may do as well.",
            range(m, from, to)
        ));
    }
    if let (Some(edge), Some(until)) = (&a.edge, advised.until_c)
        && !alike
    {
        parts.push(format!(
            "It is the {} that was tried enough: try {edge}, up to {}, and see whether it goes on.",
            if edge == "hotter" {
                "hottest"
            } else {
                "coolest"
            },
            at(until)
        ));
    }
    if advised.claimed
        && let (Some(n), Some(rate)) = (a.uninspected_near, a.tipping_rate)
    {
        let flasks = several(n, "flask");
        parts.push(if rate >= 1.0 {
            format!(
                "{flasks} poured near it {} not inspected; even if every piece in {} were bad it \
                 would stand.",
                if n == 1 { "is" } else { "are" },
                if n == 1 { "it" } else { "them" }
            )
        } else {
            format!(
                "{flasks} poured near it {} not inspected; if more than {} % of {} pieces are bad, \
                 it falls.",
                if n == 1 { "is" } else { "are" },
                percent_number(rate.max(0.0)),
                if n == 1 { "its" } else { "their" }
            )
        });
    }
    if advised.claimed && !a.held_equal.is_empty() {
        parts.push(format!("Held equal: {}.", a.held_equal.join(", ")));
    }
    parts.join(" ")
}
