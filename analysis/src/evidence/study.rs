//! One alloy's model and the curves of its sections. Sections of one alloy share the bend of the
//! curve and what is held equal, and each has a slope of its own that is shrunk towards the common
//! one; a section's grade also needs its own flasks to say the same by themselves.

use std::cell::OnceCell;

use super::budget::Budget;
use super::curve::Curve;
use super::fitted::{Fitted, How, fitted};
use super::rows::{Bound, Row, bounded};
use super::terms::{Wanted, plan};
use super::{Method, Shape, wander};
use crate::stats::covariance::Uncertainty;
use crate::stats::error::StatsError;
use crate::stats::rate::FEWEST_SESSIONS;
use crate::time::Micros;

/// How far slopes of sections of one alloy may differ before the data must insist: the standard
/// deviation of the difference, logits per K. Over 20 K it is half a logit, odds of 1.6 to 1
/// (a choice, to be confirmed by calibration).
const SLOPES_DIFFER: f64 = 0.025;

/// How far the temperature's line may bend before the data must insist, where the flasks carry no
/// more than a line: the standard deviation of the bend, logits per (10 K)². At 0.4 the odds 30 K
/// from the best, where the usual pour ranges of alloys end, are six times those at the best. What
/// heat does has two sides by nature, so a line is never quite believed; limits without this held
/// the true change of a cup in 78 to 82 % of drawn shops of 100 flasks, and with it in 93 to 95
/// (`calibration-table`).
const BENDS: f64 = 0.4;

/// Span of what is recent, s: eight weeks.
pub(super) const RECENT_S: f64 = 8.0 * 7.0 * 86_400.0;
/// Fewer recent flasks than this are no mix.
const FEWEST_RECENT: usize = 5;

/// How studies are made.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Manner {
    pub shape: Option<Shape>,
    pub uncertainty: Uncertainty,
    pub method: Option<Method>,
    pub draws: usize,
}

/// The fits of one table at both bounds, with the rows they were made from.
#[derive(Clone, Debug)]
pub(super) struct Fits<'a, 'b> {
    pub most: Fitted,
    pub fewest: Option<Fitted>,
    pub rows: Vec<&'b Row<'a>>,
    pub how: How,
}

/// Why there is no fit.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum NoFit {
    /// Strata and a line are more than the flasks can carry.
    TooSmall,
    /// As the statistics say.
    Because(StatsError),
}

/// Fits the model that these flasks can carry, its terms in the fixed order.
pub(super) fn fits<'a, 'b>(
    rows: &[&'b Row<'a>],
    pooled: Option<f64>,
    manner: &Manner,
) -> Result<Fits<'a, 'b>, NoFit> {
    let budget = Budget::of(rows, pooled);
    let wanted = Wanted {
        factors: None,
        shape: manner.shape,
        forced: false,
        // Pieces count as if they were independent in the likelihood, and so the ridge counts
        // as many times as pieces do: penalised quasi-likelihood.
        own_slopes: Some(budget.design_effect / SLOPES_DIFFER.powi(2)),
        cup: manner
            .shape
            .is_none()
            .then(|| budget.design_effect / BENDS.powi(2)),
    };
    let (plan, kept) = plan(rows, &budget, &wanted).map_err(|_| NoFit::TooSmall)?;
    let mut how = How {
        method: manner.method.unwrap_or(Method::Glm),
        uncertainty: manner.uncertainty,
        design_effect: budget.design_effect,
        block: 1,
    };
    let at = |how: &How, bound| fitted(&plan, &kept, bound, how).map_err(NoFit::Because);
    let mut most = at(&how, Bound::Most)?;
    if how.uncertainty == Uncertainty::Session && most.method == Method::Glm {
        how.block = wander::block_length(&most, &kept, Bound::Most);
        if how.block > 1 {
            most = at(&how, Bound::Most)?;
            most.plan.notes.push(wander::words(how.block));
        }
    }
    Ok(Fits {
        most,
        fewest: bounded(&kept)
            .then(|| at(&how, Bound::Fewest))
            .transpose()?,
        how,
        rows: kept,
    })
}

/// The flasks of the last eight weeks, or all where those are fewer than five.
pub(super) fn recent<'a, 'b>(rows: &[&'b Row<'a>]) -> Vec<&'b Row<'a>> {
    let last = rows
        .iter()
        .map(|r| r.flask.cast_at)
        .max()
        .unwrap_or(Micros(0));
    let recent: Vec<&Row> = rows
        .iter()
        .copied()
        .filter(|r| last.seconds_since(r.flask.cast_at) <= RECENT_S)
        .collect();
    if recent.len() < FEWEST_RECENT {
        rows.to_vec()
    } else {
        recent
    }
}

/// One stratum's curve, by the model of its alloy and by its own flasks.
#[derive(Clone, Debug)]
pub(super) struct Study<'a, 'b> {
    pub fits: Fits<'a, 'b>,
    pub curve: Curve,
    /// The stratum alone, where the model has other sections; made when first asked for.
    alone: OnceCell<Option<Result<(Fits<'a, 'b>, Curve), NoFit>>>,
    own_rows: Vec<&'b Row<'a>>,
    /// The design effect of the whole table.
    pub pooled: Option<f64>,
    manner: Manner,
    /// The mix that risks are standardised over.
    pub mix: Vec<&'b Row<'a>>,
}

/// Whether rows are of more than one section.
fn several_sections(rows: &[&Row]) -> bool {
    rows.windows(2).any(|w| w[0].section != w[1].section)
}

/// The study of the stratum `own` within its alloy's model `alloy`, told against `reference_c`.
/// Where the alloy's flasks cannot carry strata and a line, the stratum is studied alone.
pub(super) fn study<'a, 'b>(
    alloy: &Result<Fits<'a, 'b>, NoFit>,
    own: &[&'b Row<'a>],
    pooled: Option<f64>,
    reference_c: f64,
    manner: &Manner,
) -> Result<Study<'a, 'b>, NoFit> {
    let (fits, alone) = match alloy {
        Ok(fits) if several_sections(&fits.rows) => (fits.clone(), OnceCell::new()),
        // The stratum is all there is of the alloy.
        Ok(fits) => (fits.clone(), OnceCell::from(None)),
        Err(_) => (self::fits(own, pooled, manner)?, OnceCell::from(None)),
    };
    let mix = recent(own);
    Ok(Study {
        curve: curve_of(&fits, own, &mix, reference_c, manner)?,
        fits,
        alone,
        own_rows: own.to_vec(),
        pooled,
        manner: *manner,
        mix,
    })
}

fn curve_of(
    fits: &Fits,
    own: &[&Row],
    mix: &[&Row],
    reference_c: f64,
    manner: &Manner,
) -> Result<Curve, NoFit> {
    Curve::of(
        &fits.most,
        fits.fewest.as_ref(),
        own,
        mix,
        reference_c,
        manner.draws,
    )
    .map_err(NoFit::Because)
}

impl NoFit {
    /// The reason as a clause.
    pub(super) fn words(&self) -> String {
        match self {
            NoFit::TooSmall => {
                "the flasks cannot carry a comparison of temperatures yet".to_owned()
            }
            NoFit::Because(StatsError::TooFewSessions { .. }) => {
                format!(
                    "fewer than {FEWEST_SESSIONS} sessions cannot show how much sessions differ"
                )
            }
            NoFit::Because(error) => error.to_string(),
        }
    }
}

impl<'a, 'b> Study<'a, 'b> {
    /// The stratum by its own flasks alone, where the model has other sections; `Err` where it
    /// cannot stand alone.
    pub(super) fn own(&self) -> Option<&Result<(Fits<'a, 'b>, Curve), NoFit>> {
        self.alone
            .get_or_init(|| {
                let made = fits(&self.own_rows, self.pooled, &self.manner).and_then(|fits| {
                    let (own, mix) = (&self.own_rows, &self.mix);
                    let against = self.curve.reference_c;
                    let curve = curve_of(&fits, own, mix, against, &self.manner)?;
                    Ok((fits, curve))
                });
                Some(made)
            })
            .as_ref()
    }

    /// The best of the points whose change is below 0 at `alpha`, by the alloy's model and by the
    /// stratum's own flasks.
    pub(super) fn best_shown(&self, alpha: f64) -> Option<usize> {
        self.curve
            .lowest_where(|i| self.both(i, |curve, i| curve.shown(i, alpha)))
    }

    /// Whether the change at `point` is below 0 in both at the confidence that is shown.
    pub(super) fn holds(&self, point: usize) -> bool {
        self.both(point, |curve, i| {
            curve.change(i).limits.is_some_and(|(_, high)| high < 0.0)
        })
    }

    fn both(&self, point: usize, test: impl Fn(&Curve, usize) -> bool) -> bool {
        test(&self.curve, point)
            && match self.own() {
                None => true,
                Some(Err(_)) => false,
                // Supported temperatures are the stratum's in either, and so are their numbers.
                Some(Ok((_, own))) => test(own, point),
            }
    }

    /// What decides alone, where there is such a thing: the stratum's own fit, else the alloy's.
    pub(super) fn deciding(&self) -> (&Fits<'a, 'b>, &Curve) {
        match self.own() {
            Some(Ok((fits, curve))) => (fits, curve),
            _ => (&self.fits, &self.curve),
        }
    }
}
