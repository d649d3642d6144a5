//! `pourbook evidence`: what pour temperature the evidence supports, the rates behind it and what
//! each setting did, with how sure each is; the same numbers as the report.

use analysis::alloy::Alloys;
use analysis::evidence::{
    Evidence, Factor, Method as Fit, Outcome, Question, Shape, Spread, evidence, outcome_words,
    percent_range, share_number,
};
use analysis::flask::Flask;
use analysis::stats::rate::{Method, Rate};
use clap::{Args, ValueEnum};

use super::evidence_tables::{print_kinds, print_model, print_stratum};
use super::open::{Opened, day_or_time};
use super::{BookArg, WrongUse, out};
use crate::trials;

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
    let mut ask = Question {
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
    ask.trials = trials::said(&opened.records, &flasks, &ask, opened.now)?;
    let at = ask.until.map_or(opened.now, |until| until.min(opened.now));
    ask.meant = opened.records.meant_at(at)?;
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
            pieces: Some(177),
            defective: Some(13),
            kinds: BTreeMap::from([("gas-porosity".to_owned(), 5)]),
            ..Flask::default()
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
