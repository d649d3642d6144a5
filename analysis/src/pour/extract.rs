//! Context-free extraction: the samples of one session in, its pulls and pours out. Sorting and
//! the [`Detector`], nothing more; what spans sessions is added by [`super::assemble`].

use super::detector::Detector;
use super::events::Event;
use super::found::PourFound;
use super::pull::PullFound;
use super::rows::{PourRow, Row};
use super::setup::{Mark, Meta};
use crate::probe::ArrestFound;
use crate::sample::Sample;
use crate::upkeep::UpkeepRow;

/// The pulls and pours of one session's samples, which may come in any order.
pub fn extract(samples: &[Sample], meta: &Meta) -> Vec<Row> {
    let mut sorted = samples.to_vec();
    sorted.sort_by(Sample::total_cmp);
    extract_sorted(&sorted, meta)
}

/// The same for samples that are already in [`Sample::total_cmp`] order.
pub fn extract_sorted<'a>(samples: impl IntoIterator<Item = &'a Sample>, meta: &Meta) -> Vec<Row> {
    let mut detector = Detector::new(meta.setup);
    let mut events = Vec::new();
    for sample in samples {
        events.append(&mut detector.push(sample));
    }
    events.append(&mut detector.finish());
    rows(events, &meta.session, &meta.machine)
}

/// The rows of what a detector told over a session: ordered by time, pours numbered from 1.
pub fn rows(events: impl IntoIterator<Item = Event>, session: &str, machine: &str) -> Vec<Row> {
    let mut pulls: Vec<PullFound> = Vec::new();
    let mut pours: Vec<PourFound> = Vec::new();
    let mut arrests: Vec<ArrestFound> = Vec::new();
    let mut upkeep = None;
    for event in events {
        match event {
            Event::PullFound(pull) => pulls.push(*pull),
            Event::Poured(pour) => pours.push(*pour),
            Event::Arrested(arrest) => arrests.push(*arrest),
            Event::Upkeep { from, course } => {
                upkeep = Some(Row::Upkeep(UpkeepRow {
                    session: session.to_owned(),
                    machine: machine.to_owned(),
                    from,
                    to: course.last().map_or(from, |p| p.at),
                    course,
                }));
            }
            _ => {}
        }
    }
    pours.sort_by_key(|p| p.at);
    let pours = pours
        .into_iter()
        .zip(1..)
        .map(|(pour, number)| Row::Pour(pour.into_row(session, machine, number)));
    let pulls = pulls
        .into_iter()
        .map(|pull| Row::Pull(pull.into_row(session, machine)));
    let arrests = arrests
        .into_iter()
        .map(|arrest| Row::Arrest(arrest.into_row(session, machine)));
    let mut rows: Vec<Row> = upkeep
        .into_iter()
        .chain(pulls)
        .chain(pours)
        .chain(arrests)
        .collect();
    // Stable: upkeep stands before a pull of the same instant, and a pull stands before a pour of the same instant.
    rows.sort_by_key(Row::at);
    rows
}

/// No other metal leaves this long before a pour that a person marked, s: a crucible is not
/// charged, melted and poured in less.
const ALONE_BEFORE_S: f64 = 180.0;
/// … nor this long after.
const ALONE_AFTER_S: f64 = 60.0;

/// Measures a pour that a person marked, from its session's samples in any order, as if the
/// detector had found it there: a turn of the melt nearby is no second pour.
///
/// None if there is no usable sample.
pub fn measure(samples: &[Sample], meta: &Meta, mark: Mark) -> Option<PourRow> {
    let mut sorted = samples.to_vec();
    sorted.sort_by(Sample::total_cmp);
    let mut detector = Detector::new(meta.setup);
    detector.leave_to_hand(
        mark.at.plus_seconds(-ALONE_BEFORE_S),
        mark.at.plus_seconds(ALONE_AFTER_S),
    );
    let mut events = Vec::new();
    let mut marked = false;
    for sample in &sorted {
        if !marked && sample.time > mark.at {
            marked = true;
            events.append(&mut detector.mark(mark));
        }
        events.append(&mut detector.push(sample));
    }
    if !marked && !sorted.is_empty() {
        events.append(&mut detector.mark(mark));
    }
    events.append(&mut detector.finish());
    rows(events, &meta.session, &meta.machine)
        .into_iter()
        .find_map(|row| match row {
            Row::Pour(pour) if pour.at == mark.at => Some(pour),
            _ => None,
        })
}
