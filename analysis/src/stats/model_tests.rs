//! The models against published data and other packages' results, and under bad data. Each
//! figure's source stands beside it; sample-data/published/README.md says where the tables are
//! from.
#![allow(clippy::unwrap_used)]

use proptest::prelude::*;

use super::counts::Counts;
use super::covariance::{Covariance, Uncertainty};
use super::design::Design;
use super::error::StatsError;
use super::linear::{LeastSquares, least_squares};
use super::logistic::{Extras, Logistic, expit, fit, logit};
use super::{Matrix, Vector};

/// Rows of a published table as text.
fn table(csv: &'static str) -> Vec<Vec<&'static str>> {
    csv.lines()
        .skip(1)
        .map(|l| l.split(',').collect())
        .collect()
}

fn number(cell: &str) -> f64 {
    cell.trim().parse().unwrap()
}

#[track_caller]
fn near(ours: f64, theirs: f64, relative: f64) {
    let off = (ours - theirs).abs();
    assert!(
        off <= relative * theirs.abs(),
        "{ours} is not {theirs}, off by {off:e}"
    );
}

#[track_caller]
fn all_near(ours: impl IntoIterator<Item = f64>, theirs: &[f64], relative: f64) {
    let ours: Vec<f64> = ours.into_iter().collect();
    assert_eq!(ours.len(), theirs.len());
    for (o, t) in ours.iter().zip(theirs) {
        near(*o, *t, relative);
    }
}

fn orings() -> (Design, Vec<f64>, Counts) {
    let rows: Vec<Vec<&str>> = table(include_str!("../../../sample-data/published/orings.csv"))
        .into_iter()
        .filter(|r| !r[4].is_empty())
        .collect();
    let temperature: Vec<f64> = rows.iter().map(|r| number(r[1])).collect();
    let failures: Vec<f64> = rows.iter().map(|r| number(r[4])).collect();
    let sessions: Vec<usize> = (0..rows.len()).collect();
    let design = Design::intercept(rows.len())
        .column("temperature", &temperature)
        .unwrap();
    let counts = Counts::new(&failures, &vec![6.0; rows.len()], &sessions).unwrap();
    (design, temperature, counts)
}

/// Space shuttle O-rings, six a flight (Dalal, Fowlkes & Hoadley 1989, JASA 84:945–957), who
/// print 5.085, −0.1156 and G² = 18.086 on 21 df; the further digits from R 4.2.2 `glm`.
#[test]
fn o_rings_fail_in_the_cold_as_published() {
    let (design, _, counts) = orings();
    let f = fit(&design, &counts, &Extras::default()).unwrap();
    all_near(
        f.coef.iter().copied(),
        &[5.084_977_233_038_45, -0.115_601_166_671_935],
        1e-9,
    );
    let cov = Covariance::of(&f, &design, &counts, Uncertainty::Plain).unwrap();
    let e = cov.estimates(&f.coef, 0.95);
    all_near(
        e.iter().map(|e| e.std_error),
        &[3.052_485_559_776_58, 0.047_023_845_918_914_7],
        1e-7,
    );
    near(e[1].statistic.unwrap(), -2.458_352_021_467_4, 1e-7);
    near(e[1].p.unwrap(), 0.013_957_628_498_576_9, 1e-6);
    near(f.deviance, 18.086_326_742_497_4, 1e-9);
    near(f.pearson, 29.980_294_414_772, 1e-7);
    near(f.log_likelihood, -15.823_271_908_430_9, 1e-9);
    assert_eq!(f.df, 21);
}

/// Any failure at all against temperature, and its forecast at 31 °F: R 4.2.2 `glm`, `predict`.
#[test]
fn a_forecast_in_the_cold_carries_its_error() {
    let (design, _, counts) = orings();
    let any: Vec<f64> = counts.events().iter().map(|e| e.min(1.0)).collect();
    let counts = Counts::new(&any, &vec![1.0; any.len()], counts.session()).unwrap();
    let f = fit(&design, &counts, &Extras::default()).unwrap();
    all_near(
        f.coef.iter().copied(),
        &[15.042_901_647_702_4, -0.232_162_744_218_596],
        1e-9,
    );
    near(f.deviance, 20.315_192_687_866_8, 1e-9);
    let at = Vector::from_vec(vec![1.0, 31.0]);
    let e = Covariance::of(&f, &design, &counts, Uncertainty::Plain)
        .unwrap()
        .estimate(at.dot(&f.coef), &at, 0.95);
    near(e.estimate, 7.845_856_576_925_94, 1e-9);
    near(e.std_error, 4.040_612_046_410_09, 1e-7);
    near(expit(e.low.unwrap()), 0.481_608_923_281_957, 1e-6);
}

/// Bliss 1935, Annals of Applied Biology 22:134–167; R 4.2.2 `glm`. (Dobson prints −60.717 and
/// 34.270 for doses of four decimals; these have more.)
#[test]
fn beetles_die_as_published() {
    let rows = table(include_str!("../../../sample-data/published/beetles.csv"));
    let column = |j: usize| rows.iter().map(|r| number(r[j])).collect::<Vec<f64>>();
    let design = Design::intercept(rows.len())
        .column("dose", &column(0))
        .unwrap();
    let sessions: Vec<usize> = (0..rows.len()).collect();
    let counts = Counts::new(&column(3), &column(2), &sessions).unwrap();
    let f = fit(&design, &counts, &Extras::default()).unwrap();
    all_near(
        f.coef.iter().copied(),
        &[-60.721_833_616_924_9, 34.272_872_115_005_9],
        1e-9,
    );
    near(f.inverse[(1, 1)].sqrt(), 2.912_154_396_418_89, 1e-6);
    near(f.deviance, 11.221_314_249_201_6, 1e-9);
    near(f.log_likelihood, -18.709_676_233_147, 1e-9);
}

/// Crowder 1978, Applied Statistics 27:34–37: quasi-likelihood of R 4.2.2 `glm(quasibinomial)`.
#[test]
fn seeds_vary_more_than_chance_as_published() {
    let rows = table(include_str!("../../../sample-data/published/seeds.csv"));
    let o75: Vec<f64> = rows
        .iter()
        .map(|r| f64::from(u8::from(r[0] == "O75")))
        .collect();
    let cucumber: Vec<f64> = rows
        .iter()
        .map(|r| f64::from(u8::from(r[1] == "CUCUMBER")))
        .collect();
    let both: Vec<f64> = o75.iter().zip(&cucumber).map(|(a, b)| a * b).collect();
    let design = Design::intercept(rows.len())
        .column("O75", &o75)
        .and_then(|d| d.column("cucumber", &cucumber))
        .and_then(|d| d.column("both", &both))
        .unwrap();
    let n: Vec<f64> = rows.iter().map(|r| number(r[2])).collect();
    let y: Vec<f64> = rows.iter().map(|r| number(r[3])).collect();
    let sessions: Vec<usize> = (0..rows.len()).collect();
    let counts = Counts::new(&y, &n, &sessions).unwrap();
    let f = fit(&design, &counts, &Extras::default()).unwrap();
    all_near(
        f.coef.iter().copied(),
        &[
            -0.412_244_795_093_543,
            -0.145_926_949_269_646,
            0.540_078_166_603_428,
            0.778_103_703_548_833,
        ],
        1e-9,
    );
    near(f.dispersion().unwrap(), 1.861_832_058_838_01, 1e-7);
    let e = Covariance::of(&f, &design, &counts, Uncertainty::Flask)
        .unwrap()
        .estimates(&f.coef, 0.95);
    all_near(
        e.iter().map(|e| e.std_error),
        &[
            0.251_309_501_017_777,
            0.304_507_610_340_152,
            0.340_867_231_340_939,
            0.418_124_932_215_663,
        ],
        1e-7,
    );
    near(e[3].p.unwrap(), 0.080_139_021_714_788_2, 1e-6);
}

fn std_errors(f: &Logistic, design: &Design, counts: &Counts, u: Uncertainty) -> Vec<f64> {
    let cov = Covariance::of(f, design, counts, u).unwrap();
    cov.estimates(&f.coef, 0.95)
        .iter()
        .map(|e| e.std_error)
        .collect()
}

/// Weil 1970, Food and Cosmetics Toxicology 8:177–182: each litter a session of one flask. R
/// 4.2.2 with sandwich and clubSandwich 0.5.8, on one row a pup; here one row a litter.
#[test]
fn rats_are_alike_within_litters_as_published() {
    let rows = table(include_str!("../../../sample-data/published/rats.csv"));
    let treated: Vec<f64> = rows
        .iter()
        .map(|r| f64::from(u8::from(r[0] == "TREAT")))
        .collect();
    let n: Vec<f64> = rows.iter().map(|r| number(r[1])).collect();
    let y: Vec<f64> = rows.iter().map(|r| number(r[2])).collect();
    let sessions: Vec<usize> = (0..rows.len()).collect();
    let design = Design::intercept(rows.len())
        .column("treated", &treated)
        .unwrap();
    let counts = Counts::new(&y, &n, &sessions).unwrap();
    let f = fit(&design, &counts, &Extras::default()).unwrap();
    let of = |u| std_errors(&f, &design, &counts, u);
    all_near(
        of(Uncertainty::SessionCr0),
        &[0.283_467_106_515_188, 0.475_119_288_593_188],
        1e-7,
    );
    all_near(
        of(Uncertainty::SessionCr1),
        &[0.288_002_865_222_18, 0.482_721_678_142_269],
        1e-7,
    );
    all_near(
        of(Uncertainty::Session),
        &[0.292_875_450_419_155, 0.490_808_433_951_081],
        1e-7,
    );
    let e = Covariance::of(&f, &design, &counts, Uncertainty::Session)
        .unwrap()
        .estimates(&f.coef, 0.95);
    all_near(
        e.iter().map(|e| e.df.unwrap()),
        &[14.224_839_752_855_2, 26.459_818_029_557_2],
        1e-6,
    );
    near(e[1].p.unwrap(), 0.060_791_082_507_748_8, 1e-6);
}

fn cbpp(split: bool) -> (Design, Counts) {
    let mut rows = Vec::new();
    for r in table(include_str!("../../../sample-data/published/cbpp.csv")) {
        let (y, n) = (number(r[1]), number(r[2]));
        if split {
            rows.extend(
                (0..n as u32).map(|k| (r[0], f64::from(u8::from(f64::from(k) < y)), 1.0, r[3])),
            );
        } else {
            rows.push((r[0], y, n, r[3]));
        }
    }
    let mut design = Design::intercept(rows.len());
    for period in ["2", "3", "4"] {
        let column: Vec<f64> = rows
            .iter()
            .map(|r| f64::from(u8::from(r.3 == period)))
            .collect();
        design = design.column(format!("period {period}"), &column).unwrap();
    }
    let of = |f: fn(&(&str, f64, f64, &str)) -> f64| rows.iter().map(f).collect::<Vec<f64>>();
    let herds: Vec<&str> = rows.iter().map(|r| r.0).collect();
    let counts = Counts::new(&of(|r| r.1), &of(|r| r.2), &herds).unwrap();
    (design, counts)
}

/// Lesnoff et al. 2004: 15 herds as sessions, several flasks each. R 4.2.2 with sandwich and
/// clubSandwich 0.5.8 on one row an animal; here both ways, which must agree.
#[test]
fn herds_differ_as_published_however_their_animals_are_counted() {
    for split in [false, true] {
        let (design, counts) = cbpp(split);
        let f = fit(&design, &counts, &Extras::default()).unwrap();
        let of = |u| std_errors(&f, &design, &counts, u);
        all_near(
            of(Uncertainty::SessionCr0),
            &[
                0.275_026_064_652_084,
                0.439_569_642_929_135,
                0.495_650_088_901_094,
                0.387_960_892_240_989,
            ],
            1e-7,
        );
        all_near(
            of(Uncertainty::Session),
            &[
                0.286_713_607_626_367,
                0.461_971_509_325_448,
                0.515_158_940_183_114,
                0.408_988_316_449_861,
            ],
            1e-7,
        );
        let e = Covariance::of(&f, &design, &counts, Uncertainty::Session)
            .unwrap()
            .estimates(&f.coef, 0.95);
        all_near(
            e.iter().map(|e| e.df.unwrap()),
            &[
                12.469_850_577_543_6,
                11.510_119_468_430_9,
                11.570_323_209_791_3,
                8.759_313_646_660_44,
            ],
            1e-6,
        );
        near(e[3].p.unwrap(), 0.001_950_882_191_979_7, 1e-6);
    }
}

fn polynomial(rows: &[(f64, f64)], degree: i32) -> LeastSquares {
    let x = Matrix::from_fn(rows.len(), degree as usize + 1, |i, j| {
        rows[i].1.powi(j as i32)
    });
    least_squares(
        &x,
        &Vector::from_iterator(rows.len(), rows.iter().map(|r| r.0)),
    )
    .unwrap()
}

fn pairs(csv: &'static str) -> Vec<(f64, f64)> {
    table(csv)
        .iter()
        .map(|r| (number(r[1]), number(r[0])))
        .collect()
}

/// NIST Statistical Reference Datasets, linear regression, certified values
/// (itl.nist.gov/div898/strd). Norris: easy.
#[test]
fn norris_comes_out_as_certified() {
    let f = polynomial(
        &pairs(include_str!("../../../sample-data/published/norris.csv")),
        1,
    );
    all_near(
        f.coef.iter().copied(),
        &[-0.262_323_073_774_03, 1.002_116_818_020_45],
        1e-11,
    );
    let se = f.std_errors().unwrap();
    all_near(
        se.iter().copied(),
        &[0.232_818_234_301_153, 4.297_968_481_999_37e-4],
        1e-11,
    );
    near(f.residual_sd().unwrap(), 0.884_796_396_144_373, 1e-11);
}

/// Longley 1967, collinear: condition number about 5·10⁹.
#[test]
fn longley_comes_out_as_certified() {
    let rows = table(include_str!("../../../sample-data/published/longley.csv"));
    let x = Matrix::from_fn(rows.len(), 7, |i, j| {
        if j == 0 { 1.0 } else { number(rows[i][j - 1]) }
    });
    let y = Vector::from_iterator(rows.len(), rows.iter().map(|r| number(r[6])));
    let f = least_squares(&x, &y).unwrap();
    all_near(
        f.coef.iter().copied(),
        &[
            -3_482_258.634_595_82,
            15.061_872_271_373_3,
            -0.035_819_179_292_591,
            -2.020_229_803_816_83,
            -1.033_226_867_173_59,
            -0.051_104_105_653_580_7,
            1_829.151_464_613_55,
        ],
        1e-8,
    );
    near(f.std_errors().unwrap()[0], 890_420.383_607_373, 1e-8);
    near(f.residual_sd().unwrap(), 304.854_073_561_965, 1e-10);
}

/// Filip, a tenth-degree polynomial, condition number about 10¹⁵: no double-precision method on
/// the raw powers keeps more than about 8 digits (QR in NumPy: 8.0), and six are asked for here.
#[test]
fn filip_keeps_six_digits() {
    let f = polynomial(
        &pairs(include_str!("../../../sample-data/published/filip.csv")),
        10,
    );
    near(f.coef[0], -1_467.489_614_229_8, 1e-6);
    near(f.coef[10], -4.029_625_250_804_04e-5, 1e-6);
    near(f.std_errors().unwrap()[1], 559.779_865_474_95, 1e-6);
    near(f.residual_sd().unwrap(), 0.003_348_010_513_245_44, 1e-7);
}

/// Wampler 1 to 5 (Wampler 1970, JASA 65:549–565): fifth-degree polynomials with known
/// coefficients, the last three under ever larger disturbances.
#[test]
fn wampler_comes_out_as_certified() {
    let disturbance = [
        759.0, -2048.0, 2048.0, -2048.0, 2523.0, -2048.0, 2048.0, -2048.0, 1838.0, -2048.0, 2048.0,
        -2048.0, 1838.0, -2048.0, 2048.0, -2048.0, 2523.0, -2048.0, 2048.0, -2048.0, 759.0,
    ];
    for (base, times, sd, digits) in [
        (1.0f64, 0.0, 0.0, 1e-8),
        (0.1, 0.0, 0.0, 1e-8),
        (1.0, 1.0, 2_360.145_023_792_68, 1e-8),
        (1.0, 100.0, 236_014.502_379_268, 1e-7),
        (1.0, 10_000.0, 23_601_450.237_926_8, 1e-5),
    ] {
        let rows: Vec<(f64, f64)> = (0..21u8)
            .map(|i| {
                let x = f64::from(i);
                let y: f64 = (0..6).map(|j| base.powi(j) * x.powi(j)).sum();
                (y + times * disturbance[usize::from(i)], x)
            })
            .collect();
        let f = polynomial(&rows, 5);
        for j in 0..6usize {
            near(f.coef[j], base.powi(j as i32), digits);
        }
        if times > 0.0 {
            near(f.residual_sd().unwrap(), sd, 1e-9);
        }
    }
}

#[test]
fn a_temperature_that_splits_good_from_bad_is_named() {
    let pour = [950.0, 955.0, 960.0, 970.0, 975.0, 980.0];
    let vacuum = [85.0, 84.0, 86.0, 85.0, 84.0, 86.0];
    let design = Design::intercept(6)
        .column("pour", &pour)
        .and_then(|d| d.column("vacuum", &vacuum))
        .unwrap();
    for events in [
        [10.0, 10.0, 10.0, 0.0, 0.0, 0.0],
        [10.0, 10.0, 4.0, 0.0, 0.0, 0.0],
    ] {
        let counts = Counts::new(&events, &[10.0; 6], &[1, 2, 3, 4, 5, 6]).unwrap();
        match fit(&design, &counts, &Extras::default()) {
            Err(StatsError::Separated { terms }) => {
                assert!(terms.contains(&"pour".to_owned()), "{terms:?}")
            }
            other => panic!("{other:?}"),
        }
    }
}

#[test]
fn a_ridge_shrinks_and_a_great_one_leaves_nothing() {
    let (design, _, counts) = orings();
    let slope = |lambda: f64| {
        let ridge = [0.0, lambda];
        let extras = Extras {
            ridge: Some(&ridge),
            offset: None,
        };
        fit(&design, &counts, &extras).unwrap().coef[1]
    };
    let plain = fit(&design, &counts, &Extras::default()).unwrap().coef[1];
    near(slope(0.0), plain, 1e-9);
    assert!(slope(100.0).abs() < plain.abs() && slope(1e4).abs() < slope(100.0).abs());
    assert!(slope(1e12).abs() < 1e-6);
}

/// A known part can be put into the offset: the rest comes out as before.
#[test]
fn an_offset_is_taken_as_known() {
    let (design, temperature, counts) = orings();
    let whole = fit(&design, &counts, &Extras::default()).unwrap();
    let known: Vec<f64> = temperature.iter().map(|t| whole.coef[1] * t).collect();
    let extras = Extras {
        offset: Some(&known),
        ridge: None,
    };
    let rest = fit(&Design::intercept(counts.rows()), &counts, &extras).unwrap();
    near(rest.coef[0], whole.coef[0], 1e-8);
    near(logit(expit(1.3)), 1.3, 1e-12);
}

#[test]
fn what_has_no_answer_says_why() {
    let three = Counts::new(&[1.0, 0.0, 2.0], &[10.0; 3], &["a", "a", "a"]).unwrap();
    let design = Design::intercept(3)
        .column("pour", &[960.0, 968.0, 980.0])
        .unwrap();
    let f = fit(&design, &three, &Extras::default()).unwrap();
    assert_eq!(
        Covariance::of(&f, &design, &three, Uncertainty::Session)
            .unwrap_err()
            .to_string(),
        "the flasks are from 1 session(s); at least 2 are needed"
    );
    let none = Counts::new(&[0.0; 3], &[10.0; 3], &["a", "b", "c"]).unwrap();
    assert!(matches!(
        fit(&design, &none, &Extras::default()),
        Err(StatsError::NoContrast { all: false })
    ));
    let twice = design.column("pour again", &[960.0, 968.0, 980.0]).unwrap();
    assert!(matches!(
        fit(&twice, &three, &Extras::default()),
        Err(StatsError::Aliased { .. })
    ));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]
    #[test]
    fn any_small_book_gives_finite_figures_or_a_reason(
        rows in proptest::collection::vec((0u8..6, 0u32..12, 0u32..12, 0u8..5, 0u8..3), 1..30),
    ) {
        let events: Vec<f64> = rows.iter().map(|r| f64::from(r.1.min(r.2 + 1))).collect();
        let trials: Vec<f64> = rows.iter().map(|r| f64::from(r.2 + 1)).collect();
        let sessions: Vec<u8> = rows.iter().map(|r| r.0).collect();
        let pour: Vec<f64> = rows.iter().map(|r| 950.0 + 7.0 * f64::from(r.3)).collect();
        let alloy: Vec<&str> = rows.iter().map(|r| ["a", "b", "c"][usize::from(r.4)]).collect();
        let counts = Counts::new(&events, &trials, &sessions).unwrap();
        let design = Design::intercept(rows.len()).factor("alloy", &alloy).unwrap().column("pour", &pour).unwrap();
        let (design, _) = design.without_aliased();
        match fit(&design, &counts, &Extras::default()) {
            Err(why) => {
                prop_assert!(!why.to_string().is_empty());
                prop_assert!(matches!(why, StatsError::NoContrast { .. } | StatsError::Separated { .. }), "{why}");
            }
            Ok(f) => {
                prop_assert!(f.coef.iter().chain(f.inverse.iter()).all(|v| v.is_finite()));
                // The mean is met exactly: the score of the intercept is nought.
                let left: f64 = (0..rows.len()).map(|i| events[i] - trials[i] * f.fitted[i]).sum();
                prop_assert!(left.abs() < 1e-6, "{left}");
                for u in [Uncertainty::Plain, Uncertainty::Flask, Uncertainty::SessionCr0, Uncertainty::SessionCr1, Uncertainty::Session] {
                    let Ok(cov) = Covariance::of(&f, &design, &counts, u) else { continue };
                    prop_assert!(cov.matrix.iter().all(|v| v.is_finite()), "{u:?}");
                    for e in cov.estimates(&f.coef, 0.95) {
                        prop_assert!(e.std_error.is_finite() && e.std_error >= 0.0);
                        prop_assert!(e.p.is_none_or(|p| (0.0..=1.0).contains(&p)));
                        prop_assert!(e.df.is_none_or(|d| d > 0.0), "{e:?}");
                    }
                }
            }
        }
    }
}
