//! What changed beneath a report, in words: for the line in a report that was made anew. Numbers
//! where the records say when something came in, else the kind of thing that changed.

use std::collections::BTreeSet;

use analysis::time::Micros;
use jiff::tz::TimeZone;

use crate::book::local;
use crate::records::beneath::{CameIn, Digests, Kind};

/// The kinds whose rows are not what they were.
pub fn differing(before: &Digests, now: &Digests) -> BTreeSet<Kind> {
    let kinds: BTreeSet<Kind> = before.keys().chain(now.keys()).copied().collect();
    kinds
        .into_iter()
        .filter(|kind| before.get(kind) != now.get(kind))
        .collect()
}

/// The kinds that what came in belongs to, for where no digest can be compared.
pub fn kinds_of(came: &CameIn) -> BTreeSet<Kind> {
    let any = |n: u32, kind: Kind| (n > 0).then_some(kind);
    [
        any(came.flasks_inspected, Kind::Inspections),
        any(came.flasks_imported + came.cards, Kind::Cards),
        any(
            came.pours_corrected + came.pours_rematched + came.sessions_read,
            Kind::Pours,
        ),
        any(came.part_changes, Kind::Parts),
        any(
            came.probe_checks + came.probe_checks_back,
            Kind::ProbeChecks,
        ),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// The line of a report made anew at `now` that was first made at `first`.
pub fn line(
    changed: &BTreeSet<Kind>,
    came: &CameIn,
    first: Micros,
    now: Micros,
    zone: &TimeZone,
) -> String {
    let when = |at: Micros| {
        local(at, zone)
            .strftime("%a %-d %b %Y at %H:%M")
            .to_string()
    };
    format!(
        "Made anew on {} because of what came in after it was first made on {}: {}.",
        when(now),
        when(first),
        listed(&words(changed, came))
    )
}

fn words(changed: &BTreeSet<Kind>, came: &CameIn) -> Vec<String> {
    let has = |kind| changed.contains(&kind);
    let mut said: Vec<String> = Vec::new();
    let mut counted = |kind: Kind, parts: &[(u32, &str, &str)], else_: Option<&str>| {
        if !has(kind) {
            return;
        }
        let numbers = parts.iter().filter(|(n, _, _)| *n > 0);
        let before = said.len();
        said.extend(
            numbers.map(|(n, one, many)| format!("{n} {}", if *n == 1 { one } else { many })),
        );
        if said.len() == before
            && let Some(text) = else_
        {
            said.push(text.to_owned());
        }
    };
    counted(
        Kind::Inspections,
        &[(
            came.flasks_inspected,
            "flask was inspected",
            "flasks were inspected",
        )],
        // Those of imported flasks came with them.
        (came.flasks_imported == 0).then_some("inspections changed"),
    );
    // A first look brings a card in and confirms which pour filled the flask.
    let by_a_look = has(Kind::Inspections);
    counted(
        Kind::Cards,
        &[
            (
                came.flasks_imported,
                "flask was imported",
                "flasks were imported",
            ),
            (came.cards, "flask card was added", "flask cards were added"),
        ],
        (!by_a_look).then_some("flask cards were changed"),
    );
    counted(
        Kind::Pours,
        &[
            (
                came.pours_corrected,
                "pour was corrected",
                "pours were corrected",
            ),
            (
                came.pours_rematched,
                "pour was matched to another flask",
                "pours were matched to other flasks",
            ),
            (
                came.sessions_read,
                "session was read from its trace",
                "sessions were read from their traces",
            ),
        ],
        (!by_a_look && !has(Kind::ProbeChecks) && !has(Kind::Parts))
            .then_some("figures of pours changed"),
    );
    counted(
        Kind::Pulls,
        &[],
        (came.sessions_read == 0).then_some("figures of pulls changed"),
    );
    counted(
        Kind::Parts,
        &[(
            came.part_changes,
            "part change was written down",
            "part changes were written down",
        )],
        Some("part changes were changed"),
    );
    counted(
        Kind::ProbeChecks,
        &[
            (
                came.probe_checks,
                "probe check was accepted",
                "probe checks were accepted",
            ),
            (
                came.probe_checks_back,
                "probe check was taken back",
                "probe checks were taken back",
            ),
        ],
        Some("probe checks changed"),
    );
    counted(Kind::Trials, &[], Some("a trial ended"));
    counted(Kind::Weights, &[], Some("weights came back"));
    counted(Kind::Targets, &[], Some("a target was changed"));
    if said.is_empty() {
        said.push("the records beneath it".to_owned());
    }
    said
}

fn listed(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [rest @ .., last] => format!("{} and {last}", rest.join(", ")),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn said(changed: &[Kind], came: CameIn) -> String {
        listed(&words(&changed.iter().copied().collect(), &came))
    }

    #[test]
    fn what_changed_is_said_in_numbers_where_they_are_known() {
        let inspected = CameIn {
            flasks_inspected: 3,
            ..CameIn::default()
        };
        // The first look at a flask confirms its pour and brings its card in; that is one thing.
        let looked = [Kind::Cards, Kind::Inspections, Kind::Pours];
        assert_eq!(said(&looked, inspected), "3 flasks were inspected");
        let corrected = CameIn {
            flasks_inspected: 1,
            pours_corrected: 2,
            probe_checks: 1,
            ..CameIn::default()
        };
        assert_eq!(
            said(
                &[Kind::Inspections, Kind::Pours, Kind::ProbeChecks],
                corrected
            ),
            "1 flask was inspected, 2 pours were corrected and 1 probe check was accepted"
        );
        let imported = CameIn {
            flasks_imported: 140,
            ..CameIn::default()
        };
        assert_eq!(
            said(&[Kind::Cards, Kind::Inspections], imported),
            "140 flasks were imported"
        );
    }

    #[test]
    fn a_change_without_a_date_is_said_by_its_kind() {
        assert_eq!(
            said(&[Kind::Cards], CameIn::default()),
            "flask cards were changed"
        );
        assert_eq!(
            said(&[Kind::Trials, Kind::Weights], CameIn::default()),
            "a trial ended and weights came back"
        );
    }

    #[test]
    fn the_line_says_when_it_was_first_made() {
        let at = |text| Micros::parse_rfc3339(text).unwrap();
        let came = CameIn {
            flasks_inspected: 1,
            ..CameIn::default()
        };
        assert_eq!(
            line(
                &BTreeSet::from([Kind::Inspections]),
                &came,
                at("2026-11-23T06:00:00Z"),
                at("2026-11-24T14:05:00Z"),
                &TimeZone::UTC
            ),
            "Made anew on Tue 24 Nov 2026 at 14:05 because of what came in after it was first \
             made on Mon 23 Nov 2026 at 06:00: 1 flask was inspected."
        );
    }
}
