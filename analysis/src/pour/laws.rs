//! Laws that hold for every trace: the order of arrival does not matter, nor where a feed is
//! split; nothing panics.
#![allow(clippy::unwrap_used)]

use proptest::prelude::*;

use super::extract::rows;
use super::synthetic::{Act, BenchTrace};
use super::trade_tests::meta;
use super::{Detector, FoundBy, Mark, Row, Setup, Watermark, extract};
use crate::channel::Channel;
use crate::sample::{Quality, Sample};
use crate::time::Micros;

/// A short session with a pour in it, its constants drawn.
fn traces() -> impl Strategy<Value = BenchTrace> {
    (
        any::<u64>(),
        0.2..4.0_f64,
        any::<[bool; 4]>(),
        5.0..40.0_f64,
    )
        .prop_map(
            |(seed, rate_hz, [valve, stopper, fahrenheit, vacuum], drop)| {
                let mut trace = BenchTrace::one_flask();
                (trace.from_s, trace.start_c, trace.length_s) = (1400.0, 965.0, 1640.0);
                trace.acts = vec![(1500.0, Act::Pour(drop, 8.0))];
                trace.seed = seed;
                trace.rate_hz = rate_hz;
                (trace.valve, trace.stopper) = (valve, stopper);
                (trace.fahrenheit, trace.vacuum) = (fahrenheit, vacuum);
                trace
            },
        )
}

/// What the final feed tells when samples come in the order of `arrivals`, split into calls of
/// `chunk` samples.
fn final_feed(arrivals: &[Sample], chunk: usize) -> Vec<Row> {
    let mut watermark = Watermark::new();
    let mut detector = Detector::new(meta().setup);
    let mut events = Vec::new();
    for part in arrivals.chunks(chunk.max(1)) {
        for sample in part {
            assert!(watermark.push(*sample));
        }
        for sample in watermark.drain() {
            events.append(&mut detector.push(&sample));
        }
        // A restart takes up where the state was kept.
        detector = detector.clone();
    }
    for sample in watermark.flush() {
        events.append(&mut detector.push(&sample));
    }
    events.append(&mut detector.finish());
    rows(events, &meta().session, &meta().machine)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// The live final feed of samples up to 10 s late, split anywhere, equals extraction of the
    /// same samples in any order, to the last bit.
    #[test]
    fn live_and_extracted_answers_are_the_same(
        trace in traces(),
        chunk in 1_usize..400,
        hold_ups in prop::collection::vec(0_i64..10_000_000, 64),
    ) {
        let samples = trace.samples();
        let mut arrivals: Vec<(i64, Sample)> = samples
            .iter()
            .enumerate()
            .map(|(i, s)| (s.time.0 + hold_ups[i * 7 % 64], *s))
            .collect();
        arrivals.sort_by_key(|a| a.0);
        let arrivals: Vec<Sample> = arrivals.into_iter().map(|a| a.1).collect();
        let extracted = extract(&samples, &meta());
        let reversed: Vec<Sample> = samples.iter().rev().copied().collect();
        prop_assert_eq!(&extract(&reversed, &meta()), &extracted);
        prop_assert_eq!(&final_feed(&arrivals, chunk), &extracted);
        prop_assert!(!extracted.is_empty() || !trace.vacuum);
    }

    #[test]
    fn nothing_panics_and_nothing_is_nan(
        readings in prop::collection::vec(
            (
                prop_oneof![any::<i64>(), -5_000_000_000_i64..5_000_000_000],
                0_usize..12,
                prop_oneof![any::<f64>(), 0.0..1000.0_f64, Just(f64::NAN), Just(f64::INFINITY)],
                0_u8..6,
            ),
            0..300,
        ),
        mark in any::<i64>(),
    ) {
        let channels: Vec<Channel> = Channel::NAMES.iter().map(|n| n.parse().unwrap()).collect();
        let samples: Vec<Sample> = readings
            .iter()
            .map(|&(time, channel, value, quality)| Sample {
                time: Micros(time),
                channel: channels[channel].of_kiln(quality),
                value,
                quality: Quality::from_code(quality),
            })
            .collect();
        let found = extract(&samples, &meta());
        let text = serde_json::to_string(&found).unwrap();
        prop_assert!(!text.contains("NaN"));
        let mark = Mark { at: Micros(mark), found_by: FoundBy::Hand };
        let _ = extract::measure(&samples, &meta(), mark);
        // The provisional feed takes them as they come.
        let mut detector = Detector::new(Setup::default());
        for sample in &samples {
            detector.push(sample);
            detector.advance(sample.time);
            let _ = detector.now();
        }
        detector.mark(mark);
        detector.finish();
    }
}

#[test]
fn rows_are_written_and_read_back_in_the_shapes_others_rely_on() {
    let mut trace = BenchTrace::one_flask();
    (trace.from_s, trace.start_c) = (1400.0, 968.0);
    trace.acts = vec![(1500.0, Act::Pour(22.0, 10.0))];
    let found = extract(&trace.samples(), &meta());
    let lines: Vec<String> = found
        .iter()
        .map(|row| serde_json::to_string(row).unwrap())
        .collect();
    assert!(lines[0].starts_with(
        r#"{"kind":"pull","session":"2026-11-18T1106-bench-1","machine":"bench-1","opened_at":"2026-11-18T11:31:1"#
    ));
    assert!(lines[0].ends_with(
        r#""loss_kpa_min":null,"loss_se_kpa_min":null,"verdict":"good","poured":true}"#
    ));
    assert!(lines[1].starts_with(r#"{"kind":"pour","session""#));
    assert!(lines[1].contains(r#""flask":null,"#));
    assert!(lines[1].ends_with(r#""seal_age_pours":null,"quality":["no-kiln-reading"]}"#));
    for (line, row) in lines.iter().zip(&found) {
        let back: Row = serde_json::from_str(line).unwrap();
        // Times are written to the millisecond; a number may come back a bit in the last place.
        assert!(back.at().seconds_since(row.at()).abs() <= 0.001);
        match (back, row) {
            (Row::Pour(a), Row::Pour(b)) => {
                assert_eq!(
                    (a.number, a.found_by, &a.quality),
                    (1, b.found_by, &b.quality)
                );
            }
            (Row::Pull(a), Row::Pull(b)) => assert_eq!(a.verdict, b.verdict),
            (back, _) => panic!("{back:?} is not {line}"),
        }
    }
    let words = super::rows::quality::WORDS;
    assert!(words.is_sorted() && words.iter().all(|w| !w.contains(' ')));
}
