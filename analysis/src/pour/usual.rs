//! What a machine's good pulls are like, per flask size: anchored by the first ten good pulls
//! after each change of the gasket. Later pulls do not enter it, so that a seal that fades
//! slowly is held against what it was when new and not against yesterday.

use std::collections::BTreeMap;

use super::assemble::{Context, card_of, gaskets_of, into};
use super::rows::{PourRow, PullRow, Row, Verdict};
use super::setup::UsualPull;
use crate::stats::median::median;
use crate::time::Micros;

/// Good pulls that make a usual.
pub const PULLS_FOR_USUAL: usize = 10;
/// A depth less sure than this share of it does not enter.
const SURE: f64 = 0.03;
/// A time constant less sure than this share of it does not enter.
const TAU_SURE: f64 = 0.2;
/// Flask diameters differ by half an inch, heights by an inch or more (common practice).
const DIAMETER_STEP_MM: f64 = 12.7;
const HEIGHT_STEP_MM: f64 = 25.4;
/// From one spell to the next a time constant wanders by a tenth, as pump and oil warm. An
/// assumption: nobody has published such a spread.
const TAU_WANDERS: f64 = 0.1;
/// A time constant is never taken to scatter by more than this.
const TAU_SPREAD_AT_MOST: f64 = 0.35;

/// A flask's size as pulls are told apart by it: its diameter to the half inch and its height
/// to the inch, which takes metric and inch flasks of one size together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct FlaskSize {
    half_inches_across: u32,
    inches_high: Option<u32>,
}

impl FlaskSize {
    /// The class of a flask of this diameter and, if known, height. None unless the diameter is
    /// a possible one.
    ///
    /// ```
    /// use analysis::pour::FlaskSize;
    /// let inch = FlaskSize::of(Some(101.6), Some(152.4)).unwrap();
    /// assert_eq!(FlaskSize::of(Some(100.0), Some(150.0)), Some(inch));
    /// assert_ne!(FlaskSize::of(Some(89.0), Some(150.0)), Some(inch));
    /// ```
    pub fn of(diameter_mm: Option<f64>, height_mm: Option<f64>) -> Option<FlaskSize> {
        let class = |mm: f64, step: f64| {
            let steps = (mm / step).round();
            (1.0..1000.0).contains(&steps).then_some(steps as u32)
        };
        Some(FlaskSize {
            half_inches_across: class(diameter_mm?, DIAMETER_STEP_MM)?,
            inches_high: height_mm.and_then(|mm| class(mm, HEIGHT_STEP_MM)),
        })
    }
}

/// A machine's usual pulls by flask size, on one gasket.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Usuals {
    by_size: BTreeMap<Option<FlaskSize>, UsualPull>,
}

impl Usuals {
    /// The usual pull of this flask size. For a flask whose size nobody has said, that of the
    /// others without a size, else the least that any size asks.
    pub fn of(&self, size: Option<FlaskSize>) -> Option<UsualPull> {
        let own = self.by_size.get(&size).copied();
        own.or_else(|| match size {
            Some(_) => None,
            None => self
                .by_size
                .values()
                .min_by(|a, b| a.share.total_cmp(&b.share))
                .copied(),
        })
    }
}

/// A machine's usual pulls at `at`, from assembled or context-free rows in any order: those
/// since the last change of gasket.
pub fn usuals(rows: &[Row], context: &Context, machine: &str, at: Micros) -> Usuals {
    let gaskets = gaskets_of(machine, context);
    let since = gaskets.iter().rev().find(|change| **change <= at);
    let until = gaskets.iter().find(|change| **change > at);
    let (mut pulls, mut pours) = (Vec::new(), Vec::new());
    for row in rows.iter().filter(|row| row.machine() == machine) {
        match row {
            Row::Pour(pour) => pours.push(pour.clone()),
            Row::Pull(pull) => pulls.push(pull),
            Row::Upkeep(_) | Row::Kiln(_) => {}
        }
    }
    pulls.retain(|p| since.is_none_or(|s| p.opened_at >= *s));
    pulls.retain(|p| p.opened_at < at && until.is_none_or(|u| p.opened_at < *u));
    pulls.sort_by_key(|p| p.opened_at);
    pours.sort_by_key(|p| p.at);
    let mut by_size: BTreeMap<Option<FlaskSize>, Vec<&PullRow>> = BTreeMap::new();
    for pull in pulls {
        let size = size_of(pull, &pours, context);
        by_size.entry(size).or_default().push(pull);
    }
    Usuals {
        by_size: by_size
            .into_iter()
            .filter_map(|(size, pulls)| Some((size, anchor(pulls.into_iter())?)))
            .collect(),
    }
}

/// The size of the flask that a pull was on: of the pour into it, or of the next pour of the
/// session, since a flask that was called off is seated again. `pours` in order of time.
pub(crate) fn size_of(pull: &PullRow, pours: &[PourRow], context: &Context) -> Option<FlaskSize> {
    let from = pours.partition_point(|pour| pour.at < pull.opened_at);
    let next = pours[from..]
        .iter()
        .find(|pour| into(pull, pour))
        .or_else(|| pours[from..].iter().find(|p| p.session == pull.session))?;
    card_of(next, context)?.size
}

/// Whether this pull is one that a usual may be made of.
pub(crate) fn counts(pull: &PullRow) -> bool {
    pull.verdict == Verdict::Good
        && pull
            .settled_share()
            .is_some_and(|(share, se)| se <= SURE * share)
}

/// The usual of good pulls, given in order of time: the depth of the first ten, the time constant
/// of the last ten; none until there are ten.
/// Medians, so that a leak or two among the ten do not become usual.
pub(crate) fn anchor<'a>(pulls: impl Iterator<Item = &'a PullRow>) -> Option<UsualPull> {
    let good: Vec<&PullRow> = pulls.filter(|pull| counts(pull)).collect();
    let first = good.get(..PULLS_FOR_USUAL)?;
    // Only the depth is anchored. How fast the pump gets there serves to foretell the depth, and
    // is taken from the last ten, since it wanders with seal, filter and oil.
    let last = &good[good.len() - PULLS_FOR_USUAL..];
    let mut shares: Vec<f64> = first
        .iter()
        .filter_map(|pull| Some(pull.settled_share()?.0))
        .collect();
    let (share, spread) = middle_and_spread(&mut shares)?;
    let mut taus: Vec<f64> = last
        .iter()
        .filter_map(|pull| {
            let (tau, se) = (pull.tau_s?, pull.tau_se_s?);
            (tau > 0.0 && se <= TAU_SURE * tau).then_some(tau.ln())
        })
        .collect();
    let (ln_tau, tau_spread) = if taus.len() >= PULLS_FOR_USUAL / 2 {
        middle_and_spread(&mut taus)?
    } else {
        (UsualPull::COMMON.tau_s.ln(), UsualPull::COMMON.tau_spread)
    };
    Some(UsualPull {
        share,
        share_spread: spread / share,
        tau_s: ln_tau.exp(),
        tau_spread: tau_spread.hypot(TAU_WANDERS).min(TAU_SPREAD_AT_MOST),
    })
}

/// The median, and 1.4826 × the median absolute deviation, which is the standard deviation of a
/// normal; of ten it comes out a tenth too small (Croux and Rousseeuw 1992, from memory).
fn middle_and_spread(values: &mut [f64]) -> Option<(f64, f64)> {
    let middle = median(values)?;
    let mut away: Vec<f64> = values.iter().map(|v| (v - middle).abs()).collect();
    Some((middle, 1.1 * 1.4826 * median(&mut away)?))
}
