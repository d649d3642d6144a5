//! What spans sessions, worked out from all of a machine's rows: the age of every part at every
//! pour, the gas left, the minutes that graphite was hot and bare, and how the vacuum went since
//! the gasket was changed. Part of the one ordered assembly, so that a thousand trace files and
//! one live book give the same figures.

use super::parts::{Part, PartChange};
use super::row::{CoursePoint, UpkeepRow};
use crate::pour::rows::{FoundBy, PourRow, PullRow, Verdict};
use crate::stats::median::median;
use crate::time::Micros;

/// Pulls whose median is a gasket's vacuum when new.
const FIRST_PULLS: usize = 10;
/// Pulls whose median is its vacuum lately.
const LATELY_PULLS: usize = 5;
/// Fewer pulls than this make neither.
const FEWEST_PULLS: usize = 3;

/// Writes into each pour of one machine (in order of time, corrections applied) how worn the
/// bench was. `upkeep` holds the sessions that are closed, in any order; `into` says which of
/// the pulls, in order of time, a pour went into.
pub fn write_ages(
    machine: &str,
    pours: &mut [PourRow],
    pulls: &[PullRow],
    upkeep: &[UpkeepRow],
    changes: &[PartChange],
    into: impl Fn(&PullRow, &PourRow) -> bool,
) {
    let of = |part: Part| {
        let mut of: Vec<&PartChange> = changes
            .iter()
            .filter(|c| c.machine == machine && c.part == part)
            .collect();
        of.sort_by_key(|c| c.at);
        of
    };
    let totals = Totals::of(upkeep, pours);
    type Slot = fn(&mut PourRow) -> &mut Option<u32>;
    let ages: [(Part, Slot); 7] = [
        (Part::SealRing, |p| &mut p.parts.seal_ring_age_pours),
        (Part::StopperRod, |p| &mut p.parts.stopper_rod_age_pours),
        (Part::StirringRod, |p| &mut p.parts.stirring_rod_age_pours),
        (Part::Crucible, |p| &mut p.parts.crucible_age_pours),
        (Part::Thermocouple, |p| &mut p.parts.thermocouple_age_pours),
        (Part::PumpOil, |p| &mut p.parts.pump_oil_age_pours),
        (Part::GasCylinder, |p| &mut p.parts.gas_cylinder_age_pours),
    ];
    for (part, slot) in ages {
        count_ages(pours, &of(part), slot);
    }
    type Minutes = fn(&mut PourRow) -> &mut Option<f64>;
    let bare: [(Part, Minutes); 3] = [
        (Part::Crucible, |p| &mut p.parts.crucible_bare_hot_min),
        (Part::StopperRod, |p| &mut p.parts.stopper_rod_bare_hot_min),
        (Part::StirringRod, |p| {
            &mut p.parts.stirring_rod_bare_hot_min
        }),
    ];
    for (part, slot) in bare {
        let changes = of(part);
        for pour in pours.iter_mut() {
            let since = last_before(&changes, pour.at).map(|c| c.at);
            *slot(pour) = since.and_then(|since| totals.bare_hot_min(since, pour.at));
        }
    }
    let cylinders = of(Part::GasCylinder);
    for pour in pours.iter_mut() {
        let fitted = last_before(&cylinders, pour.at);
        let used = fitted.and_then(|c| totals.gas_l(c.at, pour.at));
        pour.parts.cylinder_used_l = used.map(|u| u.0);
        pour.parts.cylinder_unsure_l = used.map(|u| u.1);
        pour.parts.cylinder_left_l = fitted
            .and_then(|c| c.content_l)
            .zip(used)
            .map(|(content, (used, _))| (content - used).max(0.0));
    }
    gasket_history(pours, pulls, &of(Part::Gasket), into);
}

/// Gas let out of a machine's cylinder between two moments, L, and how far that may be off;
/// none without a gas sensor.
pub fn gas_between(
    pours: &[PourRow],
    upkeep: &[UpkeepRow],
    from: Micros,
    to: Micros,
) -> Option<(f64, f64)> {
    Totals::of(upkeep, pours).gas_l(from, to)
}

/// A machine's minutes hot and bare between two moments; none without a gas sensor.
pub fn bare_hot_between(
    pours: &[PourRow],
    upkeep: &[UpkeepRow],
    from: Micros,
    to: Micros,
) -> Option<f64> {
    Totals::of(upkeep, pours).bare_hot_min(from, to)
}

fn last_before<'a>(changes: &[&'a PartChange], at: Micros) -> Option<&'a PartChange> {
    changes.iter().rev().find(|c| c.at <= at).copied()
}

/// Pours made on the same part before this one; none while no change is on record.
fn count_ages(
    pours: &mut [PourRow],
    changes: &[&PartChange],
    slot: fn(&mut PourRow) -> &mut Option<u32>,
) {
    let mut current: Option<Micros> = None;
    let mut count = 0;
    for pour in pours {
        let changed = last_before(changes, pour.at).map(|c| c.at);
        if changed != current {
            (current, count) = (changed, 0);
        }
        *slot(pour) = changed.map(|_| count);
        count += 1;
    }
}

/// The running totals of each of a machine's sessions. What was used between two moments is the
/// sum over the sessions between them and over no others, so that it is the same to the last
/// digit however many earlier sessions were read.
struct Totals {
    /// In order of time; none is empty.
    sessions: Vec<Vec<CoursePoint>>,
}

impl Totals {
    fn of(upkeep: &[UpkeepRow], pours: &[PourRow]) -> Totals {
        let sessions = upkeep.iter().map(|row| row.course.clone());
        // A session that is still open has no course; its pours know how far it had come.
        let mut open: std::collections::BTreeMap<&str, Vec<CoursePoint>> =
            std::collections::BTreeMap::new();
        for pour in pours {
            let known =
                pour.parts.session_gas_l.is_some() || pour.parts.session_bare_hot_s.is_some();
            // A pour by hand was measured from a piece of the trace.
            let known = known && pour.found_by != FoundBy::Hand;
            if !known || upkeep.iter().any(|row| row.session == pour.session) {
                continue;
            }
            let course = open.entry(&pour.session).or_default();
            let point = CoursePoint {
                at: pour.at,
                gas_used_l: pour.parts.session_gas_l,
                gas_unsure_l: pour.parts.session_gas_unsure_l.unwrap_or(0.0),
                bare_hot_s: pour.parts.session_bare_hot_s,
                unwatched_hot_s: 0.0,
            };
            if course.is_empty() {
                course.push(CoursePoint {
                    at: Micros(pour.at.0.saturating_sub(1)),
                    gas_used_l: point.gas_used_l.map(|_| 0.0),
                    gas_unsure_l: 0.0,
                    bare_hot_s: point.bare_hot_s.map(|_| 0.0),
                    unwatched_hot_s: 0.0,
                });
            }
            course.push(point);
        }
        let mut sessions: Vec<Vec<CoursePoint>> = sessions
            .chain(open.into_values())
            .filter(|course| !course.is_empty())
            .collect();
        sessions.sort_by_key(|course| course[0].at);
        Totals { sessions }
    }

    /// What each session added between two moments: its totals at both.
    fn between(
        &self,
        from: Micros,
        to: Micros,
    ) -> impl Iterator<Item = (CoursePoint, CoursePoint)> + '_ {
        self.sessions
            .iter()
            .take_while(move |course| course[0].at <= to)
            .filter(move |course| course.last().is_some_and(|last| last.at > from))
            .map(move |course| (total_at(course, from), total_at(course, to)))
    }

    fn gas_l(&self, from: Micros, to: Micros) -> Option<(f64, f64)> {
        let (mut used_l, mut unsure_l) = (None, 0.0);
        for (a, b) in self.between(from, to) {
            if let Some(total) = b.gas_used_l {
                let here = total - a.gas_used_l.unwrap_or(0.0);
                *used_l.get_or_insert(0.0) += here.max(0.0);
            }
            unsure_l += (b.gas_unsure_l - a.gas_unsure_l).max(0.0);
        }
        Some((used_l?, unsure_l))
    }

    fn bare_hot_min(&self, from: Micros, to: Micros) -> Option<f64> {
        let mut seconds = None;
        for (a, b) in self.between(from, to) {
            if let Some(total) = b.bare_hot_s {
                let here = total - a.bare_hot_s.unwrap_or(0.0);
                *seconds.get_or_insert(0.0) += here.max(0.0);
            }
        }
        seconds.map(|s: f64| s / 60.0)
    }
}

/// A session's totals at a moment: nothing before its first reading, all after its last.
fn total_at(course: &[CoursePoint], at: Micros) -> CoursePoint {
    let after = course.partition_point(|p| p.at <= at);
    match (
        after.checked_sub(1).and_then(|i| course.get(i)),
        course.get(after),
    ) {
        (Some(a), Some(b)) => CoursePoint::between(a, b, at),
        (Some(point), None) => CoursePoint { at, ..*point },
        (None, point) => CoursePoint {
            at,
            gas_used_l: point.and_then(|p| p.gas_used_l).map(|_| 0.0),
            gas_unsure_l: 0.0,
            bare_hot_s: point.and_then(|p| p.bare_hot_s).map(|_| 0.0),
            unwatched_hot_s: 0.0,
        },
    }
}

/// How the vacuum went since the gasket was changed. Pulls that were called off are left out: a
/// flask that was not seated says nothing of the gasket.
fn gasket_history(
    pours: &mut [PourRow],
    pulls: &[PullRow],
    changes: &[&PartChange],
    into: impl Fn(&PullRow, &PourRow) -> bool,
) {
    let mut current: Option<Micros> = None;
    let mut shares: Vec<f64> = Vec::new();
    let mut count = 0;
    for pour in pours {
        let changed = last_before(changes, pour.at).map(|c| c.at);
        if changed != current {
            current = changed;
            shares.clear();
            count = 0;
        }
        if let Some(pull) = pulls.iter().find(|pull| into(pull, pour)) {
            count += 1;
            if matches!(pull.verdict, Verdict::Good | Verdict::Weak) {
                shares.extend(pull.share);
            }
        }
        let middle = |of: &[f64]| {
            (of.len() >= FEWEST_PULLS)
                .then(|| median(&mut of.to_vec()))
                .flatten()
        };
        let known = changed.is_some();
        pour.parts.gasket_pulls = known.then_some(count);
        pour.parts.gasket_share_first =
            middle(&shares[..shares.len().min(FIRST_PULLS)]).filter(|_| known);
        pour.parts.gasket_share_lately =
            middle(&shares[shares.len().saturating_sub(LATELY_PULLS)..]).filter(|_| known);
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::pour::assemble::bare_pour;

    fn at(hours: f64) -> Micros {
        Micros(1_795_000_000_000_000).plus_seconds(hours * 3600.0)
    }

    fn pour(session: &str, hours: f64) -> PourRow {
        bare_pour(session, "bench-1", at(hours), FoundBy::Trace)
    }

    /// A session of two hours from `hours` on, with 3 L/min all along and its last half hour
    /// hot and bare.
    fn session(name: &str, hours: f64) -> UpkeepRow {
        let point = |h: f64| CoursePoint {
            at: at(hours + h),
            gas_used_l: Some(180.0 * h),
            gas_unsure_l: 0.0,
            bare_hot_s: Some(3600.0 * (h - 1.5).max(0.0)),
            unwatched_hot_s: 0.0,
        };
        UpkeepRow {
            session: name.into(),
            machine: "bench-1".into(),
            from: at(hours),
            to: at(hours + 2.0),
            course: [0.0, 0.5, 1.0, 1.5, 2.0].map(point).to_vec(),
        }
    }

    fn changed(part: Part, hours: f64, content_l: Option<f64>) -> PartChange {
        PartChange {
            machine: "bench-1".into(),
            part,
            at: at(hours),
            content_l,
        }
    }

    fn aged(mut pours: Vec<PourRow>, upkeep: &[UpkeepRow], changes: &[PartChange]) -> Vec<PourRow> {
        write_ages("bench-1", &mut pours, &[], upkeep, changes, |_, _| false);
        pours
    }

    #[test]
    fn a_cylinder_changed_between_two_sessions_gives_only_the_second() {
        let upkeep = [session("mon", 0.0), session("tue", 24.0)];
        let changes = [
            changed(Part::GasCylinder, -1.0, Some(4000.0)),
            changed(Part::GasCylinder, 20.0, Some(4000.0)),
        ];
        let pours = aged(vec![pour("mon", 1.0), pour("tue", 25.0)], &upkeep, &changes);
        for pour in &pours {
            assert!((pour.parts.cylinder_used_l.unwrap() - 180.0).abs() < 1e-9);
            assert!((pour.parts.cylinder_left_l.unwrap() - 3820.0).abs() < 1e-9);
            assert_eq!(pour.parts.gas_cylinder_age_pours, Some(0));
        }
    }

    #[test]
    fn a_cylinder_changed_in_the_middle_of_a_session_gives_the_rest_of_it() {
        let changes = [changed(Part::GasCylinder, 0.75, None)];
        let pours = aged(vec![pour("mon", 1.75)], &[session("mon", 0.0)], &changes);
        assert!((pours[0].parts.cylinder_used_l.unwrap() - 180.0).abs() < 1e-9);
        assert_eq!(
            pours[0].parts.cylinder_left_l, None,
            "nobody said what it held"
        );
    }

    #[test]
    fn graphite_hot_and_bare_counts_for_the_part_that_was_in_it() {
        let upkeep = [session("mon", 0.0), session("tue", 24.0)];
        let changes = [
            changed(Part::Crucible, -1.0, None),
            changed(Part::StopperRod, 20.0, None),
        ];
        let pours = aged(vec![pour("tue", 25.75)], &upkeep, &changes);
        let parts = &pours[0].parts;
        assert!((parts.crucible_bare_hot_min.unwrap() - 45.0).abs() < 1e-9);
        assert!((parts.stopper_rod_bare_hot_min.unwrap() - 15.0).abs() < 1e-9);
        assert_eq!(parts.stirring_rod_bare_hot_min, None, "never changed");
    }

    #[test]
    fn a_session_that_is_still_open_counts_up_to_its_last_pour() {
        let mut open = pour("tue", 25.0);
        open.parts.session_gas_l = Some(150.0);
        let changes = [changed(Part::GasCylinder, -1.0, Some(4000.0))];
        let pours = aged(vec![open], &[session("mon", 0.0)], &changes);
        assert!((pours[0].parts.cylinder_used_l.unwrap() - 510.0).abs() < 1e-9);
    }

    #[test]
    fn a_gasket_remembers_what_it_pulled_when_new_and_what_lately() {
        let pull = |i: u32| PullRow {
            session: "mon".into(),
            closed_at: Some(at(f64::from(i) / 6.0 + 0.01)),
            share: Some(0.92 - 0.01 * f64::from(i)),
            ..crate::watch::testing::pull(at(f64::from(i) / 6.0 - 0.01))
        };
        let pulls: Vec<PullRow> = (0..20).map(pull).collect();
        let mut pours: Vec<PourRow> = (0..20).map(|i| pour("mon", f64::from(i) / 6.0)).collect();
        let changes = [changed(Part::Gasket, -1.0, None)];
        write_ages(
            "bench-1",
            &mut pours,
            &pulls,
            &[],
            &changes,
            |pull, pour| pull.opened_at <= pour.at && pull.closed_at.is_some_and(|c| pour.at <= c),
        );
        let last = &pours[19].parts;
        assert_eq!(last.gasket_pulls, Some(20));
        assert!((last.gasket_share_first.unwrap() - 0.875).abs() < 1e-9);
        assert!((last.gasket_share_lately.unwrap() - 0.75).abs() < 1e-9);
        assert_eq!(pours[1].parts.gasket_share_first, None, "two are too few");
    }
}
