//! A folder on the machine's own disk.

use std::fs::{self, File, OpenOptions};
use std::io;
use std::os::unix::fs::{DirBuilderExt, FileExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use super::{Result, Storage, StorageError, StoredFile, parent};

/// Files: the service writes, its group may read, others see nothing.
const FILE_MODE: u32 = 0o640;
/// Folders, likewise.
const FOLDER_MODE: u32 = 0o750;

/// A book on the machine's own disk.
#[derive(Debug, Clone)]
pub struct RealDisk {
    root: PathBuf,
}

impl RealDisk {
    /// The book in `root`, which need not exist yet.
    pub fn new(root: impl Into<PathBuf>) -> Self {
        RealDisk { root: root.into() }
    }

    /// The book's folder.
    pub fn root(&self) -> &Path {
        &self.root
    }

    fn at(&self, path: &str) -> PathBuf {
        if path.is_empty() {
            self.root.clone()
        } else {
            self.root.join(path)
        }
    }
}

/// Names the path in an error.
fn told<T>(doing: &'static str, path: &Path, done: io::Result<T>) -> Result<T> {
    done.map_err(|source| StorageError {
        doing,
        path: path.display().to_string(),
        source,
    })
}

fn sync_folder(path: &Path) -> Result<()> {
    told(
        "cannot sync",
        path,
        File::open(path).and_then(|folder| folder.sync_all()),
    )
}

/// Makes `folder` and those above it that are missing, each made durable in its parent.
fn make_folder(folder: &Path) -> Result<()> {
    if folder.is_dir() {
        return Ok(());
    }
    let above = folder.parent().filter(|p| !p.as_os_str().is_empty());
    if let Some(above) = above {
        make_folder(above)?;
    }
    match fs::DirBuilder::new().mode(FOLDER_MODE).create(folder) {
        // Somebody else was as quick; the name still has to be made durable.
        Err(e) if e.kind() == io::ErrorKind::AlreadyExists && folder.is_dir() => {}
        done => told("cannot make", folder, done)?,
    }
    sync_folder(above.unwrap_or(Path::new(".")))
}

impl Storage for RealDisk {
    fn create(&self, path: &str) -> Result<Box<dyn StoredFile>> {
        let path = self.at(path);
        let file = OpenOptions::new()
            .read(true)
            .write(true)
            .create_new(true)
            .mode(FILE_MODE)
            .open(&path);
        let file = told("cannot make", &path, file)?;
        Ok(Box::new(RealFile { file, path }))
    }

    fn open(&self, path: &str) -> Result<Box<dyn StoredFile>> {
        let path = self.at(path);
        let file = OpenOptions::new().read(true).write(true).open(&path);
        let file = told("cannot open", &path, file)?;
        Ok(Box::new(RealFile { file, path }))
    }

    fn open_read(&self, path: &str) -> Result<Box<dyn StoredFile>> {
        let path = self.at(path);
        let file = told("cannot open", &path, File::open(&path))?;
        Ok(Box::new(RealFile { file, path }))
    }

    fn rename(&self, from: &str, to: &str) -> Result<()> {
        let from = self.at(from);
        told("cannot rename", &from, fs::rename(&from, self.at(to)))
    }

    fn remove(&self, path: &str) -> Result<()> {
        let path = self.at(path);
        told("cannot remove", &path, fs::remove_file(&path))
    }

    fn list(&self, folder: &str) -> Result<Vec<String>> {
        let path = self.at(folder);
        let entries = match fs::read_dir(&path) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            read => told("cannot list", &path, read)?,
        };
        let mut names = Vec::new();
        for entry in entries {
            let name = told("cannot list", &path, entry)?.file_name();
            // A name that is not UTF-8 is none of ours.
            if let Some(name) = name.to_str() {
                names.push(name.to_owned());
            }
        }
        names.sort();
        Ok(names)
    }

    fn exists(&self, path: &str) -> bool {
        self.at(path).exists()
    }

    fn sync_dir(&self, folder: &str) -> Result<()> {
        sync_folder(&self.at(folder))
    }

    fn create_dir(&self, folder: &str) -> Result<()> {
        make_folder(&self.at(folder))
    }

    fn free_bytes(&self) -> Result<u64> {
        let stat = rustix::fs::statvfs(&self.root).map_err(io::Error::from);
        let stat = told("cannot ask the free room of", &self.root, stat)?;
        Ok(stat.f_bavail.saturating_mul(stat.f_frsize))
    }

    fn lock(&self, path: &str) -> Result<Box<dyn Send + Sync>> {
        make_folder(&self.at(parent(path)))?;
        let path = self.at(path);
        let file = OpenOptions::new()
            .write(true)
            .create(true)
            .truncate(false)
            .mode(FILE_MODE)
            .open(&path);
        let file = told("cannot open", &path, file)?;
        // The kernel lets go of it when the process ends, however it ends.
        let held = match file.try_lock() {
            Ok(()) => Ok(()),
            Err(fs::TryLockError::WouldBlock) => Err(io::Error::new(
                io::ErrorKind::WouldBlock,
                "another pourbook is at work on this book; stop it first",
            )),
            Err(fs::TryLockError::Error(e)) => Err(e),
        };
        told("cannot lock", &path, held)?;
        Ok(Box::new(file))
    }
}

struct RealFile {
    file: File,
    path: PathBuf,
}

impl StoredFile for RealFile {
    fn write_at(&mut self, offset: u64, bytes: &[u8]) -> Result<()> {
        told(
            "cannot write",
            &self.path,
            self.file.write_all_at(bytes, offset),
        )
    }

    fn read_at(&self, offset: u64, into: &mut [u8]) -> Result<usize> {
        let mut got = 0;
        while got < into.len() {
            match self.file.read_at(&mut into[got..], offset + got as u64) {
                Ok(0) => break,
                Ok(n) => got += n,
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => return told("cannot read", &self.path, Err(e)),
            }
        }
        Ok(got)
    }

    fn size(&self) -> Result<u64> {
        told(
            "cannot ask the size of",
            &self.path,
            self.file.metadata().map(|m| m.len()),
        )
    }

    fn sync_data(&mut self) -> Result<()> {
        told("cannot sync", &self.path, self.file.sync_data())
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn what_was_written_reads_back_and_folders_come_with_their_parents() {
        let dir = tempfile::tempdir().unwrap();
        let disk = RealDisk::new(dir.path().join("book"));
        disk.create_dir("traces/year=2026").unwrap();
        let mut file = disk.create("traces/year=2026/a").unwrap();
        file.fill_with_zeros(10_000).unwrap();
        file.write_at(9_998, b"xyz").unwrap();
        file.sync_data().unwrap();
        disk.rename("traces/year=2026/a", "traces/year=2026/b")
            .unwrap();
        disk.sync_dir("traces/year=2026").unwrap();
        let bytes = disk
            .open_read("traces/year=2026/b")
            .unwrap()
            .read_all()
            .unwrap();
        assert_eq!((bytes.len(), &bytes[9_998..]), (10_001, &b"xyz"[..]));
        assert_eq!(disk.list("traces/year=2026").unwrap(), ["b"]);
        assert!(disk.list("nowhere").unwrap().is_empty());
        assert!(disk.free_bytes().unwrap() > 0);
    }

    #[test]
    fn two_on_one_book_is_refused_until_the_first_is_gone() {
        let dir = tempfile::tempdir().unwrap();
        let disk = RealDisk::new(dir.path());
        let held = disk.lock("journal/lock").unwrap();
        let Err(refused) = disk.lock("journal/lock") else {
            panic!("locked twice")
        };
        assert!(refused.is_held(), "{refused}");
        drop(held);
        disk.lock("journal/lock").unwrap();
    }

    #[test]
    fn an_error_names_the_file() {
        let dir = tempfile::tempdir().unwrap();
        let Err(e) = RealDisk::new(dir.path()).open("journal/none") else {
            panic!("opened nothing")
        };
        assert!(e.is_missing());
        assert!(e.to_string().contains("journal/none"), "{e}");
    }
}
