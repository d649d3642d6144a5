//! The detector of an open session, fed twice: provisionally as samples become durable, for
//! verdicts while they matter, and finally behind the 10 s watermark, for the records.

use std::collections::BTreeMap;

use analysis::pour::{Detector, Event, Now, Row, Setup, Watermark, extract};
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
            wanted: claims
                .iter()
                .map(|c| ((c.place.clone(), c.channel), (c.channel_in_trace, c.from)))
                .collect(),
        }
    }

    /// Takes one reading, if the session claims it.
    pub fn take(&mut self, reading: &Reading) -> News {
        let key = (reading.place.clone(), reading.channel);
        let Some((channel, from)) = self.wanted.get(&key) else {
            return News::default();
        };
        if reading.time < *from {
            return News::default();
        }
        let sample = Sample {
            time: reading.time,
            channel: *channel,
            value: reading.value,
            quality: reading.quality,
        };
        let mut news = News {
            provisional: self.provisional.push(&sample),
            settled: false,
        };
        self.watermark.push(sample);
        while let Some(ready) = self.watermark.pop() {
            let events = self.settled.push(&ready);
            news.settled |= events.iter().any(is_row);
            self.settled_events
                .extend(events.into_iter().filter(is_row));
        }
        news
    }

    /// Lets time pass for the provisional feed, so that a verdict comes though a sensor is
    /// silent.
    pub fn advance(&mut self, now: Micros) -> Vec<Event> {
        self.provisional.advance(now)
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
