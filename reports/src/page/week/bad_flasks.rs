//! Each bad flask of the week beside the nearest good one of the same alloy and section, and
//! in which settings the two differed by more than a bench can tell apart.

use analysis::flask::Flask;
use analysis::thermocouple::ONE_AGAINST_ONE_K;
use analysis::units::ShownIn;

use super::every_flask::kinds_of;
use super::sorted::Sorted;
use crate::page::sheet::{Block, Section};
use crate::rates::Counting;
use crate::table::{Cell, Table};
use crate::wording;

/// Fewest defective pieces of a bad flask.
const LEAST_DEFECTIVE: u32 = 2;
/// A bad flask has at least this many times the usual share of its alloy and section.
const TIMES_USUAL: f64 = 2.0;
/// And at least this share, so that a shop with hardly any defects is not told of every one.
const LEAST_SHARE: f64 = 0.1;
/// Most bad flasks shown.
const MOST: usize = 6;

/// A setting in which two flasks can differ.
struct Setting {
    name: &'static str,
    get: fn(&Flask) -> Option<f64>,
    /// A difference as large as this is one step: common practice of what a bench can tell
    /// apart (shop gauges repeat to about 15 mbar; for the pour, what one probe can tell).
    step: f64,
    show: fn(&ShownIn, f64) -> String,
}

const SETTINGS: [Setting; 6] = [
    Setting {
        name: "pour temperature",
        get: |f| f.pour_temperature_c,
        step: ONE_AGAINST_ONE_K,
        show: |s, v| s.temperature(v).to_string(),
    },
    Setting {
        name: "flask temperature",
        get: |f| f.flask_temperature_c,
        step: 15.0,
        show: |s, v| s.temperature(v).to_string(),
    },
    Setting {
        name: "vacuum",
        get: |f| f.vacuum_kpa,
        step: 2.0,
        show: |s, v| s.vacuum(v).to_string(),
    },
    Setting {
        name: "cover gas",
        get: |f| f.gas_flow_l_min,
        step: 0.7,
        show: |s, v| s.flow(v).to_string(),
    },
    Setting {
        name: "soak",
        get: |f| f.soak_min,
        step: 20.0,
        show: |_, v| format!("{v:.0} min"),
    },
    Setting {
        name: "gasket age",
        get: |f| f.seal_age_pours.map(f64::from),
        step: 25.0,
        show: |_, v| wording::count(v as u64, "pour"),
    },
];

fn share(any: &Counting, f: &Flask) -> Option<f64> {
    any.counts(f).map(|(p, d)| f64::from(d) / f64::from(p))
}

fn same_work(a: &Flask, b: &Flask) -> bool {
    a.alloy == b.alloy && a.section == b.section
}

/// The bad flasks of the week, worst first.
pub(super) fn bad<'a>(sorted: &Sorted<'a>) -> Vec<&'a Flask> {
    let mut bad: Vec<(&Flask, f64)> = sorted
        .now
        .iter()
        .filter_map(|f| {
            let (_, defective) = sorted.any.counts(f)?;
            let share = share(&sorted.any, f)?;
            let like: Vec<&Flask> = sorted
                .before
                .iter()
                .copied()
                .filter(|g| same_work(f, g))
                .collect();
            let usual = sorted.any.rate(&like, None).map_or(0.0, |r| r.estimate);
            (defective >= LEAST_DEFECTIVE && share >= LEAST_SHARE && share >= TIMES_USUAL * usual)
                .then_some((*f, share))
        })
        .collect();
    bad.sort_by(|a, b| b.1.total_cmp(&a.1));
    bad.into_iter().map(|(f, _)| f).collect()
}

/// How far apart two flasks are in their settings, in steps; settings that either lacks cost
/// one step, so that a flask about which little is known is not called near.
fn distance(a: &Flask, b: &Flask) -> f64 {
    SETTINGS
        .iter()
        .map(|s| match ((s.get)(a), (s.get)(b)) {
            (Some(x), Some(y)) if x.is_finite() && y.is_finite() => ((x - y) / s.step).powi(2),
            (None, None) => 0.0,
            _ => 1.0,
        })
        .sum()
}

/// The good flask most like this one: at most half the least share of a bad one, same alloy
/// and section, of this week or the eight before.
fn nearest_good<'a>(sorted: &Sorted<'a>, bad: &Flask) -> Option<&'a Flask> {
    let same_pattern = |f: &Flask| f.pattern.is_some() && f.pattern == bad.pattern;
    sorted
        .before
        .iter()
        .chain(&sorted.now)
        .copied()
        .filter(|f| {
            same_work(f, bad) && share(&sorted.any, f).is_some_and(|s| s <= LEAST_SHARE / 2.0)
        })
        .min_by(|a, b| {
            // Of the same pattern first, then by settings.
            same_pattern(b)
                .cmp(&same_pattern(a))
                .then(distance(a, bad).total_cmp(&distance(b, bad)))
        })
}

fn differences(bad: &Flask, good: &Flask, shown: &ShownIn) -> String {
    let mut parts: Vec<String> = SETTINGS
        .iter()
        .filter_map(|s| {
            let (x, y) = ((s.get)(bad)?, (s.get)(good)?);
            ((x - y).abs() >= s.step).then(|| {
                format!(
                    "{} {} against {}",
                    s.name,
                    (s.show)(shown, x),
                    (s.show)(shown, y)
                )
            })
        })
        .collect();
    if bad.pattern != good.pattern {
        parts.push("another pattern".to_owned());
    }
    let both = |s: &&Setting| (s.get)(bad).is_some() && (s.get)(good).is_some();
    if parts.is_empty() && SETTINGS.iter().any(|s| both(&s)) {
        // A difference that the sensors cannot tell is no difference, and is said to be so.
        "nothing that the sensors can tell apart".to_owned()
    } else if parts.is_empty() {
        "no setting that was recorded".to_owned()
    } else {
        parts.join("; ")
    }
}

pub(super) fn section(sorted: &Sorted<'_>) -> Section {
    let bad = bad(sorted);
    let shown = &sorted.week.shop.shown;
    let blocks = if bad.is_empty() {
        let counted = sorted.now.iter().any(|f| share(&sorted.any, f).is_some());
        vec![if sorted.now.is_empty() {
            Block::text("No flask was poured this week.")
        } else if counted {
            Block::text(format!(
                "No flask of the week stands out: none lost {LEAST_DEFECTIVE} pieces or more at twice the usual share of its alloy and section."
            ))
        } else {
            Block::missing(
                "None of the week's flasks has been counted, so a bad one cannot be told.",
                "Count the pieces of each flask after washing; which ones is said below.",
            )
        }]
    } else {
        let mut table = Table::new(
            "Bad flasks, each beside the nearest good one",
            &[
                "flask",
                "#defective",
                "kinds",
                "nearest good one",
                "what differed",
            ],
        );
        for f in bad.iter().take(MOST) {
            let (pieces, defective) = sorted.any.counts(f).unwrap_or((0, 0));
            let good = nearest_good(sorted, f);
            let mut differed = good.map_or_else(
                || "no good flask of this alloy and section to compare with".to_owned(),
                |g| differences(f, g, shown),
            );
            if let Some(why) = &f.set_aside {
                differed = format!(
                    "{}; set aside: {}",
                    differed,
                    wording::isolated(&why.reason)
                );
            }
            table.push(vec![
                Cell::plain(sorted.name(f)).strong_if(true),
                Cell::plain(format!("{defective} of {pieces}")),
                Cell::typed(&kinds_of(f)),
                Cell::plain(good.map(|g| sorted.name(g)).unwrap_or_default()),
                Cell::plain(differed),
            ]);
        }
        let mut blocks = vec![
            Block::text(format!(
                "{} lost {LEAST_DEFECTIVE} pieces or more at twice the usual share of its alloy and section. Beside each stands the good flask nearest to it: of the same pattern if there is one, then with the closest settings. A difference is a place to look, not a proven cause.",
                if bad.len() == 1 {
                    "1 flask".to_owned()
                } else {
                    format!("Each of {} flasks", bad.len())
                }
            )),
            Block::Table {
                table: table.without_empty_columns().restacking(),
            },
        ];
        if bad.len() > MOST {
            let rest: Vec<String> = bad.iter().skip(MOST).map(|f| sorted.name(f)).collect();
            blocks.push(Block::text(format!(
                "Less bad, but bad too: {}.",
                wording::list_most(&rest, 12)
            )));
        }
        blocks
    };
    Section {
        id: "bad",
        title: "Bad flasks".to_owned(),
        blocks,
    }
}
