//! The fits with flasks and sessions that differ against published data and other packages'
//! results. Each figure's source stands beside it.
#![allow(clippy::unwrap_used)]

use super::beta_binomial::{self, BetaBinomial};
use super::covariance::{Covariance, Uncertainty};
use super::design::Design;
use super::logistic::{self, Extras, expit};
use super::published::{all_near, cbpp, near, rats, seeds};
use super::session_intercept::{self, Extent, SessionIntercept};
use super::standardise::{Forecast, Mix};

fn check_beta_binomial(
    fitted: &BetaBinomial,
    coef: &[f64],
    std_errors: &[f64],
    ln_theta: (f64, f64),
    log_likelihood: f64,
) {
    all_near(fitted.coef.iter().copied(), coef, 1e-8);
    let e = fitted.covariance.estimates(&fitted.parameters, 0.95);
    all_near(
        e.iter().take(coef.len()).map(|e| e.std_error),
        std_errors,
        1e-7,
    );
    near(fitted.theta.ln(), ln_theta.0, 1e-7);
    near(fitted.ln_theta_std_error.unwrap(), ln_theta.1, 1e-7);
    near(fitted.log_likelihood, log_likelihood, 1e-10);
}

/// Crowder 1978: maximum likelihood by Newton's method at 50 digits (mpmath 1.4.1, logit of the
/// correlation, which is ln θ); VGAM 1.1-7 and a direct maximisation in R agree to 7.
#[test]
fn seeds_on_plates_differ_as_published() {
    let (design, counts) = seeds();
    check_beta_binomial(
        &beta_binomial::fit(&design, &counts).unwrap(),
        &[
            -0.444_559_980_520_493,
            -0.097_390_569_701_255_55,
            0.522_143_549_220_708_8,
            0.797_924_712_383_655_3,
        ],
        &[
            0.218_255_643_342_085_8,
            0.273_668_596_349_075_53,
            0.296_822_712_998_424_17,
            0.377_954_821_294_314_74,
        ],
        (-4.380_779_932_326_591_5, 0.929_795_182_796_840_6),
        -53.766_763_364_868_36,
    );
}

/// Weil 1970, the same way.
#[test]
fn pups_of_litters_differ_as_published() {
    let (design, counts) = rats();
    let fitted = beta_binomial::fit(&design, &counts).unwrap();
    check_beta_binomial(
        &fitted,
        &[1.863_055_519_039_153_6, -0.665_152_018_322_141],
        &[0.365_302_121_686_873_7, 0.459_639_855_633_162_95],
        (-1.432_435_283_091_965_8, 0.466_626_427_590_820_1),
        -55.608_220_953_685_766,
    );
    near(fitted.correlation(), 0.192_719_522_490_796_35, 1e-7);
    let mean = beta_binomial::fit(&Design::intercept(counts.rows()), &counts).unwrap();
    check_beta_binomial(
        &mean,
        &[1.504_598_682_936_601_6],
        &[0.256_516_519_998_212_73],
        (-1.306_392_125_924_246_4, 0.441_267_083_528_344),
        -56.644_088_228_226_76,
    );
}

fn check_sessions(
    fitted: &SessionIntercept,
    coef: &[f64],
    std_errors: &[f64],
    sd: (f64, f64),
    log_likelihood: f64,
) {
    all_near(fitted.coef.iter().copied(), coef, 1e-6);
    let e = fitted.estimates(0.95);
    all_near(e.iter().map(|e| e.std_error), std_errors, 1e-6);
    near(fitted.session_sd, sd.0, 1e-6);
    near(fitted.ln_sd_std_error.unwrap(), sd.1, 1e-6);
    near(fitted.log_likelihood, log_likelihood, 1e-8);
}

/// Lesnoff et al. 2004: random intercept by herd. The likelihood integrated to machine precision
/// in Python; lme4 1.1-31 with 25 nodes gives σ 0.647518461.
#[test]
fn herds_differ_as_published() {
    let (design, counts) = cbpp();
    let extent = |nodes| Extent {
        nodes,
        flasks_differ: false,
    };
    let coef = [
        -1.399_230_444_293_79,
        -0.991_403_672_438_598_1,
        -1.127_819_466_890_392_7,
        -1.579_470_750_357_356_4,
    ];
    let std_errors = [
        0.233_511_591_469_225_4,
        0.306_767_987_458_371_75,
        0.326_768_372_078_133_86,
        0.427_594_500_602_039,
    ];
    for nodes in [15, 25] {
        check_sessions(
            &session_intercept::fit(&design, &counts, extent(nodes)).unwrap(),
            &coef,
            &std_errors,
            (0.647_518_477_997_017_7, 0.278_794_872_183_013_85),
            -91.983_369_037_310_15,
        );
    }
    assert!(session_intercept::fit(&design, &counts, extent(1)).is_err());
    // Few nodes are not taken at their word.
    let few = session_intercept::fit(&design, &counts, extent(5)).unwrap();
    near(few.session_sd, 0.647_518_477_997_017_7, 1e-5);
    assert!(few.nodes > 5, "{}", few.nodes);
}

/// Crowder's seeds and Weil's rats, a level for each plate and litter, likewise.
#[test]
fn plates_and_litters_have_levels_as_published() {
    let extent = Extent {
        nodes: 25,
        flasks_differ: false,
    };
    let (design, counts) = seeds();
    check_sessions(
        &session_intercept::fit(&design, &counts, extent).unwrap(),
        &[
            -0.451_442_825_373_609_3,
            -0.096_988_908_978_991_75,
            0.526_582_791_200_675_5,
            0.810_456_470_571_573_3,
        ],
        &[
            0.222_363_211_340_105_1,
            0.278_041_970_453_203_83,
            0.303_067_623_082_663_1,
            0.385_171_278_740_812_9,
        ],
        (0.236_242_166_788_895_54, 0.465_850_435_290_796),
        -53.757_420_695_128_644,
    );
    let (design, counts) = rats();
    check_sessions(
        &session_intercept::fit(
            &design,
            &counts,
            Extent {
                nodes: 40,
                ..extent
            },
        )
        .unwrap(),
        &[2.625_651_309_362_76, -1.082_405_926_009_517_6],
        &[0.482_948_910_161_475_4, 0.626_244_576_616_343_8],
        (1.345_703_106_535_029_8, 0.246_693_100_094_026_76),
        -54.298_620_418_094_2,
    );
    // Every plate is a session of one flask: the two spreads cannot be told apart, and it is said.
    let both = session_intercept::fit(&design, &counts, Extent::default()).unwrap();
    assert_eq!(both.theta, 0.0);
    assert!(both.notes[0].starts_with("no session has two flasks"));
}

/// A treatment's risk difference over Weil's litters: with only the treatment in the model it is
/// the difference of the two fitted shares, and the robust standard error is the delta method's.
#[test]
fn a_risk_difference_is_the_difference_of_two_risks() {
    let (design, counts) = rats();
    let fit = logistic::fit(&design, &counts, &Extras::default()).unwrap();
    let mix = Mix::of(&design, counts.trials()).unwrap();
    let forecast = Forecast {
        coef: &fit.coef,
        session_sd: 0.0,
    };
    let treated = mix.set(1, 1.0).unwrap().risk(&forecast).unwrap();
    let control = mix.set(1, 0.0).unwrap().risk(&forecast).unwrap();
    let difference = treated.less(&control);
    // Of the table: 142 of 158 control pups and 112 of 145 treated ones lived.
    let (p, q) = (112.0 / 145.0, 142.0 / 158.0);
    near(difference.value, p - q, 1e-9);
    let plain = Covariance::of(&fit, &design, &counts, Uncertainty::Plain).unwrap();
    let e = difference.estimate(&plain, 0.95).unwrap();
    near(
        e.std_error,
        (p * (1.0 - p) / 145.0 + q * (1.0 - q) / 158.0f64).sqrt(),
        1e-8,
    );
    // Through a model with levels, the same figure is marginal over them.
    let levels = session_intercept::fit(&design, &counts, Extent::default()).unwrap();
    let forecast = Forecast {
        coef: &levels.coef,
        session_sd: levels.session_sd,
    };
    let treated = mix.set(1, 1.0).unwrap().risk(&forecast).unwrap();
    let control = mix.set(1, 0.0).unwrap().risk(&forecast).unwrap();
    let marginal = treated
        .less(&control)
        .estimate(&levels.covariance, 0.95)
        .unwrap();
    let conditional = expit(levels.coef[0] + levels.coef[1]) - expit(levels.coef[0]);
    assert!(
        marginal.estimate < conditional,
        "{} {conditional}",
        marginal.estimate
    );
    assert!(marginal.low.unwrap() < marginal.estimate && marginal.std_error > 0.0);
}
