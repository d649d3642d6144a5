//! Which settings a model holds, in an order that is fixed before anyone looks at the outcome: a
//! term enters because the table can carry it, never because its p-value is small. Columns are
//! centred and scaled within; estimates are told per stored unit.

use std::collections::BTreeMap;

use super::Shape;
use super::budget::Budget;
use super::factor::Factor;
use super::probes::rows_differ;
use super::rows::{Row, origin};
use crate::stats::Vector;
use crate::stats::design::{Design, INTERCEPT};
use crate::stats::error::StatsError;
use crate::stats::spline::Spline;
use crate::time::Micros;

/// A setting enters by itself only where this share of the flasks has it: those without leave the
/// model.
const MEASURED: f64 = 0.9;
/// Effective events from which the pour temperature may bend once.
const EVENTS_FOR_THREE_KNOTS: f64 = 40.0;
/// … and twice.
const EVENTS_FOR_FOUR_KNOTS: f64 = 100.0;
/// Sessions from which it may bend twice.
const SESSIONS_FOR_FOUR_KNOTS: usize = 40;
/// The smallest standard deviation of a column that says anything, against its size: settings
/// written to a tenth lie far above, rounding far below.
const STILL: f64 = 1e-9;

/// What is wanted of the model.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Wanted {
    /// These factors and no others.
    pub factors: Option<Vec<Factor>>,
    pub shape: Option<Shape>,
    /// The pour temperature is in even where the table is too small for it.
    pub forced: bool,
    /// Sections have slopes of their own, shrunk by this ridge.
    pub own_slopes: Option<f64>,
    /// Where the flasks carry no more than a line it may bend a little, shrunk by this ridge (on the
    /// bend in logits per (10 K)²).
    pub cup: Option<f64>,
}

/// Strata and a line are more than the table can carry.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct TooSmall;

/// One column beside the intercept.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Column {
    /// 1 for flasks of this level.
    Level { factor: Factor, level: String },
    /// A setting.
    Number {
        factor: Factor,
        centre: f64,
        scale: f64,
    },
    /// A bent term of the pour temperature's curve, from 1.
    Bend {
        term: usize,
        centre: f64,
        scale: f64,
    },
    /// The pour temperature from `centre` on in flasks of this section, else 0.
    OwnSlope { section: String, centre: f64 },
    /// Half the square of the pour temperature from `centre` on, in [`CUP_K`]: a bend that the flasks
    /// cannot carry, held near none by a ridge.
    Cup { centre: f64 },
}

/// The unit that a cup's bend is told in, K.
const CUP_K: f64 = 10.0;

/// The columns of a model.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Plan {
    pub columns: Vec<Column>,
    pub spline: Option<Spline>,
    pub origin: Micros,
    /// The ridge of sections' own slopes.
    pub ridge: Option<f64>,
    /// The ridge of the cup.
    pub cup: Option<f64>,
    pub notes: Vec<String>,
}

/// What is entered, before it is made into columns.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Entry {
    Plain(Factor),
    Curve { knots: usize },
}

/// Chooses terms for these flasks and makes columns of them, with the rows that have every figure.
pub(super) fn plan<'a, 'b>(
    rows: &[&'b Row<'a>],
    budget: &Budget,
    wanted: &Wanted,
) -> Result<(Plan, Vec<&'b Row<'a>>), TooSmall> {
    let mut notes = Vec::new();
    let entries = match &wanted.factors {
        Some(factors) => named(factors, wanted.shape, budget),
        None => in_order(rows, budget, wanted, &mut notes)?,
    };
    let from = origin(rows);
    let kept: Vec<&Row> = rows
        .iter()
        .copied()
        .filter(|row| {
            entries.iter().all(|entry| match entry {
                Entry::Plain(f) if f.groups() => true,
                Entry::Plain(f) => f.value(row, from).is_some(),
                Entry::Curve { .. } => row.pour_c().is_some(),
            })
        })
        .collect();
    let missing = rows.len() - kept.len();
    if missing > 0 {
        notes.push(format!(
            "{} without a figure for one of its settings and not in the model.",
            if missing == 1 {
                "1 flask is".to_owned()
            } else {
                format!("{missing} flasks are")
            }
        ));
    }
    let plan = Plan::of(&entries, &kept, from, wanted, notes);
    Ok((plan, kept))
}

/// The factors that the caller named.
fn named(factors: &[Factor], shape: Option<Shape>, budget: &Budget) -> Vec<Entry> {
    let mut entries: Vec<Entry> = Vec::new();
    for factor in factors {
        let entry = Entry::Plain(*factor);
        if !entries.contains(&entry) {
            entries.push(entry);
        }
        if *factor == Factor::PourTemperature && shape == Some(Shape::Curve) {
            let knots = knots(budget, usize::MAX).max(3);
            entries.push(Entry::Curve { knots });
        }
    }
    entries
}

/// Knots that the table can carry with `left` figures to spare: 0 for a straight line.
fn knots(budget: &Budget, left: usize) -> usize {
    if budget.effective_events >= EVENTS_FOR_FOUR_KNOTS
        && budget.sessions >= SESSIONS_FOR_FOUR_KNOTS
        && left >= 2
    {
        4
    } else if budget.effective_events >= EVENTS_FOR_THREE_KNOTS && left >= 1 {
        3
    } else {
        0
    }
}

fn levels(rows: &[&Row], factor: Factor) -> BTreeMap<String, usize> {
    let mut counted = BTreeMap::new();
    for row in rows {
        *counted.entry(factor.level(row).to_owned()).or_insert(0) += 1;
    }
    counted
}

/// The level that the others are compared with.
fn commonest(rows: &[&Row], factor: Factor) -> Option<String> {
    let counted = levels(rows, factor);
    let most = counted.values().max().copied().unwrap_or(0);
    counted
        .into_iter()
        .find(|(_, n)| *n == most)
        .map(|(l, _)| l)
}

/// Terms in their order, as many as fit.
fn in_order(
    rows: &[&Row],
    budget: &Budget,
    wanted: &Wanted,
    notes: &mut Vec<String>,
) -> Result<Vec<Entry>, TooSmall> {
    let cost = |factor: Factor| levels(rows, factor).len().saturating_sub(1);
    let strata = cost(Factor::Alloy) + cost(Factor::Section);
    if strata + 1 > budget.most_df {
        if !wanted.forced {
            return Err(TooSmall);
        }
        notes.push(format!(
            "The flasks carry {} beside the mean and are asked for {}: read the intervals, not the \
             estimates.",
            figures(budget.most_df),
            strata + 1
        ));
    }
    let mut left = budget.most_df.saturating_sub(strata + 1);
    let mut entries = vec![Entry::Plain(Factor::Alloy), Entry::Plain(Factor::Section)];
    // Patterns and machines take figures by the dozen; they may have half of what is left.
    for factor in [Factor::Pattern, Factor::Machine] {
        let needed = cost(factor);
        if needed == 0 {
            continue;
        }
        if needed <= left / 2 {
            entries.push(Entry::Plain(factor));
            left -= needed;
        } else {
            notes.push(format!(
                "Not held equal: {} ({} kinds are more than these flasks can carry).",
                factor.words(),
                needed + 1
            ));
        }
    }
    // What was read by probes that nobody compared is a level each, so that a probe that reads low
    // does not pose as cool pours.
    if rows_differ(rows) {
        let needed = cost(Factor::ProbeSeries);
        if needed <= left {
            entries.push(Entry::Plain(Factor::ProbeSeries));
            left -= needed;
        } else {
            notes.push(format!(
                "Not held equal: {} ({} of them are more than these flasks can carry).",
                Factor::ProbeSeries.words(),
                needed + 1
            ));
        }
    }
    entries.push(Entry::Plain(Factor::PourTemperature));
    let mut enter = |factor: Factor, left: &mut usize, entries: &mut Vec<Entry>| {
        let from = origin(rows);
        let measured = rows
            .iter()
            .filter(|r| factor.value(r, from).is_some())
            .count();
        if measured == 0 {
            return;
        }
        if (measured as f64) < MEASURED * rows.len() as f64 {
            notes.push(format!(
                "Not held equal: {} (known of {measured} of {} flasks).",
                factor.words(),
                rows.len()
            ));
        } else if *left == 0 {
            notes.push(format!(
                "Not held equal: {} (one figure more than these flasks can carry).",
                factor.words()
            ));
        } else {
            entries.push(Entry::Plain(factor));
            *left -= 1;
        }
    };
    enter(Factor::FlaskTemperature, &mut left, &mut entries);
    let knots = match wanted.shape {
        Some(Shape::Line) => 0,
        Some(Shape::Curve) => knots(budget, left).max(3),
        None => knots(budget, left),
    };
    if knots > 0 {
        entries.push(Entry::Curve { knots });
        left = left.saturating_sub(knots - 2);
    }
    for factor in [
        Factor::VacuumShare,
        Factor::Days,
        Factor::Remelt,
        Factor::SealAge,
    ] {
        enter(factor, &mut left, &mut entries);
    }
    Ok(entries)
}

fn figures(n: usize) -> String {
    match n {
        0 => "no figure".to_owned(),
        1 => "1 figure".to_owned(),
        n => format!("{n} figures"),
    }
}

/// Mean and standard deviation; a scale of 1 where the numbers do not move.
fn centre_and_scale(values: &[f64]) -> (f64, f64) {
    let n = values.len().max(1) as f64;
    let mean = values.iter().sum::<f64>() / n;
    let sd = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n).sqrt();
    if sd > STILL * mean.abs() && sd > 0.0 {
        (mean, sd)
    } else {
        (mean, 1.0)
    }
}

impl Plan {
    fn of(
        entries: &[Entry],
        rows: &[&Row],
        origin: Micros,
        wanted: &Wanted,
        notes: Vec<String>,
    ) -> Plan {
        let mut plan = Plan {
            columns: Vec::new(),
            spline: None,
            origin,
            ridge: None,
            cup: None,
            notes,
        };
        let pours: Vec<f64> = rows.iter().filter_map(|r| r.pour_c()).collect();
        for entry in entries {
            match entry {
                Entry::Plain(factor) if factor.groups() => plan.add_group(*factor, rows),
                Entry::Plain(factor) => {
                    let values: Vec<f64> = rows
                        .iter()
                        .filter_map(|r| factor.value(r, origin))
                        .collect();
                    let (centre, scale) = centre_and_scale(&values);
                    plan.columns.push(Column::Number {
                        factor: *factor,
                        centre,
                        scale,
                    });
                }
                Entry::Curve { knots } => match Spline::at_quantiles(&pours, *knots)
                    .or_else(|_| Spline::at_quantiles(&pours, 3))
                {
                    Ok(spline) => {
                        for term in 1..spline.width() {
                            let values: Vec<f64> =
                                pours.iter().map(|t| spline.basis(*t)[term]).collect();
                            let (centre, scale) = centre_and_scale(&values);
                            plan.columns.push(Column::Bend {
                                term,
                                centre,
                                scale,
                            });
                        }
                        plan.spline = Some(spline);
                    }
                    Err(_) => plan.notes.push(
                        "The pour temperatures are too alike for a curve, so it is a line."
                            .to_owned(),
                    ),
                },
            }
        }
        plan.leave_out_aliased(rows);
        if let Some(ridge) = wanted.cup.filter(|_| plan.has_pour() && !plan.has_bend()) {
            let (centre, _) = centre_and_scale(&pours);
            plan.cup = Some(ridge);
            plan.columns.push(Column::Cup { centre });
        }
        let sections = levels(rows, Factor::Section);
        if let Some(ridge) = wanted
            .own_slopes
            .filter(|_| sections.len() > 1 && plan.has_pour())
        {
            let (centre, _) = centre_and_scale(&pours);
            plan.ridge = Some(ridge);
            for section in sections.into_keys() {
                plan.columns.push(Column::OwnSlope { section, centre });
            }
        }
        plan
    }

    fn add_group(&mut self, factor: Factor, rows: &[&Row]) {
        let base = commonest(rows, factor);
        for level in levels(rows, factor)
            .into_keys()
            .filter(|l| Some(l) != base.as_ref())
        {
            self.columns.push(Column::Level { factor, level });
        }
    }

    /// Drops columns that the earlier ones tell, and says so.
    fn leave_out_aliased(&mut self, rows: &[&Row]) {
        let Ok(design) = self.design(rows) else {
            return;
        };
        let aliased = design.aliased();
        let mut at = 0;
        let mut names = Vec::new();
        let bends_before = self.has_bend();
        self.columns.retain(|_| {
            at += 1;
            let keep = !aliased.contains(&at);
            if !keep {
                names.push(design.names()[at].clone());
            }
            keep
        });
        if bends_before && !self.has_bend() {
            self.spline = None;
        }
        if !names.is_empty() {
            self.notes.push(format!(
                "Left out, because in these flasks {} or follows from the other settings: {}.",
                if names.len() == 1 {
                    "it never moved"
                } else {
                    "they never moved"
                },
                names.join(", ")
            ));
        }
    }

    /// The level of a grouping that has no column.
    pub(super) fn base(&self, factor: Factor, rows: &[&Row]) -> Option<String> {
        commonest(rows, factor).map(|level| format!("{} {level}", factor.name()))
    }

    pub(super) fn has_pour(&self) -> bool {
        self.columns.iter().any(|c| {
            matches!(
                c,
                Column::Number {
                    factor: Factor::PourTemperature,
                    ..
                }
            )
        })
    }

    pub(super) fn has_bend(&self) -> bool {
        self.columns
            .iter()
            .any(|c| matches!(c, Column::Bend { .. }))
    }

    /// The settings that are held equal beside the pour temperature, in words.
    pub(super) fn held(&self) -> Vec<&'static str> {
        let mut held: Vec<&'static str> = Vec::new();
        for column in &self.columns {
            let words = match column {
                Column::Level { factor, .. } | Column::Number { factor, .. } => factor.words(),
                Column::Bend { .. } | Column::OwnSlope { .. } | Column::Cup { .. } => continue,
            };
            if words != Factor::PourTemperature.words() && !held.contains(&words) {
                held.push(words);
            }
        }
        held
    }

    /// Whether a setting or a grouping is in the model.
    pub(super) fn holds(&self, factor: Factor) -> bool {
        self.columns.iter().any(|c| match c {
            Column::Level { factor: f, .. } | Column::Number { factor: f, .. } => *f == factor,
            Column::Bend { .. } | Column::OwnSlope { .. } | Column::Cup { .. } => false,
        })
    }

    /// The row's numbers, the intercept first, with the pour temperature replaced by `pour_c` where
    /// given. A figure that the row lacks stands at the column's mean.
    pub(super) fn x(&self, row: &Row, pour_c: Option<f64>) -> Vector {
        let t = pour_c.or_else(|| row.pour_c());
        let bends = self
            .spline
            .as_ref()
            .zip(t)
            .map(|(spline, t)| spline.basis(t));
        let mut x = Vector::zeros(self.columns.len() + 1);
        x[0] = 1.0;
        for (j, column) in self.columns.iter().enumerate() {
            x[j + 1] = match column {
                Column::Level { factor, level } => {
                    f64::from(u8::from(factor.level(row) == level.as_str()))
                }
                Column::Number {
                    factor: Factor::PourTemperature,
                    centre,
                    scale,
                } => t.map_or(0.0, |t| (t - centre) / scale),
                Column::Number {
                    factor,
                    centre,
                    scale,
                } => factor
                    .value(row, self.origin)
                    .map_or(0.0, |v| (v - centre) / scale),
                Column::Bend {
                    term,
                    centre,
                    scale,
                } => bends.as_ref().map_or(0.0, |b| (b[*term] - centre) / scale),
                Column::OwnSlope { section, centre } => {
                    if Factor::Section.level(row) == section.as_str() {
                        t.map_or(0.0, |t| t - centre)
                    } else {
                        0.0
                    }
                }
                Column::Cup { centre } => t.map_or(0.0, |t| 0.5 * ((t - centre) / CUP_K).powi(2)),
            };
        }
        x
    }

    /// The ridge of each column, the intercept first; `None` where all are free.
    pub(super) fn ridges(&self) -> Option<Vec<f64>> {
        (self.ridge.is_some() || self.cup.is_some()).then(|| {
            std::iter::once(0.0)
                .chain(self.columns.iter().map(|c| match c {
                    Column::OwnSlope { .. } => self.ridge.unwrap_or(0.0),
                    Column::Cup { .. } => self.cup.unwrap_or(0.0),
                    _ => 0.0,
                }))
                .collect()
        })
    }

    /// The ridges of what is as likely one way as the other and stays open where the flasks do not
    /// tell: the cup. That sections go by one slope until they show otherwise is a choice.
    pub(super) fn open(&self) -> Vec<f64> {
        std::iter::once(0.0)
            .chain(self.columns.iter().map(|c| match c {
                Column::Cup { .. } => self.cup.unwrap_or(0.0),
                _ => 0.0,
            }))
            .collect()
    }

    /// The plan without columns that a ridge holds.
    pub(super) fn without_ridges(&self) -> Plan {
        let mut plan = self.clone();
        plan.columns
            .retain(|c| !matches!(c, Column::OwnSlope { .. } | Column::Cup { .. }));
        (plan.ridge, plan.cup) = (None, None);
        plan
    }

    /// What a column is called.
    pub(super) fn name(column: &Column) -> String {
        match column {
            Column::Level { factor, level } => format!("{}: {level}", factor.name()),
            Column::Number { factor, .. } => factor.name().to_owned(),
            Column::Bend { term, .. } => format!("pour_temperature_bend_{term}"),
            Column::OwnSlope { section, .. } => format!("pour_temperature in section: {section}"),
            Column::Cup { .. } => "pour_temperature_cup".to_owned(),
        }
    }

    /// The columns over these rows.
    pub(super) fn design(&self, rows: &[&Row]) -> Result<Design, StatsError> {
        let lines: Vec<Vector> = rows.iter().map(|row| self.x(row, None)).collect();
        let mut design = Design::intercept(rows.len());
        debug_assert_eq!(design.names(), [INTERCEPT]);
        for (j, column) in self.columns.iter().enumerate() {
            let values: Vec<f64> = lines.iter().map(|x| x[j + 1]).collect();
            design = design.column(Plan::name(column), &values)?;
        }
        Ok(design)
    }

    /// Estimates per stored unit as combinations of the coefficients: a name, the factor, and the
    /// weights of the combination, the intercept first.
    pub(super) fn told(&self) -> Vec<(String, Option<Factor>, Vector)> {
        let width = self.columns.len() + 1;
        let mut mean = Vector::zeros(width);
        mean[0] = 1.0;
        let mut told = Vec::with_capacity(width);
        for (j, column) in self.columns.iter().enumerate() {
            let mut weights = Vector::zeros(width);
            let (factor, scale) = match column {
                Column::Level { factor, .. } => (*factor, 1.0),
                // Never in a model that is told by its terms.
                Column::Cup { .. } => (Factor::PourTemperature, 1.0),
                Column::OwnSlope { centre, .. } => {
                    mean[j + 1] = -centre;
                    (Factor::PourTemperature, 1.0)
                }
                Column::Number {
                    factor,
                    centre,
                    scale,
                } => {
                    mean[j + 1] = -centre / scale;
                    (*factor, *scale)
                }
                Column::Bend { centre, scale, .. } => {
                    mean[j + 1] = -centre / scale;
                    (Factor::PourTemperature, *scale)
                }
            };
            weights[j + 1] = 1.0 / scale;
            told.push((Plan::name(column), Some(factor), weights));
        }
        told.insert(0, (INTERCEPT.to_owned(), None, mean));
        told
    }
}
