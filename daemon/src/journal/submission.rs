//! What goes to the journal's writer and what comes back.

use std::sync::Arc;

use tokio::sync::mpsc;

use super::entry::Entry;

/// One message's worth of entries, with whom to tell once they are durable.
#[derive(Debug)]
pub struct Submission {
    /// Stored together, in order; may be empty (a repeat: nothing to store, but its
    /// acknowledgement still waits for the commit in front of it).
    pub entries: Vec<Entry>,
    /// Whom to tell; none for QoS 0.
    pub ack: Option<AckTo>,
}

/// Where to send the acknowledgement. A connection that is gone has dropped its receiver, and
/// with it every acknowledgement of that connection: they can never go out on another.
#[derive(Clone, Debug)]
pub struct AckTo {
    /// The connection, as in [`super::Origin::connection`]; the writer watches each for stalls.
    pub connection: u64,
    /// The packet to acknowledge.
    pub packet: u16,
    /// Takes packet ids in the order in which they became durable, which is that of submission.
    pub to: mpsc::UnboundedSender<u16>,
}

/// Entries that are on disk, in order of their sequence numbers.
#[derive(Clone, Debug)]
pub struct Committed {
    /// Sequence number and entry.
    pub entries: Arc<[(u64, Entry)]>,
}
