//! The records of a book: what people and the detector write, in one SQLite file.
//!
//! Sessions, pulls and pours come from the traces; cards, inspections, lots, parts and targets
//! from the people at the bench. Every change that a later reader may have to explain (a match,
//! a correction, a target) is kept with when and what it was. Nothing here asks for the time:
//! callers say when.
//!
//! | module | what it holds |
//! |---|---|
//! | [`error`] | why the records refuse, in words that say what to do |
//! | [`book`] | opening, migrating, the book's own row, machines and kilns |
//! | [`words`] | the fixed words of the records: stages, parts, destinations |
//! | [`sessions`] | sessions from opening to published trace |
//! | [`claims`] | what each session takes from the journal |
//! | [`extraction`] | pulls and pours as the detector finds them, the pours' identities kept |
//! | [`features`] | what the extractor found in each trace, as it found it |
//! | [`hand`] | where metal left as people said, which wins over every extraction |
//! | [`pours`] | pulls and pours as others read them, corrections applied |
//! | [`matching`] | which pour filled which flask, with its history |
//! | [`order`] | which pour belongs to which card, by order and kiln times |
//! | [`beneath`] | what lies beneath a report, as digests |
//! | [`burnouts`] | what kilns did, and what was wrong with it |
//! | [`card`] | what a flask card says |
//! | [`flasks`] | flask cards and their lines, kept and looked up |
//! | [`imported_traces`] | which traces of other loggers were imported, so that none is twice |
//! | [`inspections`] | what came of the pieces, by stage |
//! | [`kiln_courses`] | each session's kilns in few corners |
//! | [`metal`] | lots, charges and the weights that came back |
//! | [`parts`] | part changes |
//! | [`probe_checks`] | freezes in the traces, and those accepted as probe checks |
//! | [`targets`] | what the shop means to do, and meant before |
//! | [`trials`] | trials of two pour temperatures, and each flask's lot |
//! | [`troubles`] | what was refused or odd in the data, counted |
//! | [`evidence`] | the flasks as the statistics take them |
//! | [`cooling`] | flasks that were measured while they cooled |
//! | [`dictionary`] | every table and column in words, with its unit |

pub mod beneath;
pub mod book;
pub mod burnouts;
pub mod card;
pub mod claims;
pub mod cooling;
pub mod dictionary;
pub mod error;
pub mod evidence;
pub mod extraction;
pub mod features;
pub mod flasks;
pub mod hand;
pub mod imported_traces;
pub mod inspections;
pub mod kiln_courses;
pub mod matching;
pub mod metal;
pub mod next_flask;
pub mod order;
pub mod parts;
pub mod pours;
pub mod probe_checks;
pub mod sessions;
pub mod targets;
pub mod trials;
pub mod troubles;
mod upkeep;
pub mod words;

pub use book::{BookSetup, Records};
pub use error::{RecordError, Result};

#[cfg(test)]
mod hand_tests;
#[cfg(test)]
mod tests;
