//! Samples to Parquet, a channel at a time, so that memory stays flat however long the session.
//!
//! Written with the Parquet encoder directly rather than through data frames: times are then
//! delta-encoded, values share a dictionary only where that is smaller, and the file needs no
//! Arrow schema of ours to be understood.

use std::io::{self, Write};
use std::sync::{Arc, Mutex, PoisonError};

use polars_arrow::array::{Array, DictionaryArray, PrimitiveArray, Utf8ViewArray};
use polars_arrow::datatypes::{ArrowDataType, ArrowSchema, Field, TimeUnit};
use polars_arrow::record_batch::RecordBatchT;
use polars_parquet::write::{
    CompressionOptions, Encoding, FileWriter, KeyValue, StatisticsOptions, Version, WriteOptions,
    ZstdLevel, row_group_iter,
};

use super::{COLUMNS, ROWS_PER_GROUP, TraceError};
use crate::channel::Channel;
use crate::sample::Sample;
use crate::time::Micros;

/// zstd level. 3 is within 3 % of level 9 on sensor noise at a third of its time.
const ZSTD_LEVEL: i32 = 3;

/// What was written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Summary {
    /// Samples in the file.
    pub rows: u64,
    /// Size of the file, bytes.
    pub bytes: u64,
}

/// Writes one trace. Nothing of the file can be read before [`TraceWriter::finish`]; a writer
/// that is dropped, or that returned an error, leaves a file that no reader accepts.
pub struct TraceWriter<W: Write> {
    /// The encoder; it owns what it writes to.
    file: FileWriter<Noting<W>>,
    /// The last error of the caller's writer. The encoder turns errors into text, and a full
    /// disk must stay recognisable.
    noted: Arc<Mutex<Option<io::Error>>>,
    schema: Arc<ArrowSchema>,
    options: WriteOptions,
    metadata: Vec<KeyValue>,
    /// Channel and time of the last sample written, to hold the order.
    last: Option<(Channel, Micros)>,
    rows: u64,
}

impl<W: Write> TraceWriter<W> {
    /// A writer of an empty trace. `metadata` becomes the file's key-value metadata, as it is.
    ///
    /// # Errors
    /// [`TraceError::Encode`] if the encoder refuses the schema, which would be a fault here.
    pub fn new(out: W, metadata: &[(String, String)]) -> Result<Self, TraceError> {
        let schema = schema();
        let level = ZstdLevel::try_new(ZSTD_LEVEL).map_err(encode)?;
        let options = WriteOptions {
            statistics: StatisticsOptions::default(),
            version: Version::V1,
            compression: CompressionOptions::Zstd(Some(level)),
            data_page_size: None,
        };
        let noted = Arc::new(Mutex::new(None));
        let out = Noting {
            inner: out,
            noted: Arc::clone(&noted),
        };
        let file = FileWriter::try_new(out, schema.clone(), options).map_err(encode)?;
        Ok(TraceWriter {
            file,
            noted,
            schema: Arc::new(schema),
            options,
            metadata: metadata
                .iter()
                .map(|(key, value)| KeyValue {
                    key: key.clone(),
                    value: Some(value.clone()),
                })
                .collect(),
            last: None,
            rows: 0,
        })
    }

    /// Appends the samples of one channel, already in order of time. A channel may be written in
    /// several calls, as long as time goes on and no other channel comes between; no samples is
    /// no rows. Values are finite by contract; a NaN would be stored as it is.
    ///
    /// # Errors
    /// [`TraceError::ChannelOrder`], [`TraceError::WrongChannel`], [`TraceError::TimeOrder`] for
    /// samples out of order, of which then none is written; [`TraceError::Io`] from the
    /// caller's writer.
    pub fn write_channel(
        &mut self,
        channel: Channel,
        samples: &[Sample],
    ) -> Result<(), TraceError> {
        let Some(end) = samples.last() else {
            return Ok(());
        };
        self.check_order(channel, samples)?;
        for group in samples.chunks(ROWS_PER_GROUP) {
            self.write_group(channel, group)?;
        }
        self.last = Some((channel, end.time));
        Ok(())
    }

    /// Writes the footer, without which the file is not readable, and flushes.
    ///
    /// # Errors
    /// [`TraceError::Io`] from the caller's writer.
    pub fn finish(mut self) -> Result<Summary, TraceError> {
        let metadata = std::mem::take(&mut self.metadata);
        let bytes = self
            .file
            .end(Some(metadata))
            .map_err(|e| self.why(&e.to_string()))?;
        Ok(Summary {
            rows: self.rows,
            bytes,
        })
    }

    fn check_order(&self, channel: Channel, samples: &[Sample]) -> Result<(), TraceError> {
        let mut before = match self.last {
            Some((last, _)) if last > channel => {
                return Err(TraceError::ChannelOrder {
                    last,
                    next: channel,
                });
            }
            Some((last, time)) if last == channel => time,
            _ => Micros(i64::MIN),
        };
        for sample in samples {
            if sample.channel != channel {
                return Err(TraceError::WrongChannel {
                    channel,
                    found: sample.channel,
                });
            }
            if sample.time < before {
                return Err(TraceError::TimeOrder { channel });
            }
            before = sample.time;
        }
        Ok(())
    }

    fn write_group(&mut self, channel: Channel, samples: &[Sample]) -> Result<(), TraceError> {
        let rows = samples.len();
        let times = PrimitiveArray::new(
            time_type(),
            samples.iter().map(|s| s.time.0).collect::<Vec<_>>().into(),
            None,
        );
        let (values, value_encoding) = encode_values(samples)?;
        let qualities =
            PrimitiveArray::from_vec(samples.iter().map(|s| s.quality.code()).collect());
        let arrays: Vec<Box<dyn Array>> = vec![
            encode_name(channel, rows)?,
            times.boxed(),
            values,
            qualities.boxed(),
        ];
        let batch =
            RecordBatchT::try_new(rows, Arc::clone(&self.schema), arrays).map_err(encode)?;
        let encodings = vec![
            vec![Encoding::RleDictionary],
            // Sensors tick: the differences are small and nearly equal, the times are not.
            vec![Encoding::DeltaBinaryPacked],
            vec![value_encoding],
            vec![Encoding::RleDictionary],
        ];
        let fields = self.file.parquet_schema().fields().to_vec();
        let columns = row_group_iter(batch, encodings.into(), fields, self.options);
        self.file
            .write(rows as u64, columns)
            .map_err(|e| self.why(&e.to_string()))?;
        self.rows += rows as u64;
        Ok(())
    }

    /// The caller's writer's own error, if that is what stopped the encoder.
    fn why(&self, said: &str) -> TraceError {
        let mut noted = self.noted.lock().unwrap_or_else(PoisonError::into_inner);
        match noted.take() {
            Some(error) => TraceError::Io(error),
            None => TraceError::Encode(said.to_owned()),
        }
    }
}

fn time_type() -> ArrowDataType {
    ArrowDataType::Timestamp(TimeUnit::Microsecond, Some("UTC".into()))
}

fn schema() -> ArrowSchema {
    let types = [
        ArrowDataType::Utf8View,
        time_type(),
        ArrowDataType::Float64,
        ArrowDataType::UInt8,
    ];
    COLUMNS
        .into_iter()
        .zip(types)
        .map(|(name, of)| (name.into(), Field::new(name.into(), of, false)))
        .collect()
}

/// The channel's name `rows` times over, which dictionary encoding makes a few bytes.
fn encode_name(channel: Channel, rows: usize) -> Result<Box<dyn Array>, TraceError> {
    let name = Utf8ViewArray::from_slice_values([channel.to_string()]);
    let keys = PrimitiveArray::<u32>::from_vec(vec![0; rows]);
    let array = DictionaryArray::try_from_keys(keys, name.boxed(), false).map_err(encode)?;
    Ok(array.boxed())
}

/// The values, through a dictionary where that is smaller: a sensor that rounds to a tenth of a
/// kelvin repeats itself. Equal means the same bits, so that −0 stays −0 and every value comes
/// back as it went in.
fn encode_values(samples: &[Sample]) -> Result<(Box<dyn Array>, Encoding), TraceError> {
    let values: Vec<f64> = samples.iter().map(|s| s.value).collect();
    let mut distinct = values.clone();
    distinct.sort_unstable_by(f64::total_cmp);
    distinct.dedup_by_key(|v| v.to_bits());

    let key_bits = usize::BITS - (distinct.len() - 1).leading_zeros();
    let with_dictionary = distinct.len() * 64 + values.len() * key_bits as usize;
    if with_dictionary >= values.len() * 64 {
        return Ok((PrimitiveArray::from_vec(values).boxed(), Encoding::Plain));
    }
    let keys = values
        .iter()
        .map(|v| distinct.partition_point(|d| d.total_cmp(v).is_lt()) as u32)
        .collect();
    let array = DictionaryArray::try_from_keys(
        PrimitiveArray::<u32>::from_vec(keys),
        PrimitiveArray::from_vec(distinct).boxed(),
        false,
    )
    .map_err(encode)?;
    Ok((array.boxed(), Encoding::RleDictionary))
}

fn encode(error: impl std::fmt::Display) -> TraceError {
    TraceError::Encode(error.to_string())
}

/// A writer that keeps its last error.
struct Noting<W> {
    inner: W,
    noted: Arc<Mutex<Option<io::Error>>>,
}

impl<W> Noting<W> {
    fn note<T>(&self, result: io::Result<T>) -> io::Result<T> {
        result.map_err(|error| {
            let copy = io::Error::new(error.kind(), error.to_string());
            if error.kind() != io::ErrorKind::Interrupted {
                *self.noted.lock().unwrap_or_else(PoisonError::into_inner) = Some(error);
            }
            copy
        })
    }
}

impl<W: Write> Write for Noting<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let result = self.inner.write(bytes);
        self.note(result)
    }

    fn flush(&mut self) -> io::Result<()> {
        let result = self.inner.flush();
        self.note(result)
    }
}
