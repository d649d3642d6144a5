//! Parquet to samples, a row group at a time.
//!
//! The decoder below panics on some damaged files. Here that is an error like any other: every
//! call into it is caught, sizes are checked against the file before anything is allocated, and
//! the file must have exactly the columns of a trace. What was read is checked too: one channel
//! a row group, channels ascending, times not going back.

use std::io::{Cursor, Read, Seek, SeekFrom};
use std::ops::Range;
use std::panic::{AssertUnwindSafe, catch_unwind};

use polars_arrow::array::{Array, PrimitiveArray, Utf8ViewArray};
use polars_arrow::datatypes::{ArrowDataType, Field, TimeUnit};
use polars_parquet::read::schema::parquet_to_arrow_schema;
use polars_parquet::read::{
    BasicDecompressor, FileMetadata, PageReader, column_iter_to_arrays, read_metadata,
};

use super::{COLUMNS, TraceError};
use crate::channel::Channel;
use crate::sample::{Quality, Sample};
use crate::time::Micros;

/// Largest page that is decoded, bytes. Ours stay under 3 MB; a larger one means damage.
const PAGE_LIMIT: usize = 64 << 20;

/// Most rows that one row group may claim, several times what is ever written.
const GROUP_ROWS_LIMIT: usize = 16 << 20;

/// A whole trace in memory.
#[derive(Clone, Debug, PartialEq)]
pub struct Trace {
    /// The file's key-value metadata, as written.
    pub metadata: Vec<(String, String)>,
    /// Every sample, by channel then time.
    pub samples: Vec<Sample>,
}

impl Trace {
    /// The metadata value under this key.
    pub fn value_of(&self, key: &str) -> Option<&str> {
        value_of(&self.metadata, key)
    }
}

/// One row group: a run of samples of one channel, in order of time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Group {
    /// Its channel.
    pub channel: Channel,
    /// How many samples.
    pub rows: usize,
}

/// Reads one trace piece by piece: memory stays at one row group, however long the session.
pub struct TraceReader<R> {
    reader: R,
    length: u64,
    file: FileMetadata,
    /// The columns as [`COLUMNS`] orders them, whatever order the file has them in.
    columns: [(usize, Field); 4],
    metadata: Vec<(String, String)>,
    groups: Vec<Group>,
}

impl<R: Read + Seek> TraceReader<R> {
    /// Reads the footer and finds which channel each row group holds.
    ///
    /// # Errors
    /// [`TraceError::Io`] from the reader, [`TraceError::Damaged`] for a file that is cut short
    /// or is no Parquet, [`TraceError::Foreign`] for Parquet that is no trace.
    pub fn open(mut reader: R) -> Result<Self, TraceError> {
        let length = reader.seek(SeekFrom::End(0))?;
        let file = caught(|| read_metadata(&mut reader))?;
        let columns = check_columns(&file)?;
        let metadata = file
            .key_value_metadata()
            .iter()
            .flatten()
            .map(|kv| (kv.key.clone(), kv.value.clone().unwrap_or_default()))
            .collect();
        let mut open = TraceReader {
            reader,
            length,
            file,
            columns,
            metadata,
            groups: Vec::new(),
        };
        open.groups = open.find_groups()?;
        Ok(open)
    }

    /// The file's key-value metadata, as written.
    pub fn metadata(&self) -> &[(String, String)] {
        &self.metadata
    }

    /// The metadata value under this key.
    pub fn value_of(&self, key: &str) -> Option<&str> {
        value_of(&self.metadata, key)
    }

    /// Samples in the file.
    pub fn rows(&self) -> u64 {
        self.groups.iter().map(|g| g.rows as u64).sum()
    }

    /// The row groups in order: channels ascending, and within a channel time.
    pub fn groups(&self) -> &[Group] {
        &self.groups
    }

    /// The channels in the file, ascending.
    pub fn channels(&self) -> Vec<Channel> {
        let mut channels: Vec<Channel> = self.groups.iter().map(|g| g.channel).collect();
        channels.dedup();
        channels
    }

    /// The samples of row group `index` of [`TraceReader::groups`].
    ///
    /// # Errors
    /// As [`TraceReader::open`]; [`TraceError::Foreign`] also when there is no such group.
    pub fn read_group(&mut self, index: usize) -> Result<Vec<Sample>, TraceError> {
        let Some(&Group { channel, rows }) = self.groups.get(index) else {
            return Err(foreign(format!("it has no row group {index}")));
        };
        let times = self.read_primitive::<i64>(index, 1)?;
        let values = self.read_primitive::<f64>(index, 2)?;
        let qualities = self.read_primitive::<u8>(index, 3)?;
        if [times.len(), values.len(), qualities.len()] != [rows; 3] {
            return Err(damaged(format!(
                "row group {index} has columns of different lengths"
            )));
        }
        if !times.is_sorted() {
            return Err(foreign(format!(
                "the times of {channel} in row group {index} are not in order"
            )));
        }
        Ok(times
            .into_iter()
            .zip(values)
            .zip(qualities)
            .map(|((time, value), quality)| Sample {
                time: Micros(time),
                channel,
                value,
                quality: Quality::from_code(quality),
            })
            .collect())
    }

    /// Every sample of one channel; none if the trace has none of it.
    ///
    /// # Errors
    /// As [`TraceReader::read_group`].
    pub fn read_channel(&mut self, channel: Channel) -> Result<Vec<Sample>, TraceError> {
        let mut samples: Vec<Sample> = Vec::new();
        for index in 0..self.groups.len() {
            if self.groups[index].channel != channel {
                continue;
            }
            let group = self.read_group(index)?;
            if let (Some(last), Some(first)) = (samples.last(), group.first())
                && first.time < last.time
            {
                return Err(foreign(format!(
                    "the times of {channel} go back in row group {index}"
                )));
            }
            samples.extend(group);
        }
        Ok(samples)
    }

    fn find_groups(&mut self) -> Result<Vec<Group>, TraceError> {
        let mut groups: Vec<Group> = Vec::with_capacity(self.file.row_groups.len());
        for index in 0..self.file.row_groups.len() {
            let rows = self.file.row_groups[index].num_rows();
            if rows == 0 {
                return Err(damaged(format!("row group {index} is empty")));
            }
            if rows > GROUP_ROWS_LIMIT {
                return Err(damaged(format!("row group {index} claims {rows} rows")));
            }
            let channel = self.read_name(index)?;
            if groups.last().is_some_and(|g| g.channel > channel) {
                return Err(foreign(format!(
                    "row group {index} ({channel}) is out of order; rows must be sorted by channel, then time"
                )));
            }
            groups.push(Group { channel, rows });
        }
        Ok(groups)
    }

    /// The one channel of a row group.
    fn read_name(&mut self, group: usize) -> Result<Channel, TraceError> {
        let rows = self.file.row_groups[group].num_rows();
        let mut name: Option<Channel> = None;
        let mut last = String::new();
        let mut seen = 0;
        for array in self.read_arrays(group, 0)? {
            let names = array
                .as_any()
                .downcast_ref::<Utf8ViewArray>()
                .ok_or_else(|| damaged("the channel column decoded to another type".to_owned()))?;
            for value in names.values_iter() {
                seen += 1;
                if name.is_some() && value == last {
                    continue;
                }
                let channel = value
                    .parse()
                    .map_err(|e: crate::channel::NotAChannel| foreign(e.to_string()))?;
                if name
                    .replace(channel)
                    .is_some_and(|before| before != channel)
                {
                    return Err(foreign(format!(
                        "row group {group} holds more than one channel; write one row group per channel"
                    )));
                }
                last = value.to_owned();
            }
        }
        match name {
            Some(channel) if seen == rows => Ok(channel),
            _ => Err(damaged(format!(
                "row group {group} has {seen} channel names for {rows} rows"
            ))),
        }
    }

    fn read_primitive<T: polars_arrow::types::NativeType>(
        &mut self,
        group: usize,
        column: usize,
    ) -> Result<Vec<T>, TraceError> {
        let mut values = Vec::with_capacity(self.file.row_groups[group].num_rows());
        for array in self.read_arrays(group, column)? {
            let array = array
                .as_any()
                .downcast_ref::<PrimitiveArray<T>>()
                .ok_or_else(|| {
                    damaged(format!(
                        "the {} column decoded to another type",
                        COLUMNS[column]
                    ))
                })?;
            values.extend_from_slice(array.values());
        }
        Ok(values)
    }

    /// Decodes one column of one row group.
    fn read_arrays(
        &mut self,
        group: usize,
        column: usize,
    ) -> Result<Vec<Box<dyn Array>>, TraceError> {
        let (place, field) = self.columns[column].clone();
        let chunk = &self.file.row_groups[group].parquet_columns()[place];
        let range = caught(|| Ok::<_, TraceError>(chunk.byte_range()))?;
        let bytes = read_range(&mut self.reader, range, self.length, group, COLUMNS[column])?;
        let arrays = caught(|| {
            let pages = PageReader::new(Cursor::new(bytes.into()), chunk, vec![], PAGE_LIMIT);
            column_iter_to_arrays(
                vec![BasicDecompressor::new(pages, vec![])],
                vec![&chunk.descriptor().descriptor.primitive_type],
                field,
                None,
            )
        })?
        .0;
        if arrays.iter().any(|a| a.null_count() > 0) {
            return Err(foreign(format!(
                "column {} has empty values in row group {group}",
                COLUMNS[column]
            )));
        }
        Ok(arrays)
    }
}

/// Reads a whole trace into memory: 24 bytes a sample.
///
/// # Errors
/// As [`TraceReader::open`]. A file that ends early, or is not a trace, is always an error and
/// never a shorter trace.
pub fn read_trace<R: Read + Seek>(reader: R) -> Result<Trace, TraceError> {
    let mut reader = TraceReader::open(reader)?;
    let mut samples = Vec::new();
    for channel in reader.channels() {
        samples.extend(reader.read_channel(channel)?);
    }
    Ok(Trace {
        metadata: reader.metadata,
        samples,
    })
}

fn value_of<'a>(metadata: &'a [(String, String)], key: &str) -> Option<&'a str> {
    metadata
        .iter()
        .find(|(k, _)| k == key)
        .map(|(_, v)| v.as_str())
}

fn read_range<R: Read + Seek>(
    reader: &mut R,
    range: Range<u64>,
    length: u64,
    group: usize,
    column: &str,
) -> Result<Vec<u8>, TraceError> {
    if range.end > length {
        return Err(damaged(format!(
            "column {column} of row group {group} lies outside the file"
        )));
    }
    reader.seek(SeekFrom::Start(range.start))?;
    let wanted = range.end - range.start;
    let mut bytes = Vec::new();
    reader.take(wanted).read_to_end(&mut bytes)?;
    if (bytes.len() as u64) < wanted {
        return Err(damaged(format!(
            "column {column} of row group {group} is cut short"
        )));
    }
    Ok(bytes)
}

/// The places of the four columns. Types are taken from the Parquet schema alone, so that a
/// trace re-written by another program is still one.
fn check_columns(file: &FileMetadata) -> Result<[(usize, Field); 4], TraceError> {
    let schema = caught(|| Ok::<_, TraceError>(parquet_to_arrow_schema(file.schema().fields())))?;
    let names: Vec<&str> = schema.iter_names().map(|n| n.as_str()).collect();
    if schema.len() != COLUMNS.len() || file.schema().columns().len() != COLUMNS.len() {
        return Err(foreign(format!("its columns are {}", names.join(", "))));
    }
    let find = |name: &str, right: fn(&ArrowDataType) -> bool| {
        let Some((place, _, field)) = schema.get_full(name) else {
            return Err(foreign(format!(
                "it has no column {name}, only {}",
                names.join(", ")
            )));
        };
        if !right(field.dtype()) {
            return Err(foreign(format!(
                "column {name} is of type {:?}",
                field.dtype()
            )));
        }
        Ok((place, field.clone()))
    };
    Ok([
        find(COLUMNS[0], |t| *t == ArrowDataType::Utf8View)?,
        find(COLUMNS[1], |t| {
            matches!(t, ArrowDataType::Timestamp(TimeUnit::Microsecond, Some(_)))
        })?,
        find(COLUMNS[2], |t| *t == ArrowDataType::Float64)?,
        find(COLUMNS[3], |t| *t == ArrowDataType::UInt8)?,
    ])
}

/// Calls into the decoder: its errors and its panics are both damage. The panic's message still
/// goes through the process's panic hook; the caller decides whether anyone sees it.
fn caught<T, E: std::fmt::Display>(call: impl FnOnce() -> Result<T, E>) -> Result<T, TraceError> {
    // Unwind safety: whatever the closure was building is dropped, and the reader's position is
    // set anew before every read.
    match catch_unwind(AssertUnwindSafe(call)) {
        Ok(Ok(value)) => Ok(value),
        Ok(Err(error)) => Err(damaged(error.to_string())),
        Err(panic) => {
            let said = panic
                .downcast_ref::<String>()
                .map(String::as_str)
                .or_else(|| panic.downcast_ref::<&str>().copied())
                .unwrap_or("the decoder gave up");
            Err(damaged(said.to_owned()))
        }
    }
}

fn damaged(reason: String) -> TraceError {
    TraceError::Damaged { reason }
}

fn foreign(reason: String) -> TraceError {
    TraceError::Foreign { reason }
}
