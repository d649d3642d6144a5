//! What the pulls say in words and as a table.

use analysis::pour::Verdict;
use analysis::units::ShownIn;
use jiff::tz::TimeZone;

use super::{PHONE, Pull, Pulls};
use crate::table::{Cell, Table};
use crate::wording;

/// Rows of the table, the newest pulls; the bad ones among the others follow.
const ROWS: usize = 40;

pub(super) fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Good => "good",
        Verdict::Weak => "weak",
        Verdict::Missing => "missing",
        Verdict::Unknown => "cannot tell",
    }
}

pub(super) fn tip(p: &Pull, shown: &ShownIn, zone: &TimeZone) -> String {
    let mut text = format!(
        "{}: {}",
        wording::day_and_time(p.at, zone),
        verdict(p.verdict)
    );
    if let Some(depth) = p.depth_kpa.filter(|d| d.is_finite()) {
        text += &format!(", {}", shown.vacuum(depth));
    }
    if let Some(age) = p.age_pours {
        text += &format!(", gasket {}", wording::count(u64::from(age), "pour"));
    }
    if !p.poured {
        text += ", called off";
    }
    text
}

pub(super) fn note(pulls: &Pulls, drawn: usize, shown: &ShownIn, zone: &TimeZone) -> String {
    let newest = &pulls.pulls[pulls.pulls.len() - drawn..];
    let count = |v: Verdict| newest.iter().filter(|p| p.verdict == v).count() as u64;
    let mut text = format!(
        "{}: depth before the pour. Dots are good pulls",
        wording::isolated(&pulls.machine)
    );
    let mut shapes = Vec::new();
    if count(Verdict::Weak) > 0 {
        shapes.push("triangles weak ones");
    }
    if count(Verdict::Missing) > 0 {
        shapes.push("crosses missing ones");
    }
    if count(Verdict::Unknown) > 0 {
        shapes.push("rings those that the sensor cannot tell");
    }
    for shape in &shapes {
        text += &format!(", {shape}");
    }
    text += ".";
    if !shapes.is_empty() {
        text += " Marks at the foot lie below the scale.";
    }
    if drawn < pulls.pulls.len() {
        text += &format!(
            " Shown are the newest {drawn} of {}{}.",
            wording::count(pulls.pulls.len() as u64, "pull"),
            if drawn > PHONE {
                format!(", on a phone {PHONE}")
            } else {
                String::new()
            }
        );
    }
    let bad = count(Verdict::Weak) + count(Verdict::Missing);
    text += &format!(
        " {} of {} weak or missing.",
        bad,
        wording::count(drawn as u64, "pull")
    );
    if pulls.depth.as_ref().is_some_and(|w| w.chart.is_ok()) {
        text += " The line is the average since the newest gasket, smoothed; dashes are what it \
                 passes only if that fades.";
    }
    for watched in [&pulls.depth, &pulls.pump_down].into_iter().flatten() {
        let passed = watched
            .chart
            .as_ref()
            .ok()
            .and_then(|chart| chart.signals.last())
            .and_then(|signal| watched.points.get(signal.to));
        if let Some((at, _)) = passed {
            text += &format!(
                " {} passed it on {}.",
                match watched.subject {
                    analysis::watch::Subject::PumpDown => "Its pump-down time",
                    _ => "Its depth",
                },
                wording::day(*at, zone)
            );
        }
    }
    if let Some(p) = newest.last() {
        text += " The last";
        if let Some(depth) = p.depth_kpa.filter(|d| d.is_finite()) {
            text += &format!(" reached {}", shown.vacuum(depth));
        } else {
            text += " was not measured";
        }
        if let Some(age) = p.age_pours {
            text += &format!(
                " with a gasket of {}",
                wording::count(u64::from(age), "pour")
            );
        }
        text += ".";
    }
    text
}

pub(super) fn table(pulls: &Pulls, newest: &[Pull], shown: &ShownIn, zone: &TimeZone) -> Table {
    let mut table = Table::new(
        "Pulls of vacuum in numbers, newest first",
        &[
            "pull",
            &format!("#vacuum below air [{}]", shown.vacuum(0.0).unit),
            "#of what the air allows",
            "#pump-down time constant [s]",
            "#age of the gasket [pours]",
            "verdict",
        ],
    );
    let number = |v: Option<f64>, show: &dyn Fn(f64) -> String| {
        Cell::plain(v.filter(|v| v.is_finite()).map(show).unwrap_or_default())
    };
    for (i, p) in newest.iter().rev().enumerate() {
        let bad = matches!(p.verdict, Verdict::Weak | Verdict::Missing);
        if i >= ROWS && !bad {
            continue;
        }
        table.push(vec![
            Cell::plain(wording::unbroken(&wording::day_and_time(p.at, zone))),
            number(p.depth_kpa, &|k| shown.vacuum(k).number()),
            number(p.share, &|s| shown.share(s).to_string()),
            number(p.tau_s, &|s| crate::chart::style::fixed(s, 1)),
            Cell::plain(p.age_pours.map(|a| a.to_string()).unwrap_or_default()),
            Cell::plain(verdict(p.verdict)).strong_if(bad),
        ]);
    }
    for change in pulls.changes.iter().rev().take(ROWS) {
        table.push(vec![
            Cell::plain(wording::unbroken(&wording::day_and_time(change.at, zone))),
            Cell::plain(""),
            Cell::plain(""),
            Cell::plain(""),
            Cell::plain(""),
            Cell::plain(format!("{} changed", wording::isolated(&change.part))),
        ]);
    }
    table.without_empty_columns()
}
