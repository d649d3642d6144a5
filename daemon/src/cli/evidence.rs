//! `pourbook evidence`: what pour temperature the evidence supports, the rates behind it and what
//! each setting did, with how sure each is; the same numbers as the report.

use analysis::alloy::Alloys;
use analysis::defect::Side;
use analysis::evidence::{
    CurvePoint, Evidence, Factor, KindRate, Method as Fit, Model, Outcome, Question, Shape, Spread,
    Stratum, Term, evidence, outcome_words, percent_number, percent_range, share_number,
};
use analysis::flask::Flask;
use analysis::stats::rate::{Method, Rate};
use analysis::units::ShownIn;
use clap::{Args, ValueEnum};

use super::open::{Opened, day_or_time};
use super::{BookArg, WrongUse, out};

/// What to pour at, how sure, and what each setting did.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  pourbook evidence --alloy sterling-925 --section thin\n  pourbook evidence --outcome gas-porosity --factor pour_temperature --factor vacuum_share --json"
)]
pub struct EvidenceArgs {
    #[command(flatten)]
    book: BookArg,
    /// What counts: any, steering (kinds that may steer the pour temperature), or a defect kind
    #[arg(long, default_value = "steering", value_name = "any|steering|KIND")]
    outcome: String,
    /// Flasks cast from this day or time on
    #[arg(long, value_name = "DAY|TIME")]
    since: Option<String>,
    /// Flasks cast before this day or time
    #[arg(long, value_name = "DAY|TIME")]
    until: Option<String>,
    /// This alloy only
    #[arg(long)]
    alloy: Option<String>,
    /// This section only: thin, medium, heavy or mixed
    #[arg(long)]
    section: Option<String>,
    /// Hold this setting in the model, and only those named (repeat it for more)
    #[arg(long, value_name = "NAME")]
    factor: Vec<String>,
    /// Whether the pour temperature is a line or a curve in the models
    #[arg(long, value_enum)]
    shape: Option<ShapeWord>,
    /// What standard errors allow for: sessions that differ, flasks that differ, or chance alone
    #[arg(long, value_enum)]
    uncertainty: Option<SpreadWord>,
    /// How models are fitted: maximum likelihood, Firth's penalty, or sessions with own levels
    #[arg(long, value_enum)]
    method: Option<FitWord>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum ShapeWord {
    Line,
    Curve,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum SpreadWord {
    Session,
    Flask,
    Plain,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum FitWord {
    Glm,
    Firth,
    Mixed,
}

/// Runs the command.
pub fn evidence_of(args: &EvidenceArgs) -> anyhow::Result<()> {
    let opened = Opened::read(&args.book.book())?;
    let zone = &opened.config.shop.time_zone;
    let wrong = |e: &dyn std::fmt::Display| WrongUse(e.to_string());
    let alloys = Alloys::standard();
    if let Some(alloy) = &args.alloy {
        // An alloy of the shop's own may be in the records without being in the table.
        let own = opened.records.flasks_table(None, None)?;
        if alloys.get(alloy).is_none() && !own.iter().any(|f| f.alloy.as_ref() == Some(alloy)) {
            alloys.find(alloy).map_err(|e| wrong(&e))?;
        }
    }
    let flasks = opened.records.flasks_table(None, None)?;
    if let Some(section) = &args.section {
        known_section(section, &flasks)?;
    }
    let ask = Question {
        outcome: Outcome::parse(&args.outcome, &opened.config.defect_kinds)
            .map_err(|e| wrong(&e))?,
        since: args
            .since
            .as_deref()
            .map(|t| day_or_time(t, zone))
            .transpose()?,
        until: args
            .until
            .as_deref()
            .map(|t| day_or_time(t, zone))
            .transpose()?,
        alloy: args.alloy.clone(),
        section: args.section.clone(),
        shown_in: opened.config.shop.shown_in,
        kinds: opened.config.defect_kinds.clone(),
        alloys,
        factors: args
            .factor
            .iter()
            .map(|name| Factor::parse(name).map_err(|e| wrong(&e)))
            .collect::<Result<_, _>>()?,
        shape: args.shape.map(|shape| match shape {
            ShapeWord::Line => Shape::Line,
            ShapeWord::Curve => Shape::Curve,
        }),
        spread: args.uncertainty.map(|spread| match spread {
            SpreadWord::Session => Spread::Session,
            SpreadWord::Flask => Spread::Flask,
            SpreadWord::Plain => Spread::Plain,
        }),
        method: args.method.map(|fit| match fit {
            FitWord::Glm => Fit::Glm,
            FitWord::Firth => Fit::Firth,
            FitWord::Mixed => Fit::Mixed,
        }),
        ..Question::default()
    };
    if let (Some(since), Some(until)) = (ask.since, ask.until)
        && since >= until
    {
        return Err(wrong(&"--since must be before --until").into());
    }
    let found = evidence(&flasks, &ask);
    if args.json {
        return out::json_lines(&[found]);
    }
    let shown = &opened.config.shop.shown_in;
    match &found.rate {
        None => out::line("No inspected flasks in that selection: record inspections first.")?,
        Some(rate) => out::line(&headline(&found, rate, &ask.outcome))?,
    }
    for stratum in &found.strata {
        print_stratum(stratum, shown)?;
    }
    if let Some(model) = &found.model {
        print_model(model)?;
    }
    print_kinds(&found.kinds)?;
    for note in &found.notes {
        out::line("")?;
        out::line(note)?;
    }
    Ok(())
}

/// An alloy and section: the answer, how it came to be, and the rates behind it.
fn print_stratum(stratum: &Stratum, shown: &ShownIn) -> anyhow::Result<()> {
    out::line("")?;
    out::line(&stratum.advice.sentence)?;
    if let Some(look) = stratum.look.as_ref().filter(|_| !stratum.curve.is_empty()) {
        let next = match look.next_at_sessions {
            Some(next) => format!(
                "the next comes at {next} sessions of the book, now {}",
                look.sessions
            ),
            None => "no more come".to_owned(),
        };
        out::line(&match look.number {
            0 => format!("Formal looks: none yet; {next}."),
            n => format!("Formal looks: {n} so far; {next}."),
        })?;
    }
    if let Some(second) = &stratum.second_opinion {
        out::line(&second.sentence)?;
    }
    for pair in &stratum.moves_together {
        out::line(&pair.sentence)?;
    }
    for note in &stratum.notes {
        out::line(note)?;
    }
    let rows = |points: &[CurvePoint]| -> Vec<Vec<String>> {
        points
            .iter()
            .map(|point| {
                vec![
                    shown.temperature(point.pour_temperature_c).to_string(),
                    share_number(point.rate_least, point.rate_most),
                    interval(point),
                    point.flasks_near.to_string(),
                ]
            })
            .collect()
    };
    if !stratum.steps.is_empty() {
        out::line("As counted, nothing held equal:")?;
        out::table(
            &["near", "rate", "95 % interval", "flasks"],
            &rows(&stratum.steps),
        )?;
    }
    if !stratum.curve.is_empty() {
        // Every degree is for charts; people read a dozen.
        let every = stratum.curve.len().div_ceil(12);
        let some: Vec<CurvePoint> = stratum.curve.iter().step_by(every).cloned().collect();
        out::line("By the model, other settings held equal (the intervals hold all at once):")?;
        let near = format!("flasks within {}", shown.difference(10.0));
        out::table(&["pour at", "rate", "95 % interval", &near], &rows(&some))?;
    }
    Ok(())
}

fn interval(point: &CurvePoint) -> String {
    match point.low.zip(point.high) {
        Some((low, high)) => percent_range(low, high),
        None => "too few sessions".to_owned(),
    }
}

/// What each setting did.
fn print_model(model: &Model) -> anyhow::Result<()> {
    out::line("")?;
    out::line(&format!(
        "What each setting did, the others held equal ({} of {}):",
        out::count(model.flasks as u64, "flask"),
        out::count(model.sessions as u64, "session"),
    ))?;
    let number = |v: Option<f64>, digits: usize| {
        v.map_or_else(|| "–".to_owned(), |v| format!("{v:.digits$}"))
    };
    let rows: Vec<Vec<String>> = model
        .terms
        .iter()
        .map(|t: &Term| {
            vec![
                t.name.clone(),
                t.unit.clone().unwrap_or_default(),
                format!("{:.5}", t.estimate),
                format!("{:.5}", t.std_error),
                number(t.statistic, 2),
                number(t.p, 4),
                number(t.p_holm, 4),
            ]
        })
        .collect();
    out::table(
        &[
            "setting",
            "unit",
            "log odds a unit",
            "± se",
            "t",
            "p",
            "p (Holm)",
        ],
        &rows,
    )?;
    for term in model.terms.iter().filter_map(|t| t.sentence.as_ref()) {
        out::line(term)?;
    }
    for note in &model.notes {
        out::line(note)?;
    }
    Ok(())
}

/// Kinds of defect, those that cannot follow the pour apart.
fn print_kinds(kinds: &[KindRate]) -> anyhow::Result<()> {
    let row = |kind: &KindRate| {
        let rate = kind.rate.as_ref();
        let heat = kind.terms.iter().find(|t| t.name == "pour_temperature");
        vec![
            kind.kind.clone(),
            rate.map_or_else(String::new, |r| format!("{} %", percent_number(r.estimate))),
            rate.map_or_else(String::new, |r| percent_range(r.low, r.high)),
            kind.flasks.to_string(),
            heat.map_or_else(String::new, |t| {
                let clear = t.p_holm.is_some_and(|p| p < 0.05);
                match (clear, t.estimate < 0.0) {
                    (false, _) => "no clear change".to_owned(),
                    (true, true) => "less".to_owned(),
                    (true, false) => "more".to_owned(),
                }
            }),
        ]
    };
    let header = [
        "kind",
        "rate",
        "95 % interval",
        "flasks",
        "with a hotter pour",
    ];
    let (apart, follow): (Vec<&KindRate>, Vec<&KindRate>) =
        kinds.iter().partition(|k| k.side == Some(Side::NotThePour));
    for (kinds, title) in [
        (follow, "By kind of defect:"),
        (apart, "Kinds that are not the pour's doing:"),
    ] {
        if !kinds.is_empty() {
            out::line("")?;
            out::line(title)?;
            let columns = if title.starts_with("By") { 5 } else { 4 };
            let rows: Vec<Vec<String>> = kinds
                .into_iter()
                .map(|k| row(k).into_iter().take(columns).collect())
                .collect();
            out::table(&header[..columns], &rows)?;
        }
    }
    Ok(())
}

/// The overall rate in one line.
fn headline(found: &Evidence, rate: &Rate, outcome: &Outcome) -> String {
    let had = outcome_words(outcome);
    let interval = percent_range(rate.low, rate.high);
    let rate_words = share_number(rate.least, rate.most);
    let seen = match (found.defective_least, rate.method) {
        (Some(least), Method::Bounds) => format!(
            "{least} to {} of {} had {had}, which was not always counted by itself \
             ({rate_words}, 95 % interval {interval})",
            found.defective,
            out::count(found.pieces, "piece"),
        ),
        _ => format!(
            "{} of {} had {had} ({rate_words}, 95 % interval {interval})",
            found.defective,
            out::count(found.pieces, "piece"),
        ),
    };
    format!(
        "{seen} in {} of {}{}.",
        out::count(found.flasks as u64, "flask"),
        out::count(found.sessions as u64, "session"),
        match found.flasks_uninspected {
            0 => String::new(),
            1 => "; 1 more flask is not inspected".to_owned(),
            n => format!("; {n} more flasks are not inspected"),
        }
    )
}

/// The words for a section; a shop's records may hold others, brought in long ago.
const SECTIONS: [&str; 4] = ["thin", "medium", "heavy", "mixed"];

/// That a section is one, or one the book holds.
pub fn known_section(section: &str, flasks: &[Flask]) -> Result<(), WrongUse> {
    let plain = section.trim().to_lowercase();
    let recorded = || {
        flasks
            .iter()
            .filter_map(|f| f.section.as_deref())
            .any(|s| s.trim().to_lowercase() == plain)
    };
    if SECTIONS.contains(&plain.as_str()) || recorded() {
        return Ok(());
    }
    Err(WrongUse(format!(
        "--section \"{section}\" is no section; write thin, medium, heavy or mixed"
    )))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::collections::BTreeMap;

    use analysis::time::Micros;

    use super::*;

    fn flask(section: &str) -> Flask {
        Flask {
            id: "1".to_owned(),
            label: "A".to_owned(),
            session: "s".to_owned(),
            machine: "bench-1".to_owned(),
            cast_at: Micros(0),
            alloy: Some("sterling-925".to_owned()),
            section: Some(section.to_owned()),
            pattern: None,
            pieces: Some(177),
            defective: Some(13),
            defective_steering: None,
            kinds: BTreeMap::from([("gas-porosity".to_owned(), 5)]),
            counted_blind: None,
            pour_temperature_c: None,
            flask_temperature_c: None,
            vacuum_kpa: None,
            vacuum_share: None,
            gas_flow_l_min: None,
            soak_min: None,
            seal_age_pours: None,
            remelt_percent: None,
            metal_g: None,
            set_aside: None,
        }
    }

    #[test]
    fn a_headline_shows_bounds_and_never_their_middle() {
        let flasks = [flask("thin")];
        let told = |outcome| {
            let ask = Question {
                outcome,
                ..Question::default()
            };
            let found = evidence(&flasks, &ask);
            headline(&found, &found.rate.unwrap(), &ask.outcome)
        };
        let steering = told(Outcome::Steering);
        assert!(
            steering.starts_with(
                "5 to 13 of 177 pieces had a defect that heat can steer, which was not always \
                 counted by itself (2.8–7.3 %, 95 % interval "
            ),
            "{steering}"
        );
        assert!(
            steering.ends_with(" in 1 flask of 1 session."),
            "{steering}"
        );
        let any = told(Outcome::Any);
        assert!(
            any.starts_with("13 of 177 pieces had a defect (7.3 %, 95 % interval "),
            "{any}"
        );
    }

    #[test]
    fn a_misspelt_section_is_wrong_use_and_an_old_word_of_the_shop_is_not() {
        let flasks = [flask("Filigree")];
        for good in ["thin", "Heavy", "mixed", "filigree"] {
            assert!(known_section(good, &flasks).is_ok(), "{good}");
        }
        assert!(known_section("thinn", &flasks).is_err());
    }
}
