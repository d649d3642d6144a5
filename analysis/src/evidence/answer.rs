//! Answers a question: sorts the flasks into what counts, what is set aside and what nobody has
//! looked at, and works out the rates.

use std::collections::BTreeMap;

use super::count::{Count, count};
use super::sentence::{Material, sentence};
use super::{Advice, CurvePoint, Evidence, Grade, KindRate, Outcome, Question, SetAside, Stratum};
use crate::flask::{Aside, Flask};
use crate::stats::bins::{Point, bins};
use crate::stats::median::median;
use crate::stats::rate::{Tally, Totals, bounded_rate};
use crate::time::Micros;
use crate::units::Unit;

/// What is usual is the median of this long, s.
const USUAL_SPAN_S: f64 = 8.0 * 7.0 * 86_400.0;
/// Fewer flasks than this make no usual temperature: what was done once or twice is no habit.
const USUAL_FEWEST: usize = 5;

/// One flask with its count.
struct Read<'a> {
    flask: &'a Flask,
    count: Count<'a>,
}

/// Answers `ask` from `flasks`, in any order. Flasks poured more than once in the list are the
/// caller's mistake and count twice.
///
/// Never fails: with nothing to go on it says so.
///
/// ```
/// # use analysis::evidence::{evidence, Question};
/// let nothing = evidence(&[], &Question::default());
/// assert_eq!(nothing.flasks, 0);
/// assert!(nothing.rate.is_none());
/// ```
pub fn evidence(flasks: &[Flask], ask: &Question) -> Evidence {
    let mut asked: Vec<Read> = flasks
        .iter()
        .filter(|f| in_question(f, ask))
        .map(|flask| Read {
            flask,
            count: count(flask, ask),
        })
        .collect();
    // Every list and sum is then the same, however the flasks came.
    asked.sort_by(|a, b| (a.flask.cast_at, &a.flask.id).cmp(&(b.flask.cast_at, &b.flask.id)));

    let (fewest, most) = totals(asked.iter());
    let pooled = most.design_effect();
    let mut groups: BTreeMap<(Option<String>, Option<String>), Vec<&Read>> = BTreeMap::new();
    for read in &asked {
        let key = (alloy_name(read.flask, ask), section_name(read.flask));
        groups.entry(key).or_default().push(read);
    }
    let mut strata: Vec<Stratum> = groups
        .into_iter()
        .map(|((alloy, section), reads)| stratum(alloy, section, &reads, ask, pooled))
        .collect();
    strata.sort_by_key(|s| std::cmp::Reverse(s.flasks));

    Evidence {
        from: ask.since.or(asked.first().map(|r| r.flask.cast_at)),
        to: ask.until.or(asked.last().map(|r| r.flask.cast_at)),
        outcome: ask.outcome.name().to_owned(),
        flasks: most.flasks,
        flasks_uninspected: uninspected(asked.iter()),
        sessions: most.sessions,
        pieces: most.pieces,
        defective: most.events,
        defective_least: (fewest.events != most.events).then_some(fewest.events),
        rate: bounded_rate(&fewest, &most, pooled),
        model: (),
        notes: notes(&asked, &fewest, &most, ask),
        strata,
        kinds: kinds(&asked, ask),
    }
}

fn in_question(flask: &Flask, ask: &Question) -> bool {
    let name = |written: &str| {
        ask.alloys
            .get(written)
            .map_or_else(|| plain(written), |a| a.name.clone())
    };
    ask.since.is_none_or(|since| flask.cast_at >= since)
        && ask.until.is_none_or(|until| flask.cast_at < until)
        && ask
            .alloy
            .as_ref()
            .is_none_or(|a| flask.alloy.as_ref().is_some_and(|f| name(f) == name(a)))
        && ask
            .section
            .as_ref()
            .is_none_or(|s| section_name(flask).is_some_and(|f| f == plain(s)))
}

fn plain(text: &str) -> String {
    text.trim().to_lowercase()
}

/// The table's name for the flask's alloy, else what was written.
fn alloy_name(flask: &Flask, ask: &Question) -> Option<String> {
    let written = flask.alloy.as_deref().filter(|a| !a.trim().is_empty())?;
    Some(
        ask.alloys
            .get(written)
            .map_or_else(|| plain(written), |a| a.name.clone()),
    )
}

fn section_name(flask: &Flask) -> Option<String> {
    flask
        .section
        .as_deref()
        .map(plain)
        .filter(|s| !s.is_empty())
}

fn totals<'a>(reads: impl Iterator<Item = &'a Read<'a>>) -> (Totals, Totals) {
    let (fewest, most): (Vec<Tally>, Vec<Tally>) = reads
        .filter_map(|r| match r.count {
            Count::Counted { fewest, most } => Some((fewest, most)),
            _ => None,
        })
        .unzip();
    (Totals::of(&fewest), Totals::of(&most))
}

fn uninspected<'a>(reads: impl Iterator<Item = &'a Read<'a>>) -> usize {
    reads.filter(|r| r.count == Count::Uninspected).count()
}

fn finite_pour(flask: &Flask) -> Option<f64> {
    flask.pour_temperature_c.filter(|t| t.is_finite())
}

fn stratum(
    alloy: Option<String>,
    section: Option<String>,
    reads: &[&Read],
    ask: &Question,
    pooled: Option<f64>,
) -> Stratum {
    let set_aside: Vec<SetAside> = reads
        .iter()
        .filter_map(|r| {
            let Aside { code, reason } = match (&r.flask.set_aside, &r.count) {
                (Some(aside), _) => aside.clone(),
                (None, Count::Unsound(why)) => {
                    Aside::new("counts-do-not-fit", format!("counts do not fit: {why}"))
                }
                _ => return None,
            };
            Some(SetAside {
                flask: r.flask.id.clone(),
                code,
                reason,
            })
        })
        .collect();
    let may_steer = || {
        reads
            .iter()
            .copied()
            .filter(|r| r.flask.set_aside.is_none())
    };
    let (fewest, most) = totals(may_steer());
    let deff = most
        .design_effect()
        .unwrap_or_else(|| most.assumed_design_effect(pooled));
    let points: Vec<Point> = may_steer()
        .filter_map(|r| match r.count {
            Count::Counted { fewest, most } => Some(Point {
                value: finite_pour(r.flask)?,
                fewest,
                most,
            }),
            _ => None,
        })
        .collect();
    let temperature_unit = if ask
        .shown_in
        .temperature
        .suits(crate::channel::Quantity::Temperature)
    {
        ask.shown_in.temperature
    } else {
        Unit::Celsius
    };
    let steps = bins(&points, temperature_unit, Some(deff));
    let rate = bounded_rate(&fewest, &most, pooled);
    let effective_events = most
        .effective_events(pooled)
        .min(fewest.effective_events(pooled));
    // Flasks whose alloy nobody wrote down may be of several, which have no temperature in common.
    let usual_c = alloy
        .as_ref()
        .and_then(|_| usual(may_steer().map(|r| r.flask)));
    let sentence = sentence(&Material {
        alloy: alloy.as_deref(),
        section: section.as_deref(),
        ask,
        rate,
        fewest: fewest.events,
        totals: &most,
        uninspected: uninspected(may_steer()),
        not_counted: may_steer().filter(|r| r.count == Count::NotCounted).count(),
        set_aside: &set_aside,
        effective_events,
        temperatures: &points.iter().map(|p| p.value).collect::<Vec<_>>(),
        steps: &steps,
        usual_c,
    });
    Stratum {
        alloy,
        section,
        flasks: most.flasks,
        flasks_uninspected: uninspected(reads.iter().copied()),
        sessions: most.sessions,
        pieces: most.pieces,
        defective: most.events,
        defective_least: (fewest.events != most.events).then_some(fewest.events),
        effective_events,
        rate,
        set_aside,
        look: (),
        curve: steps
            .iter()
            .map(|bin| CurvePoint {
                pour_temperature_c: bin.mean,
                rate: bin.rate.estimate,
                rate_least: bin.rate.least,
                rate_most: bin.rate.most,
                low: bin.rate.low,
                high: bin.rate.high,
                flasks_near: bin.flasks,
            })
            .collect(),
        advice: Advice {
            grade: Grade::None,
            caps: Vec::new(),
            pour_temperature_c: None,
            edge: None,
            flat_from_c: None,
            flat_to_c: None,
            usual_c,
            expected_change: None,
            change_low: None,
            change_high: None,
            sentence,
        },
        second_opinion: (),
    }
}

/// Median pour temperature of the last eight weeks before the last pour, inspected or not, if
/// enough were poured in them.
fn usual<'a>(flasks: impl Iterator<Item = &'a Flask>) -> Option<f64> {
    let poured: Vec<(Micros, f64)> = flasks
        .filter_map(|f| Some((f.cast_at, finite_pour(f)?)))
        .collect();
    let last = poured.iter().map(|(at, _)| *at).max()?;
    let mut recent: Vec<f64> = poured
        .iter()
        .filter(|(at, _)| last.seconds_since(*at) <= USUAL_SPAN_S)
        .map(|(_, t)| *t)
        .collect();
    if recent.len() < USUAL_FEWEST {
        return None;
    }
    median(&mut recent)
}

fn kinds(asked: &[Read], ask: &Question) -> Vec<KindRate> {
    let mut names: Vec<String> = ask.kinds.iter().map(|k| k.name.clone()).collect();
    for read in asked {
        for kind in read.flask.kinds.keys() {
            if !names.contains(kind) {
                names.push(kind.clone());
            }
        }
    }
    let mut rows: Vec<KindRate> = names
        .into_iter()
        .filter_map(|name| {
            let one = Question {
                outcome: Outcome::Kind(name.clone()),
                kinds: ask.kinds.clone(),
                ..Question::default()
            };
            let tallies: Vec<Tally> = asked
                .iter()
                .filter_map(|r| match count(r.flask, &one) {
                    Count::Counted { most, .. } => Some(most),
                    _ => None,
                })
                .collect();
            let totals = Totals::of(&tallies);
            (totals.flasks > 0).then(|| KindRate {
                side: ask.kinds.get(&name).map(|k| k.side),
                may_steer: ask.kinds.may_steer(&name),
                kind: name,
                flasks: totals.flasks,
                sessions: totals.sessions,
                pieces: totals.pieces,
                defective: totals.events,
                rate: totals.rate(None),
            })
        })
        .collect();
    let share = |k: &KindRate| k.rate.map_or(0.0, |r| r.estimate);
    rows.sort_by(|a, b| share(b).total_cmp(&share(a)));
    rows
}

fn notes(asked: &[Read], fewest: &Totals, most: &Totals, ask: &Question) -> Vec<String> {
    let mut notes = vec![
        "No model is fitted: models come when they can be trusted. Rates and steps hold nothing \
         else equal."
            .to_owned(),
    ];
    let number = |wanted: &dyn Fn(&Read) -> bool| asked.iter().filter(|r| wanted(r)).count();
    let mut say = |n: usize, one: &str, many: &str| {
        if n > 0 {
            notes.push(format!("{n} {}", if n == 1 { one } else { many }));
        }
    };
    say(
        number(&|r| r.count == Count::Uninspected),
        "flask is not inspected; it is not counted as good.",
        "flasks are not inspected; they are not counted as good.",
    );
    say(
        number(&|r| r.count == Count::NotCounted),
        "inspected flask was not counted for this outcome and is left out; blank is not zero.",
        "inspected flasks were not counted for this outcome and are left out; blank is not zero.",
    );
    say(
        number(&|r| matches!(r.count, Count::Unsound(_))),
        "flask has counts that do not fit and is left out.",
        "flasks have counts that do not fit and are left out.",
    );
    say(
        number(&|r| r.flask.set_aside.is_some()),
        "flask is set aside from tuning: in the overall rate, not in the strata.",
        "flasks are set aside from tuning: in the overall rate, not in the strata.",
    );
    if fewest.events != most.events {
        notes.push(format!(
            "Pieces with {} were not always counted themselves: between {} and {} of {}.",
            super::sentence::outcome_words(&ask.outcome),
            fewest.events,
            most.events,
            most.pieces
        ));
    }
    notes
}
