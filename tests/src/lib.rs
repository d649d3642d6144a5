//! What the end-to-end tests share: the built program and how to run it, a throw-away book, a
//! sensor that speaks MQTT by itself, the tools from outside, and a look into published traces.
//!
//! The tests drive `pourbook` as a user would: through its command line, its files and MQTT.
//! Nothing here reaches into its insides but [`detection`] and [`pulls`], which measure the analysis
//! library; and nothing is skipped: what a test needs and cannot have fails it, with a line that
//! says how to get it.
//! Nothing here reaches into its insides but [`detection`] and [`calibration`], which measure the
//! analysis library; and nothing is skipped: what a test needs and cannot have fails it, with a line that says how
//! to get it.
//!
//! | module | what it holds |
//! |---|---|
//! | [`detection`] | how well pours and pulls are found in drawn sessions with a known truth |
//! | [`pulls`] | how well pulls of vacuum are judged, by size of leak |
//! | [`calibration`] | what the evidence is worth on drawn shops with a known truth |
//! | [`program`] | the built `pourbook`, its output, a daemon that ends with its test |
//! | [`mod@bench`] | a throw-away book with a small configuration, and a session to send into it |
//! | [`sensor`] | an MQTT 3.1.1 sender written from the standard, with any in-flight window |
//! | [`tools`] | Mosquitto, and Python with packages, as independent counterparts |
//! | [`wait`] | waiting for something to become true, with a reason when it does not |

// Everything here serves tests: a panic with a reason is how a test fails.
#![allow(clippy::unwrap_used)]

pub mod bench;
pub mod calibration;
pub mod detection;
pub mod program;
pub mod pulls;
pub mod sensor;
pub mod tools;
pub mod wait;
