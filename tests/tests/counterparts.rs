//! The tools that the end-to-end tests trust, tried against Mosquitto, which nobody here wrote:
//! a sensor or a script that broke the standard would be heard of here first.
#![allow(clippy::unwrap_used)]

use std::process::{Command, Stdio};

use pourbook_tests::program::run_command;
use pourbook_tests::sensor::Sensor;
use pourbook_tests::tools::{Mosquitto, program, python};
use pourbook_tests::wait::wait_for;

/// Collects `count` messages of the topic `t` at Mosquitto while `send` sends them.
fn heard(count: usize, send: impl FnOnce(u16)) -> Vec<String> {
    let folder = tempfile::tempdir().unwrap();
    let mosquitto = Mosquitto::start(folder.path());
    let listener = Command::new(program("mosquitto_sub", "mosquitto-clients"))
        .args(["-h", "127.0.0.1", "-p", &mosquitto.port.to_string()])
        .args(["-t", "t", "-q", "1", "-W", "60", "-C", &count.to_string()])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    wait_for("mosquitto_sub to subscribe", 15, || {
        mosquitto
            .log()
            .lines()
            .any(|l| l.ends_with(" t"))
            .then_some(())
    });
    send(mosquitto.port);
    let out = listener.wait_with_output().unwrap();
    let text = String::from_utf8(out.stdout).unwrap();
    text.lines().map(str::to_owned).collect()
}

#[test]
fn our_sensor_speaks_the_standard_with_any_window() {
    for window in [1, 20, 1000] {
        let sent: Vec<String> = (0..1500).map(|n| format!("reading {n}")).collect();
        let got = heard(sent.len(), |port| {
            let mut sensor = Sensor::new("probe", window);
            sensor.connect(port).unwrap();
            for (n, text) in sent.iter().enumerate() {
                sensor.publish("t", text.as_bytes(), n).unwrap();
                assert!(sensor.waiting() <= window);
            }
            sensor.drain().unwrap();
            assert!(sensor.acknowledged().iter().copied().eq(0..sent.len()));
            sensor.disconnect().unwrap();
        });
        assert_eq!(got, sent, "window {window}");
    }
}

#[test]
fn the_paho_script_sends_every_line_of_its_file() {
    let folder = tempfile::tempdir().unwrap();
    let input = folder.path().join("lines");
    let sent: Vec<String> = (0..300).map(|n| format!("{{\"v\":{n}}}")).collect();
    std::fs::write(&input, sent.join("\n") + "\n").unwrap();
    let got = heard(sent.len(), |port| {
        run_command(
            Command::new(python())
                .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/clients/publish.py"))
                .args([&port.to_string(), "t", "20"])
                .arg(&input),
        )
        .well();
    });
    assert_eq!(got, sent);
}

#[test]
fn the_paho_script_fails_when_nobody_is_there() {
    let folder = tempfile::tempdir().unwrap();
    let input = folder.path().join("lines");
    std::fs::write(&input, "1\n").unwrap();
    let port = pourbook_tests::wait::free_port();
    let ran = run_command(
        Command::new(python())
            .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/clients/publish.py"))
            .args([&port.to_string(), "t", "20"])
            .arg(&input),
    );
    assert!(!ran.status.success());
}
