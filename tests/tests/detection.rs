//! Laws of detection over drawn sessions with all troubles mixed in: live answers are those of
//! the written trace, order of arrival and restarts change nothing, nothing panics; and the
//! scoring behind `detection-table` scores what it should.
#![allow(clippy::unwrap_used)]

use analysis::channel::Channel;
use analysis::pour::assemble::bare_pour;
use analysis::pour::{Detector, FoundBy, Meta, Row, Watermark, extract};
use analysis::sample::Sample;
use analysis::time::Micros;
use pourbook_tests::detection::feed::{Heard, hear, meta_of, setup_of};
use pourbook_tests::detection::in_parallel;
use pourbook_tests::detection::score::score;
use pourbook_tests::detection::tally::{Tally, share};
use sample_data::dice::Dice;
use sample_data::drawn::{Arrival, DrawnSession, Mix, Settings, TUNING, draw};

fn mixed(seed: u64) -> DrawnSession {
    draw(seed, &Settings::of(Mix::everything()))
}

/// At most ten readings a second, where each session is run several times.
fn mixed_slow(seed: u64) -> DrawnSession {
    let mut mix = Mix::everything();
    mix.rates_hz.retain(|r| r.0 < 10.0);
    draw(seed, &Settings::of(mix))
}

fn meta(session: &DrawnSession) -> Meta {
    meta_of(session, setup_of(session))
}

/// What the final feed tells; before each sample whose number is in `restarts`, all state is
/// taken out and put back.
fn final_feed(arrivals: &[Sample], meta: &Meta, restarts: &[usize]) -> Vec<Row> {
    let mut watermark = Watermark::new();
    let mut detector = Detector::new(meta.setup);
    let mut events = Vec::new();
    for (i, sample) in arrivals.iter().enumerate() {
        if restarts.contains(&i) {
            (watermark, detector) = (watermark.clone(), detector.clone());
        }
        assert!(watermark.push(*sample), "nothing is more than 10 s late");
        // A batch is read as a whole before anything of it goes on.
        if i % 7 == 0 || restarts.contains(&i) {
            for ready in watermark.drain() {
                events.append(&mut detector.push(&ready));
            }
        }
    }
    for ready in watermark.flush() {
        events.append(&mut detector.push(&ready));
    }
    events.append(&mut detector.finish());
    extract::rows(events, &meta.session, &meta.machine)
}

/// Sixty sessions; `detection-table` says the same of all of them. The floors are well under
/// what its table says, so that a detector that got worse shows here too.
#[test]
fn live_answers_are_those_of_the_written_trace() {
    let seeds: Vec<u64> = TUNING.take(60).collect();
    let scores = in_parallel(&seeds, |seed| {
        let session = mixed(*seed);
        score(&session, &hear(&session))
    });
    let mut tally = Tally::default();
    for score in &scores {
        tally.add(score);
    }
    assert_eq!(tally.differ, [0_u64; 0], "sessions whose answers differ");
    assert_eq!(tally.late, 0, "readings behind the watermark");
    assert!(tally.all.pours > 180, "{}", tally.all.pours);
    let found = share(tally.all.found, tally.all.pours);
    let in_time = tally.shown.of_found(tally.shown.in_time);
    let near = tally.shown.of_found(tally.shown.in_temperature);
    assert!(
        found > 0.87 && in_time > 0.87 && near > 0.9,
        "{found} {in_time} {near}"
    );
}

#[test]
fn shuffling_within_ten_seconds_changes_nothing() {
    let seeds: Vec<u64> = (1..=8).collect();
    in_parallel(&seeds, |seed| {
        let session = mixed_slow(*seed);
        let meta = meta(&session);
        let expected = extract(&session.trace(), &meta);
        let mut dice = Dice::new(*seed, 77);
        for most_s in [0.5, 9.9] {
            let mut again: Vec<Arrival> = session
                .arrivals
                .iter()
                .map(|a| Arrival {
                    at: a.sample.time.plus_seconds(dice.between(0.0, most_s)),
                    ..*a
                })
                .collect();
            again.sort_by_key(|a| a.at);
            let samples: Vec<Sample> = again.iter().map(|a| a.sample).collect();
            assert_eq!(final_feed(&samples, &meta, &[]), expected, "seed {seed}");
        }
    });
}

#[test]
fn a_restart_anywhere_changes_nothing() {
    let seeds: Vec<u64> = (11..=18).collect();
    in_parallel(&seeds, |seed| {
        let session = mixed_slow(*seed);
        let meta = meta(&session);
        let expected = extract(&session.trace(), &meta);
        let samples: Vec<Sample> = session.arrivals.iter().map(|a| a.sample).collect();
        let mut dice = Dice::new(*seed, 78);
        let restarts: Vec<usize> = (0..40)
            .map(|_| dice.whole(0, samples.len() as u32 - 1) as usize)
            .collect();
        assert_eq!(
            final_feed(&samples, &meta, &restarts),
            expected,
            "seed {seed}"
        );
    });
}

/// Values and times that no sensor should send, among those of a real session.
#[test]
fn no_reading_panics() {
    let seeds: Vec<u64> = (21..=28).collect();
    in_parallel(&seeds, |seed| {
        let session = mixed_slow(*seed);
        let meta = meta(&session);
        let mut dice = Dice::new(*seed, 79);
        let values = [
            f64::NAN,
            f64::INFINITY,
            f64::NEG_INFINITY,
            f64::MAX,
            f64::MIN_POSITIVE,
            -1e300,
            -0.0,
            0.0,
            1e6,
        ];
        let times = [
            0,
            -1,
            -1_795_000_000_000_000,
            i64::MIN,
            i64::MAX,
            i64::MAX - 1,
        ];
        for wild_times in [false, true] {
            let mut samples: Vec<Sample> = Vec::new();
            for arrival in &session.arrivals {
                samples.push(arrival.sample);
                if dice.chance(0.03) {
                    samples.push(arrival.sample);
                }
                if dice.chance(0.03) {
                    let name = dice.pick(&Channel::NAMES);
                    let time = if wild_times && dice.chance(0.02) {
                        Micros(*dice.pick(&times))
                    } else {
                        arrival.sample.time
                    };
                    samples.push(Sample {
                        time,
                        channel: name.parse().unwrap(),
                        value: *dice.pick(&values),
                        ..arrival.sample
                    });
                }
            }
            let mut provisional = Detector::new(meta.setup);
            let mut watermark = Watermark::new();
            let mut settled = Detector::new(meta.setup);
            for sample in &samples {
                provisional.push(sample);
                watermark.push(*sample);
                for ready in watermark.drain() {
                    settled.push(&ready);
                }
                let _ = provisional.now();
            }
            provisional.finish();
            settled.finish();
            for row in extract(&samples, &meta) {
                let text = serde_json::to_string(&row).unwrap();
                let back: Row = serde_json::from_str(&text).unwrap();
                // Whatever is not a number would have become null, and come back as nothing.
                assert_eq!(serde_json::to_string(&back).unwrap(), text, "seed {seed}");
            }
        }
    });
}

/// An answer made from the truth, moved by so many seconds.
fn answer(session: &DrawnSession, late_s: f64) -> Heard {
    let rows: Vec<Row> = session
        .truth
        .pours
        .iter()
        .map(|pour| {
            let at = pour.at.plus_seconds(late_s);
            let mut row = bare_pour("drawn", "bench-1", at, FoundBy::Trace);
            row.pour_temperature_c = Some(pour.probe_c);
            Row::Pour(row)
        })
        .collect();
    Heard {
        settled: rows.clone(),
        extracted: rows,
        ..Heard::default()
    }
}

#[test]
fn a_perfect_answer_scores_full_and_a_late_one_does_not() {
    let session = draw(5, &Settings::of(Mix::calm()));
    let pours = session.truth.pours.len();
    let tally = |heard: &Heard| {
        let mut tally = Tally::default();
        tally.add(&score(&session, heard));
        tally
    };
    let perfect = tally(&answer(&session, 0.0));
    assert_eq!(perfect.all.pours, pours);
    assert_eq!((perfect.all.found, perfect.all.in_time), (pours, pours));
    assert_eq!(perfect.all.in_temperature, pours);
    assert_eq!(perfect.false_pours, 0);
    let late = tally(&answer(&session, 3.0));
    assert_eq!((late.all.found, late.all.in_time), (pours, 0));
    let elsewhere = tally(&answer(&session, 90.0));
    assert_eq!((elsewhere.all.found, elsewhere.false_pours), (0, pours));
    let mut twice = answer(&session, 0.0);
    twice.settled.extend(answer(&session, 1.0).settled);
    let twice = tally(&twice);
    assert_eq!((twice.all.found, twice.false_pours), (pours, pours));
    assert_eq!(twice.differ, [session.seed]);
}
