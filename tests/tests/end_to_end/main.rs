//! The built program, driven as a user would: commands, files and MQTT from outside.
#![allow(clippy::unwrap_used)]

mod broker;
mod castings;
mod configuration;
mod demo;
mod door;
mod power;
mod reports;
mod service;
mod trial;
mod two_machines;
