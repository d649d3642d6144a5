//! The lines that `extract` prints of a trace, and the way back: lines of many traces, from many
//! machines and in any order, put together by session again. What is not whole is refused: an
//! engine that lost a line must not lose a pour.

use std::collections::{BTreeMap, BTreeSet};
use std::io::BufRead;

use analysis::pour::Row;
use anyhow::{Context, bail};
use serde::{Deserialize, Serialize};

/// Which trace the rows of its session were found in; the first line of each.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(tag = "kind", rename = "trace")]
pub struct TraceLine {
    /// The session's name.
    pub session: String,
    /// The machine's name.
    pub machine: String,
    /// SHA-256 of the file, in hex.
    pub sha256: String,
    /// Version of the extractor.
    pub extractor: String,
    /// How many rows follow.
    pub rows: u64,
}

/// One line.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Line {
    /// A trace.
    Trace(TraceLine),
    /// A row found in one.
    Row(Box<Row>),
}

impl From<Row> for Line {
    fn from(row: Row) -> Line {
        Line::Row(Box::new(row))
    }
}

/// The rows of one trace.
#[derive(Clone, Debug, PartialEq)]
pub struct TraceRows {
    /// The trace.
    pub trace: TraceLine,
    /// Its rows.
    pub rows: Vec<Row>,
}

/// What was gathered of one session.
#[derive(Debug, Default)]
struct Gathered {
    traces: BTreeSet<TraceLine>,
    /// Each once: an engine that tries a task again prints its lines again.
    rows: BTreeSet<String>,
}

/// Lines on their way back.
#[derive(Debug, Default)]
pub struct Lines {
    sessions: BTreeMap<String, Gathered>,
}

impl Lines {
    /// Takes every line of a file, called `name`.
    ///
    /// # Errors
    /// When it cannot be read, or a line is none that `extract` prints.
    pub fn take(&mut self, name: &str, file: impl BufRead) -> anyhow::Result<()> {
        for (number, text) in (1..).zip(file.lines()) {
            let text = text.with_context(|| name.to_owned())?;
            if text.trim().is_empty() {
                continue;
            }
            let Ok(line) = serde_json::from_str::<Line>(&text) else {
                bail!(
                    "{name} line {number} is none that this version of \"pourbook extract\" \
                     prints; extract its trace again"
                );
            };
            match line {
                Line::Trace(trace) => {
                    let session = self.sessions.entry(trace.session.clone()).or_default();
                    session.traces.insert(trace);
                }
                Line::Row(row) => {
                    let session = self.sessions.entry(row.session().to_owned()).or_default();
                    session.rows.insert(text);
                }
            }
        }
        Ok(())
    }

    /// The rows by trace, in the order of the sessions' names, and what was not whole.
    pub fn whole(self) -> (Vec<TraceRows>, Vec<String>) {
        let (mut whole, mut wrong) = (Vec::new(), Vec::new());
        for (session, gathered) in self.sessions {
            let mut traces = gathered.traces.into_iter();
            let trace = match (traces.next(), traces.next()) {
                (Some(trace), None) => trace,
                (Some(_), Some(_)) => {
                    wrong.push(format!(
                        "session {session}: rows of two traces, or of two versions of pourbook; \
                         extract its trace once more"
                    ));
                    continue;
                }
                (None, _) => {
                    wrong.push(format!(
                        "session {session}: the line that names its trace did not arrive"
                    ));
                    continue;
                }
            };
            let arrived = gathered.rows.len() as u64;
            if arrived != trace.rows {
                wrong.push(format!(
                    "session {session}: {arrived} of its {} rows arrived; extract its trace once \
                     more",
                    trace.rows
                ));
                continue;
            }
            let mut rows: Vec<Row> = gathered
                .rows
                .iter()
                // Each was read before, as it came.
                .filter_map(|text| serde_json::from_str(text).ok())
                .collect();
            rows.sort_by_key(|row| (row.at(), rank(row)));
            whole.push(TraceRows { trace, rows });
        }
        (whole, wrong)
    }
}

/// The order in which `extract` prints rows of the same instant.
fn rank(row: &Row) -> (u8, u32) {
    match row {
        Row::Upkeep(_) => (0, 0),
        Row::Pull(_) => (1, 0),
        Row::Pour(pour) => (2, pour.number),
        Row::Kiln(kiln) => (3, kiln.heard.number),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use analysis::pour::FoundBy;
    use analysis::pour::assemble::bare_pour;
    use analysis::time::Micros;

    use super::*;

    fn lines(session: &str, pours: u32) -> Vec<String> {
        let trace = Line::Trace(TraceLine {
            session: session.into(),
            machine: "bench-1".into(),
            sha256: "0".repeat(64),
            extractor: "1".into(),
            rows: u64::from(pours),
        });
        let pour = |n: u32| {
            let at = Micros(1_795_000_000_000_000).plus_seconds(600.0 * f64::from(n));
            Line::from(Row::Pour(bare_pour(session, "bench-1", at, FoundBy::Trace)))
        };
        std::iter::once(trace)
            .chain((0..pours).map(pour))
            .map(|line| serde_json::to_string(&line).unwrap())
            .collect()
    }

    fn gathered(lines: &[String]) -> (Vec<TraceRows>, Vec<String>) {
        let mut gathered = Lines::default();
        gathered
            .take("rows", lines.join("\n").as_bytes())
            .map_err(|e| format!("{e:#}"))
            .unwrap();
        gathered.whole()
    }

    #[test]
    fn lines_of_many_traces_in_any_order_and_twice_make_each_session_once() {
        let (mon, tue) = (lines("mon", 3), lines("tue", 0));
        let mut mixed: Vec<String> = [mon.clone(), tue, mon].concat();
        mixed.reverse();
        let (whole, wrong) = gathered(&mixed);
        let found: Vec<(&str, usize)> = whole
            .iter()
            .map(|w| (w.trace.session.as_str(), w.rows.len()))
            .collect();
        assert_eq!(found, [("mon", 3), ("tue", 0)]);
        assert!(wrong.is_empty(), "{wrong:?}");
    }

    #[test]
    fn a_lost_line_keeps_its_whole_session_out() {
        let mon = lines("mon", 3);
        let (whole, wrong) = gathered(&mon[..3]);
        assert!(whole.is_empty());
        assert!(wrong[0].contains("2 of its 3 rows arrived"), "{wrong:?}");
        let (_, wrong) = gathered(&mon[1..]);
        assert!(wrong[0].contains("names its trace"), "{wrong:?}");
    }

    #[test]
    fn what_extract_never_printed_is_named_by_its_line() {
        let mut gathered = Lines::default();
        let error = gathered.take("rows.jsonl", &b"\n{\"kind\":\"pour\"}\n"[..]);
        let error = error.unwrap_err().to_string();
        assert!(error.starts_with("rows.jsonl line 2 is none"), "{error}");
    }
}
