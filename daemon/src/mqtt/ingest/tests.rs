//! Ingest tried without a network: messages handed over as a connection hands them, and what
//! reaches the journal's writer, what is acknowledged and what is remembered.

use super::*;
use crate::clock::ManualClock;
use crate::mqtt::payload::tests::route;
use crate::mqtt::testing::{MELT, acknowledge, next, path, reading};
use crate::place::Place;
use crate::route::Sense;

struct Bench {
    ingest: Ingest,
    queue: mpsc::Receiver<Submission>,
    clock: Arc<ManualClock>,
    source: Arc<str>,
    client: Arc<str>,
    acks: mpsc::UnboundedSender<u16>,
    heard_acks: mpsc::UnboundedReceiver<u16>,
}

const START: Micros = Micros(1_795_000_000_000_000);

fn bench(routes: Vec<Route>) -> Bench {
    let (writer, queue) = mpsc::channel(1024);
    let clock = Arc::new(ManualClock::at(START));
    let mut table = Routes::new();
    for route in routes {
        table
            .entry(route.topic.clone())
            .or_default()
            .push(Arc::new(route));
    }
    let (acks, heard_acks) = mpsc::unbounded_channel();
    Bench {
        ingest: Ingest::new(&table, clock.clone(), writer),
        queue,
        clock,
        source: DOOR.into(),
        client: "melt-probe".into(),
        acks,
        heard_acks,
    }
}

impl Bench {
    fn message<'a>(&'a self, topic: &'a str, payload: &'a str, packet: u16) -> Message<'a> {
        Message {
            source: &self.source,
            client: &self.client,
            connection: 1,
            topic,
            payload: payload.as_bytes(),
            packet,
            dup: false,
            retained: false,
            ack: Some(&self.acks),
        }
    }

    /// Takes a message a second later and returns what reached the writer.
    async fn take(&mut self, topic: &str, payload: &str, packet: u16) -> Vec<Entry> {
        self.clock.advance_to(self.clock.now().plus_seconds(1.0));
        self.ingest
            .take(self.message(topic, payload, packet))
            .await
            .unwrap();
        self.queue.try_recv().map(|s| s.entries).unwrap_or_default()
    }

    fn count(&self, kind: &str) -> u64 {
        self.ingest.heard().counts.get(kind).copied().unwrap_or(0)
    }
}

/// The digest was made with GNU coreutils, from topic, zero byte and payload:
/// `(printf shop/bench-1/melt; printf '\000'; printf 968.5) | sha256sum`.
#[test]
fn the_hash_is_the_one_that_journals_hold() {
    assert_eq!(
        payload_hash("shop/bench-1/melt", b"968.5"),
        0x6da8_e3e8_5119_77a7
    );
}

#[tokio::test]
async fn one_payload_can_feed_several_channels() {
    let mut melt = route("melt_temperature", "Cel");
    melt.topic = "shop/bench-1/all".into();
    melt.value_pointer = "/melt".into();
    let mut gas = route("gas_flow", "L/min");
    gas.topic = "shop/bench-1/all".into();
    gas.value_pointer = "/gas".into();
    let mut bench = bench(vec![melt, gas]);
    let entries = bench
        .take("shop/bench-1/all", r#"{"melt":968.5,"gas":8}"#, 1)
        .await;
    let values: Vec<(Channel, f64)> = entries
        .iter()
        .map(|e| reading(e).map(|r| (r.channel, r.value)).unwrap())
        .collect();
    assert_eq!(
        values,
        [(Channel::MeltTemperature, 968.5), (Channel::GasFlow, 8.0)]
    );
    // One of two that cannot be read does not take the other with it.
    let entries = bench.take("shop/bench-1/all", r#"{"melt":968.5}"#, 2).await;
    assert_eq!(entries.len(), 2);
    assert!(reading(&entries[0]).is_some());
    assert!(matches!(&entries[1], Entry::Refused(r) if r.reason.contains("\"/gas\"")));
}

#[tokio::test]
async fn a_reading_outside_its_limits_is_kept_and_marked() {
    let mut melt = route("melt_temperature", "degF");
    (melt.min, melt.max) = (Some(0.0), Some(1300.0));
    let mut bench = bench(vec![melt]);
    for (payload, quality) in [
        ("32", Quality::Good),
        ("2372", Quality::Good),
        ("31", Quality::OutOfRange),
        ("2373", Quality::OutOfRange),
    ] {
        let entries = bench.take(MELT, payload, 0).await;
        assert_eq!(reading(&entries[0]).unwrap().quality, quality, "{payload}");
    }
}

#[tokio::test]
async fn an_absolute_vacuum_follows_the_barometer() {
    let mut barometer = route("barometer", "hPa");
    barometer.place = Place::Shop;
    let mut vacuum = route("vacuum", "mbar");
    vacuum.sense = Sense::Absolute;
    let mut bench = bench(vec![barometer.clone(), vacuum.clone()]);
    let depth = |entries: Vec<Entry>| reading(&entries[0]).unwrap().value;
    assert_eq!(depth(bench.take(&vacuum.topic, "160", 0).await), 85.0);
    bench.take(&barometer.topic, "990", 0).await;
    assert_eq!(depth(bench.take(&vacuum.topic, "160", 0).await), 83.0);
    // A barometer that reads a vacuum is broken, and one of yesterday is no use today.
    bench.take(&barometer.topic, "0", 0).await;
    assert_eq!(depth(bench.take(&vacuum.topic, "160", 0).await), 83.0);
    bench
        .clock
        .advance_to(START.plus_seconds(BAROMETER_HOLDS_S + 60.0));
    assert_eq!(depth(bench.take(&vacuum.topic, "160", 0).await), 85.0);
}

#[tokio::test]
async fn a_raving_sensor_fills_neither_journal_nor_memory() {
    let mut bench = bench(vec![route("melt_temperature", "Cel")]);
    let mut kept = 0;
    for i in 0..200 {
        kept += bench.take(MELT, &format!("rave {i}"), 0).await.len();
        kept += bench.take(MELT, "rave 0", 0).await.len();
    }
    assert_eq!(kept, 20);
    let heard = bench.ingest.heard();
    assert_eq!(heard.channels[0].refused, 400);
    assert_eq!(heard.channels[0].bad.len(), 20);
    assert_eq!(heard.channels[0].bad[0].count, 201);
    // At QoS 1 the acknowledgement says that it is kept, so it is.
    assert_eq!(bench.take(MELT, "rave 0", 7).await.len(), 1);
    for i in 0..1_000 {
        bench.take(&format!("noise/{i}"), "1", 0).await;
    }
    let heard = bench.ingest.heard();
    assert_eq!(heard.unassigned.len(), 256);
    assert_eq!(heard.unassigned_beyond, 744);
}

#[tokio::test]
async fn what_a_broker_kept_is_no_sample_unless_it_says_when() {
    let mut timed = route("vacuum", "mbar");
    timed.value_pointer = "/v".into();
    timed.time_pointer = "/t".into();
    let topic = timed.topic.clone();
    let bench = bench(vec![route("melt_temperature", "Cel"), timed]);
    let mut bench = bench;
    let take = async |bench: &mut Bench, topic: &str, payload: &str| {
        let mut message = bench.message(topic, payload, 3);
        message.retained = true;
        bench.ingest.take(message).await.unwrap();
        bench.queue.try_recv().unwrap()
    };
    let untimed = take(&mut bench, MELT, "968.5").await;
    assert_eq!(untimed.entries, []);
    acknowledge(&untimed);
    assert_eq!(bench.heard_acks.try_recv(), Ok(3));
    assert_eq!(bench.count("retained without a time, not sampled"), 1);
    let at = r#"{"v":850,"t":1794999000}"#;
    let first = take(&mut bench, &topic, at).await;
    assert_eq!(reading(&first.entries[0]).unwrap().quality, Quality::Late);
    // Every new subscription brings it again.
    assert_eq!(take(&mut bench, &topic, at).await.entries, []);
}

#[tokio::test]
async fn giving_up_on_a_full_queue_changes_nothing() {
    let (ingest, mut queue) = path(1);
    let (to, _acks) = mpsc::unbounded_channel();
    let (source, client): (Arc<str>, Arc<str>) = (DOOR.into(), "melt-probe".into());
    let message = |connection, packet, dup| Message {
        source: &source,
        client: &client,
        connection,
        topic: MELT,
        payload: b"968.5",
        packet,
        dup,
        retained: false,
        ack: Some(&to),
    };
    ingest.take(message(1, 1, false)).await.unwrap();
    let waiting = ingest.take(message(1, 2, false));
    let gave_up = tokio::time::timeout(std::time::Duration::from_millis(20), waiting).await;
    assert!(gave_up.is_err());
    next(&mut queue).await;
    // Had it been remembered as stored, its repeat would be acknowledged and lost.
    ingest.take(message(2, 2, true)).await.unwrap();
    assert_eq!(next(&mut queue).await.entries.len(), 1);
    drop(queue);
    assert_eq!(ingest.take(message(2, 3, false)).await, Err(WriterGone));
}

#[tokio::test]
async fn the_journal_gives_back_what_a_restart_forgot() {
    let mut before = bench(vec![route("melt_temperature", "Cel")]);
    let mut journal = Vec::new();
    for i in 0..30u16 {
        journal.extend(before.take(MELT, &format!("9{i}"), i + 1).await);
    }
    let mut after = bench(vec![route("melt_temperature", "Cel")]);
    after
        .clock
        .advance_to(before.clock.now().plus_seconds(300.0));
    for entry in &journal {
        after.ingest.learn(entry);
    }
    assert!(
        after
            .ingest
            .knows_client(&DOOR.into(), &"melt-probe".into())
    );
    let again = Message {
        dup: true,
        ..after.message(MELT, "929", 30)
    };
    after.ingest.take(again).await.unwrap();
    assert_eq!(after.queue.try_recv().unwrap().entries, []);
    // A sensor that saved its readings while we were down sends them at once.
    let mut qualities = Vec::new();
    for i in 0..10 {
        let payload = format!("95{i}");
        let message = after.message(MELT, &payload, 40 + i);
        after.ingest.take(message).await.unwrap();
        let entries = after.queue.try_recv().unwrap().entries;
        qualities.push(reading(&entries[0]).unwrap().quality);
    }
    assert_eq!(qualities, [Quality::Untimed; 10]);
}

#[tokio::test]
async fn the_snapshot_tells_what_the_bench_needs_to_know() {
    let mut bench = bench(vec![route("melt_temperature", "Cel")]);
    assert!(bench.ingest.heard().channels[0].stale);
    for i in 0..10 {
        bench.take(MELT, &format!("96{i}"), 0).await;
    }
    let heard = bench.ingest.heard();
    let melt = &heard.channels[0];
    assert_eq!(melt.readings, 10);
    assert_eq!(melt.last_value, Some(969.0));
    assert_eq!(melt.last_payload.as_deref(), Some("969"));
    assert!((melt.rate_hz.unwrap() - 1.0).abs() < 1e-9);
    assert!(!melt.stale);
    bench.clock.advance_to(bench.clock.now().plus_seconds(6.0));
    assert!(bench.ingest.heard().channels[0].stale);
    assert!(
        serde_json::to_string(&heard)
            .unwrap()
            .contains("melt_temperature")
    );
}
