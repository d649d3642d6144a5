//! The charts and pages of pourbook, made from what the analysis found.
//!
//! This crate reads no file, knows no MQTT and asks no clock: data, time zone and units come
//! in, and one self-contained HTML text per page comes out.
//!
//! | module | what it holds |
//! |---|---|
//! | [`chart`] | charts as inline SVG, with a table of the same numbers |
//! | [`moment`] | where metal left: what the detector found, what people said |
//! | [`page`] | the weekly report, the session sheet and the index |
//! | [`rates`] | defect rates of sets of flasks, as the analysis works them out |
//! | [`session_trace`] | a session's readings as charts take them |
//! | [`table`] | tables of finished texts |
//! | [`verdicts`] | what is said of a pull |
//! | [`wording`] | numbers, intervals, plurals, times and names in words |

pub mod chart;
pub mod moment;
pub mod page;
pub mod rates;
pub mod session_trace;
pub mod table;
pub mod verdicts;
pub mod wording;
