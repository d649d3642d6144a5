//! The detector against traces with a known truth, told as a caster would tell them.
#![allow(clippy::unwrap_used)]

use super::synthetic::{Act, BenchTrace, Spell, at};
use super::{Meta, PourRow, PullRow, Row, Setup, extract};

fn meta() -> Meta {
    Meta {
        session: "2026-11-18T0912-bench-1".to_owned(),
        machine: "bench-1".to_owned(),
        setup: Setup::default(),
    }
}

fn found(trace: &BenchTrace) -> (Vec<PourRow>, Vec<PullRow>) {
    let (mut pours, mut pulls) = (vec![], vec![]);
    for row in extract(&trace.samples(), &meta()) {
        match row {
            Row::Pour(p) => pours.push(p),
            Row::Pull(p) => pulls.push(p),
        }
    }
    (pours, pulls)
}

#[test]
fn one_flask_is_one_pull_and_one_pour() {
    let (pours, pulls) = found(&BenchTrace::one_flask());
    println!("{pours:#?}\n{pulls:#?}");
    assert_eq!((pours.len(), pulls.len()), (1, 1));
}
