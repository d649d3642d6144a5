//! The statistics. The flask is the experimental unit and the session the cluster: pieces of
//! one flask share everything and sessions share a day, so nothing here counts pieces as if
//! they were independent. Distribution functions come from a crate; every interval is checked
//! against published examples here and against other packages in `tests/reference`.
//!
//! | module | what it holds |
//! |---|---|
//! | [`least_squares`] | a curve fitted to readings |
//! | [`median`](mod@median) | the middle of some numbers |
//! | [`proportion`] | intervals for one proportion |
//! | [`rate`] | the rate of defects over flasks, with its design effect |
//! | [`bins`] | that rate by steps of a setting |

pub mod bins;
pub mod least_squares;
pub mod median;
pub mod proportion;
pub mod rate;
