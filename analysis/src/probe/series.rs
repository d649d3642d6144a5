//! Which probe a pour was read by, and the correction that holds for it. A change of the melt's
//! thermocouple starts a new series; a probe check that a person accepted gives its offset, from
//! the check (or, if they say so, from the change) until the next check or change.

use crate::flask::Flask;
use crate::pour::rows::{PourRow, quality};
use crate::time::Micros;
use crate::upkeep::{Part, PartChange};

use super::budget::at_another_temperature_k;

/// A probe check that a person accepted.
#[derive(Clone, Debug, PartialEq)]
pub struct AcceptedCheck {
    /// On which machine.
    pub machine: String,
    /// When the metal froze.
    pub at: Micros,
    /// Whether it holds for the whole series, from the change of the probe on, and not only from
    /// the check.
    pub whole_series: bool,
    /// Where the metal freezes, °C.
    pub reference_c: f64,
    /// What the probe read too much, K.
    pub offset_k: f64,
    /// Its standard uncertainty, K.
    pub offset_sd_k: f64,
}

/// A machine's changes of the melt's thermocouple, oldest first.
pub fn changes_of(machine: &str, changes: &[PartChange]) -> Vec<Micros> {
    let mut of: Vec<Micros> = changes
        .iter()
        .filter(|c| c.machine == machine && c.part == Part::Thermocouple)
        .map(|c| c.at)
        .collect();
    of.sort_unstable();
    of.dedup();
    of
}

/// The series at a time, `MACHINE/n`: n changes of probe on record until then. 0 is whatever
/// probe was there before the first.
pub fn series_at(machine: &str, changes: &[Micros], at: Micros) -> String {
    format!("{machine}/{}", number_at(changes, at))
}

fn number_at(changes: &[Micros], at: Micros) -> usize {
    changes.partition_point(|change| *change <= at)
}

/// The check that holds at a time: the latest of its series that begins to hold by then; among
/// those for the whole series the first holds for what was poured before any check.
pub fn check_at<'a>(
    machine: &str,
    changes: &[Micros],
    checks: &'a [AcceptedCheck],
    at: Micros,
) -> Option<&'a AcceptedCheck> {
    let series = number_at(changes, at);
    let of_series = || {
        checks
            .iter()
            .filter(|c| c.machine == machine && number_at(changes, c.at) == series)
    };
    of_series()
        .filter(|c| c.at <= at)
        .max_by_key(|c| c.at)
        .or_else(|| of_series().filter(|c| c.whole_series).min_by_key(|c| c.at))
}

/// Writes into each pour of one machine its series and the correction that holds for it, in
/// place of whatever correction it had. Corrected are the pour temperature, the peak and the
/// superheat, all as read less the offset.
pub fn write_series(
    machine: &str,
    pours: &mut [PourRow],
    changes: &[PartChange],
    checks: &[AcceptedCheck],
) {
    let changes = changes_of(machine, changes);
    for pour in pours {
        pour.parts.probe_series = Some(series_at(machine, &changes, pour.at));
        let check = check_at(machine, &changes, checks, pour.at);
        correct(pour, check);
    }
}

fn correct(pour: &mut PourRow, check: Option<&AcceptedCheck>) {
    let had_k = pour.parts.probe_offset_k;
    let offset_k = check.map(|c| c.offset_k);
    if offset_k != had_k {
        let more_k = had_k.unwrap_or(0.0) - offset_k.unwrap_or(0.0);
        for figure in [
            &mut pour.pour_temperature_c,
            &mut pour.peak_melt_c,
            &mut pour.superheat_k,
        ] {
            *figure = figure.map(|c| c + more_k);
        }
        if let Some(superheat) = pour.superheat_k {
            pour.quality.retain(|w| w != quality::BELOW_LIQUIDUS);
            if superheat < 0.0 {
                pour.quality.push(quality::BELOW_LIQUIDUS.to_owned());
                pour.quality.sort_unstable();
            }
        }
    }
    pour.parts.probe_offset_k = offset_k;
    pour.parts.probe_offset_sd_k = check.map(|c| {
        let poured_c = pour.pour_temperature_c.unwrap_or(c.reference_c);
        at_another_temperature_k(c.offset_sd_k, c.reference_c, poured_c)
    });
}

/// The scale on which a flask's pour temperature was read: `true` for every pour that was
/// corrected by a check, whatever its probe, else the series itself. Temperatures of one scale
/// can be compared; those of two differ by an offset that nobody knows.
pub fn scale(flask: &Flask) -> Option<&str> {
    match flask.probe_offset_k {
        Some(_) => Some("true"),
        None => flask.probe_series.as_deref(),
    }
}

/// Whether a change of probe lies between these flasks that no check bridges: their pour
/// temperatures are on more than one [`scale`]. Flasks without a pour temperature, and those
/// whose probe is not on record (from paper), do not count.
///
/// ```
/// assert!(!analysis::probe::series::is_unresolved(&[]));
/// ```
pub fn is_unresolved(flasks: &[Flask]) -> bool {
    differ(flasks)
}

/// [`is_unresolved`] of flasks that are not in one list.
pub fn differ<'a>(flasks: impl IntoIterator<Item = &'a Flask>) -> bool {
    let mut scales = flasks
        .into_iter()
        .filter(|f| f.pour_temperature_c.is_some())
        .filter_map(scale);
    let first = scales.next();
    first.is_some_and(|first| scales.any(|s| s != first))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::pour::FoundBy;
    use crate::pour::assemble::bare_pour;

    fn day(n: f64) -> Micros {
        Micros(1_795_000_000_000_000).plus_seconds(86_400.0 * n)
    }

    fn changed(n: f64) -> PartChange {
        PartChange {
            machine: "bench-1".into(),
            part: Part::Thermocouple,
            at: day(n),
            content_l: None,
        }
    }

    fn check(n: f64, offset_k: f64, whole_series: bool) -> AcceptedCheck {
        AcceptedCheck {
            machine: "bench-1".into(),
            at: day(n),
            whole_series,
            reference_c: 961.78,
            offset_k,
            offset_sd_k: 0.8,
        }
    }

    fn poured(n: f64) -> PourRow {
        PourRow {
            pour_temperature_c: Some(968.0),
            peak_melt_c: Some(972.5),
            superheat_k: Some(75.0),
            ..bare_pour("s", "bench-1", day(n), FoundBy::Trace)
        }
    }

    /// Pours of six days: the probe is changed before the third, checked (reads 4 K too much)
    /// before the fifth.
    fn bench(whole_series: bool) -> Vec<PourRow> {
        let mut pours: Vec<PourRow> = (0..6).map(|n| poured(f64::from(n))).collect();
        let checks = [check(3.5, 4.0, whole_series)];
        write_series(
            "bench-1",
            &mut pours,
            &[changed(1.5), changed(-9.0)],
            &checks,
        );
        pours
    }

    #[test]
    fn a_new_thermocouple_starts_a_new_series() {
        let series: Vec<String> = bench(false)
            .into_iter()
            .map(|p| p.parts.probe_series.unwrap())
            .collect();
        assert_eq!(series[..2], ["bench-1/1", "bench-1/1"]);
        assert_eq!(series[2..], ["bench-1/2"; 4].map(str::to_owned));
        let mut early = [poured(-20.0)];
        write_series("bench-1", &mut early, &[changed(-9.0)], &[]);
        assert_eq!(early[0].parts.probe_series.as_deref(), Some("bench-1/0"));
    }

    #[test]
    fn a_check_corrects_what_is_poured_after_it_and_what_was_read_stays_known() {
        let pours = bench(false);
        let read: Vec<Option<f64>> = pours.iter().map(|p| p.pour_temperature_c).collect();
        assert_eq!(read, [968.0, 968.0, 968.0, 968.0, 964.0, 964.0].map(Some));
        let last = &pours[5];
        assert_eq!(last.peak_melt_c, Some(968.5));
        assert_eq!(last.superheat_k, Some(71.0));
        assert_eq!(
            last.pour_temperature_c.unwrap() + last.parts.probe_offset_k.unwrap(),
            968.0
        );
        assert!((last.parts.probe_offset_sd_k.unwrap() - 0.8).abs() < 0.01);
        assert_eq!(pours[3].parts.probe_offset_k, None);
    }

    #[test]
    fn a_check_for_the_whole_series_reaches_back_to_the_change_and_no_further() {
        let corrected: Vec<bool> = bench(true)
            .iter()
            .map(|p| p.parts.probe_offset_k.is_some())
            .collect();
        assert_eq!(corrected, [false, false, true, true, true, true]);
    }

    #[test]
    fn a_check_taken_back_leaves_every_pour_as_it_was_read() {
        let mut pours = bench(false);
        let changes = [changed(1.5), changed(-9.0)];
        let twice = pours.clone();
        write_series("bench-1", &mut pours, &changes, &[check(3.5, 4.0, false)]);
        assert_eq!(pours, twice, "correcting twice changes nothing");
        write_series("bench-1", &mut pours, &changes, &[]);
        assert!(pours.iter().all(|p| p.pour_temperature_c == Some(968.0)));
        assert!(pours.iter().all(|p| p.parts.probe_offset_k.is_none()));
    }

    #[test]
    fn a_later_check_replaces_an_earlier_one_and_another_machines_is_none_of_ours() {
        let mut pours = vec![poured(1.0), poured(3.0)];
        let mut others = check(2.5, 9.0, false);
        others.machine = "bench-2".into();
        let checks = [check(2.0, -2.0, false), check(0.0, 4.0, false), others];
        write_series("bench-1", &mut pours, &[], &checks);
        let read: Vec<Option<f64>> = pours.iter().map(|p| p.pour_temperature_c).collect();
        assert_eq!(read, [Some(964.0), Some(970.0)]);
    }

    /// The eutectic is 191 K away from a sterling pour: the correction is less sure there.
    #[test]
    fn a_pour_that_the_correction_shows_too_cold_is_called_so() {
        let mut pours = [PourRow {
            superheat_k: Some(3.0),
            ..poured(1.0)
        }];
        let mut eutectic = check(0.0, 5.0, false);
        eutectic.reference_c = 779.1;
        write_series("bench-1", &mut pours, &[], &[eutectic]);
        assert!(
            pours[0]
                .quality
                .iter()
                .any(|w| w == quality::BELOW_LIQUIDUS)
        );
        assert!(pours[0].parts.probe_offset_sd_k.unwrap() > 1.1);
    }

    fn flask(series: Option<&str>, offset_k: Option<f64>) -> Flask {
        Flask {
            probe_series: series.map(str::to_owned),
            probe_offset_k: offset_k,
            pour_temperature_c: Some(968.0),
            ..on_paper()
        }
    }

    fn on_paper() -> Flask {
        Flask {
            id: "A".into(),
            label: "A".into(),
            session: "s".into(),
            machine: "bench-1".into(),
            cast_at: day(0.0),
            ..Flask::default()
        }
    }

    #[test]
    fn a_change_of_probe_is_resolved_once_both_sides_are_checked() {
        let (old, new) = (Some("bench-1/1"), Some("bench-1/2"));
        assert!(!is_unresolved(&[flask(old, None), flask(old, None)]));
        assert!(is_unresolved(&[flask(old, None), flask(new, None)]));
        assert!(is_unresolved(&[flask(old, None), flask(new, Some(3.0))]));
        assert!(!is_unresolved(&[
            flask(old, Some(-1.0)),
            flask(new, Some(3.0))
        ]));
        // Paper does not say which probe it was.
        assert!(!is_unresolved(&[flask(None, None), flask(new, None)]));
    }
}
