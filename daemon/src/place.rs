//! What a reading belongs to.

use std::fmt;
use std::sync::Arc;

/// The owner of a channel: machines and kilns have their own, and a few are the shop's.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Place {
    /// Barometer and room oxygen: heard once, copied into every session.
    Shop,
    /// A kiln, by its configured name.
    Kiln(Arc<str>),
    /// A casting machine, by its configured name.
    Machine(Arc<str>),
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Place::Shop => f.write_str("shop"),
            Place::Kiln(name) | Place::Machine(name) => f.write_str(name),
        }
    }
}
