//! What people say of where metal left, against extractions that find something else each time.
#![allow(clippy::unwrap_used)]

use analysis::pour::assemble::bare_pour;
use analysis::pour::rows::{FoundBy, PourRow, Row};
use analysis::time::Micros;
use uuid::Uuid;

use super::Records;
use super::book::test_setup;
use super::flasks::FlaskCard;
use super::hand::Said;
use super::pours::{Pour, PourFilter};
use super::sessions::NewSession;
use super::words::AddedBy;
use crate::session::settle::{settle, settle_hand};

const OPENED: Micros = Micros(1_795_000_320_000_000);
const NAME: &str = "2026-11-18T0912-bench-1";

struct Bench {
    records: Records,
    session: Uuid,
}

fn at(minutes: f64) -> Micros {
    OPENED.plus_seconds(minutes * 60.0)
}

fn row(minutes: f64, celsius: f64, found_by: FoundBy) -> PourRow {
    PourRow {
        confidence: 0.9,
        pour_temperature_c: Some(celsius),
        quality: vec![],
        ..bare_pour(NAME, "bench-1", at(minutes), found_by)
    }
}

fn said(minutes: f64, celsius: f64) -> Said {
    Said {
        at: at(minutes),
        row: Some(row(minutes, celsius, FoundBy::Hand)),
        note: Some("seen".into()),
    }
}

impl Bench {
    fn new(found: &[(f64, f64)]) -> Bench {
        let mut records = Records::in_memory(&test_setup()).unwrap();
        records
            .add_machine("bench-1", AddedBy::Configuration, OPENED)
            .unwrap();
        let session = Uuid::new_v4();
        records
            .open_session(&NewSession {
                id: session,
                name: NAME.into(),
                machine: "bench-1".into(),
                opened_at: OPENED,
                kilns: Vec::new(),
            })
            .unwrap();
        for label in ["A", "B"] {
            let day = records.day_of(OPENED);
            records
                .add_flask(&FlaskCard::new(label, day), OPENED)
                .unwrap();
        }
        let mut bench = Bench { records, session };
        bench.extract(found);
        bench
    }

    /// An extraction, as after a new generation of the trace or by a better detector.
    fn extract(&mut self, found: &[(f64, f64)]) {
        let rows = found
            .iter()
            .map(|(minutes, c)| Row::Pour(row(*minutes, *c, FoundBy::Trace)))
            .collect();
        settle(&mut self.records, self.session, None, rows, OPENED).unwrap();
    }

    fn pours(&self) -> Vec<Pour> {
        self.records.pours(&PourFilter::default()).unwrap()
    }

    /// Minutes, °C and number of each pour that counts.
    fn check(&self, expect: &[(f64, f64)]) {
        let got: Vec<(f64, f64)> = self
            .pours()
            .iter()
            .map(|p| {
                (
                    p.row.at.seconds_since(OPENED) / 60.0,
                    p.row.pour_temperature_c.unwrap(),
                )
            })
            .collect();
        assert_eq!(got, expect);
        let numbers: Vec<u32> = self.pours().iter().map(|p| p.row.number).collect();
        let counted: Vec<u32> = (1..).take(expect.len()).collect();
        assert_eq!(numbers, counted);
    }

    fn settled(&mut self) {
        settle_hand(&mut self.records, self.session, OPENED).unwrap();
    }
}

#[test]
fn a_moved_pour_keeps_its_identity_and_flask_through_every_extraction() {
    let mut bench = Bench::new(&[(10.0, 955.0), (20.0, 970.0)]);
    let first = bench.pours()[0].clone();
    bench.records.confirm_match(first.id, OPENED).unwrap();
    bench
        .records
        .move_pour_by_hand(first.id, &said(11.0, 968.0), OPENED)
        .unwrap();
    bench.settled();
    let expect = [(11.0, 968.0), (20.0, 970.0)];
    bench.check(&expect);
    // The same again; half way; right, but for half a second; and nothing at all.
    for again in [Some(10.0), Some(10.5), Some(11.0 + 5.0 / 60.0), None] {
        let mut found: Vec<(f64, f64)> = again.map(|m| (m, 950.0)).into_iter().collect();
        found.push((20.0, 970.0));
        bench.extract(&found);
        bench.check(&expect);
        let now = &bench.pours()[0];
        assert_eq!((now.id, &now.row.flask), (first.id, &first.row.flask));
        assert!(now.confirmed && now.row.found_by == FoundBy::Hand);
        assert_eq!(now.corrected, ["poured_at"]);
    }
    bench.extract(&[(10.0, 955.0), (20.0, 970.0)]);
    assert!(bench.records.unsay_pour(first.id, None, OPENED).unwrap());
    bench.settled();
    bench.check(&[(10.0, 955.0), (20.0, 970.0)]);
    let back = &bench.pours()[0];
    assert_eq!((back.id, &back.row.flask), (first.id, &first.row.flask));
    assert_eq!(back.row.found_by, FoundBy::Trace);
    assert!(back.corrected.is_empty());
    let history = bench.records.corrections(first.id).unwrap();
    let told: Vec<_> = history
        .iter()
        .map(|c| (c.field.as_str(), c.was.clone(), c.becomes.clone()))
        .collect();
    let (was, put) = (Some(at(10.0).rfc3339_ms()), Some(at(11.0).rfc3339_ms()));
    assert_eq!(
        told,
        [
            ("poured_at", was.clone(), put.clone()),
            ("poured_at", put, was)
        ]
    );
}

#[test]
fn a_pour_that_was_none_stays_out_and_the_next_one_takes_its_flask() {
    let mut bench = Bench::new(&[(10.0, 955.0), (20.0, 970.0)]);
    let (stir, real) = (bench.pours()[0].clone(), bench.pours()[1].clone());
    bench
        .records
        .strike_pour(stir.id, Some("a stir"), OPENED)
        .unwrap();
    bench.settled();
    bench.check(&[(20.0, 970.0)]);
    bench.extract(&[(10.1, 956.0), (20.0, 970.0)]);
    bench.check(&[(20.0, 970.0)]);
    assert_eq!(bench.pours()[0].id, real.id);
    assert_eq!(bench.pours()[0].row.flask, stir.row.flask);
    assert!(bench.records.unsay_pour(stir.id, None, OPENED).unwrap());
    bench.settled();
    bench.check(&[(10.1, 956.0), (20.0, 970.0)]);
    assert_eq!(bench.pours()[0].id, stir.id);
    assert!(!bench.records.unsay_pour(stir.id, None, OPENED).unwrap());
}

/// Flask A was confirmed for what turned out to be a stir: the pour that was missed gets it, and
/// what had been said of it can still be read.
#[test]
fn a_flask_confirmed_for_a_struck_pour_is_free_for_the_one_that_filled_it() {
    let mut bench = Bench::new(&[(10.0, 955.0), (20.0, 970.0)]);
    let (stir, other) = (bench.pours()[0].clone(), bench.pours()[1].clone());
    let flask: Uuid = stir.row.flask.as_deref().unwrap().parse().unwrap();
    for pour in [&stir, &other] {
        bench.records.confirm_match(pour.id, OPENED).unwrap();
    }
    bench.records.strike_pour(stir.id, None, OPENED).unwrap();
    bench.settled();
    assert_eq!(bench.records.flask(flask).unwrap().pour, None);
    let real = bench
        .records
        .add_pour_by_hand(bench.session, &said(13.0, 962.0), OPENED)
        .unwrap();
    bench.settled();
    let held = bench.records.flask(flask).unwrap();
    assert_eq!((held.pour, held.confirmed), (Some(real), false));
    bench.records.match_pour(real, flask, OPENED).unwrap();
    assert!(bench.records.flask(flask).unwrap().confirmed);
    let history = bench.records.matches_of_flask(flask).unwrap();
    let why = &history[0].ended.as_ref().unwrap().1;
    assert_eq!(
        (history[0].pour, why.as_str()),
        (stir.id, "the pour was struck out by hand")
    );
    assert!(history[0].confirmed.is_some());
    // The word taken back, the flask stays where a person put it since.
    bench.records.unsay_pour(stir.id, None, OPENED).unwrap();
    bench.settled();
    assert_eq!(bench.records.flask(flask).unwrap().pour, Some(real));
}

#[test]
fn a_pour_struck_by_mistake_gets_its_confirmed_flask_back() {
    let mut bench = Bench::new(&[(10.0, 955.0), (20.0, 970.0)]);
    let first = bench.pours()[0].clone();
    bench.records.confirm_match(first.id, OPENED).unwrap();
    bench.records.strike_pour(first.id, None, OPENED).unwrap();
    bench.settled();
    bench.records.unsay_pour(first.id, None, OPENED).unwrap();
    bench.settled();
    let again = &bench.pours()[0];
    assert_eq!((again.id, &again.row.flask), (first.id, &first.row.flask));
    assert!(again.confirmed);
}

#[test]
fn a_missed_pour_is_added_measured_anew_and_taken_back() {
    let mut bench = Bench::new(&[(20.0, 970.0)]);
    let added = bench
        .records
        .add_pour_by_hand(bench.session, &said(10.0, 960.0), OPENED)
        .unwrap();
    bench.settled();
    bench.check(&[(10.0, 960.0), (20.0, 970.0)]);
    // The trace's next generation gives other figures there.
    bench
        .records
        .measured_by_hand(added, &row(10.0, 961.5, FoundBy::Hand))
        .unwrap();
    bench.extract(&[(20.0, 970.0)]);
    bench.check(&[(10.0, 961.5), (20.0, 970.0)]);
    assert_eq!(bench.pours()[0].id, added);
    bench.records.unsay_pour(added, None, OPENED).unwrap();
    bench.settled();
    bench.check(&[(20.0, 970.0)]);
    // Said once more, it is the same pour, and still one that the detector never found.
    bench
        .records
        .move_pour_by_hand(added, &said(10.0, 960.0), OPENED)
        .unwrap();
    bench.settled();
    bench.check(&[(10.0, 960.0), (20.0, 970.0)]);
    bench.records.strike_pour(added, None, OPENED).unwrap();
    bench.settled();
    bench.check(&[(20.0, 970.0)]);
}

#[test]
fn a_word_of_a_session_under_way_has_its_figures_once_there_is_a_trace() {
    let mut bench = Bench::new(&[]);
    let bare = Said {
        row: None,
        ..said(10.0, 0.0)
    };
    let added = bench
        .records
        .add_pour_by_hand(bench.session, &bare, OPENED)
        .unwrap();
    bench.settled();
    let pour = bench.records.pour(added).unwrap();
    assert_eq!(pour.row.pour_temperature_c, None);
    assert_eq!((pour.row.found_by, pour.row.number), (FoundBy::Hand, 1));
    bench
        .records
        .measured_by_hand(added, &row(10.0, 961.5, FoundBy::Hand))
        .unwrap();
    bench.extract(&[]);
    bench.check(&[(10.0, 961.5)]);
}
