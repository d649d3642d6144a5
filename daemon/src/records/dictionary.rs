//! Every table and column of the records in words, with its unit: the data dictionary that
//! exports carry. It is one file, `dictionary.csv`, held against the schema by a test, so that a
//! column without a meaning cannot be added.

use std::sync::LazyLock;

/// One column in words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Column {
    /// Its table.
    pub table: String,
    /// Its name.
    pub name: String,
    /// Its unit (UCUM where it has one): `time`, `yes or no`, `1` for a count or a share, or
    /// nothing for a text.
    pub unit: String,
    /// What it means.
    pub meaning: String,
}

/// The dictionary as it is shipped with every export.
pub const DICTIONARY_CSV: &str = include_str!("dictionary.csv");

static COLUMNS: LazyLock<Vec<Column>> = LazyLock::new(|| {
    csv::Reader::from_reader(DICTIONARY_CSV.as_bytes())
        .deserialize::<(String, String, String, String)>()
        // A row that does not parse is missing here, which the test against the schema finds.
        .filter_map(Result::ok)
        .map(|(table, name, unit, meaning)| Column {
            table,
            name,
            unit,
            meaning,
        })
        .collect()
});

/// Every column of every table, in the schema's order.
pub fn columns() -> &'static [Column] {
    &COLUMNS
}

/// The tables, in the schema's order.
pub fn tables() -> Vec<&'static str> {
    let mut tables: Vec<&str> = columns().iter().map(|c| c.table.as_str()).collect();
    tables.dedup();
    tables
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::records::Records;
    use crate::records::book::test_setup;

    #[test]
    fn every_column_of_the_schema_has_a_meaning_and_nothing_else_has() {
        let records = Records::in_memory(&test_setup()).unwrap();
        let mut statement = records
            .db
            .prepare(
                "SELECT t.name, c.name, c.type FROM sqlite_schema t, pragma_table_info(t.name) c
                 WHERE t.type = 'table' AND t.name NOT LIKE 'sqlite_%'
                 ORDER BY t.rowid, c.cid",
            )
            .unwrap();
        let schema: Vec<(String, String, String)> = statement
            .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))
            .unwrap()
            .collect::<rusqlite::Result<_>>()
            .unwrap();
        let named: Vec<(&str, &str)> = columns()
            .iter()
            .map(|c| (c.table.as_str(), c.name.as_str()))
            .collect();
        let expected: Vec<(&str, &str)> = schema
            .iter()
            .map(|(t, c, _)| (t.as_str(), c.as_str()))
            .collect();
        for column in &expected {
            assert!(named.contains(column), "{column:?} has no meaning");
        }
        assert_eq!(named, expected);
        for (column, (_, _, kind)) in columns().iter().zip(&schema) {
            assert!(!column.meaning.is_empty(), "{column:?}");
            assert_eq!(
                column.unit == "time",
                column.name.ends_with("_at"),
                "{column:?}"
            );
            if ["time", "yes or no"].contains(&column.unit.as_str()) {
                assert_eq!(kind, "INTEGER", "{column:?}");
            }
            if kind == "REAL" {
                assert!(!column.unit.is_empty(), "{column:?}");
            }
        }
    }
}
