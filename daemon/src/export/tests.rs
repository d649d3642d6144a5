//! An export is read back and held against the records it was made from.
#![allow(clippy::unwrap_used)]

use polars::prelude::{AnyValue, DataType};
use polars_io::SerReader;
use polars_io::parquet::read::ParquetReader;

use super::*;
use crate::records::book::test_setup;
use crate::records::flasks::FlaskCard;
use crate::records::words::AddedBy;

const AT: Micros = Micros(1_795_000_320_123_456);

fn book() -> Records {
    let mut records = Records::in_memory(&test_setup()).unwrap();
    records
        .add_machine("bench-1", AddedBy::Configuration, AT)
        .unwrap();
    let mut card = FlaskCard::new("F \"1\", späť", "2026-11-18".parse().unwrap());
    card.metal_g = Some(180.0);
    card.kiln_in_at = Some(AT);
    records.add_flask(&card, AT).unwrap();
    records
}

fn parquet(path: &Path) -> DataFrame {
    ParquetReader::new(File::open(path).unwrap())
        .finish()
        .unwrap()
}

#[test]
fn every_table_is_there_twice_with_its_columns_and_rows() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("out");
    let records = book();
    let report = export(&records, &folder).unwrap();
    assert_eq!(report.tables.len(), tables().len());
    for (table, rows) in &report.tables {
        let frame = parquet(&folder.join(format!("{table}.parquet")));
        let names: Vec<&str> = frame
            .get_column_names()
            .iter()
            .map(|n| n.as_str())
            .collect();
        let expected: Vec<&str> = columns()
            .iter()
            .filter(|c| c.table == *table)
            .map(|c| c.name.as_str())
            .collect();
        assert_eq!(names, expected, "{table}");
        assert_eq!(frame.height(), *rows, "{table}");
        let mut csv = csv::Reader::from_path(folder.join(format!("{table}.csv"))).unwrap();
        let header: Vec<String> = csv.headers().unwrap().iter().map(str::to_owned).collect();
        assert_eq!(header, expected, "{table}");
        assert_eq!(csv.records().count(), *rows, "{table}");
    }
    assert_eq!(
        std::fs::read_to_string(folder.join("dictionary.csv")).unwrap(),
        DICTIONARY_CSV
    );
    let left: Vec<_> = std::fs::read_dir(dir.path()).unwrap().collect();
    assert_eq!(left.len(), 1, "nothing but the export is left");
}

#[test]
fn times_are_timestamps_in_parquet_and_rfc_3339_in_csv() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("out");
    export(&book(), &folder).unwrap();
    let frame = parquet(&folder.join("flasks.parquet"));
    let column = frame.column("kiln_in_at").unwrap();
    assert_eq!(
        column.dtype(),
        &DataType::Datetime(TimeUnit::Microseconds, Some(TimeZone::UTC))
    );
    let us = match column.get(0).unwrap() {
        AnyValue::Datetime(us, TimeUnit::Microseconds, _)
        | AnyValue::DatetimeOwned(us, TimeUnit::Microseconds, _) => us,
        other => panic!("{other:?}"),
    };
    assert_eq!(us, AT.0);
    let mut csv = csv::Reader::from_path(folder.join("flasks.csv")).unwrap();
    let at = |name: &str| {
        columns()
            .iter()
            .filter(|c| c.table == "flasks")
            .position(|c| c.name == name)
            .unwrap()
    };
    let row = csv.records().next().unwrap().unwrap();
    assert_eq!(Micros::parse_rfc3339(&row[at("kiln_in_at")]).unwrap(), AT);
    assert_eq!(&row[at("label")], "F \"1\", späť");
    assert_eq!(row[at("metal_g")].parse::<f64>().unwrap(), 180.0);
    assert_eq!(
        &row[at("remelt_percent")],
        "",
        "not known is empty, not zero"
    );
}

#[test]
fn types_do_not_depend_on_what_is_in_a_table() {
    let records = book();
    let mut statement = records
        .db
        .prepare("SELECT c.type FROM sqlite_schema t, pragma_table_info(t.name) c WHERE t.name = ?1 AND c.name = ?2")
        .unwrap();
    for column in columns() {
        let stored: String = statement
            .query_row([&column.table, &column.name], |r| r.get(0))
            .unwrap();
        let expected = match kind(column) {
            Kind::Time | Kind::YesNo | Kind::Whole => "INTEGER",
            Kind::Number => "REAL",
            Kind::Text => "TEXT",
        };
        assert_eq!(stored, expected, "{column:?}");
    }
}

#[test]
fn an_export_replaces_an_older_one_of_the_same_book_and_nothing_else() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("out");
    let records = book();
    export(&records, &folder).unwrap();
    export(&records, &folder).unwrap();

    let other = book();
    assert!(matches!(
        export(&other, &folder),
        Err(ExportError::NotAnExport { .. })
    ));

    std::fs::write(folder.join("my-notes.txt"), "keep me").unwrap();
    assert!(matches!(
        export(&records, &folder),
        Err(ExportError::NotAnExport { .. })
    ));
    assert_eq!(
        std::fs::read_to_string(folder.join("my-notes.txt")).unwrap(),
        "keep me"
    );

    let holiday = dir.path().join("holiday");
    std::fs::create_dir(&holiday).unwrap();
    export(&records, &holiday).unwrap();
    let photos = dir.path().join("photos");
    std::fs::create_dir(&photos).unwrap();
    std::fs::write(photos.join("a.jpg"), "").unwrap();
    let error = export(&records, &photos).unwrap_err().to_string();
    assert!(error.contains("is not an export of this book"), "{error}");
}

#[test]
fn no_figure_with_decimals_is_exported_as_a_count() {
    let records = book();
    let mut with_decimals = 0;
    for column in columns() {
        let real: bool = records
            .db
            .query_row(
                "SELECT type = 'REAL' FROM pragma_table_info(?1) WHERE name = ?2",
                [&column.table, &column.name],
                |row| row.get(0),
            )
            .unwrap();
        with_decimals += usize::from(real);
        assert!(!real || matches!(kind(column), Kind::Number), "{column:?}");
    }
    assert!(with_decimals > 50, "{with_decimals}");
}
