//! The invented shop: a simulator with a known truth.
//!
//! Larkfield bench does not exist. Its people, pieces and figures are made up, so that pourbook
//! can be tried, shown and scored against a truth that a real shop never has. Everything comes
//! from a seed: the same seed, weeks and end date give the same bytes. This crate writes no
//! files and knows no MQTT; it hands out plain data.
//!
//! | module | what it holds |
//! |---|---|
//! | [`shop`] | who works, what is cast, which sessions there were, what was changed when |
//! | [`plan`] | one session as it was meant, before physics and chance |
//! | [`simulate`](mod@simulate) | a plan turned into readings, cards, inspections and truth |
//! | [`drawn`] | short sessions of benches where everything goes wrong, for measuring detection |
//! | [`check`] | probe checks: known metals that freeze with the probe in them |
//! | [`ledger`] | whole shops as tables of flasks, for measuring what the evidence is worth |
//! | [`furnace`], [`chamber`], [`gas`], [`kiln`] | the physics of each part of the bench |
//! | [`defects`] | the stated truth from which defects are drawn |
//! | `paper` | cards filled in and castings counted |
//! | [`records`] | what the shop's people wrote down |
//! | [`truth`] | what really happened, for scoring |
//! | [`troubles`] | faults to add to the readings |
//! | [`dice`] | seeded randomness |

pub mod chamber;
pub mod check;
pub mod defects;
pub mod dice;
pub mod drawn;
pub mod furnace;
pub mod gas;
pub mod kiln;
pub mod ledger;
mod paper;
pub mod plan;
pub mod records;
pub mod shop;
pub mod simulate;
pub mod troubles;
pub mod truth;

pub use plan::{FlaskPlan, SessionPlan};
pub use records::{FlaskCard, Inspection, PartChange, Target};
pub use shop::Shop;
pub use simulate::{PlaceKind, SensedReading, SimulatedSession, simulate};
pub use troubles::Troubles;
pub use truth::{ShopTruth, Truth};
