//! Bringing in what was written elsewhere: years of paper records as a castings file, and traces
//! that another logger took. A file is read whole and checked whole before anything of it
//! enters, and every complaint says line, column and reason.
//!
//! | module | what it holds |
//! |---|---|
//! | [`sheet`] | CSV as spreadsheets write it: separators, quotes, line numbers, original bytes |
//! | [`error`] | why a file or a row of it is refused |
//! | [`columns`] | the header of a castings file: names, units, defect kinds |
//! | [`castings`] | rows of a castings file into flasks |
//! | [`alloy_word`] | an alloy as people write it |
//! | `castings_row` | one of those rows, each cell against physics |
//! | [`enter`] | those flasks into the records, once |
//! | [`bad_rows`] | the rows left out, beside the file, as they were |
//! | [`trace`] | a trace file into samples |

pub mod alloy_word;
pub mod bad_rows;
pub mod castings;
mod castings_row;
pub mod columns;
pub mod enter;
pub mod error;
pub mod sheet;
pub mod trace;

pub use enter::{ImportOptions, ImportReport, import_castings};
pub use error::{BadRow, ImportError};
pub use trace::{TraceOptions, read_trace};
