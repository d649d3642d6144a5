//! A trace that another logger took, into samples: columns `time`, `channel`, `value`, and the
//! unit either in a column of its own or in the header of the values, `value [degF]`.

use analysis::channel::{Channel, NotAChannel, Quantity};
use analysis::sample::{Quality, Sample};
use analysis::time::Micros;
use analysis::units::{Sense, Unit, read_switch};
use jiff::civil::DateTime;
use jiff::tz::TimeZone;

use super::error::{BadRow, ImportError};
use super::sheet::{Row, Sheet};
use crate::checksum::sha256;

/// How to read a trace file.
#[derive(Clone, Debug, PartialEq)]
pub struct TraceOptions {
    /// The shop's time zone, for times without an offset: most loggers write local time.
    pub zone: TimeZone,
    /// What its vacuum counts from.
    pub sense: Sense,
    /// Air pressure to take an absolute vacuum from where the file has no barometer, kPa.
    pub ambient_kpa: f64,
}

struct Columns {
    time: usize,
    channel: usize,
    value: usize,
    unit: Option<usize>,
    value_unit: Option<String>,
}

/// Reads a trace file into samples, sorted into the order of every final feed.
///
/// A vacuum that is read as absolute is taken from the barometer of the same file where it has
/// one: its last reading before.
///
/// # Errors
/// [`ImportError::File`] for the header, [`ImportError::BadRows`] with every bad row; a trace is
/// taken whole or not at all.
pub fn read_trace(
    name: &str,
    bytes: Vec<u8>,
    options: &TraceOptions,
) -> Result<Vec<Sample>, ImportError> {
    let sheet = Sheet::read(name, bytes)?;
    let columns = header(&sheet)?;
    let mut samples = Vec::with_capacity(sheet.rows.len());
    let mut bad = Vec::new();
    for row in &sheet.rows {
        match sample(&sheet, row, &columns, &options.zone) {
            Ok(sample) => samples.push(sample),
            Err((column, reason)) => bad.push(BadRow {
                file: sheet.name.clone(),
                line: row.line,
                column: column.map(|c| sheet.header[c].clone()),
                reason,
            }),
        }
    }
    if !bad.is_empty() {
        return Err(ImportError::BadRows {
            rows: bad,
            good: samples.len(),
        });
    }
    if samples.is_empty() {
        return Err(ImportError::File {
            file: sheet.name,
            problem: "has a header and no rows".into(),
        });
    }
    samples.sort_by(Sample::total_cmp);
    // In the total order a barometer's reading comes before a vacuum of the same instant.
    let mut ambient_kpa = options.ambient_kpa;
    for sample in &mut samples {
        match sample.channel {
            Channel::Barometer => ambient_kpa = sample.value,
            Channel::Vacuum => {
                sample.value = options.sense.below_ambient_kpa(sample.value, ambient_kpa);
            }
            _ => {}
        }
    }
    samples.sort_by(Sample::total_cmp);
    Ok(samples)
}

fn header(sheet: &Sheet) -> Result<Columns, ImportError> {
    let refuse = |problem: String| ImportError::File {
        file: sheet.name.clone(),
        problem,
    };
    const NAMES: [&str; 4] = ["time", "channel", "value", "unit"];
    let mut found = [None; 4];
    let mut value_unit = None;
    for (at, column) in sheet.header.iter().enumerate() {
        let (name, unit) = match column.split_once('[') {
            Some((name, rest)) => (
                name.trim(),
                Some(rest.trim_end().trim_end_matches(']').trim()),
            ),
            None => (column.as_str(), None),
        };
        let name = name.to_lowercase();
        let Some(known) = NAMES.iter().position(|n| *n == name) else {
            let nearest = NAMES
                .iter()
                .map(|n| (strsim::osa_distance(n, &name), n))
                .min()
                .map_or("", |(_, n)| *n);
            return Err(refuse(format!(
                "the column \"{column}\" is not known; the nearest is \"{nearest}\""
            )));
        };
        match unit {
            Some(unit) if NAMES[known] == "value" => value_unit = Some(unit.to_owned()),
            Some(unit) => {
                return Err(refuse(format!(
                    "the column \"{column}\" has no unit; leave out [{unit}]"
                )));
            }
            None => {}
        }
        if found[known].replace(at).is_some() {
            return Err(refuse(format!("the column \"{name}\" is there twice")));
        }
    }
    let must = |i: usize| {
        found[i].ok_or_else(|| refuse(format!("the column \"{}\" is missing", NAMES[i])))
    };
    let columns = Columns {
        time: must(0)?,
        channel: must(1)?,
        value: must(2)?,
        unit: found[3],
        value_unit,
    };
    if columns.unit.is_none() == columns.value_unit.is_none() {
        return Err(refuse(
            "units are needed once: a column \"unit\", or one unit for all in \"value [degF]\""
                .into(),
        ));
    }
    Ok(columns)
}

type Complaint = (Option<usize>, String);

fn sample(
    sheet: &Sheet,
    row: &Row,
    columns: &Columns,
    zone: &TimeZone,
) -> Result<Sample, Complaint> {
    if let Some(misfit) = sheet.misfit(row) {
        return Err((None, misfit));
    }
    let cell = |at: usize| {
        row.cell(at)
            .ok_or_else(|| (Some(at), "is empty".to_owned()))
    };
    let text = cell(columns.time)?;
    let time = read_time(sheet, text, zone).map_err(|reason| (Some(columns.time), reason))?;
    let channel: Channel = cell(columns.channel)?
        .parse()
        .map_err(|e: NotAChannel| (Some(columns.channel), e.to_string()))?;
    let text = cell(columns.value)?;
    let quantity = channel.quantity();
    let value = if quantity == Quantity::Switch {
        read_switch(text).map_err(|e| (Some(columns.value), e.to_string()))?
    } else {
        let (at, word) = match (columns.unit, &columns.value_unit) {
            (Some(at), _) => (at, cell(at)?),
            (None, Some(word)) => (columns.value, word.as_str()),
            (None, None) => (columns.value, ""),
        };
        let unit = Unit::parse_for(quantity, word).map_err(|e| (Some(at), e.to_string()))?;
        let value = sheet
            .number(text)
            .ok_or_else(|| (Some(columns.value), sheet.not_a_number(text)))?;
        unit.to_canonical(value)
    };
    if quantity == Quantity::Temperature && value <= crate::records::flasks::ABSOLUTE_ZERO_C {
        return Err((
            Some(columns.value),
            format!("\"{text}\" is below absolute zero"),
        ));
    }
    Ok(Sample {
        time,
        channel,
        value,
        quality: Quality::Good,
    })
}

/// A hash of samples in their order: the same trace has the same, however its rows were sorted
/// and its file is called.
pub fn samples_sha256(samples: &[Sample]) -> String {
    let mut bytes = Vec::with_capacity(samples.len() * 40);
    for sample in samples {
        bytes.extend_from_slice(&sample.time.0.to_le_bytes());
        bytes.extend_from_slice(&sample.value.to_bits().to_le_bytes());
        bytes.push(sample.quality.code());
        bytes.extend_from_slice(sample.channel.to_string().as_bytes());
        bytes.push(0);
    }
    sha256(&bytes)
}

/// Reads a time with its offset, one of the shop's own, or UNIX time. A local time that the
/// change of the clocks skips or repeats is refused: a guess would put an hour of samples among
/// those of another.
fn read_time(sheet: &Sheet, text: &str, zone: &TimeZone) -> Result<Micros, String> {
    if let Some(time) = unix_time(sheet, text) {
        return Ok(time);
    }
    if let Ok(time) = Micros::parse_rfc3339(text) {
        return Ok(time);
    }
    // Shorter than 2026-11-18T09:12 is a day, and a day is no time of a sample.
    let local: Option<DateTime> = text.parse().ok().filter(|_| text.len() >= 16);
    let Some(local) = local else {
        return Err(format!(
            "\"{text}\" is not a time; write it like 2026-11-18T09:12:00Z, like \
             2026-11-18T09:12:00 in the shop's time, or as UNIX seconds"
        ));
    };
    match zone.to_ambiguous_timestamp(local).unambiguous() {
        Ok(stamp) => Ok(Micros(stamp.as_microsecond())),
        Err(_) => Err(format!(
            "\"{text}\" is skipped or repeated in the shop's time as the clocks change; write \
             it with its offset, like 2026-11-18T09:12:00Z"
        )),
    }
}

/// Reads UNIX time in s, ms or µs told apart by its size: between the years 1973 and 5138 the
/// three do not overlap.
fn unix_time(sheet: &Sheet, text: &str) -> Option<Micros> {
    let whole: Option<i64> = text.parse().ok();
    if let Some(n) = whole {
        return match n {
            100_000_000..100_000_000_000 => n.checked_mul(1_000_000).map(Micros),
            100_000_000_000..100_000_000_000_000 => n.checked_mul(1000).map(Micros),
            100_000_000_000_000..100_000_000_000_000_000 => Some(Micros(n)),
            _ => None,
        };
    }
    // With a fraction it is seconds.
    let seconds = sheet.number(text)?;
    (1e8..1e11)
        .contains(&seconds)
        .then(|| Micros((seconds * 1e6).round() as i64))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// A needle that counts from the air, in Dublin.
    fn needle() -> TraceOptions {
        TraceOptions {
            zone: TimeZone::get("Europe/Dublin").unwrap(),
            sense: Sense::BelowAmbient,
            ambient_kpa: 101.325,
        }
    }

    fn read(text: &str, options: &TraceOptions) -> Result<Vec<Sample>, String> {
        read_trace("trace.csv", text.as_bytes().to_vec(), options).map_err(|e| e.to_string())
    }

    #[test]
    fn a_trace_in_shop_units_becomes_samples_in_order() {
        let samples = read(
            "time,channel,value,unit\n\
             2026-11-18T09:12:01Z,melt_temperature,1774.4,degF\n\
             1795000321,vacuum,25,inHg\n\
             1795000320500,stopper,open,\n\
             2026-11-18T10:12:00+01:00,kiln_temperature.2,823.15,K\n",
            &needle(),
        )
        .unwrap();
        let got: Vec<(i64, String, f64)> = samples
            .iter()
            .map(|s| {
                (
                    s.time.0 / 1000,
                    s.channel.to_string(),
                    (s.value * 1e3).round() / 1e3,
                )
            })
            .collect();
        let nine = Micros::parse_rfc3339("2026-11-18T09:12:00Z").unwrap().0 / 1000;
        assert_eq!(
            got,
            [
                (nine, "kiln_temperature.2".into(), 550.0),
                (nine + 1000, "melt_temperature".into(), 968.0),
                (1_795_000_320_500, "stopper".into(), 1.0),
                // 25 inHg is 84.66 kPa (NIST SP 811: 3.386 389 kPa each, from memory).
                (1_795_000_321_000, "vacuum".into(), 84.66),
            ]
        );
    }

    #[test]
    fn an_absolute_vacuum_is_taken_from_the_files_own_barometer() {
        let options = TraceOptions {
            sense: Sense::Absolute,
            ..needle()
        };
        let samples = read(
            "time,channel,value,unit\n\
             1795000319,vacuum,1.325,kPa\n\
             1795000320,vacuum,10,kPa\n\
             1795000320,barometer,990,hPa\n",
            &options,
        )
        .unwrap();
        let vacuum: Vec<f64> = samples
            .iter()
            .filter(|s| s.channel == Channel::Vacuum)
            .map(|s| s.value)
            .collect();
        assert_eq!(vacuum, [100.0, 89.0]);
    }

    /// Ireland keeps UTC+1 from the last Sunday of March to that of October, both changes at
    /// 01:00 UTC (Directive 2000/84/EC; in 2026: 29 March and 25 October).
    #[test]
    fn a_time_without_an_offset_is_the_shops() {
        let at = |time: &str| {
            read(
                &format!("time,channel,value,unit\n{time},vacuum,1,kPa\n"),
                &needle(),
            )
            .map(|samples| samples[0].time.rfc3339_ms())
        };
        for (written, utc) in [
            ("2026-10-06T09:00:00", "2026-10-06T08:00:00.000Z"),
            ("2026-10-06 09:00:00.5", "2026-10-06T08:00:00.500Z"),
            ("2026-11-18T09:12", "2026-11-18T09:12:00.000Z"),
            ("2026-10-25T00:59:59", "2026-10-24T23:59:59.000Z"),
            ("2026-10-25T01:30:00+01:00", "2026-10-25T00:30:00.000Z"),
        ] {
            assert_eq!(at(written).as_deref(), Ok(utc), "{written}");
        }
        for doubtful in ["2026-10-25T01:30:00", "2026-03-29T01:30:00"] {
            let error = at(doubtful).unwrap_err();
            assert!(error.contains("write it with its offset"), "{error}");
        }
        assert!(at("2026-10-06").unwrap_err().contains("is not a time"));
    }

    #[test]
    fn the_same_samples_have_the_same_hash_however_they_are_written() {
        let hash = |rows: &str| {
            let samples = read(&format!("time,channel,value,unit\n{rows}"), &needle());
            samples_sha256(&samples.unwrap())
        };
        let first = hash("1795000320,vacuum,1,kPa\n1795000321,vacuum,2,kPa\n");
        assert_eq!(
            first,
            hash("1795000321000,vacuum,2,kPa\n2026-11-18T11:12:00Z,vacuum,10,hPa\n")
        );
        for other in [
            "1795000320,vacuum,1,kPa\n",
            "1795000320,vacuum,1,kPa\n1795000321,vacuum,2.5,kPa\n",
            "1795000320,vacuum,1,kPa\n1795000322,vacuum,2,kPa\n",
            "1795000320,vacuum,1,kPa\n1795000321,barometer,2,kPa\n",
        ] {
            assert_ne!(first, hash(other), "{other}");
        }
    }

    #[test]
    fn one_unit_for_all_stands_in_the_header() {
        let samples = read(
            "time;channel;value [degF]\n1795000320;melt_temperature;212,0\n",
            &needle(),
        );
        assert_eq!(samples.unwrap()[0].value, 100.0);
    }

    #[test]
    fn each_bad_cell_is_named() {
        let cases = [
            (
                "yesterday,vacuum,1,kPa",
                "column \"time\": \"yesterday\" is not a time",
            ),
            (
                "1795000320,vacum,1,kPa",
                "column \"channel\": \"vacum\" is not a channel",
            ),
            (
                "1795000320,vacuum,2q.1,kPa",
                "column \"value\": \"2q.1\" is not a number",
            ),
            (
                "1795000320,vacuum,1,Cel",
                "column \"unit\": \"Cel\" is not a unit of vacuum",
            ),
            (
                "1795000320,stopper,ajar,",
                "column \"value\": \"ajar\" is not a switch position",
            ),
            (
                "1795000320,melt_temperature,-500,degF",
                "column \"value\": \"-500\" is below absolute zero",
            ),
            ("1795000320,vacuum,1,", "column \"unit\": is empty"),
            (
                "1795000320,vacuum,1",
                ": has 3 cells where the header has 4",
            ),
            ("12,vacuum,1,kPa", "column \"time\": \"12\" is not a time"),
        ];
        for (row, complaint) in cases {
            let error = read(&format!("time,channel,value,unit\n{row}\n"), &needle()).unwrap_err();
            assert!(error.starts_with("trace.csv line 2"), "{error}");
            assert!(error.contains(complaint), "{error}");
        }
    }

    #[test]
    fn each_bad_header_is_named() {
        for (header, complaint) in [
            ("time,channel,unit", "the column \"value\" is missing"),
            ("time,chanel,value,unit", "the nearest is \"channel\""),
            ("time,channel,value", "units are needed once"),
            ("time,channel,value [kPa],unit", "units are needed once"),
            ("time [s],channel,value,unit", "leave out [s]"),
        ] {
            let error = read(&format!("{header}\n1,2,3,4\n"), &needle()).unwrap_err();
            assert!(error.contains(complaint), "{error}");
        }
        assert!(
            read("time,channel,value,unit\n", &needle())
                .unwrap_err()
                .contains("no rows")
        );
    }
}
