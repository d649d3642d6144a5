//! The daemon dies at once, in the middle of a session, while a sensor sends. What it had
//! acknowledged is in the trace that its successor publishes, exactly once.

use pourbook_tests::bench::{Bench, MELT, Reading, session};
use pourbook_tests::program::Daemon;
use pourbook_tests::sensor::Sensor;

/// Sends readings in order until the connection breaks or `until` are acknowledged.
fn send(sensor: &mut Sensor, readings: &[Reading], first: usize, until: usize) -> usize {
    for (n, reading) in readings.iter().enumerate().skip(first) {
        if sensor.acknowledged().len() >= until {
            return n;
        }
        if sensor
            .publish(MELT, reading.payload().as_bytes(), n)
            .is_err()
        {
            return n + 1; // it is in flight and goes out again
        }
    }
    readings.len()
}

#[test]
fn a_killed_daemon_keeps_what_it_acknowledged_and_doubles_nothing() {
    let bench = Bench::with_door();
    let readings = session(3_000, 300);
    let mut sensor = Sensor::new("melt-probe", 100);
    let mut next = 0;
    // Four deaths at different depths of the session; the sensor keeps its session and marks
    // what it sends again, as the standard demands.
    for acknowledged in [1, 700, 1_500, 2_900] {
        let daemon = Daemon::start(&bench.book, Some(bench.port));
        sensor.connect(bench.port).unwrap();
        next = send(&mut sensor, &readings, next, acknowledged);
        assert!(sensor.waiting() > 0, "it dies with messages on the way");
        daemon.kill();
        assert!(bench.traces().is_empty(), "the session is still open");
    }
    let daemon = Daemon::start(&bench.book, Some(bench.port));
    sensor.connect(bench.port).unwrap();
    assert_eq!(
        send(&mut sensor, &readings, next, usize::MAX),
        readings.len()
    );
    sensor.drain().unwrap();
    assert_eq!(sensor.acknowledged().len(), readings.len());
    sensor.disconnect().unwrap();
    bench.wait_for_readings(&readings, 60, || daemon.log());
}

/// A sensor without a memory: it never sends again. Then exactly what was acknowledged must be
/// there, and what was not may or may not.
#[test]
fn a_forgetful_sensor_loses_nothing_that_was_acknowledged() {
    let bench = Bench::with_door();
    let readings = session(2_000, 200);
    let daemon = Daemon::start(&bench.book, Some(bench.port));
    let mut first = Sensor::new("forgetful", 50);
    first.connect(bench.port).unwrap();
    let next = send(&mut first, &readings, 0, 1_000);
    daemon.kill();
    let kept: Vec<usize> = first.acknowledged().to_vec();

    let daemon = Daemon::start(&bench.book, Some(bench.port));
    let mut second = Sensor::new("forgetful", 50);
    second.connect(bench.port).unwrap();
    for (n, reading) in readings.iter().enumerate().skip(next) {
        second
            .publish(MELT, reading.payload().as_bytes(), n)
            .unwrap();
    }
    second.drain().unwrap();
    pourbook_tests::bench::wait_for_trace(&bench, 60);
    let held = bench.melt_readings();
    let sent_again = second.acknowledged();
    for n in kept.iter().chain(sent_again) {
        let times = held.iter().filter(|r| **r == readings[*n]).count();
        assert_eq!(
            times,
            1,
            "reading {n} is held {times} times\n{}",
            daemon.log()
        );
    }
}
