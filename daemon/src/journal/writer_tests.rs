//! The writer's thread against senders that wait for their acknowledgements, a full disk and a
//! failing one. Real threads and real seconds, on a disk in memory.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use tokio::sync::mpsc;
use uuid::Uuid;

use super::testing::{MORNING, reading};
use super::{
    AckTo, Committed, Journal, JournalReader, JournalSettings, Submission, Writer, WriterSettings,
};
use crate::clock::ManualClock;
use crate::shutdown::{Shutdown, ShutdownTrigger};
use crate::storage::Storage;
use crate::storage::sim::{Fault, SimDisk};

const BOOK: Uuid = Uuid::from_u128(0xb00c);

struct Running {
    sim: SimDisk,
    writer: Writer,
    committed: mpsc::Receiver<Committed>,
    trigger: ShutdownTrigger,
    fatal: Arc<AtomicBool>,
}

fn start(settings: WriterSettings) -> Running {
    let sim = SimDisk::new();
    let disk: Arc<dyn Storage> = Arc::new(sim.clone());
    let sizes = JournalSettings {
        segment_bytes: 256 * 1024,
        reserve_bytes: 0,
        spares: 1,
    };
    let (journal, _) = Journal::open(disk, BOOK, Uuid::nil(), MORNING, sizes).unwrap();
    let (trigger, shutdown) = Shutdown::new();
    let fatal = Arc::new(AtomicBool::new(false));
    let told = fatal.clone();
    let clock = Arc::new(ManualClock::at(MORNING));
    let (writer, committed) = Writer::start(journal, settings, clock, shutdown, move |_| {
        told.store(true, Ordering::SeqCst);
    })
    .unwrap();
    Running {
        sim,
        writer,
        committed,
        trigger,
        fatal,
    }
}

/// Committed entries taken and counted in the background, as the session keeper would.
fn take(mut committed: mpsc::Receiver<Committed>) -> std::thread::JoinHandle<Vec<u64>> {
    std::thread::spawn(move || {
        let mut seqs = Vec::new();
        while let Some(batch) = committed.blocking_recv() {
            seqs.extend(batch.entries.iter().map(|(seq, _)| *seq));
        }
        seqs
    })
}

fn message(n: u64, connection: u64, to: &mpsc::UnboundedSender<u16>) -> Submission {
    Submission {
        entries: vec![reading(n, 900.0)],
        ack: Some(AckTo {
            connection,
            packet: n as u16,
            to: to.clone(),
        }),
    }
}

fn stored(sim: &SimDisk) -> u64 {
    let mut n = 0;
    JournalReader::new(Arc::new(sim.clone()), BOOK)
        .scan(0, |_, _| n += 1)
        .unwrap();
    n
}

/// Sends `count` messages with at most `window` in flight; returns how long it took.
fn send(writer: &Writer, window: u64, count: u64) -> Duration {
    let submissions = writer.submissions();
    let (to, mut acks) = mpsc::unbounded_channel();
    let begun = Instant::now();
    let mut acked = 0u64;
    for n in 1..=count {
        while n - acked > window {
            let packet = acks.blocking_recv().unwrap();
            acked += 1;
            assert_eq!(packet, acked as u16, "in order of receipt");
        }
        submissions.blocking_send(message(n, 1, &to)).unwrap();
    }
    while acked < count {
        assert_eq!(acks.blocking_recv(), Some((acked + 1) as u16));
        acked += 1;
    }
    begun.elapsed()
}

#[test]
fn windows_of_1_20_and_1000_all_flow() {
    // One message a second is what a window of 1 would get without learning.
    for (window, count) in [(1, 300), (20, 4_000), (1000, 50_000)] {
        let running = start(WriterSettings::default());
        let taken = take(running.committed);
        let took = send(&running.writer, window, count);
        // Half of what a commit a second would take, on however slow a machine.
        let unlearnt = Duration::from_secs(count / window);
        assert!(took < unlearnt / 2, "window {window}: {took:?}");
        let metrics = running.writer.metrics();
        assert_eq!((metrics.entries(), metrics.durable_seq()), (count, count));
        running.writer.join().unwrap();
        let seqs = taken.join().unwrap();
        assert_eq!(seqs, (1..=count).collect::<Vec<_>>());
    }
}

#[test]
fn what_was_acknowledged_survives_a_power_cut_at_that_very_moment() {
    let running = start(WriterSettings {
        commit_every: Duration::from_millis(20),
        ..WriterSettings::default()
    });
    let taken = take(running.committed);
    let submissions = running.writer.submissions();
    let (to, mut acks) = mpsc::unbounded_channel();
    for n in 1..=500 {
        submissions.blocking_send(message(n, 1, &to)).unwrap();
    }
    let mut acked = 0;
    while acked < 100 {
        acks.blocking_recv().unwrap();
        acked += 1;
    }
    running.sim.crash(5);
    while acks.try_recv().is_ok() {
        acked += 1;
    }
    assert!(stored(&running.sim) >= acked);
    drop(submissions);
    // The old thread's files are dead, so it ends by itself, in one way or the other.
    let _ = running.writer.join();
    drop(taken);
}

#[test]
fn at_the_end_everything_submitted_is_stored_and_acknowledged() {
    let running = start(WriterSettings {
        commit_every: Duration::from_secs(60),
        ..WriterSettings::default()
    });
    let taken = take(running.committed);
    let submissions = running.writer.submissions();
    let (to, mut acks) = mpsc::unbounded_channel();
    for n in 1..=700 {
        submissions.blocking_send(message(n, 1, &to)).unwrap();
    }
    // A repeat stores nothing, but is acknowledged behind what came before it.
    let repeat = Submission {
        entries: Vec::new(),
        ..message(701, 1, &to)
    };
    submissions.blocking_send(repeat).unwrap();
    running.trigger.tell();
    running.writer.join().unwrap();
    drop(to);
    let acked: Vec<u16> = std::iter::from_fn(|| acks.blocking_recv()).collect();
    assert_eq!(acked, (1..=701).collect::<Vec<u16>>());
    assert_eq!(taken.join().unwrap().len(), 700);
    assert!(
        submissions
            .blocking_send(message(1, 1, &mpsc::unbounded_channel().0))
            .is_err()
    );
    running.sim.crash(1);
    assert_eq!(stored(&running.sim), 700);
}

#[test]
fn a_disk_that_fails_ends_the_writer_without_one_more_acknowledgement() {
    let running = start(WriterSettings {
        commit_every: Duration::from_millis(50),
        ..WriterSettings::default()
    });
    let submissions = running.writer.submissions();
    let (to, mut acks) = mpsc::unbounded_channel();
    // The write succeeds, the sync does not.
    running.sim.fail_call(2, Fault::Medium);
    submissions.blocking_send(message(1, 1, &to)).unwrap();
    drop((submissions, to));
    assert_eq!(acks.blocking_recv(), None);
    assert!(running.writer.join().unwrap_err().is_fatal());
    assert!(running.fatal.load(Ordering::SeqCst));
}

#[test]
fn on_a_full_disk_senders_wait_until_a_segment_is_given_back() {
    let running = start(WriterSettings {
        commit_every: Duration::from_millis(10),
        try_again: Duration::from_millis(50),
        ..WriterSettings::default()
    });
    let taken = take(running.committed);
    running.sim.set_free_bytes(Some(0));
    let submissions = running.writer.submissions();
    let metrics = running.writer.metrics();
    let (to, mut acks) = mpsc::unbounded_channel();
    let sender = std::thread::spawn(move || {
        for n in 1..=8_000 {
            submissions.blocking_send(message(n, 1, &to)).unwrap();
        }
    });
    let patience = Instant::now() + Duration::from_secs(10);
    while !metrics.is_full() && Instant::now() < patience {
        std::thread::sleep(Duration::from_millis(5));
    }
    assert!(
        metrics.is_full(),
        "a segment of 256 KiB holds no 8,000 readings"
    );
    std::thread::sleep(Duration::from_millis(200));
    let before = metrics.durable_seq();
    assert!(before < 8_000 && !sender.is_finished(), "it waits");
    let done = running.writer.metrics();
    while acks.try_recv().is_ok() {}
    // Everything durable is published: its segments go back, and logging goes on by itself.
    let patience = Instant::now() + Duration::from_secs(10);
    while done.durable_seq() < 8_000 && Instant::now() < patience {
        let published = done.durable_seq();
        let sim = running.sim.clone();
        running
            .writer
            .retire()
            .send(Box::new(move |range| *range.end() <= published))
            .unwrap();
        // One segment at a time is finished; the one in use cannot be given back.
        sim.set_free_bytes(Some(300 * 1024));
        std::thread::sleep(Duration::from_millis(60));
    }
    sender.join().unwrap();
    running.writer.join().unwrap();
    assert_eq!(taken.join().unwrap().len(), 8_000);
}

#[test]
fn a_taker_that_stands_still_holds_up_senders_but_not_a_close() {
    let mut running = start(WriterSettings {
        commit_every: Duration::from_millis(5),
        queue: 8,
        most_entries: 50,
        ..WriterSettings::default()
    });
    let submissions = running.writer.submissions();
    let (to, mut acks) = mpsc::unbounded_channel();
    let sender = std::thread::spawn(move || {
        for n in 1..=2_000 {
            submissions.blocking_send(message(n, 1, &to)).unwrap();
        }
    });
    std::thread::sleep(Duration::from_millis(300));
    assert!(!sender.is_finished(), "it waits");
    let (done, mut closed) = mpsc::unbounded_channel();
    running
        .writer
        .closes()
        .blocking_send(message(9, 2, &done))
        .unwrap();
    assert_eq!(closed.blocking_recv(), Some(9));
    let mut taken = 0;
    while taken < 2_001 {
        taken += running.committed.blocking_recv().unwrap().entries.len();
    }
    sender.join().unwrap();
    let mut acked = 0;
    while acks.blocking_recv().is_some() {
        acked += 1;
    }
    assert_eq!(acked, 2_000);
    running.writer.join().unwrap();
}
