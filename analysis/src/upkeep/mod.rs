//! What casting does to the bench: cover gas let out, graphite hot without it, parts that age.
//!
//! | module | what it holds |
//! |---|---|
//! | [`tally`] | one session, reading by reading: gas let out, minutes hot and bare |
//! | [`row`] | the same as a row that other programs read |
//! | [`parts`] | the parts that are changed, and when |
//! | [`ages`] | what spans sessions: ages, gas left, the gasket's vacuum, minutes hot and bare |
//! | [`fault`] | what sets a pour aside from tuning, each with its code and its words |

pub mod ages;
pub mod fault;
pub mod parts;
pub mod row;
pub mod tally;

pub use fault::Fault;
pub use parts::{Part, PartChange};
pub use row::{CoursePoint, PartsAtPour, UpkeepRow};
pub use tally::Tally;
