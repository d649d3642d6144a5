//! Where every alloy and section stands: the formal looks gone through in order, what each claimed,
//! whether the last claim still holds on all the flasks there are now, and what stands against it.
//! A pure function of the dated flasks.

use std::collections::{BTreeMap, BTreeSet};

use super::advise::ALIKE_K;
use super::budget::Budget;
use super::doubts::{older_flasks_decide, one_session_decides};
use super::factor::Factor;
use super::grades::{Cap, INSPECTED, enough_for_a_claim, ineligible};
use super::looks::{self, ALPHA, InOrder, Look, Said, Until};
use super::opinion::{SecondOpinion, second_opinion};
use super::past::{self, Past, Told};
use super::rows::{Bound, Row, totals};
use super::side_by_side::side_by_side;
use super::study::{Fits, Manner, NoFit, RECENT_S, Study, fits, study};
use super::together::with_the_pour;
use super::{Method, porosity, probes};
use crate::flask::Flask;
use crate::stats::median::median;
use crate::time::Micros;

/// Fewer flasks than this make no usual temperature: what was done once or twice is no habit.
pub(super) const USUAL_FEWEST: usize = 5;
/// A shop pours at the advised temperature when its usual one is within this, K.
const FOLLOWED_K: f64 = 5.0;

/// Alloy and section.
pub(super) type Key = (Option<String>, Option<String>);

/// A flask of a stratum as it was poured, inspected or not.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Poured<'a> {
    pub flask: &'a Flask,
    pub at: Micros,
    pub pour_c: Option<f64>,
    pub inspected: bool,
}

impl Poured<'_> {
    /// Whether it was poured by then.
    pub(super) fn by(&self, until: Option<Until>) -> bool {
        until.is_none_or(|until| self.at <= until.poured)
    }

    /// Whether it was counted by then.
    fn counted_by(&self, until: Option<Until>) -> bool {
        self.inspected && until.is_none_or(|until| self.flask.known_at() <= until.counted)
    }
}

/// The whole table that grades are made from.
#[derive(Debug)]
pub(super) struct Shop<'a, 'b> {
    pub question: &'b super::Question,
    /// Counted flasks that may steer and have a pour temperature, of all strata.
    pub rows: Vec<&'b Row<'a>>,
    /// Every flask that may steer, by stratum.
    pub poured: BTreeMap<Key, Vec<Poured<'a>>>,
    pub manner: Manner,
    /// Why no grade here may be above weak, whatever the flasks say.
    pub asked_otherwise: Option<Cap>,
}

/// A change that a formal look showed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Claim<'a> {
    pub pour_c: f64,
    pub against_c: f64,
    /// The one scale that its temperatures were read on, where that is on record.
    pub scale: Option<&'a str>,
}

/// What is known of a stratum now.
#[derive(Debug)]
pub(super) struct Standing<'a, 'b> {
    pub budget: Budget,
    pub look: Look,
    pub usual_c: Option<f64>,
    /// Why there is no grade.
    pub barred: Option<Cap>,
    /// Flasks not looked at, because a probe read them that was never compared with today's.
    pub left_out: usize,
    /// Why nothing is claimed while probes that were never compared are in it.
    pub unresolved: Option<Cap>,
    /// The one scale that its temperatures were read on, where that is on record.
    pub scale: Option<&'a str>,
    pub found: Option<Found<'a, 'b>>,
}

/// The study a grade is made from.
#[derive(Debug)]
pub(super) struct Found<'a, 'b> {
    pub study: Study<'a, 'b>,
    /// The advised point of its curve.
    pub point: Option<usize>,
    /// Whether a claim stands.
    pub claim: Option<Claim<'a>>,
    pub caps: Vec<Cap>,
    pub second_opinion: Option<SecondOpinion>,
}

fn key(row: &Row) -> Key {
    (row.alloy.clone(), row.section.clone())
}

fn key_is(row: &Row, key: &Key) -> bool {
    (&row.alloy, &row.section) == (&key.0, &key.1)
}

/// The pours with a temperature of the eight weeks before the last of them up to `until`, inspected
/// or not.
pub(super) fn recent<'p, 'a>(
    poured: &'p [Poured<'a>],
    until: Option<Until>,
) -> Vec<&'p Poured<'a>> {
    let known = || {
        poured
            .iter()
            .filter(move |p| p.by(until) && p.pour_c.is_some())
    };
    let last = known().map(|p| p.at).max();
    known()
        .filter(|p| last.is_some_and(|last| last.seconds_since(p.at) <= RECENT_S))
        .collect()
}

/// Their median pour temperature, if they are enough.
pub(super) fn usual(poured: &[Poured], until: Option<Until>) -> Option<f64> {
    let mut recent: Vec<f64> = recent(poured, until)
        .into_iter()
        .filter_map(|p| p.pour_c)
        .collect();
    if recent.len() < USUAL_FEWEST {
        return None;
    }
    median(&mut recent)
}

/// The table up to a moment, with each alloy's model fitted once.
#[derive(Clone)]
struct Moment<'a, 'b> {
    until: Option<Until>,
    /// The design effect of all its flasks: of no later ones, or what a look says would change
    /// afterwards.
    pooled: Option<f64>,
    strata: BTreeMap<Key, Vec<&'b Row<'a>>>,
    alloys: BTreeMap<Option<String>, Result<Fits<'a, 'b>, NoFit>>,
}

impl<'a> Moment<'a, '_> {
    /// The one scale that a stratum was read on, where that is on record.
    fn scale(&self, key: &Key) -> Option<&'a str> {
        probes::only_scale(self.strata.get(key)?)
    }
}

impl<'a, 'b> Shop<'a, 'b> {
    fn moment(&self, rows: &[&'b Row<'a>], until: Option<Until>) -> Moment<'a, 'b> {
        let mut strata: BTreeMap<Key, Vec<&'b Row<'a>>> = BTreeMap::new();
        let mut alloys: BTreeMap<Option<&str>, Vec<&'b Row<'a>>> = BTreeMap::new();
        for row in rows {
            alloys.entry(row.alloy.as_deref()).or_default().push(row);
        }
        for row in alloys.into_values().flat_map(probes::comparable) {
            strata.entry(key(row)).or_default().push(row);
        }
        Moment {
            until,
            pooled: totals(rows, Bound::Most).design_effect(),
            strata,
            alloys: BTreeMap::new(),
        }
    }

    fn usual(&self, key: &Key, until: Option<Until>) -> Option<f64> {
        // Flasks whose alloy nobody wrote down may be of several, which have no temperature in
        // common.
        key.0.as_ref()?;
        usual(self.poured.get(key)?, until)
    }

    fn study(
        &self,
        moment: &mut Moment<'a, 'b>,
        key: &Key,
        reference_c: f64,
    ) -> Result<Study<'a, 'b>, NoFit> {
        if !moment.alloys.contains_key(&key.0) {
            let rows: Vec<&Row> = moment
                .strata
                .iter()
                .filter(|(k, _)| k.0 == key.0)
                .flat_map(|(_, rows)| rows.iter().copied())
                .collect();
            let made = fits(&rows, moment.pooled, &self.manner);
            moment.alloys.insert(key.0.clone(), made);
        }
        let own = moment.strata.get(key).map_or(&[][..], Vec::as_slice);
        study(
            &moment.alloys[&key.0],
            own,
            moment.pooled,
            reference_c,
            &self.manner,
        )
    }

    /// Whether probes that were never compared read the flasks that advice rests on: `rows`, those of
    /// its model, and those of late, which its usual temperature is made from.
    fn unresolved<'f>(
        &'f self,
        rows: impl Iterator<Item = &'f Flask>,
        key: &Key,
        until: Option<Until>,
    ) -> Option<Cap> {
        let poured = self.poured.get(key).map_or(&[][..], Vec::as_slice);
        let by_then = || poured.iter().filter(move |p| p.by(until));
        let last = by_then().map(|p| p.at).max();
        let recent = by_then()
            .filter(|p| last.is_some_and(|last| last.seconds_since(p.at) <= RECENT_S))
            .map(|p| p.flask);
        probes::unresolved(rows.chain(recent))
    }

    /// What stands against any claim, whatever the curve says.
    fn conditions(
        &self,
        study: &Study<'a, 'b>,
        key: &Key,
        rows: &[&'b Row<'a>],
        until: Option<Until>,
    ) -> Vec<Cap> {
        let mut caps = Vec::new();
        let budget = Budget::of(rows, study.pooled);
        caps.extend(enough_for_a_claim(&budget));
        caps.extend(self.asked_otherwise.clone());
        let read = study.fits.rows.iter().map(|r| r.flask);
        caps.extend(self.unresolved(read, key, until));
        let plan = &study.curve.fitted().plan;
        for (factor, r) in with_the_pour(rows, |f| plan.holds(f)) {
            caps.push(Cap::new(
                &format!("moves-with-{}", factor.name().replace('_', "-")),
                format!(
                    "the pour got {} whenever {} did ({:.2}), so which of them did it cannot be \
                     told",
                    if r > 0.0 { "hotter" } else { "cooler" },
                    match factor {
                        Factor::Days => "time went on, as",
                        _ => factor.words(),
                    },
                    r
                ),
            ));
        }
        let pattern = |r: &Row| r.flask.pattern.clone();
        let one_pattern = rows
            .iter()
            .all(|r| pattern(r).is_some() && pattern(r) == pattern(rows[0]));
        if key.1.is_none() && !one_pattern && !plan.holds(Factor::Pattern) {
            caps.push(Cap::new(
                "section-not-recorded",
                "thin work is often poured hotter than heavy work and fails for reasons of its own, \
                 and which was which is not written down",
            ));
        }
        if let Some(Err(why)) = study.own() {
            caps.push(Cap::new(
                "own-flasks-too-few",
                format!("by this section's own flasks alone: {}", why.words()),
            ));
        }
        let poured = self.poured.get(key).map_or(&[][..], Vec::as_slice);
        let known: Vec<&Poured> = poured.iter().filter(|p| p.by(until)).collect();
        let inspected = known.iter().filter(|p| p.counted_by(until)).count();
        if (inspected as f64) < INSPECTED * known.len() as f64 {
            caps.push(Cap::new(
                "under-80-percent-inspected",
                format!(
                    "only {inspected} of {} flasks are inspected, and those left out may be the \
                     good ones",
                    known.len()
                ),
            ));
        }
        if study.curve.fitted().method == Method::Firth {
            caps.push(Cap::new(
                "sparse",
                "the defects are so few or so one-sided that only a penalised fit has an answer",
            ));
        }
        caps
    }

    /// What stands against a claim at `point`, whatever its interval says.
    fn objections(
        &self,
        study: &Study<'a, 'b>,
        point: usize,
        key: &Key,
        rows: &[&'b Row<'a>],
        until: Option<Until>,
    ) -> (Vec<Cap>, Option<SecondOpinion>) {
        let mut caps = self.conditions(study, key, rows, until);
        let (fits, curve) = study.deciding();
        if study.curve.falls(point) {
            if let Some(session) =
                one_session_decides(curve, point, &fits.rows, &study.mix, &fits.how)
            {
                caps.push(Cap::new(
                    "one-session-decides",
                    format!("without session {session} it would be the other way round"),
                ));
            }
            if older_flasks_decide(curve, point, &fits.rows, &study.mix, &fits.how) {
                caps.push(Cap::new(
                    "older-flasks-decide",
                    "by the later half of the sessions alone it would be the other way round, so what \
                     was true of old may not be today; a probe that wears does that too (pourbook \
                     record probe-check)",
                ));
            }
            if let Some(kind) = porosity::overturns(self.question, fits, curve, point, &study.mix) {
                caps.push(Cap::new(
                    "porosity-unsure",
                    format!("if every unsure pore were {kind}, it would be the other way round"),
                ));
            }
        }
        let second = second_opinion(fits, &study.mix, curve.at[point].pour_c, curve.reference_c);
        match &second {
            Some(opinion) if opinion.agrees => {}
            Some(_) => caps.push(Cap::new(
                "second-opinion-differs",
                "a model with a level for each session, which compares flasks of one day with \
                 each other, does not say the same",
            )),
            None => caps.push(Cap::new(
                "no-second-opinion",
                "a second model could not be fitted to check it",
            )),
        }
        (caps, second)
    }

    /// Whether what a claim said is still seen: supported, its interval below 0, against what is usual
    /// today or against what was usual when it was made.
    fn seen(
        &self,
        moment: &mut Moment<'a, 'b>,
        key: &Key,
        claim: &Claim<'a>,
    ) -> Result<(Study<'a, 'b>, usize), Cap> {
        // Its temperatures mean nothing to another probe.
        if let (Some(then), Some(now)) = (claim.scale, moment.scale(key))
            && then != now
        {
            return Err(Cap::new(
                "another-probe",
                "what was claimed before rests on an earlier probe",
            ));
        }
        let usual_c = self.usual(key, moment.until);
        let unsupported = || {
            Cap::new(
                "no-longer-supported",
                "too few flasks are near the temperature that was advised",
            )
        };
        let mut against = |against_c: f64| {
            self.study(moment, key, against_c)
                .map_err(|why| Cap::new("no-model", why.words()))
        };
        let followed = |usual: f64| (usual - claim.pour_c).abs() <= FOLLOWED_K;
        // A shop that has not followed it is told what it would gain today.
        if let Some(usual) = usual_c.filter(|usual| !followed(*usual)) {
            let study = against(usual)?;
            let point = study.curve.nearest(claim.pour_c).ok_or_else(unsupported)?;
            if study.holds(point) {
                return Ok((study, point));
            }
        }
        // One that has is told what it gained; so is one that went to a third temperature, where that
        // is shown to be better than the old one as well.
        let study = against(claim.against_c)?;
        let now_c = usual_c
            .filter(|usual| !followed(*usual))
            .unwrap_or(claim.pour_c);
        let point = study.curve.nearest(now_c).ok_or_else(unsupported)?;
        if study.holds(point) {
            return Ok((study, point));
        }
        Err(Cap::new(
            "no-longer-shown",
            "what an earlier look showed is no longer clear",
        ))
    }

    /// The claim as it stands now, if it is still seen and nothing is against it.
    fn still(
        &self,
        moment: &mut Moment<'a, 'b>,
        key: &Key,
        claim: &Claim<'a>,
    ) -> Result<Found<'a, 'b>, Vec<Cap>> {
        let (study, point) = self.seen(moment, key, claim).map_err(|cap| vec![cap])?;
        let rows = moment.strata.get(key).cloned().unwrap_or_default();
        let (caps, second_opinion) = self.objections(&study, point, key, &rows, moment.until);
        if !caps.is_empty() {
            return Err(caps);
        }
        Ok(Found {
            point: Some(point),
            claim: Some(Claim {
                pour_c: study.curve.at[point].pour_c,
                against_c: study.curve.reference_c,
                scale: moment.scale(key).or(claim.scale),
            }),
            study,
            caps,
            second_opinion,
        })
    }

    /// What a formal look claims for a stratum.
    fn look(
        &self,
        moment: &mut Moment<'a, 'b>,
        key: &Key,
        alpha: f64,
        before: Option<Claim<'a>>,
    ) -> Option<Claim<'a>> {
        let usual_c = self.usual(key, moment.until);
        // A claim stays while it holds against what was usual when it was made, so that a shop that
        // follows it does not lose it. What else is against it is asked of all flasks, now.
        if let Some(claim) = before
            && let Ok((study, point)) = self.seen(moment, key, &claim)
        {
            return Some(Claim {
                pour_c: study.curve.at[point].pour_c,
                against_c: study.curve.reference_c,
                scale: moment.scale(key).or(claim.scale),
            });
        }
        let usual_c = usual_c?;
        let study = self.study(moment, key, usual_c).ok()?;
        if !study.curve.may_show(alpha) {
            return None;
        }
        let point = study.best_shown(alpha)?;
        let rows = moment.strata.get(key)?.clone();
        let (caps, _) = self.objections(&study, point, key, &rows, moment.until);
        caps.is_empty().then(|| Claim {
            pour_c: study.curve.at[point].pour_c,
            against_c: usual_c,
            scale: moment.scale(key),
        })
    }

    /// Goes through the looks: what each said of every stratum, and the claims that stand after
    /// the last.
    fn looks(&self, past: &mut Past) -> (BTreeMap<Key, Look>, BTreeMap<Key, Claim<'a>>) {
        let order = InOrder::of(&self.rows);
        let sessions = order.sessions();
        let number = looks::reached(sessions);
        let digest = past::digest(self, &order, number);
        let (mut history, claims) = past.recall(&digest, &self.rows).unwrap_or_else(|| {
            let told = self.gone_through(&order, number);
            past.keep(digest, &told);
            told
        });
        let keys: BTreeSet<Key> = self.rows.iter().map(|r| key(r)).collect();
        let told = keys
            .into_iter()
            .map(|key| {
                let said = history.remove(&key).unwrap_or_default();
                let look = Look {
                    number,
                    alpha: said.last().filter(|s| s.number == number).map(|s| s.alpha),
                    next_at_sessions: looks::next_at(number),
                    sessions,
                    history: said,
                };
                (key, look)
            })
            .collect();
        (told, claims)
    }

    /// What every look up to `number` said, each by the flasks that were there.
    fn gone_through(&self, order: &InOrder<'a>, number: usize) -> Told<'a> {
        let mut claims: BTreeMap<Key, Claim<'a>> = BTreeMap::new();
        let mut history: BTreeMap<Key, Vec<Said>> = BTreeMap::new();
        for n in 1..=number {
            let first = looks::sessions_at(n);
            let (rows, until) = order.first(first, &self.rows);
            let mut moment = self.moment(&rows, until);
            let advised: Vec<Key> = moment
                .strata
                .iter()
                .filter(|(_, rows)| {
                    self.barred(rows, &Budget::of(rows, moment.pooled))
                        .is_none()
                })
                .map(|(key, _)| key.clone())
                .collect();
            let alpha = ALPHA / advised.len().max(1) as f64;
            for key in &advised {
                let claim = self.look(&mut moment, key, alpha, claims.get(key).copied());
                history.entry(key.clone()).or_default().push(Said {
                    number: n,
                    sessions: first,
                    alpha,
                    claimed: claim.is_some(),
                    pour_temperature_c: claim.map(|c| c.pour_c),
                    against_c: claim.map(|c| c.against_c),
                });
                match claim {
                    Some(claim) => claims.insert(key.clone(), claim),
                    None => claims.remove(key),
                };
            }
            claims.retain(|key, _| advised.contains(key));
        }
        (history, claims)
    }

    /// What every look so far said of each stratum, without working out where it stands now.
    pub(super) fn looks_alone(&self) -> BTreeMap<Key, Look> {
        self.looks(&mut Past::default()).0
    }

    /// Goes through the looks and says where each stratum stands now, as `judge` puts it.
    pub(super) fn standings<T: Send>(
        &self,
        past: &mut Past,
        judge: impl Fn(&Key, &Standing<'a, 'b>) -> T + Sync,
    ) -> BTreeMap<Key, T> {
        let (looks, claims) = self.looks(past);
        let now = self.moment(&self.rows, None);
        // Sections of one alloy share its model.
        let mut alloys: BTreeMap<Option<String>, Vec<(Key, Look)>> = BTreeMap::new();
        for (key, look) in looks {
            alloys.entry(key.0.clone()).or_default().push((key, look));
        }
        let alloys: Vec<Vec<(Key, Look)>> = alloys.into_values().collect();
        let of_alloy = |sections: &Vec<(Key, Look)>| -> Vec<(Key, T)> {
            let mut now = now.clone();
            let judged = |(key, look): &(Key, Look)| {
                let claim = claims.get(key).copied();
                let standing = self.now(&mut now, key, claim, look.clone());
                (key.clone(), judge(key, &standing))
            };
            sections.iter().map(judged).collect()
        };
        side_by_side(&alloys, of_alloy)
            .into_iter()
            .flatten()
            .collect()
    }

    fn barred(&self, rows: &[&Row], budget: &Budget) -> Option<Cap> {
        ineligible(rows, budget, self.question.repeatability_k)
    }

    fn now(
        &self,
        moment: &mut Moment<'a, 'b>,
        key: &Key,
        claim: Option<Claim<'a>>,
        look: Look,
    ) -> Standing<'a, 'b> {
        let rows = moment.strata.get(key).cloned().unwrap_or_default();
        let budget = Budget::of(&rows, moment.pooled);
        let usual_c = self.usual(key, None);
        let mut standing = Standing {
            barred: self.barred(&rows, &budget),
            budget,
            look,
            usual_c,
            left_out: self.rows.iter().filter(|r| key_is(r, key)).count() - rows.len(),
            unresolved: self.unresolved(rows.iter().map(|r| r.flask), key, None),
            scale: probes::only_scale(&rows),
            found: None,
        };
        if standing.barred.is_some() {
            return standing;
        }
        let Some(usual_c) = usual_c else {
            standing.barred = Some(Cap::new(
                "no-usual",
                if key.0.is_none() {
                    "the alloy is not recorded, and alloys have no temperature in common"
                } else {
                    "fewer than five flasks of the last eight weeks have a temperature, so there \
                     is nothing usual to compare with"
                },
            ));
            return standing;
        };
        let mut caps = Vec::new();
        if let Some(claim) = claim {
            match self.still(moment, key, &claim) {
                Ok(found) => {
                    standing.found = Some(found);
                    return standing;
                }
                Err(lost) => caps = lost,
            }
        }
        let study = match self.study(moment, key, usual_c) {
            Ok(study) => study,
            Err(why) => {
                standing.barred = Some(Cap::new("no-model", why.words()));
                return standing;
            }
        };
        let point = study.curve.best();
        let mut second_opinion = None;
        match point {
            None => caps.push(Cap::new(
                "no-interval",
                "the sessions are too few or too unlike for an interval",
            )),
            Some(point) if (study.curve.at[point].pour_c - usual_c).abs() < ALIKE_K => {
                caps.push(Cap::new(
                    "nothing-better",
                    "nothing that was tried enough does better than the usual temperature",
                ));
                caps.extend(self.conditions(&study, key, &rows, None));
            }
            Some(point) => {
                if caps.is_empty() {
                    caps.push(self.not_claimed(&study, point, &standing.look));
                }
                let (more, second) = self.objections(&study, point, key, &rows, None);
                for cap in more {
                    if !caps.iter().any(|c| c.code == cap.code) {
                        caps.push(cap);
                    }
                }
                second_opinion = second;
            }
        }
        standing.found = Some(Found {
            study,
            point,
            claim: None,
            caps,
            second_opinion,
        });
        standing
    }

    /// Why what is seen now is no claim.
    fn not_claimed(&self, study: &Study, point: usize, look: &Look) -> Cap {
        if !study.holds(point) {
            return Cap::new(
                "change-not-shown",
                "a change for the better is not clear of chance",
            );
        }
        match look.next_at_sessions {
            Some(next) if look.number == 0 => Cap::new(
                "no-look-yet",
                format!("the first formal look comes at {next} sessions"),
            ),
            Some(next) => Cap::new(
                "not-shown-at-a-look",
                format!("the last formal look did not show it; the next comes at {next} sessions"),
            ),
            None => Cap::new(
                "not-shown-at-a-look",
                "no formal look showed it, and the last is past",
            ),
        }
    }
}
