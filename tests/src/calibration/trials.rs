//! Trials carried out in drawn shops: planned from what the shop has, poured by lot, analysed once.

use analysis::alloy::Alloys;
use analysis::defect::DefectKinds;
use analysis::evidence::trial::lots::lot;
use analysis::evidence::trial::plan::{Material, Plan as TrialPlan, Wish, plan as plan_trial};
use analysis::evidence::trial::verdict::{TrialFlask, stays, verdict};
use analysis::evidence::trial::{Arm, Trial};
use analysis::evidence::{Question, tallies};
use analysis::flask::Flask;
use analysis::stats::rate::Tally;
use analysis::time::Micros;
use analysis::units::ShownIn;
use sample_data::ledger::plan::Size;
use sample_data::ledger::{Ledger, Plan, draw, draw_aimed};

use super::table::{Target, target};
use super::tally::{Mean, Share};

/// Flasks that a shop has poured before its trial.
pub const BEFORE: usize = 100;
/// Flasks poured for each that is counted, at most.
const SPARE: f64 = 1.5;

/// A true change of less is none to size a trial for, as a share of pieces.
const LEAST_CHANGE: f64 = 0.005;

/// One shop's trial.
#[derive(Clone, Debug, PartialEq)]
pub struct Tried {
    /// As planned.
    pub trial: Trial,
    /// Weeks it takes at the shop's pace.
    pub weeks: Option<f64>,
    /// The arm it found better.
    pub found: Option<Arm>,
    /// True change from the usual to the tried temperature, pours scattering as they do.
    pub truth: f64,
    /// Whether a trial of the same two temperatures that is sized for just that change finds it;
    /// none where there is no change, or none that can be sized for.
    pub sized_for_truth: Option<bool>,
}

/// Trials of one kind of shop added up.
#[derive(Clone, Debug, Default)]
pub struct Trials {
    /// Whether a trial could be planned.
    pub planned: Share,
    /// Counted flasks it takes.
    pub flasks: Mean,
    /// Weeks.
    pub weeks: Mean,
    /// The true change from usual to tried.
    pub truth: Mean,
    /// Whether it found the better arm.
    pub found: Share,
    /// Whether one that is sized for the true change finds it: the power that is stated. Only these
    /// are asked of all shops alike; shops whose change is by luck what a trial was sized for are
    /// those that took their rate for lower than it is.
    pub sized_for_truth: Share,
    /// Whether it claimed what is not so.
    pub wrongly: Share,
}

impl Trials {
    /// Adds a shop.
    pub fn add(&mut self, tried: Option<&Tried>) {
        self.planned.add(tried.is_some());
        let Some(tried) = tried else { return };
        self.flasks.add(f64::from(tried.trial.flasks));
        self.weeks.add(tried.weeks);
        self.truth.add(tried.truth);
        let right = |arm: Arm| match arm {
            Arm::Tried => tried.truth < 0.0,
            Arm::Usual => tried.truth > 0.0,
        };
        let found = tried.found.is_some_and(right);
        self.found.add(found);
        self.sized_for_truth.add(tried.sized_for_truth);
        self.wrongly.add(tried.found.is_some_and(|arm| !right(arm)));
    }

    /// A row of the table of trials.
    pub fn line(&self, words: &str) -> String {
        let plain = |m: Mean| m.mean().map_or("–".to_owned(), |x| format!("{x:.0}"));
        format!(
            "| {words} | {} | {} | {} | {} | {} | {} | {} ({}) | {} |",
            self.planned.of,
            self.planned,
            plain(self.flasks),
            plain(self.weeks),
            self.truth,
            self.found,
            self.sized_for_truth,
            self.sized_for_truth.of,
            self.wrongly
        )
    }

    /// What a trial must keep: its first analysis takes 2 %.
    pub fn target(&self, words: &str) -> Target {
        target(
            format!("trial, {words}: finds what is not so, 2 % or less"),
            self.wrongly,
            self.wrongly.between(),
            (0.0, 0.02),
        )
    }
}

/// The head of the table of trials.
pub const HEAD: &str = "\
| trials | number | could be planned | flasks | weeks | true change | found | found when sized for the true change (trials) | found what is not so |
|---|---|---|---|---|---|---|---|---|";

fn counts<'a>(flasks: &'a [Flask], ask: &Question) -> Vec<Tally<'a>> {
    flasks
        .iter()
        .filter(|f| f.set_aside.is_none())
        .filter_map(|f| tallies(f, ask).map(|(_, most)| most))
        .collect()
}

fn planned(before: &Ledger, ask: &Question, wish: &Wish) -> Option<TrialPlan> {
    let line = &before.lines[0];
    let alloys = Alloys::default();
    let counts = counts(&before.flasks, ask);
    plan_trial(
        &Material {
            alloy_name: line.alloy,
            alloy: alloys.get(line.alloy),
            section: line.section,
            flasks: &before.flasks,
            counts: &counts,
            // Nothing is assumed of how well this shop hits its target.
            aim_errors_k: &[],
            advice: None,
            kinds: &DefectKinds::standard(),
            trials_before: 0,
            now: before.flasks.last().map_or(Micros(0), |f| f.cast_at),
            shown_in: ShownIn::default(),
        },
        wish,
        before.seed,
    )
    .ok()
}

/// The trial of the shop of this seed; `None` where none could be planned.
pub fn tried(seed: u64, plan: &Plan) -> Option<Tried> {
    let ask = Question::default();
    let before = draw(
        seed,
        &Plan {
            size: Size::Flasks(BEFORE),
            ..plan.clone()
        },
    );
    let TrialPlan {
        trial, weeks, rate, ..
    } = planned(&before, &ask, &Wish::default())?;
    let truth = scattered(&before, trial.tried_c) - scattered(&before, trial.usual_c);
    let better = if truth < 0.0 { Arm::Tried } else { Arm::Usual };
    let sized_for_truth = (truth.abs() > LEAST_CHANGE && truth.abs() < rate)
        .then(|| {
            let wish = Wish {
                usual_c: Some(trial.usual_c),
                tried_c: Some(trial.tried_c),
                difference: Some(truth.abs()),
            };
            planned(&before, &ask, &wish)
        })
        .flatten()
        .and_then(|sized| carried_out(seed, plan, &before, &sized.trial, &ask))
        .map(|found| found == Some(better));
    Some(Tried {
        found: carried_out(seed, plan, &before, &trial, &ask)?,
        truth,
        weeks,
        sized_for_truth,
        trial,
    })
}

/// Pours a trial's flasks after those of `before`, each by its lot, and analyses it.
fn carried_out(
    seed: u64,
    plan: &Plan,
    before: &Ledger,
    trial: &Trial,
    ask: &Question,
) -> Option<Option<Arm>> {
    let sessions = before
        .flasks
        .chunk_by(|a, b| a.session == b.session)
        .count();
    let poured = BEFORE + (SPARE * f64::from(trial.flasks)).ceil() as usize + 10;
    let lot_of = |session: usize, place: usize| {
        let since = session.checked_sub(sessions)?;
        Some(lot(trial.seed, since as u32, place as u32))
    };
    let shop = draw_aimed(
        seed,
        &Plan {
            size: Size::Flasks(poured),
            ..plan.clone()
        },
        |session, place| Some(trial.pour_c(lot_of(session, place)?.arm)),
    );
    let mut flasks: Vec<TrialFlask> = Vec::new();
    for (session, of) in shop
        .flasks
        .chunk_by(|a, b| a.session == b.session)
        .enumerate()
    {
        for (place, flask) in of.iter().enumerate() {
            let Some(lot) = lot_of(session, place) else {
                continue;
            };
            let counted = tallies(flask, ask).filter(|_| stays(flask.set_aside.as_ref()));
            if let Some((fewest, most)) = counted
                && (flasks.len() as u32) < trial.flasks
            {
                flasks.push(TrialFlask {
                    arm: lot.arm,
                    draw: lot.draw,
                    fewest,
                    most,
                });
            }
        }
    }
    let full = flasks.len() as u32 == trial.flasks;
    assert!(full, "shop {seed} poured too few flasks for its trial");
    Some(verdict(trial, &flasks)?.better)
}

/// The rate of pours that scatter around `aim_c` as this shop's do: the mean over a normal
/// (Simpson's rule over ±4 SD).
fn scattered(shop: &Ledger, aim_c: f64) -> f64 {
    const STEPS: u32 = 16;
    let (mut sum, mut weights) = (0.0, 0.0);
    for i in 0..=STEPS {
        let z = -4.0 + 8.0 * f64::from(i) / f64::from(STEPS);
        let simpson = match i {
            0 | STEPS => 1.0,
            i if i % 2 == 1 => 4.0,
            _ => 2.0,
        };
        let weight = simpson * (-0.5 * z * z).exp();
        sum += weight * shop.rate(0, aim_c + z * shop.nature.within_sd_k);
        weights += weight;
    }
    sum / weights
}
