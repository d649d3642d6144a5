//! The statistics. The flask is the experimental unit and the session the cluster: pieces of
//! one flask share everything and sessions share a day, so nothing here counts pieces as if
//! they were independent. Distribution functions come from a crate; every interval is checked
//! against published examples here and against other packages in `tests/reference`.
//!
//! | module | what it holds |
//! |---|---|
//! | [`least_squares`] | a curve fitted to readings |
//! | [`median`](mod@median) | the middle of some numbers |
//! | [`proportion`] | intervals for one proportion |
//! | [`rate`] | the rate of defects over flasks, with its design effect |
//! | [`difference`] | how far two rates lie apart |
//! | [`sample_size`] | how many flasks tell two rates apart |
//! | [`within_session`] | how alike pieces of a flask are, sessions held equal |
//! | [`holm`] | several questions asked at once |
//! | [`permutation`] | tests that only trust the drawing of lots |
//! | [`charts`] | whether something that should stay the same has changed |
//! | [`bins`] | that rate by steps of a setting |
//! | [`counts`] | the outcome a model sees: pieces by flask and session |
//! | [`design`] | the columns a model sees |
//! | [`linear`] | least squares |
//! | [`logistic`] | binomial logistic regression by maximum likelihood |
//! | [`firth`] | the same for few or separated defects, penalised |
//! | [`beta_binomial`] | the same for flasks that differ more than chance |
//! | [`session_intercept`] | the same with sessions that differ |
//! | [`within_between`] | a setting split into what sessions and what flasks vary |
//! | [`standardise`] | risks and their differences over a mix of flasks |
//! | [`covariance`] | standard errors by model, by flask or by session |
//! | [`spline`] | curves with straight ends |
//! | [`sup_t`](mod@sup_t) | intervals that hold over a whole curve |
//! | [`distribution`] | quantiles and tails |
//! | [`error`] | why there is no answer |

pub mod beta_binomial;
pub mod bins;
pub mod charts;
pub mod counts;
pub mod covariance;
pub mod design;
pub mod difference;
pub mod distribution;
pub mod error;
pub mod firth;
mod firth_likelihood;
#[cfg(test)]
mod firth_tests;
pub mod holm;
pub mod least_squares;
pub mod linear;
pub mod logistic;
pub mod median;
#[cfg(test)]
mod model_edge_tests;
#[cfg(test)]
mod model_tests;
mod newton;
pub mod permutation;
#[cfg(test)]
mod prior_tests;
pub mod proportion;
#[cfg(test)]
mod published;
pub mod rate;
pub mod sample_size;
pub mod session_intercept;
mod session_likelihood;
pub mod spline;
#[cfg(test)]
mod spread_tests;
pub mod standardise;
pub mod sup_t;
pub mod within_between;
pub mod within_session;

/// A matrix of numbers, rows by columns.
pub type Matrix = nalgebra::DMatrix<f64>;
/// A column of numbers.
pub type Vector = nalgebra::DVector<f64>;
