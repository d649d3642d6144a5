//! What a ridge leaves open, where the answer is known: a coefficient that the flasks say nothing of
//! keeps the prior's own spread, and one they say much of is as without.
#![allow(clippy::unwrap_used)]

use super::counts::Counts;
use super::covariance::{Covariance, Uncertainty};
use super::design::Design;
use super::logistic::{Extras, Logistic, fit};
use super::sup_t::{Comparisons, critical, sup_t};
use super::{Matrix, Vector};

/// Forty sessions of two flasks of 20; a column that hardly moves beside one that does.
fn table(still: f64) -> (Design, Counts) {
    let events: Vec<f64> = (0..80).map(|i| f64::from(2 + (i * 7) % 5)).collect();
    let sessions: Vec<usize> = (0..80).map(|i| i / 2).collect();
    let pour: Vec<f64> = (0..80).map(|i| f64::from((i * 13) % 17) - 8.0).collect();
    let bend: Vec<f64> = pour.iter().map(|t| still * t * t / 100.0).collect();
    let design = Design::intercept(80)
        .column("pour", &pour)
        .unwrap()
        .column("bend", &bend)
        .unwrap();
    let counts = Counts::new(&events, &[20.0; 80], &sessions).unwrap();
    (design, counts)
}

fn held(design: &Design, counts: &Counts, ridge: f64) -> (Logistic, Covariance, [f64; 3]) {
    let ridge = [0.0, 0.0, ridge];
    let extras = Extras {
        offset: None,
        ridge: Some(&ridge),
    };
    let fitted = fit(design, counts, &extras).unwrap();
    let plain = Covariance::of(&fitted, design, counts, Uncertainty::Session).unwrap();
    (fitted, plain, ridge)
}

fn only(j: usize) -> Vector {
    let mut e = Vector::zeros(3);
    e[j] = 1.0;
    e
}

/// φ/λ = σ²: with σ = 0.4 and φ = 3, λ = 18.75.
#[test]
fn what_the_flasks_say_nothing_of_keeps_the_priors_spread() {
    let (design, counts) = table(1e-6);
    let (_, plain, ridge) = held(&design, &counts, 18.75);
    let open = plain.clone().with_prior(&ridge, 3.0);
    assert!(plain.variance(&only(2)) < 1e-9);
    assert!((open.variance(&only(2)) - 0.16).abs() < 1e-9);
    // It is known and not estimated.
    assert!(open.df(&only(2)).unwrap() > 1e6);
    // What has nothing to do with it is as it was.
    assert!((open.variance(&only(1)) / plain.variance(&only(1)) - 1.0).abs() < 1e-6);
    let df = |c: &Covariance| c.df(&only(1)).unwrap();
    assert!((df(&open) / df(&plain) - 1.0).abs() < 1e-6);
}

/// V = B(M + φΛ)B by hand, and Satterthwaite's rule (1 + open/shown)²·df.
#[test]
fn the_two_parts_add_up() {
    let (design, counts) = table(1.0);
    let (fitted, plain, ridge) = held(&design, &counts, 18.75);
    let open = plain.clone().with_prior(&ridge, 3.0);
    let prior = Matrix::from_diagonal(&Vector::from_column_slice(&ridge)) * 3.0;
    let by_hand = &plain.matrix + &fitted.inverse * prior * &fitted.inverse;
    assert!((&open.matrix - by_hand).amax() < 1e-10 * open.matrix.amax());
    for j in 0..3 {
        let c = only(j);
        let share = open.variance(&c) / plain.variance(&c);
        let df = plain.df(&c).unwrap() * share * share;
        assert!((open.df(&c).unwrap() / df - 1.0).abs() < 1e-9);
    }
    // Next to no ridge is none.
    let (_, free, nearly_none) = held(&design, &counts, 1e-9);
    let same = free.clone().with_prior(&nearly_none, 3.0);
    assert!((&same.matrix - &free.matrix).amax() < 1e-7 * free.matrix.amax());
    // Other covariances have no part for it.
    let other = Covariance::of(&fitted, &design, &counts, Uncertainty::Plain).unwrap();
    assert_eq!(other.clone().with_prior(&ridge, 3.0), other);
}

/// A change that rests on the prior alone is normal: 1.960, and downwards 1.645.
#[test]
fn draws_of_what_is_open_are_normal() {
    let (design, counts) = table(1e-6);
    let (_, plain, ridge) = held(&design, &counts, 18.75);
    let open = plain.with_prior(&ridge, 3.0);
    let compared = Comparisons {
        points: &Matrix::from_columns(&[only(2)]),
        point_df: &[f64::INFINITY],
        reference: &Vector::zeros(3),
        change_df: &[f64::INFINITY],
        pairs: false,
    };
    let drawn = sup_t(&open, &compared, 9999, 5).unwrap();
    // Four standard errors of a drawn quantile at 95 %: 4·√(0.05·0.95/9999)/0.117 is 0.075, and
    // downwards 0.085.
    let both = critical(&drawn.changes, 0.95).unwrap();
    assert!((both - 1.960).abs() < 0.075, "{both}");
    let down = critical(&drawn.falls, 0.95).unwrap();
    assert!((down - 1.645).abs() < 0.085, "{down}");
}

/// A ridge on one column does not hide that another runs away.
#[test]
fn separation_is_found_beside_a_ridge() {
    let sessions: Vec<usize> = (0..20).collect();
    let pour: Vec<f64> = (0..20).map(f64::from).collect();
    let events: Vec<f64> = (0..20).map(|i| if i < 10 { 0.0 } else { 5.0 }).collect();
    let bend: Vec<f64> = pour.iter().map(|t| (t - 9.5).powi(2) / 100.0).collect();
    let design = Design::intercept(20)
        .column("pour", &pour)
        .unwrap()
        .column("bend", &bend)
        .unwrap();
    let counts = Counts::new(&events, &[5.0; 20], &sessions).unwrap();
    let extras = Extras {
        offset: None,
        ridge: Some(&[0.0, 0.0, 6.0]),
    };
    let error = fit(&design, &counts, &extras).unwrap_err();
    assert!(
        error.to_string().contains("pour") && !error.to_string().contains("settle"),
        "{error}"
    );
}
