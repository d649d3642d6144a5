//! The penalised fit against published data and other packages' results. Each figure's source
//! stands beside it.
#![allow(clippy::unwrap_used)]

use super::Vector;
use super::error::StatsError;
use super::firth;
use super::logistic::{self, Extras, expit};
use super::published::{all_near, alone, endometrial, near, sex2, with};

/// Urinary tract infections (Foxman et al. 1997): coefficients, standard errors and penalised
/// log-likelihood by R's brglm2 0.9; profile limits and tests by an independent program in
/// Python, with which firthlogist 0.5.0 (limits) and firthmodels 0.8.2 (tests) agree to 8 digits.
#[test]
fn a_penalised_fit_is_that_of_other_packages() {
    let (design, counts) = sex2();
    let f = firth::fit(&design, &counts).unwrap();
    all_near(
        f.coef.iter().copied(),
        &[
            0.120_254_049_133_842,
            -1.105_981_331_381_28,
            -0.068_816_727_061_919_7,
            2.268_874_652_239_14,
            -2.111_408_185_303_22,
            -0.788_316_951_396_697,
            3.096_011_827_351_14,
        ],
        1e-8,
    );
    near(f.penalised, -132.539_379_532_844, 1e-11);
    near(f.log_likelihood, -138.455_293_332_228, 1e-9);
    let e = f.estimates(0.95).unwrap();
    all_near(
        e.iter().map(|e| e.std_error),
        &[
            0.485_541_505_922_759,
            0.423_660_128_709_229,
            0.443_793_445_906_172,
            0.548_415_958_970_768,
            0.543_082_354_901_507,
            0.417_367_565_775_257,
            1.675_008_413_593_42,
        ],
        1e-7,
    );
    all_near(
        e.iter().map(|e| e.low.unwrap()),
        &[
            -0.818_559_106_359_277_3,
            -1.973_788_382_837_344_8,
            -0.941_436_330_166_130_5,
            1.273_021_571_199_813,
            -3.260_861_117_528_933_6,
            -1.608_087_889_529_069_6,
            0.774_568_169_217_012_8,
        ],
        1e-7,
    );
    all_near(
        e.iter().map(|e| e.high.unwrap()),
        &[
            1.073_151_216_026_446_3,
            -0.307_425_141_575_727_76,
            0.789_202_021_260_518,
            3.435_432_730_915_35,
            -1.117_734_936_983_720_6,
            0.015_184_679_066_014_92,
            8.030_293_522_159_415,
        ],
        1e-6,
    );
    all_near(
        e.iter().map(|e| e.p.unwrap()),
        &[
            0.802_026_802_337_494_2,
            0.006_143_471_845_089_317,
            0.875_191_058_626_341_4,
            1.678_876_958_716_282_8e-6,
            1.237_804_762_814_334_3e-5,
            0.054_497_008_061_533_916,
            0.004_951_873_386_390_904,
        ],
        1e-6,
    );
}

/// Heinze & Schemper 2002, Statistics in Medicine 21:2409–2419, their example: neovascularisation
/// never occurs with a low grade, so that plain maximum likelihood has no finite estimate. They
/// print 3.775, 2.929, −0.035 and −2.604 (from memory).
#[test]
fn the_published_separated_example_comes_out() {
    let (design, counts) = endometrial();
    match logistic::fit(&design, &counts, &Extras::default()) {
        Err(StatsError::Separated { terms }) => assert!(terms.contains(&"NV".to_owned())),
        other => panic!("{other:?}"),
    }
    let f = firth::fit(&design, &counts).unwrap();
    for (ours, printed) in f.coef.iter().zip([3.775, 2.929, -0.035, -2.604]) {
        assert!((ours - printed).abs() < 5.1e-4, "{}", f.coef);
    }
    assert!((f.inverse[(1, 1)].sqrt() - 1.550_76).abs() < 5.1e-6);
}

/// A table with an empty cell, 2 of 20 and 0 of 9: Firth adds ½ to each cell. A row of twenty
/// pieces is twenty rows of one.
#[test]
fn an_empty_cell_gets_a_half() {
    let design = with(&[("hot", vec![0.0, 1.0])]);
    let f = firth::fit(&design, &alone(&[2.0, 0.0], &[20.0, 9.0])).unwrap();
    let half = |y: f64, n: f64| ((y + 0.5) / (n - y + 0.5)).ln();
    near(f.coef[0], half(2.0, 20.0), 1e-9);
    near(f.coef[1], half(0.0, 9.0) - half(2.0, 20.0), 1e-9);
    // R's brglm2 0.9, on rows without binomial coefficients: C(20, 2) = 190 is in ours.
    near(f.penalised - 190f64.ln(), -7.054_159_826_960_95, 1e-9);
    let apart: Vec<f64> = (0..29).map(|i| f64::from(u8::from(i >= 20))).collect();
    let events: Vec<f64> = (0..29).map(|i| f64::from(u8::from(i < 2))).collect();
    let by_piece = firth::fit(&with(&[("hot", apart)]), &alone(&events, &[1.0; 29])).unwrap();
    all_near(by_piece.coef.iter().copied(), f.coef.as_slice(), 1e-8);
    let (few, many) = (f.estimates(0.9).unwrap(), by_piece.estimates(0.9).unwrap());
    for (a, b) in few.iter().zip(&many) {
        near(a.low.unwrap(), b.low.unwrap(), 1e-7);
        near(a.high.unwrap(), b.high.unwrap(), 1e-7);
    }
}

/// FLIC: fitted defects add up to those counted, whatever the counts are divided by; a profile
/// limit is where the penalised likelihood has fallen by half the quantile.
#[test]
fn fitted_defects_add_up_and_limits_lie_where_they_should() {
    let (design, counts) = endometrial();
    for by in [1.0, 1.7, 4.0] {
        let divided = counts.divided(by);
        let f = firth::fit(&design, &divided).unwrap();
        let fitted: f64 = (design.matrix() * &f.risk_coef)
            .iter()
            .zip(divided.trials())
            .map(|(eta, n)| n * expit(*eta))
            .sum();
        near(fitted, divided.events().iter().sum(), 1e-9);
        let row = design.matrix().row(3).transpose();
        let e = f.estimate(&row, 0.95).unwrap();
        let (risk, low, high) = f.risk(&row, 0.95).unwrap();
        assert!(low < risk && risk < high, "{low} {risk} {high}");
        // The limit, tested as a null value by moving the contrast's origin with an offset column.
        let wider = f.estimate(&row, 0.99).unwrap();
        assert!(wider.low < e.low && wider.high > e.high);
    }
    let f = firth::fit(&design, &counts).unwrap();
    assert!(f.estimate(&Vector::zeros(4), 0.95).is_err());
    assert!(f.estimate(&Vector::zeros(3), 0.95).is_err());
    assert!(f.estimates(1.0).is_err());
}
