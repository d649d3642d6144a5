//! A broker of the shop's own: Mosquitto keeps what arrives while pourbook is away, and all of
//! it is in the trace afterwards, once.

use std::io::Write;
use std::process::{Command, Stdio};
use std::time::Duration;

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

/// Waits until the broker counts one subscription beside the one that asks.
fn wait_for_subscription(mosquitto: &Mosquitto) {
    let port = mosquitto.port.to_string();
    wait_for("pourbook to subscribe", 60, || {
        // A message for the topic is answered by the broker's own log of subscriptions; the
        // count is published every 10 s and kept, so asking gives the last one.
        let asked = Command::new(program("mosquitto_sub", "mosquitto-clients"))
            .args(["-h", "127.0.0.1", "-p", &port, "-C", "1", "-W", "12"])
            .args(["-t", "$SYS/broker/subscriptions/count"])
            .output()
            .ok()?;
        let count: u32 = String::from_utf8_lossy(&asked.stdout).trim().parse().ok()?;
        if count >= 2 {
            return Some(());
        }
        std::thread::sleep(Duration::from_millis(500));
        None
    });
}
