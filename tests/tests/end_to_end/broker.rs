//! A broker of the shop's own: Mosquitto keeps what arrives while pourbook is away, and all of
//! it is in the trace afterwards, once.

use std::io::Write;
use std::process::{Command, Stdio};

use pourbook_tests::bench::{Bench, MELT, session};
use pourbook_tests::program::Daemon;
use pourbook_tests::tools::{Mosquitto, program};
use pourbook_tests::wait::wait_for;
use rustix::process::Signal;

#[test]
fn ten_thousand_readings_wait_at_mosquitto_and_all_arrive_once() {
    let folder = tempfile::tempdir().unwrap();
    let mosquitto = Mosquitto::start(folder.path());
    let bench = Bench::with_broker(mosquitto.port);

    // The first life only leaves a subscription behind.
    let daemon = Daemon::start(&bench.book, None);
    wait_for_subscription(&mosquitto);
    assert!(daemon.stop(Signal::TERM).success());

    let readings = session(9_000, 1_000);
    assert_eq!(readings.len(), 10_000);
    // mosquitto_pub with -l sends a message for each line of its input, at QoS 1.
    let mut publisher = Command::new(program("mosquitto_pub", "mosquitto-clients"))
        .args(["-h", "127.0.0.1", "-p", &mosquitto.port.to_string()])
        .args(["-t", MELT, "-q", "1", "-l"])
        .stdin(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = publisher.stdin.take().unwrap();
    for reading in &readings {
        writeln!(lines, "{}", reading.payload()).unwrap();
    }
    drop(lines);
    assert!(publisher.wait().unwrap().success());

    let daemon = Daemon::start(&bench.book, None);
    bench.wait_for_readings(&readings, 120, || daemon.log());
    assert!(daemon.stop(Signal::TERM).success());
}

/// Waits until the broker has logged a subscription to the melt.
fn wait_for_subscription(mosquitto: &Mosquitto) {
    wait_for("pourbook to subscribe", 30, || {
        let log = mosquitto.log();
        log.lines()
            .any(|l| l.trim_end().ends_with(MELT))
            .then_some(())
    });
}
