//! The journal: an append-only log of checksummed frames that holds every sample from the
//! moment it is acknowledged until its trace is published. The logging promise rests on it.
//!
//! | module | what it holds |
//! |---|---|
//! | [`entry`] | what is stored |
//! | `codec` | the bytes of one entry |
//! | `frame` | how bodies lie in a segment: lengths, checksums, blocks |
//! | `segment` | the files, their names and first blocks |
//! | `reader` | every entry in order, and every hole |
//! | `log` | the one writer: append, commit, recover, give back |
//! | [`submission`] | what goes to the writer's thread and what comes back |

mod codec;
pub mod entry;
mod error;
mod frame;
mod log;
mod reader;
mod segment;
pub mod submission;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
pub(crate) mod testing;

pub use entry::{Claim, Close, Entry, Origin, Reading, Refused};
pub use error::JournalError;
pub use log::{Journal, JournalSettings, Recovered};
pub use reader::{Found, Hole, JournalReader};
pub use submission::{AckTo, Committed, Submission};
