//! Sessions that differ: each session has a level of its own, drawn from a normal distribution
//! about what the settings say, and inside it flasks may differ more than chance as well. The
//! second opinion beside the session-robust fit, which needs no such picture of the sessions.

use super::beta_binomial::{
    BetaBinomial, LEAST_THETA, MOST_THETA, constants, extended, fit_from, whole,
};
use super::counts::Counts;
use super::covariance::{Covariance, Estimate};
use super::design::Design;
use super::error::StatsError;
use super::linear::turned;
use super::logistic::{Extras, Logistic, fit as logistic_fit};
use super::newton::{Climb, Surface, climb};
use super::session_likelihood::{Nodes, SessionLikelihood, even, hermite};
use super::{Matrix, Vector};

/// Below this standard deviation sessions do not differ: half a thousandth on the logit scale.
const LEAST_SD: f64 = 5e-4;
/// Finer rules are taken until they add less than this to the log-likelihood, and find the top
/// within a hundred-thousandth of a standard error.
const FINE: (f64, f64) = (1e-6, 1e-10);
/// What the finest may add to the one before: a hundredth of a standard error.
const COARSE: (f64, f64) = (1e-3, 1e-4);
/// Steps of the evenly spaced levels that follow.
const STEPS: [f64; 5] = [0.2, 0.1, 0.05, 0.025, 0.0125];
/// Beyond this one every session comes out all good or all bad.
const MOST_SD: f64 = 25.0;

/// What may be asked of the fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Extent {
    /// Nodes of the quadrature over a session's level to begin with, 5 to 100; more are put in
    /// where they matter. (With one, Laplace's approximation, the derivatives below would not be
    /// those of the likelihood.)
    pub nodes: usize,
    /// Whether flasks of a session may differ more than chance (beta-binomial), or are binomial.
    pub flasks_differ: bool,
}

impl Default for Extent {
    /// 15 nodes, flasks that differ.
    fn default() -> Extent {
        Extent {
            nodes: 15,
            flasks_differ: true,
        }
    }
}

/// A fitted model with a level for each session.
#[derive(Clone, Debug, PartialEq)]
pub struct SessionIntercept {
    /// Coefficients on the logit scale, of a session at its middle; one a column, per unit of the
    /// column.
    pub coef: Vector,
    /// Standard deviation σ of sessions' levels on the logit scale; 0 says that sessions differ no
    /// more than chance lets them.
    pub session_sd: f64,
    /// Standard error of ln σ; `None` at σ = 0.
    pub ln_sd_std_error: Option<f64>,
    /// Overdispersion θ of flasks inside a session; 0 is binomial.
    pub theta: f64,
    /// Standard error of ln θ; `None` at θ = 0.
    pub ln_theta_std_error: Option<f64>,
    /// The coefficients, then ln σ where σ is above 0, then ln θ where θ is.
    pub parameters: Vector,
    /// Covariance of `parameters` by observed information; contrasts are normal. A spread at 0
    /// has no part in it, as if it had been known.
    pub covariance: Covariance,
    /// Log-likelihood with the binomial coefficients.
    pub log_likelihood: f64,
    /// Nodes of the quadrature; 0 where nothing had to be integrated, at σ = 0.
    pub nodes: usize,
    /// Steps taken.
    pub steps: usize,
    /// What a reader has to know, as sentences.
    pub notes: Vec<String>,
}

impl SessionIntercept {
    /// Every coefficient with its standard error, test and interval (normal).
    pub fn estimates(&self, confidence: f64) -> Vec<Estimate> {
        let mut all = self.covariance.estimates(&self.parameters, confidence);
        all.truncate(self.coef.len());
        all
    }
}

/// Fits events of flask i of session s ~ beta-binomial(nᵢ, μᵢ, θ), log(μᵢ/(1−μᵢ)) = xᵢᵀβ + σvₛ,
/// vₛ ~ N(0, 1), by maximum likelihood.
///
/// The level v of each session is integrated out by adaptive Gauss–Hermite quadrature (Naylor &
/// Smith 1982, Applied Statistics 31:214–225; Pinheiro & Bates 1995, JCGS 4:12–35), centred at its mode and scaled
/// by its curvature. First derivatives are those of the integral, and second derivatives by
/// Louis's identity (Louis 1982, JRSS B 44:226–233), both with the same nodes. Newton's method on
/// (β, ln σ, ln θ); standard errors by observed information. At the top the nodes are doubled; if
/// that moves the log-likelihood or the top, the climb goes on with those, and then with levels
/// evenly apart, ever closer, which sessions that differ wildly need.
///
/// Boundaries: σ = 0 or θ = 0 is answered, and said in `notes`, when the likelihood falls from
/// there on or nothing higher is found. Where no session has two flasks the two spreads cannot be
/// told apart; flasks are then binomial within their session, which is said too.
///
/// # Errors
/// Those of [`super::logistic::fit`], [`StatsError::Separated`] included; those of
/// [`super::beta_binomial::fit`]; [`StatsError::TooFewSessions`] with one session;
/// [`StatsError::AllAlike`] when every session is all good or all bad; [`StatsError::Argument`]
/// for a number of nodes outside 5 to 100.
///
/// ```
/// # use analysis::stats::{counts::Counts, design::Design, session_intercept::{fit, Extent}};
/// // Two bad days and two good ones.
/// let events = [9.0, 8.0, 1.0, 0.0, 10.0, 7.0, 2.0, 1.0];
/// let counts = Counts::new(&events, &[20.0; 8], &[1, 1, 2, 2, 3, 3, 4, 4]).unwrap();
/// let fitted = fit(&Design::intercept(8), &counts, Extent::default()).unwrap();
/// assert!(fitted.session_sd > 0.5 && fitted.theta == 0.0);
/// ```
pub fn fit(
    design: &Design,
    counts: &Counts,
    extent: Extent,
) -> Result<SessionIntercept, StatsError> {
    if !(5..=100).contains(&extent.nodes) {
        return Err(StatsError::Argument(format!(
            "the quadrature takes 5 to 100 nodes, not {}",
            extent.nodes
        )));
    }
    let binomial = logistic_fit(design, counts, &Extras::default())?;
    whole(counts)?;
    if counts.sessions() < 2 {
        return Err(StatsError::TooFewSessions {
            sessions: counts.sessions(),
            needed: 2,
        });
    }
    let mut notes = Vec::new();
    let shared = shared(counts);
    let flasks_differ = extent.flasks_differ && shared.flasks;
    if extent.flasks_differ && !shared.flasks {
        notes.push(
            "no session has two flasks, so flasks that differ cannot be told from sessions that do"
                .to_owned(),
        );
    }
    let spread = if flasks_differ {
        Some(fit_from(design, counts, &binomial)?)
    } else {
        None
    };
    let mut best = without_sessions(&binomial, spread.as_ref());
    if shared.pieces {
        let search = Search {
            likelihood: SessionLikelihood::new(turned(design.matrix())?, counts),
            ladder: ladder(extent.nodes),
            constant: constants(counts),
        };
        best = search.best(best)?;
    } else {
        notes.push(
            "no session has two pieces, so how much sessions differ cannot be told".to_owned(),
        );
    }
    if best.session_sd == 0.0 && shared.pieces {
        notes.push("sessions differ no more than chance lets them".to_owned());
    }
    if best.theta == 0.0 && flasks_differ {
        notes.push("flasks of a session differ no more than chance lets them".to_owned());
    }
    best.notes = notes;
    Ok(best)
}

/// What the sessions have more than one of.
struct Shared {
    /// A session with two flasks, one of them of two pieces.
    flasks: bool,
    /// A session with two pieces.
    pieces: bool,
}

fn shared(counts: &Counts) -> Shared {
    let mut shared = Shared {
        flasks: false,
        pieces: false,
    };
    for rows in counts.rows_by_session() {
        let pieces = |row: &usize| counts.trials()[*row];
        shared.flasks |= rows.len() > 1 && rows.iter().any(|r| pieces(r) > 1.0);
        shared.pieces |= rows.iter().map(pieces).sum::<f64>() > 1.0;
    }
    shared
}

/// The answer at σ = 0.
fn without_sessions(binomial: &Logistic, spread: Option<&BetaBinomial>) -> SessionIntercept {
    let plain = SessionIntercept {
        coef: binomial.coef.clone(),
        session_sd: 0.0,
        ln_sd_std_error: None,
        theta: 0.0,
        ln_theta_std_error: None,
        parameters: binomial.coef.clone(),
        covariance: Covariance::given(binomial.inverse.clone(), f64::INFINITY),
        log_likelihood: binomial.log_likelihood,
        nodes: 0,
        steps: binomial.steps,
        notes: Vec::new(),
    };
    match spread {
        None => plain,
        Some(spread) => SessionIntercept {
            coef: spread.coef.clone(),
            theta: spread.theta,
            ln_theta_std_error: spread.ln_theta_std_error,
            parameters: spread.parameters.clone(),
            covariance: spread.covariance.clone(),
            log_likelihood: spread.log_likelihood,
            steps: spread.steps,
            ..plain
        },
    }
}

/// The search for the highest of the models with both spreads, with one and with none.
struct Search<'a> {
    likelihood: SessionLikelihood<'a>,
    /// Rules of integration, ever finer.
    ladder: Vec<Nodes>,
    constant: f64,
}

/// So many nodes about each session's mode, twice as many, then ever more levels evenly apart.
fn ladder(nodes: usize) -> Vec<Nodes> {
    let mut list = vec![hermite(nodes), hermite(2 * nodes)];
    list.extend(STEPS.iter().map(|step| even(*step)));
    list
}

impl Search<'_> {
    /// Starts from the answer at σ = 0. Sessions alone come first, because binomial flasks are
    /// quickest; flasks that differ are put in where the likelihood rises that way.
    fn best(&self, none: SessionIntercept) -> Result<SessionIntercept, StatsError> {
        let flat = none.clone();
        let mut best = none;
        let start = self.turn(&flat.coef)?;
        let flasks = flat.theta > 0.0;
        let mut keep = |found: Option<SessionIntercept>| {
            if let Some(found) = found
                && found.log_likelihood > best.log_likelihood
            {
                best = found;
            }
        };
        let alone = self.climb(start.clone(), Some(0.5), None)?;
        let from = match &alone {
            Some(found) => (self.turn(&found.coef)?, found.session_sd),
            None => (start, 0.3),
        };
        keep(alone);
        // A little of the second spread: does the likelihood rise?
        if flasks && self.rises(&from.0, from.1) {
            let theta = (0.5 * flat.theta).max(1e-3);
            keep(self.climb(from.0, Some(from.1), Some(theta))?);
        }
        Ok(best)
    }

    /// Coefficients of the turned columns.
    fn turn(&self, coef: &Vector) -> Result<Vector, StatsError> {
        self.likelihood
            .turned
            .back
            .solve_upper_triangular(coef)
            .filter(|t| t.iter().all(|v| v.is_finite()))
            .ok_or(lost(0))
    }

    /// Whether the log-likelihood rises with θ from 0, at these coefficients and this σ.
    fn rises(&self, coef: &Vector, sd: f64) -> bool {
        let at = coef.clone().push(sd.ln()).push((10.0 * LEAST_THETA).ln());
        let mut modes = self.likelihood.no_modes();
        let surface = self
            .likelihood
            .surface(&at, true, true, &self.ladder[0], &mut modes);
        surface.is_some_and(|s| s.gradient[coef.len() + 1] > 0.0)
    }

    /// The top with these spreads put in; `None` when one of them fell to 0 on the way.
    fn climb(
        &self,
        coef: Vector,
        sd: Option<f64>,
        theta: Option<f64>,
    ) -> Result<Option<SessionIntercept>, StatsError> {
        let columns = coef.len();
        let mut start = coef;
        let sd_at = sd.map(|sd| {
            start = start.clone().push(sd.ln());
            columns
        });
        let theta_at = theta.map(|theta| {
            start = start.clone().push(theta.ln());
            start.len() - 1
        });
        let below = |at: &Vector| {
            sd_at.is_some_and(|j| at[j] < LEAST_SD.ln())
                || theta_at.is_some_and(|j| at[j] < LEAST_THETA.ln())
        };
        let above = |at: &Vector| {
            if sd_at.is_some_and(|j| at[j] > MOST_SD.ln()) {
                Some("session")
            } else if theta_at.is_some_and(|j| at[j] > MOST_THETA.ln()) {
                Some("flask")
            } else {
                None
            }
        };
        let mut modes = self.likelihood.no_modes();
        let mut hill = |at: &Vector, nodes: &Nodes| {
            self.likelihood
                .surface(at, sd.is_some(), theta.is_some(), nodes, &mut modes)
        };
        for (rung, nodes) in self.ladder.iter().enumerate() {
            let finer = self.ladder.get(rung + 1);
            let ended = climb(
                "fit with session levels",
                start.clone(),
                |at| hill(at, nodes),
                |at| below(at) || above(at).is_some(),
            );
            let (at, surface, steps) = match ended {
                Ok(Climb::Top { at, surface, steps }) => (at, surface, steps),
                Ok(Climb::Out(at)) => {
                    return above(&at).map_or(Ok(None), |what| Err(StatsError::AllAlike { what }));
                }
                // Too few nodes can make a hill without a top.
                Err(why) if finer.is_none() => return Err(why),
                Err(_) => continue,
            };
            // At the last rung, against the one before it.
            let (other, enough) = match finer {
                Some(finer) => (finer, FINE),
                None => (&self.ladder[rung.saturating_sub(1)], COARSE),
            };
            let settled = hill(&at, other).is_some_and(|s| {
                (s.value - surface.value).abs() < enough.0 && s.decrement() < enough.1
            });
            if settled {
                let answer = self.answer(&at, &surface, sd_at, theta_at, steps)?;
                return Ok(Some(SessionIntercept {
                    nodes: nodes.number(),
                    ..answer
                }));
            }
            start = at;
        }
        Err(lost(0))
    }

    fn answer(
        &self,
        at: &Vector,
        surface: &Surface,
        sd_at: Option<usize>,
        theta_at: Option<usize>,
        steps: usize,
    ) -> Result<SessionIntercept, StatsError> {
        let columns = self.likelihood.turned.back.ncols();
        let back: Matrix = extended(&self.likelihood.turned.back, at.len() - columns);
        let inverse = surface.covariance().ok_or(lost(steps))?;
        let matrix = &back * inverse * back.transpose();
        let parameters = &back * at;
        let value = |j: Option<usize>| j.map_or(0.0, |j| at[j].exp());
        let std_error = |j: Option<usize>| j.map(|j| matrix[(j, j)].sqrt());
        Ok(SessionIntercept {
            coef: parameters.rows(0, columns).into_owned(),
            session_sd: value(sd_at),
            ln_sd_std_error: std_error(sd_at),
            theta: value(theta_at),
            ln_theta_std_error: std_error(theta_at),
            parameters,
            covariance: Covariance::given(matrix.clone(), f64::INFINITY),
            log_likelihood: surface.value + self.constant,
            nodes: 0,
            steps,
            notes: Vec::new(),
        })
    }
}

fn lost(steps: usize) -> StatsError {
    StatsError::NotSettled {
        what: "fit with session levels",
        steps,
    }
}
