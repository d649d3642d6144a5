//! The parts of a bench that wear and are changed, and a cylinder that empties.

use crate::time::Micros;

/// A part whose age counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Part {
    /// The gasket a flask seats on.
    Gasket,
    /// The machine's own seal ring.
    SealRing,
    /// The rod that closes the crucible.
    StopperRod,
    /// The rod the melt is stirred with.
    StirringRod,
    /// The crucible.
    Crucible,
    /// The melt's thermocouple; its change starts a new series of temperatures.
    Thermocouple,
    /// The vacuum pump's oil.
    PumpOil,
    /// The cover gas cylinder.
    GasCylinder,
}

impl Part {
    /// All of them.
    pub const ALL: [Part; 8] = [
        Part::Gasket,
        Part::SealRing,
        Part::StopperRod,
        Part::StirringRod,
        Part::Crucible,
        Part::Thermocouple,
        Part::PumpOil,
        Part::GasCylinder,
    ];
}

/// A part of a machine that was changed.
#[derive(Clone, Debug, PartialEq)]
pub struct PartChange {
    /// On which machine.
    pub machine: String,
    /// Which part.
    pub part: Part,
    /// When.
    pub at: Micros,
    /// For a gas cylinder: what it held when fitted, L of gas at the shop's air, if known
    /// ([`crate::gas::cylinder::Cylinder::content_l`]).
    pub content_l: Option<f64>,
}

impl PartChange {
    /// A change of which no more is known.
    pub fn new(machine: &str, part: Part, at: Micros) -> PartChange {
        PartChange {
            machine: machine.to_owned(),
            part,
            at,
            content_l: None,
        }
    }
}
