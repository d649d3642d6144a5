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
//! | `writer` | the thread that owns the journal: group commit, then acknowledge |
//! | `window` | when a sender has stopped to wait for its acknowledgement |
//! | [`submission`] | what goes to the writer's thread and what comes back |

mod codec;
pub mod entry;
mod error;
mod frame;
mod log;
mod metrics;
mod reader;
mod segment;
pub mod submission;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
pub(crate) mod testing;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
mod window;
mod writer;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod writer_tests;

pub use entry::{Claim, Close, Entry, Origin, Reading, Refused};
pub use error::JournalError;
pub use log::{Journal, JournalSettings, Recovered};
pub use metrics::JournalMetrics;
pub use reader::{Found, Hole, JournalReader};
pub use submission::{AckTo, Committed, Submission};
pub use writer::{Done, Writer, WriterSettings};
