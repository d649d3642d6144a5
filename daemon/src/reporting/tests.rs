//! Reports over a real book and a driven clock: due, missed, changed, and left alone.

use std::path::PathBuf;

use analysis::time::Micros;

use super::kept::Kept;
use super::turn::{Turn, turn};
use crate::book::Book;
use crate::cli::records_of;
use crate::config::Config;
use crate::import::enter::{ImportOptions, import_castings};
use crate::records::Records;
use crate::records::beneath::DEFINITION;
use crate::records::card::FlaskCard;
use crate::records::inspections::NewInspection;
use crate::records::parts::PartChange;
use crate::records::words::{Part, Stage};
use crate::storage::RealDisk;

const CONFIG: &str = "[shop]\nname = \"Larkfield bench\"\ntime_zone = \"Europe/Dublin\"\n\
                      [[machine]]\nname = \"bench-1\"\n";

fn at(text: &str) -> Micros {
    Micros::parse_rfc3339(text).unwrap()
}

/// A shop with a book, and a clock that a test drives.
struct Shop {
    folder: tempfile::TempDir,
    config: Config,
}

impl Shop {
    fn new() -> Shop {
        let folder = tempfile::tempdir().unwrap();
        let config = Config::parse(CONFIG, "pourbook.toml").unwrap();
        let shop = Shop { folder, config };
        drop(shop.records());
        shop
    }

    fn book(&self) -> Book {
        Book::at(self.folder.path())
    }

    /// As a start finds them.
    fn records(&self) -> Records {
        records_of(
            &self.book(),
            &self.config,
            false,
            at("2026-01-01T00:00:00Z"),
        )
        .unwrap()
    }

    /// A flask of that day whose pieces were counted, with how many were bad.
    fn count(&self, label: &str, day: &str, bad: u32, when: &str) {
        let mut records = self.records();
        let day: jiff::civil::Date = day.parse().unwrap();
        let flask = match records.find_flask(label, Some(day), day) {
            Ok(flask) => flask,
            Err(_) => {
                let mut card = FlaskCard::new(label, day);
                card.machine = Some("bench-1".to_owned());
                card.alloy = Some("sterling-925".to_owned());
                records.add_flask(&card, at(when)).unwrap()
            }
        };
        let mut look = NewInspection::new(flask, Stage::Washed, at(when), 20);
        look.defective = Some(bad);
        records
            .add_inspection(&look, &self.config.defect_kinds, at(when))
            .unwrap();
    }

    /// What is done when the desk asks, all of it.
    fn turn(&self, now: &str) -> Vec<String> {
        let done = turn(&self.book(), &self.config, &self.records(), at(now), 100).unwrap();
        let Turn {
            written,
            failed,
            left,
        } = done;
        assert!(failed.is_empty(), "{failed:?}");
        assert_eq!(left, 0);
        written
    }

    fn page(&self, week: &str) -> String {
        std::fs::read_to_string(self.book().week_report(week)).unwrap()
    }

    /// The line that says why a report was made anew.
    fn anew(&self, week: &str) -> Option<String> {
        let page = self.page(week);
        let (_, rest) = page.split_once("<p class=\"made anew\">")?;
        // Numbers are tied to what they count.
        Some(rest.split_once("</p>").unwrap().0.replace('\u{a0}', " "))
    }

    /// Brings paper records in.
    fn import(&self, rows: &str, when: &str) {
        let file = self.file("castings.csv");
        let text = format!("flask,cast_at,machine,pieces,defective\n{rows}\n");
        std::fs::write(&file, text).unwrap();
        let options = ImportOptions::default();
        import_castings(&mut self.records(), &file, &options, at(when)).unwrap();
    }

    fn file(&self, name: &str) -> PathBuf {
        self.book().below(name)
    }
}

#[test]
fn an_empty_book_has_nothing_to_report() {
    let shop = Shop::new();
    assert!(shop.turn("2026-11-23T06:00:00Z").is_empty());
    assert!(!shop.file("reports/index.html").exists());
}

#[test]
fn last_weeks_report_is_written_at_its_hour_and_then_left_as_it_is() {
    let shop = Shop::new();
    shop.count("A1", "2026-11-18", 2, "2026-11-19T09:00:00Z");
    // The running week's, so that it can be looked at; then the one of Monday morning.
    assert_eq!(shop.turn("2026-11-19T09:01:00Z"), ["2026-W47"]);
    assert!(shop.turn("2026-11-23T05:59:59Z").is_empty());
    assert_eq!(shop.turn("2026-11-23T06:00:00Z"), ["2026-W47"]);
    assert_eq!(shop.anew("2026-W47"), None);
    let page = shop.page("2026-W47");
    // Over a restart, a day, and a week in which nothing was done but which had its hour.
    assert!(shop.turn("2026-11-23T06:00:01Z").is_empty());
    assert!(shop.turn("2026-11-24T12:00:00Z").is_empty());
    assert_eq!(shop.turn("2026-11-30T06:00:00Z"), ["2026-W48"]);
    assert_eq!(shop.page("2026-W47"), page);
}

#[test]
fn the_running_week_is_written_anew_after_each_inspection_and_does_not_say_so() {
    let shop = Shop::new();
    shop.count("A1", "2026-11-18", 2, "2026-11-19T09:00:00Z");
    shop.turn("2026-11-19T09:01:00Z");
    let first = shop.page("2026-W47");
    shop.count("A2", "2026-11-18", 5, "2026-11-19T09:10:00Z");
    assert_eq!(shop.turn("2026-11-19T09:11:00Z"), ["2026-W47"]);
    assert_ne!(shop.page("2026-W47"), first);
    assert_eq!(shop.anew("2026-W47"), None);
}

#[test]
fn after_being_off_for_weeks_every_missed_report_is_made_newest_first() {
    let shop = Shop::new();
    for (label, day) in [
        ("A1", "2026-10-14"),
        ("A2", "2026-10-21"),
        // Nothing in the two weeks after.
        ("A3", "2026-11-11"),
    ] {
        shop.count(label, day, 1, &format!("{day}T16:00:00Z"));
    }
    assert_eq!(
        shop.turn("2026-11-25T10:00:00Z"),
        ["2026-W47", "2026-W46", "2026-W43", "2026-W42"]
    );
    for week in ["2026-W42", "2026-W43", "2026-W46", "2026-W47"] {
        assert_eq!(shop.anew(week), None);
    }
}

#[test]
fn weeks_long_gone_are_made_only_when_asked_for() {
    let shop = Shop::new();
    shop.count("old", "2024-03-13", 1, "2024-03-14T09:00:00Z");
    shop.count("new", "2026-11-18", 1, "2026-11-19T09:00:00Z");
    assert_eq!(shop.turn("2026-11-23T06:00:00Z"), ["2026-W47"]);
}

#[test]
fn a_turn_writes_a_few_and_says_how_many_are_left() {
    let shop = Shop::new();
    for (n, day) in ["2026-10-14", "2026-10-21", "2026-10-28", "2026-11-04"]
        .iter()
        .enumerate()
    {
        shop.count(&format!("A{n}"), day, 1, &format!("{day}T16:00:00Z"));
    }
    let now = at("2026-11-09T06:00:00Z");
    let some = || turn(&shop.book(), &shop.config, &shop.records(), now, 3).unwrap();
    let first = some();
    assert_eq!((first.written.len(), first.left), (3, 1));
    let second = some();
    assert_eq!(
        (second.written, second.left),
        (vec!["2026-W42".to_owned()], 0)
    );
    assert_eq!(some(), Turn::default());
}

#[test]
fn an_old_report_is_made_anew_when_its_records_change_and_says_what_did() {
    let shop = Shop::new();
    shop.count("A1", "2026-11-10", 1, "2026-11-11T09:00:00Z");
    shop.count("A2", "2026-11-18", 1, "2026-11-19T09:00:00Z");
    shop.turn("2026-11-23T06:00:00Z");
    // Looked at again after polishing; a later week rests on that flask as well.
    shop.count("A2", "2026-11-18", 4, "2026-11-24T13:00:00Z");
    assert_eq!(shop.turn("2026-11-24T14:05:00Z"), ["2026-W47"]);
    assert_eq!(shop.anew("2026-W46"), None);
    assert_eq!(
        shop.anew("2026-W47").unwrap(),
        "Made anew on Tue 24 Nov 2026 at 14:05 because of what came in after it was first made \
         on Mon 23 Nov 2026 at 06:00: 1 flask was inspected."
    );
    // Another, of the week before: both reports rest on it, and the line tells of both.
    shop.count("A1", "2026-11-10", 3, "2026-11-24T15:00:00Z");
    assert_eq!(shop.turn("2026-11-24T15:05:00Z"), ["2026-W47", "2026-W46"]);
    assert!(
        shop.anew("2026-W46")
            .unwrap()
            .ends_with(": 1 flask was inspected.")
    );
    assert!(
        shop.anew("2026-W47")
            .unwrap()
            .ends_with(": 2 flasks were inspected.")
    );
    assert!(shop.turn("2026-11-24T15:06:00Z").is_empty());
}

#[test]
fn an_import_into_an_old_week_makes_that_and_the_later_reports_anew() {
    let shop = Shop::new();
    shop.count("A1", "2026-11-04", 1, "2026-11-05T09:00:00Z");
    shop.count("A2", "2026-11-11", 1, "2026-11-12T09:00:00Z");
    shop.count("A3", "2026-11-18", 1, "2026-11-19T09:00:00Z");
    let all = ["2026-W47", "2026-W46", "2026-W45"];
    assert_eq!(shop.turn("2026-11-23T06:00:00Z"), all);
    shop.import(
        "P1,2026-11-10,bench-1,20,3\nP2,2026-11-10,bench-1,18,0",
        "2026-11-24T09:00:00Z",
    );
    assert_eq!(shop.turn("2026-11-24T09:05:00Z"), all[..2]);
    assert_eq!(shop.anew("2026-W45"), None);
    for week in &all[..2] {
        let line = shop.anew(week).unwrap();
        assert!(line.ends_with(": 2 flasks were imported."), "{line}");
    }
    // The same file twice changes nothing.
    shop.import(
        "P1,2026-11-10,bench-1,20,3\nP2,2026-11-10,bench-1,18,0",
        "2026-11-24T10:00:00Z",
    );
    assert!(shop.turn("2026-11-24T10:05:00Z").is_empty());
}

#[test]
fn a_part_that_was_changed_later_is_beneath_no_earlier_report() {
    let shop = Shop::new();
    shop.count("A1", "2026-11-10", 1, "2026-11-11T09:00:00Z");
    shop.count("A2", "2026-11-18", 1, "2026-11-19T09:00:00Z");
    shop.turn("2026-11-23T06:00:00Z");
    let wednesday = at("2026-11-18T12:00:00Z");
    let change = PartChange::of_machine(Part::Gasket, "bench-1", wednesday);
    let written_down = at("2026-11-24T09:00:00Z");
    let mut records = shop.records();
    records.add_part_change(&change, written_down).unwrap();
    drop(records);
    assert_eq!(shop.turn("2026-11-24T09:01:00Z"), ["2026-W47"]);
    assert!(
        shop.anew("2026-W47")
            .unwrap()
            .ends_with(": 1 part change was written down.")
    );
}

#[test]
fn a_card_that_was_put_right_is_a_change_although_it_has_no_date() {
    let shop = Shop::new();
    shop.count("A1", "2026-11-18", 1, "2026-11-19T09:00:00Z");
    shop.turn("2026-11-23T06:00:00Z");
    let mut records = shop.records();
    let day = "2026-11-18".parse().unwrap();
    let flask = records.find_flask("A1", Some(day), day).unwrap();
    let mut card = records.flask(flask).unwrap().card;
    card.alloy = Some("gold-14k-yellow".to_owned());
    records.update_flask(flask, &card).unwrap();
    drop(records);
    assert_eq!(shop.turn("2026-11-24T09:01:00Z"), ["2026-W47"]);
    assert!(
        shop.anew("2026-W47")
            .unwrap()
            .ends_with(": flask cards were changed.")
    );
}

#[test]
fn a_card_nobody_cast_yet_and_troubles_change_no_report() {
    let shop = Shop::new();
    shop.count("A1", "2026-11-18", 1, "2026-11-19T09:00:00Z");
    shop.turn("2026-11-23T06:00:00Z");
    let mut records = shop.records();
    let now = at("2026-11-23T07:00:00Z");
    let card = FlaskCard::new("B1", "2026-11-18".parse().unwrap());
    records.add_flask(&card, now).unwrap();
    records
        .note_trouble("bench-1", "vacuum", "silent", None, 3, now, now)
        .unwrap();
    drop(records);
    assert!(shop.turn("2026-11-23T08:00:00Z").is_empty());
}

#[test]
fn a_new_way_of_hashing_makes_no_report_anew_by_itself() {
    let shop = Shop::new();
    shop.count("A1", "2026-11-10", 1, "2026-11-11T09:00:00Z");
    shop.count("A2", "2026-11-18", 1, "2026-11-19T09:00:00Z");
    shop.turn("2026-11-23T06:00:00Z");
    let mut kept = Kept::read(&shop.book()).unwrap();
    for week in kept.weeks.values_mut() {
        week.definition = DEFINITION + 1;
        week.beneath.clear();
    }
    kept.write(&RealDisk::new(shop.book().root())).unwrap();
    // Known by its date to have come in since.
    shop.count("A2", "2026-11-18", 4, "2026-11-24T13:00:00Z");
    assert_eq!(shop.turn("2026-11-24T14:05:00Z"), ["2026-W47"]);
    assert!(
        shop.anew("2026-W47")
            .unwrap()
            .ends_with(": 1 flask was inspected.")
    );
    assert!(shop.turn("2026-11-24T14:06:00Z").is_empty());
    let kept = Kept::read(&shop.book()).unwrap();
    assert!(kept.weeks.values().all(|w| w.definition == DEFINITION));
}

#[test]
fn a_report_that_was_thrown_away_and_a_lost_memory_are_made_good() {
    let shop = Shop::new();
    shop.count("A1", "2026-11-18", 1, "2026-11-19T09:00:00Z");
    shop.turn("2026-11-23T06:00:00Z");
    std::fs::remove_file(shop.book().week_report("2026-W47")).unwrap();
    assert_eq!(shop.turn("2026-11-23T07:00:00Z"), ["2026-W47"]);
    std::fs::write(shop.file("reports/kept.json"), "{\"weeks\": {\"20").unwrap();
    assert_eq!(shop.turn("2026-11-23T08:00:00Z"), ["2026-W47"]);
    assert!(shop.turn("2026-11-23T09:00:00Z").is_empty());
}
