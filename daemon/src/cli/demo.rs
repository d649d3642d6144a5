//! `pourbook demo`: makes the invented shop's book, plays its latest session over MQTT into the
//! running daemon, and writes the reports. Everything a shop would use is used: the same door,
//! journal, extractor, records and pages; only the shop is invented and the clock is driven.

use std::collections::{BTreeMap, VecDeque};
use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use analysis::time::Micros;
use anyhow::{Context, anyhow, bail};
use clap::Args;
use jiff::civil::Date;
use sample_data::truth::TruthFile;
use sample_data::{
    FlaskCard as SimCard, PlaceKind, SensedReading, SessionPlan, Shop, SimulatedSession, Troubles,
    simulate,
};
use uuid::Uuid;

use super::open::load;
use super::progress::progress;
use super::run::{log_to_stderr, runtime};
use super::{out, report};
use crate::book::Book;
use crate::clock::{Clock, ManualClock, SystemClock};
use crate::config::{Config, Door, WayIn};
use crate::place::Place;
use crate::records::flasks::{FlaskCard, FlaskLine};
use crate::records::inspections::NewInspection;
use crate::records::parts::{CylinderContent, PartChange};
use crate::records::targets::Target;
use crate::records::words::{AddedBy, MadeOf, Part, Stage};
use crate::records::{BookSetup, Records};
use crate::service::{HEARD_FILE, Service, ServiceSetup};
use crate::session::filed::{Heard, file_readings, good};
use crate::session::settle::assemble_machine;
use crate::storage::RealDisk;
use crate::write_up::WriteUp;

/// Where the demo's book is made if nothing is said.
const DEFAULT_FOLDER: &str = "demo-book";
/// How often the demo's sensors report, Hz.
const RATE_HZ: f64 = 1.0;
/// Volume of the demo's gas cylinders, L.
const CYLINDER_L: f64 = 10.0;
/// How long the daemon may take to close and publish the session.
const PATIENCE: Duration = Duration::from_secs(60);
/// How far the driven clock may run ahead of what is not yet acknowledged, s.
const MOST_LAG_S: f64 = 4.0;
/// What a demo book consists of; only these are ever removed.
const PARTS: [&str; 10] = [
    "traces",
    "reports",
    "journal",
    "records.sqlite",
    "records.sqlite-wal",
    "records.sqlite-shm",
    "pourbook.toml",
    "truth.json",
    HEARD_FILE,
    "in-use.lock",
];

/// Make the invented shop's book and play its latest session.
#[derive(Debug, Args)]
#[command(
    after_help = "Makes 26 weeks of an invented shop in ./demo-book, or in --book DIR, which must be empty or\nanother demo's.\n\nExample:\n  pourbook demo --book /tmp/demo-book"
)]
pub struct DemoArgs {
    /// The folder to make it in, empty or another demo's [default: demo-book in this folder;
    /// $POURBOOK_DIR is left alone]
    #[arg(long, value_name = "DIR")]
    book: Option<PathBuf>,
    /// How many weeks
    #[arg(long, default_value_t = 26, value_parser = clap::value_parser!(u32).range(1..=520))]
    weeks: u32,
    /// What the invented shop's luck is drawn from
    #[arg(long, default_value_t = 7)]
    seed: u64,
    /// Say what the daemon does
    #[arg(long)]
    verbose: bool,
    /// The last day [default: last Sunday, so that the last week is a whole one]
    #[arg(long, value_name = "DAY")]
    ending: Option<Date>,
}

/// Runs the command.
pub fn demo(args: &DemoArgs) -> anyhow::Result<()> {
    let began = Instant::now();
    if args.verbose {
        log_to_stderr(true);
    }
    let folder = args
        .book
        .clone()
        .unwrap_or_else(|| PathBuf::from(DEFAULT_FOLDER));
    let book = Book::at(&folder);
    make_room(&book)?;
    let sunday = || {
        let now = crate::book::local(SystemClock::new().now(), &jiff::tz::TimeZone::UTC).date();
        let since = i64::from(now.weekday().to_monday_zero_offset()) + 1;
        now.checked_sub(jiff::Span::new().days(since))
            .unwrap_or(now)
    };
    let shop = Shop::new(args.seed, args.weeks, args.ending.unwrap_or_else(sunday));
    std::fs::create_dir_all(book.root()).with_context(|| folder.display().to_string())?;
    std::fs::write(book.config(), configuration(&shop)).context("pourbook.toml")?;
    let config = load(&book)?;

    let plans: Vec<&SessionPlan> = shop.sessions().collect();
    let (last, history) = plans.split_last().ok_or_else(|| {
        anyhow!(
            "those {} weeks have no session; ask for more with --weeks",
            args.weeks
        )
    })?;
    let mut truths = Vec::new();
    let mut records = new_records(&book, &config, &shop, last.starts)?;
    let bar = progress(
        history.len() as u64,
        if history.len() == 1 {
            "session of the invented shop"
        } else {
            "sessions of the invented shop"
        },
    );
    for plan in history {
        let simulated = simulate(plan, RATE_HZ, &Troubles::default());
        file_session(&mut records, &book, &config, plan, &simulated, last.starts)?;
        truths.push(simulated.truth);
        bar.inc(1);
    }
    bar.finish();
    let first = history.first().map_or(last.starts, |p| p.starts);
    assemble_machine(&mut records, &config, &last.machine, first, last.starts)?;

    let simulated = simulate(last, RATE_HZ, &Troubles::default());
    add_cards(&mut records, last, &simulated.cards)?;
    drop(records);
    let session = play(&book, &config, last, &simulated)?;
    truths.push(simulated.truth);
    let truth = TruthFile {
        shop: shop.truth(),
        sessions: truths,
    };
    let text = serde_json::to_string_pretty(&truth).context("truth.json")?;
    std::fs::write(book.below("truth.json"), text).context("truth.json")?;

    let records = Records::open(&book.records())?;
    let now = SystemClock::new().now();
    let write_up = WriteUp::new(&book, &config, &records, now);
    let sheet = write_up.session(&session)?;
    let week = write_up.week(&write_up.week_of(last.starts))?;
    out::line("")?;
    out::line("The invented shop's book is made, and its latest session went in over MQTT.")?;
    out::line("This week's report:")?;
    report::print(&week)?;
    out::line("That session's sheet:")?;
    report::print(&sheet)?;
    out::line(&format!(
        "All reports: {}",
        book.reports().join("index.html").display()
    ))?;
    eprintln!("pourbook: done in {:.0} s", began.elapsed().as_secs_f64());
    Ok(())
}

/// Clears the folder if it is a demo's, and refuses if it is anything else.
fn make_room(book: &Book) -> anyhow::Result<()> {
    let root = book.root();
    let mut entries = match std::fs::read_dir(root) {
        Ok(entries) => entries,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(()),
        Err(e) => return Err(e).with_context(|| root.display().to_string()),
    };
    if entries.next().is_none() {
        return Ok(());
    }
    let foreign = || {
        anyhow!(
            "{} holds something that is not a demo's book; say another folder with --book",
            root.display()
        )
    };
    if book.records().is_file() {
        let records = Records::open(&book.records()).map_err(|_| foreign())?;
        if !records.book()?.demo {
            return Err(foreign());
        }
    } else if std::fs::read_dir(root)?
        .flatten()
        .any(|entry| !PARTS.iter().any(|p| entry.file_name() == *p))
    {
        return Err(foreign());
    }
    let lock = book.lock()?;
    for part in PARTS {
        let path = root.join(part);
        let removed = if path.is_dir() {
            std::fs::remove_dir_all(&path)
        } else if path.exists() {
            std::fs::remove_file(&path)
        } else {
            Ok(())
        };
        removed.with_context(|| path.display().to_string())?;
    }
    drop(lock);
    Ok(())
}

/// The demo's configuration: what a small bench would write.
fn configuration(shop: &Shop) -> String {
    use sample_data::shop::{ALTITUDE_M, KILN, MACHINE, NAME, TIME_ZONE};
    let mut text = format!(
        r#"# The book of an invented shop, made by "pourbook demo".
[shop]
name = "{NAME}"
time_zone = "{TIME_ZONE}"
altitude_m = {ALTITUDE_M}
room_m3 = 45
units = "metric"

[mqtt]
listen = "127.0.0.1:1883"

[[kiln]]
name = "{KILN}"
spread_k = 30
programme = "medium-flasks"
[kiln.channels.kiln_temperature]
topic = "shop/{KILN}/temperature"
unit = "Cel"
value = "/value"
time = "/time"

[[programme]]
name = "medium-flasks"
steps = [
  {{ to = "150 Cel", ramp = "175 K/h", hold_min = 105 }},
  {{ to = "370 Cel", ramp = "175 K/h", hold_min = 90 }},
  {{ to = "730 Cel", ramp = "180 K/h", hold_min = 195 }},
  {{ }},
]

[[machine]]
name = "{MACHINE}"
kilns = ["{KILN}"]
[machine.channels.melt_temperature]
topic = "shop/{MACHINE}/melt"
unit = "Cel"
value = "/value"
time = "/time"
min = 0.0
max = 1300.0
[machine.channels.vacuum]
topic = "shop/{MACHINE}/vacuum"
unit = "mbar"
sense = "below-ambient"
value = "/value"
time = "/time"
[machine.channels.gas_flow]
topic = "shop/{MACHINE}/gas"
unit = "L/min"
value = "/value"
time = "/time"
[machine.channels.vacuum_valve]
topic = "shop/{MACHINE}/valve"
value = "/value"
time = "/time"

[shop.channels.barometer]
topic = "shop/barometer"
unit = "hPa"
value = "/value"
time = "/time"
"#
    );
    for target in current_targets(shop).values() {
        text.push_str(&format!(
            "\n[[target]]\nalloy = \"{}\"\nsection = \"{}\"\npour_temperature = \"{} Cel\"\n\
             flask_temperature = \"{} Cel\"\nsoak_min = {}\nvacuum_lead_s = {}\n",
            target.alloy,
            target.section,
            target.pour_temperature_c,
            target.flask_temperature_c,
            target.soak_min,
            target.vacuum_lead_s
        ));
    }
    text
}

/// The last target of each alloy and section.
fn current_targets(shop: &Shop) -> BTreeMap<(String, String), &sample_data::Target> {
    let mut latest: BTreeMap<(String, String), &sample_data::Target> = BTreeMap::new();
    for target in shop.targets() {
        let key = (target.alloy.clone(), target.section.clone());
        let held = latest.entry(key).or_insert(target);
        if held.since <= target.since {
            *held = target;
        }
    }
    latest
}

fn new_records(book: &Book, config: &Config, shop: &Shop, now: Micros) -> anyhow::Result<Records> {
    let mut records = Records::open_or_create(
        &book.records(),
        &BookSetup {
            shop: config.shop.name.clone(),
            time_zone: config.shop.time_zone_name.clone(),
            demo: true,
            now,
        },
    )?;
    for kiln in &config.kilns {
        records.add_kiln(&kiln.name, Some(kiln.spread_k), AddedBy::Configuration, now)?;
    }
    for machine in &config.machines {
        records.add_machine(&machine.name, AddedBy::Configuration, now)?;
    }
    let mut targets: Vec<&sample_data::Target> = shop.targets().iter().collect();
    targets.sort_by_key(|t| t.since);
    for target in targets {
        records.set_target(
            &Target {
                alloy: target.alloy.clone(),
                section: target.section.clone(),
                pour_temperature_c: Some(target.pour_temperature_c),
                pour_temperature_text: Some(format!("{} Cel", target.pour_temperature_c)),
                flask_temperature_c: Some(target.flask_temperature_c),
                flask_temperature_text: Some(format!("{} Cel", target.flask_temperature_c)),
                soak_min: Some(target.soak_min),
                vacuum_lead_s: Some(target.vacuum_lead_s),
            },
            target.since,
        )?;
    }
    for change in shop.part_changes() {
        let part: Part = change.part.parse().map_err(|e| anyhow!("{e}"))?;
        let mut new = PartChange::of_machine(part, change.machine.clone(), change.at);
        new.content = change.content_l.map(|litres| CylinderContent {
            gas: "argon".to_owned(),
            volume_l: CYLINDER_L,
            // Litres at 1 bar in a cylinder of that volume, as pressure over the air's.
            pressure_kpa: litres / CYLINDER_L * 100.0,
        });
        records.add_part_change(&new, change.at)?;
    }
    Ok(records)
}

/// Files a finished session with its cards and inspections.
fn file_session(
    records: &mut Records,
    book: &Book,
    config: &Config,
    plan: &SessionPlan,
    simulated: &SimulatedSession,
    now: Micros,
) -> anyhow::Result<()> {
    let flasks = add_cards(records, plan, &simulated.cards)?;
    let readings = simulated.samples.iter().map(|r| heard(plan, r)).collect();
    let disk = RealDisk::new(book.root());
    file_readings(records, &disk, config, &plan.machine, readings, now)?;
    for seen in simulated.inspections.iter().filter(|i| i.at < now) {
        let flask = flasks.get(&seen.order).context("a flask without a card")?;
        let stage: Stage = seen.stage.parse().map_err(|e| anyhow!("{e}"))?;
        let mut new = NewInspection::new(*flask, stage, seen.at, seen.pieces);
        new.defective = Some(seen.defective);
        new.defective_steering = Some(seen.defective_steering);
        new.kinds = seen.kinds.clone();
        new.by = Some(seen.by.clone());
        new.blind = Some(seen.blind);
        records.add_inspection(&new, &config.defect_kinds, seen.at)?;
    }
    Ok(())
}

fn heard(plan: &SessionPlan, reading: &SensedReading) -> Heard {
    Heard {
        place: place(plan, reading.place),
        sample: good(reading.time, reading.channel, reading.value),
    }
}

fn place(plan: &SessionPlan, kind: PlaceKind) -> Place {
    match kind {
        PlaceKind::Machine => Place::Machine(plan.machine.as_str().into()),
        PlaceKind::Kiln => Place::Kiln(plan.kiln.as_str().into()),
        PlaceKind::Shop => Place::Shop,
    }
}

/// Adds a session's flask cards; their identities by their place in the order.
fn add_cards(
    records: &mut Records,
    plan: &SessionPlan,
    cards: &[SimCard],
) -> anyhow::Result<BTreeMap<u32, Uuid>> {
    let day = records.day_of(plan.starts);
    cards
        .iter()
        .map(|written| {
            let mut card = FlaskCard::new(&written.label, day);
            card.machine = Some(plan.machine.clone());
            card.casting_order = Some(written.order);
            card.alloy = Some(written.alloy.clone());
            card.metal_g = Some(written.metal_g);
            card.remelt_percent = Some(written.remelt_percent);
            card.diameter_mm = Some(written.diameter_mm);
            card.kiln = Some(written.kiln.clone());
            card.kiln_in_at = Some(written.kiln_in);
            card.kiln_out_at = Some(written.kiln_out);
            card.kiln_set_c = Some(written.set_point_c);
            card.soak_min = Some(written.soak_min);
            card.lines = vec![FlaskLine {
                pattern: Some(written.pattern.clone()),
                section: Some(written.section.clone()),
                pieces: Some(written.pieces),
                made_of: Some(MadeOf::Wax),
                ..FlaskLine::default()
            }];
            Ok((written.order, records.add_flask(&card, plan.starts)?))
        })
        .collect()
}

/// Plays a session over MQTT into the daemon and waits for it to be closed, published and
/// reported. Returns its name.
fn play(
    book: &Book,
    config: &Config,
    plan: &SessionPlan,
    simulated: &SimulatedSession,
) -> anyhow::Result<String> {
    let first = simulated
        .samples
        .first()
        .context("a session without readings")?
        .time;
    let clock = Arc::new(ManualClock::at(first.plus_seconds(-1.0)));
    let mut config = config.clone();
    // Any free port: a shop's own daemon may be running on the usual one.
    config.way_in = WayIn::Door(Door {
        listen: SocketAddr::from((Ipv4Addr::LOCALHOST, 0)),
        sensors: Vec::new(),
    });
    let program = std::env::current_exe().context("this program's own file")?;
    runtime()?.block_on(async {
        let service = Service::start(ServiceSetup {
            book: book.clone(),
            config: config.clone(),
            clock: clock.clone(),
            program,
            demo: true,
        })
        .await?;
        let door = service.door.context("the demo's door")?;
        publish(door, &config, plan, simulated, &clock).await?;
        // Three quarters of an hour of silence close a session.
        let silent = simulated.truth.ends.plus_seconds(46.0 * 60.0);
        if clock.now() < silent {
            clock.advance_to(silent);
        }
        let records = Records::open(&book.records())?;
        let patience = Instant::now() + PATIENCE;
        let name = loop {
            let played = records
                .sessions(Some(first), None)?
                .into_iter()
                .find(|s| s.machine == plan.machine && s.published.is_some());
            if let Some(session) = played {
                break session.name;
            }
            if Instant::now() > patience {
                bail!(
                    "the session was not published within {} s",
                    PATIENCE.as_secs()
                );
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        };
        service.stop().await?;
        Ok(name)
    })
}

/// Publishes the readings at QoS 1 as the sensors would, as fast as they are acknowledged.
async fn publish(
    door: SocketAddr,
    config: &Config,
    plan: &SessionPlan,
    simulated: &SimulatedSession,
    clock: &ManualClock,
) -> anyhow::Result<()> {
    use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
    let routes = config.routes();
    let mut options = MqttOptions::new("larkfield-sensors", door.ip().to_string(), door.port());
    options
        .set_inflight(200)
        .set_keep_alive(Duration::from_secs(30));
    let (client, mut eventloop) = AsyncClient::new(options, 256);
    let (acks, mut acknowledged) = tokio::sync::mpsc::unbounded_channel();
    let polling = tokio::spawn(async move {
        loop {
            match eventloop.poll().await {
                Ok(Event::Incoming(Packet::PubAck(_))) => {
                    if acks.send(()).is_err() {
                        return Ok(());
                    }
                }
                Ok(_) => {}
                Err(e) => return Err(e),
            }
        }
    });
    let bar = progress(
        (simulated.samples.len() + simulated.kiln_after.len()) as u64,
        "samples over MQTT, each acknowledged",
    );
    let mut unanswered: VecDeque<Micros> = VecDeque::new();
    // The kiln is heard on while it cools, as a shop's is; meanwhile the machine falls silent,
    // which closes its session.
    for reading in simulated.samples.iter().chain(&simulated.kiln_after) {
        let at = place(plan, reading.place);
        let route = routes
            .values()
            .flatten()
            .find(|r| r.place == at && r.channel == reading.channel);
        let Some(route) = route else { continue };
        // The driven clock must not run away from what is under way, or the sensors would seem
        // to have wrong clocks.
        let oldest = reading.time.plus_seconds(-MOST_LAG_S);
        while unanswered.front().is_some_and(|sent| *sent < oldest) {
            one_answer(&mut acknowledged, &mut unanswered).await?;
            bar.inc(1);
        }
        clock.advance_to(reading.time);
        let text = payload(route, reading);
        client
            .publish(route.topic.clone(), QoS::AtLeastOnce, false, text)
            .await
            .context("publishing to the door")?;
        unanswered.push_back(reading.time);
    }
    while !unanswered.is_empty() {
        one_answer(&mut acknowledged, &mut unanswered).await?;
        bar.inc(1);
    }
    bar.finish();
    client.disconnect().await.context("leaving the door")?;
    // The event loop must see the disconnect go out.
    let _ = tokio::time::timeout(Duration::from_secs(1), polling).await;
    Ok(())
}

/// Waits for the next acknowledgement; they come in the order in which was sent.
async fn one_answer(
    acknowledged: &mut tokio::sync::mpsc::UnboundedReceiver<()>,
    unanswered: &mut VecDeque<Micros>,
) -> anyhow::Result<()> {
    match tokio::time::timeout(PATIENCE, acknowledged.recv()).await {
        Ok(Some(())) => {
            unanswered.pop_front();
            Ok(())
        }
        Ok(None) | Err(_) => bail!("{} samples were not acknowledged", unanswered.len()),
    }
}

/// A reading as a small sensor sends it: value in its own unit, time as milliseconds since 1970.
fn payload(route: &crate::route::Route, reading: &SensedReading) -> Vec<u8> {
    let value = match analysis::units::Unit::parse(&route.unit) {
        Ok(unit) => unit.from_canonical(reading.value),
        Err(_) => reading.value,
    };
    format!(
        "{{\"value\":{value:.3},\"time\":{}}}",
        reading.time.0 / 1000
    )
    .into_bytes()
}
