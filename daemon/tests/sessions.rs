//! Sessions over a real book and a driven clock: opened, cut off at each step by dropping
//! everything in memory, started again, closed and published, with every sample in its trace
//! once.
#![allow(clippy::unwrap_used)]

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::process::Command;
use std::sync::Arc;
use std::time::Duration;

use analysis::burnout::FaultKind;
use analysis::channel::Channel;
use analysis::pour::FoundBy;
use analysis::sample::Quality;
use analysis::time::Micros;
use analysis::trace::read_trace;
use pourbook::book::Book;
use pourbook::cli::records_of;
use pourbook::clock::{Clock, ManualClock};
use pourbook::config::Config;
use pourbook::journal::{
    Entry, Journal, JournalMetrics, JournalSettings, Origin, Reading, Submission, Writer,
    WriterSettings,
};
use pourbook::mqtt::status::StatusBoard;
use pourbook::place::Place;
use pourbook::records::Records;
use pourbook::records::pours::PourFilter;
use pourbook::records::sessions::Session;
use pourbook::records::words::SessionState;
use pourbook::session::bench::BenchSetup;
use pourbook::session::recovery::recover;
use pourbook::session::retire::Retire;
use pourbook::shutdown::{Shutdown, ShutdownTrigger};
use pourbook::storage::{RealDisk, Storage};
use tokio::sync::mpsc;
use tokio::task::JoinHandle;

const CONFIG: &str = r#"
[shop]
name = "Larkfield bench"
time_zone = "Europe/Dublin"
altitude_m = 85
[mqtt]
listen = "127.0.0.1:0"
[pages]
listen = "127.0.0.1:0"
[[machine]]
name = "bench-1"
[machine.channels.melt_temperature]
topic = "shop/bench-1/melt"
unit = "Cel"
"#;
/// Wednesday 18 November 2026, 9:00 in Dublin.
const NINE: &str = "2026-11-18T09:00:00Z";
const MINUTE: f64 = 60.0;
const DAY: f64 = 86_400.0;

/// A shop with a book and no daemon yet.
struct Shop {
    _folder: tempfile::TempDir,
    book: Book,
    clock: Arc<ManualClock>,
    program: PathBuf,
    board: StatusBoard,
}

/// Journal and bench at work.
struct Daemon {
    writer: Writer,
    closes: mpsc::Sender<Submission>,
    metrics: Arc<JournalMetrics>,
    bench: JoinHandle<anyhow::Result<()>>,
    stop: ShutdownTrigger,
}

fn nine() -> Micros {
    Micros::parse_rfc3339(NINE).unwrap()
}

/// Minutes past nine.
fn at(minutes: f64) -> Micros {
    nine().plus_seconds(minutes * MINUTE)
}

impl Shop {
    fn new() -> Shop {
        let folder = tempfile::tempdir().unwrap();
        let book = Book::at(folder.path());
        std::fs::write(book.config(), CONFIG).unwrap();
        Shop {
            _folder: folder,
            book,
            clock: Arc::new(ManualClock::at(nine())),
            program: env!("CARGO_BIN_EXE_pourbook").into(),
            board: StatusBoard::new(),
        }
    }

    fn start(&self) -> Daemon {
        let config = Config::load(&self.book.config()).unwrap();
        let clock: Arc<dyn Clock> = self.clock.clone();
        let records = records_of(&self.book, &config, false, clock.now()).unwrap();
        let id = records.book().unwrap().id;
        let storage: Arc<dyn Storage> = Arc::new(RealDisk::new(self.book.root()));
        let settings = JournalSettings::default();
        let (journal, _) = Journal::open(storage, id, clock.boot(), clock.now(), settings).unwrap();
        let reader = journal.reader();
        let (stop, told) = Shutdown::new();
        let (writer, committed) = Writer::start(
            journal,
            WriterSettings::default(),
            Arc::clone(&clock),
            told,
            |e| panic!("{e}"),
        )
        .unwrap();
        let bench = recover(BenchSetup {
            book: self.book.clone(),
            config: Arc::new(config),
            records,
            reader,
            clock,
            journal: writer.metrics(),
            closes: writer.closes(),
            retire: Retire(writer.retire()),
            program: self.program.clone(),
            board: Some(self.board.clone()),
            reachable: Box::new(|| true),
        })
        .unwrap();
        Daemon {
            closes: writer.closes(),
            metrics: writer.metrics(),
            writer,
            bench: tokio::spawn(bench.run(committed)),
            stop,
        }
    }

    fn records(&self) -> Records {
        Records::open(&self.book.records()).unwrap()
    }

    fn sessions(&self) -> Vec<Session> {
        self.records().sessions(None, None).unwrap()
    }

    /// Lets the clock run to `to` and then silence close what is open.
    fn be_silent_after(&self, to: Micros) {
        self.clock.advance_to(to.plus_seconds(46.0 * MINUTE));
    }

    /// Waits until the only session's trace has this generation. Long: each is published by a
    /// child of its own, and other tests may have the processor.
    async fn published(&self, generation: u32) -> Session {
        for _ in 0..2_400 {
            let found = self.sessions();
            assert!(found.len() <= 1, "{found:?}");
            if let Some(session) = found.into_iter().next()
                && session.published.as_ref().map(|p| p.generation) == Some(generation)
            {
                return session;
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        panic!("not published: {:?}", self.sessions());
    }

    /// The times and values in all traces, each with how often it is there.
    fn samples(&self) -> BTreeMap<(Micros, i64), usize> {
        let mut counted = BTreeMap::new();
        for published in self.sessions().into_iter().filter_map(|s| s.published) {
            let file = std::fs::File::open(self.book.below(&published.trace)).unwrap();
            for sample in read_trace(file).unwrap().samples {
                *counted
                    .entry((sample.time, sample.value as i64))
                    .or_default() += 1;
            }
        }
        counted
    }

    #[track_caller]
    fn assert_each_once(&self, sent: &[Reading]) {
        let expected: BTreeMap<_, _> = sent.iter().map(|r| ((r.time, r.value as i64), 1)).collect();
        assert_eq!(self.samples(), expected);
    }
}

impl Daemon {
    /// Has readings stored and taken by the bench.
    async fn hear(&self, readings: &[Reading]) {
        let before = self.metrics.durable_seq();
        let entries = readings.iter().cloned().map(Entry::Reading).collect();
        let submission = Submission { entries, ack: None };
        self.closes.send(submission).await.unwrap();
        while self.metrics.durable_seq() < before + readings.len() as u64 {
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        // The bench takes them between two of its ticks.
        tokio::time::sleep(Duration::from_millis(300)).await;
    }

    /// Everything in memory is gone; what is durable stays.
    async fn cut_off(self) {
        self.bench.abort();
        let _ = self.bench.await;
        end_writer(self.stop, self.closes, self.writer).await;
    }

    async fn stop(self) {
        let Daemon {
            writer,
            closes,
            bench,
            stop,
            ..
        } = self;
        end_writer(stop, closes, writer).await;
        bench.await.unwrap().unwrap();
    }
}

async fn end_writer(stop: ShutdownTrigger, closes: mpsc::Sender<Submission>, writer: Writer) {
    stop.tell();
    drop(closes);
    tokio::task::spawn_blocking(move || writer.join())
        .await
        .unwrap()
        .unwrap();
}

fn melt(minutes: f64, value: f64) -> Reading {
    let time = at(minutes);
    Reading {
        origin: Origin {
            source: "door".into(),
            client: "melt-probe".into(),
            connection: 1,
            packet: 0,
            dup: false,
            payload_hash: 0,
        },
        place: Place::Machine("bench-1".into()),
        channel: Channel::MeltTemperature,
        value,
        quality: Quality::Good,
        time,
        device_time: Some(time),
        arrival: time,
        monotonic_us: time.0 - nine().0,
    }
}

fn hot(minutes: std::ops::Range<i32>) -> Vec<Reading> {
    minutes
        .map(|m| melt(f64::from(m), 900.0 + f64::from(m)))
        .collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn cut_off_in_mid_session_it_goes_on_as_one_session() {
    let shop = Shop::new();
    let first = shop.start();
    first.hear(&hot(0..20)).await;
    first.cut_off().await;
    // Down for an hour; the sensor kept what it read meanwhile.
    shop.clock.advance_to(at(80.0));
    let second = shop.start();
    tokio::time::sleep(Duration::from_millis(500)).await;
    let [session] = &shop.sessions()[..] else {
        panic!("{:?}", shop.sessions())
    };
    assert_eq!(session.state, SessionState::Open, "nobody was silent");
    second.hear(&hot(20..80)).await;
    shop.be_silent_after(at(80.0));
    shop.published(1).await;
    shop.assert_each_once(&hot(0..80));
    second.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_power_cut_on_friday_loses_nothing_by_monday() {
    let mut shop = Shop::new();
    let first = shop.start();
    first.hear(&hot(0..20)).await;
    first.cut_off().await;
    shop.clock.advance_to(nine().plus_seconds(3.0 * DAY));
    // And then its trace cannot be published for another three days.
    let real = std::mem::replace(&mut shop.program, "/bin/false".into());
    let second = shop.start();
    tokio::time::sleep(Duration::from_millis(500)).await;
    shop.be_silent_after(nine().plus_seconds(3.0 * DAY));
    tokio::time::sleep(Duration::from_millis(700)).await;
    second.cut_off().await;
    shop.clock.advance_to(nine().plus_seconds(6.0 * DAY));
    shop.program = real;
    let third = shop.start();
    shop.published(1).await;
    shop.assert_each_once(&hot(0..20));
    third.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_session_of_last_month_is_not_opened_again_by_its_own_readings() {
    let shop = Shop::new();
    let first = shop.start();
    first.hear(&hot(0..20)).await;
    shop.be_silent_after(at(20.0));
    shop.published(1).await;
    first.cut_off().await;
    shop.clock.advance_to(nine().plus_seconds(30.0 * DAY));
    let second = shop.start();
    tokio::time::sleep(Duration::from_millis(700)).await;
    assert_eq!(shop.sessions().len(), 1, "{:?}", shop.sessions());
    shop.assert_each_once(&hot(0..20));
    second.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn late_samples_make_the_second_generation_with_every_sample_once() {
    let shop = Shop::new();
    let first = shop.start();
    first.hear(&hot(0..20)).await;
    shop.be_silent_after(at(20.0));
    shop.published(1).await;
    let late = [melt(5.5, 905.0), melt(6.5, 906.0)];
    first.hear(&late).await;
    // Cut off before the next generation is decided, and again when it is there.
    first.cut_off().await;
    shop.clock.advance_to(nine().plus_seconds(3.0 * DAY));
    let second = shop.start();
    tokio::time::sleep(Duration::from_millis(500)).await;
    shop.clock
        .advance_to(nine().plus_seconds(3.0 * DAY + 2.0 * MINUTE));
    shop.published(2).await;
    let all: Vec<Reading> = hot(0..20).into_iter().chain(late).collect();
    shop.assert_each_once(&all);
    second.cut_off().await;
    let third = shop.start();
    tokio::time::sleep(Duration::from_millis(700)).await;
    shop.published(2).await;
    shop.assert_each_once(&all);
    third.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_pour_by_hand_is_kept_and_measured_anew_in_the_next_generation_of_its_trace() {
    let shop = Shop::new();
    let first = shop.start();
    first.hear(&hot(0..20)).await;
    shop.be_silent_after(at(20.0));
    let session = shop.published(1).await;
    let record = |options: &[&str]| {
        let told = Command::new(&shop.program)
            .args(["record", "pour", "--at", "2026-11-18T09:10:06", "--book"])
            .arg(shop.book.root())
            .args(options)
            .output()
            .unwrap();
        assert!(told.status.success(), "{told:?}");
    };
    record(&[]);
    let pours = || shop.records().pours(&PourFilter::default()).unwrap();
    let before = pours().remove(0);
    assert_eq!(before.row.found_by, FoundBy::Hand);
    let was = before.row.pour_temperature_c.unwrap();
    // A reading at the very moment, which came late.
    first.hear(&[melt(10.1, was + 40.0)]).await;
    first.cut_off().await;
    shop.clock.advance_to(nine().plus_seconds(3.0 * DAY));
    let second = shop.start();
    tokio::time::sleep(Duration::from_millis(500)).await;
    shop.clock
        .advance_to(nine().plus_seconds(3.0 * DAY + 2.0 * MINUTE));
    shop.published(2).await;
    let after = pours().remove(0);
    assert_eq!(pours().len(), 1);
    assert_eq!(
        (after.id, after.row.at, after.row.found_by),
        (before.id, before.row.at, FoundBy::Hand)
    );
    let now = after.row.pour_temperature_c.unwrap();
    assert!(
        now > was + 5.0,
        "{now} °C from the new trace, {was} °C before"
    );
    second.stop().await;
    let sheet = std::fs::read_to_string(shop.book.session_report(&session.name)).unwrap();
    assert!(sheet.contains("the detector had found no pour here"));
    record(&["--undo"]);
    assert!(pours().is_empty());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_trace_that_was_published_and_not_recorded_is_recorded_at_the_next_start() {
    let mut shop = Shop::new();
    let real = std::mem::replace(&mut shop.program, "/bin/false".into());
    let first = shop.start();
    first.hear(&hot(0..20)).await;
    shop.be_silent_after(at(20.0));
    tokio::time::sleep(Duration::from_millis(700)).await;
    first.cut_off().await;
    let id = shop.sessions()[0].id;
    let child = Command::new(&real)
        .args(["publish-session", "--session", &id.to_string(), "--book"])
        .arg(shop.book.root())
        .output()
        .unwrap();
    assert!(child.status.success(), "{child:?}");
    shop.program = real;
    let second = shop.start();
    let session = shop.published(1).await;
    assert_eq!(session.state, SessionState::Closed);
    let features = shop.records().features_of("bench-1", Micros(i64::MIN));
    assert_eq!(
        features.unwrap()[0].trace_sha256,
        session.published.map(|p| p.sha256)
    );
    shop.assert_each_once(&hot(0..20));
    second.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_was_found_is_recorded_though_the_records_fail_right_after_publication() {
    let shop = Shop::new();
    let mut first = shop.start();
    first.hear(&hot(0..20)).await;
    let records = rusqlite::Connection::open(shop.book.records()).unwrap();
    records
        .execute_batch(
            "CREATE TRIGGER no_room BEFORE INSERT ON session_features
             BEGIN SELECT RAISE(ABORT, 'no room'); END",
        )
        .unwrap();
    shop.be_silent_after(at(20.0));
    let ended = tokio::time::timeout(Duration::from_secs(30), &mut first.bench).await;
    assert!(ended.unwrap().unwrap().is_err(), "the service starts again");
    end_writer(first.stop, first.closes, first.writer).await;
    records.execute_batch("DROP TRIGGER no_room").unwrap();
    let second = shop.start();
    let session = shop.published(1).await;
    let features = shop.records().features_of("bench-1", Micros(i64::MIN));
    assert_eq!(
        features.unwrap().first().map(|f| f.trace_sha256.clone()),
        session.published.map(|p| Some(p.sha256))
    );
    second.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stop_finishes_the_trace_its_records_and_its_reports() {
    let shop = Shop::new();
    let first = shop.start();
    first.hear(&hot(0..20)).await;
    shop.be_silent_after(at(20.0));
    // Long enough for the close to be durable, too short for its trace to be told.
    tokio::time::sleep(Duration::from_millis(260)).await;
    first.stop().await;
    let session = shop.sessions().remove(0);
    if session.state == SessionState::Open {
        // The close was decided by the next tick only, so the next start publishes.
        let second = shop.start();
        shop.be_silent_after(shop.clock.now());
        shop.published(1).await;
        second.stop().await;
    }
    let sheet = shop.book.session_report(&session.name);
    assert!(sheet.is_file());
    // A sheet that a power cut kept from being written is written by the next start.
    std::fs::remove_file(&sheet).unwrap();
    shop.start().stop().await;
    assert!(sheet.is_file());
    shop.assert_each_once(&hot(0..20));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_machine_taken_out_of_the_configuration_still_has_its_session_published() {
    let shop = Shop::new();
    let first = shop.start();
    first.hear(&hot(0..20)).await;
    first.cut_off().await;
    std::fs::write(
        shop.book.config(),
        CONFIG.replace("\"bench-1\"", "\"bench-2\""),
    )
    .unwrap();
    let second = shop.start();
    tokio::time::sleep(Duration::from_millis(500)).await;
    shop.be_silent_after(at(20.0));
    shop.published(1).await;
    shop.assert_each_once(&hot(0..20));
    second.stop().await;
}

const KILN: &str = r#"
[[programme]]
name = "usual"
steps = [
  { to = "150 Cel", ramp = "180 K/h", hold_min = 60 },
  { to = "730 Cel", ramp = "180 K/h", hold_min = 120 },
  { to = "555 Cel", ramp = "120 K/h" },
]
[[kiln]]
name = "kiln-1"
programme = "usual"
[kiln.channels.kiln_temperature]
topic = "shop/kiln-1/temperature"
unit = "Cel"
"#;

/// A reading a minute from the evening before: to 150 °C, held, and on its way to 730 °C until
/// its power fails five hours after nine.
fn failing_night(minutes: std::ops::Range<i32>) -> Vec<Reading> {
    minutes
        .map(|m| {
            let t = f64::from(m);
            let value = match t {
                t if t < 43.0 => 20.0 + 3.0 * t,
                t if t < 103.0 => 150.0,
                t if t < 250.0 => 150.0 + 3.0 * (t - 103.0),
                t => 591.0 - 3.0 * (t - 250.0),
            };
            Reading {
                place: Place::Kiln("kiln-1".into()),
                channel: Channel::KilnTemperature(0),
                ..melt(t, value.max(20.0))
            }
        })
        .collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_kiln_that_fails_at_night_is_told_and_kept_though_no_session_is_open() {
    let shop = Shop::new();
    std::fs::write(shop.book.config(), format!("{CONFIG}{KILN}")).unwrap();
    let first = shop.start();
    shop.clock.advance_to(at(200.0));
    first.hear(&failing_night(0..200)).await;
    // Cut off in mid-burnout: the next start finds it again in the journal, and it is one.
    first.cut_off().await;
    let second = shop.start();
    shop.clock.advance_to(at(275.0));
    second.hear(&failing_night(200..275)).await;
    let kept = shop.records().burnouts(None, at(-60.0), at(600.0)).unwrap();
    assert_eq!(kept.len(), 1, "{kept:?}");
    assert_eq!(kept[0].programme.as_deref(), Some("usual"));
    assert!(!kept[0].joined_late && kept[0].ended_at.is_none());
    let fault = kept[0].faults[0];
    assert!(
        matches!(fault.kind, FaultKind::Cooling | FaultKind::Stalled),
        "{fault:?}"
    );
    assert!(
        fault.told_at.seconds_since(at(250.0)) < 12.0 * MINUTE,
        "{fault:?}"
    );
    // Then nothing more is heard, and that is told by the clock alone.
    shop.clock.advance_to(at(282.0));
    for _ in 0..100 {
        let kept = shop.records().burnouts(None, at(-60.0), at(600.0)).unwrap();
        if kept[0].faults.iter().any(|f| f.kind == FaultKind::Silent) {
            assert_eq!(shop.sessions(), Vec::new());
            second.stop().await;
            return;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    panic!("the silence was not told");
}

const GAS: &str = r#"
[machine.channels.gas_flow]
topic = "shop/bench-1/gas"
unit = "L/min"
"#;

/// The advice that stands for the machine: what it is about, its level and its sentence.
fn advice(shop: &Shop) -> Option<(String, String, String)> {
    let json = shop.board.latest("pourbook/bench-1/advice")?;
    let advice: serde_json::Value = serde_json::from_slice(&json).unwrap();
    let word = |key: &str| advice[key].as_str().unwrap().to_owned();
    Some((word("about"), word("level"), word("sentence")))
}

/// Gas that was never on while the machine was cold is nobody's trouble; gas that fails over
/// molten metal is told, once the flow has stayed away, and told to be back.
#[tokio::test(flavor = "multi_thread")]
async fn gas_that_fails_over_molten_metal_is_told_and_told_to_be_back() {
    let shop = Shop::new();
    std::fs::write(shop.book.config(), format!("{CONFIG}{GAS}")).unwrap();
    let daemon = shop.start();
    let minutes = |from_s: u32, until_s: u32, flow: f64| -> Vec<Reading> {
        (from_s..until_s)
            .step_by(2)
            .flat_map(|s| {
                let t = f64::from(s) / 60.0;
                let gas = Reading {
                    channel: Channel::GasFlow,
                    value: flow,
                    ..melt(t, 0.0)
                };
                [melt(t, (20.0 + 1.2 * f64::from(s)).min(965.0)), gas]
            })
            .collect()
    };
    let hear = async |from_s, until_s, flow| {
        shop.clock.advance_to(at(f64::from(until_s) / 60.0));
        daemon.hear(&minutes(from_s, until_s, flow)).await;
    };
    hear(0, 120, 0.0).await;
    assert_eq!(advice(&shop), None, "still cold");
    hear(120, 1200, 3.2).await;
    assert_eq!(advice(&shop), None);
    hear(1200, 1206, 0.4).await;
    assert_eq!(advice(&shop), None, "a knock at the hose");
    hear(1206, 1230, 0.4).await;
    let stop = (
        "gas".to_owned(),
        "stop".to_owned(),
        "Gas 0.4, usual 3.2 L/min. Don't pour. Look at cylinder, valve and hose.".to_owned(),
    );
    assert_eq!(advice(&shop), Some(stop));
    hear(1230, 1240, 3.1).await;
    let over = ("gas", "over", "Gas 3.1 L/min again.");
    let over = (over.0.to_owned(), over.1.to_owned(), over.2.to_owned());
    assert_eq!(advice(&shop), Some(over));
    daemon.stop().await;
}
