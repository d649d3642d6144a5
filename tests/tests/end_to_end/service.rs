//! The daemon as a service: it stops when asked, closes nothing by that, and shares its book
//! with nobody.

use pourbook_tests::bench::{Bench, MELT, session};
use pourbook_tests::program::Daemon;
use pourbook_tests::sensor::Sensor;
use rustix::process::Signal;

#[test]
fn two_daemons_never_share_a_book() {
    let bench = Bench::with_door();
    let first = Daemon::start(&bench.book, Some(bench.port));
    let mut second = Daemon::start(&bench.book, None);
    assert_eq!(second.ended().code(), Some(1), "{}", second.log());
    let log = second.log();
    assert!(log.contains("in use by another pourbook"), "{log}");
    // The first goes on as if nothing had been.
    let mut sensor = Sensor::new("melt-probe", 1);
    sensor.connect(bench.port).unwrap();
    sensor
        .publish(MELT, session(1, 1)[0].payload().as_bytes(), 0)
        .unwrap();
    sensor.drain().unwrap();
    assert!(first.stop(Signal::TERM).success());
}

#[test]
fn asked_to_stop_it_stops_well_and_the_session_goes_on_afterwards() {
    let bench = Bench::with_door();
    let readings = session(1_000, 100);
    let mut sensor = Sensor::new("melt-probe", 100);
    for (from, to, signal) in [(0, 400, Signal::TERM), (400, 800, Signal::INT)] {
        let daemon = Daemon::start(&bench.book, Some(bench.port));
        sensor.connect(bench.port).unwrap();
        for (n, reading) in readings.iter().enumerate().take(to).skip(from) {
            sensor
                .publish(MELT, reading.payload().as_bytes(), n)
                .unwrap();
        }
        sensor.drain().unwrap();
        let ended = daemon.stop(signal);
        assert!(
            ended.success(),
            "asked with {signal:?} it ended with {ended}"
        );
        assert!(bench.traces().is_empty(), "stopping closes no session");
    }
    let daemon = Daemon::start(&bench.book, Some(bench.port));
    sensor.connect(bench.port).unwrap();
    for (n, reading) in readings.iter().enumerate().skip(800) {
        sensor
            .publish(MELT, reading.payload().as_bytes(), n)
            .unwrap();
    }
    sensor.drain().unwrap();
    bench.wait_for_readings(&readings, 60, || daemon.log());
}

#[test]
fn a_stopped_daemon_frees_its_port_and_its_book() {
    let bench = Bench::with_door();
    for _ in 0..3 {
        let daemon = Daemon::start(&bench.book, Some(bench.port));
        assert!(daemon.stop(Signal::TERM).success());
    }
}
