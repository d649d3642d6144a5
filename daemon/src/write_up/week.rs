//! What the weekly report is told beside the flasks and their evidence: the answers of a week
//! ago, trials, targets, part changes, the weeks before, gaskets that are due, and the readings
//! around each pour.

use std::collections::BTreeMap;

use analysis::alloy::Alloys;
use analysis::evidence::trial::State;
use analysis::evidence::trial::next::Standing;
use analysis::evidence::trial::plan::{NoPlan, Wish};
use analysis::evidence::{Evidence, Question, Stratum};
use analysis::flask::Flask;
use analysis::pour::seal_due::SealDue;
use analysis::pour::{PourRow, PullRow};
use analysis::time::Micros;
use analysis::trace::Trace;
use reports::chart::pours_of_week::{AFTER_S, BEFORE_S};
use reports::page::Facts;
use reports::page::week::facts::{
    Excerpt, PartChanged, Target, TrialFacts, TrialPlan, TrialStands,
};
use reports::session_trace::Readings;

use super::{WriteUp, as_argument};
use crate::cli::kind_of_work::{KindOfWork, alloy_name};
use crate::records::parts::PartChange;
use crate::records::pours::PourFilter;
use crate::records::words::Part;
use crate::session::settle::standing;

/// What the report compares a week with, s.
pub(super) const BEFORE_WEEK_S: f64 = 8.0 * WEEK_S;
const WEEK_S: f64 = 7.0 * 86_400.0;
/// The pulls of the gasket before the one in use are shown too, but none older than this, s.
const PULLS_S: f64 = 26.0 * WEEK_S;
/// Trials are told of so many kinds of work, those with most flasks.
const TRIALS: usize = 8;
/// A chart shows no more readings of a pour than this.
const READINGS: usize = 200;

impl WriteUp<'_> {
    /// All of it, for the week from `from` until `until`. `flasks` are those up to its end, and
    /// `found` is what they say.
    pub(super) fn facts(
        &self,
        from: Micros,
        until: Micros,
        flasks: &[Flask],
        found: &Evidence,
    ) -> anyhow::Result<Facts> {
        let earlier: Vec<Flask> = flasks
            .iter()
            .filter(|f| f.cast_at < from)
            .cloned()
            .collect();
        let changes = self.part_changes(until)?;
        let end = until.min(self.now);
        Ok(Facts {
            evidence_before: if earlier.is_empty() {
                None
            } else {
                Some(self.evidence_of(&earlier, from)?)
            },
            trials: self.trial_facts(end, flasks, found)?,
            targets: self.target_facts()?,
            pours_before: self.pours_before(from)?,
            pulls_before: self.pulls_before(from, &changes)?,
            seals: self.seals_due(end)?,
            gas: self.gas_of_week(from, end)?,
            excerpts: self.excerpts(from, until)?,
            labels: self.labels(from, until)?,
            book_option: self.book_option(),
            part_changes: changes.into_iter().map(changed).collect(),
        })
    }

    /// The option that names this book, as it is to be typed on this machine.
    fn book_option(&self) -> String {
        let root = self.book.root();
        let root = std::fs::canonicalize(root).unwrap_or_else(|_| root.to_owned());
        format!("--book {}", as_argument(&root.display().to_string()))
    }

    /// Part changes before `until`, oldest first.
    fn part_changes(&self, until: Micros) -> anyhow::Result<Vec<PartChange>> {
        let all = self.records.part_changes()?.into_iter();
        Ok(all.map(|(_, c)| c).filter(|c| c.at < until).collect())
    }

    fn target_facts(&self) -> anyhow::Result<Vec<Target>> {
        let alloys = Alloys::standard();
        let all = self.records.targets()?.into_iter();
        Ok(all
            .map(|t| Target {
                alloy: alloy_name(&alloys, &t.target.alloy),
                section: t.target.section.trim().to_lowercase(),
                pour_temperature_c: t.target.pour_temperature_c,
                flask_temperature_c: t.target.flask_temperature_c,
                from: t.from,
                until: t.until,
            })
            .collect())
    }

    /// The trial of each kind of work: the newest, and the one that could be begun.
    fn trial_facts(
        &self,
        end: Micros,
        flasks: &[Flask],
        found: &Evidence,
    ) -> anyhow::Result<Vec<TrialFacts>> {
        let shown = &self.config.shop.shown_in;
        let ask = Question {
            shown_in: *shown,
            kinds: self.config.defect_kinds.clone(),
            alloys: Alloys::standard(),
            ..Question::default()
        };
        // A report of an earlier week knows nothing of a trial that was planned since.
        let open = self.records.open_trial()?.filter(|t| t.planned_at <= end);
        let mut told = Vec::new();
        let named = |s: &&Stratum| s.alloy.is_some() && s.section.is_some();
        for stratum in found.strata.iter().filter(named).take(TRIALS) {
            let (Some(alloy), Some(section)) = (&stratum.alloy, &stratum.section) else {
                continue;
            };
            let work = KindOfWork::given(
                self.records,
                end,
                flasks.to_vec(),
                &ask,
                Some(stratum.advice.clone()),
                (alloy, section),
            )?;
            let newest = work.standing(self.records)?;
            let own = newest.as_ref().map(|(stored, _)| stored.id);
            let plan = match &open {
                Some(other) if own != Some(other.id) => Err(NoPlan::Another {
                    what: format!("{}, {}", other.trial.alloy, other.trial.section),
                }),
                _ => work.plan(&Wish::default(), 0),
            };
            told.push(TrialFacts {
                alloy: alloy.clone(),
                section: section.clone(),
                newest: newest.map(|(_, standing)| stands(&standing, shown)),
                plan: match plan {
                    Ok(plan) if plan.worth_beginning() => Ok(TrialPlan {
                        usual_c: plan.trial.usual_c,
                        tried_c: plan.trial.tried_c,
                        flasks: plan.trial.flasks,
                        weeks: plan.weeks,
                        sentence: plan.sentence(shown),
                    }),
                    Ok(plan) => Err(plan.sentence(shown)),
                    Err(why) => Err(why.in_units(shown)),
                },
            });
        }
        Ok(told)
    }

    fn pours_before(&self, from: Micros) -> anyhow::Result<Vec<PourRow>> {
        let filter = PourFilter {
            since: Some(from.plus_seconds(-BEFORE_WEEK_S)),
            until: Some(from),
            ..PourFilter::default()
        };
        Ok(self
            .records
            .pours(&filter)?
            .into_iter()
            .map(|p| p.row)
            .collect())
    }

    /// The pulls before the week on the gasket in use and the one before it, of every machine.
    fn pulls_before(&self, from: Micros, changes: &[PartChange]) -> anyhow::Result<Vec<PullRow>> {
        let mut gaskets: BTreeMap<&str, Vec<Micros>> = BTreeMap::new();
        for change in changes.iter().filter(|c| c.part == Part::Gasket) {
            if let Some(machine) = &change.machine {
                gaskets.entry(machine).or_default().push(change.at);
            }
        }
        let oldest = from.plus_seconds(-PULLS_S);
        let pulls = self.records.pulls(Some(oldest), Some(from), None)?;
        let since = |machine: &str| {
            let fitted = gaskets.get(machine).map_or(&[][..], Vec::as_slice);
            let before_last = fitted.len().checked_sub(2).map(|i| fitted[i]);
            before_last.unwrap_or(oldest)
        };
        Ok(pulls
            .into_iter()
            .filter(|p| p.opened_at >= since(&p.machine))
            .collect())
    }

    fn seals_due(&self, end: Micros) -> anyhow::Result<BTreeMap<String, SealDue>> {
        let mut due = BTreeMap::new();
        for machine in self.records.machines()? {
            if let Some(seal) = standing(self.records, self.config, &machine, end)?.seal {
                due.insert(machine, seal);
            }
        }
        Ok(due)
    }

    /// The readings around each pour of the week. A trace that cannot be read is told on its
    /// session's sheet; its pours are then not among them.
    fn excerpts(&self, from: Micros, until: Micros) -> anyhow::Result<Vec<Excerpt>> {
        let mut found = Vec::new();
        for session in self.records.sessions(Some(from), Some(until))? {
            let Some(published) = &session.published else {
                continue;
            };
            let filter = PourFilter {
                session: Some(session.id),
                ..PourFilter::default()
            };
            let pours = self.records.pours(&filter)?;
            if pours.is_empty() {
                continue;
            }
            let Ok(trace) = self.read(&published.trace) else {
                continue;
            };
            found.extend(pours.iter().map(|p| excerpt(&trace, &p.row)));
        }
        Ok(found)
    }

    /// Labels of the flasks that pours of the week are matched to.
    fn labels(&self, from: Micros, until: Micros) -> anyhow::Result<BTreeMap<String, String>> {
        let filter = PourFilter {
            since: Some(from),
            until: Some(until),
            ..PourFilter::default()
        };
        let mut labels = BTreeMap::new();
        for pour in self.records.pours(&filter)? {
            if let Some(id) = pour.row.flask
                && let Ok(uuid) = id.parse()
                && let Ok(flask) = self.records.flask(uuid)
            {
                labels.insert(id, flask.card.label);
            }
        }
        Ok(labels)
    }
}

fn changed(change: PartChange) -> PartChanged {
    PartChanged {
        machine: change.machine.or(change.kiln).unwrap_or_default(),
        part: change.part.to_string().replace('-', " "),
        at: change.at,
    }
}

fn stands(standing: &Standing, shown: &analysis::units::ShownIn) -> TrialStands {
    let trial = &standing.trial;
    let open = matches!(standing.state, State::Planned | State::Running);
    TrialStands {
        state: standing.state,
        usual_c: trial.usual_c,
        tried_c: trial.tried_c,
        flasks: trial.flasks,
        counted: standing.counted,
        waiting: standing.waiting,
        gross_c: standing.gross.filter(|_| open).map(|arm| trial.pour_c(arm)),
        verdict: standing.verdict.as_ref().map(|v| v.sentence(trial, shown)),
    }
}

/// The melt and the vacuum around a pour, every so many readings of them.
fn excerpt(trace: &Trace, pour: &PourRow) -> Excerpt {
    use analysis::channel::Channel;
    let (from, until) = (
        pour.at.plus_seconds(-BEFORE_S),
        pour.at.plus_seconds(AFTER_S),
    );
    let of = |channel: Channel| -> Readings {
        let mut all: Readings = trace
            .samples
            .iter()
            .filter(|s| s.channel == channel && s.quality.usable())
            .filter(|s| s.time >= from && s.time <= until)
            .map(|s| (s.time, s.value))
            .collect();
        all.sort_by_key(|r| r.0);
        let every = all.len().div_ceil(READINGS).max(1);
        all.into_iter().step_by(every).collect()
    };
    Excerpt {
        session: pour.session.clone(),
        number: pour.number,
        melt_c: of(Channel::MeltTemperature),
        vacuum_kpa: of(Channel::Vacuum),
    }
}
