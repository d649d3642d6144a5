//! What every page is told about the shop: its name, clock and units, the machines and what
//! they sense, the parts that wear, and what was wrong with the data.

use analysis::channel::Channel;
use analysis::time::Micros;
use analysis::units::ShownIn;
use jiff::tz::TimeZone;

/// The shop.
#[derive(Clone, Debug)]
pub struct Shop {
    /// Its name.
    pub name: String,
    /// Its time zone, in which days and weeks are told.
    pub zone: TimeZone,
    /// The units that its people read.
    pub shown: ShownIn,
    /// Whether the shop and all its figures are invented, which every page then says.
    pub invented: bool,
}

/// A machine and what it can sense.
#[derive(Clone, Debug, PartialEq)]
pub struct Machine {
    /// Its name.
    pub name: String,
    /// The channels configured for it, its kilns' included. A machine may have none (imported
    /// records only).
    pub senses: Vec<Channel>,
}

/// A part that wears.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// The machine it is in.
    pub machine: String,
    /// What it is: gasket, seal ring, stopper rod, crucible, …
    pub kind: String,
    /// When it was last changed.
    pub changed_at: Micros,
    /// Pours since.
    pub pours_since: Option<u32>,
    /// What was noted with the change.
    pub note: Option<String>,
}

/// Something wrong with the data.
#[derive(Clone, Debug, PartialEq)]
pub struct Trouble {
    /// Where: a machine, channel, file or session.
    pub at: String,
    /// What was wrong, in words.
    pub what: String,
    /// How often.
    pub times: u64,
    /// How to mend it, if that is known.
    pub mend: Option<String>,
}
