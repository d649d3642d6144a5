//! What pourbook knows about casting, as functions from data to data.
//!
//! This crate reads no file, opens no socket and asks no clock: times, traces and tables come
//! in as arguments, so that a live feed, a replay and a re-extraction give the same answer.
//!
//! | module | what it holds |
//! |---|---|
//! | [`units`] | unit words, conversion to and from the stored units, numbers for people |
//! | [`time`] | instants as microseconds UTC |
//! | [`channel`] | the names of what a bench can sense, and the unit each is stored in |
//! | [`sample`] | one reading, its quality and the total order that every feed uses |
//! | [`flask`] | one flask as the statistics see it |
//! | [`pour`] | pulls of vacuum and pours: found, measured, listed |

pub mod channel;
pub mod flask;
pub mod pour;
pub mod sample;
pub mod time;
pub mod units;
