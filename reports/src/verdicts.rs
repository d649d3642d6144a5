//! What is said of a pull, in words and in the order of how much it matters.

use analysis::pour::{PullRow, Verdict};
use analysis::units::ShownIn;
use jiff::tz::TimeZone;

use crate::table::{Cell, Table};
use crate::wording;

/// How to read the table of pulls.
pub const READING: &str = "Depth is how far the vacuum went below the air's own pressure. The time constant says how fast: each time it passes, about two thirds of what was left to pull is gone; ± is its standard error. Verdicts hold a pull against this machine's own good ones.";

/// The verdict as a word.
pub fn word(pull: &PullRow) -> &'static str {
    match pull.verdict {
        Verdict::Good => "good",
        Verdict::Weak => "weak",
        Verdict::Missing => "missing",
        Verdict::Unknown => "cannot tell",
    }
}

/// Whether the pull asks for attention.
pub fn is_bad(pull: &PullRow) -> bool {
    matches!(pull.verdict, Verdict::Weak | Verdict::Missing)
}

/// The pulls as a table; with the day for a week of them, without it for one session.
pub fn table(pulls: &[PullRow], shown: &ShownIn, zone: &TimeZone, with_day: bool) -> Table {
    let vacuum = shown.vacuum(0.0).unit;
    let mut table = Table::new(
        "Pulls of vacuum and their verdicts",
        &[
            "machine",
            "opened",
            "verdict",
            &format!("#depth below air [{vacuum}]"),
            "#of what the air allows",
            "#lasted",
            "#time to 90 %",
            "#time constant",
            &format!("#lost once shut [{vacuum}/min]"),
            "then",
        ],
    );
    let number = |v: Option<f64>, show: &dyn Fn(f64) -> String| {
        Cell::plain(v.filter(|v| v.is_finite()).map(show).unwrap_or_default())
    };
    for p in pulls {
        let opened = if with_day {
            wording::unbroken(&wording::day_and_time(p.opened_at, zone))
        } else {
            wording::clock_seconds(p.opened_at, zone)
        };
        let tau = match (p.tau_s, p.tau_se_s) {
            // A standard error that would print as nothing is left out, not shown as certainty.
            (Some(t), Some(se)) if t.is_finite() && se >= 0.05 => format!("{t:.1} ± {se:.1} s"),
            (Some(t), _) if t.is_finite() => format!("{t:.1} s"),
            _ => String::new(),
        };
        table.push(vec![
            if with_day {
                Cell::typed(&p.machine)
            } else {
                Cell::plain("")
            },
            Cell::plain(opened),
            Cell::plain(word(p)).strong_if(is_bad(p)),
            number(p.depth_kpa, &|k| shown.vacuum(k).number()),
            number(p.share, &|s| shown.share(s).to_string()),
            Cell::plain(
                p.closed_at
                    .map(|c| wording::span(c.seconds_since(p.opened_at)))
                    .unwrap_or_default(),
            ),
            number(p.time_to_90_s, &wording::span),
            Cell::plain(tau),
            number(p.loss_kpa_min, &|k| shown.vacuum(k).number()),
            Cell::plain(if p.poured {
                "poured"
            } else {
                "called\u{a0}off"
            }),
        ]);
    }
    table.without_empty_columns()
}
