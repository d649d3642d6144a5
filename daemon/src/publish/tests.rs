//! Publishing under fault: crashes, full disks and damaged files at every step.

use std::io::Cursor;

use super::*;
use crate::journal::testing::{MORNING, reading};
use crate::journal::{Journal, JournalSettings, Origin};
use crate::place::Place;
use crate::storage::sim::{Fault, SimDisk};
use analysis::sample::Quality;
use analysis::trace::read_trace;

const BOOK: Uuid = Uuid::from_u128(0xb00c);
const PATH: &str = "traces/machine=bench-1/year=2026/week=47/2026-11-18T0912-bench-1.parquet";

fn settings() -> JournalSettings {
    JournalSettings {
        segment_bytes: 64 * 1024,
        reserve_bytes: 0,
        spares: 1,
    }
}

fn journal(storage: &Arc<dyn Storage>) -> Journal {
    Journal::open(
        storage.clone(),
        BOOK,
        Uuid::from_u128(7),
        MORNING,
        settings(),
    )
    .unwrap()
    .0
}

/// A reading of any channel `s` seconds into the morning, arriving then.
fn of(place: Place, channel: Channel, s: f64, value: f64) -> Reading {
    let Entry::Reading(melt) = reading(1, value) else {
        panic!("a reading")
    };
    let at = MORNING.plus_seconds(s);
    Reading {
        place,
        channel,
        time: at,
        arrival: at,
        monotonic_us: 3_600_000_000 + at.0 - MORNING.0,
        ..melt
    }
}

fn bench() -> Place {
    Place::Machine("bench-1".into())
}

fn kiln() -> Place {
    Place::Kiln("kiln-1".into())
}

fn claim(place: Place, channel: Channel, last_seq: u64) -> Claim {
    Claim {
        place,
        channel,
        channel_in_trace: channel,
        from: MORNING,
        to: MORNING.plus_seconds(3600.0),
        first_seq: 1,
        last_seq,
    }
}

fn close(generation: u32, claims: Vec<Claim>) -> Close {
    Close {
        session: Uuid::from_u128(5),
        name: "2026-11-18T0912-bench-1".into(),
        machine: "bench-1".into(),
        generation,
        path: PATH.into(),
        claims,
        metadata: vec![("pourbook.machine".into(), "bench-1".into())],
    }
}

fn commit(journal: &mut Journal, readings: impl IntoIterator<Item = Reading>) -> u64 {
    for reading in readings {
        journal.append(&[Entry::Reading(reading)]).unwrap();
    }
    journal.commit().unwrap()
}

fn samples(storage: &Arc<dyn Storage>) -> Vec<Sample> {
    let bytes = storage.open_read(PATH).unwrap().read_all().unwrap();
    read_trace(Cursor::new(bytes)).unwrap().samples
}

/// Melt and vacuum of the bench, a kiln, and another bench that is not claimed.
fn a_morning(journal: &mut Journal) -> u64 {
    let other = Place::Machine("bench-2".into());
    let readings = (0..600).flat_map(|n| {
        let s = f64::from(n) * 0.5;
        [
            // Out of order, as a backlog would come.
            of(bench(), Channel::Vacuum, 300.0 - s, 80.0),
            of(bench(), Channel::MeltTemperature, s, 900.0 + s),
            of(kiln(), Channel::KilnTemperature(0), s, 550.0),
            of(other.clone(), Channel::MeltTemperature, s, 1.0),
        ]
    });
    commit(journal, readings)
}

fn claims(last_seq: u64) -> Vec<Claim> {
    vec![
        claim(bench(), Channel::MeltTemperature, last_seq),
        claim(bench(), Channel::Vacuum, last_seq),
        Claim {
            channel_in_trace: Channel::KilnTemperature(1),
            ..claim(kiln(), Channel::KilnTemperature(0), last_seq)
        },
    ]
}

#[test]
fn a_trace_holds_what_was_claimed_and_nothing_else_in_order() {
    let storage: Arc<dyn Storage> = Arc::new(SimDisk::new());
    let last = a_morning(&mut journal(&storage));
    let close = close(1, claims(last));
    let published = publish(&storage, BOOK, &close).unwrap();
    assert_eq!((published.rows, published.moved), (1800, 0));
    assert!(published.holes.is_empty());
    let samples = samples(&storage);
    assert_eq!(samples.len(), 1800);
    assert!(samples.is_sorted_by_key(|s| (s.channel, s.time)));
    let count = |channel| samples.iter().filter(|s| s.channel == channel).count();
    assert_eq!(count(Channel::KilnTemperature(1)), 600);
    assert_eq!(count(Channel::KilnTemperature(0)), 0);
    assert!(
        samples.iter().all(|s| s.value > 1.0),
        "the other bench stays out"
    );
    // Done again, as after a crash before the session was marked closed: the same bytes.
    let again = publish(&storage, BOOK, &close).unwrap();
    assert_eq!(again, published);
    let path = PATH.rsplit_once('/').unwrap().0;
    assert_eq!(storage.list(path).unwrap().len(), 1, "no drafts are left");
}

#[test]
fn time_and_sequence_bound_a_claim_on_both_sides_inclusive() {
    let storage: Arc<dyn Storage> = Arc::new(SimDisk::new());
    a_morning(&mut journal(&storage));
    let melt = Claim {
        from: MORNING.plus_seconds(10.0),
        to: MORNING.plus_seconds(20.0),
        ..claim(bench(), Channel::MeltTemperature, 2400)
    };
    let published = publish(&storage, BOOK, &close(1, vec![melt])).unwrap();
    assert_eq!(published.rows, 21);
    storage.remove(PATH).unwrap();
    let vacuum = Claim {
        // The first entry of each four is vacuum: sequence numbers 5 and 9.
        first_seq: 5,
        last_seq: 9,
        ..claim(bench(), Channel::Vacuum, 0)
    };
    let twice = vec![vacuum.clone(), vacuum];
    let published = publish(&storage, BOOK, &close(1, twice)).unwrap();
    assert_eq!(published.rows, 2, "claimed twice is still there once");
}

#[test]
fn samples_that_come_late_make_the_next_generation_once() {
    let storage: Arc<dyn Storage> = Arc::new(SimDisk::new());
    let mut journal = journal(&storage);
    let last = a_morning(&mut journal);
    publish(&storage, BOOK, &close(1, claims(last))).unwrap();
    let late = [
        of(bench(), Channel::GasFlow, 30.0, 8.0),
        Reading {
            quality: Quality::Late,
            ..of(bench(), Channel::MeltTemperature, 30.25, 930.0)
        },
    ];
    let next = commit(&mut journal, late);
    let second: Vec<Claim> = [Channel::GasFlow, Channel::MeltTemperature]
        .map(|channel| Claim {
            first_seq: last + 1,
            ..claim(bench(), channel, next)
        })
        .into();
    let second = close(2, second);
    let published = publish(&storage, BOOK, &second).unwrap();
    assert_eq!((published.rows, published.generation), (1802, 2));
    let held = samples(&storage);
    assert!(held.is_sorted_by_key(|s| (s.channel, s.time)));
    assert_eq!(
        held.iter()
            .filter(|s| s.channel == Channel::GasFlow)
            .count(),
        1
    );
    // Again, and even the first again: nothing is doubled and nothing is lost.
    assert_eq!(
        publish(&storage, BOOK, &second).unwrap().sha256,
        published.sha256
    );
    let first_again = publish(&storage, BOOK, &close(1, claims(last))).unwrap();
    assert_eq!((first_again.rows, first_again.generation), (1802, 2));
    // A generation is never skipped.
    let Err(PublishError::NoForerunner { .. }) = publish(&storage, BOOK, &close(4, vec![])) else {
        panic!("generation 4 on top of 2")
    };
}

#[test]
fn a_clock_that_is_set_during_the_session_does_not_tear_the_trace() {
    let storage: Arc<dyn Storage> = Arc::new(SimDisk::new());
    let mut journal = journal(&storage);
    // For a minute the machine thinks it is an hour earlier; then the time server is heard.
    let wrong = (0..60).map(|s| {
        let right = of(
            bench(),
            Channel::MeltTemperature,
            f64::from(s),
            f64::from(s),
        );
        let hour_early = right.arrival.plus_seconds(-3600.0);
        Reading {
            time: hour_early,
            arrival: hour_early,
            ..right
        }
    });
    let sensor_time = of(bench(), Channel::MeltTemperature, 59.5, 59.5);
    let sensor_time = Reading {
        device_time: Some(sensor_time.time),
        arrival: sensor_time.time.plus_seconds(-3600.0),
        ..sensor_time
    };
    let right = (60..120).map(|s| {
        // A slew of a second is no step.
        let r = of(
            bench(),
            Channel::MeltTemperature,
            f64::from(s),
            f64::from(s),
        );
        let slewed = r.arrival.plus_seconds(if s < 90 { 1.0 } else { 0.0 });
        Reading {
            time: slewed,
            arrival: slewed,
            ..r
        }
    });
    let last = commit(&mut journal, wrong.chain([sensor_time]).chain(right));
    let all = Claim {
        from: MORNING.plus_seconds(-7200.0),
        ..claim(bench(), Channel::MeltTemperature, last)
    };
    let published = publish(&storage, BOOK, &close(1, vec![all])).unwrap();
    assert_eq!((published.rows, published.moved), (121, 60));
    for sample in samples(&storage) {
        let error = sample.time.seconds_since(MORNING) - sample.value;
        assert!((0.0..=1.0).contains(&error), "{sample:?}");
    }
}

#[test]
fn another_sessions_file_is_never_written_over() {
    let storage: Arc<dyn Storage> = Arc::new(SimDisk::new());
    let last = a_morning(&mut journal(&storage));
    publish(&storage, BOOK, &close(1, claims(last))).unwrap();
    let stranger = Close {
        session: Uuid::from_u128(6),
        ..close(1, claims(last))
    };
    let refused = publish(&storage, BOOK, &stranger).unwrap_err();
    assert!(matches!(refused, PublishError::Taken { .. }), "{refused}");
    assert_eq!(samples(&storage).len(), 1800);
}

#[test]
fn a_damaged_journal_is_published_around_and_the_hole_is_told() {
    let sim = SimDisk::new();
    let storage: Arc<dyn Storage> = Arc::new(sim.clone());
    let last = a_morning(&mut journal(&storage));
    let first = storage.list("journal").unwrap()[0].clone();
    sim.flip(&format!("journal/{first}"), 5 * 4096 + 100, 1);
    let published = publish(&storage, BOOK, &close(1, claims(last))).unwrap();
    assert_eq!(published.holes.len(), 1);
    assert!((1700..1800).contains(&published.rows), "{}", published.rows);
}

#[test]
fn a_crash_or_a_fault_at_any_call_leaves_the_old_trace_or_the_new_one() {
    let mut k = 0;
    loop {
        k += 1;
        for fault in [None, Some(Fault::Medium), Some(Fault::Short)] {
            let sim = SimDisk::new();
            let storage: Arc<dyn Storage> = Arc::new(sim.clone());
            let mut log = journal(&storage);
            let readings =
                (0..40).map(|s| of(bench(), Channel::MeltTemperature, f64::from(s), 900.0));
            let last = commit(&mut log, readings);
            let first = close(1, vec![claim(bench(), Channel::MeltTemperature, last)]);
            let published = publish(&storage, BOOK, &first).unwrap();
            let next = commit(&mut log, [of(bench(), Channel::GasFlow, 1.0, 8.0)]);
            let gas = Claim {
                first_seq: last + 1,
                ..claim(bench(), Channel::GasFlow, next)
            };
            let second = close(2, vec![gas]);
            let before = sim.calls();
            // A crash is a failed call that nobody lives to see.
            sim.fail_call(k, fault.unwrap_or(Fault::Medium));
            let done = publish(&storage, BOOK, &second);
            if sim.calls() - before < k {
                done.unwrap();
                return;
            }
            if let Ok(done) = &done {
                assert_eq!(done.rows, 41, "call {k}");
            }
            if fault.is_none() {
                sim.crash(k);
            }
            let there = samples(&storage).len();
            assert!(there == 40 || there == 41, "call {k}: {there}");
            let again = publish(&storage, BOOK, &second).unwrap();
            assert_eq!((again.rows, again.generation), (41, 2));
            assert_ne!(again.sha256, published.sha256);
        }
    }
}

#[test]
fn origins_do_not_matter_to_a_trace() {
    let storage: Arc<dyn Storage> = Arc::new(SimDisk::new());
    let mut log = journal(&storage);
    let readings = (0..5u16).map(|n| {
        let r = of(bench(), Channel::Vacuum, f64::from(n), 80.0);
        let origin = Origin {
            client: format!("sensor-{n}").into(),
            packet: n,
            ..r.origin
        };
        Reading { origin, ..r }
    });
    let last = commit(&mut log, readings);
    let published = publish(&storage, BOOK, &close(1, claims(last))).unwrap();
    assert_eq!(published.rows, 5);
}
