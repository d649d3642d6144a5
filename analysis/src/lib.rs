//! What pourbook knows about casting, as functions from data to data.
//!
//! This crate reads no file, opens no socket and asks no clock: times, traces and tables come
//! in as arguments, so that a live feed, a replay and a re-extraction give the same answer.
//!
//! | module | what it holds |
//! |---|---|
//! | [`units`] | unit words, conversion to and from the stored units, numbers for people |
//! | [`atmosphere`] | the day's air, and how much of the vacuum it allows a pull has reached |
//! | [`flow_tube`] | what really flows through a tube scaled for another gas |
//! | [`alloy`] | freezing range, density and usual pour of each alloy |
//! | [`defect`] | kinds of defect, their side of the heat, and which may steer the pour |
//! | [`stats`] | intervals, rates over flasks, rates by steps of a setting |
//! | [`evidence`] | what the flasks say about a question, in figures and in a sentence |
//! | [`time`] | instants as microseconds UTC |
//! | [`channel`] | the names of what a bench can sense, and the unit each is stored in |
//! | [`sample`] | one reading, its quality and the total order that every feed uses |
//! | [`flask`] | one flask as the statistics see it |
//! | [`pour`] | pulls of vacuum and pours: found, measured, listed |
//! | [`trace`] | a session's samples as one Parquet file |
//! | [`upkeep`] | what casting does to the bench: gas, bare graphite, ages of parts, faults |
//! | [`stage`] | the stages of a melt, from cold to cooling |

pub mod alloy;
pub mod atmosphere;
pub mod channel;
pub mod defect;
pub mod evidence;
pub mod flask;
pub mod flow_tube;
pub mod pour;
pub mod sample;
pub mod stage;
pub mod stats;
pub mod time;
pub mod trace;
pub mod units;
pub mod upkeep;
