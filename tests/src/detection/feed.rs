//! One drawn session through everything that looks at it: the provisional feed as readings
//! arrive, the final feed behind the watermark, and extraction from the written trace.

use std::io::Cursor;

use analysis::pour::setup::UsualPull;
use analysis::pour::{
    Detector, Event, Meta, PourFound, Row, Setup, Verdict, Watermark, Weighed, extract,
};
use analysis::sample::Sample;
use analysis::time::Micros;
use analysis::trace::{TraceWriter, read_trace};
use sample_data::drawn::DrawnSession;

/// The daemon lets time pass for the provisional feed about this often, s.
const TICK_S: f64 = 0.5;

/// A verdict as it was told.
#[derive(Clone, Debug)]
pub struct Judged {
    /// When it was told.
    pub told_at: Micros,
    /// The pull, by its opening as heard.
    pub opened_at: Micros,
    /// What it is worth.
    pub verdict: Verdict,
}

/// A pour as it was told provisionally.
#[derive(Clone, Debug)]
pub struct ToldPour {
    /// When it was told.
    pub told_at: Micros,
    /// The pour.
    pub pour: PourFound,
}

/// What was told of a session.
#[derive(Clone, Debug, Default)]
pub struct Heard {
    /// Pours as told at once.
    pub provisional: Vec<ToldPour>,
    /// Verdicts as told at once.
    pub verdicts: Vec<Judged>,
    /// Turns that were weighed in the final feed.
    pub weighed: Vec<Weighed>,
    /// Rows of the final feed.
    pub settled: Vec<Row>,
    /// Rows extracted from the written trace.
    pub extracted: Vec<Row>,
    /// Readings that came too late for the final feed; there should be none.
    pub late: u64,
}

impl Heard {
    /// Whether live and extracted answers are the same to the last bit.
    pub fn same(&self) -> bool {
        self.settled == self.extracted
    }
}

/// How much good pulls of one machine and gasket scatter about their usual share: drawn ones by
/// 1.2 % of it, and a little for their flasks' sizes.
const SHARE_SPREAD: f64 = 0.02;

/// The setup of a session: what its final feed and an extraction are told.
pub fn setup_of(session: &DrawnSession) -> Setup {
    session.setup
}

/// The setup of its provisional feed, which is also told the machine's usual pull, where that is
/// known.
fn live_setup_of(session: &DrawnSession) -> Setup {
    Setup {
        usual: session.usual_share.map(|share| UsualPull {
            share,
            share_spread: SHARE_SPREAD,
            ..UsualPull::COMMON
        }),
        ..session.setup
    }
}

/// The names of a drawn session.
pub fn meta_of(session: &DrawnSession, setup: Setup) -> Meta {
    Meta {
        session: format!("drawn-{}", session.seed),
        machine: "bench-1".to_owned(),
        setup,
    }
}

/// Runs a session through everything.
pub fn hear(session: &DrawnSession) -> Heard {
    let meta = meta_of(session, setup_of(session));
    let mut heard = Heard::default();
    live(session, &meta, &mut heard);
    heard.extracted = extract(&through_a_file(&session.trace()), &meta);
    heard
}

/// The two live feeds.
fn live(session: &DrawnSession, meta: &Meta, heard: &mut Heard) {
    let mut provisional = Detector::new(live_setup_of(session));
    let mut watermark = Watermark::new();
    let mut settled = Detector::new(meta.setup);
    let mut events = Vec::new();
    let mut tick = Micros(i64::MIN);
    for arrival in &session.arrivals {
        while tick < arrival.at {
            if tick > Micros(i64::MIN) && waits_for_verdict(&provisional) {
                note(heard, tick, provisional.advance(tick));
            }
            tick = tick
                .max(arrival.at.plus_seconds(-TICK_S))
                .plus_seconds(TICK_S);
        }
        note(heard, arrival.at, provisional.push(&arrival.sample));
        heard.late += u64::from(!watermark.push(arrival.sample));
        while let Some(ready) = watermark.pop() {
            events.append(&mut settled.push(&ready));
        }
    }
    let end = session.arrivals.last().map_or(Micros(0), |a| a.at);
    note(heard, end, provisional.finish());
    for ready in watermark.flush() {
        events.append(&mut settled.push(&ready));
    }
    events.append(&mut settled.finish());
    heard.weighed = events
        .iter()
        .filter_map(|event| match event {
            Event::Weighed(weighed) => Some(weighed.as_ref().clone()),
            _ => None,
        })
        .collect();
    heard.settled = extract::rows(events, &meta.session, &meta.machine);
}

fn waits_for_verdict(detector: &Detector) -> bool {
    detector.now().pull.is_some_and(|p| p.verdict.is_none())
}

fn note(heard: &mut Heard, told_at: Micros, events: Vec<Event>) {
    for event in events {
        match event {
            Event::Poured(pour) => heard.provisional.push(ToldPour {
                told_at,
                pour: *pour,
            }),
            Event::PullJudged {
                opened_at, verdict, ..
            } => heard.verdicts.push(Judged {
                told_at,
                opened_at,
                verdict,
            }),
            _ => {}
        }
    }
}

/// Samples written as a trace and read back, sorted as [`DrawnSession::trace`] sorts them.
pub fn through_a_file(samples: &[Sample]) -> Vec<Sample> {
    let mut bytes = Vec::new();
    let mut writer = TraceWriter::new(&mut bytes, &[]).unwrap();
    for of_channel in samples.chunk_by(|a, b| a.channel == b.channel) {
        writer
            .write_channel(of_channel[0].channel, of_channel)
            .unwrap();
    }
    writer.finish().unwrap();
    read_trace(Cursor::new(bytes)).unwrap().samples
}
