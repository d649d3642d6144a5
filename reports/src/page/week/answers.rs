//! One row per alloy and section: what to pour at in a few large words, how sure that is, the
//! sentence with its figures, and the trial that runs or could be begun.

use analysis::evidence::trial::State;
use analysis::evidence::{Grade, Stratum};
use analysis::time::Micros;
use analysis::units::ShownIn;

use super::facts::{TrialFacts, TrialStands};
use super::sorted::Sorted;
use crate::page::sheet::{Answer, Block, Section};
use crate::wording;

/// Fewest counted flasks for advice on a pour temperature (design of the statistics).
pub(super) const FLASKS_NEEDED: usize = 20;
/// Fewest sessions.
pub(super) const SESSIONS_NEEDED: usize = 10;
/// Most rows; a shop with more kinds of work finds the rest named.
const MOST: usize = 8;
/// The weeks whose flasks say what is usual (design of the statistics).
const LATELY_WEEKS: f64 = 8.0;
/// Temperatures nearer than this are one, as the evidence has it, K.
pub(super) const ALIKE_K: f64 = 2.5;
/// A shop whose usual is no further from what is advised follows it already, likewise, K.
pub(super) const FOLLOWS_K: f64 = 2.0 * ALIKE_K;

/// A grade in words.
pub(super) fn grade_words(grade: Grade) -> &'static str {
    match grade {
        Grade::None => "no advice yet",
        Grade::Weak => "weak evidence",
        Grade::Fair => "fair evidence",
        Grade::Strong => "strong evidence",
    }
}

/// An alloy and section by name.
pub(super) fn name(stratum: &Stratum) -> String {
    wording::isolated(&format!(
        "{}, {}",
        stratum.alloy.as_deref().unwrap_or("alloy not recorded"),
        stratum.section.as_deref().unwrap_or("section not recorded")
    ))
}

/// The same where it stands in a list, without a comma of its own.
pub(super) fn name_in_list(stratum: &Stratum) -> String {
    wording::isolated(&format!(
        "{} {}",
        stratum.alloy.as_deref().unwrap_or("alloy not recorded"),
        stratum.section.as_deref().unwrap_or("section not recorded")
    ))
}

/// The sentence without the name in front of it, which stands beside it already.
pub(super) fn sentence(stratum: &Stratum) -> String {
    let whole = &stratum.advice.sentence;
    let plain = format!(
        "{}, {}: ",
        stratum.alloy.as_deref().unwrap_or("alloy not recorded"),
        stratum.section.as_deref().unwrap_or("section not recorded")
    );
    let rest = whole.strip_prefix(&plain).unwrap_or(whole);
    wording::capital(&wording::sentence(rest))
}

/// The temperature that the evidence backs, if it backs one, °C.
pub(super) fn backed_c(stratum: &Stratum) -> Option<f64> {
    stratum.advice.backed_c()
}

/// What to do, in a few words.
pub(super) fn verdict(stratum: &Stratum, shown: &ShownIn) -> String {
    let usual = stratum.advice.usual_c;
    match (backed_c(stratum), usual) {
        (Some(pour), Some(usual)) if (pour - usual).abs() <= FOLLOWS_K => {
            format!("Keep pouring at {}", shown.temperature(pour))
        }
        (Some(pour), _) => format!("Pour at {}", shown.temperature(pour)),
        (None, Some(usual)) => format!("Keep to {}", shown.temperature(usual)),
        (None, None) => "Keep on as you do".to_owned(),
    }
}

/// What does not agree with the verdict yet: a target that the pours do not meet. The evidence is
/// of what was poured, so that comes first; the sentence says both ways to make them agree.
fn beside(stratum: &Stratum, shown: &ShownIn) -> String {
    match &stratum.advice.aim {
        Some(aim) if backed_c(stratum).is_none() => format!(
            "Your target says {}: make card and pour agree.",
            shown.temperature(aim.target_c)
        ),
        _ => String::new(),
    }
}

/// When work of a kind was last poured, if that is too long ago for it to have a usual
/// temperature.
fn long_ago(sorted: &Sorted<'_>, stratum: &Stratum) -> Option<Micros> {
    let last = sorted.flasks_of(stratum).iter().map(|f| f.cast_at).max()?;
    (last < sorted.until.plus_seconds(-LATELY_WEEKS * 7.0 * 86_400.0)).then_some(last)
}

/// One row.
fn row(sorted: &Sorted<'_>, stratum: &Stratum) -> Answer {
    let shown = &sorted.week.shop.shown;
    let grade = match stratum.advice.grade {
        Grade::None => "none",
        Grade::Weak => "weak",
        Grade::Fair => "fair",
        Grade::Strong => "strong",
    };
    let sure = grade_words(stratum.advice.grade).to_owned();
    let name = name(stratum);
    // Work that nobody pours needs no trial and no figures, but what is backed stays known.
    if let Some(last) = long_ago(sorted, stratum) {
        return Answer {
            name,
            verdict: match backed_c(stratum) {
                Some(_) => verdict(stratum, shown),
                None => "Not poured lately".to_owned(),
            },
            beside: String::new(),
            sure,
            grade,
            sentence: format!(
                "Last poured on {}; {} counted.",
                wording::local(last, &sorted.week.shop.zone).strftime("%-d %b %Y"),
                wording::count(stratum.flasks as u64, "flask"),
            ),
            trial: String::new(),
        };
    }
    Answer {
        name,
        verdict: verdict(stratum, shown),
        beside: beside(stratum, shown),
        sure,
        grade,
        sentence: sentence(stratum),
        trial: trial_words(sorted, stratum),
    }
}

/// The trial that runs, or that is worth beginning, and its next step.
pub(super) fn trial_words(sorted: &Sorted<'_>, stratum: &Stratum) -> String {
    let facts = &sorted.week.facts;
    let trial = facts.trial_of(stratum.alloy.as_deref(), stratum.section.as_deref());
    let Some(trial) = trial else {
        return String::new();
    };
    match &trial.newest {
        Some(stands) if matches!(stands.state, State::Planned | State::Running) => {
            running(sorted, trial, stands)
        }
        Some(TrialStands {
            verdict: Some(found),
            ..
        }) => wording::sentence(found),
        _ => could_begin(sorted, stratum).map_or_else(String::new, plan_words(sorted)),
    }
}

/// The trial that could be begun of an alloy and section: none while one runs or has been, or
/// where the evidence already backs a temperature.
pub(super) fn could_begin<'a>(sorted: &Sorted<'a>, stratum: &Stratum) -> Option<&'a TrialFacts> {
    let facts = &sorted.week.facts;
    let trial = facts.trial_of(stratum.alloy.as_deref(), stratum.section.as_deref())?;
    (trial.newest.is_none() && trial.plan.is_ok() && backed_c(stratum).is_none()).then_some(trial)
}

/// A plan in a few words.
fn plan_words<'a>(sorted: &Sorted<'_>) -> impl Fn(&'a TrialFacts) -> String {
    let shown = sorted.week.shop.shown;
    move |trial| {
        let Ok(plan) = &trial.plan else {
            return String::new();
        };
        let weeks = match plan.weeks {
            Some(weeks) if weeks <= 1.5 => ", about a week".to_owned(),
            Some(weeks) => format!(", about {weeks:.0} weeks at your pace"),
            None => String::new(),
        };
        format!(
            "To find out: a trial of {} against {} by lot, {} in all{weeks}. How is said below.",
            shown.temperature(plan.tried_c),
            shown.temperature(plan.usual_c),
            wording::count(u64::from(plan.flasks), "flask"),
        )
    }
}

/// The command that begins a trial.
pub(super) fn begin(sorted: &Sorted<'_>, trial: &TrialFacts) -> String {
    format!(
        "{} --alloy {} --section {}",
        sorted.week.facts.command("record trial"),
        wording::argument(&trial.alloy),
        wording::argument(&trial.section)
    )
}

/// How far a running trial has come, and what comes next.
pub(super) fn running(sorted: &Sorted<'_>, trial: &TrialFacts, stands: &TrialStands) -> String {
    let shown = &sorted.week.shop.shown;
    let mut text = format!(
        "A trial runs, {} against {} by lot: {} of {} counted",
        shown.temperature(stands.tried_c),
        shown.temperature(stands.usual_c),
        stands.counted,
        wording::count(u64::from(stands.flasks), "flask"),
    );
    match stands.waiting {
        0 => {}
        1 => text += ", 1 more has its lot",
        n => text += &format!(", {n} more have their lots"),
    }
    text += ". ";
    text += &match stands.gross_c {
        Some(c) => format!(
            "Flasks at {} misrun grossly and the others do not. Stop it: {} --stop misruns.",
            shown.temperature(c),
            sorted.week.facts.command("record trial")
        ),
        None if stands.counted + stands.waiting >= stands.flasks => {
            "Every flask has its lot: count those that are waiting.".to_owned()
        }
        None => format!(
            "Next: write the day's cards, then ask {} --alloy {} --section {} before pouring.",
            sorted.week.facts.command("next"),
            wording::argument(&trial.alloy),
            wording::argument(&trial.section)
        ),
    };
    text
}

pub(super) fn section(sorted: &Sorted<'_>) -> Section {
    let strata = &sorted.week.evidence.strata;
    let shown = &sorted.week.shop.shown;
    let mut blocks = Vec::new();
    if strata.is_empty() {
        let facts = &sorted.week.facts;
        blocks.push(
            Block::missing(
                "There is nothing to go by yet: no flask has been poured and written down. Pour as you always do.",
                "Give each flask a card with alloy, section and pieces, and count its pieces after washing:",
            )
            .with_lines([
                format!(
                    "{} --label A --alloy sterling-925 --section medium --pieces 24",
                    facts.command("record flask")
                ),
                format!(
                    "{} --flask A --pieces 24 --defective 2 --kind no-fill=2 --others-none",
                    facts.command("record inspection")
                ),
            ]),
        );
    } else {
        // Flasks without a name are in the figures; they are no kind of work to pour.
        let (named, nameless): (Vec<&Stratum>, Vec<&Stratum>) = strata
            .iter()
            .partition(|s| s.alloy.is_some() && s.section.is_some());
        let rows: Vec<Answer> = named.iter().take(MOST).map(|s| row(sorted, s)).collect();
        if !rows.is_empty() {
            blocks.push(Block::Answers { rows });
        }
        if named.len() > MOST {
            let rest: Vec<String> = named
                .iter()
                .skip(MOST)
                .map(|s| format!("{} ({})", name(s), verdict(s, shown).to_lowercase()))
                .collect();
            blocks.push(Block::text(format!(
                "And of {}: {}.",
                wording::count(rest.len() as u64, "more kind"),
                wording::list_most(&rest, 12)
            )));
        }
        let lost: usize = nameless
            .iter()
            .map(|s| s.flasks + s.flasks_uninspected)
            .sum();
        if lost > 0 {
            blocks.push(Block::missing(
                format!(
                    "{} {} no alloy or no section on record and can advise nothing.",
                    wording::count(lost as u64, "flask"),
                    if lost == 1 { "has" } else { "have" }
                ),
                "Write both on each card; a pour that is matched to no card has neither.",
            ));
        }
        blocks.push(Block::small(READING));
    }
    Section {
        id: "answers",
        title: "What to pour at".to_owned(),
        blocks,
    }
}

/// How to read the answers.
const READING: &str = "Weak evidence: enough flasks to look, but no better temperature is clear of chance, or something stands against it. Fair: shown at a formal look agreed beforehand or by a completed trial, worth following. Strong: shown by both. A 95 % interval holds the true rate in 95 of 100 such books; the wider it is, the less is known. A defect that heat can steer is of a kind that goes with the pour's or the flask's temperature, such as no-fill or gas porosity.";
