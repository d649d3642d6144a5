//! When reports are written: each week's at the day and hour that the shop chose, missed ones
//! when the daemon is back, the running week's after each inspection, and an old one only when
//! the records beneath it changed, which it then says. What is in a report is not decided here.
//!
//! | module | what it holds |
//! |---|---|
//! | [`answers`] | what the evidence said before, so that it is not worked out every time |
//! | [`calendar`] | weeks and the moment at which each one's report is due |
//! | [`kept`] | what is remembered of every report, in a file beside them |
//! | [`reasons`] | what changed beneath a report, in words |
//! | [`plan`] | which reports are to be written now |
//! | [`turn`] | writes them, a few at a time |
//! | [`desk`] | watches clock and records, and says when there may be something to write |

pub mod answers;
pub mod calendar;
pub mod desk;
pub mod kept;
pub mod plan;
pub mod reasons;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
pub mod turn;
