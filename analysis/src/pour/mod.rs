//! Pulls of vacuum and pours of metal, as found in a trace.

pub mod rows;

pub use rows::{FlaskTemperatureFrom, FoundBy, PourRow, PullRow, Verdict};
