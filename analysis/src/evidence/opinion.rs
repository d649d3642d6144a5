//! The second opinion: beta-binomial flasks inside sessions that each have a level of their own,
//! with the pour temperature split into what a session's mean was and how far a flask lay from it.
//! The deviation compares flasks of one day with each other, so nothing that makes a whole day
//! good or bad can pose as heat. Differences of risk are compared, never odds ratios.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::Factor;
use super::rows::{Bound, Row, bounded, counts};
use super::study::Fits;
use super::terms::{Column, Plan};
use crate::stats::design::Design;
use crate::stats::error::StatsError;
use crate::stats::session_intercept::{Extent, SessionIntercept, fit};
use crate::stats::standardise::{Forecast, Mix};
use crate::stats::within_between::split;

/// Under this standard deviation of pour temperatures within sessions, K, there is nothing to learn
/// within sessions: it is what a probe repeats to (common practice, 1 to 3 K).
const LEAST_WITHIN_K: f64 = 2.0;

/// What the second model says.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SecondOpinion {
    /// Whether its change has the sign of the advice's.
    pub agrees: bool,
    /// Change of the rate from the usual to the advised temperature.
    pub expected_change: f64,
    /// Its lower limit (95 %).
    pub change_low: Option<f64>,
    /// Its upper limit.
    pub change_high: Option<f64>,
    /// Whether flasks are compared with flasks of their own session; else sessions poured all at
    /// one temperature, and only sessions could be compared.
    pub within_sessions: bool,
    /// Standard deviation of sessions' levels, logits.
    pub session_sd: f64,
    /// How much flasks of a session differ more than chance (θ of the beta-binomial).
    pub flask_spread: f64,
    /// The same in words.
    pub sentence: String,
}

/// Between and within, with what columns are scaled by.
struct Split {
    means: BTreeMap<String, f64>,
    centre: f64,
    scale: f64,
    within: bool,
}

/// The change from `against_c` to `pour_c` by the second model, on the columns of the first. `None`
/// where it cannot be fitted.
pub(super) fn second_opinion(
    fits: &Fits,
    mix: &[&Row],
    pour_c: f64,
    against_c: f64,
) -> Option<SecondOpinion> {
    let first = fits.most.risk(mix, pour_c)?.risk - fits.most.risk(mix, against_c)?.risk;
    let mut bounds = vec![Bound::Most];
    if bounded(&fits.rows) {
        bounds.push(Bound::Fewest);
    }
    let mut worst: Option<SecondOpinion> = None;
    for bound in bounds {
        let opinion = at_bound(fits, mix, pour_c, against_c, bound, first).ok()?;
        if worst
            .as_ref()
            .is_none_or(|w| w.expected_change < opinion.expected_change)
        {
            worst = Some(opinion);
        }
    }
    worst
}

fn at_bound(
    fits: &Fits,
    mix: &[&Row],
    pour_c: f64,
    against_c: f64,
    bound: Bound,
    first: f64,
) -> Result<SecondOpinion, StatsError> {
    let plan = &fits.most.plan;
    let counts = counts(&fits.rows, bound)?;
    let pours: Vec<f64> = fits.rows.iter().filter_map(|r| r.pour_c()).collect();
    let parts = split("pour_temperature", &pours, &counts)?;
    let (centre, scale) = plan
        .columns
        .iter()
        .find_map(|c| match c {
            Column::Number {
                factor: Factor::PourTemperature,
                centre,
                scale,
            } => Some((*centre, *scale)),
            _ => None,
        })
        .ok_or(StatsError::Empty)?;
    let how = Split {
        means: fits
            .rows
            .iter()
            .zip(&parts.between)
            .map(|(r, mean)| (r.flask.session.clone(), *mean))
            .collect(),
        centre,
        scale,
        within: parts
            .within_sd(&counts)
            .is_some_and(|sd| sd >= LEAST_WITHIN_K),
    };
    let (design, _) = columns(plan, &fits.rows, None, &how)?.without_aliased();
    let names = design.names().to_vec();
    let model = fit(&design, &counts, Extent::default())?;
    let risk = |t: f64| {
        let whole = columns(plan, mix, Some(t), &how)?;
        let mut kept = Design::intercept(whole.rows());
        for name in names.iter().skip(1) {
            let at = whole.find(name).ok_or(StatsError::Empty)?;
            let values: Vec<f64> = whole.matrix().column(at).iter().copied().collect();
            kept = kept.column(name.clone(), &values)?;
        }
        let pieces: Vec<f64> = mix.iter().map(|r| f64::from(r.most.pieces)).collect();
        Mix::of(&kept, &pieces)?.risk(&Forecast {
            coef: &model.coef,
            session_sd: model.session_sd,
        })
    };
    let change = risk(pour_c)?.less(&risk(against_c)?);
    let told = change.estimate(&model.covariance, 0.95)?;
    if !told.estimate.is_finite() {
        return Err(StatsError::Empty);
    }
    Ok(words(&told, &how, &model, first))
}

/// The columns of the first model with the pour temperature split; all flasks poured at `pour_c`
/// where given, the mean of their session left as it was.
fn columns(
    plan: &Plan,
    rows: &[&Row],
    pour_c: Option<f64>,
    how: &Split,
) -> Result<Design, StatsError> {
    let lines: Vec<_> = rows.iter().map(|r| plan.x(r, pour_c)).collect();
    let mut design = Design::intercept(rows.len());
    for (j, column) in plan.columns.iter().enumerate() {
        match column {
            // One section's flasks, or the common slope: no slopes of sections here, and no bend
            // that the flasks do not carry.
            Column::OwnSlope { .. } | Column::Cup { .. } => {}
            Column::Number {
                factor: Factor::PourTemperature,
                ..
            } if how.within => {
                let mean = |r: &Row| {
                    how.means
                        .get(&r.flask.session)
                        .copied()
                        .or_else(|| r.pour_c())
                        .unwrap_or(how.centre)
                };
                let between: Vec<f64> = rows
                    .iter()
                    .map(|r| (mean(r) - how.centre) / how.scale)
                    .collect();
                let within: Vec<f64> = rows
                    .iter()
                    .map(|r| {
                        let t = pour_c.or_else(|| r.pour_c()).unwrap_or(how.centre);
                        (t - mean(r)) / how.scale
                    })
                    .collect();
                design = design
                    .column("pour_temperature within session", &within)?
                    .column("pour_temperature of the session", &between)?;
            }
            _ => {
                let values: Vec<f64> = lines.iter().map(|x| x[j + 1]).collect();
                design = design.column(Plan::name(column), &values)?;
            }
        }
    }
    Ok(design)
}

fn words(
    told: &crate::stats::covariance::Estimate,
    how: &Split,
    model: &SessionIntercept,
    first: f64,
) -> SecondOpinion {
    let agrees = (told.estimate < 0.0) == (first < 0.0);
    let points = |share: f64| format!("{:+.1}", share * 100.0).replace('-', "−");
    let compared = if how.within {
        "A second model, which compares flasks with flasks of the same day,"
    } else {
        "A second model, which gives each session a level of its own (flasks of one day were poured \
         too much alike to compare them with each other),"
    };
    SecondOpinion {
        agrees,
        expected_change: told.estimate,
        change_low: told.low.map(|v| v.max(-1.0)),
        change_high: told.high.map(|v| v.min(1.0)),
        within_sessions: how.within,
        session_sd: model.session_sd,
        flask_spread: model.theta,
        sentence: format!(
            "{compared} {}: {} pieces in a hundred.",
            if agrees {
                "says the same"
            } else {
                "does not say the same"
            },
            points(told.estimate)
        ),
    }
}
