//! What the checks of differences, sizes, adjusted p-values, permutation tests and control charts
//! compare: the same inputs that `tests/reference/check_watch.py` reads back and works again.

use analysis::stats::charts::ewma::{Ewma, Level};
use analysis::stats::charts::individuals::individuals;
use analysis::stats::charts::p_prime::p_prime;
use analysis::stats::charts::{Chart, Rule, Side};
use analysis::stats::difference::{newcombe, pooled_score_p};
use analysis::stats::holm::holm;
use analysis::stats::permutation::{sign_flips, within_blocks};
use analysis::stats::rate::Tally;
use analysis::stats::sample_size::{pieces_per_arm, power_with};
use analysis::stats::within_session::flask_design_effect;
use serde_json::{Value, json};

/// Numbers that look like chance and are the same everywhere: the fractional parts of multiples
/// of the golden ratio.
fn spread(count: usize, start: f64) -> Vec<f64> {
    (0..count)
        .map(|i| (start + i as f64 * 0.618_033_988_749_894_9).fract())
        .collect()
}

/// Everything.
pub fn all() -> Value {
    json!({
        "differences": differences(),
        "sizes": sizes(),
        "holm": adjusted(),
        "sign_flips": flips(),
        "within_blocks": blocks(),
        "charts": charts(),
        "flask_design_effect": likeness(),
    })
}

fn differences() -> Vec<Value> {
    let mut counts = vec![
        ((48.0, 80.0), (56.0, 70.0)),
        ((3.0, 10.0), (9.0, 10.0)),
        ((2.0, 7.0), (6.0, 7.0)),
        ((0.0, 29.0), (5.0, 56.0)),
        ((0.0, 20.0), (0.0, 10.0)),
        ((0.0, 20.0), (10.0, 10.0)),
        ((0.0, 10.0), (10.0, 10.0)),
        // Effective counts are seldom whole.
        ((7.3, 161.2), (3.1, 140.9)),
    ];
    for n in [5.0, 40.0, 700.0] {
        for a in [0.0, 0.2, 0.6, 1.0] {
            for b in [0.0, 0.4, 1.0] {
                counts.push(((n * a, n), (2.0 * n * b, 2.0 * n)));
            }
        }
    }
    let mut rows = Vec::new();
    for (first, second) in counts {
        for confidence in [0.9, 0.95, 0.98] {
            let d = newcombe(first, second, confidence);
            rows.push(json!({
                "first": first,
                "second": second,
                "confidence": confidence,
                "limits": d.map(|d| [d.low, d.high]),
                "pooled_score_p": pooled_score_p(first, second),
            }));
        }
    }
    rows
}

fn sizes() -> Vec<Value> {
    let mut rows = Vec::new();
    for (first, second) in [
        (0.5, 0.75),
        (0.25, 0.4),
        (0.05, 0.1),
        (0.05, 0.02),
        (0.12, 0.06),
        (0.3, 0.9),
    ] {
        for alpha in [0.05, 0.02, 0.0025] {
            for power in [0.8, 0.9] {
                let pieces = pieces_per_arm(first, second, alpha, power).ok();
                rows.push(json!({
                    "first": first,
                    "second": second,
                    "alpha": alpha,
                    "power": power,
                    "pieces": pieces,
                    "power_with_60": power_with(first, second, alpha, 60.0).ok(),
                    "power_with_600": power_with(first, second, alpha, 600.0).ok(),
                }));
            }
        }
    }
    rows
}

fn adjusted() -> Vec<Value> {
    (1..=25)
        .map(|n| {
            let p: Vec<f64> = spread(n, 0.1 * n as f64)
                .iter()
                .map(|u| u.powi(3))
                .collect();
            json!({"p": p, "adjusted": holm(&p).ok()})
        })
        .collect()
}

fn flips() -> Vec<Value> {
    (2..=12)
        .map(|n| {
            let scores: Vec<f64> = spread(n, 0.05 * n as f64)
                .iter()
                .map(|u| u - 0.35)
                .collect();
            json!({"scores": scores, "p": sign_flips(&scores, 1, 0).ok().map(|t| t.p)})
        })
        .collect()
}

fn blocks() -> Vec<Value> {
    [(2, 3), (3, 4), (5, 2), (2, 6)]
        .into_iter()
        .map(|(blocks, of)| {
            let values = spread(blocks * of, 0.2);
            let block: Vec<usize> = (0..values.len()).map(|i| i / of).collect();
            let chosen: Vec<bool> = (0..values.len()).map(|i| i % of < of.div_ceil(2)).collect();
            let test = within_blocks(&values, &chosen, &block, 1, 0).ok();
            json!({"values": values, "chosen": chosen, "block": block, "p": test.map(|t| t.p)})
        })
        .collect()
}

fn drawn(chart: &Chart) -> Value {
    let points: Vec<Value> = chart
        .points
        .iter()
        .map(|p| json!([p.value, p.centre, p.sd, p.low, p.high]))
        .collect();
    let signals: Vec<Value> = chart
        .signals
        .iter()
        .map(|s| {
            let rule = match s.rule {
                Rule::BeyondLimit => "beyond",
                Rule::TwoOfThreeFar => "two of three",
                Rule::EightOnOneSide => "eight",
            };
            json!([
                rule,
                if s.side == Side::High { 1 } else { -1 },
                s.from,
                s.to
            ])
        })
        .collect();
    json!({"points": points, "signals": signals})
}

fn charts() -> Value {
    let values: Vec<f64> = spread(60, 0.3)
        .iter()
        .enumerate()
        .map(|(i, u)| 10.0 * u + if i > 40 { 8.0 } else { 0.0 })
        .collect();
    let counts: Vec<(u32, u32)> = spread(50, 0.7)
        .iter()
        .enumerate()
        .map(|(i, u)| {
            let pieces = 20 + 17 * (i as u32 % 5);
            (
                (f64::from(pieces) * if i > 42 { 0.6 } else { 0.2 } * u) as u32,
                pieces,
            )
        })
        .collect();
    let level = Level {
        mean: 5.0,
        sd: 3.0,
        from: Some(10),
    };
    let p = p_prime(&counts, 40).ok();
    json!({
        "values": values,
        "individuals": individuals(&values, 40).ok().map(|c| drawn(&c)),
        "ewma": Ewma::default().chart(&values, level).ok().map(|c| drawn(&c)),
        "counts": counts,
        "p_prime": p.as_ref().map(|p| drawn(&p.chart)),
        "sigma_z": p.map(|p| p.sigma_z),
    })
}

fn likeness() -> Value {
    let mut rows = Vec::new();
    for (i, u) in spread(90, 0.4).iter().enumerate() {
        let pieces = 12 + 5 * (i as u32 % 4);
        rows.push((
            format!("s{}", i / 4),
            (f64::from(pieces) * u * 0.4) as u32,
            pieces,
        ));
    }
    let tallies: Vec<Tally> = rows
        .iter()
        .map(|(session, events, pieces)| Tally {
            session,
            events: *events,
            pieces: *pieces,
        })
        .collect();
    json!({"rows": rows, "design_effect": flask_design_effect(&tallies)})
}
