//! The journal's promise, tried on a disk that loses power: what was acknowledged is there,
//! once, in order, and nothing is there that was not sent.

use std::collections::BTreeSet;
use std::sync::Arc;

use proptest::prelude::*;
use uuid::Uuid;

use super::testing::{MORNING, any_entry, reading};
use super::{Entry, Hole, Journal, JournalError, JournalReader, JournalSettings, Recovered};
use crate::storage::sim::{Fault, SimDisk};
use crate::storage::{RealDisk, Result as StorageResult, Storage, StoredFile};

const BOOK: Uuid = Uuid::from_u128(0xb00c);

/// Four blocks, so that a short program fills several segments.
const SMALL: JournalSettings = JournalSettings {
    segment_bytes: 16 * 1024,
    reserve_bytes: 0,
    spares: 1,
};

fn open(disk: &Arc<dyn Storage>) -> Result<(Journal, Recovered), JournalError> {
    Journal::open(disk.clone(), BOOK, Uuid::from_u128(7), MORNING, SMALL)
}

fn found(disk: &Arc<dyn Storage>, from: u64) -> (Vec<(u64, u64)>, Vec<Hole>) {
    let mut entries = Vec::new();
    let holes = JournalReader::new(disk.clone(), BOOK)
        .scan(from, |seq, entry| entries.push((seq, id(entry))))
        .unwrap();
    (entries, holes)
}

fn id(entry: &Entry) -> u64 {
    match entry {
        Entry::Reading(r) => r.origin.payload_hash,
        other => panic!("only readings were sent, not {other:?}"),
    }
}

#[derive(Clone, Debug)]
enum Step {
    /// So many messages of so many readings.
    Append(u8, u8),
    Commit,
    /// Everything up to this share of what is durable is published.
    Retire(u8),
    /// SIGKILL and a new start.
    Kill,
    /// A power cut and a new start.
    Crash(u64),
    /// A failed call, then whatever it leads to.
    Fail(u8, Fault),
}

fn any_step() -> impl Strategy<Value = Step> {
    prop_oneof![
        8 => (1u8..30, 1u8..5).prop_map(|(n, m)| Step::Append(n, m)),
        8 => Just(Step::Commit),
        2 => any::<u8>().prop_map(Step::Retire),
        1 => Just(Step::Kill),
        2 => any::<u64>().prop_map(Step::Crash),
        1 => (1u8..8, prop::sample::select(vec![Fault::Medium, Fault::Full, Fault::Short]))
            .prop_map(|(k, fault)| Step::Fail(k, fault)),
    ]
}

/// A bench whose every promise is written down.
struct Bench {
    sim: SimDisk,
    disk: Arc<dyn Storage>,
    journal: Option<Journal>,
    next_id: u64,
    /// Ids by message, as sent.
    sent: Vec<Vec<u64>>,
    /// Appended to the journal but not yet durable.
    waiting: Vec<u64>,
    acked: BTreeSet<u64>,
    published_seq: u64,
    published: BTreeSet<u64>,
    crashes: u64,
}

impl Bench {
    fn new(sim: SimDisk, disk: Arc<dyn Storage>) -> Self {
        Bench {
            sim,
            disk,
            journal: None,
            next_id: 1,
            sent: Vec::new(),
            waiting: Vec::new(),
            acked: BTreeSet::new(),
            published_seq: 0,
            published: BTreeSet::new(),
            crashes: 0,
        }
    }

    /// A new start after `how` went wrong; checks the promise.
    fn restart(&mut self, seed: Option<u64>) -> Result<(), String> {
        self.journal = None;
        self.waiting.clear();
        match seed {
            Some(seed) => self.sim.crash(seed),
            None => self.sim.kill(),
        }
        self.crashes += 1;
        let (journal, recovered) = open(&self.disk).map_err(|e| format!("no start: {e}"))?;
        if let Some(hole) = recovered.holes.iter().find(|hole| !hole.torn) {
            return Err(format!("a hole without damage: {hole:?}"));
        }
        let (entries, holes) = found(&self.disk, 0);
        if !holes.is_empty() {
            return Err(format!("holes after recovery: {holes:?}"));
        }
        if recovered.entries != entries.len() as u64 {
            return Err(format!(
                "{} counted, {} there",
                recovered.entries,
                entries.len()
            ));
        }
        if !entries.is_sorted_by(|a, b| a.0 < b.0 && a.1 < b.1) {
            return Err(format!("not once and in order: {entries:?}"));
        }
        let there: BTreeSet<u64> = entries.iter().map(|(_, id)| *id).collect();
        if let Some(lost) = self
            .acked
            .iter()
            .find(|id| !there.contains(id) && !self.published.contains(id))
        {
            return Err(format!("reading {lost} was acknowledged and is lost"));
        }
        for message in &self.sent {
            let n = message.iter().filter(|id| there.contains(id)).count();
            let gone = message.iter().any(|id| self.published.contains(id));
            if n != 0 && n != message.len() && !gone {
                return Err(format!("half of message {message:?}"));
            }
        }
        if there.iter().any(|id| *id >= self.next_id) {
            return Err("a reading that nobody sent".into());
        }
        // A repeat of any of these would now be acknowledged without being stored again.
        self.acked.extend(there);
        self.journal = Some(journal);
        Ok(())
    }

    fn run(&mut self, step: &Step) -> Result<(), String> {
        if self.journal.is_none() {
            self.restart(None)?;
        }
        let journal = self.journal.as_mut().unwrap();
        let done = match step {
            Step::Append(messages, readings) => {
                let mut done = Ok(());
                for _ in 0..*messages {
                    let ids: Vec<u64> =
                        (self.next_id..self.next_id + u64::from(*readings)).collect();
                    self.next_id += u64::from(*readings);
                    let entries: Vec<Entry> = ids.iter().map(|id| reading(*id, 900.0)).collect();
                    self.sent.push(ids.clone());
                    match journal.append(&entries) {
                        Ok(_) => self.waiting.extend(ids),
                        Err(e) => {
                            done = Err(e);
                            break;
                        }
                    }
                }
                done
            }
            Step::Commit => journal.commit().map(|_| {
                self.acked.extend(self.waiting.drain(..));
            }),
            Step::Retire(share) => {
                let seq = journal.durable_seq() * u64::from(*share) / 255;
                self.published_seq = self.published_seq.max(seq);
                let published = self.published_seq;
                let (entries, _) = found(&self.disk, 0);
                let gone = entries.iter().filter(|(seq, _)| *seq <= published);
                self.published.extend(gone.map(|(_, id)| *id));
                journal.retire(&|range| *range.end() <= published).map(drop)
            }
            Step::Kill => return self.restart(None),
            Step::Crash(seed) => return self.restart(Some(*seed)),
            Step::Fail(k, fault) => {
                self.sim.fail_call(u64::from(*k), *fault);
                Ok(())
            }
        };
        match done {
            Ok(()) | Err(JournalError::Full { .. }) => Ok(()),
            Err(e) if e.is_fatal() => self.restart(Some(self.next_id)),
            Err(e) => Err(e.to_string()),
        }
    }
}

fn check(sim: SimDisk, disk: Arc<dyn Storage>, steps: &[Step]) -> Result<u64, String> {
    let mut bench = Bench::new(sim, disk);
    for step in steps {
        bench.run(step)?;
    }
    bench.restart(Some(1))?;
    bench.restart(Some(2))?;
    Ok(bench.crashes)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1500))]
    #[test]
    fn what_was_acknowledged_is_there_once_and_in_order_whatever_happens(
        steps in prop::collection::vec(any_step(), 1..60),
    ) {
        let sim = SimDisk::new();
        let checked = check(sim.clone(), Arc::new(sim), &steps);
        prop_assert!(checked.is_ok(), "{}", checked.unwrap_err());
    }
}

/// A disk that says it synced and did not: what a journal that forgot to would be like.
#[derive(Debug)]
struct Forgetful {
    disk: SimDisk,
    files: bool,
    folders: bool,
}

struct ForgetfulFile(Box<dyn StoredFile>);

impl StoredFile for ForgetfulFile {
    fn write_at(&mut self, offset: u64, bytes: &[u8]) -> StorageResult<()> {
        self.0.write_at(offset, bytes)
    }
    fn read_at(&self, offset: u64, into: &mut [u8]) -> StorageResult<usize> {
        self.0.read_at(offset, into)
    }
    fn size(&self) -> StorageResult<u64> {
        self.0.size()
    }
    fn sync_data(&mut self) -> StorageResult<()> {
        Ok(())
    }
}

impl Forgetful {
    fn file(&self, file: StorageResult<Box<dyn StoredFile>>) -> StorageResult<Box<dyn StoredFile>> {
        let file = file?;
        Ok(if self.files {
            Box::new(ForgetfulFile(file))
        } else {
            file
        })
    }
}

impl Storage for Forgetful {
    fn create(&self, path: &str) -> StorageResult<Box<dyn StoredFile>> {
        self.file(self.disk.create(path))
    }
    fn open(&self, path: &str) -> StorageResult<Box<dyn StoredFile>> {
        self.file(self.disk.open(path))
    }
    fn open_read(&self, path: &str) -> StorageResult<Box<dyn StoredFile>> {
        self.disk.open_read(path)
    }
    fn rename(&self, from: &str, to: &str) -> StorageResult<()> {
        self.disk.rename(from, to)
    }
    fn remove(&self, path: &str) -> StorageResult<()> {
        self.disk.remove(path)
    }
    fn list(&self, folder: &str) -> StorageResult<Vec<String>> {
        self.disk.list(folder)
    }
    fn exists(&self, path: &str) -> bool {
        self.disk.exists(path)
    }
    fn sync_dir(&self, folder: &str) -> StorageResult<()> {
        if self.folders {
            Ok(())
        } else {
            self.disk.sync_dir(folder)
        }
    }
    fn create_dir(&self, folder: &str) -> StorageResult<()> {
        self.disk.create_dir(folder)
    }
    fn free_bytes(&self) -> StorageResult<u64> {
        self.disk.free_bytes()
    }
    fn lock(&self, path: &str) -> StorageResult<Box<dyn Send + Sync>> {
        self.disk.lock(path)
    }
}

#[test]
fn the_same_check_finds_a_journal_that_forgets_to_sync() {
    let steps = |seed| {
        vec![
            Step::Append(20, 1),
            Step::Commit,
            Step::Crash(seed),
            Step::Append(250, 1),
            Step::Commit,
            Step::Crash(seed + 1),
        ]
    };
    for (files, folders) in [(true, false), (false, true)] {
        let caught = (0..100).filter(|seed| {
            let sim = SimDisk::new();
            let disk = Forgetful {
                disk: sim.clone(),
                files,
                folders,
            };
            check(sim, Arc::new(disk), &steps(*seed)).is_err()
        });
        let caught = caught.count();
        assert!(
            caught > 50,
            "files {files}, folders {folders}: only {caught} of 100 caught"
        );
    }
    for seed in 0..100 {
        let sim = SimDisk::new();
        check(sim.clone(), Arc::new(sim), &steps(seed)).unwrap();
    }
}

#[test]
fn a_fault_at_every_call_in_turn_loses_nothing_acknowledged() {
    let steps = [
        Step::Append(40, 2),
        Step::Commit,
        Step::Append(200, 1),
        Step::Commit,
        Step::Retire(160),
        Step::Append(200, 1),
        Step::Commit,
        Step::Commit,
    ];
    for fault in [Fault::Medium, Fault::Full, Fault::Short] {
        let mut k = 0;
        loop {
            k += 1;
            let sim = SimDisk::new();
            let mut bench = Bench::new(sim.clone(), Arc::new(sim.clone()));
            bench.restart(None).unwrap();
            let before = sim.calls();
            sim.fail_call(k, fault);
            for step in &steps {
                bench
                    .run(step)
                    .unwrap_or_else(|e| panic!("{fault:?} at call {k}: {e}"));
            }
            bench
                .restart(Some(k))
                .unwrap_or_else(|e| panic!("{fault:?} at call {k}: {e}"));
            bench
                .restart(Some(k))
                .unwrap_or_else(|e| panic!("{fault:?} at call {k}: {e}"));
            if sim.calls() - before < k {
                break;
            }
        }
        assert!(k > 30, "the program makes more calls than {k}");
    }
}

#[test]
fn a_fault_at_every_call_of_the_first_start_leaves_a_journal_that_starts() {
    for fault in [Fault::Medium, Fault::Full, Fault::Short] {
        for k in 1..20 {
            let sim = SimDisk::new();
            let disk: Arc<dyn Storage> = Arc::new(sim.clone());
            sim.fail_call(k, fault);
            drop(open(&disk));
            sim.crash(k);
            let (mut journal, recovered) = open(&disk).unwrap();
            assert_eq!(recovered.last_seq, 0);
            journal.append(&[reading(1, 900.0)]).unwrap();
            journal.commit().unwrap();
        }
    }
}

#[test]
fn after_a_failed_sync_nothing_more_is_promised_and_the_restart_does_not_believe_the_cache() {
    let sim = SimDisk::new();
    let disk: Arc<dyn Storage> = Arc::new(sim.clone());
    let (mut journal, _) = open(&disk).unwrap();
    journal.append(&[reading(1, 900.0)]).unwrap();
    journal.commit().unwrap();
    journal.append(&[reading(2, 900.0)]).unwrap();
    // The write, then the sync.
    sim.fail_call(2, Fault::Medium);
    assert!(journal.commit().unwrap_err().is_fatal());
    assert!(matches!(journal.commit(), Err(JournalError::Dead)));
    assert!(matches!(
        journal.append(&[reading(3, 1.0)]),
        Err(JournalError::Dead)
    ));
    sim.kill();
    drop(journal);
    // Reading 2 is seen, but only in memory; what the new run counts must be on the disk.
    let (_journal, recovered) = open(&disk).unwrap();
    assert_eq!((recovered.last_seq, recovered.carried), (2, 1));
    for seed in 0..50 {
        sim.crash(seed);
        assert_eq!(found(&disk, 0).0, [(1, 1), (2, 2)]);
    }
}

#[test]
fn a_full_disk_stops_acknowledging_and_goes_on_once_there_is_room() {
    let sim = SimDisk::new();
    let disk: Arc<dyn Storage> = Arc::new(sim.clone());
    let (mut journal, _) = open(&disk).unwrap();
    sim.set_free_bytes(Some(1000));
    let mut taken = 0;
    let refused = loop {
        match journal.append(&[reading(taken + 1, 900.0)]) {
            Ok(_) => taken += 1,
            Err(e) => break e,
        }
    };
    assert!(matches!(refused, JournalError::Full { .. }) && !refused.is_fatal());
    assert!(refused.to_string().contains("make room"), "{refused}");
    assert_eq!(journal.commit().unwrap(), taken);
    assert!(journal.append(&[reading(taken + 1, 900.0)]).is_err());
    sim.set_free_bytes(None);
    journal.append(&[reading(taken + 1, 900.0)]).unwrap();
    assert_eq!(journal.commit().unwrap(), taken + 1);
    assert_eq!(found(&disk, 0).0.len() as u64, taken + 1);
}

#[test]
fn a_start_on_a_full_disk_recovers_and_a_segment_given_back_makes_room() {
    let sim = SimDisk::new();
    let disk: Arc<dyn Storage> = Arc::new(sim.clone());
    let (mut journal, _) = open(&disk).unwrap();
    for n in 1..=400 {
        journal.append(&[reading(n, 900.0)]).unwrap();
        if n == 390 {
            journal.commit().unwrap();
        }
    }
    journal.commit().unwrap();
    drop(journal);
    sim.set_free_bytes(Some(0));
    let (mut journal, recovered) = open(&disk).unwrap();
    assert!(recovered.full);
    assert_eq!(recovered.last_seq, 400);
    assert!(matches!(
        journal.append(&[reading(401, 1.0)]),
        Err(JournalError::Full { .. })
    ));
    assert!(matches!(journal.commit(), Err(JournalError::Full { .. })));
    assert!(journal.retire(&|range| *range.end() < 300).unwrap() >= 1);
    journal.append(&[reading(401, 1.0)]).unwrap();
    assert_eq!(journal.commit().unwrap(), 401);
}

#[test]
fn segments_are_used_again_and_their_earlier_life_does_not_shine_through() {
    let sim = SimDisk::new();
    let disk: Arc<dyn Storage> = Arc::new(sim.clone());
    let (mut journal, _) = open(&disk).unwrap();
    for n in 1..=3000 {
        journal.append(&[reading(n, 900.0)]).unwrap();
        if n % 20 == 0 {
            let durable = journal.commit().unwrap();
            journal
                .retire(&|range| *range.end() + 100 < durable)
                .unwrap();
        }
    }
    let files = disk.list("journal").unwrap();
    assert!(files.len() <= 6, "{files:?}");
    let (entries, holes) = found(&disk, 0);
    assert!(holes.is_empty(), "{holes:?}");
    let first = entries[0].0;
    assert!(first > 2000);
    let expected: Vec<_> = (first..=3000).map(|n| (n, n)).collect();
    assert_eq!(entries, expected);
}

#[test]
fn two_writers_on_one_journal_are_refused() {
    let disk: Arc<dyn Storage> = Arc::new(SimDisk::new());
    let (journal, _) = open(&disk).unwrap();
    assert!(matches!(open(&disk), Err(JournalError::InUse)));
    drop(journal);
    open(&disk).unwrap();
}

#[test]
fn a_message_larger_than_a_segment_is_refused_and_the_next_is_taken() {
    let disk: Arc<dyn Storage> = Arc::new(SimDisk::new());
    let (mut journal, _) = open(&disk).unwrap();
    journal.append(&[reading(1, 900.0)]).unwrap();
    let huge: Vec<Entry> = (2..2000).map(|n| reading(n, 900.0)).collect();
    let refused = journal.append(&huge).unwrap_err();
    assert!(matches!(refused, JournalError::TooLarge { .. }) && !refused.is_fatal());
    journal.append(&[reading(2, 900.0)]).unwrap();
    assert_eq!(journal.commit().unwrap(), 2);
    assert_eq!(found(&disk, 0).0, [(1, 1), (2, 2)]);
}

/// 3 segments of 10 commits of 5 readings.
fn filled() -> (SimDisk, Arc<dyn Storage>) {
    let sim = SimDisk::new();
    let disk: Arc<dyn Storage> = Arc::new(sim.clone());
    let settings = JournalSettings {
        segment_bytes: 11 * 4096,
        ..SMALL
    };
    let (mut journal, _) =
        Journal::open(disk.clone(), BOOK, Uuid::nil(), MORNING, settings).unwrap();
    for n in 1..=150 {
        journal.append(&[reading(n, 900.0)]).unwrap();
        if n % 5 == 0 {
            journal.commit().unwrap();
        }
    }
    (sim, disk)
}

#[test]
fn damage_in_one_block_costs_that_block_and_is_reported_with_its_bounds() {
    let (sim, disk) = filled();
    let names = disk.list("journal").unwrap();
    let second = names
        .iter()
        .filter(|n| n.ends_with(".segment"))
        .nth(1)
        .unwrap();
    // The fourth block of the second segment: its third commit, readings 61 to 65.
    sim.flip(&format!("journal/{second}"), 3 * 4096 + 2, 0x10);
    let (entries, holes) = found(&disk, 0);
    let missing: Vec<u64> = (1..=150).filter(|n| !entries.contains(&(*n, *n))).collect();
    assert_eq!(missing, [61, 62, 63, 64, 65]);
    assert_eq!(holes.len(), 1, "{holes:?}");
    assert_eq!(holes[0].missing, Some(61..=65));
    assert_eq!(
        (holes[0].segment, holes[0].offset, holes[0].bytes),
        (2, 3 * 4096, 4096)
    );
    assert_eq!(holes[0].entries(), 5);
    assert!(!holes[0].torn);
    // A new start reports the same, and goes on behind it.
    let (journal, recovered) = open(&disk).unwrap();
    assert_eq!(recovered.holes, holes);
    assert_eq!((recovered.last_seq, recovered.entries), (150, 145));
    drop(journal);
}

#[test]
fn damage_to_the_block_with_the_dictionary_costs_no_other_block() {
    let (sim, disk) = filled();
    let first = disk.list("journal").unwrap()[0].clone();
    // The first bytes of the first commit hold the strings that every later frame refers to.
    sim.flip(&format!("journal/{first}"), 4096 + 2, 0xff);
    let (entries, holes) = found(&disk, 0);
    assert_eq!(entries.len(), 145);
    assert_eq!(holes[0].missing, Some(1..=5));
}

#[test]
fn damage_to_a_header_or_to_the_end_of_a_segment_is_told() {
    let (sim, disk) = filled();
    let names = disk.list("journal").unwrap();
    sim.flip(&format!("journal/{}", names[1]), 20, 1);
    let (entries, holes) = found(&disk, 0);
    assert_eq!(entries.len(), 150);
    assert_eq!(
        (holes.len(), holes[0].offset, holes[0].missing.clone()),
        (1, 0, None)
    );
    // The last commit of the first segment: nothing follows it there but the next segment.
    sim.flip(&format!("journal/{}", names[0]), 10 * 4096 + 8, 1);
    let (entries, holes) = found(&disk, 0);
    assert_eq!(entries.len(), 145);
    assert_eq!(holes[0].missing, Some(46..=50));
}

#[test]
fn a_journal_of_another_book_is_refused() {
    let (_, disk) = filled();
    let other = Journal::open(disk, Uuid::from_u128(1), Uuid::nil(), MORNING, SMALL);
    assert!(matches!(other, Err(JournalError::OtherBook { .. })));
}

#[test]
fn a_scan_from_the_middle_shows_only_what_was_asked_for() {
    let (_, disk) = filled();
    assert_eq!(found(&disk, 120).0.first(), Some(&(120, 120)));
    let mut seen = Vec::new();
    JournalReader::new(disk, BOOK)
        .scan_range(48..=52, |found| seen.push(found.seq))
        .unwrap();
    assert_eq!(seen, [48, 49, 50, 51, 52]);
}

proptest! {
    #[test]
    fn every_kind_of_entry_comes_back_from_the_disk(entries in prop::collection::vec(any_entry(), 1..8)) {
        let disk: Arc<dyn Storage> = Arc::new(SimDisk::new());
        let settings = JournalSettings { segment_bytes: 1 << 18, ..SMALL };
        let (mut journal, _) = Journal::open(disk.clone(), BOOK, Uuid::nil(), MORNING, settings).unwrap();
        journal.append(&entries).unwrap();
        journal.commit().unwrap();
        let mut back = Vec::new();
        let holes = journal.scan(0, |_, entry| back.push(entry.clone())).unwrap();
        prop_assert!(holes.is_empty());
        prop_assert_eq!(format!("{:?}", back), format!("{:?}", entries));
    }

    #[test]
    fn any_damage_is_survived_and_never_invents_a_reading(
        hits in prop::collection::vec((any::<prop::sample::Index>(), any::<prop::sample::Index>(), 1u8..), 1..20),
    ) {
        let (sim, disk) = filled();
        let names: Vec<String> = disk.list("journal").unwrap().into_iter().filter(|n| n.ends_with(".segment")).collect();
        for (file, at, mask) in hits {
            sim.flip(&format!("journal/{}", names[file.index(names.len())]), at.index(11 * 4096), mask);
        }
        let (entries, holes) = found(&disk, 0);
        prop_assert!(entries.iter().all(|(seq, id)| seq == id && *seq <= 150));
        prop_assert!(entries.is_sorted_by(|a, b| a.0 < b.0));
        let known: u64 = holes.iter().map(Hole::entries).sum();
        // Only damage at the journal's very end, where nothing follows, can go unseen by a reader.
        let last = entries.last().map_or(0, |e| e.0);
        prop_assert_eq!(entries.len() as u64 + known, last.max(holes.iter().filter_map(|h| h.missing.clone()).map(|m| *m.end()).max().unwrap_or(0)));
        let (journal, recovered) = open(&disk).unwrap();
        prop_assert_eq!(recovered.entries, entries.len() as u64);
        drop(journal);
    }
}

#[test]
fn on_the_machines_own_disk_a_journal_comes_back_and_stays_within_its_files() {
    let dir = tempfile::tempdir().unwrap();
    let disk: Arc<dyn Storage> = Arc::new(RealDisk::new(dir.path().join("book")));
    for run in 0..3 {
        let (mut journal, recovered) = open(&disk).unwrap();
        assert_eq!(recovered.last_seq, run * 500);
        assert!(recovered.holes.is_empty());
        for n in 1..=500 {
            let seqs = journal.append(&[reading(run * 500 + n, 900.0)]).unwrap();
            assert_eq!(seqs.start, run * 500 + n);
        }
        assert_eq!(journal.commit().unwrap(), (run + 1) * 500);
        assert!(matches!(open(&disk), Err(JournalError::InUse)));
    }
    let expected: Vec<_> = (1..=1500).map(|n| (n, n)).collect();
    assert_eq!(found(&disk, 0), (expected, Vec::new()));
    for name in disk.list("journal").unwrap() {
        if name != "lock" {
            let size = disk
                .open_read(&format!("journal/{name}"))
                .unwrap()
                .size()
                .unwrap();
            assert_eq!(
                size, SMALL.segment_bytes,
                "{name} grew, so every sync costs more"
            );
        }
    }
}
