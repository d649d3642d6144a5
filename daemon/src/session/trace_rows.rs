//! The rows of one published trace, as every way to them finds them: the publishing child, an
//! import, a distributed engine that calls `extract` per file, and a book that is read anew.

use analysis::burnout::{KilnRow, SessionKiln, courses_of};
use analysis::pour::{Meta, Row, extract};
use analysis::sample::Sample;

use super::metadata::meta;

/// What a trace's metadata tell whoever reads it.
#[derive(Clone, Debug, PartialEq)]
pub struct Told {
    /// What the detector is told.
    pub meta: Meta,
    /// The kilns' names, in the order that numbers them in the trace.
    pub kilns: Vec<String>,
}

/// What a trace's metadata tell; a bare trace is named `fallback_name`.
pub fn told(metadata: &[(String, String)], fallback_name: &str) -> Told {
    let kilns = metadata.iter().find(|(key, _)| key == "pourbook.kilns");
    Told {
        meta: meta(metadata, fallback_name),
        kilns: kilns.map_or_else(Vec::new, |(_, names)| {
            let names = names.split(',').filter(|name| !name.is_empty());
            names.map(str::to_owned).collect()
        }),
    }
}

/// Everything that is found in a trace with no book at hand: pulls, pours, upkeep and kilns.
pub fn rows_of(samples: &[Sample], told: &Told) -> Vec<Row> {
    let mut rows = extract(samples, &told.meta);
    let (session, machine) = (&told.meta.session, &told.meta.machine);
    rows.extend(kiln_rows(
        courses_of(samples),
        session,
        machine,
        &told.kilns,
    ));
    rows
}

/// A session's kilns as rows.
pub fn kiln_rows<'a>(
    courses: Vec<KilnRow>,
    session: &'a str,
    machine: &'a str,
    names: &'a [String],
) -> impl Iterator<Item = Row> + 'a {
    courses.into_iter().map(move |heard| {
        let at = (heard.number as usize).checked_sub(1);
        Row::Kiln(SessionKiln {
            session: session.to_owned(),
            machine: machine.to_owned(),
            kiln: at.and_then(|at| names.get(at).cloned()),
            heard,
        })
    })
}
