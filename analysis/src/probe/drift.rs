//! A slow drift of the probe, watched through the melting arrest of everyday charges: the same
//! alloy melts where it always did, so that a series of arrests that all read lower (or higher)
//! than before tells of the probe. It cannot say by how much the probe is wrong; a probe check
//! can.
//!
//! Only an arrest at one temperature will do: a pure metal's, or the one where an alloy begins to
//! melt. Sterling that froze fast begins with its eutectic (some 13 % of it, [`super::Metal`]) and shows
//! a short arrest there to a probe in the metal; a probe in the rod or the wall sees mostly
//! crucible while the charge is solid, and shows none. Then nothing is said.

use super::melting::begins_to_melt;
use super::row::{ArrestRow, Heat};
use super::series::AcceptedCheck;
use crate::alloy::Alloys;
use crate::stats::median::median;
use crate::time::Micros;

/// Charges that say what is usual; fewer, and nothing is said.
const USUAL_CHARGES: usize = 12;
/// The last so many charges, all on one side of the usual, are a run: the second of the usual
/// rules for control charts (eight points on one side of the centre line; ISO 7870-2, from
/// memory). Without a drift the next eight all lie on one side once in 128 times, so that the
/// size of the shift is asked too.
const RUN: usize = 8;
/// A shift that is worth a probe check, K: half of what two pours of one probe must differ by to
/// be told apart ([`crate::thermocouple::ONE_AGAINST_ONE_K`]), rounded.
const LEAST_SHIFT_K: f64 = 3.0;
/// … and so many standard errors of the difference.
const LEAST_ERRORS: f64 = 3.0;
/// Mean moving range over this is the standard deviation (individuals chart, d₂ of two;
/// ISO 7870-2).
const D2: f64 = 1.128;

/// What a drift asks for.
pub const DO_A_CHECK: &str = "do a probe check";

/// A drift that shows.
#[derive(Clone, Debug, PartialEq)]
pub struct Drift {
    /// The machine.
    pub machine: String,
    /// The probe's series.
    pub series: String,
    /// The alloy of the charges, if known.
    pub alloy: Option<String>,
    /// The last of the charges.
    pub at: Micros,
    /// How many of them.
    pub charges: usize,
    /// How much they read over what was usual, K; below zero is under it.
    pub shift_k: f64,
}

impl Drift {
    /// What shows; `by` is the size of the shift in the shop's units, like `4 °C`.
    pub fn what(&self, by: &str) -> String {
        let way = if self.shift_k < 0.0 {
            "lower"
        } else {
            "higher"
        };
        format!(
            "the melting arrest of the last {} charges reads {by} {way} than before: the probe \
             may be drifting",
            self.charges
        )
    }

    /// The same with what is to be done.
    pub fn sentence(&self, by: &str) -> String {
        format!("{}; {DO_A_CHECK}", self.what(by))
    }
}

/// The drifts that show now, by machine and alloy. Only charges read by the machine's latest
/// probe count, and only those since its last accepted check.
pub fn drifts(arrests: &[ArrestRow], checks: &[AcceptedCheck]) -> Vec<Drift> {
    let alloys = Alloys::standard();
    let mut meltings: Vec<&ArrestRow> = arrests
        .iter()
        .filter(|a| a.heat == Heat::Melting && a.probe_series.is_some())
        .filter(|a| begins_to_melt(a.alloy.as_deref(), a.read_c, &alloys))
        .collect();
    meltings.sort_by(|a, b| (&a.machine, &a.alloy, a.at).cmp(&(&b.machine, &b.alloy, b.at)));
    let alike = |a: &&ArrestRow, b: &&ArrestRow| a.machine == b.machine && a.alloy == b.alloy;
    meltings
        .chunk_by(alike)
        .filter_map(|of| {
            let machine = &of.first()?.machine;
            let newest = meltings
                .iter()
                .filter(|a| a.machine == *machine)
                .max_by_key(|a| a.at)?;
            let checked = checks
                .iter()
                .filter(|c| c.machine == *machine)
                .map(|c| c.at)
                .max();
            let of: Vec<&ArrestRow> = of
                .iter()
                .copied()
                .filter(|a| a.probe_series == newest.probe_series)
                .filter(|a| checked.is_none_or(|at| a.at > at))
                .collect();
            drift(&of)
        })
        .collect()
}

fn drift(charges: &[&ArrestRow]) -> Option<Drift> {
    let lately_from = charges.len().checked_sub(RUN)?;
    let (usual, lately) = charges.split_at(lately_from);
    if usual.len() < USUAL_CHARGES {
        return None;
    }
    let usual = &usual[..USUAL_CHARGES];
    let levels = |of: &[&ArrestRow]| -> Vec<f64> { of.iter().map(|a| a.read_c).collect() };
    let centre = median(&mut levels(usual))?;
    let below = lately.iter().all(|a| a.read_c < centre);
    let above = lately.iter().all(|a| a.read_c > centre);
    if !below && !above {
        return None;
    }
    let ranges: f64 = usual
        .windows(2)
        .map(|pair| (pair[1].read_c - pair[0].read_c).abs())
        .sum();
    let sd_k = ranges / (usual.len() - 1) as f64 / D2;
    let shift_k = median(&mut levels(lately))? - centre;
    let error_k = sd_k * (1.0 / RUN as f64 + 1.0 / USUAL_CHARGES as f64).sqrt();
    let last = lately.last()?;
    (shift_k.abs() >= LEAST_SHIFT_K.max(LEAST_ERRORS * error_k)).then(|| Drift {
        machine: last.machine.clone(),
        series: last.probe_series.clone().unwrap_or_default(),
        alloy: last.alloy.clone(),
        at: last.at,
        charges: RUN,
        shift_k,
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// Charges of sterling, one a day, that read so; the scatter repeats itself.
    fn charges(levels: impl IntoIterator<Item = f64>, series: &str) -> Vec<ArrestRow> {
        let scatter = [0.4, -0.9, 1.3, -0.2, -1.1, 0.8];
        levels
            .into_iter()
            .enumerate()
            .map(|(i, level)| ArrestRow {
                session: format!("day-{i}"),
                machine: "bench-1".into(),
                at: Micros(1_795_000_000_000_000).plus_seconds(86_400.0 * i as f64),
                until: Micros(1_795_000_060_000_000).plus_seconds(86_400.0 * i as f64),
                heat: Heat::Melting,
                read_c: level + scatter[i % scatter.len()],
                read_se_k: 0.2,
                slope_before_k_min: 25.0,
                slope_k_min: 1.0,
                slope_after_k_min: 22.0,
                metal: None,
                offset_k: None,
                offset_sd_k: None,
                budget: None,
                undercooling_k: None,
                probe_series: Some(series.into()),
                alloy: Some("sterling-925".into()),
            })
            .collect()
    }

    /// Trade figures: a base-metal probe in graphite drifts low by 0.05 to 0.5 K an hour at heat.
    #[test]
    fn a_probe_that_reads_lower_charge_by_charge_is_told() {
        let fades = (0..30).map(|i| 785.0 - 0.35 * f64::from((i - 12).max(0)));
        let found = drifts(&charges(fades, "bench-1/1"), &[]);
        assert_eq!(found.len(), 1);
        assert!((-6.0..-3.0).contains(&found[0].shift_k), "{found:?}");
        assert_eq!(
            found[0].sentence("4 K"),
            "the melting arrest of the last 8 charges reads 4 K lower than before: the probe \
             may be drifting; do a probe check"
        );
    }

    #[test]
    fn a_steady_probe_is_left_alone_and_so_is_one_that_is_hardly_known() {
        assert!(drifts(&charges([785.0; 40], "bench-1/1"), &[]).is_empty());
        let few = (0..19).map(|i| if i < 11 { 785.0 } else { 775.0 });
        assert!(drifts(&charges(few, "bench-1/1"), &[]).is_empty());
    }

    #[test]
    fn a_new_probe_or_an_accepted_check_begins_anew() {
        let fades: Vec<f64> = (0..30)
            .map(|i| 785.0 - 0.5 * f64::from((i - 12).max(0)))
            .collect();
        let mut rows = charges(fades.clone(), "bench-1/1");
        let checked = AcceptedCheck {
            machine: "bench-1".into(),
            at: rows[25].at,
            whole_series: false,
            reference_c: 961.78,
            offset_k: -5.0,
            offset_sd_k: 0.8,
        };
        assert_eq!(drifts(&rows, &[]).len(), 1);
        assert!(drifts(&rows, &[checked]).is_empty());
        for row in &mut rows[22..] {
            row.probe_series = Some("bench-1/2".into());
        }
        assert!(drifts(&rows, &[]).is_empty());
    }

    /// A furnace held at 950 °C for a minute is no melting, whatever it is held at next month.
    #[test]
    fn a_held_furnace_is_no_melting_and_no_drift() {
        let held = (0..30).map(|i| if i < 22 { 950.0 } else { 940.0 });
        assert!(drifts(&charges(held, "bench-1/1"), &[]).is_empty());
        let mut unknown = charges(
            (0..30).map(|i| if i < 22 { 785.0 } else { 775.0 }),
            "bench-1/1",
        );
        assert_eq!(drifts(&unknown, &[]).len(), 1);
        for row in &mut unknown {
            row.alloy = None;
        }
        assert!(drifts(&unknown, &[]).is_empty());
    }

    /// A shop whose arrests scatter by 10 K cannot see 4 K.
    #[test]
    fn a_shift_within_the_scatter_is_not_told() {
        let mut rows = charges(
            (0..30).map(|i| if i < 22 { 785.0 } else { 781.0 }),
            "bench-1/1",
        );
        for (i, row) in rows.iter_mut().enumerate().take(22) {
            row.read_c += if i % 2 == 0 { 9.0 } else { -9.0 };
        }
        assert!(drifts(&rows, &[]).is_empty());
    }
}
