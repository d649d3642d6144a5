//! A disk for tests that loses power on command.
//!
//! It keeps what a program sees apart from what would survive: bytes per 512-byte sector, names
//! per entry of a folder. [`SimDisk::crash`] then keeps an arbitrary part of what was not synced
//! (any subset of sectors, one of them torn; any subset of creations, renames and removals),
//! which is harsher than a real file system, and so covers them. It can also fail the k-th call.
//! The failed sync of this disk does what Linux does: it reports once, and counts the pages as
//! clean, so that a program that tries again is told that all is well.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::io;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use super::{Result, Storage, StorageError, StoredFile, parent};

const SECTOR: usize = 512;

/// What goes wrong at the chosen call.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// The medium: EIO. A sync that fails so loses what it should have written.
    Medium,
    /// No room: ENOSPC, before anything is written.
    Full,
    /// No room half way: a part is written, then ENOSPC.
    Short,
}

/// A disk in memory. Clones are the same disk.
#[derive(Clone, Debug, Default)]
pub struct SimDisk {
    state: Arc<Mutex<State>>,
}

#[derive(Debug, Default)]
struct State {
    files: HashMap<u64, Inode>,
    next_inode: u64,
    /// What programs see.
    names: BTreeMap<String, Node>,
    /// What would survive.
    durable_names: BTreeMap<String, Node>,
    pending: Vec<NameChange>,
    /// Handles of an earlier power cycle are dead.
    power_cycle: u64,
    locked: BTreeSet<String>,
    calls: u64,
    fault: Option<(u64, Fault)>,
    free_bytes: Option<u64>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Node {
    Folder,
    File(u64),
}

#[derive(Clone, Debug)]
enum NameChange {
    Add(String, Node),
    Rename(String, String, Node),
    Remove(String),
}

#[derive(Debug, Default)]
struct Inode {
    seen: Vec<u8>,
    durable: Vec<u8>,
    /// Sectors written since the last sync.
    dirty: BTreeSet<usize>,
}

/// A small generator for choices that a seed repeats: splitmix64 (from memory: Steele, Lea & Flood
/// 2014, "Fast splittable pseudorandom number generators", fig. 14).
struct Choices(u64);

impl Choices {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, n: u64) -> u64 {
        self.next() % n.max(1)
    }
}

fn refused<T>(doing: &'static str, path: &str, kind: io::ErrorKind) -> Result<T> {
    Err(StorageError {
        doing,
        path: path.to_owned(),
        source: io::Error::from(kind),
    })
}

fn medium<T>(doing: &'static str, path: &str) -> Result<T> {
    Err(StorageError {
        doing,
        path: path.to_owned(),
        source: io::Error::other("input/output error"),
    })
}

impl State {
    /// Counts a call that changes something, and says whether it is the one to fail.
    fn count(&mut self) -> Option<Fault> {
        self.calls += 1;
        match self.fault {
            Some((k, fault)) if k == self.calls => Some(fault),
            _ => None,
        }
    }

    /// The same for calls that either happen or do not.
    fn count_whole(&mut self, doing: &'static str, path: &str) -> Result<()> {
        match self.count() {
            None => Ok(()),
            Some(Fault::Medium) => medium(doing, path),
            Some(Fault::Full | Fault::Short) => refused(doing, path, io::ErrorKind::StorageFull),
        }
    }

    fn apply(names: &mut BTreeMap<String, Node>, change: &NameChange) {
        match change {
            NameChange::Add(path, node) => {
                names.insert(path.clone(), *node);
            }
            NameChange::Rename(from, to, node) => {
                names.remove(from);
                names.insert(to.clone(), *node);
            }
            NameChange::Remove(path) => {
                names.remove(path);
            }
        }
    }

    fn change(&mut self, change: NameChange) {
        State::apply(&mut self.names, &change);
        self.pending.push(change);
    }
}

impl Inode {
    fn write(&mut self, offset: usize, bytes: &[u8]) {
        let end = offset + bytes.len();
        if self.seen.len() < end {
            // Growth dirties the sectors it passes over as well.
            let from = self.seen.len() / SECTOR;
            self.seen.resize(end, 0);
            self.dirty.extend(from..=(end - 1) / SECTOR);
        }
        self.seen[offset..end].copy_from_slice(bytes);
        if !bytes.is_empty() {
            self.dirty.extend(offset / SECTOR..=(end - 1) / SECTOR);
        }
    }

    fn keep_sector(&mut self, sector: usize, upto: usize) {
        let from = sector * SECTOR;
        let to = (from + upto).min(self.seen.len()).min(self.durable.len());
        if from < to {
            self.durable[from..to].copy_from_slice(&self.seen[from..to]);
        }
    }

    fn sync(&mut self) {
        self.durable.resize(self.seen.len(), 0);
        for sector in std::mem::take(&mut self.dirty) {
            self.keep_sector(sector, SECTOR);
        }
    }

    fn crash(&mut self, choose: &mut Choices) {
        if self.seen.len() > self.durable.len() && choose.below(2) == 0 {
            let grown = self.seen.len() - self.durable.len();
            let keep = choose.below(grown as u64 + 1) as usize;
            self.durable.resize(self.durable.len() + keep, 0);
        }
        // Everything, nothing, or any part in between.
        let share = choose.below(5);
        let torn = choose.below(self.dirty.len() as u64 * 2 + 1);
        for (n, sector) in std::mem::take(&mut self.dirty).into_iter().enumerate() {
            if n as u64 == torn {
                let upto = choose.below(SECTOR as u64) as usize;
                self.keep_sector(sector, upto);
                if choose.below(2) == 0 {
                    // The rest of a torn sector may be anything.
                    let from = (sector * SECTOR + upto).min(self.durable.len());
                    let to = ((sector + 1) * SECTOR).min(self.durable.len());
                    for byte in &mut self.durable[from..to] {
                        *byte = choose.next() as u8;
                    }
                }
            } else if choose.below(4) < share {
                self.keep_sector(sector, SECTOR);
            }
        }
        self.seen = self.durable.clone();
    }
}

impl SimDisk {
    /// An empty disk.
    pub fn new() -> Self {
        SimDisk::default()
    }

    fn state(&self) -> MutexGuard<'_, State> {
        // A test that panicked while it held the state is over; others may go on.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Cuts the power and gives it back. Of what was not synced, `seed` decides what is left.
    pub fn crash(&self, seed: u64) {
        let mut guard = self.state();
        let state = &mut *guard;
        let mut choose = Choices(seed);
        let share = choose.below(5);
        for change in std::mem::take(&mut state.pending) {
            let possible = match &change {
                NameChange::Add(..) => true,
                NameChange::Rename(from, ..) | NameChange::Remove(from) => {
                    state.durable_names.contains_key(from)
                }
            };
            if possible && choose.below(4) < share {
                State::apply(&mut state.durable_names, &change);
            }
        }
        // A file whose folder is gone is gone.
        let folders: BTreeSet<String> = state
            .durable_names
            .iter()
            .filter(|(_, node)| **node == Node::Folder)
            .map(|(path, _)| path.clone())
            .collect();
        state.durable_names.retain(|path, _| {
            let mut above = parent(path);
            while !above.is_empty() {
                if !folders.contains(above) {
                    return false;
                }
                above = parent(above);
            }
            true
        });
        state.names = state.durable_names.clone();
        let mut inodes: Vec<u64> = state.files.keys().copied().collect();
        inodes.sort_unstable();
        for inode in inodes {
            if let Some(file) = state.files.get_mut(&inode) {
                file.crash(&mut choose);
            }
        }
        let named: BTreeSet<u64> = state
            .names
            .values()
            .filter_map(|node| match node {
                Node::File(inode) => Some(*inode),
                Node::Folder => None,
            })
            .collect();
        state.files.retain(|inode, _| named.contains(inode));
        state.power_cycle += 1;
        state.locked.clear();
        state.fault = None;
    }

    /// Ends the program without cutting the power, as SIGKILL does: open files and locks go,
    /// every byte written stays visible, and nothing more is synced than was.
    pub fn kill(&self) {
        let mut state = self.state();
        state.power_cycle += 1;
        state.locked.clear();
        state.fault = None;
    }

    /// Calls so far that change something.
    pub fn calls(&self) -> u64 {
        self.state().calls
    }

    /// Fails the `k`-th call from now (1 is the next) that changes something.
    pub fn fail_call(&self, k: u64, fault: Fault) {
        let mut state = self.state();
        state.fault = Some((state.calls + k, fault));
    }

    /// Sets what [`Storage::free_bytes`] says; no limit at first.
    pub fn set_free_bytes(&self, bytes: Option<u64>) {
        self.state().free_bytes = bytes;
    }

    /// Damages the medium: turns over the bits of `mask` in one byte, on the disk itself.
    ///
    /// # Panics
    /// When there is no such byte: a test that damages nothing would prove nothing.
    pub fn flip(&self, path: &str, offset: usize, mask: u8) {
        let mut state = self.state();
        let Some(Node::File(inode)) = state.names.get(path).copied() else {
            panic!("no file {path} to damage");
        };
        let file = state.files.get_mut(&inode).expect("named files exist");
        file.seen[offset] ^= mask;
        file.durable[offset] ^= mask;
    }
}

impl Storage for SimDisk {
    fn create(&self, path: &str) -> Result<Box<dyn StoredFile>> {
        let mut state = self.state();
        state.count_whole("cannot make", path)?;
        if state.names.contains_key(path) {
            return refused("cannot make", path, io::ErrorKind::AlreadyExists);
        }
        let above = parent(path);
        if !above.is_empty() && state.names.get(above) != Some(&Node::Folder) {
            return refused("cannot make", path, io::ErrorKind::NotFound);
        }
        let inode = state.next_inode;
        state.next_inode += 1;
        state.files.insert(inode, Inode::default());
        state.change(NameChange::Add(path.to_owned(), Node::File(inode)));
        drop(state);
        self.open_read(path)
    }

    fn open(&self, path: &str) -> Result<Box<dyn StoredFile>> {
        self.open_read(path)
    }

    fn open_read(&self, path: &str) -> Result<Box<dyn StoredFile>> {
        let state = self.state();
        let Some(Node::File(inode)) = state.names.get(path).copied() else {
            return refused("cannot open", path, io::ErrorKind::NotFound);
        };
        Ok(Box::new(SimFile {
            disk: self.clone(),
            inode,
            power_cycle: state.power_cycle,
            path: path.to_owned(),
        }))
    }

    fn rename(&self, from: &str, to: &str) -> Result<()> {
        let mut state = self.state();
        state.count_whole("cannot rename", from)?;
        match state.names.get(from).copied() {
            Some(node) => {
                state.change(NameChange::Rename(from.to_owned(), to.to_owned(), node));
                Ok(())
            }
            None => refused("cannot rename", from, io::ErrorKind::NotFound),
        }
    }

    fn remove(&self, path: &str) -> Result<()> {
        let mut state = self.state();
        state.count_whole("cannot remove", path)?;
        if !state.names.contains_key(path) {
            return refused("cannot remove", path, io::ErrorKind::NotFound);
        }
        state.change(NameChange::Remove(path.to_owned()));
        Ok(())
    }

    fn list(&self, folder: &str) -> Result<Vec<String>> {
        let state = self.state();
        Ok(state
            .names
            .keys()
            .filter(|path| !path.is_empty() && parent(path) == folder)
            .map(|path| path[folder.len()..].trim_start_matches('/').to_owned())
            .collect())
    }

    fn exists(&self, path: &str) -> bool {
        path.is_empty() || self.state().names.contains_key(path)
    }

    fn sync_dir(&self, folder: &str) -> Result<()> {
        let mut guard = self.state();
        let state = &mut *guard;
        state.count_whole("cannot sync", folder)?;
        let mut later = Vec::new();
        for change in std::mem::take(&mut state.pending) {
            // A rename becomes durable with the folder that gains the name.
            let gains = match &change {
                NameChange::Add(path, _) | NameChange::Remove(path) => path,
                NameChange::Rename(_, to, _) => to,
            };
            if parent(gains) == folder {
                State::apply(&mut state.durable_names, &change);
            } else {
                later.push(change);
            }
        }
        state.pending = later;
        Ok(())
    }

    fn create_dir(&self, folder: &str) -> Result<()> {
        if self.exists(folder) {
            return Ok(());
        }
        self.create_dir(parent(folder))?;
        {
            let mut state = self.state();
            state.count_whole("cannot make", folder)?;
            state.change(NameChange::Add(folder.to_owned(), Node::Folder));
        }
        self.sync_dir(parent(folder))
    }

    fn free_bytes(&self) -> Result<u64> {
        Ok(self.state().free_bytes.unwrap_or(u64::MAX))
    }

    fn lock(&self, path: &str) -> Result<Box<dyn Send + Sync>> {
        let mut state = self.state();
        if !state.locked.insert(path.to_owned()) {
            return refused("cannot lock", path, io::ErrorKind::WouldBlock);
        }
        Ok(Box::new(SimLock {
            disk: self.clone(),
            path: path.to_owned(),
            power_cycle: state.power_cycle,
        }))
    }
}

struct SimLock {
    disk: SimDisk,
    path: String,
    power_cycle: u64,
}

impl Drop for SimLock {
    fn drop(&mut self) {
        let mut state = self.disk.state();
        if state.power_cycle == self.power_cycle {
            state.locked.remove(&self.path);
        }
    }
}

struct SimFile {
    disk: SimDisk,
    inode: u64,
    power_cycle: u64,
    path: String,
}

impl SimFile {
    fn with<T>(
        &self,
        doing: &'static str,
        act: impl FnOnce(&mut Inode, Option<Fault>) -> Result<T>,
        changes: bool,
    ) -> Result<T> {
        let mut state = self.disk.state();
        if state.power_cycle != self.power_cycle {
            return medium(doing, &self.path);
        }
        let fault = if changes { state.count() } else { None };
        match state.files.get_mut(&self.inode) {
            Some(file) => act(file, fault),
            None => medium(doing, &self.path),
        }
    }
}

impl StoredFile for SimFile {
    fn write_at(&mut self, offset: u64, bytes: &[u8]) -> Result<()> {
        let doing = "cannot write";
        let path = self.path.clone();
        self.with(
            doing,
            |file, fault| {
                let offset = offset as usize;
                match fault {
                    None => file.write(offset, bytes),
                    Some(Fault::Medium) => return medium(doing, &path),
                    Some(Fault::Full) => {
                        return refused(doing, &path, io::ErrorKind::StorageFull);
                    }
                    Some(Fault::Short) => {
                        file.write(offset, &bytes[..bytes.len() / 2]);
                        return refused(doing, &path, io::ErrorKind::StorageFull);
                    }
                }
                Ok(())
            },
            true,
        )
    }

    fn read_at(&self, offset: u64, into: &mut [u8]) -> Result<usize> {
        self.with(
            "cannot read",
            |file, _| {
                let from = (offset as usize).min(file.seen.len());
                let n = into.len().min(file.seen.len() - from);
                into[..n].copy_from_slice(&file.seen[from..from + n]);
                Ok(n)
            },
            false,
        )
    }

    fn size(&self) -> Result<u64> {
        self.with(
            "cannot ask the size of",
            |file, _| Ok(file.seen.len() as u64),
            false,
        )
    }

    fn sync_data(&mut self) -> Result<()> {
        let path = self.path.clone();
        self.with(
            "cannot sync",
            |file, fault| match fault {
                None => {
                    file.sync();
                    Ok(())
                }
                Some(_) => {
                    // The pages count as clean from now on, though nothing reached the disk.
                    file.durable.resize(file.seen.len(), 0);
                    file.dirty.clear();
                    medium("cannot sync", &path)
                }
            },
            true,
        )
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn written(disk: &SimDisk, path: &str, bytes: &[u8]) -> Box<dyn StoredFile> {
        let mut file = disk.create(path).unwrap();
        file.write_at(0, bytes).unwrap();
        file
    }

    #[test]
    fn what_was_synced_survives_every_crash() {
        for seed in 0..500 {
            let disk = SimDisk::new();
            let mut file = written(&disk, "a", &[7; 3072]);
            file.sync_data().unwrap();
            disk.sync_dir("").unwrap();
            file.write_at(4096, &[9; 100]).unwrap();
            disk.crash(seed);
            let bytes = disk.open("a").unwrap().read_all().unwrap();
            assert!(bytes[..3072].iter().all(|b| *b == 7));
        }
    }

    #[test]
    fn what_was_not_synced_is_sometimes_lost_sometimes_kept_and_sometimes_torn() {
        let (mut lost, mut kept, mut torn) = (0, 0, 0);
        for seed in 0..500 {
            let disk = SimDisk::new();
            let mut file = written(&disk, "a", &[0; 2048]);
            file.sync_data().unwrap();
            disk.sync_dir("").unwrap();
            file.write_at(0, &[7; 2048]).unwrap();
            disk.crash(seed);
            let bytes = disk.open("a").unwrap().read_all().unwrap();
            match bytes.iter().filter(|b| **b == 7).count() {
                0 => lost += 1,
                2048 => kept += 1,
                _ => torn += 1,
            }
        }
        assert!(lost > 20 && kept > 20 && torn > 20, "{lost} {kept} {torn}");
    }

    #[test]
    fn a_name_is_safe_only_after_its_folder_was_synced() {
        let (mut old, mut new) = (0, 0);
        for seed in 0..200 {
            let disk = SimDisk::new();
            written(&disk, "a", b"x").sync_data().unwrap();
            disk.sync_dir("").unwrap();
            disk.rename("a", "b").unwrap();
            disk.crash(seed);
            // Atomic all the same: one name or the other, never both or none.
            assert_ne!(disk.exists("a"), disk.exists("b"));
            if disk.exists("a") {
                old += 1;
            } else {
                new += 1;
            }
        }
        assert!(old > 20 && new > 20, "{old} {new}");
    }

    #[test]
    fn a_failed_sync_is_reported_once_and_then_forgotten_as_linux_does() {
        let disk = SimDisk::new();
        let mut file = written(&disk, "a", &[7; 512]);
        disk.sync_dir("").unwrap();
        disk.fail_call(1, Fault::Medium);
        assert!(file.sync_data().is_err());
        // The lie: all is well now, and the bytes are still seen.
        file.sync_data().unwrap();
        assert_eq!(file.read_all().unwrap(), [7; 512]);
        disk.crash(1);
        assert_ne!(disk.open("a").unwrap().read_all().unwrap(), [7; 512]);
    }

    #[test]
    fn a_handle_from_before_the_crash_is_dead() {
        let disk = SimDisk::new();
        let mut file = written(&disk, "a", b"x");
        disk.crash(3);
        assert!(file.write_at(0, b"y").is_err());
    }
}
