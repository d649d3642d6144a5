//! Castings files as benches write them: good ones enter once, whatever their order; bad ones
//! are answered line by line.
#![allow(clippy::unwrap_used)]

use proptest::prelude::*;

use super::*;
use crate::records::book::test_setup;
use crate::records::inspections::NewInspection;
use crate::records::words::{AddedBy, Stage};

const NOW: Micros = Micros(1_795_000_320_000_000);

const HEADER: &str = "flask,cast_at,machine,session,alloy,section,pattern,pieces,defective,\
    defective_steering,metal [g],remelt [%],pour_temperature [degF],flask_temperature [Cel],\
    vacuum [inHg],gas_flow [L/min],soak [min],seal_age,note,no-fill,gas-porosity";

/// Two flasks of one day, one of two lines, and one flask of the next day.
const ROWS: [&str; 4] = [
    "A,2025-03-03,bench-1,,sterling-925,thin,ring,10,2,1,180,50,1774.4,555,25,4.5,150,12,,1,0",
    "A,2025-03-03,bench-1,,sterling-925,heavy,signet,5,0,0,,,,,,,,,,0,",
    "B,2025-03-03T14:30,bench-1,,Sterling,medium,,12,,,150,0,1760,560,26,4,150,13,slow,2,",
    "A,2025-03-04,bench-1,,sterling-925,thin,ring,8,0,,,,1774.4,,25,,,,,,",
];

fn bench() -> Records {
    let mut records = Records::in_memory(&test_setup()).unwrap();
    records
        .add_machine("bench-1", AddedBy::Configuration, NOW)
        .unwrap();
    records
}

fn import(records: &mut Records, text: &str, skip_bad: bool) -> Result<ImportReport, ImportError> {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("castings.csv");
    std::fs::write(&file, text).unwrap();
    let options = ImportOptions {
        skip_bad,
        ..ImportOptions::default()
    };
    import_castings(records, &file, &options, NOW)
}

fn file_of(rows: &[&str]) -> String {
    format!("{HEADER}\n{}\n", rows.join("\n"))
}

#[test]
fn a_paper_record_becomes_evidence_in_stored_units() {
    let mut records = bench();
    let report = import(&mut records, &file_of(&ROWS), false).unwrap();
    assert_eq!(
        (report.flasks_new, report.sessions_new, report.rows_good),
        (3, 2, 4)
    );
    assert!(report.machines_new.is_empty() && report.bad.is_empty());
    let table = records.flasks_table(None, None).unwrap();
    assert_eq!(table.len(), 3);
    let a = table
        .iter()
        .find(|f| f.label == "A" && f.session == "2025-03-03-bench-1")
        .unwrap();
    assert_eq!(
        (a.pieces, a.defective, a.defective_steering),
        (Some(15), Some(2), Some(1))
    );
    assert_eq!(a.section.as_deref(), Some("mixed"));
    assert_eq!(a.pattern.as_deref(), Some("ring + signet"));
    assert_eq!(a.kinds.get("no-fill"), Some(&1));
    assert_eq!(
        a.kinds.get("gas-porosity"),
        None,
        "blank on one line is not zero"
    );
    // 1774.4 °F is 968 °C; 25 inHg is 84.66 kPa (NIST SP 811 factor 3.386 389, from memory).
    assert!((a.pour_temperature_c.unwrap() - 968.0).abs() < 1e-9);
    assert!((a.vacuum_kpa.unwrap() - 84.659_7).abs() < 1e-3);
    assert!((a.vacuum_share.unwrap() - 84.659_7 / 101.325).abs() < 1e-4);
    assert_eq!(
        (a.seal_age_pours, a.remelt_percent, a.metal_g),
        (Some(12), Some(50.0), Some(180.0))
    );
    assert_eq!(
        a.set_aside, None,
        "what a person wrote down needs no confirmation"
    );
    let b = table.iter().find(|f| f.label == "B").unwrap();
    assert_eq!(
        b.alloy.as_deref(),
        Some("sterling-925"),
        "the table's name for it"
    );
    assert_eq!(b.cast_at.rfc3339_ms(), "2025-03-03T14:30:00.000Z");
    assert_eq!((b.defective, b.kinds.get("no-fill")), (None, Some(&2)));
    let next_day = table
        .iter()
        .find(|f| f.session == "2025-03-04-bench-1")
        .unwrap();
    assert_eq!(
        next_day.defective_steering,
        Some(0),
        "no defect, so none that steers"
    );
}

#[test]
fn importing_twice_changes_nothing() {
    let mut records = bench();
    import(&mut records, &file_of(&ROWS), false).unwrap();
    let before = records.flasks_table(None, None).unwrap();
    let again = import(&mut records, &file_of(&ROWS), false).unwrap();
    assert_eq!(
        (again.flasks_new, again.flasks_known, again.sessions_new),
        (0, 3, 0)
    );
    assert_eq!(records.flasks_table(None, None).unwrap(), before);
}

#[test]
fn a_corrected_figure_is_not_a_second_flask() {
    let mut records = bench();
    import(&mut records, &file_of(&ROWS), false).unwrap();
    let changed = ROWS[3].replace("1774.4", "1784.4");
    let error = import(&mut records, &file_of(&[&changed]), false)
        .unwrap_err()
        .to_string();
    assert!(
        error.starts_with(
            "castings.csv line 2: flask \"A\" of 2025-03-04 is in the records already"
        ),
        "{error}"
    );
    assert_eq!(records.flasks_table(None, None).unwrap().len(), 3);
}

#[test]
fn two_alike_without_a_label_are_two_and_stay_two() {
    let mut records = bench();
    let file = "cast_at,pieces,defective\n2025-03-03,10,1\n2025-03-03,10,1\n";
    assert_eq!(import(&mut records, file, false).unwrap().flasks_new, 2);
    assert_eq!(import(&mut records, file, false).unwrap().flasks_known, 2);
    assert_eq!(records.flasks_table(None, None).unwrap().len(), 2);
}

#[test]
fn a_row_with_nothing_counted_was_never_inspected() {
    let mut records = bench();
    import(
        &mut records,
        "flask,cast_at,pieces,defective\nU,2025-03-03,10,\n",
        false,
    )
    .unwrap();
    let table = records.flasks_table(None, None).unwrap();
    assert_eq!((table.len(), table[0].pieces), (1, None));
    let waiting = records.waiting_for_inspection(None, None).unwrap();
    assert_eq!((waiting.len(), waiting[0].pieces), (1, Some(10)));
    let mut late = NewInspection::new(waiting[0].flask, Stage::Polished, NOW, 10);
    late.defective = Some(3);
    records
        .add_inspection(&late, &DefectKinds::standard(), NOW)
        .unwrap();
    assert_eq!(
        records.flasks_table(None, None).unwrap()[0].defective,
        Some(3)
    );
}

#[test]
fn a_missing_machine_is_added_and_said() {
    let mut records = bench();
    let file = "cast_at,machine,pieces,defective\n2025-03-03,old-bench,10,1\n";
    assert_eq!(
        import(&mut records, file, false).unwrap().machines_new,
        ["old-bench"]
    );
    assert_eq!(records.machines().unwrap(), ["bench-1", "old-bench"]);
    // Now there are two, and a row that names none belongs to neither.
    let error = import(
        &mut records,
        "cast_at,pieces,defective\n2025-03-04,9,1\n",
        false,
    );
    assert!(error.unwrap_err().to_string().contains("names no machine"));
}

#[test]
fn the_session_of_a_row_is_one_within_its_day_and_machine() {
    let mut records = bench();
    let file = "cast_at,session,flask,pieces,defective\n\
                2025-03-03,am,1,10,1\n2025-03-03,pm,1,10,1\n2025-03-04,am,1,10,1\n";
    assert_eq!(import(&mut records, file, false).unwrap().sessions_new, 3);
    let names: Vec<String> = records
        .sessions(None, None)
        .unwrap()
        .into_iter()
        .map(|s| s.name)
        .collect();
    assert_eq!(
        names,
        [
            "2025-03-03-bench-1-am",
            "2025-03-03-bench-1-pm",
            "2025-03-04-bench-1-am"
        ]
    );
    let half = "cast_at,session,flask,pieces,defective\n2025-05-03,am,1,10,1\n2025-05-03,,1,10,1\n";
    let error = import(&mut records, half, false).unwrap_err().to_string();
    assert_eq!(
        error,
        "castings.csv line 3: names no session, though line 2 of the same flask and day does"
    );
}

/// Each kind of bad cell, with the complaint it gets.
#[test]
fn every_bad_cell_is_answered_with_line_column_and_reason() {
    let header = "flask,cast_at,section,pieces,defective,defective_steering,metal [g],remelt [%],\
                  pour_temperature [Cel],vacuum [inHg],gas_flow [L/min],soak [min],seal_age,no-fill";
    let cases = [
        (
            "F,,thin,10,,,,,,,,,,1",
            "column \"cast_at\": is empty; every row needs it",
        ),
        (
            "F,3/3/2025,thin,10,,,,,,,,,,1",
            "column \"cast_at\": \"3/3/2025\" is not a date; write it like 2026-11-18 or 2026-11-18T09:12",
        ),
        (
            "F,2025-02-30,thin,10,,,,,,,,,,1",
            "column \"cast_at\": \"2025-02-30\" is not a date; write it like 2026-11-18 or 2026-11-18T09:12",
        ),
        (
            "F,2062-02-03,thin,10,,,,,,,,,,1",
            "column \"cast_at\": \"2062-02-03\" is in the future",
        ),
        (
            "F,2025-03-03,fat,10,,,,,,,,,,1",
            "column \"section\": \"fat\" is not a section; use thin, medium, heavy, mixed",
        ),
        (
            "F,2025-03-03,thin,,,,,,,,,,,1",
            "column \"pieces\": is empty; every row needs it",
        ),
        (
            "F,2025-03-03,thin,0,,,,,,,,,,",
            "column \"pieces\": 0 pieces; leave such a row out",
        ),
        (
            "F,2025-03-03,thin,ten,,,,,,,,,,",
            "column \"pieces\": \"ten\" is not a count; write a whole number, or nothing if it was not counted",
        ),
        (
            "F,2025-03-03,thin,10,11,,,,,,,,,",
            "column \"defective\": pieces with a defect (11) exceed pieces looked at (10)",
        ),
        (
            "F,2025-03-03,thin,10,2,3,,,,,,,,",
            "column \"defective_steering\": pieces with a steering defect (3) exceed pieces with a defect (2)",
        ),
        (
            "F,2025-03-03,thin,10,2,,,,,,,,,3",
            "column \"no-fill\": pieces with no-fill (3) exceed pieces with a defect (2)",
        ),
        (
            "F,2025-03-03,thin,10,1.5,,,,,,,,,",
            "column \"defective\": \"1.5\" is not a count; write a whole number, or nothing if it was not counted",
        ),
        (
            "F,2025-03-03,thin,10,1,,-5,,,,,,,",
            "column \"metal [g]\": \"-5\" must be more than 0",
        ),
        (
            "F,2025-03-03,thin,10,1,,,130,,,,,,",
            "column \"remelt [%]\": \"130\" is not between 0 and 100 %",
        ),
        (
            "F,2025-03-03,thin,10,1,,,,-274,,,,,",
            "column \"pour_temperature [Cel]\": \"-274\" is below absolute zero",
        ),
        (
            "F,2025-03-03,thin,10,1,,,,17750,,,,,",
            "column \"pour_temperature [Cel]\": \"17750\" cannot be: 17750 °C is hotter than \
             anything is poured (platinum melts at 1768 °C; at most 2000 °C is taken); is the \
             unit right?",
        ),
        (
            "F,2025-03-03,thin,10,1,,,,,2q.1,,,,",
            "column \"vacuum [inHg]\": \"2q.1\" is not a number",
        ),
        (
            "F,2025-03-03,thin,10,1,,,,,-25,,,,",
            "column \"vacuum [inHg]\": \"-25\" must be a depth below the air, 0 or more; leave the sign away",
        ),
        (
            "F,2025-03-03,thin,10,1,,,,,850,,,,",
            "column \"vacuum [inHg]\": \"850\" is more than there is air to pull; is the unit right?",
        ),
        (
            "F,2025-03-03,thin,10,1,,,,,,-1,,,",
            "column \"gas_flow [L/min]\": \"-1\" must be 0 or more",
        ),
        (
            "F,2025-03-03,thin,10,1,,,,,,,nan,,",
            "column \"soak [min]\": \"nan\" is not a number",
        ),
        (
            "F,2025-03-03,thin,10,1,,,,,,,,-1,",
            "column \"seal_age\": \"-1\" is not a count; write a whole number, or nothing if it was not counted",
        ),
        (
            "F,2025-03-03,thin,10,1",
            "has 5 cells where the header has 14",
        ),
    ];
    for (row, complaint) in cases {
        let mut records = bench();
        let file = format!("{header}\nG,2025-03-03,thin,10,1,,,,,,,,,\n{row}\n");
        let error = import(&mut records, &file, false).unwrap_err().to_string();
        let place = if complaint.starts_with("column") {
            ", "
        } else {
            ": "
        };
        assert_eq!(error, format!("castings.csv line 3{place}{complaint}"));
        assert!(
            records.flasks_table(None, None).unwrap().is_empty(),
            "nothing entered"
        );
    }
}

#[test]
fn lines_of_one_flask_must_agree_on_what_a_flask_has_one_of() {
    let file = "flask,cast_at,pieces,defective,pour_temperature [Cel],note\n\
                A,2025-03-03,10,1,968,first\nA,2025-03-03,5,0,970,second\n";
    let error = import(&mut bench(), file, false).unwrap_err().to_string();
    assert_eq!(
        error,
        "castings.csv line 3, column \"pour_temperature [Cel]\": one flask has one of these: \
         970 here, 968 on line 2\ncastings.csv line 2: line 3 of the same flask is bad"
            .split('\n')
            .rev()
            .collect::<Vec<_>>()
            .join("\n")
    );
}

#[test]
fn what_is_odd_enters_with_a_warning() {
    let file = "cast_at,pieces,defective,alloy,pour_temperature [Cel],vacuum [inHg],flask_temperature [Cel]\n\
                2025-03-03,10,1,sterling-925,1774,31,1800\n2025-03-03,10,1,moonmetal,968,,\n";
    let report = import(&mut bench(), file, false).unwrap();
    let warnings: Vec<String> = report.warnings.iter().map(ToString::to_string).collect();
    assert_eq!(report.flasks_new, 2);
    assert_eq!(warnings.len(), 4, "{warnings:?}");
    assert!(warnings[0].contains("is the unit right?"), "{warnings:?}");
    assert!(
        warnings[1].contains("hotter than the metal"),
        "{warnings:?}"
    );
    assert!(
        warnings[2].contains("more than all of the air"),
        "{warnings:?}"
    );
    assert!(warnings[3].contains("moonmetal"), "{warnings:?}");
}

#[test]
fn skipped_rows_wait_beside_the_file_byte_for_byte() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("castings.csv");
    let text = "\u{feff}flask;cast_at;pieces;defective;pour_temperature [Cel]\r\n\
                A;2025-03-03;10;1;968,5\r\n\
                \"B;1\";2025-03-03;1O;1;968,5\r\n\
                C;2025-03-03;10;1;\r\n\
                C;2025-03-03;5;9;\r\n";
    std::fs::write(&file, text).unwrap();
    let mut records = bench();
    let options = ImportOptions {
        skip_bad: true,
        ..ImportOptions::default()
    };
    let report = import_castings(&mut records, &file, &options, NOW).unwrap();
    assert_eq!(
        (report.flasks_new, report.rows_good, report.rows_bad),
        (1, 1, 3)
    );
    let bad = dir.path().join("castings.bad.csv");
    assert_eq!(report.bad_file.as_deref(), Some(bad.as_path()));
    let written = std::fs::read_to_string(&bad).unwrap();
    assert_eq!(
        written,
        "flask;cast_at;pieces;defective;pour_temperature [Cel];\"reason\"\r\n\
         \"B;1\";2025-03-03;1O;1;968,5;\"pieces: \"\"1O\"\" is not a count; write a whole number, or nothing if it was not counted\"\r\n\
         C;2025-03-03;10;1;;\"line 5 of the same flask is bad\"\r\n\
         C;2025-03-03;5;9;;\"defective: pieces with a defect (9) exceed pieces looked at (5)\"\r\n"
    );
    assert_eq!(
        records.flasks_table(None, None).unwrap()[0].pour_temperature_c,
        Some(968.5)
    );
    // Again: the same outcome. Mended: the rest enters. Being mended: not overwritten.
    let again = import_castings(&mut records, &file, &options, NOW).unwrap();
    assert_eq!((again.flasks_new, again.flasks_known), (0, 1));
    std::fs::write(&bad, written.replace("1O", "10").replace(";5;9;", ";5;4;")).unwrap();
    assert!(import_castings(&mut records, &file, &options, NOW).is_err());
    let mended = import_castings(&mut records, &bad, &options, NOW).unwrap();
    assert_eq!((mended.flasks_new, mended.rows_bad), (2, 0));
}

#[test]
fn the_reason_of_a_short_row_stands_under_its_own_heading() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("castings.csv");
    std::fs::write(
        &file,
        "cast_at,pieces,defective,section,note\n2025-03-03,10\n2025-03-03,10,1,thin,a,b\n",
    )
    .unwrap();
    let options = ImportOptions {
        skip_bad: true,
        ..ImportOptions::default()
    };
    import_castings(&mut bench(), &file, &options, NOW).unwrap();
    let written = std::fs::read_to_string(dir.path().join("castings.bad.csv")).unwrap();
    let mut rows = csv::ReaderBuilder::new()
        .flexible(true)
        .from_reader(written.as_bytes());
    let heading = rows.headers().unwrap().iter().position(|h| h == "reason");
    assert_eq!(heading, Some(5));
    let cells: Vec<csv::StringRecord> = rows.records().map(Result::unwrap).collect();
    assert_eq!(
        cells[0].iter().collect::<Vec<_>>(),
        [
            "2025-03-03",
            "10",
            "",
            "",
            "",
            "has 2 cells where the header has 5; the empty ones were added here, check the row"
        ]
    );
    // A row with cells too many keeps them; nobody can say which of them is wrong.
    assert!(cells[1][6].starts_with("has 6 cells where the header has 5"));
}

#[test]
fn years_of_paper_enter_in_seconds() {
    let mut file = String::from("flask,cast_at,pieces,defective,pour_temperature [Cel],no-fill\n");
    let first: jiff::civil::Date = "2010-01-01".parse().unwrap();
    for i in 0..20_000_i32 {
        let day = first.checked_add(jiff::Span::new().days(i / 5)).unwrap();
        file.push_str(&format!(
            "{},{day},20,{},{},0\n",
            i % 5,
            i % 3,
            960 + i % 20
        ));
    }
    let mut records = bench();
    let start = std::time::Instant::now();
    assert_eq!(
        import(&mut records, &file, false).unwrap().flasks_new,
        20_000
    );
    // Generous: a fifth of the 100,000 rows that should enter in seconds, on a busy machine.
    assert!(start.elapsed().as_secs() < 20, "{:?}", start.elapsed());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    #[test]
    fn the_order_of_rows_does_not_matter(order in Just(ROWS.to_vec()).prop_shuffle()) {
        let mut records = bench();
        import(&mut records, &file_of(&ROWS), false).unwrap();
        let shuffled = import(&mut records, &file_of(&order), false).unwrap();
        prop_assert_eq!((shuffled.flasks_new, shuffled.flasks_known), (0, 3));

        let mut fresh = bench();
        import(&mut fresh, &file_of(&order), false).unwrap();
        let without_ids = |records: &Records| -> Vec<analysis::flask::Flask> {
            let mut table = records.flasks_table(None, None).unwrap();
            table.iter_mut().for_each(|f| f.id = String::new());
            table.sort_by(|a, b| (a.cast_at, &a.label).cmp(&(b.cast_at, &b.label)));
            table
        };
        prop_assert_eq!(without_ids(&records), without_ids(&fresh));
    }
}
