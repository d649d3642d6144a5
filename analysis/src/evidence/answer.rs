//! Answers a question: sorts the flasks into what counts, what is set aside and what nobody has
//! looked at, works out the rates, and joins to them what the models and the formal looks say.

use std::collections::BTreeMap;

use super::aim::aim;
use super::by_kind::kinds;
use super::count::{Count, count};
use super::grades::Cap;
use super::model::model;
use super::past::Past;
use super::rows::Row;
use super::sentence::{Material, sentence};
use super::standing::{Key, Poured, Shop, Standing, usual};
use super::study::Manner;
use super::{CurvePoint, Evidence, Look, Outcome, Question, SetAside, Spread, Stratum};
use super::{advise, probes, together};
use crate::flask::{Aside, Flask};
use crate::stats::bins::{Bin, Point, bins};
use crate::stats::rate::{Tally, Totals, bounded_rate};
use crate::stats::sup_t::DRAWS;
use crate::units::Unit;

/// One flask with its count.
pub(super) struct Read<'a> {
    pub flask: &'a Flask,
    pub count: Count<'a>,
}

impl<'a> Read<'a> {
    fn key(&self, ask: &Question) -> Key {
        (alloy_name(self.flask, ask), section_name(self.flask))
    }

    /// The flask as a model sees it; `None` unless it was counted and may steer.
    pub(super) fn row(&self, ask: &Question) -> Option<Row<'a>> {
        let (alloy, section) = self.key(ask);
        match self.count {
            Count::Counted { fewest, most } if self.flask.set_aside.is_none() => Some(Row {
                flask: self.flask,
                alloy,
                section,
                fewest,
                most,
            }),
            _ => None,
        }
    }
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
    evidence_after(flasks, ask, &mut Past::default())
}

/// Answers as [`evidence`] does, to the last digit, without going through formal looks again that
/// `past` has gone through on the same flasks; it is brought up to date.
pub fn evidence_after(flasks: &[Flask], ask: &Question, past: &mut Past) -> Evidence {
    let within = within(flasks, ask);
    let asked: Vec<&Read> = within
        .iter()
        .filter(|r| in_question(r.flask, ask))
        .collect();

    let (fewest, most) = totals(asked.iter().copied());
    let pooled = most.design_effect();
    let standings = standings(&within, ask, past);
    let mut groups: BTreeMap<Key, Vec<&Read>> = BTreeMap::new();
    for read in &asked {
        groups.entry(read.key(ask)).or_default().push(read);
    }
    let mut strata: Vec<Stratum> = groups
        .into_iter()
        .map(|(key, reads)| {
            let standing = standings.get(&key);
            stratum(key, &reads, ask, pooled, standing)
        })
        .collect();
    strata.sort_by_key(|s| std::cmp::Reverse(s.flasks));

    let rows: Vec<Row> = asked.iter().filter_map(|r| r.row(ask)).collect();
    let (of, only) = comparable(&rows, ask);
    let mut notes = notes(&asked, &fewest, &most, ask);
    let fitted = model(&of, ask, pooled);
    if let Err(why) = &fitted {
        notes.insert(0, why.clone());
    }
    let mut fitted = fitted.ok();
    if let (Some(model), Some(only)) = (&mut fitted, only) {
        model.notes.push(only);
    }

    Evidence {
        from: ask.since.or(asked.first().map(|r| r.flask.cast_at)),
        to: ask.until.or(asked.last().map(|r| r.flask.cast_at)),
        outcome: ask.outcome.name().to_owned(),
        flasks: most.flasks,
        flasks_uninspected: uninspected(asked.iter().copied()),
        sessions: most.sessions,
        pieces: most.pieces,
        defective: most.events,
        defective_least: (fewest.events != most.events).then_some(fewest.events),
        rate: bounded_rate(&fewest, &most, pooled),
        model: fitted,
        notes,
        strata,
        kinds: kinds(&asked, ask),
    }
}

/// The flasks that one model may hold: those of the alloy with most of them, because temperatures
/// of different alloys are not to be compared, unless the caller names the factors.
pub(super) fn comparable<'a, 'b>(
    rows: &'b [Row<'a>],
    ask: &Question,
) -> (Vec<&'b Row<'a>>, Option<String>) {
    if !ask.factors.is_empty() {
        return (rows.iter().collect(), None);
    }
    let mut counted: BTreeMap<Option<&str>, usize> = BTreeMap::new();
    for row in rows {
        *counted.entry(row.alloy.as_deref()).or_default() += 1;
    }
    let most = counted
        .iter()
        .max_by_key(|(alloy, n)| (**n, std::cmp::Reverse(**alloy)))
        .map(|(alloy, _)| *alloy);
    let Some(alloy) = most else {
        return (Vec::new(), None);
    };
    let of = rows
        .iter()
        .filter(|r| r.alloy.as_deref() == alloy)
        .collect();
    let only = (counted.len() > 1).then(|| {
        format!(
            "Of {} alone, the alloy with most flasks: temperatures of different alloys are not \
             compared. Ask with --alloy for another.",
            alloy.unwrap_or("flasks whose alloy is not recorded")
        )
    });
    (of, only)
}

/// The flasks of the time asked for, in order: every list and sum is then the same, however the
/// flasks came.
fn within<'a>(flasks: &'a [Flask], ask: &Question) -> Vec<Read<'a>> {
    let mut within: Vec<Read> = flasks
        .iter()
        .filter(|f| in_time(f, ask))
        .map(|flask| Read {
            flask,
            count: count(flask, ask),
        })
        .collect();
    within.sort_by(|a, b| (a.flask.cast_at, &a.flask.id).cmp(&(b.flask.cast_at, &b.flask.id)));
    within
}

/// What every formal look so far said, by alloy and section: the
/// [`look`](super::Stratum::look) of each stratum of [`evidence`], and nothing else of it.
pub fn formal_looks(
    flasks: &[Flask],
    ask: &Question,
) -> Vec<(Option<String>, Option<String>, Look)> {
    with_shop(&within(flasks, ask), ask, |shop| {
        shop.looks_alone()
            .into_iter()
            .map(|((alloy, section), look)| (alloy, section, look))
            .collect()
    })
}

/// Where every stratum stands. Looks go by the whole table, whatever alloy or section is asked for,
/// so that the answer is that of the report.
fn standings(within: &[Read], ask: &Question, past: &mut Past) -> BTreeMap<Key, Judged> {
    with_shop(within, ask, |shop| {
        shop.standings(past, |key, standing| {
            let poured = shop.poured.get(key).map_or(&[][..], Vec::as_slice);
            let own: Vec<&Row> = shop
                .rows
                .iter()
                .copied()
                .filter(|r| (&r.alloy, &r.section) == (&key.0, &key.1))
                .collect();
            Judged::of(key, standing, poured, &own, ask)
        })
    })
}

/// Makes the table that grades are made from, and does `work` with it.
fn with_shop<T>(within: &[Read], ask: &Question, work: impl FnOnce(&Shop) -> T) -> T {
    let rows: Vec<Row> = within
        .iter()
        .filter_map(|r| r.row(ask))
        .filter(|r| r.pour_c().is_some())
        .collect();
    let mut poured: BTreeMap<Key, Vec<Poured>> = BTreeMap::new();
    for read in within.iter().filter(|r| r.flask.set_aside.is_none()) {
        poured.entry(read.key(ask)).or_default().push(Poured {
            flask: read.flask,
            at: read.flask.cast_at,
            pour_c: finite_pour(read.flask),
            inspected: read.count != Count::Uninspected,
        });
    }
    let shop = Shop {
        question: ask,
        rows: rows.iter().collect(),
        poured,
        manner: Manner {
            shape: ask.shape,
            uncertainty: ask.spread.unwrap_or(Spread::Session).uncertainty(),
            method: ask.method,
            draws: ask.draws.unwrap_or(DRAWS),
        },
        asked_otherwise: asked_otherwise(ask),
    };
    work(&shop)
}

/// What a standing comes to, free of the rows it was made from.
struct Judged {
    look: Look,
    curve: Vec<CurvePoint>,
    advised: advise::Advised,
    second_opinion: Option<super::SecondOpinion>,
    moves_together: Vec<super::Together>,
    notes: Vec<String>,
    effective_events: f64,
}

impl Judged {
    fn of(
        key: &Key,
        standing: &Standing,
        poured: &[Poured],
        own: &[&Row],
        ask: &Question,
    ) -> Judged {
        let found = standing.found.as_ref();
        Judged {
            look: standing.look.clone(),
            curve: found.map_or_else(Vec::new, |f| advise::points(&f.study.curve)),
            advised: advise::advised(key, standing, poured, ask),
            second_opinion: found.and_then(|f| f.second_opinion.clone()),
            moves_together: together::together(own),
            notes: found.map_or_else(Vec::new, |f| {
                let mut notes = f.study.fits.most.plan.notes.clone();
                notes.extend(probes::left_out(standing.left_out));
                notes.push(blindness(own));
                notes
            }),
            effective_events: standing.budget.effective_events,
        }
    }
}

/// Whether the counting eyes knew the temperature: they find what they expect.
fn blindness(own: &[&Row]) -> String {
    let blind = own
        .iter()
        .filter(|r| r.flask.counted_blind == Some(true))
        .count();
    if blind == own.len() {
        return "All flasks were counted by someone who did not know the pour temperature."
            .to_owned();
    }
    format!(
        "{blind} of {} flasks were counted by someone who did not know the pour temperature; eyes \
         that know it find what they expect.",
        own.len()
    )
}

/// Grades are for the standing question, asked in the standing way: whoever asks in many ways finds
/// something.
pub(super) fn asked_otherwise(ask: &Question) -> Option<Cap> {
    let otherwise = ask.outcome != Outcome::Steering
        || ask.since.is_some()
        || ask.shape.is_some()
        || ask.spread.is_some()
        || ask.method.is_some();
    otherwise.then(|| {
        Cap::new(
            "asked-otherwise",
            "only the standing question (defects that heat can steer, all flasks, the usual model) \
             is looked at formally",
        )
    })
}

fn in_time(flask: &Flask, ask: &Question) -> bool {
    ask.since.is_none_or(|since| flask.cast_at >= since)
        && ask.until.is_none_or(|until| flask.cast_at < until)
}

fn in_question(flask: &Flask, ask: &Question) -> bool {
    let name = |written: &str| alloy_name_of(written, ask);
    ask.alloy
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
    Some(alloy_name_of(written, ask))
}

/// The table's name for an alloy, else what was written.
pub(super) fn alloy_name_of(written: &str, ask: &Question) -> String {
    ask.alloys
        .get(written)
        .map_or_else(|| plain(written), |a| a.name.clone())
}

fn section_name(flask: &Flask) -> Option<String> {
    flask
        .section
        .as_deref()
        .map(plain)
        .filter(|s| !s.is_empty())
}

fn totals<'a: 'b, 'b>(reads: impl Iterator<Item = &'b Read<'a>>) -> (Totals, Totals) {
    let (fewest, most): (Vec<Tally>, Vec<Tally>) = reads
        .filter_map(|r| match r.count {
            Count::Counted { fewest, most } => Some((fewest, most)),
            _ => None,
        })
        .unzip();
    (Totals::of(&fewest), Totals::of(&most))
}

fn uninspected<'a: 'b, 'b>(reads: impl Iterator<Item = &'b Read<'a>>) -> usize {
    reads.filter(|r| r.count == Count::Uninspected).count()
}

fn finite_pour(flask: &Flask) -> Option<f64> {
    flask.pour_temperature_c.filter(|t| t.is_finite())
}

fn stratum(
    (alloy, section): Key,
    reads: &[&Read],
    ask: &Question,
    pooled: Option<f64>,
    judged: Option<&Judged>,
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
    let poured: Vec<Poured> = may_steer()
        .map(|r| Poured {
            flask: r.flask,
            at: r.flask.cast_at,
            pour_c: finite_pour(r.flask),
            inspected: r.count != Count::Uninspected,
        })
        .collect();
    let usual_c = alloy.as_ref().and_then(|_| usual(&poured, None));
    let mut advice = judged.map_or_else(
        || advise::nothing_counted(usual_c),
        |j| j.advised.advice.clone(),
    );
    let key = (alloy, section);
    let mut off = usual_c.and_then(|usual_c| aim(&key, &poured, usual_c, ask));
    let (alloy, section) = key;
    if let Some(off) = &mut off {
        off.sentence = off.words(advice.backed_c(), &ask.shown_in);
    }
    advice.aim = off;
    advice.sentence = sentence(&Material {
        alloy: alloy.as_deref(),
        section: section.as_deref(),
        ask,
        rate,
        fewest: fewest.events,
        totals: &most,
        uninspected: uninspected(may_steer()),
        not_counted: may_steer().filter(|r| r.count == Count::NotCounted).count(),
        set_aside: &set_aside,
        temperatures: &points.iter().map(|p| p.value).collect::<Vec<_>>(),
        steps: &steps,
        usual_c,
        aim: advice.aim.as_ref(),
        advised: judged.map(|j| &j.advised),
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
        effective_events: judged.map_or(effective_events, |j| j.effective_events),
        rate,
        set_aside,
        look: judged.map(|j| j.look.clone()),
        curve: judged.map_or_else(Vec::new, |j| j.curve.clone()),
        steps: steps.iter().map(step).collect(),
        advice,
        second_opinion: judged.and_then(|j| j.second_opinion.clone()),
        moves_together: judged.map_or_else(Vec::new, |j| j.moves_together.clone()),
        notes: judged.map_or_else(Vec::new, |j| j.notes.clone()),
    }
}

/// A step of temperature as a point.
fn step(bin: &Bin) -> CurvePoint {
    CurvePoint {
        pour_temperature_c: bin.mean,
        rate: bin.rate.estimate,
        rate_least: bin.rate.least,
        rate_most: bin.rate.most,
        low: Some(bin.rate.low),
        high: Some(bin.rate.high),
        flasks_near: bin.flasks,
    }
}

fn notes(asked: &[&Read], fewest: &Totals, most: &Totals, ask: &Question) -> Vec<String> {
    let mut notes = Vec::new();
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
