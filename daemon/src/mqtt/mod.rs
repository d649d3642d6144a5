//! MQTT in: two ways with one path behind them, both acknowledging only what the journal has
//! made durable. Nothing outside this module knows MQTT or its client library.
//!
//! | module | what it holds |
//! |---|---|
//! | [`door`] | the listener that sensors publish straight to |
//! | [`broker`] | the client for a broker of the shop's own |
//! | [`ingest`] | the one path: from a message to the journal's queue |
//! | [`payload`], [`senml`] | from bytes to readings in stored units |
//! | [`timing`], [`device_clock`], [`backlog`] | the time that each reading is filed under |
//! | [`repeats`] | which messages were stored before |
//! | [`heard`] | what came, how often and what was wrong with it, for people to look at |
//! | [`status`] | what pourbook itself publishes for lamps and buzzers |

pub mod backlog;
pub mod broker;
pub mod device_clock;
pub mod door;
pub mod heard;
pub mod ingest;
pub mod payload;
pub mod repeats;
pub mod senml;
pub mod status;
pub mod timing;

#[cfg(test)]
mod testing;
