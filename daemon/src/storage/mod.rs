//! The disk as the journal and the publisher see it: a few calls whose durability is spelled
//! out, so that the same code runs on a real disk and on one that loses power on command.
//!
//! Every path is relative to the book's folder and written with `/`. A file's bytes are on disk
//! only after [`StoredFile::sync_data`]; its name is only after [`Storage::sync_dir`] of the
//! folder that holds it.

mod real;
#[cfg(any(test, feature = "testing"))]
pub mod sim;
mod whole;

use std::fmt;
use std::io;

pub use real::RealDisk;
pub use whole::{AppendTo, ReadFrom, replace_file};

/// Why the disk would not do it.
#[derive(Debug, thiserror::Error)]
#[error("{doing} {path}: {source}")]
pub struct StorageError {
    /// What was tried, as it reads in front of the path: `"cannot write"`.
    pub doing: &'static str,
    /// The file or folder.
    pub path: String,
    /// What the system said.
    #[source]
    pub source: io::Error,
}

impl StorageError {
    /// Whether the disk, or the share of it that the service may use, is full.
    pub fn is_full(&self) -> bool {
        matches!(
            self.source.kind(),
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded
        )
    }

    /// Whether the file is not there.
    pub fn is_missing(&self) -> bool {
        self.source.kind() == io::ErrorKind::NotFound
    }

    /// Whether another process holds it.
    pub fn is_held(&self) -> bool {
        self.source.kind() == io::ErrorKind::WouldBlock
    }
}

/// What every call gives.
pub type Result<T> = std::result::Result<T, StorageError>;

/// A folder on some disk.
pub trait Storage: Send + Sync + fmt::Debug + 'static {
    /// Makes a new, empty file, readable and writable.
    ///
    /// # Errors
    /// When it exists, or the disk refuses.
    fn create(&self, path: &str) -> Result<Box<dyn StoredFile>>;

    /// Opens a file for reading and writing.
    ///
    /// # Errors
    /// When it is not there ([`StorageError::is_missing`]), or the disk refuses.
    fn open(&self, path: &str) -> Result<Box<dyn StoredFile>>;

    /// Opens a file for reading only.
    ///
    /// # Errors
    /// When it is not there ([`StorageError::is_missing`]), or the disk refuses.
    fn open_read(&self, path: &str) -> Result<Box<dyn StoredFile>>;

    /// Gives a file another name, taking the place of a file of that name. Atomic, but durable
    /// only after [`Storage::sync_dir`].
    ///
    /// # Errors
    /// When it is not there, or the disk refuses.
    fn rename(&self, from: &str, to: &str) -> Result<()>;

    /// Removes a file.
    ///
    /// # Errors
    /// When it is not there, or the disk refuses.
    fn remove(&self, path: &str) -> Result<()>;

    /// The names in a folder, sorted; empty when there is no such folder.
    ///
    /// # Errors
    /// When the disk refuses.
    fn list(&self, folder: &str) -> Result<Vec<String>>;

    /// Whether there is a file or folder of that name.
    fn exists(&self, path: &str) -> bool;

    /// Makes the names in a folder durable. `""` is the book's own folder.
    ///
    /// # Errors
    /// When the disk refuses: nothing can then be said about any name in it.
    fn sync_dir(&self, folder: &str) -> Result<()>;

    /// Makes a folder and those above it, and makes each new name durable in its parent.
    ///
    /// # Errors
    /// When the disk refuses.
    fn create_dir(&self, folder: &str) -> Result<()>;

    /// Bytes that can still be written.
    ///
    /// # Errors
    /// When the disk refuses.
    fn free_bytes(&self) -> Result<u64>;

    /// Holds a lock file until what is returned is dropped, or the process ends in any way.
    ///
    /// # Errors
    /// [`StorageError::is_held`] when another process holds it.
    fn lock(&self, path: &str) -> Result<Box<dyn Send + Sync>>;
}

/// An open file.
pub trait StoredFile: Send {
    /// Writes all of `bytes` at `offset`, making the file longer if need be. Not durable yet.
    ///
    /// # Errors
    /// When the disk refuses; any part of `bytes` may then have been written.
    fn write_at(&mut self, offset: u64, bytes: &[u8]) -> Result<()>;

    /// Reads into `into` from `offset`; fewer bytes only at the file's end.
    ///
    /// # Errors
    /// When the disk refuses.
    fn read_at(&self, offset: u64, into: &mut [u8]) -> Result<usize>;

    /// Length in bytes.
    ///
    /// # Errors
    /// When the disk refuses.
    fn size(&self) -> Result<u64>;

    /// Makes every byte written so far durable, with the length needed to read them back.
    ///
    /// # Errors
    /// When the disk refuses. The bytes may be lost and **a second try may lie**: Linux reports
    /// a failed write once and then counts the page as clean.
    fn sync_data(&mut self) -> Result<()>;

    /// Fills the file with zeros up to `size` and makes it durable, so that later writes within
    /// it change no metadata and cannot run out of room.
    ///
    /// # Errors
    /// When the disk refuses, or is full.
    fn fill_with_zeros(&mut self, size: u64) -> Result<()> {
        const CHUNK: usize = 64 * 1024;
        let zeros = [0u8; CHUNK];
        let mut at = 0;
        while at < size {
            let n = (size - at).min(CHUNK as u64);
            self.write_at(at, &zeros[..n as usize])?;
            at += n;
        }
        self.sync_data()
    }

    /// The whole file.
    ///
    /// # Errors
    /// When the disk refuses.
    fn read_all(&self) -> Result<Vec<u8>> {
        let mut bytes = vec![0; self.size()? as usize];
        let got = self.read_at(0, &mut bytes)?;
        bytes.truncate(got);
        Ok(bytes)
    }
}

/// The folder part of a path, `""` for the book's own.
pub(crate) fn parent(path: &str) -> &str {
    path.rsplit_once('/').map_or("", |(folder, _)| folder)
}
