//! A session's trace as one Parquet file: what every sensor said, sorted by channel then time.
//!
//! The file is meant to outlive pourbook: four plain columns that any Parquet reader opens with
//! no code of ours. This module turns samples into such a file and back through writers and
//! readers that the caller hands in; paths, syncing and renaming are the caller's.
//!
//! | column | Parquet type | meaning |
//! |---|---|---|
//! | `channel` | string, dictionary-encoded | [`Channel`] name |
//! | `time` | timestamp, µs, UTC | when it was taken |
//! | `value` | double | in the channel's canonical unit |
//! | `quality` | unsigned 8-bit integer | [`Quality`](crate::sample::Quality) code |
//!
//! No column is ever null. A row group holds one channel only and at most
//! [`ROWS_PER_GROUP`] rows; zstd level 3; statistics on every column, so that a reader can skip
//! to a channel or an hour.

mod read;
mod write;

pub use read::{Group, Trace, TraceReader, read_trace};
pub use write::{Summary, TraceWriter};

use crate::channel::Channel;

/// Most rows in one row group: what a reader or writer must hold at once, about 6 MB.
pub const ROWS_PER_GROUP: usize = 250_000;

/// The columns, in the order they are stored.
pub const COLUMNS: [&str; 4] = ["channel", "time", "value", "quality"];

/// Why a trace could not be written or read.
#[derive(Debug, thiserror::Error)]
pub enum TraceError {
    /// The writer or reader that was handed in failed: a full disk, a missing file.
    #[error("the trace could not be read or written: {0}")]
    Io(#[from] std::io::Error),
    /// Parquet encoding failed for a reason that is no fault of the disk.
    #[error("the trace could not be encoded: {0}")]
    Encode(String),
    /// Channels were written out of order.
    #[error(
        "channel {next} was written after {last}; write channels in ascending order, each at once"
    )]
    ChannelOrder {
        /// The channel written before.
        last: Channel,
        /// The channel that came too late.
        next: Channel,
    },
    /// A sample of another channel was among those of this one.
    #[error("a sample of {found} was written as {channel}; group samples by channel first")]
    WrongChannel {
        /// The channel being written.
        channel: Channel,
        /// What the sample says.
        found: Channel,
    },
    /// Samples were not in order of time.
    #[error("the samples of {channel} are not in order of time; sort them first")]
    TimeOrder {
        /// The channel concerned.
        channel: Channel,
    },
    /// The file is not Parquet, or was cut short or damaged.
    #[error(
        "this is not a whole Parquet file ({reason}); restore it from a backup, or re-publish the session if its journal is still there"
    )]
    Damaged {
        /// What the decoder said.
        reason: String,
    },
    /// The file is Parquet, but no trace.
    #[error(
        "this Parquet file is not a pourbook trace: {reason}; a trace has the columns channel (string), time (timestamp, µs, UTC), value (double), quality (unsigned 8-bit integer)"
    )]
    Foreign {
        /// What differs.
        reason: String,
    },
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
