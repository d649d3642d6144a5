//! Two machines at once, through the door of one daemon: their readings come mixed, and each
//! gets its own session with its own pulls and pours, as if the other were not there.

use std::fs;
use std::time::{SystemTime, UNIX_EPOCH};

use analysis::atmosphere::standard_pressure_kpa;
use analysis::channel::Channel;
use analysis::pour::{Meta, Row, Setup, extract};
use analysis::sample::Sample;
use analysis::time::Micros;
use pourbook_tests::bench::Bench;
use pourbook_tests::program::{Daemon, run};
use pourbook_tests::sensor::Sensor;
use pourbook_tests::wait::wait_for;
use sample_data::drawn::{Mix, Settings, Trouble, draw};

const MACHINES: [&str; 2] = ["bench-1", "bench-2"];
const CHANNELS: [(Channel, &str); 3] = [
    (Channel::MeltTemperature, "Cel"),
    (Channel::Vacuum, "kPa"),
    (Channel::VacuumValve, "switch"),
];
/// A session closes after 45 min of cold.
const QUIET_S: f64 = 45.0 * 60.0;

fn topic(machine: &str, channel: Channel) -> String {
    format!("shop/{machine}/{channel}")
}

/// The bench's configuration with both machines and all their channels.
fn configure(bench: &Bench) {
    let file = bench.book.join("pourbook.toml");
    let text = fs::read_to_string(&file).unwrap();
    let (shop, _) = text.split_once("[[machine]]").unwrap();
    let mut text = shop.to_owned();
    for machine in MACHINES {
        text += &format!("[[machine]]\nname = \"{machine}\"\n");
        for (channel, unit) in CHANNELS {
            text += &format!(
                "[machine.channels.{channel}]\ntopic = \"{}\"\nvalue = \"/v\"\ntime = \"/t\"\n",
                topic(machine, channel)
            );
            if unit != "switch" {
                text += &format!("unit = \"{unit}\"\n");
            }
            if channel == Channel::Vacuum {
                text += "sense = \"below-ambient\"\n";
            }
        }
    }
    fs::write(file, text).unwrap();
}

/// A drawn session of the machine's three channels, cold for long enough at its end. Both
/// begin in the same minute, some hours ago.
fn readings(seed: u64, starts: Micros) -> Vec<Sample> {
    let mix = Mix::calm()
        .with(Trouble::HotMachine, 1.0)
        .with(Trouble::CalledOff, 0.5)
        .with(Trouble::NoStopperSwitch, 1.0)
        .at_rate(0.5);
    let session = draw(
        seed,
        &Settings {
            starts: Some(starts),
            ..Settings::of(mix)
        },
    );
    let mut samples: Vec<Sample> = session
        .arrivals
        .iter()
        .map(|a| a.sample)
        .filter(|s| CHANNELS.iter().any(|c| c.0 == s.channel))
        .collect();
    let last = samples.last().unwrap().time;
    samples.extend((1..=20).map(|i| Sample {
        // From the first cold one to the last it is a little more than that.
        time: last.plus_seconds(f64::from(i) * QUIET_S / 18.0),
        channel: Channel::MeltTemperature,
        value: 20.0 + f64::from(i),
        quality: analysis::sample::Quality::Good,
    }));
    samples
}

#[test]
fn two_machines_at_once_keep_their_pours_apart() {
    let bench = Bench::with_door();
    configure(&bench);
    let now_ms = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .unwrap()
        .as_millis() as i64;
    let starts = Micros(now_ms * 1000).plus_seconds(-6.0 * 3600.0);
    let of_machine = [
        readings(41, starts),
        readings(42, starts.plus_seconds(33.4)),
    ];
    let mut all: Vec<(&str, Sample)> = MACHINES
        .into_iter()
        .zip(&of_machine)
        .flat_map(|(machine, samples)| samples.iter().map(move |s| (machine, *s)))
        .collect();
    all.sort_by_key(|(_, s)| s.time);
    let daemon = Daemon::start(&bench.book, Some(bench.port));
    let mut sensor = Sensor::new("gateway", 1000);
    sensor.connect(bench.port).unwrap();
    for (n, (machine, sample)) in all.iter().enumerate() {
        let payload = format!(
            "{{\"v\":{},\"t\":\"{}\"}}",
            sample.value,
            sample.time.rfc3339_ms()
        );
        sensor
            .publish(&topic(machine, sample.channel), payload.as_bytes(), n)
            .unwrap();
    }
    sensor.drain().unwrap();
    let published = (0..150).any(|_| {
        std::thread::sleep(std::time::Duration::from_millis(200));
        bench.traces().len() == 2
    });
    assert!(published, "{:?}\n{}", bench.traces(), daemon.log());
    let book = bench.book.to_str().unwrap();
    let heard = wait_for("pours of both machines", 30, || {
        let rows = run(["pours", "--book", book, "--json"]).well().json_lines();
        let both = MACHINES
            .iter()
            .all(|m| rows.iter().any(|r| r["machine"] == *m));
        both.then_some(rows)
    });
    for (machine, samples) in MACHINES.into_iter().zip(&of_machine) {
        let meta = Meta {
            session: String::new(),
            machine: machine.to_owned(),
            setup: Setup::at_ambient(standard_pressure_kpa(85.0)),
        };
        let alone: Vec<(String, Option<f64>)> = extract(samples, &meta)
            .into_iter()
            .filter_map(|row| match row {
                Row::Pour(p) => Some((p.at.rfc3339_ms(), p.pour_temperature_c)),
                Row::Pull(_) | Row::Upkeep(_) | Row::Kiln(_) => None,
            })
            .collect();
        let together: Vec<(String, Option<f64>)> = heard
            .iter()
            .filter(|r| r["kind"] == "pour" && r["machine"] == machine)
            .map(|r| {
                let at = r["at"].as_str().unwrap().to_owned();
                (at, r["pour_temperature_c"].as_f64())
            })
            .collect();
        assert!(alone.len() >= 2, "{machine}: {alone:?}");
        assert_eq!(together, alone, "{machine}\n{}", daemon.log());
    }
}
