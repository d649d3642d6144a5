//! Units: the words a sensor, a spreadsheet or a configuration may use, and the one unit each
//! quantity is kept in. Inside pourbook nothing is ever in another unit than that; conversion
//! happens once on the way in ([`Unit`], [`Sense`], [`read_quantity`]) and once on the way out
//! to a reader ([`Shown`], [`ShownIn`]).

mod sense;
mod shown;
mod unit;
mod word;

pub use sense::Sense;
pub use shown::{MassUnit, Scheme, Shown, ShownIn};
pub use unit::Unit;
pub use word::{UnitError, accepted_words, read_quantity, read_switch};
