//! A day at the bench, through the records: sessions, pours found again and again, cards matched
//! to them, inspections that make them evidence.
#![allow(clippy::unwrap_used)]

use analysis::defect::DefectKinds;
use analysis::pour::assemble::bare_pour;
use analysis::pour::rows::{FoundBy, PourRow, PullRow, Verdict};
use analysis::time::Micros;
use proptest::prelude::*;
use uuid::Uuid;

use super::Records;
use super::book::test_setup;
use super::extraction::{SAME_POUR_WITHIN_S, reconcile};
use super::flasks::FlaskCard;
use super::inspections::NewInspection;
use super::parts::PartChange;
use super::pours::PourFilter;
use super::sessions::NewSession;
use super::words::{AddedBy, ConfirmedBy, Destination, MatchedBy, Part, Stage};

const OPENED: Micros = Micros(1_795_000_320_000_000);

struct Bench {
    records: Records,
    session: Uuid,
}

impl Bench {
    fn new() -> Bench {
        let mut records = Records::in_memory(&test_setup()).unwrap();
        records
            .add_machine("bench-1", AddedBy::Configuration, OPENED)
            .unwrap();
        let session = Uuid::new_v4();
        records
            .open_session(&NewSession {
                id: session,
                name: "2026-11-18T0912-bench-1".into(),
                machine: "bench-1".into(),
                opened_at: OPENED,
                kilns: Vec::new(),
            })
            .unwrap();
        Bench { records, session }
    }

    fn extract(&mut self, pours: &[PourRow], pulls: &[PullRow]) -> Vec<Uuid> {
        self.records
            .replace_extraction(self.session, pulls, pours, "test", OPENED)
            .unwrap()
    }

    fn card(&mut self, label: &str, order: u32) -> Uuid {
        let day = self.records.day_of(OPENED);
        let mut card = FlaskCard::new(label, day);
        card.casting_order = Some(order);
        card.alloy = Some("sterling-925".into());
        self.records.add_flask(&card, OPENED).unwrap()
    }

    fn match_by_order(&mut self) -> Vec<(Uuid, Uuid)> {
        self.records.match_by_order(self.session, OPENED).unwrap()
    }

    fn count(&self, sql: &str) -> i64 {
        self.records.db.query_row(sql, [], |r| r.get(0)).unwrap()
    }
}

/// A pour so many minutes after the session opened.
fn pour(minutes: f64, celsius: f64) -> PourRow {
    let at = OPENED.plus_seconds(minutes * 60.0);
    PourRow {
        number: 0,
        confidence: 0.9,
        pour_temperature_c: Some(celsius),
        superheat_k: Some(celsius - 893.0),
        vacuum_kpa: Some(85.0),
        vacuum_share: Some(0.84),
        quality: vec!["no-gas-sensor".into()],
        faults: Vec::new(),
        ..bare_pour("2026-11-18T0912-bench-1", "bench-1", at, FoundBy::Trace)
    }
}

fn pull(minutes: f64, verdict: Verdict) -> PullRow {
    PullRow {
        session: "2026-11-18T0912-bench-1".into(),
        machine: "bench-1".into(),
        opened_at: OPENED.plus_seconds(minutes * 60.0 - 20.0),
        closed_at: Some(OPENED.plus_seconds(minutes * 60.0 + 40.0)),
        depth_kpa: Some(85.0),
        share: None,
        settled_kpa: Some(84.0),
        settled_se_kpa: Some(0.4),
        rest_kpa: Some(0.3),
        time_to_90_s: Some(11.0),
        tau_s: Some(4.8),
        tau_se_s: Some(0.1),
        end_kpa: Some(84.5),
        end_se_kpa: Some(0.2),
        loss_kpa_min: Some(1.5),
        loss_se_kpa_min: Some(0.05),
        verdict,
        poured: true,
    }
}

#[test]
fn a_pour_found_again_is_the_same_pour() {
    let mut bench = Bench::new();
    let first = bench.extract(&[pour(10.0, 968.0), pour(20.0, 970.0)], &[]);
    let later = bench.extract(
        &[pour(5.0, 960.0), pour(10.2, 969.0), pour(20.0, 970.0)],
        &[pull(10.2, Verdict::Good)],
    );
    assert_eq!(later[1..], first[..]);
    let pours = bench.records.pours(&PourFilter::default()).unwrap();
    let numbers: Vec<u32> = pours.iter().map(|p| p.row.number).collect();
    assert_eq!(numbers, [1, 2, 3]);
    assert_eq!(pours[1].row.pour_temperature_c, Some(969.0));
    assert_eq!(pours[1].row.quality, ["no-gas-sensor"]);
    let mut expected = pour(10.2, 969.0);
    expected.number = 2;
    assert_eq!(pours[1].row, expected, "a row comes back as it went in");
    assert_eq!(
        bench
            .records
            .pulls(None, None, Some(bench.session))
            .unwrap(),
        [pull(10.2, Verdict::Good)]
    );
}

#[test]
fn a_pour_that_nothing_binds_to_goes_and_a_bound_one_waits_to_come_back() {
    let mut bench = Bench::new();
    let ids = bench.extract(&[pour(10.0, 968.0), pour(20.0, 970.0)], &[]);
    bench
        .records
        .correct_pour(
            ids[1],
            "pour_temperature_c",
            Some(971.5),
            Some("probe slipped"),
            OPENED,
        )
        .unwrap();
    assert!(bench.extract(&[], &[]).is_empty());
    assert!(
        bench
            .records
            .pours(&PourFilter::default())
            .unwrap()
            .is_empty()
    );
    assert_eq!(bench.count("SELECT count(*) FROM pours"), 1);
    assert!(bench.records.pour(ids[1]).unwrap().gone_at.is_some());

    let back = bench.extract(&[pour(20.1, 969.0)], &[]);
    assert_eq!(back, [ids[1]]);
    let held = bench.records.pour(ids[1]).unwrap();
    assert_eq!(
        held.row.pour_temperature_c,
        Some(971.5),
        "a person's word stands"
    );
    assert_eq!(
        (held.gone_at, held.corrected),
        (None, vec!["pour_temperature_c".to_owned()])
    );
    let history = bench.records.corrections(ids[1]).unwrap();
    assert_eq!(
        (history[0].was.as_deref(), history[0].becomes.as_deref()),
        (Some("970"), Some("971.5"))
    );
}

#[test]
fn pours_are_matched_to_cards_in_casting_order_and_count_once_inspected() {
    let mut bench = Bench::new();
    let (second, first) = (bench.card("B", 2), bench.card("A", 1));
    let pours = bench.extract(
        &[pour(10.0, 968.0), pour(20.0, 970.0)],
        &[pull(10.0, Verdict::Good), pull(20.0, Verdict::Weak)],
    );
    assert_eq!(
        bench.match_by_order(),
        [(pours[0], first), (pours[1], second)]
    );
    assert!(
        bench.match_by_order().is_empty(),
        "asked again, nothing is new"
    );
    let table = bench.records.flasks_table(None, None).unwrap();
    let aside: Vec<Option<&str>> = table
        .iter()
        .map(|f| f.set_aside.as_ref().map(|a| a.reason.as_str()))
        .collect();
    assert_eq!(aside, [Some("the pour is not confirmed"); 2]);
    assert_eq!(
        bench
            .records
            .waiting_for_inspection(None, None)
            .unwrap()
            .len(),
        2
    );

    for flask in [first, second] {
        let mut new = NewInspection::new(flask, Stage::Washed, OPENED, 20);
        new.defective = Some(2);
        new.kinds.insert("no-fill".into(), 2);
        new.others_none = true;
        bench
            .records
            .add_inspection(&new, &DefectKinds::standard(), OPENED)
            .unwrap();
    }
    assert!(
        bench
            .records
            .waiting_for_inspection(None, None)
            .unwrap()
            .is_empty()
    );
    let table = bench.records.flasks_table(None, None).unwrap();
    assert_eq!(table[0].set_aside, None);
    assert_eq!(
        table[1].set_aside,
        Some(analysis::upkeep::Fault::WeakPull.into())
    );
    assert_eq!(table[0].pour_temperature_c, Some(968.0));
    assert_eq!(
        table[0].kinds.get("crack"),
        Some(&0),
        "looked for and not found"
    );
    let history = bench.records.matches_of_flask(first).unwrap();
    assert_eq!(history[0].made_by, MatchedBy::Order);
    assert_eq!(
        history[0].confirmed,
        Some((OPENED, ConfirmedBy::Inspection))
    );
    let later = Some(OPENED.plus_seconds(15.0 * 60.0));
    assert_eq!(bench.records.flasks_table(later, None).unwrap().len(), 1);
    assert_eq!(bench.records.flasks_table(None, later).unwrap().len(), 1);
}

#[test]
fn a_pour_found_late_moves_the_guesses_but_not_what_was_confirmed() {
    let mut bench = Bench::new();
    let cards = [bench.card("A", 1), bench.card("B", 2), bench.card("C", 3)];
    let before = bench.extract(&[pour(10.0, 968.0), pour(20.0, 970.0)], &[]);
    bench.match_by_order();
    bench.records.confirm_match(before[1], OPENED).unwrap();
    let after = bench.extract(
        &[pour(5.0, 960.0), pour(10.0, 968.0), pour(20.0, 970.0)],
        &[],
    );
    bench.match_by_order();
    let matched: Vec<Option<String>> = bench
        .records
        .pours(&PourFilter::default())
        .unwrap()
        .into_iter()
        .map(|p| p.row.flask)
        .collect();
    let name = |i: usize| Some(cards[i].to_string());
    assert_eq!(matched, [name(0), name(2), name(1)]);
    let history = bench.records.matches_of_pour(after[1]).unwrap();
    assert_eq!(history.len(), 2);
    assert_eq!(
        history[0].ended.as_ref().unwrap().1,
        "pours and cards are in another order now"
    );
}

#[test]
fn what_a_person_took_apart_stays_apart_and_an_ingot_fills_no_flask() {
    let mut bench = Bench::new();
    let (a, b) = (bench.card("A", 1), bench.card("B", 2));
    let pours = bench.extract(
        &[pour(10.0, 968.0), pour(20.0, 970.0), pour(30.0, 966.0)],
        &[],
    );
    bench
        .records
        .set_destination(pours[0], Destination::Ingot, OPENED)
        .unwrap();
    assert_eq!(bench.match_by_order(), [(pours[1], a), (pours[2], b)]);
    assert!(bench.records.unmatch_pour(pours[1], OPENED).unwrap());
    assert_eq!(
        bench.match_by_order(),
        [(pours[2], a)],
        "the next pour takes its card"
    );
    assert_eq!(bench.records.pour(pours[1]).unwrap().row.flask, None);
    bench.records.match_pour(pours[1], b, OPENED).unwrap();
    let held = bench.records.pour(pours[1]).unwrap();
    assert_eq!(
        (held.matched_by, held.confirmed),
        (Some(MatchedBy::Hand), true)
    );
    assert!(bench.match_by_order().is_empty());
    bench
        .records
        .strike_pour(pours[2], Some("a stir"), OPENED)
        .unwrap();
    bench.match_by_order();
    assert_eq!(
        bench.records.pours(&PourFilter::default()).unwrap().len(),
        2
    );
    assert_eq!(bench.records.pour(pours[2]).unwrap().row.flask, None);
    let ended = bench.records.matches_of_flask(a).unwrap();
    assert!(
        ended.iter().all(|m| m.ended.is_some()),
        "every match of A is over and kept"
    );
    assert_eq!(ended.len(), 2);
}

#[test]
fn a_seal_is_as_old_as_the_pours_since_its_change() {
    let mut bench = Bench::new();
    let at = |minutes: f64| OPENED.plus_seconds(minutes * 60.0);
    let ids = bench.extract(
        &[pour(10.0, 968.0), pour(20.0, 970.0), pour(30.0, 966.0)],
        &[],
    );
    let age = |bench: &Bench, minutes| {
        bench
            .records
            .pours_since_change("bench-1", Part::Gasket, at(minutes))
            .unwrap()
    };
    assert_eq!(age(&bench, 40.0), None, "no change on record, no age");
    let change = PartChange::of_machine(Part::Gasket, "bench-1", at(15.0));
    bench.records.add_part_change(&change, at(15.0)).unwrap();
    assert_eq!((age(&bench, 20.0), age(&bench, 40.0)), (Some(0), Some(2)));
    bench.records.strike_pour(ids[1], None, OPENED).unwrap();
    assert_eq!(age(&bench, 40.0), Some(1));
}

#[test]
fn an_inspection_that_cannot_be_true_is_refused_by_field() {
    let mut bench = Bench::new();
    let flask = bench.card("A", 1);
    type Spoil = fn(&mut NewInspection);
    let cases: [(&str, Spoil); 8] = [
        ("pieces: 0 pieces looked at is no inspection", |n| {
            n.pieces = 0
        }),
        (
            "defective: pieces with a defect (7) exceed pieces looked at (6)",
            |n| n.defective = Some(7),
        ),
        (
            "defective_steering: pieces with a steering defect (3) exceed pieces with a defect (2)",
            |n| {
                n.defective = Some(2);
                n.defective_steering = Some(3);
            },
        ),
        (
            "kind: pieces with no-fill (7) exceed pieces looked at (6)",
            |n| {
                n.kinds.insert("no-fill".into(), 7);
            },
        ),
        (
            "kind: pieces with no-fill (2) exceed pieces with a steering defect (1)",
            |n| {
                n.defective_steering = Some(1);
                n.kinds.insert("no-fill".into(), 2);
            },
        ),
        ("kind: \"No fill\" is written \"no-fill\"", |n| {
            n.kinds.insert("No fill".into(), 1);
        }),
        ("line: flask \"A\" has 1 lines, not line 2", |n| {
            n.line = Some(2)
        }),
        (
            "good, rework, scrap: together 7, exceed pieces looked at (6)",
            |n| {
                n.good = Some(4);
                n.scrap = Some(3);
            },
        ),
    ];
    for (message, spoil) in cases {
        let mut new = NewInspection::new(flask, Stage::Washed, OPENED, 6);
        spoil(&mut new);
        let error = bench
            .records
            .add_inspection(&new, &DefectKinds::standard(), OPENED)
            .unwrap_err();
        assert_eq!(error.to_string(), message);
    }
    assert_eq!(bench.count("SELECT count(*) FROM inspections"), 0);
}

#[test]
fn the_schema_itself_refuses_what_cannot_be() {
    let bench = Bench::new();
    let bad = [
        "UPDATE sessions SET state = 'ajar'",
        "UPDATE sessions SET closed_at = 5",
        "UPDATE sessions SET opened_at = 'noon'",
        "INSERT INTO inspection_counts VALUES ('x', 'no-fill', 1)",
        "INSERT INTO matches (pour, flask, made_at, made_by) VALUES ('x', 'y', 0, 'hand')",
        "INSERT INTO book SELECT 2, id, shop, time_zone, demo, made_at, made_by FROM book",
        "DELETE FROM machines",
    ];
    for sql in bad {
        assert!(bench.records.db.execute(sql, []).is_err(), "{sql}");
    }
}

proptest! {
    #[test]
    fn reconciling_pairs_each_pour_once_and_never_far(
        recorded in prop::collection::vec(0_i64..600, 0..12),
        found in prop::collection::vec(0_i64..600, 0..12),
    ) {
        let micros = |s: &[i64]| -> Vec<Micros> { s.iter().map(|s| Micros(s * 1_000_000)).collect() };
        let (recorded, found) = (micros(&recorded), micros(&found));
        let pairs = reconcile(&recorded, &found);
        prop_assert_eq!(pairs.len(), found.len());
        let mut used: Vec<usize> = pairs.iter().flatten().copied().collect();
        let n = used.len();
        used.sort_unstable();
        used.dedup();
        prop_assert_eq!(used.len(), n, "no recorded pour is two found ones");
        for (f, r) in pairs.iter().enumerate() {
            let apart = |r: usize| found[f].seconds_since(recorded[r]).abs();
            match r {
                Some(r) => prop_assert!(apart(*r) <= SAME_POUR_WITHIN_S),
                None => prop_assert!(
                    (0..recorded.len()).all(|r| used.contains(&r) || apart(r) > SAME_POUR_WITHIN_S),
                    "a near recorded pour was left unused"
                ),
            }
        }
        prop_assert_eq!(
            reconcile(&found, &found).iter().flatten().count(),
            found.len(),
            "found again at the very same times, all are the same"
        );
    }
}
