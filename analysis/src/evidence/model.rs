//! The model of the table as asked: what every setting did with the others held equal. Its numbers
//! are those that any statistics package gives for the same flasks and the same columns.

use serde::{Deserialize, Serialize};

use super::budget::Budget;
use super::factor::Factor;
use super::fitted::{Fitted, How, fitted};
use super::rows::{Bound, Row, counts};
use super::terms::{Plan, Wanted, plan};
use super::{Question, Shape};
use crate::stats::Vector;
use crate::stats::covariance::{Covariance, Estimate, Uncertainty};
use crate::stats::error::StatsError;
use crate::stats::holm::holm;
use crate::stats::session_intercept::{self, Extent};
use crate::units::ShownIn;

/// How a model is fitted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Method {
    /// Binomial logistic regression by maximum likelihood.
    Glm,
    /// With Firth's penalty, on counts divided by the design effect.
    Firth,
    /// Beta-binomial flasks in sessions with levels of their own.
    Mixed,
}

/// What standard errors allow for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Spread {
    /// Sessions that differ.
    Session,
    /// Flasks that differ.
    Flask,
    /// Chance alone.
    Plain,
}

impl Spread {
    pub(super) fn uncertainty(self) -> Uncertainty {
        match self {
            Spread::Session => Uncertainty::Session,
            Spread::Flask => Uncertainty::Flask,
            Spread::Plain => Uncertainty::Plain,
        }
    }
}

/// A fitted model.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Model {
    /// How it was fitted.
    pub method: Method,
    /// What the standard errors allow for.
    pub uncertainty: Spread,
    /// Pearson's dispersion; null for penalised and mixed fits.
    pub dispersion: Option<f64>,
    /// The intercept, then every term.
    pub terms: Vec<Term>,
    /// Standard deviation of sessions' levels; null but for mixed fits.
    pub random_sd: Option<f64>,
    /// Log-likelihood with the binomial coefficients, without a penalty.
    pub log_likelihood: Option<f64>,
    /// Flasks in it.
    pub flasks: usize,
    /// Their sessions.
    pub sessions: usize,
    /// What a reader should know.
    pub notes: Vec<String>,
}

/// One term of a model, per stored unit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Term {
    /// `intercept`, a setting, `setting: level`, or `pour_temperature_bend_1` for the curve.
    pub name: String,
    /// Unit of the setting (UCUM where it has one); null for levels and the intercept.
    pub unit: Option<String>,
    /// Change of the log odds per unit.
    pub estimate: f64,
    /// Its standard error.
    pub std_error: f64,
    /// Estimate ÷ standard error, or the signed root of the likelihood ratio of a penalised fit.
    pub statistic: Option<f64>,
    /// Degrees of freedom of its t; null for the normal.
    pub df: Option<f64>,
    /// Two-sided p-value; null under four degrees of freedom.
    pub p: Option<f64>,
    /// The same, adjusted by Holm over the terms but the intercept.
    pub p_holm: Option<f64>,
    /// Lower limit of the estimate (95 %).
    pub low: Option<f64>,
    /// Upper limit.
    pub high: Option<f64>,
    /// The step that the odds ratio is for, in the unit.
    pub step: Option<f64>,
    /// Odds ratio for that step; null for the intercept and for terms of a curve.
    pub odds_ratio: Option<f64>,
    /// Its lower limit.
    pub odds_ratio_low: Option<f64>,
    /// Its upper limit.
    pub odds_ratio_high: Option<f64>,
    /// The level that a level is told against; null for a setting that is measured.
    pub base: Option<String>,
    /// The term in words; null for the intercept and for terms of a curve.
    pub sentence: Option<String>,
}

/// Fits the model that is asked for to these flasks, at the most pieces that can have had the
/// outcome. The reason as a sentence where there is none.
pub(super) fn model(rows: &[&Row], ask: &Question, pooled: Option<f64>) -> Result<Model, String> {
    let budget = Budget::of(rows, pooled);
    let wanted = Wanted {
        factors: (!ask.factors.is_empty()).then(|| ask.factors.clone()),
        shape: ask.shape,
        forced: ask.shape.is_some() || ask.method.is_some() || ask.spread.is_some(),
        own_slopes: None,
        cup: None,
    };
    let pours = wanted.factors.is_none();
    let with_pour: Vec<&Row> = rows
        .iter()
        .copied()
        .filter(|r| !pours || r.pour_c().is_some())
        .collect();
    if with_pour.is_empty() {
        return Err("No model: no counted flask has a pour temperature.".to_owned());
    }
    let budget = if pours {
        Budget::of(&with_pour, pooled)
    } else {
        budget
    };
    let (plan, kept) = plan(&with_pour, &budget, &wanted).map_err(|_| {
        format!(
            "No model: these flasks carry {} beside the mean, and what they are of (alloy, section) \
             with the pour temperature is more. The rarer of good and bad pieces count as {:.1} \
             independent ones; ten for each figure are the least, and five sessions and eight \
             flasks.",
            match budget.most_df {
                0 => "no figure".to_owned(),
                1 => "1 figure".to_owned(),
                n => format!("{n} figures"),
            },
            budget.effective_events
        )
    })?;
    let spread = ask.spread.unwrap_or(Spread::Session);
    let how = How {
        method: ask.method.unwrap_or(Method::Glm),
        uncertainty: spread.uncertainty(),
        design_effect: budget.design_effect,
        block: 1,
    };
    let made = if how.method == Method::Mixed {
        mixed(&plan, &kept)
    } else {
        fitted(&plan, &kept, Bound::Most, &how).and_then(|fit| told(&fit, spread))
    };
    let mut model = made.map_err(|why| format!("No model: {why}."))?;
    if model.method == Method::Firth && how.method != Method::Firth {
        model.notes.push(
            "Some settings separate the defective pieces from the good ones completely, so the fit \
             is penalised (Firth) and its intervals follow the likelihood."
                .to_owned(),
        );
    }
    if super::rows::bounded(&kept) {
        model.notes.push(
            "Pieces with the outcome were not always counted by themselves; the model takes the \
             most there can have been."
                .to_owned(),
        );
    }
    model.notes.extend(plan.notes.iter().cloned());
    let sessions: std::collections::BTreeSet<&str> =
        kept.iter().map(|r| r.flask.session.as_str()).collect();
    model.flasks = kept.len();
    model.sessions = sessions.len();
    adjust(&mut model.terms);
    say(&mut model, &plan, &kept, &ask.shown_in);
    if !model.terms.iter().all(finite) {
        return Err("No model: its figures run out of range.".to_owned());
    }
    Ok(model)
}

fn finite(term: &Term) -> bool {
    term.estimate.is_finite() && term.std_error.is_finite()
}

/// Those of the model's terms that are asked for, per stored unit. A penalised fit searches for each
/// one's limits, which takes far longer than the fit.
fn terms(fit: &Fitted, asked: impl Fn(Option<Factor>) -> bool) -> Result<Vec<Term>, StatsError> {
    fit.plan
        .told()
        .into_iter()
        .filter(|(_, factor, _)| asked(*factor))
        .map(|(name, factor, weights)| {
            let estimate = match &fit.firth {
                Some(firth) => firth.estimate(&weights, 0.95)?,
                None => fit
                    .covariance
                    .estimate(weights.dot(&fit.coef), &weights, 0.95),
            };
            Ok(term(name, factor, fit.plan.has_bend(), &estimate))
        })
        .collect()
}

/// The model with all its terms.
fn told(fit: &Fitted, spread: Spread) -> Result<Model, StatsError> {
    let terms = terms(fit, |_| true)?;
    Ok(Model {
        method: fit.method,
        uncertainty: if fit.firth.is_some() {
            Spread::Flask
        } else {
            spread
        },
        dispersion: fit.dispersion.filter(|d| d.is_finite()),
        terms,
        random_sd: None,
        log_likelihood: fit.log_likelihood.filter(|l| l.is_finite()),
        flasks: 0,
        sessions: 0,
        notes: Vec::new(),
    })
}

/// Sessions with levels of their own.
fn mixed(plan: &Plan, rows: &[&Row]) -> Result<Model, StatsError> {
    let counts = counts(rows, Bound::Most)?;
    let design = plan.design(rows)?;
    let fit = session_intercept::fit(&design, &counts, Extent::default())?;
    let width = fit.parameters.len();
    let terms = plan
        .told()
        .into_iter()
        .map(|(name, factor, weights)| {
            let estimate = weights.dot(&fit.coef);
            let mut contrast = Vector::zeros(width);
            contrast.rows_mut(0, weights.len()).copy_from(&weights);
            let cov: &Covariance = &fit.covariance;
            term(
                name,
                factor,
                plan.has_bend(),
                &cov.estimate(estimate, &contrast, 0.95),
            )
        })
        .collect();
    let mut notes: Vec<String> = fit
        .notes
        .iter()
        .map(|n| format!("{}.", capital(n)))
        .collect();
    notes.push(format!(
        "Flasks of a session differ more than chance by θ = {:.4} (beta-binomial).",
        fit.theta
    ));
    Ok(Model {
        method: Method::Mixed,
        uncertainty: Spread::Session,
        dispersion: None,
        terms,
        random_sd: Some(fit.session_sd),
        log_likelihood: Some(fit.log_likelihood),
        flasks: 0,
        sessions: 0,
        notes,
    })
}

fn capital(words: &str) -> String {
    let mut chars = words.chars();
    chars
        .next()
        .map(|c| c.to_uppercase().collect::<String>() + chars.as_str())
        .unwrap_or_default()
}

/// The unit of a setting that is measured; none for one that only sorts.
fn unit(factor: Factor) -> Option<&'static str> {
    factor.unit().filter(|_| !factor.groups())
}

/// One line of the table. A term of a curve has no odds ratio: what a degree does depends on where
/// it is.
fn term(name: String, factor: Option<Factor>, curve: bool, e: &Estimate) -> Term {
    let bent = curve && factor == Some(Factor::PourTemperature);
    let step = factor.filter(|_| !bent).map(Factor::step);
    let ratio = |v: f64| {
        step.map(|s| (v * s).exp())
            .filter(|r| r.is_finite() && *r > 0.0)
    };
    Term {
        unit: factor.and_then(unit).map(str::to_owned),
        estimate: e.estimate,
        std_error: e.std_error,
        statistic: e.statistic.filter(|v| v.is_finite()),
        df: e.df.filter(|v| v.is_finite()),
        p: e.p.filter(|v| v.is_finite()),
        p_holm: None,
        low: e.low.filter(|v| v.is_finite()),
        high: e.high.filter(|v| v.is_finite()),
        step,
        odds_ratio: ratio(e.estimate),
        odds_ratio_low: e.low.and_then(ratio),
        odds_ratio_high: e.high.and_then(ratio),
        base: None,
        sentence: None,
        name,
    }
}

/// A term for someone who never took statistics; `base` is the level that others are compared with.
fn words(term: &Term, factor: Factor, base: Option<&str>, shown: &ShownIn) -> Option<String> {
    let ratio = term.odds_ratio?;
    let sure = match term.odds_ratio_low.zip(term.odds_ratio_high) {
        None => "how sure cannot be said from so few sessions".to_owned(),
        Some((low, high)) => format!(
            "95 % confidence {low:.2} to {high:.2}{}",
            if low <= 1.0 && high >= 1.0 {
                ", so it may do nothing"
            } else {
                ""
            }
        ),
    };
    if factor.groups() {
        return Some(format!(
            "The odds of a bad piece in {} are {ratio:.2} times those in {} ({sure}).",
            term.name.replace(": ", " "),
            base.unwrap_or("the others")
        ));
    }
    let step = match factor.unit() {
        Some("Cel") => format!("{} more", shown.difference(factor.step())),
        Some("1") => format!("{} % more", factor.step() * 100.0),
        Some("kPa") => format!("{} more", shown.vacuum(factor.step())),
        Some("L/min") => format!("{} more", shown.flow(factor.step())),
        Some("g") => format!("{} more", shown.mass(factor.step())),
        Some("d") => format!("{} days more", factor.step()),
        Some(unit) => format!("{} {unit} more", factor.step()),
        None => return None,
    };
    Some(format!(
        "Each {step} of {} multiplies the odds of a bad piece by {ratio:.2} ({sure}).",
        factor.words()
    ))
}

/// Puts every term into words.
fn say(model: &mut Model, plan: &Plan, rows: &[&Row], shown: &ShownIn) {
    for ((_, factor, _), term) in plan.told().iter().zip(&mut model.terms) {
        let Some(factor) = factor else { continue };
        let base = factor.groups().then(|| plan.base(*factor, rows)).flatten();
        let level = |b: &String| {
            b.strip_prefix(factor.name())
                .map(|l| l.trim_start().to_owned())
        };
        term.base = base.as_ref().and_then(level);
        term.sentence = words(term, *factor, base.as_deref(), shown);
    }
    if plan.has_bend() {
        model.notes.push(
            "The pour temperature is a curve: what a degree does depends on where it is, so read \
             the curve and not its terms."
                .to_owned(),
        );
    }
}

/// Holm's adjustment over the terms but the intercept.
fn adjust(terms: &mut [Term]) {
    let asked: Vec<(usize, f64)> = terms
        .iter()
        .enumerate()
        .skip(1)
        .filter_map(|(i, t)| Some((i, t.p?)))
        .collect();
    let values: Vec<f64> = asked.iter().map(|(_, p)| *p).collect();
    if let Ok(adjusted) = holm(&values) {
        for ((i, _), p) in asked.iter().zip(adjusted) {
            terms[*i].p_holm = Some(p);
        }
    }
}

/// The terms of one kind of defect: pour temperature, and flask temperature where the flasks carry
/// it, with alloy and section held equal.
pub(super) fn terms_of_kind(rows: &[&Row], pooled: Option<f64>) -> Vec<Term> {
    let with_pour: Vec<&Row> = rows
        .iter()
        .copied()
        .filter(|r| r.pour_c().is_some())
        .collect();
    if with_pour.is_empty() {
        return Vec::new();
    }
    let budget = Budget::of(&with_pour, pooled);
    let wanted = Wanted {
        shape: Some(Shape::Line),
        ..Wanted::default()
    };
    let how = How {
        method: Method::Glm,
        uncertainty: Uncertainty::Session,
        design_effect: budget.design_effect,
        block: 1,
    };
    let Ok((plan, kept)) = plan(&with_pour, &budget, &wanted) else {
        return Vec::new();
    };
    let measured = |factor: Option<Factor>| factor.and_then(unit).is_some();
    let Ok(terms) = fitted(&plan, &kept, Bound::Most, &how).and_then(|f| terms(&f, measured))
    else {
        return Vec::new();
    };
    terms.into_iter().filter(finite).collect()
}
