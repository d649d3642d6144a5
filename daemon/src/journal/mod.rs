//! The journal: an append-only log of checksummed frames that holds every sample from the
//! moment it is acknowledged until its trace is published. The logging promise rests on it.

pub mod entry;
pub mod submission;

pub use entry::{Claim, Close, Entry, Origin, Reading, Refused};
pub use submission::{AckTo, Committed, Submission};
