//! Files that appear whole or not at all: written under another name in the same folder, made
//! durable, renamed into place, and the name made durable too.

use std::fmt;
use std::io::{self, Read, Seek, SeekFrom, Write};

use super::{Result, Storage, StorageError, StoredFile, parent};

/// Writes a file at its end, for code that takes a [`Write`].
pub struct AppendTo<'a> {
    file: &'a mut dyn StoredFile,
    at: u64,
    failed: Option<StorageError>,
}

impl<'a> AppendTo<'a> {
    /// Goes on at `at`.
    pub fn new(file: &'a mut dyn StoredFile, at: u64) -> Self {
        AppendTo {
            file,
            at,
            failed: None,
        }
    }

    /// Bytes in the file so far.
    pub fn position(&self) -> u64 {
        self.at
    }

    /// What the disk said when a write failed, which the [`io::Error`] that went up through
    /// other people's code may no longer tell.
    pub fn take_failure(&mut self) -> Option<StorageError> {
        self.failed.take()
    }
}

impl Write for AppendTo<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self.file.write_at(self.at, bytes) {
            Ok(()) => {
                self.at += bytes.len() as u64;
                Ok(bytes.len())
            }
            Err(e) => {
                let told = io::Error::new(e.source.kind(), e.to_string());
                self.failed = Some(e);
                Err(told)
            }
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Reads a file from front to back or anywhere, for code that takes a [`Read`] and a [`Seek`].
pub struct ReadFrom {
    file: Box<dyn StoredFile>,
    at: u64,
    size: u64,
}

impl fmt::Debug for ReadFrom {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "ReadFrom({} of {})", self.at, self.size)
    }
}

impl ReadFrom {
    /// From the file's start.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn new(file: Box<dyn StoredFile>) -> Result<Self> {
        let size = file.size()?;
        Ok(ReadFrom { file, at: 0, size })
    }
}

impl Read for ReadFrom {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let read = self.file.read_at(self.at, into);
        let n = read.map_err(|e| io::Error::new(e.source.kind(), e.to_string()))?;
        self.at += n as u64;
        Ok(n)
    }
}

impl Seek for ReadFrom {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let at = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::End(by) => self.size.checked_add_signed(by),
            SeekFrom::Current(by) => self.at.checked_add_signed(by),
        };
        self.at = at.ok_or(io::ErrorKind::InvalidInput)?;
        Ok(self.at)
    }
}

/// Puts a file at `path`, whole or not at all, in place of one that is there. `write` gets an
/// empty file to fill. Folders that are missing are made. After `Ok` the file is durable; after
/// an error or a power cut, what was at `path` before is still there.
///
/// # Errors
/// What `write` or the disk said.
pub fn replace_file<E: From<StorageError>>(
    storage: &dyn Storage,
    path: &str,
    write: impl FnOnce(&mut AppendTo<'_>) -> std::result::Result<(), E>,
) -> std::result::Result<(), E> {
    let folder = parent(path);
    storage.create_dir(folder)?;
    let name = path.strip_prefix(folder).unwrap_or(path);
    let name = name.trim_start_matches('/');
    // A leading dot keeps half-written files out of the sight of anything that globs `*.parquet`.
    let draft = if folder.is_empty() {
        format!(".{name}.draft")
    } else {
        format!("{folder}/.{name}.draft")
    };
    if storage.exists(&draft) {
        storage.remove(&draft)?;
    }
    let written = fill(storage, &draft, write).and_then(|()| Ok(storage.rename(&draft, path)?));
    if let Err(e) = written {
        // Give the room back; if even that fails, the first error is the one to tell.
        let _: Result<()> = storage.remove(&draft);
        return Err(e);
    }
    Ok(storage.sync_dir(folder)?)
}

fn fill<E: From<StorageError>>(
    storage: &dyn Storage,
    draft: &str,
    write: impl FnOnce(&mut AppendTo<'_>) -> std::result::Result<(), E>,
) -> std::result::Result<(), E> {
    let mut file = storage.create(draft)?;
    let mut out = AppendTo::new(file.as_mut(), 0);
    if let Err(e) = write(&mut out) {
        return Err(match out.take_failure() {
            Some(disk) => disk.into(),
            None => e,
        });
    }
    Ok(file.sync_data()?)
}
