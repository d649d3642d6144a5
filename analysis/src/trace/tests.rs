//! A trace comes back as it went in, and whatever is not a trace is an error.

use std::io::{self, Cursor, Write};

use polars_core::prelude::{Column, DataFrame};
use polars_io::parquet::write::ParquetWriter;
use proptest::prelude::*;

use super::*;
use crate::sample::{Quality, Sample};
use crate::time::Micros;

fn sample(channel: Channel, time: i64, value: f64) -> Sample {
    Sample {
        time: Micros(time),
        channel,
        value,
        quality: Quality::Good,
    }
}

fn metadata() -> Vec<(String, String)> {
    vec![
        ("pourbook.schema".into(), "1".into()),
        ("pourbook.session".into(), "2026-11-18T0912-bench-1".into()),
    ]
}

/// Writes samples that are sorted by channel then time.
fn write(samples: &[Sample]) -> Vec<u8> {
    let mut file = Vec::new();
    let mut writer = TraceWriter::new(&mut file, &metadata()).unwrap();
    for run in samples.chunk_by(|a, b| a.channel == b.channel) {
        writer.write_channel(run[0].channel, run).unwrap();
    }
    let summary = writer.finish().unwrap();
    assert_eq!(summary.rows, samples.len() as u64);
    assert_eq!(summary.bytes, file.len() as u64);
    file
}

/// Noise as a bench makes it: a slow swing, half a kelvin of noise, a tenth of resolution, and
/// arrival times that jitter by a millisecond or two.
fn melt(seconds: i64, hz: i64) -> Vec<Sample> {
    let mut state = 0x2545_f491_4f6c_dd1d_u64;
    let mut noise = move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5
    };
    (0..seconds * hz)
        .map(|i| {
            let t = i as f64 / hz as f64;
            let value = 900.0 + 60.0 * (t / 700.0).sin() + noise() + noise() + noise();
            let jitter = (2000.0 * noise()) as i64;
            sample(
                Channel::MeltTemperature,
                1_795_000_000_000_000 + i * 1_000_000 / hz + jitter,
                (value * 10.0).round() / 10.0,
            )
        })
        .collect()
}

prop_compose! {
    fn any_sample()(
        channel in prop::sample::select(vec![
            Channel::Barometer,
            Channel::GasFlow,
            Channel::KilnTemperature(0),
            Channel::KilnTemperature(1),
            Channel::MeltTemperature,
            Channel::Vacuum,
        ]),
        time in -4_000_000_000_000_000_i64..4_000_000_000_000_000,
        value in prop_oneof![
            (-2_000_000_i32..2_000_000).prop_map(|v| f64::from(v) / 10.0),
            prop::num::f64::NORMAL | prop::num::f64::SUBNORMAL | prop::num::f64::ZERO
                | prop::num::f64::POSITIVE | prop::num::f64::NEGATIVE,
        ],
        quality in 0_u8..=4,
    ) -> Sample {
        Sample { time: Micros(time), channel, value, quality: Quality::from_code(quality) }
    }
}

fn by_channel(a: &Sample, b: &Sample) -> std::cmp::Ordering {
    a.channel.cmp(&b.channel).then(a.total_cmp(b))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Holds to the bit: -0 stays -0, subnormals stay. Values are finite by contract.
    #[test]
    fn what_was_written_is_what_is_read(
        mut samples in prop::collection::vec(any_sample(), 0..300)
    ) {
        samples.sort_by(by_channel);
        let back = read_trace(Cursor::new(write(&samples))).unwrap();
        prop_assert_eq!(back.metadata, metadata());
        let bits = |s: &[Sample]| -> Vec<u64> { s.iter().map(|s| s.value.to_bits()).collect() };
        prop_assert_eq!(bits(&back.samples), bits(&samples));
        prop_assert_eq!(back.samples, samples);
    }

    /// A damaged byte is an error or goes unnoticed; it never brings the program down.
    #[test]
    fn a_damaged_byte_never_panics(place in any::<prop::sample::Index>(), with in any::<u8>()) {
        let mut file = write(&melt(60, 2));
        let place = place.index(file.len());
        file[place] = with;
        match read_trace(Cursor::new(file)) {
            Ok(trace) => prop_assert!(trace.samples.len() <= 120),
            Err(error) => prop_assert!(!error.to_string().is_empty()),
        }
    }
}

#[test]
fn a_trace_cut_short_anywhere_is_an_error_and_never_a_shorter_trace() {
    let file = write(&melt(30, 2));
    for length in 0..file.len() {
        let error = read_trace(Cursor::new(&file[..length])).unwrap_err();
        assert!(
            matches!(error, TraceError::Damaged { .. }),
            "{length}: {error}"
        );
    }
    assert_eq!(read_trace(Cursor::new(&file)).unwrap().samples.len(), 60);
}

#[test]
fn other_files_are_refused_with_what_and_how_to_mend() {
    let check = |file: &[u8], says: &str| {
        let error = read_trace(Cursor::new(file)).unwrap_err().to_string();
        assert!(error.contains(says), "{error}");
    };
    check(b"", "not a whole Parquet file");
    check(b"channel,time,value\n", "restore it from a backup");
    check(&[0; 4096], "not a whole Parquet file");

    let parquet = |columns: Vec<Column>| {
        let mut file = Vec::new();
        let mut frame = DataFrame::new_infer_height(columns).unwrap();
        ParquetWriter::new(&mut file).finish(&mut frame).unwrap();
        file
    };
    let channel = |names: &[&str]| Column::new("channel".into(), names);
    let value = || Column::new("value".into(), [1.0, 2.0]);
    let number = |name: &str| Column::new(name.into(), [1_i64, 2]);
    check(
        &parquet(vec![number("speed"), number("depth")]),
        "its columns are speed, depth",
    );
    check(
        &parquet(vec![
            channel(&["vacuum", "vacuum"]),
            number("time"),
            value(),
            number("quality"),
        ]),
        "column time is of type Int64",
    );
    check(
        &parquet(vec![
            channel(&["vacuum", "vacuum"]),
            number("when"),
            value(),
            number("quality"),
        ]),
        "it has no column time",
    );
}

#[test]
fn a_long_channel_is_split_into_row_groups_that_read_back_one_by_one() {
    let long = melt(300_000, 1);
    let mut samples = vec![sample(Channel::GasFlow, 7, 3.0)];
    samples.extend(&long);
    let mut reader = TraceReader::open(Cursor::new(write(&samples))).unwrap();
    let sizes: Vec<usize> = reader.groups().iter().map(|g| g.rows).collect();
    assert_eq!(sizes, [1, ROWS_PER_GROUP, 50_000]);
    assert_eq!(
        reader.channels(),
        [Channel::GasFlow, Channel::MeltTemperature]
    );
    assert_eq!(reader.rows(), 300_001);
    assert_eq!(reader.value_of("pourbook.schema"), Some("1"));
    assert_eq!(reader.read_group(2).unwrap(), long[ROWS_PER_GROUP..]);
    assert_eq!(reader.read_channel(Channel::MeltTemperature).unwrap(), long);
    assert!(reader.read_channel(Channel::Vacuum).unwrap().is_empty());
    assert!(reader.read_group(3).is_err());
}

#[test]
fn a_channel_may_be_written_in_pieces_but_order_is_held() {
    let mut file = Vec::new();
    let mut writer = TraceWriter::new(&mut file, &[]).unwrap();
    let at = |channel, time| [sample(channel, time, 1.0)];
    writer
        .write_channel(Channel::GasFlow, &at(Channel::GasFlow, 5))
        .unwrap();
    writer
        .write_channel(Channel::GasFlow, &at(Channel::GasFlow, 5))
        .unwrap();
    assert!(matches!(
        writer.write_channel(Channel::GasFlow, &at(Channel::GasFlow, 4)),
        Err(TraceError::TimeOrder { .. })
    ));
    assert!(matches!(
        writer.write_channel(Channel::Vacuum, &at(Channel::GasFlow, 6)),
        Err(TraceError::WrongChannel { .. })
    ));
    assert!(matches!(
        writer.write_channel(Channel::Barometer, &at(Channel::Barometer, 6)),
        Err(TraceError::ChannelOrder { .. })
    ));
    writer.write_channel(Channel::Vacuum, &[]).unwrap();
    assert_eq!(writer.finish().unwrap().rows, 2);
    assert_eq!(read_trace(Cursor::new(file)).unwrap().samples.len(), 2);
}

#[test]
fn a_full_disk_is_told_as_such() {
    /// A disk with this many bytes left.
    struct Disk(usize);
    impl Write for Disk {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            let n = bytes.len().min(self.0);
            if n == 0 {
                return Err(io::ErrorKind::StorageFull.into());
            }
            self.0 -= n;
            Ok(n)
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }
    let samples = melt(600, 2);
    let whole = write(&samples).len();
    for left in [0, 3, 200, whole / 2, whole - 1] {
        let mut writer = TraceWriter::new(Disk(left), &metadata()).unwrap();
        let error = writer
            .write_channel(Channel::MeltTemperature, &samples)
            .and_then(|()| writer.finish().map(|_| ()))
            .unwrap_err();
        assert!(
            matches!(&error, TraceError::Io(e) if e.kind() == io::ErrorKind::StorageFull),
            "{left}: {error}"
        );
    }
}

/// The figure that design and README promise: at most 3 bytes a sample.
#[test]
fn a_shift_of_melt_readings_takes_under_three_bytes_a_sample() {
    let samples = melt(4 * 3600, 5);
    let bytes = write(&samples).len() as f64 / samples.len() as f64;
    assert!(bytes < 3.0, "{bytes:.2} bytes a sample");
}
