//! Pulls of vacuum and pours of metal: found in a trace, measured, listed.
//!
//! | module | what it holds |
//! |---|---|
//! | [`rows`] | the shapes that other programs read |
//! | [`setup`] | what the detector is told beforehand |
//! | [`watermark`] | the 10 s reorder buffer before the final feed |
//! | [`detector`] | the state machine: samples in, events out |
//! | [`events`] | those events, and the figures of the moment |
//! | [`found`], [`pull`] | a pour and a pull as the trace alone tells them |
//! | [`pumpdown`] | the exponential fit of a pull |
//! | [`leakup`] | the rate at which a shut pull is lost |
//! | [`mod@extract`] | one session's samples to rows |
//! | [`correction`] | what a person put right |
//! | [`usual`] | what a machine's good pulls are like, per flask size and gasket |
//! | [`seal_due`] | when a gasket should be changed |
//! | [`assemble`] | what spans sessions: parts, targets, cards, corrections |

pub mod assemble;
mod confidence;
pub mod correction;
mod cover;
pub mod detector;
pub mod events;
pub mod extract;
mod fall;
mod forecast;
pub mod found;
mod heading;
mod history;
#[cfg(test)]
mod laws;
pub mod leakup;
mod line;
mod measures;
mod melt;
pub mod pull;
pub mod pumpdown;
mod rest;
pub mod rows;
mod seal;
pub mod seal_due;
pub mod setup;
mod sight;
mod stir;
#[cfg(test)]
mod synthetic;
#[cfg(test)]
mod trade_tests;
mod turn;
pub mod usual;
mod valve;
mod watch;
pub mod watermark;
mod way;

pub use detector::Detector;
pub use events::{Event, Now, OpenPull, Weighed};
pub use extract::extract;
pub use found::PourFound;
pub use history::Reading;
pub use pull::PullFound;
pub use rows::{FlaskTemperatureFrom, FoundBy, PourRow, PullRow, Row, Verdict};
pub use setup::{Mark, Meta, Setup, UsualPull};
pub use usual::{FlaskSize, Usuals};
pub use watermark::Watermark;
