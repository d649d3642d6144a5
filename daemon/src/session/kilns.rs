//! Kilns followed by the daemon: each on its own, whether a session is open or not, since a
//! burnout runs at night. Readings go through the 10 s watermark into a follower; what it tells
//! is said and kept. A start reads the journal and finds the burnouts that were going on again.

use std::collections::BTreeMap;
use std::sync::Arc;

use analysis::burnout::{BurnoutRow, Event, Follower, Programme, Setup};
use analysis::channel::Channel;
use analysis::pour::Watermark;
use analysis::sample::Sample;
use analysis::time::Micros;
use anyhow::Context;

use super::bench::Bench;
use crate::config::Config;
use crate::journal::{Entry, Reading};
use crate::mqtt::status::KilnStatus;
use crate::place::Place;
use crate::records::Records;

/// What happened longer ago than this is kept and no longer said, s: a lamp must not follow what
/// a sensor's backlog tells of last night.
pub(super) const STALE_S: f64 = 900.0;
/// Cards may come after the burnout began; they are asked this often, s of the kiln's own time.
const CARDS_EVERY_S: f64 = 600.0;
/// A burnout under way is kept at least this often, s of the kiln's own time.
const KEEP_EVERY_S: f64 = 600.0;
/// What came too late for the watermark makes a kiln be followed anew at most this often, s.
const ANEW_EVERY_S: f64 = 60.0;

/// The kilns of the configuration.
#[derive(Debug)]
pub(super) struct Kilns {
    by_name: BTreeMap<Arc<str>, KilnBench>,
}

/// One kiln.
#[derive(Debug)]
struct KilnBench {
    follower: Follower,
    watermark: Watermark,
    /// A reading came behind the watermark.
    late: bool,
    anew_at: Micros,
    cards_at: Option<Micros>,
    kept_at: Option<Micros>,
    /// Readings of a start, until they can be put in order.
    gathered: Vec<Sample>,
}

/// What a kiln brought.
#[derive(Debug, Default)]
struct Brought {
    events: Vec<Event>,
    /// Burnouts to be kept, oldest first.
    keep: Vec<BurnoutRow>,
}

impl Kilns {
    pub fn new(config: &Config) -> Kilns {
        let by_name = config
            .kilns
            .iter()
            .map(|kiln| (Arc::clone(&kiln.name), KilnBench::new(config, &kiln.name)));
        Kilns {
            by_name: by_name.collect(),
        }
    }

    /// Takes a reading of the journal as a start reads it; [`Bench::follow_gathered`] follows.
    pub fn gather(&mut self, reading: &Reading) {
        if let Some((name, sample)) = kiln_sample(reading)
            && let Some(kiln) = self.by_name.get_mut(name)
        {
            kiln.gathered.push(sample);
        }
    }
}

/// A follower as the configuration tells it; what the cards say comes later.
fn follower(config: &Config, name: &str) -> Follower {
    let kiln = config.kiln(name);
    let mut setup = Setup::of(name);
    if let Some(kiln) = kiln {
        setup.highest_c = kiln.highest_c;
        let temperature = Channel::KilnTemperature(0);
        let heard = kiln.channels.iter().find(|h| h.channel == temperature);
        if let Some(stale_s) = heard.map(|h| h.stale_after_s) {
            // A sensor that is known to be slow is not silent before its own time.
            setup.silent_after_s = setup.silent_after_s.max(stale_s);
        }
        setup.programme = kiln
            .programme
            .as_deref()
            .and_then(|name| config.programme(name))
            .cloned();
    }
    Follower::new(setup)
}

/// The burnouts in a kiln's samples, oldest first, as they would have been followed; the kiln's
/// channels are numbered 0.
///
/// # Errors
/// When the records refuse.
pub(crate) fn followed(
    config: &Config,
    records: &Records,
    name: &str,
    samples: Vec<Sample>,
) -> anyhow::Result<Vec<BurnoutRow>> {
    let mut kiln = KilnBench::new(config, name);
    Ok(kiln.follow_anew(name, samples, config, records)?.keep)
}

/// The kiln's name and the sample, if the reading is a kiln's.
fn kiln_sample(reading: &Reading) -> Option<(&Arc<str>, Sample)> {
    let Place::Kiln(name) = &reading.place else {
        return None;
    };
    Some((
        name,
        Sample {
            time: reading.time,
            channel: reading.channel,
            value: reading.value,
            quality: reading.quality,
        },
    ))
}

impl KilnBench {
    fn new(config: &Config, name: &str) -> KilnBench {
        KilnBench {
            follower: follower(config, name),
            watermark: Watermark::new(),
            late: false,
            anew_at: Micros(i64::MIN),
            cards_at: None,
            kept_at: None,
            gathered: Vec::new(),
        }
    }

    /// Takes a sample that is in order.
    fn take(
        &mut self,
        name: &str,
        sample: &Sample,
        config: &Config,
        records: &Records,
        brought: &mut Brought,
    ) -> anyhow::Result<()> {
        let events = self.follower.push(sample);
        let due = |at: Option<Micros>, every_s: f64| {
            at.is_none_or(|at| sample.time.seconds_since(at).abs() >= every_s)
        };
        let began = events.iter().any(|e| matches!(e, Event::Began { .. }));
        let mut keep = !events.is_empty();
        for event in events {
            if let Event::Ended(row) = &event {
                brought.keep.push((**row).clone());
            }
            brought.events.push(event);
        }
        if self.follower.now().stage != "cold" {
            if began || due(self.cards_at, CARDS_EVERY_S) {
                self.cards_at = Some(sample.time);
                let programme = programme_of(config, records, name, sample.time)?;
                self.follower.follow_by(programme);
            }
            keep |= due(self.kept_at, KEEP_EVERY_S);
        }
        if keep {
            self.kept_at = Some(sample.time);
            brought.keep.extend(self.follower.burnout());
        }
        Ok(())
    }

    /// Follows the kiln from nothing through these samples.
    fn follow_anew(
        &mut self,
        name: &str,
        mut samples: Vec<Sample>,
        config: &Config,
        records: &Records,
    ) -> anyhow::Result<Brought> {
        samples.sort_by(Sample::total_cmp);
        self.follower = follower(config, name);
        self.watermark = Watermark::new();
        (self.cards_at, self.kept_at, self.late) = (None, None, false);
        let mut brought = Brought::default();
        for sample in samples {
            self.watermark.push(sample);
            while let Some(ready) = self.watermark.pop() {
                self.take(name, &ready, config, records, &mut brought)?;
            }
        }
        // Of each burnout only the last state counts.
        let mut last: Vec<BurnoutRow> = Vec::new();
        for row in brought.keep {
            last.retain(|kept| kept.began_at != row.began_at);
            last.push(row);
        }
        brought.keep = last;
        Ok(brought)
    }
}

/// What a kiln should run at `at`: the programme that the cards of its load name, else its own,
/// ending at the set point that they agree on.
pub(crate) fn programme_of(
    config: &Config,
    records: &Records,
    kiln: &str,
    at: Micros,
) -> anyhow::Result<Option<Programme>> {
    let load = records.load_of(kiln, at)?;
    let of_kiln = config.kiln(kiln).and_then(|k| k.programme.as_deref());
    let programme = load
        .programme
        .as_deref()
        .and_then(|name| config.programme(name))
        .or_else(|| of_kiln.and_then(|name| config.programme(name)));
    Ok(programme.map(|p| p.ending_at(load.set_point_c)))
}

impl Bench {
    /// Takes a durable reading, if it is a kiln's.
    pub(super) fn take_kiln_reading(&mut self, reading: &Reading) -> anyhow::Result<()> {
        let Some((name, sample)) = kiln_sample(reading) else {
            return Ok(());
        };
        let Some(kiln) = self.kilns.by_name.get_mut(name) else {
            return Ok(());
        };
        let mut brought = Brought::default();
        kiln.late |= !kiln.watermark.push(sample);
        while let Some(ready) = kiln.watermark.pop() {
            let (config, records) = (&self.setup.config, &self.setup.records);
            kiln.take(name, &ready, config, records, &mut brought)?;
        }
        self.keep_and_say(name, brought)
    }

    /// Follows what a start gathered from the journal, and says what is wrong at this moment.
    pub(super) fn follow_gathered(&mut self) -> anyhow::Result<()> {
        let names: Vec<Arc<str>> = self.kilns.by_name.keys().cloned().collect();
        for name in names {
            let Some(kiln) = self.kilns.by_name.get_mut(&name) else {
                continue;
            };
            let samples = std::mem::take(&mut kiln.gathered);
            let (config, records) = (&self.setup.config, &self.setup.records);
            let brought = kiln.follow_anew(&name, samples, config, records)?;
            self.keep_and_say(&name, brought)?;
        }
        Ok(())
    }

    /// Lets time pass: tells kilns that fell silent, and follows anew those for which readings
    /// came late. `listening` is since when readings could come in without a break.
    pub(super) fn watch_kilns(
        &mut self,
        now: Micros,
        listening: Option<Micros>,
    ) -> anyhow::Result<()> {
        let names: Vec<Arc<str>> = self.kilns.by_name.keys().cloned().collect();
        for name in names {
            let Some(kiln) = self.kilns.by_name.get_mut(&name) else {
                continue;
            };
            let could_hear = listening
                .is_some_and(|since| now.seconds_since(since) >= kiln.follower.silent_after_s());
            if could_hear {
                let events = kiln.follower.advance(now);
                if !events.is_empty() {
                    let keep = kiln.follower.burnout().into_iter().collect();
                    self.keep(&name, &keep)?;
                    for event in &events {
                        self.tell_kiln(&name, event);
                    }
                }
            }
            self.kiln_anew(&name, now)?;
            self.post_kiln(&name, now);
        }
        Ok(())
    }

    /// Follows a kiln anew through what the journal holds, if readings came behind the watermark.
    fn kiln_anew(&mut self, name: &Arc<str>, now: Micros) -> anyhow::Result<()> {
        let Some(kiln) = self.kilns.by_name.get_mut(name) else {
            return Ok(());
        };
        if !kiln.late || now.seconds_since(kiln.anew_at) < ANEW_EVERY_S {
            return Ok(());
        }
        kiln.anew_at = now;
        let mut samples = Vec::new();
        self.setup
            .reader
            .scan(0, |_, entry| {
                if let Entry::Reading(reading) = entry
                    && let Some((of, sample)) = kiln_sample(reading)
                    && of == name
                {
                    samples.push(sample);
                }
            })
            .context("looking back in the journal")?;
        let told = kiln.follower.now().faults;
        let (config, records) = (&self.setup.config, &self.setup.records);
        let mut brought = kiln.follow_anew(name, samples, config, records)?;
        // What was said already is not said again.
        brought
            .events
            .retain(|e| !matches!(e, Event::Fault(fault) if told.contains(&fault.kind)));
        self.keep_and_say(name, brought)
    }

    fn keep_and_say(&mut self, name: &Arc<str>, brought: Brought) -> anyhow::Result<()> {
        self.keep(name, &brought.keep)?;
        let now = self.now();
        for event in &brought.events {
            let told_at = match event {
                Event::Fault(fault) => fault.told_at,
                Event::Mended(fault) => fault.over_at.unwrap_or(fault.told_at),
                Event::Began { at, .. } | Event::Stepped { at, .. } => *at,
                Event::Door(opening) => opening.opened_at,
                Event::Ended(row) => row.last_at,
            };
            if now.seconds_since(told_at) <= STALE_S {
                self.tell_kiln(name, event);
            }
        }
        Ok(())
    }

    fn keep(&mut self, name: &str, rows: &Vec<BurnoutRow>) -> anyhow::Result<()> {
        for row in rows {
            self.setup
                .records
                .put_burnout(row)
                .with_context(|| format!("the burnout of {name}"))?;
        }
        Ok(())
    }

    fn post_kiln(&self, name: &Arc<str>, now: Micros) {
        let (Some(board), Some(kiln)) = (&self.setup.board, self.kilns.by_name.get(name)) else {
            return;
        };
        let figures = kiln.follower.now();
        let fresh = figures
            .reading
            .filter(|(at, _)| now.seconds_since(*at) < kiln.follower.silent_after_s());
        board.kiln(
            name,
            &KilnStatus {
                at: Some(now),
                stage: figures.stage.to_owned(),
                step: figures.step,
                kiln_temperature_c: fresh.map(|(_, c)| c),
                expected_c: figures.expected_c,
                trouble: figures.faults.iter().map(|k| k.word().to_owned()).collect(),
            },
        );
    }
}
