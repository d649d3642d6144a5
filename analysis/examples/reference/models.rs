//! What the models answer for tables given as JSON, for the reference checks: each table a list of
//! events, trials, sessions and named columns.

use analysis::stats::beta_binomial;
use analysis::stats::counts::Counts;
use analysis::stats::covariance::{Covariance, Estimate, Uncertainty};
use analysis::stats::design::Design;
use analysis::stats::error::StatsError;
use analysis::stats::firth;
use analysis::stats::logistic::{self, Extras, Logistic};
use analysis::stats::session_intercept::{self, Extent, SessionIntercept};
use analysis::stats::spline::Spline;
use analysis::stats::standardise::{Figure, Forecast, Mix};
use analysis::stats::{Matrix, Vector};
use serde::Deserialize;
use serde_json::{Value, json};

#[derive(Deserialize)]
struct Question {
    tables: Vec<Table>,
    splines: Vec<SplineAt>,
}

#[derive(Deserialize)]
struct Table {
    events: Vec<f64>,
    trials: Vec<f64>,
    sessions: Vec<i64>,
    columns: Vec<(String, Vec<f64>)>,
    /// Counts of the penalised fit are divided by this.
    divided_by: f64,
    /// Values that the first column is set to for standardised risks.
    set_to: (f64, f64),
}

#[derive(Deserialize)]
struct SplineAt {
    knots: Vec<f64>,
    values: Vec<f64>,
}

/// Answers a file of questions.
pub fn models(file: &str) -> Result<Value, String> {
    let text = std::fs::read_to_string(file).map_err(|e| format!("{file}: {e}"))?;
    let question: Question = serde_json::from_str(&text).map_err(|e| format!("{file}: {e}"))?;
    let tables = question
        .tables
        .iter()
        .map(answer)
        .collect::<Result<Vec<Value>, StatsError>>()
        .map_err(|e| e.to_string())?;
    let splines = question
        .splines
        .iter()
        .map(|s| {
            let spline = Spline::new(&s.knots)?;
            let bases: Vec<Vec<f64>> = s.values.iter().map(|x| spline.basis(*x)).collect();
            Ok(json!(bases))
        })
        .collect::<Result<Vec<Value>, StatsError>>()
        .map_err(|e| e.to_string())?;
    Ok(json!({"tables": tables, "splines": splines}))
}

fn answer(table: &Table) -> Result<Value, StatsError> {
    let counts = Counts::new(&table.events, &table.trials, &table.sessions)?;
    let mut design = Design::intercept(counts.rows());
    for (name, values) in &table.columns {
        design = design.column(name, values)?;
    }
    let mix = Mix::of(&design, counts.trials())?;
    let pair = (mix.set(1, table.set_to.0)?, mix.set(1, table.set_to.1)?);
    let glm = logistic::fit(&design, &counts, &Extras::default());
    let sessions = |flasks_differ| {
        let extent = Extent {
            flasks_differ,
            ..Extent::default()
        };
        said(session_intercept::fit(&design, &counts, extent).and_then(|f| session(&f, &pair)))
    };
    Ok(json!({
        "glm": said(glm.and_then(|f| plain(&f, &design, &counts, &pair))),
        "firth": said(penalised(&design, &counts.divided(table.divided_by))),
        "beta_binomial": said(beta_binomial::fit(&design, &counts).map(|f| json!({
            "parameters": list(&f.parameters),
            "std_errors": roots(&f.covariance.matrix),
            "theta": f.theta,
            "log_likelihood": f.log_likelihood,
        }))),
        "session_binomial": sessions(false),
        "session_beta_binomial": sessions(true),
    }))
}

/// An answer, or why there is none.
fn said(answer: Result<Value, StatsError>) -> Value {
    answer.unwrap_or_else(|why| json!({"why": why.to_string()}))
}

fn list(vector: &Vector) -> Vec<f64> {
    vector.iter().copied().collect()
}

fn roots(matrix: &Matrix) -> Vec<f64> {
    matrix.diagonal().iter().map(|v| v.sqrt()).collect()
}

fn plain(
    fit: &Logistic,
    design: &Design,
    counts: &Counts,
    pair: &(Mix, Mix),
) -> Result<Value, StatsError> {
    let mut answer = json!({
        "coef": list(&fit.coef),
        "deviance": fit.deviance,
        "log_likelihood": fit.log_likelihood,
        "pearson": fit.pearson,
    });
    for (name, uncertainty) in [
        ("plain", Uncertainty::Plain),
        ("cr0", Uncertainty::SessionCr0),
        ("cr1", Uncertainty::SessionCr1),
        ("cr2", Uncertainty::Session),
    ] {
        let covariance = Covariance::of(fit, design, counts, uncertainty)?;
        let df: Vec<Option<f64>> = covariance
            .estimates(&fit.coef, 0.95)
            .iter()
            .map(|e| e.df)
            .collect();
        answer[name] = json!({
            "std_errors": roots(&covariance.matrix),
            "df": df,
            "difference": difference(pair, &fit.coef, 0.0)?.estimate(&covariance, 0.95)?,
        });
    }
    Ok(answer)
}

fn difference(pair: &(Mix, Mix), coef: &Vector, session_sd: f64) -> Result<Figure, StatsError> {
    let forecast = Forecast { coef, session_sd };
    Ok(pair.1.risk(&forecast)?.less(&pair.0.risk(&forecast)?))
}

fn penalised(design: &Design, counts: &Counts) -> Result<Value, StatsError> {
    let fit = firth::fit(design, counts)?;
    let mut contrast = design.matrix().row(0).transpose();
    contrast[0] = 1.0;
    let (risk, low, high) = fit.risk(&contrast, 0.9)?;
    let estimates: Vec<Estimate> = fit.estimates(0.95)?;
    Ok(json!({
        "coef": list(&fit.coef),
        "risk_coef": list(&fit.risk_coef),
        "penalised": fit.penalised,
        "estimates": estimates,
        "first_row": {"risk": risk, "low": low, "high": high},
    }))
}

fn session(fit: &SessionIntercept, pair: &(Mix, Mix)) -> Result<Value, StatsError> {
    Ok(json!({
        "parameters": list(&fit.parameters),
        "std_errors": roots(&fit.covariance.matrix),
        "session_sd": fit.session_sd,
        "theta": fit.theta,
        "log_likelihood": fit.log_likelihood,
        "notes": fit.notes,
        "difference": difference(pair, &fit.coef, fit.session_sd)?.estimate(&fit.covariance, 0.95)?,
    }))
}
