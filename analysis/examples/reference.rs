//! Prints what this crate computes, as JSON, for the reference checks in `tests/reference`,
//! which compute the same with other packages: `reference proportions`, `reference units`,
//! `reference air`, `reference cooling`, `reference watch`, `reference rates FILE.csv` (columns
//! cluster, events, trials), `reference models FILE.json` (tables to fit models to), or
//! `reference curve FILE.csv` (columns cluster, events, trials, setting).

#[path = "reference/curve.rs"]
mod curve;
#[path = "reference/models.rs"]
mod models;
#[path = "reference/watch.rs"]
mod watch;

use std::process::ExitCode;

use analysis::atmosphere::standard_pressure_kpa;
use analysis::channel::Quantity;
use analysis::cooling::{Mould, Way, cooled, with_constant_coefficient};
use analysis::gas::Gas;
use analysis::gas::flow_tube::{TubeGas, actual_flow_l_min};
use analysis::stats::proportion::{clopper_pearson, korn_graubard, wilson};
use analysis::stats::rate::{Tally, Totals};
use analysis::units::{Unit, accepted_words};
use serde_json::{Value, json};

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let answer = match words.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["proportions"] => Ok(proportions()),
        ["units"] => Ok(units()),
        ["air"] => Ok(air()),
        ["cooling"] => Ok(cooling()),
        ["watch"] => Ok(watch::all()),
        ["rates", file] => rates(file),
        ["models", file] => models::models(file),
        ["curve", file] => curve::curve(file),
        _ => Err(
            "use: reference proportions | units | air | cooling | watch | rates FILE.csv \
             | models FILE.json | curve FILE.csv"
                .to_owned(),
        ),
    };
    match answer {
        Ok(json) => {
            println!("{json}");
            ExitCode::SUCCESS
        }
        Err(why) => {
            eprintln!("{why}");
            ExitCode::FAILURE
        }
    }
}

/// Wilson's and exact limits over small, published and large counts, whole and effective.
fn proportions() -> Value {
    let mut counts: Vec<(f64, f64)> = vec![
        (81.0, 263.0),
        (15.0, 148.0),
        (0.0, 20.0),
        (1.0, 29.0),
        (2.4, 61.7),
        (0.8, 13.3),
        (12.9, 13.0),
        (0.35, 0.9),
    ];
    for trials in [1u32, 2, 5, 10, 20, 60, 300, 1200, 20_000] {
        for tenths in 0..=10 {
            counts.push((f64::from(trials * tenths / 10), f64::from(trials)));
        }
    }
    let mut rows = Vec::new();
    for (events, trials) in counts {
        for confidence in [0.8, 0.9, 0.95, 0.99, 0.999] {
            let limits = |i: Option<analysis::stats::proportion::Interval>| {
                i.map(|i| json!([i.low, i.high]))
            };
            let clustered: Vec<Value> = [(1.0, None), (2.5, None), (2.5, Some(6)), (4.0, Some(30))]
                .into_iter()
                .filter(|_| trials > 1.0)
                .map(|(deff, clusters)| {
                    let i = korn_graubard(events / trials, trials, deff, clusters, confidence);
                    json!({"design_effect": deff, "clusters": clusters, "limits": limits(i)})
                })
                .collect();
            rows.push(json!({
                "events": events,
                "trials": trials,
                "confidence": confidence,
                "wilson": limits(wilson(events, trials, confidence)),
                "exact": limits(clopper_pearson(events, trials, confidence)),
                "korn_graubard": clustered,
            }));
        }
    }
    json!(rows)
}

/// Every unit's word, with readings turned into the stored unit.
fn units() -> Value {
    let mut rows = Vec::new();
    for quantity in [Quantity::Temperature, Quantity::Vacuum, Quantity::Flow] {
        for word in accepted_words(quantity).split(", ") {
            let Ok(unit) = Unit::parse_for(quantity, word) else {
                continue;
            };
            for reading in [-40.0, 0.0, 1.0, 25.0, 29.92, 760.0, 1775.0] {
                rows.push(json!({
                    "unit": word,
                    "stored_in": Unit::canonical(quantity).word(),
                    "reading": reading,
                    "stored": unit.to_canonical(reading),
                    "back": unit.from_canonical(unit.to_canonical(reading)),
                    "difference_stored": unit.difference_to_canonical(reading),
                }));
            }
        }
    }
    json!(rows)
}

/// The standard atmosphere, and gases through tubes scaled for others.
fn air() -> Value {
    let atmosphere: Vec<Value> = (0..=30)
        .map(|n| f64::from(n) * 100.0)
        .map(|m| json!({"altitude_m": m, "kpa": standard_pressure_kpa(m)}))
        .collect();
    let mut tubes = Vec::new();
    for (scale, scale_word) in [
        (Gas::Air, "air"),
        (Gas::Nitrogen, "nitrogen"),
        (Gas::Argon, "argon"),
    ] {
        for (kpa, celsius) in [(101.325, 20.0), (79.5, 35.0), (200.0, 0.0)] {
            let of = |gas, absolute_kpa, temperature_c| TubeGas {
                gas,
                absolute_kpa,
                temperature_c,
            };
            tubes.push(json!({
                "scale": scale_word,
                "kpa": kpa,
                "celsius": celsius,
                "argon_per_shown": actual_flow_l_min(
                    1.0,
                    of(scale, 101.325, 20.0),
                    of(Gas::Argon, kpa, celsius)
                ),
            }));
        }
    }
    json!({"atmosphere": atmosphere, "tubes": tubes})
}

/// Flasks that cool: with a constant coefficient at several depths, and in air.
fn cooling() -> Value {
    let usual = Mould::default();
    let depths_mm = [0.0, 3.0, 10.0, 20.0];
    let mut constant = Vec::new();
    let mut in_air = Vec::new();
    for diameter_mm in [75.0, 100.0, 150.0] {
        for seconds in [30.0, 60.0, 120.0, 300.0, 600.0] {
            for h in [10.0, 43.0, 62.0] {
                let over_k =
                    with_constant_coefficient(&usual, diameter_mm, h, 600.0, seconds, &depths_mm);
                constant.push(json!({
                    "diameter_mm": diameter_mm,
                    "h_w_m2k": h,
                    "seconds": seconds,
                    "depths_mm": depths_mm,
                    "over_k": over_k,
                }));
            }
            for (conductivity_w_mk, wall_loss) in [(0.3, 1.0), (0.5, 1.0), (0.8, 0.6)] {
                let mould = Mould {
                    conductivity_w_mk,
                    wall_loss,
                    ..usual
                };
                let flask = cooled(
                    &mould,
                    &Way {
                        kiln_c: 600.0,
                        kiln_sd_k: 0.0,
                        seconds,
                        seconds_sd: 0.0,
                        diameter_mm: Some(diameter_mm),
                    },
                );
                in_air.push(json!({
                    "diameter_mm": diameter_mm,
                    "seconds": seconds,
                    "conductivity_w_mk": conductivity_w_mk,
                    "wall_loss": wall_loss,
                    "pieces_c": flask.map(|f| f.pieces.celsius),
                    "axis_c": flask.map(|f| f.axis.celsius),
                    "wall_c": flask.map(|f| f.wall_c),
                }));
            }
        }
    }
    json!({
        "capacity_j_m3k": usual.capacity_j_m3k,
        "conductivity_w_mk": usual.conductivity_w_mk,
        "constant": constant,
        "in_air": in_air,
    })
}

/// The rate over a table of clusters.
fn rates(file: &str) -> Result<Value, String> {
    let text = std::fs::read_to_string(file).map_err(|e| format!("{file}: {e}"))?;
    let mut rows: Vec<(String, u32, u32)> = Vec::new();
    for (number, line) in text.lines().enumerate().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let row = match cells[..] {
            [cluster, events, trials, ..] => events
                .parse()
                .ok()
                .zip(trials.parse().ok())
                .map(|(events, trials)| (cluster.to_owned(), events, trials)),
            _ => None,
        };
        rows.push(
            row.ok_or_else(|| format!("{file} line {}: not cluster, events, trials", number + 1))?,
        );
    }
    let tallies: Vec<Tally> = rows
        .iter()
        .map(|(session, events, pieces)| Tally {
            session,
            events: *events,
            pieces: *pieces,
        })
        .collect();
    let totals = Totals::of(&tallies);
    Ok(json!({
        "events": totals.events,
        "trials": totals.pieces,
        "clusters": totals.sessions,
        "estimate": totals.estimate(),
        "robust_variance": totals.robust_variance(),
        "design_effect": totals.design_effect(),
        "assumed_design_effect": totals.assumed_design_effect(None),
        "rate": totals.rate(None),
    }))
}
