//! Readings that are over and done (an imported trace, the demo's history) filed as sessions,
//! as if they had been heard: the same rules open and close them, the same file is written, the
//! same extractor reads it. They do not pass through the journal, since whoever brings them
//! still has them until this returns.

use std::sync::Arc;

use analysis::sample::{Quality, Sample};
use analysis::time::Micros;
use analysis::trace::{TraceError, TraceWriter};
use uuid::Uuid;

use crate::book::{session_name, trace_path};
use crate::checksum::sha256;
use crate::config::Config;
use crate::journal::{Claim, Origin, Reading};
use crate::place::Place;
use crate::records::sessions::{NewSession, Published};
use crate::records::{RecordError, Records};
use crate::session::keeper::{Keeper, KeeperSetup, Rules};
use crate::session::metadata::metadata;
use crate::session::settle;
use crate::session::trace_rows::{rows_of, told};
use crate::storage::{Storage, StorageError, replace_file};

/// Why readings could not be filed.
#[derive(Debug, thiserror::Error)]
pub enum FileError {
    /// The records refused.
    #[error(transparent)]
    Records(#[from] RecordError),
    /// The disk refused.
    #[error(transparent)]
    Storage(#[from] StorageError),
    /// The trace could not be written.
    #[error(transparent)]
    Trace(#[from] TraceError),
    /// Nothing in the readings opens a session.
    #[error(
        "nothing in these readings opens a session: the melt never passes {0} °C and no vacuum \
         is pulled; check the channels and units"
    )]
    NoSession(f64),
}

/// A sample of a place, before it is filed.
#[derive(Clone, Debug, PartialEq)]
pub struct Heard {
    /// Whose.
    pub place: Place,
    /// What and when, with kilns numbered 0.
    pub sample: Sample,
}

/// A session that was filed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Filed {
    /// Its identity.
    pub id: Uuid,
    /// Its name.
    pub name: String,
    /// Its trace below the book.
    pub trace: String,
    /// Samples in it.
    pub rows: u64,
}

/// Files readings of one machine, its kilns and the shop, in any order, as sessions. `machine`
/// must be in the records. Pours are found and matched to cards that are there already; what
/// spans sessions is left to [`settle::assemble_machine`].
///
/// # Errors
/// [`FileError`]; sessions filed before the failure stay.
pub fn file_readings(
    records: &mut Records,
    storage: &dyn Storage,
    config: &Config,
    machine: &str,
    mut readings: Vec<Heard>,
    now: Micros,
) -> Result<Vec<Filed>, FileError> {
    readings.sort_by(|a, b| a.sample.total_cmp(&b.sample));
    let kilns = config
        .machine(machine)
        .map_or_else(Vec::new, |m| m.kilns.clone());
    let rules = Rules::default();
    let hot_c = rules.hot_c;
    let setup = KeeperSetup {
        machine: machine.into(),
        kilns: kilns.clone(),
        rules,
    };
    let mut keeper = Keeper::new(setup, Vec::new(), Vec::new());
    let mut plans = Vec::new();
    let origin = Origin {
        source: "import".into(),
        client: "".into(),
        connection: 0,
        packet: 0,
        dup: false,
        payload_hash: 0,
    };
    for (seq, heard) in (1..).zip(&readings) {
        let at = heard.sample.time;
        keeper.take(seq, &as_reading(heard, &origin), Uuid::new_v4);
        plans.extend(keeper.due(at, Some(Micros(i64::MIN)), |_| false));
    }
    let open: Vec<Uuid> = keeper.open().iter().map(|s| s.id).collect();
    plans.extend(open.into_iter().filter_map(|id| keeper.close(id)));
    if plans.is_empty() {
        return Err(FileError::NoSession(hot_c));
    }
    plans.sort_by_key(|p| p.opened);
    let mut filed = Vec::new();
    for plan in plans {
        let name = free_name(records, config, machine, plan.opened)?;
        let path = trace_path(plan.opened, &config.shop.time_zone, machine, &name);
        let about = metadata(config, machine, &name, plan.id);
        let samples = claimed(&readings, &plan.claims);
        let (sha256, rows) = write_trace(storage, &path, &about, &samples)?;
        let published = Published {
            trace: path.clone(),
            sha256: sha256.clone(),
            rows,
            generation: 1,
        };
        records.add_imported_session(
            &NewSession {
                id: plan.id,
                name: name.clone(),
                machine: machine.to_owned(),
                opened_at: plan.opened,
                kilns: kilns.iter().map(|k| k.to_string()).collect(),
            },
            plan.to,
            Some(&published),
        )?;
        let found = rows_of(&samples, &told(&about, &name));
        settle::settle(records, plan.id, Some(sha256), found, now)?;
        filed.push(Filed {
            id: plan.id,
            name,
            trace: path,
            rows,
        });
    }
    Ok(filed)
}

/// A session name that neither the records nor a trace file has.
pub fn free_name(
    records: &Records,
    config: &Config,
    machine: &str,
    opened: Micros,
) -> Result<String, RecordError> {
    // Only names of that day can clash.
    let near = opened.plus_seconds(-86_400.0)..opened.plus_seconds(86_400.0);
    let taken: Vec<String> = records
        .sessions(Some(near.start), Some(near.end))?
        .into_iter()
        .map(|s| s.name)
        .collect();
    let name = session_name(opened, &config.shop.time_zone, machine, |n| {
        taken.iter().any(|t| t == n)
    });
    Ok(name)
}

fn as_reading(heard: &Heard, origin: &Origin) -> Reading {
    let sample = heard.sample;
    Reading {
        origin: origin.clone(),
        place: heard.place.clone(),
        channel: sample.channel,
        value: sample.value,
        quality: sample.quality,
        time: sample.time,
        device_time: Some(sample.time),
        arrival: sample.time,
        monotonic_us: sample.time.0,
    }
}

/// The samples that the claims take, under their names in the trace, sorted as a trace is.
fn claimed(readings: &[Heard], claims: &[Claim]) -> Vec<Sample> {
    let mut samples: Vec<Sample> = readings
        .iter()
        .filter_map(|heard| {
            let sample = heard.sample;
            claims
                .iter()
                .find(|c| {
                    c.place == heard.place
                        && c.channel == sample.channel
                        && c.from <= sample.time
                        && sample.time <= c.to
                })
                .map(|c| Sample {
                    channel: c.channel_in_trace,
                    ..sample
                })
        })
        .collect();
    samples.sort_by(|a, b| a.channel.cmp(&b.channel).then_with(|| a.total_cmp(b)));
    samples
}

fn write_trace(
    storage: &dyn Storage,
    path: &str,
    about: &[(String, String)],
    samples: &[Sample],
) -> Result<(String, u64), FileError> {
    let mut bytes = Vec::new();
    let mut writer = TraceWriter::new(&mut bytes, about)?;
    for channel in samples.chunk_by(|a, b| a.channel == b.channel) {
        writer.write_channel(channel[0].channel, channel)?;
    }
    let summary = writer.finish()?;
    replace_file::<FileError>(storage, path, |out| {
        use std::io::Write as _;
        out.write_all(&bytes)
            .map_err(|e| FileError::Trace(TraceError::Io(e)))
    })?;
    Ok((sha256(&bytes), summary.rows))
}

/// Samples of a trace file, with kilns by name again, ready to be filed.
pub fn placed(samples: Vec<Sample>, machine: &Arc<str>, kilns: &[Arc<str>]) -> Vec<Heard> {
    use analysis::channel::Channel;
    samples
        .into_iter()
        .map(|sample| {
            let (place, channel) = match sample.channel {
                Channel::KilnTemperature(n) | Channel::KilnDoor(n) => {
                    let kiln = kilns.get(usize::from(n)).cloned();
                    let name = kiln.unwrap_or_else(|| format!("kiln-{}", u16::from(n) + 1).into());
                    (Place::Kiln(name), sample.channel.of_kiln(0))
                }
                Channel::Barometer | Channel::RoomOxygen => (Place::Shop, sample.channel),
                other => (Place::Machine(Arc::clone(machine)), other),
            };
            Heard {
                place,
                sample: Sample { channel, ..sample },
            }
        })
        .collect()
}

/// A good sample.
pub fn good(time: Micros, channel: analysis::channel::Channel, value: f64) -> Sample {
    Sample {
        time,
        channel,
        value,
        quality: Quality::Good,
    }
}
