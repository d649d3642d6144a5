//! Which two temperatures to try, and how many flasks that takes. A plan that cannot be carried
//! out, or that would have nothing to find, says why instead.

use super::size::{Bench, Size, size};
use super::{Arm, Trial, alpha_after};
use crate::alloy::Alloy;
use crate::defect::{DefectKinds, Side};
use crate::evidence::{Advice, percent_number};
use crate::flask::Flask;
use crate::stats::error::StatsError;
use crate::stats::median::median;
use crate::stats::rate::{Tally, Totals};
use crate::time::Micros;
use crate::units::{ShownIn, Unit};

/// The chance that a trial finds the difference it is sized for.
pub const POWER: f64 = 0.8;
/// Arms stand at least so many standard deviations of the achieved temperature apart.
const APART_SD: f64 = 2.0;
/// And at least so far, K: less would not be told from a probe's own wander (common practice).
const APART_LEAST_K: f64 = 10.0;
/// How far pours fall from their target where nothing tells, K, one standard deviation (common
/// practice at a bench whose caster lifts the stopper by eye).
const USUAL_SD_K: f64 = 5.0;
/// Fewer pours than this do not tell how well a shop hits its target.
const FEWEST_POURS: usize = 10;
/// What a shop pours in a week is that of the last so many.
const PACE_WEEKS: f64 = 8.0;
/// A trial that takes longer is not worth beginning, weeks.
pub const LONGEST_WEEKS: f64 = 52.0;

/// What a plan is made from: one alloy and section of one shop.
#[derive(Clone, Copy, Debug)]
pub struct Material<'a> {
    /// The alloy's name as the shop writes it.
    pub alloy_name: &'a str,
    /// The alloy, which says how hot and how cool it may be poured.
    pub alloy: Option<&'a Alloy>,
    /// The section.
    pub section: &'a str,
    /// Its flasks, poured and counted as they are.
    pub flasks: &'a [Flask],
    /// Counts of those that may steer, at the most there can have been.
    pub counts: &'a [Tally<'a>],
    /// Pour temperature less target of its pours, K, as far as known.
    pub aim_errors_k: &'a [f64],
    /// What the evidence says; none where no flask was counted.
    pub advice: Option<&'a Advice>,
    /// The kinds of defect the shop counts.
    pub kinds: &'a DefectKinds,
    /// Trials that were completed or are running.
    pub trials_before: u32,
    /// Now, for the shop's pace.
    pub now: Micros,
    /// The units of round temperatures.
    pub shown_in: ShownIn,
}

/// What the caster asked for; all that is left out is chosen.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Wish {
    /// The usual pour temperature, °C.
    pub usual_c: Option<f64>,
    /// The temperature to try, °C.
    pub tried_c: Option<f64>,
    /// The difference of rates worth finding, as a share of pieces.
    pub difference: Option<f64>,
}

/// A plan.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// The trial, whose seed is the one given.
    pub trial: Trial,
    /// The rate now, as a share of pieces.
    pub rate: f64,
    /// Pieces in a flask on average.
    pub pieces_per_flask: f64,
    /// How far pours fall from their target, K, one standard deviation.
    pub aim_sd_k: f64,
    /// Weeks it takes at this shop's pace; none where no flask was poured lately.
    pub weeks: Option<f64>,
}

/// Why there is no plan.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NoPlan {
    /// Nothing to go by.
    #[error("no flask of {what} has been counted yet, so there is no rate to plan by")]
    NoCounts {
        /// Alloy and section.
        what: String,
    },
    /// Nothing to find.
    #[error(
        "{}, so a trial has nothing to find",
        if *.all { format!("every one of {pieces} pieces was defective") } else { format!("none of {pieces} pieces was defective") }
    )]
    NoContrast {
        /// All defective, else none.
        all: bool,
        /// Pieces.
        pieces: u64,
    },
    /// No usual temperature.
    #[error(
        "the usual pour temperature of {what} is not known yet: too few pours with a temperature; \
         say it with --usual"
    )]
    NoUsual {
        /// Alloy and section.
        what: String,
    },
    /// The alloy is not in the table.
    #[error(
        "\"{alloy}\" is not in the alloy table, so how hot and how cool it may be poured is not \
         known, and no trial is planned beyond what is known"
    )]
    UnknownAlloy {
        /// As written.
        alloy: String,
    },
    /// A temperature outside what the alloy is poured at.
    #[error(
        "{what} of {celsius:.0} °C is outside what {alloy} is usually poured at ({low:.0} to {high:.0} °C)"
    )]
    OutsideAlloy {
        /// Which.
        what: &'static str,
        /// As asked or found.
        celsius: f64,
        /// The alloy.
        alloy: String,
        /// Coolest usual pour.
        low: f64,
        /// Hottest usual pour.
        high: f64,
    },
    /// Two arms that cannot be told apart.
    #[error(
        "the two temperatures are {apart:.0} K apart; with pours that fall {sd:.1} K from their \
         target they have to be at least {least:.0} K apart to be two"
    )]
    TooClose {
        /// How far apart, K.
        apart: f64,
        /// Standard deviation of pours about their target, K.
        sd: f64,
        /// The least, K.
        least: f64,
    },
    /// No room inside what the alloy allows.
    #[error(
        "between {low:.0} and {high:.0} °C, where {alloy} is usually poured, there is no room for \
         a second temperature {least:.0} K from {usual:.0} °C"
    )]
    NoRoom {
        /// The alloy.
        alloy: String,
        /// Coolest usual pour.
        low: f64,
        /// Hottest usual pour.
        high: f64,
        /// The least difference, K.
        least: f64,
        /// The usual temperature, °C.
        usual: f64,
    },
    /// A difference that cannot be.
    #[error(
        "a difference of {} points cannot be found at a rate of {} %",
        percent_number(*.difference), percent_number(*.rate)
    )]
    Difference {
        /// As asked.
        difference: f64,
        /// The rate now.
        rate: f64,
    },
    /// One trial runs at a time.
    #[error("a trial of {what} is open, and one runs at a time")]
    Another {
        /// Its alloy and section.
        what: String,
    },
    /// The statistics refuse.
    #[error(transparent)]
    Stats(#[from] StatsError),
}

/// Plans a trial.
///
/// The usual temperature is the wish, else the advice's eight-week median, else the median of all
/// pours. Arms stand at least 2 SD of the achieved temperature apart, never under 10 K, both
/// within the alloy's usual range. Which way: towards the advised temperature, the side that the
/// advice says to try, the side on which kinds of defect that follow heat say there are more to be
/// lost, or else towards the middle of the alloy's range; and the other way where there is no room.
/// The difference is half of the present rate unless another is asked for: less is seldom worth
/// a trial. The size follows from flask-level likeness within sessions, how sessions split, α and
/// power.
///
/// # Errors
/// [`NoPlan`].
pub fn plan(m: &Material, wish: &Wish, seed: u64) -> Result<Plan, NoPlan> {
    let what = || format!("{}, {}", m.alloy_name, m.section);
    let alloy = m.alloy.ok_or_else(|| NoPlan::UnknownAlloy {
        alloy: m.alloy_name.to_owned(),
    })?;
    let totals = Totals::of(m.counts);
    let rate = totals
        .estimate()
        .ok_or_else(|| NoPlan::NoCounts { what: what() })?;
    if totals.events == 0 || totals.events == totals.pieces {
        return Err(NoPlan::NoContrast {
            all: totals.events > 0,
            pieces: totals.pieces,
        });
    }
    let found = wish
        .usual_c
        .or(m.advice.and_then(|a| a.usual_c))
        .or_else(|| middle(m));
    let usual_c = found.ok_or_else(|| NoPlan::NoUsual { what: what() })?;
    let usual_c = if wish.usual_c.is_some() {
        usual_c
    } else {
        round_to(usual_c, m.shown_in.temperature, 1.0)
    };
    let within = |what: &'static str, celsius: f64| {
        if (alloy.pour_low_c..=alloy.pour_high_c).contains(&celsius) {
            return Ok(());
        }
        Err(NoPlan::OutsideAlloy {
            what,
            celsius,
            alloy: alloy.name.clone(),
            low: alloy.pour_low_c,
            high: alloy.pour_high_c,
        })
    };
    within("the usual pour", usual_c)?;
    let aim_sd_k = aim_sd(m);
    let least = (APART_SD * aim_sd_k).max(APART_LEAST_K);
    let tried_c = match wish.tried_c {
        Some(tried) => {
            within("a pour to try", tried)?;
            if (tried - usual_c).abs() < least - 1e-9 {
                return Err(NoPlan::TooClose {
                    apart: (tried - usual_c).abs(),
                    sd: aim_sd_k,
                    least,
                });
            }
            tried
        }
        None => chosen(m, alloy, usual_c, least)?,
    };
    let difference = wish.difference.unwrap_or(rate / 2.0);
    if !(difference > 0.0 && difference <= rate) {
        return Err(NoPlan::Difference { difference, rate });
    }
    let alpha = alpha_after(m.trials_before);
    let Size {
        flasks,
        design_effect,
    } = size(
        Bench {
            flasks: m.flasks,
            counts: m.counts,
        },
        rate,
        difference,
        alpha,
    )?;
    let pieces_per_flask = totals.pieces as f64 / totals.flasks as f64;
    let pace = pace(m);
    Ok(Plan {
        trial: Trial {
            alloy: m.alloy_name.to_owned(),
            section: m.section.to_owned(),
            usual_c,
            tried_c,
            flasks,
            alpha,
            power: POWER,
            difference,
            design_effect,
            seed,
        },
        rate,
        pieces_per_flask,
        aim_sd_k,
        weeks: (pace > 0.0).then(|| (f64::from(flasks) / pace).ceil()),
    })
}

impl NoPlan {
    /// Why, with temperatures in the shop's units.
    pub fn in_units(&self, shown: &ShownIn) -> String {
        let at = |celsius: &f64| shown.temperature(*celsius);
        let apart = |kelvin: &f64| shown.difference(*kelvin);
        match self {
            NoPlan::OutsideAlloy {
                what,
                celsius,
                alloy,
                low,
                high,
            } => format!(
                "{what} of {} is outside what {alloy} is usually poured at ({} to {})",
                at(celsius),
                at(low).number(),
                at(high)
            ),
            NoPlan::TooClose {
                apart: found,
                sd,
                least,
            } => format!(
                "the two temperatures are {} apart; with pours that fall {} from their target they \
                 have to be at least {} apart to be two",
                apart(found),
                apart(sd),
                apart(least)
            ),
            NoPlan::NoRoom {
                alloy,
                low,
                high,
                least,
                usual,
            } => format!(
                "between {} and {}, where {alloy} is usually poured, there is no room for a second \
                 temperature {} from {}",
                at(low).number(),
                at(high),
                apart(least),
                at(usual)
            ),
            other => other.to_string(),
        }
    }
}

fn finite_pours(flasks: &[Flask]) -> impl Iterator<Item = (&Flask, f64)> {
    flasks
        .iter()
        .filter(|f| f.set_aside.is_none())
        .filter_map(|f| Some((f, f.pour_temperature_c.filter(|t| t.is_finite())?)))
}

fn middle(m: &Material) -> Option<f64> {
    let mut pours: Vec<f64> = finite_pours(m.flasks).map(|(_, t)| t).collect();
    if pours.len() < 5 {
        return None;
    }
    median(&mut pours)
}

/// Standard deviation of the achieved temperature: of pours about their targets, else of pours
/// within a session, else what is usual.
fn aim_sd(m: &Material) -> f64 {
    let errors: Vec<f64> = m
        .aim_errors_k
        .iter()
        .copied()
        .filter(|e| e.is_finite())
        .collect();
    if errors.len() >= FEWEST_POURS {
        let mean = errors.iter().sum::<f64>() / errors.len() as f64;
        let squares: f64 = errors.iter().map(|e| (e - mean).powi(2)).sum();
        return (squares / (errors.len() - 1) as f64).sqrt();
    }
    let mut sessions: std::collections::BTreeMap<&str, Vec<f64>> = Default::default();
    for (flask, pour) in finite_pours(m.flasks) {
        sessions.entry(&flask.session).or_default().push(pour);
    }
    let (mut squares, mut df) = (0.0, 0);
    for pours in sessions.values() {
        let mean = pours.iter().sum::<f64>() / pours.len() as f64;
        squares += pours.iter().map(|p| (p - mean).powi(2)).sum::<f64>();
        df += pours.len() - 1;
    }
    if df >= FEWEST_POURS {
        (squares / df as f64).sqrt()
    } else {
        USUAL_SD_K
    }
}

/// The nearest multiple of `step` of the shown unit, °C.
fn round_to(celsius: f64, unit: Unit, step: f64) -> f64 {
    let unit = if unit.suits(crate::channel::Quantity::Temperature) {
        unit
    } else {
        Unit::Celsius
    };
    unit.to_canonical((unit.from_canonical(celsius) / step).round() * step)
}

/// A second temperature on the side that promises more, as near as the least difference allows.
fn chosen(m: &Material, alloy: &Alloy, usual_c: f64, least: f64) -> Result<f64, NoPlan> {
    let step = match m.shown_in.temperature {
        Unit::Fahrenheit => 10.0,
        _ => 5.0,
    };
    let at = |hotter: bool| {
        let sign = if hotter { 1.0 } else { -1.0 };
        let target = usual_c + sign * least;
        let rounded = round_to(target, m.shown_in.temperature, step);
        // Rounding may not bring the arms closer.
        let tried = if (rounded - usual_c) * sign < least - 1e-9 {
            let step_k = match m.shown_in.temperature {
                Unit::Fahrenheit => step / 1.8,
                _ => step,
            };
            round_to(target + sign * step_k / 2.0, m.shown_in.temperature, step)
        } else {
            rounded
        };
        let fits = |t: f64| (alloy.pour_low_c..=alloy.pour_high_c).contains(&t);
        // Not a round number, but within the alloy's range.
        fits(tried)
            .then_some(tried)
            .or(fits(target).then_some(target))
    };
    let hotter = hotter_first(m, alloy, usual_c);
    at(hotter)
        .or_else(|| at(!hotter))
        .ok_or_else(|| NoPlan::NoRoom {
            alloy: alloy.name.clone(),
            low: alloy.pour_low_c,
            high: alloy.pour_high_c,
            least,
            usual: usual_c,
        })
}

fn hotter_first(m: &Material, alloy: &Alloy, usual_c: f64) -> bool {
    if let Some(advised) = m.advice.and_then(|a| a.pour_temperature_c)
        && (advised - usual_c).abs() >= 1.0
    {
        return advised > usual_c;
    }
    match m.advice.and_then(|a| a.edge.as_deref()) {
        Some("hotter") => return true,
        Some("cooler") => return false,
        _ => {}
    }
    let (mut cold, mut hot) = (0_u64, 0_u64);
    for flask in m.flasks.iter().filter(|f| f.set_aside.is_none()) {
        for (kind, n) in &flask.kinds {
            match m.kinds.get(kind).map(|k| k.side) {
                Some(Side::FallsWithHeat) => cold += u64::from(*n),
                Some(Side::RisesWithHeat) => hot += u64::from(*n),
                _ => {}
            }
        }
    }
    if cold == hot {
        usual_c < f64::midpoint(alloy.pour_low_c, alloy.pour_high_c)
    } else {
        cold > hot
    }
}

/// Flasks a week over the last eight.
fn pace(m: &Material) -> f64 {
    let since = m.now.plus_seconds(-PACE_WEEKS * 7.0 * 86_400.0);
    let poured = m
        .flasks
        .iter()
        .filter(|f| f.cast_at >= since && f.cast_at <= m.now)
        .count();
    poured as f64 / PACE_WEEKS
}

impl Plan {
    /// The plan in words: what is poured, how many flasks, how long, and what it can find.
    pub fn sentence(&self, shown: &ShownIn) -> String {
        let t = &self.trial;
        let weeks = match self.weeks {
            None => "No flask of it was poured in the last eight weeks, so how long that takes \
                     cannot be said."
                .to_owned(),
            Some(1.0) => "At your pace of the last eight weeks that is 1 week.".to_owned(),
            Some(weeks) if weeks > LONGEST_WEEKS => format!(
                "At your pace of the last eight weeks that is {weeks:.0} weeks: too few flasks for \
                 a trial of this to be worth beginning."
            ),
            Some(weeks) => {
                format!("At your pace of the last eight weeks that is {weeks:.0} weeks.")
            }
        };
        format!(
            "A trial would pour half of the flasks, drawn by lot, at {} and the others at {}: \
             {} flasks in all. If the rate is {} % at one and {} % at the other, it finds that out \
             {:.0} times in 100; if there is no difference it claims one {} times in 100 at most. \
             {weeks}",
            shown.temperature(t.pour_c(Arm::Tried)),
            shown.temperature(t.pour_c(Arm::Usual)),
            t.flasks,
            percent_number(self.rate),
            percent_number(self.rate - t.difference),
            t.power * 100.0,
            trimmed(t.alpha * 100.0),
        )
    }

    /// Whether it can be carried out in a time worth beginning.
    pub fn worth_beginning(&self) -> bool {
        self.weeks.is_some_and(|weeks| weeks <= LONGEST_WEEKS)
    }
}

/// A number without the zeros it does not need.
fn trimmed(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}
