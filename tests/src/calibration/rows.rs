//! The kinds of shops in the table, each with the seeds it is drawn from.

use sample_data::ledger::plan::Size;
use sample_data::ledger::{Heat, Plan};

/// A row of the table.
#[derive(Clone, Debug)]
pub struct Row {
    /// A short name, to ask for it by.
    pub name: String,
    /// What it is, in words.
    pub words: String,
    /// Its shops.
    pub plan: Plan,
    /// Its first seed; shops have this and the following ones.
    pub seed: u64,
}

/// Flasks of the sizes asked about.
pub const SIZES: [usize; 3] = [30, 100, 300];

/// Rows that are looked at once, at the end.
pub fn rows() -> Vec<Row> {
    let mut rows = Vec::new();
    let mut add = |name: String, words: String, plan: Plan| {
        // Far apart, so that rows share no shop however many are drawn.
        let seed = 100_000 * (rows.len() as u64 + 1);
        rows.push(Row {
            name,
            words,
            plan,
            seed,
        });
    };
    let shapes: [(&str, &str, f64, Heat); 4] = [
        ("none", "no effect", 0.0, Heat::none()),
        ("cup", "U, poured 12 K too cool", -12.0, Heat::cup()),
        ("right", "U, poured right", 0.0, Heat::cup()),
        ("one-sided", "only misruns", -8.0, Heat::one_sided()),
    ];
    for (name, words, off_k, heat) in shapes {
        for flasks in SIZES {
            add(
                format!("{name}-{flasks}"),
                format!("{words}, {flasks} flasks"),
                Plan::medium(Size::Flasks(flasks), off_k, heat),
            );
        }
    }
    add(
        "sections".to_owned(),
        "U in three sections, 600 flasks".to_owned(),
        Plan::three_sections(Size::Flasks(600), Heat::cup()),
    );
    add(
        "wandering".to_owned(),
        "no effect, but quality wanders for weeks, 300 flasks".to_owned(),
        Plan {
            session_memory: 0.9,
            ..Plan::medium(Size::Flasks(300), 0.0, Heat::none())
        },
    );
    rows
}

/// Shops of no effect that are looked at every week for five years.
pub fn watched() -> Vec<Row> {
    let years = Size::Weeks(260);
    let row = |name: &str, words: &str, plan: Plan, seed: u64| Row {
        name: name.to_owned(),
        words: words.to_owned(),
        plan,
        seed,
    };
    vec![
        row(
            "watched",
            "one section",
            Plan::medium(years, 0.0, Heat::none()),
            10_000_000,
        ),
        row(
            "watched-sections",
            "three sections",
            Plan::three_sections(years, Heat::none()),
            10_100_000,
        ),
        row(
            "watched-wandering",
            "one section, and quality wanders for weeks",
            Plan {
                session_memory: 0.9,
                ..Plan::medium(years, 0.0, Heat::none())
            },
            10_200_000,
        ),
    ]
}

/// Shops that follow advice again and again, after 100 flasks poured as ever.
pub fn followed() -> Vec<Row> {
    let shapes: [(&str, &str, f64, Heat); 3] = [
        (
            "followed-cup",
            "U, poured 12 K too cool",
            -12.0,
            Heat::cup(),
        ),
        ("followed-right", "U, poured right", 0.0, Heat::cup()),
        (
            "followed-one-sided",
            "only misruns",
            -8.0,
            Heat::one_sided(),
        ),
    ];
    shapes
        .into_iter()
        .zip(0_u64..)
        .map(|((name, words, off_k, heat), i)| Row {
            name: name.to_owned(),
            words: words.to_owned(),
            plan: Plan::medium(Size::Flasks(100), off_k, heat),
            seed: 21_000_000 + 100_000 * i,
        })
        .collect()
}

/// Shops that carry out a trial, after 100 flasks poured as ever.
pub fn trials() -> Vec<Row> {
    let shapes: [(&str, &str, f64, Heat); 3] = [
        ("trial-none", "no effect", 0.0, Heat::none()),
        ("trial-cup", "U, poured 12 K too cool", -12.0, Heat::cup()),
        ("trial-one-sided", "only misruns", -8.0, Heat::one_sided()),
    ];
    shapes
        .into_iter()
        .zip(0_u64..)
        .map(|((name, words, off_k, heat), i)| Row {
            name: name.to_owned(),
            words: words.to_owned(),
            // Sizes are the trial's business.
            plan: Plan::medium(Size::Flasks(0), off_k, heat),
            seed: 20_000_000 + 100_000 * i,
        })
        .collect()
}
