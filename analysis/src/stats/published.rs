//! The published tables as the tests of the models use them. sample-data/published/README.md says
//! where each is from.
#![allow(clippy::unwrap_used)]

use super::counts::Counts;
use super::design::Design;

#[track_caller]
pub(super) fn near(ours: f64, theirs: f64, relative: f64) {
    let off = (ours - theirs).abs();
    assert!(
        off <= relative * theirs.abs(),
        "{ours} is not {theirs}, off by {off:e}"
    );
}

#[track_caller]
pub(super) fn all_near(ours: impl IntoIterator<Item = f64>, theirs: &[f64], relative: f64) {
    let ours: Vec<f64> = ours.into_iter().collect();
    assert_eq!(ours.len(), theirs.len());
    for (o, t) in ours.iter().zip(theirs) {
        near(*o, *t, relative);
    }
}

/// Columns of a published table as text.
pub(super) fn columns(csv: &'static str) -> Vec<Vec<&'static str>> {
    let mut columns: Vec<Vec<&str>> = Vec::new();
    for line in csv.lines().skip(1) {
        for (j, cell) in line.split(',').enumerate() {
            if columns.len() <= j {
                columns.push(Vec::new());
            }
            columns[j].push(cell.trim());
        }
    }
    columns
}

pub(super) fn numbers(column: &[&str]) -> Vec<f64> {
    column.iter().map(|c| c.parse().unwrap()).collect()
}

pub(super) fn is(column: &[&str], level: &str) -> Vec<f64> {
    column
        .iter()
        .map(|c| f64::from(u8::from(*c == level)))
        .collect()
}

pub(super) fn with(columns: &[(&str, Vec<f64>)]) -> Design {
    let mut design = Design::intercept(columns[0].1.len());
    for (name, values) in columns {
        design = design.column(*name, values).unwrap();
    }
    design
}

/// Counts with every row a session of its own.
pub(super) fn alone(events: &[f64], trials: &[f64]) -> Counts {
    let sessions: Vec<usize> = (0..events.len()).collect();
    Counts::new(events, trials, &sessions).unwrap()
}

pub(super) fn seeds() -> (Design, Counts) {
    let c = columns(include_str!("../../../sample-data/published/seeds.csv"));
    let (o75, cucumber) = (is(&c[0], "O75"), is(&c[1], "CUCUMBER"));
    let both = o75.iter().zip(&cucumber).map(|(a, b)| a * b).collect();
    let design = with(&[("O75", o75), ("cucumber", cucumber), ("both", both)]);
    (design, alone(&numbers(&c[3]), &numbers(&c[2])))
}

pub(super) fn rats() -> (Design, Counts) {
    let c = columns(include_str!("../../../sample-data/published/rats.csv"));
    let design = with(&[("treated", is(&c[0], "TREAT"))]);
    (design, alone(&numbers(&c[2]), &numbers(&c[1])))
}

pub(super) fn cbpp() -> (Design, Counts) {
    let c = columns(include_str!("../../../sample-data/published/cbpp.csv"));
    let period = |p| (p, is(&c[3], p));
    let design = with(&[period("2"), period("3"), period("4")]);
    let counts = Counts::new(&numbers(&c[1]), &numbers(&c[2]), &c[0]).unwrap();
    (design, counts)
}

pub(super) fn sex2() -> (Design, Counts) {
    let c = columns(include_str!("../../../sample-data/published/sex2.csv"));
    let names = ["age", "oc", "vic", "vicl", "vis", "dia"];
    let list: Vec<(&str, Vec<f64>)> = names
        .iter()
        .zip(&c[1..])
        .map(|(n, c)| (*n, numbers(c)))
        .collect();
    (with(&list), alone(&numbers(&c[0]), &vec![1.0; c[0].len()]))
}

pub(super) fn endometrial() -> (Design, Counts) {
    let c = columns(include_str!(
        "../../../sample-data/published/endometrial.csv"
    ));
    let names = ["NV", "PI", "EH"];
    let list: Vec<(&str, Vec<f64>)> = names
        .iter()
        .zip(&c)
        .map(|(n, c)| (*n, numbers(c)))
        .collect();
    (with(&list), alone(&numbers(&c[3]), &vec![1.0; c[3].len()]))
}
