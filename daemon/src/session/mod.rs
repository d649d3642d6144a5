//! Sessions: when one opens and closes, what of the journal it claims, and how its trace, its
//! pours and its records come about.

mod alarms;
pub mod anew;
pub mod bench;
mod closing;
pub mod filed;
mod in_kiln;
pub mod jobs;
pub mod keeper;
mod kiln_heat;
pub(crate) mod kilns;
pub mod live;
pub mod metadata;
mod needed;
pub mod recovery;
mod reports;
pub mod retire;
mod say;
mod say_kiln;
pub mod settle;
pub mod trace_rows;

pub use keeper::{ClosePlan, Keeper, KeeperSetup, OpenSession, Rules, Step, Window};
