//! The parts of the program `pourbook`: MQTT in, journal, sessions, records, schedule, command
//! line. This crate is the rim: time, files and sockets live here, and what it learns it hands
//! to `analysis` and `reports`, which are functions from data to data.
//!
//! | module | what it holds |
//! |---|---|
//! | [`clock`] | the clock, injected everywhere so that demo and replay run at any speed |
//! | [`place`] | what a reading belongs to: the shop, a kiln or a machine |
//! | [`journal`] | the append-only log that the logging promise rests on |
//! | [`mqtt`] | the two ways in, and the one path behind them |
//! | [`route`] | from an MQTT topic to a channel, its unit and its limits |
//! | [`shutdown`] | one signal that every task listens to |

pub mod clock;
pub mod journal;
pub mod mqtt;
pub mod place;
pub mod route;
pub mod shutdown;
