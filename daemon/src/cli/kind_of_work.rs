//! One alloy and section of the book, with all that its next pour and a trial of it are made
//! from: the flasks, the advice, the shop's target, and its newest trial.

use std::collections::HashMap;

use analysis::alloy::{Alloy, Alloys};
use analysis::evidence::trial::State;
use analysis::evidence::trial::next::Standing;
use analysis::evidence::trial::plan::{Material, NoPlan, Plan, Wish, plan};
use analysis::evidence::{Advice, Question, evidence, tallies};
use analysis::flask::Flask;
use analysis::stats::rate::Tally;
use analysis::time::Micros;

use super::WrongUse;
use super::open::Opened;
use crate::records::Records;
use crate::records::pours::PourFilter;
use crate::records::trials::StoredTrial;
use crate::trials;

/// A shop aims as it aimed in the last half year, s.
const AIM_SPAN_S: f64 = 26.0 * 7.0 * 86_400.0;
/// What is poured most is what was poured most in the last eight weeks, s.
const LATELY_S: f64 = 8.0 * 7.0 * 86_400.0;

/// One alloy and section.
pub struct KindOfWork {
    /// The alloy, as the table spells it.
    pub alloy_name: String,
    /// The section.
    pub section: String,
    /// Its flasks.
    flasks: Vec<Flask>,
    /// What the evidence says; none where no flask was counted.
    pub advice: Option<Advice>,
    /// The shop's own target, °C.
    pub target_c: Option<f64>,
    aim_errors_k: Vec<f64>,
    trials_before: u32,
    ask: Question,
    now: Micros,
}

/// An alloy in the table's spelling, else in small letters.
pub fn alloy_name(alloys: &Alloys, written: &str) -> String {
    alloys
        .get(written)
        .map_or_else(|| plain(written), |a| a.name.clone())
}

fn plain(text: &str) -> String {
    text.trim().to_lowercase()
}

/// The alloy and section that a call means: those given, else those of the open trial, else what
/// was poured most lately. `None` where no flask has both.
///
/// # Errors
/// When the records refuse, or for an alloy or section that neither the table nor the book knows.
pub fn meant(
    opened: &Opened,
    alloy: Option<&str>,
    section: Option<&str>,
) -> anyhow::Result<Option<(String, String)>> {
    let alloys = Alloys::standard();
    let flasks = opened.records.flasks_table(None, None)?;
    if let Some(alloy) = alloy
        && alloys.get(alloy).is_none()
        && !flasks
            .iter()
            .any(|f| f.alloy.as_deref().is_some_and(|a| plain(a) == plain(alloy)))
    {
        alloys.find(alloy).map_err(|e| WrongUse(e.to_string()))?;
    }
    if let Some(section) = section {
        super::evidence::known_section(section, &flasks)?;
    }
    let alloy = alloy.map(|a| alloy_name(&alloys, a));
    let section = section.map(plain);
    if let (Some(alloy), Some(section)) = (&alloy, &section) {
        return Ok(Some((alloy.clone(), section.clone())));
    }
    if alloy.is_none()
        && section.is_none()
        && let Some(open) = opened.records.open_trial()?
    {
        return Ok(Some((open.trial.alloy, open.trial.section)));
    }
    let since = opened.now.plus_seconds(-LATELY_S);
    let mut number: HashMap<(String, String), (usize, usize)> = HashMap::new();
    for flask in &flasks {
        let (Some(a), Some(s)) = (&flask.alloy, &flask.section) else {
            continue;
        };
        let key = (alloy_name(&alloys, a), plain(s));
        let asked = alloy.as_ref().is_none_or(|w| *w == key.0)
            && section.as_ref().is_none_or(|w| *w == key.1);
        if asked && !key.0.is_empty() && !key.1.is_empty() {
            let count = number.entry(key).or_default();
            count.0 += usize::from(flask.cast_at >= since);
            count.1 += 1;
        }
    }
    let mut number: Vec<_> = number.into_iter().map(|(key, n)| (n, key)).collect();
    // The commonest, and of equals the first by name.
    number.sort_by(|a, b| b.0.cmp(&a.0).then_with(|| a.1.cmp(&b.1)));
    Ok(number.into_iter().next().map(|(_, key)| key))
}

impl KindOfWork {
    /// Gathers it.
    ///
    /// # Errors
    /// When the records refuse.
    pub fn of(opened: &Opened, alloy: &str, section: &str) -> anyhow::Result<KindOfWork> {
        let records = &opened.records;
        let all = records.flasks_table(None, None)?;
        let mut ask = Question {
            alloy: Some(alloy.to_owned()),
            section: Some(section.to_owned()),
            shown_in: opened.config.shop.shown_in,
            kinds: opened.config.defect_kinds.clone(),
            alloys: Alloys::standard(),
            ..Question::default()
        };
        ask.trials = trials::said(records, &all, &ask, opened.now)?;
        ask.meant = records.meant_at(opened.now)?;
        // Of the whole book, so that looks and grade are those of the report.
        let advice = evidence(&all, &ask)
            .strata
            .pop()
            .map(|stratum| stratum.advice);
        KindOfWork::given(records, opened.now, all, &ask, advice, (alloy, section))
    }

    /// Gathers it round what the evidence says of it already. `all` is every flask of the book,
    /// `ask` the question that was answered.
    ///
    /// # Errors
    /// When the records refuse.
    pub fn given(
        records: &Records,
        now: Micros,
        all: Vec<Flask>,
        ask: &Question,
        advice: Option<Advice>,
        (alloy, section): (&str, &str),
    ) -> anyhow::Result<KindOfWork> {
        let flasks: Vec<Flask> = all
            .into_iter()
            .filter(|f| {
                belongs(
                    &ask.alloys,
                    f.alloy.as_deref(),
                    f.section.as_deref(),
                    alloy,
                    section,
                )
            })
            .collect();
        let recent = PourFilter {
            since: Some(now.plus_seconds(-AIM_SPAN_S)),
            until: Some(now),
            ..PourFilter::default()
        };
        let aim_errors_k = records
            .pours(&recent)?
            .iter()
            .filter(|p| p.row.faults.is_empty())
            .filter_map(|p| Some(p.row.pour_temperature_c? - p.row.target_c?))
            .collect();
        let complete = |t: &StoredTrial| t.state() == State::Complete;
        Ok(KindOfWork {
            target_c: records
                .target_at(alloy, section, now)?
                .and_then(|t| t.pour_temperature_c),
            trials_before: u32::try_from(records.trials()?.iter().filter(|t| complete(t)).count())
                .unwrap_or(u32::MAX),
            alloy_name: alloy.to_owned(),
            section: section.to_owned(),
            flasks,
            advice,
            aim_errors_k,
            ask: ask.clone(),
            now,
        })
    }

    /// Whether a card is of this alloy and section.
    pub fn holds(&self, alloy: Option<&str>, section: Option<&str>) -> bool {
        belongs(
            &self.ask.alloys,
            alloy,
            section,
            &self.alloy_name,
            &self.section,
        )
    }

    /// What a trial would be.
    pub fn plan(&self, wish: &Wish, seed: u64) -> Result<Plan, NoPlan> {
        let counts: Vec<Tally> = self
            .flasks
            .iter()
            .filter(|f| f.set_aside.is_none())
            .filter_map(|f| tallies(f, &self.ask).map(|(_, most)| most))
            .collect();
        let alloy: Option<&Alloy> = self.ask.alloys.get(&self.alloy_name);
        let material = Material {
            alloy_name: &self.alloy_name,
            alloy,
            section: &self.section,
            flasks: &self.flasks,
            counts: &counts,
            aim_errors_k: &self.aim_errors_k,
            advice: self.advice.as_ref(),
            kinds: &self.ask.kinds,
            trials_before: self.trials_before,
            now: self.now,
            shown_in: self.ask.shown_in,
        };
        let wish = Wish {
            // What the shop means to do is its usual, once it has said so.
            usual_c: wish.usual_c.or(self.target_c),
            ..*wish
        };
        plan(&material, &wish, seed)
    }

    /// The newest trial of this alloy and section, how far it has come, and its identity.
    ///
    /// # Errors
    /// When the records refuse.
    pub fn standing(&self, records: &Records) -> anyhow::Result<Option<(StoredTrial, Standing)>> {
        let own = |t: &StoredTrial| {
            alloy_name(&self.ask.alloys, &t.trial.alloy) == self.alloy_name
                && plain(&t.trial.section) == self.section
                && t.state() != State::Stopped
                && t.planned_at <= self.now
        };
        let Some(stored) = records.trials()?.into_iter().rev().find(own) else {
            return Ok(None);
        };
        let all = records.flasks_table(None, None)?;
        let standing = trials::standing(records, &stored, &all, &self.ask, self.now)?.0;
        Ok(Some((stored, standing)))
    }
}

fn belongs(
    alloys: &Alloys,
    alloy: Option<&str>,
    section: Option<&str>,
    wanted_alloy: &str,
    wanted_section: &str,
) -> bool {
    alloy.is_some_and(|a| alloy_name(alloys, a) == wanted_alloy)
        && section.is_some_and(|s| plain(s) == wanted_section)
}
