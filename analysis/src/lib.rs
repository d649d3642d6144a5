//! What pourbook knows about casting, as functions from data to data.
//!
//! This crate reads no file, opens no socket and asks no clock: times, traces and tables come
//! in as arguments, so that a live feed, a replay and a re-extraction give the same answer.
//!
//! | module | what it holds |
//! |---|---|
//! | [`units`] | unit words, conversion to and from the stored units, numbers for people |
//! | [`atmosphere`] | the day's air, and how much of the vacuum it allows a pull has reached |
//! | [`gas`] | the cover gas: through a tube, in a chamber, in a cylinder, in the room |
//! | [`cooling`] | how much a flask has cooled between the kiln and the pour |
//! | [`charge`] | how much metal a wax needs, new and old |
//! | [`thermocouple`] | how far a thermocouple can be trusted, and what it can tell apart |
//! | [`alloy`] | freezing range, density and usual pour of each alloy |
//! | [`defect`] | kinds of defect, their side of the heat, and which may steer the pour |
//! | [`stats`] | intervals, rates over flasks, rates by steps of a setting |
//! | [`evidence`] | what the flasks say about a question, in figures and in a sentence |
//! | [`time`] | instants as microseconds UTC |
//! | [`channel`] | the names of what a bench can sense, and the unit each is stored in |
//! | [`sample`] | one reading, its quality and the total order that every feed uses |
//! | [`flask`] | one flask as the statistics see it |
//! | [`burnout`] | a kiln followed against its programme, and the soak of its flasks |
//! | [`pour`] | pulls of vacuum and pours: found, measured, listed |
//! | [`trace`] | a session's samples as one Parquet file |
//! | [`upkeep`] | what casting does to the bench: gas, bare graphite, ages of parts, faults |
//! | [`watch`] | control charts of a book, and whether a change helped |
//! | [`stage`] | the stages of a melt, from cold to cooling |

pub mod alloy;
pub mod atmosphere;
pub mod burnout;
pub mod channel;
pub mod charge;
pub mod cooling;
pub mod defect;
pub mod evidence;
pub mod flask;
pub mod gas;
pub mod pour;
pub mod sample;
pub mod stage;
pub mod stats;
pub mod thermocouple;
pub mod time;
pub mod trace;
pub mod units;
pub mod upkeep;
pub mod watch;
