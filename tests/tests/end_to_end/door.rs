//! Sensors publish straight to pourbook: three clients that others wrote, and ours from the
//! standard with windows of 1, 20 and 1000. What each was told is kept is in the trace, once.

use std::io::Write;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use pourbook_tests::bench::{Bench, MELT, Reading, session};
use pourbook_tests::program::{Daemon, run_command};
use pourbook_tests::sensor::Sensor;
use pourbook_tests::tools::{program, python};
use rumqttc::{AsyncClient, Event, MqttOptions, Outgoing, Packet, QoS};

/// Lets `send` send a session through the door and looks for it in the trace.
fn check(readings: &[Reading], send: impl FnOnce(u16, &[Reading])) {
    let bench = Bench::with_door();
    let daemon = Daemon::start(&bench.book, Some(bench.port));
    send(bench.port, readings);
    bench.wait_for_readings(readings, 60, || daemon.log());
}

fn lines(readings: &[Reading]) -> String {
    readings.iter().map(|r| r.payload() + "\n").collect()
}

#[test]
fn a_sensor_may_wait_for_each_acknowledgement_or_for_a_thousand() {
    for window in [1, 20, 1000] {
        // A sensor that waits for each commit is slow by its own choice.
        let readings = if window == 1 {
            session(40, 10)
        } else {
            session(2_500, 100)
        };
        check(&readings, |port, readings| {
            let start = Instant::now();
            let mut sensor = Sensor::new("melt-probe", window);
            sensor.connect(port).unwrap();
            for (n, reading) in readings.iter().enumerate() {
                sensor
                    .publish(MELT, reading.payload().as_bytes(), n)
                    .unwrap();
            }
            sensor.drain().unwrap();
            assert_eq!(sensor.acknowledged().len(), readings.len());
            // A window that stalls is committed at once: 50 rounds of a full second each would
            // be the sign that it is not.
            assert!(
                start.elapsed() < Duration::from_secs(30),
                "window {window}: {:?}",
                start.elapsed()
            );
        });
    }
}

#[test]
fn mosquitto_pub_is_heard() {
    check(&session(500, 50), |port, readings| {
        let mut publisher = Command::new(program("mosquitto_pub", "mosquitto-clients"))
            .args(["-h", "127.0.0.1", "-p", &port.to_string()])
            .args(["-t", MELT, "-q", "1", "-l"])
            .stdin(Stdio::piped())
            .spawn()
            .unwrap();
        publisher
            .stdin
            .take()
            .unwrap()
            .write_all(lines(readings).as_bytes())
            .unwrap();
        assert!(publisher.wait().unwrap().success());
    });
}

#[test]
fn paho_mqtt_is_heard_with_any_window() {
    let python = python();
    for window in [1, 20, 1000] {
        let readings = if window == 1 {
            session(40, 10)
        } else {
            session(900, 100)
        };
        check(&readings, |port, readings| {
            let folder = tempfile::tempdir().unwrap();
            let input = folder.path().join("readings");
            std::fs::write(&input, lines(readings)).unwrap();
            let script = concat!(env!("CARGO_MANIFEST_DIR"), "/clients/publish.py");
            run_command(
                Command::new(&python)
                    .arg(script)
                    .args([&port.to_string(), MELT, &window.to_string()])
                    .arg(&input),
            )
            .well();
        });
    }
}

#[test]
fn rumqttc_is_heard_with_any_window() {
    let runtime = tokio::runtime::Runtime::new().unwrap();
    for window in [1, 20, 1000] {
        let readings = if window == 1 {
            session(40, 10)
        } else {
            session(2_000, 100)
        };
        check(&readings, |port, readings| {
            runtime.block_on(publish_with_rumqttc(port, window, readings));
        });
    }
}

async fn publish_with_rumqttc(port: u16, window: u16, readings: &[Reading]) {
    let mut options = MqttOptions::new("melt-probe", "127.0.0.1", port);
    options.set_inflight(window);
    options.set_clean_session(false);
    let (client, mut events) = AsyncClient::new(options, 10);
    let payloads: Vec<String> = readings.iter().map(Reading::payload).collect();
    let count = payloads.len();
    let sender = tokio::spawn(async move {
        for payload in payloads {
            client
                .publish(MELT, QoS::AtLeastOnce, false, payload)
                .await
                .unwrap();
        }
        client
    });
    let mut acknowledged = 0;
    let all = async {
        while acknowledged < count {
            if let Event::Incoming(Packet::PubAck(_)) = events.poll().await.unwrap() {
                acknowledged += 1;
            }
        }
    };
    tokio::time::timeout(Duration::from_secs(60), all)
        .await
        .expect("every publish is acknowledged within a minute");
    let client = sender.await.unwrap();
    client.disconnect().await.unwrap();
    while !matches!(
        events.poll().await,
        Ok(Event::Outgoing(Outgoing::Disconnect)) | Err(_)
    ) {}
}

#[test]
fn hostile_and_broken_clients_do_not_stop_the_others() {
    check(&session(300, 50), |port, readings| {
        let raw = |bytes: &[u8]| {
            let mut stream = std::net::TcpStream::connect(("127.0.0.1", port)).unwrap();
            // The door may hang up in the middle, which is its right.
            let _ = stream.write_all(bytes);
            stream
        };
        let mut held = vec![
            raw(b"GET / HTTP/1.1\r\n\r\n"),
            raw(&[0x10]),
            raw(&[0x10, 0xff, 0xff, 0xff, 0xff, 0xff]),
            raw(&[0x32, 0x05, 0, 1, b'a', 0, 1]),
            raw(&[0xff; 4096]),
        ];
        for _ in 0..20 {
            held.push(raw(&[]));
        }
        let mut sensor = Sensor::new("melt-probe", 20);
        sensor.connect(port).unwrap();
        for (n, reading) in readings.iter().enumerate() {
            sensor
                .publish(MELT, reading.payload().as_bytes(), n)
                .unwrap();
        }
        // What cannot be read is acknowledged too, so that it is never sent for ever.
        sensor.publish(MELT, b"not a reading", usize::MAX).unwrap();
        sensor
            .publish("shop/nobody/listens", b"1", usize::MAX)
            .unwrap();
        sensor.drain().unwrap();
        assert_eq!(sensor.acknowledged().len(), readings.len() + 2);
    });
}

#[test]
fn a_wrong_password_is_refused() {
    let bench = Bench::with_door();
    let config = bench.book.join("pourbook.toml");
    let text = std::fs::read_to_string(&config).unwrap();
    std::fs::write(bench.book.join("mqtt-password.txt"), "burnished copper\n").unwrap();
    let guarded = text.replace(
        "[mqtt]\n",
        "[mqtt]\nuser = \"probe\"\npassword_file = \"mqtt-password.txt\"\n",
    );
    std::fs::write(&config, guarded).unwrap();
    let daemon = Daemon::start(&bench.book, Some(bench.port));
    for mut stranger in [
        Sensor::new("a", 1),
        Sensor::new("b", 1).with_login("probe", "burnished cooper"),
        Sensor::new("c", 1).with_login("prober", "burnished copper"),
    ] {
        assert!(
            stranger.connect(bench.port).is_err(),
            "{stranger:?}\n{}",
            daemon.log()
        );
    }
    let mut known = Sensor::new("d", 1).with_login("probe", "burnished copper");
    known.connect(bench.port).unwrap();
    known
        .publish(MELT, session(1, 1)[0].payload().as_bytes(), 0)
        .unwrap();
    known.drain().unwrap();
    assert!(
        !daemon.log().contains("burnished"),
        "the password is never printed"
    );
}
