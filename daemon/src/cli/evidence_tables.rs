//! The tables and sentences of `pourbook evidence`, as a caster reads them.

use analysis::defect::Side;
use analysis::evidence::{
    CurvePoint, KindRate, Model, Stratum, Term, percent_number, percent_range, share_number,
};
use analysis::units::ShownIn;

use super::out;

/// An alloy and section: the answer, how it came to be, and the rates behind it.
pub(super) fn print_stratum(stratum: &Stratum, shown: &ShownIn) -> anyhow::Result<()> {
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
pub(super) fn print_model(model: &Model) -> anyhow::Result<()> {
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
pub(super) fn print_kinds(kinds: &[KindRate]) -> anyhow::Result<()> {
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
