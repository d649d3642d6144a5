//! The melt's thermocouple: which probe a pour was read by, what a freeze or a melting in the
//! trace says of it, and how far it can be corrected. Readings stay as they were read; a
//! correction stands beside the pour and can be taken back.
//!
//! | module | what it holds |
//! |---|---|
//! | [`metal`] | the metals whose freezing point is known: fine silver, the eutectic |
//! | [`course`] | a session's melt in bins of five seconds |
//! | [`line`](mod@line) | straight lines through bins that one wild reading cannot move |
//! | [`plateau`] | freezes found in it: the probe held against a known temperature |
//! | [`budget`] | how sure such an offset is, and why |
//! | [`melting`] | the arrest that an everyday charge makes while it melts |
//! | [`row`] | both as rows that other programs read |
//! | [`series`] | which probe a pour was read by, and the correction that holds for it |
//! | [`drift`] | the melting arrest of everyday charges, watched for a drift of the probe |

pub mod budget;
pub mod course;
pub mod drift;
pub mod line;
pub mod melting;
pub mod metal;
pub mod plateau;
pub mod row;
pub mod series;

pub use budget::Budget;
pub use course::Course;
pub use drift::Drift;
pub use metal::Metal;
pub use row::{ArrestFound, ArrestRow, Heat};
pub use series::{AcceptedCheck, scale};
