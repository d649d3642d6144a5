//! The detector of an open session, fed twice: provisionally as samples become durable, for
//! verdicts while they matter, and finally behind the 10 s watermark, for the records.

use std::collections::BTreeMap;

use analysis::pour::{Detector, Event, Now, Row, Setup, UsualPull, Watermark, extract};
use analysis::sample::Sample;
use analysis::stage::Stage;
use analysis::time::Micros;

use crate::journal::{Claim, Reading};
use crate::place::Place;

/// The detector of one open session.
#[derive(Debug)]
pub struct Live {
    provisional: Detector,
    watermark: Watermark,
    settled: Detector,
    settled_events: Vec<Event>,
    /// A sample came too late for the settled feed, whose rows may then differ from what the
    /// trace will say.
    late: bool,
    /// From place and channel in the journal to the channel in the trace and the earliest time.
    wanted: BTreeMap<(Place, analysis::channel::Channel), (analysis::channel::Channel, Micros)>,
}

/// What one sample brought.
#[derive(Debug, Default)]
pub struct News {
    /// From the provisional feed, at once.
    pub provisional: Vec<Event>,
    /// Whether the settled pulls and pours changed.
    pub settled: bool,
}

impl Live {
    /// A detector for a session that takes what `claims` say (their ends are left open).
    pub fn new(setup: Setup, claims: &[Claim]) -> Live {
        Live {
            provisional: Detector::new(setup),
            watermark: Watermark::new(),
            settled: Detector::new(setup),
            settled_events: Vec::new(),
            late: false,
            wanted: claims
                .iter()
                .map(|c| ((c.place.clone(), c.channel), (c.channel_in_trace, c.from)))
                .collect(),
        }
    }

    /// The reading as a sample of the session's trace, if the session claims it.
    pub fn sample_of(&self, reading: &Reading) -> Option<Sample> {
        let key = (reading.place.clone(), reading.channel);
        let (channel, from) = self.wanted.get(&key)?;
        (reading.time >= *from).then_some(Sample {
            time: reading.time,
            channel: *channel,
            value: reading.value,
            quality: reading.quality,
        })
    }

    /// Takes one reading, if the session claims it.
    pub fn take(&mut self, reading: &Reading) -> News {
        self.sample_of(reading)
            .map_or_else(News::default, |sample| self.take_sample(sample))
    }

    /// Takes one sample of the session.
    pub fn take_sample(&mut self, sample: Sample) -> News {
        let mut news = News {
            provisional: self.provisional.push(&sample),
            settled: false,
        };
        self.late |= !self.watermark.push(sample);
        while let Some(ready) = self.watermark.pop() {
            let events = self.settled.push(&ready);
            news.settled |= events.iter().any(is_row);
            self.settled_events
                .extend(events.into_iter().filter(is_row));
        }
        news
    }

    /// Whether a sample came too late for the settled feed: it should be made anew from what the
    /// journal holds.
    pub fn is_late(&self) -> bool {
        self.late
    }

    /// Lets time pass for the provisional feed, so that a verdict comes though a sensor is
    /// silent.
    pub fn advance(&mut self, now: Micros) -> Vec<Event> {
        self.provisional.advance(now)
    }

    /// What the machine's good pulls are like with the flask that is on now. Verdicts of the
    /// moment are held against it; the rows are compared when they are assembled.
    pub fn set_usual(&mut self, usual: Option<UsualPull>) {
        self.provisional.set_usual(usual);
    }

    /// The figures of the moment.
    pub fn now(&self) -> Now {
        self.provisional.now()
    }

    /// Whether a pull or a pour is going on.
    pub fn busy(&self) -> bool {
        let now = self.provisional.now();
        now.pull.is_some() || matches!(now.stage, Stage::Pulling | Stage::Poured)
    }

    /// Pulls and pours that are certain so far.
    pub fn rows(&self, session: &str, machine: &str) -> Vec<Row> {
        extract::rows(self.settled_events.iter().cloned(), session, machine)
    }
}

fn is_row(event: &Event) -> bool {
    matches!(event, Event::PullFound(_) | Event::Poured(_))
}
