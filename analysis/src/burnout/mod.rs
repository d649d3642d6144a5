//! Burnouts: what a kiln does on its own, from cold to the flask temperature and back, followed
//! against the programme it was given. A kiln is nobody's machine; sessions only borrow its trace.
//!
//! | module | what it holds |
//! |---|---|
//! | [`programme`] | the ramps and holds a kiln is meant to run |
//! | [`mod@plan`] | those as a line over time, to lay the trace against |
//! | [`follow`] | readings in, burnouts and faults out, while they happen |
//! | [`step`] | where in its programme a burnout is, and what is wrong there |
//! | [`door`] | door openings, by the switch or by the dip they leave in the air |
//! | [`minutes`] | readings as one steady value a minute |
//! | [`shape`] | ramps and holds found in a trace, with no programme given |
//! | [`course`] | a kiln's trace made small enough to be kept with the session |
//! | [`soak`] | minutes that a flask stood at its set point before it was taken out |
//! | [`mod@withdrawal`] | when a flask left the kiln, and how hot that was |
//! | [`row`] | a burnout and its faults as the records and the sheet have them |

pub mod course;
pub mod door;
pub mod follow;
pub mod minutes;
pub mod plan;
pub mod programme;
pub mod row;
pub mod shape;
pub mod soak;
pub mod step;
#[cfg(test)]
mod synthetic;
#[cfg(test)]
mod trade_tests;
pub mod withdrawal;

pub use course::{Courses, KilnRow, SessionKiln, courses_of};
pub use door::DoorOpening;
pub use follow::{Event, Follower, Setup};
pub use plan::plan;
pub use programme::{Programme, ProgrammeError, Step};
pub use row::{BurnoutRow, FaultKind, FaultRow, SpellKind, SpellRow};
pub use withdrawal::{Told, Withdrawal, withdrawal};
