//! The parts of the program `pourbook`: MQTT in, journal, sessions, records, schedule, command
//! line. This crate is the rim: time, files and sockets live here, and what it learns it hands
//! to `analysis` and `reports`, which are functions from data to data.
//!
//! | module | what it holds |
//! |---|---|
//! | [`book`] | the folder that holds everything, and where in it each thing lies |
//! | [`checksum`] | SHA-256 in hexadecimal |
//! | [`clock`] | the clock, injected everywhere so that demo and replay run at any speed |
//! | [`config`] | `pourbook.toml`, read once and checked whole |
//! | [`export`] | every table as CSV and Parquet, with the data dictionary |
//! | [`place`] | what a reading belongs to: the shop, a kiln or a machine |
//! | [`import`] | castings and traces that were written elsewhere |
//! | [`journal`] | the append-only log that the logging promise rests on |
//! | [`publish`] | from the journal to a session's trace file |
//! | [`records`] | what people and the detector write: sessions, pours, cards, inspections, parts |
//! | [`mqtt`] | the two ways in, and the one path behind them |
//! | [`reporting`] | when reports are written, and when they are written anew |
//! | [`route`] | from an MQTT topic to a channel, its unit and its limits |
//! | [`cli`] | the command line: one file per command |
//! | [`service`] | the daemon put together |
//! | [`session`] | when sessions open and close and what they claim |
//! | [`shutdown`] | one signal that every task listens to |
//! | [`trials`] | how far trials have come and what they found |
//! | [`write_up`] | reports from a book |
//! | [`storage`] | the disk, as calls whose durability is spelled out |

pub mod book;
pub mod checksum;
pub mod cli;
pub mod clock;
pub mod config;
pub mod export;
pub mod import;
pub mod journal;
pub mod mqtt;
pub mod place;
pub mod publish;
pub mod records;
pub mod reporting;
pub mod route;
pub mod service;
pub mod session;
pub mod shutdown;
pub mod storage;
pub mod trials;
pub mod write_up;
