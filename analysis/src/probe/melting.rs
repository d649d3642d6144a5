//! What looks like the arrest that a charge makes while it melts: the reading climbs, stops while
//! the metal takes up its heat of melting, and climbs on. It is no fixed point (the probe sees
//! some of the hotter wall), but from charge to charge of one alloy the same probe reads it
//! alike, so that a slow drift shows. A furnace held for a minute looks alike; whether the level
//! is one at which the alloy melts is said where the alloy is known ([`begins_to_melt`]).

use super::course::{Bin, Heard};
use super::line::Line;
use super::metal::Metal;
use super::plateau::{beside, flat_runs};
use super::row::{ArrestFound, Heat};
use crate::alloy::Alloys;

/// On the arrest the reading climbs or falls by no more than this, K/s (3 K/min).
const FLAT_K_S: f64 = 3.0 / 60.0;
/// Before and after, it climbs at least this fast, K/s (6 K/min; furnaces of this size climb by
/// 15 to 60 K/min, common practice).
const CLIMBS_K_S: f64 = 6.0 / 60.0;
/// The arrest's slope is no more than this share of those before and after.
const KNEE: f64 = 0.3;
/// The slopes before and after are taken over so long, s, this far from the arrest, s.
const BESIDE_S: f64 = 60.0;
const ASIDE_S: f64 = 15.0;
/// Shorter, it is not called an arrest, s; longer, the furnace is held there.
const LASTS_S: std::ops::RangeInclusive<f64> = 30.0..=300.0;
/// An arrest whose level is less sure than this is none, K.
const MOST_ERROR_K: f64 = 1.0;
/// No pull, pour or moved probe this near, s.
const CLEAR_S: f64 = 60.0;
/// Bins further apart are not of one course, s.
const GAP_S: f64 = 20.0;

/// An arrest of an alloy is read within this of where it begins to melt, K: a probe that is
/// further off needs a check anyway, and the wall that it sees is hotter.
const NEAR_K: f64 = 20.0;

/// Whether a charge of this alloy begins to melt where an arrest was read: at its solidus, which
/// is a pure metal's melting point, or an alloy of silver and copper at its eutectic. Of an
/// unknown alloy nobody can say.
pub fn begins_to_melt(alloy: Option<&str>, read_c: f64, alloys: &Alloys) -> bool {
    let Some(alloy) = alloy.and_then(|name| alloys.get(name)) else {
        return false;
    };
    let of_silver_and_copper =
        |word: &str| word.parse::<f64>().is_ok() || word == "Ag" || word == "Cu";
    let eutectic = alloy.solidus_c < alloy.liquidus_c
        && alloy
            .composition
            .split_whitespace()
            .all(of_silver_and_copper);
    let near = |celsius: f64| (read_c - celsius).abs() <= NEAR_K;
    near(alloy.solidus_c) || (eutectic && near(Metal::SilverCopperEutectic.freezes_c()))
}

/// The meltings of a session, in order of time.
pub(super) fn meltings(heard: &Heard<'_>) -> Vec<ArrestFound> {
    let mut found = Vec::new();
    let apart = |a: &Bin, b: &Bin| b.at.seconds_since(a.at) <= GAP_S;
    for course in heard.bins.chunk_by(apart) {
        for (from, to) in flat_runs(course, FLAT_K_S) {
            found.extend(melting(course, from, to, heard));
        }
    }
    found
}

/// The melting that a flat run is, if it is one.
fn melting(course: &[Bin], from: usize, to: usize, heard: &Heard<'_>) -> Option<ArrestFound> {
    let run = &course[from..to];
    let (first, last) = (run.first()?.at, run.last()?.at);
    let lasted_s = last.seconds_since(first);
    let flat = Line::through(run)?;
    let before = beside(
        course,
        first.plus_seconds(-ASIDE_S - BESIDE_S),
        first.plus_seconds(-ASIDE_S),
    )?;
    let after = beside(
        course,
        last.plus_seconds(ASIDE_S),
        last.plus_seconds(ASIDE_S + BESIDE_S),
    )?;
    let gentlest = before.slope_k_s.min(after.slope_k_s);
    let is_melting = LASTS_S.contains(&lasted_s)
        && gentlest >= CLIMBS_K_S
        && flat.slope_k_s.abs() <= KNEE * gentlest
        && heard.is_clear(first, last, CLEAR_S);
    let read_se_k = flat.error_at(flat.origin, 0.29 * heard.step_k);
    (is_melting && read_se_k <= MOST_ERROR_K).then_some(ArrestFound {
        at: first,
        until: last,
        heat: Heat::Melting,
        read_c: flat.celsius,
        read_se_k,
        slope_before_k_min: 60.0 * before.slope_k_s,
        slope_k_min: 60.0 * flat.slope_k_s,
        slope_after_k_min: 60.0 * after.slope_k_s,
        against: None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Handbooks: sterling 802 °C, its eutectic 779 °C; fine silver 961.78 °C (ITS-90); a gold
    /// alloy has no silver-copper eutectic to itself.
    #[test]
    fn a_charge_begins_to_melt_at_its_solidus_or_with_its_eutectic() {
        let alloys = Alloys::standard();
        let said = |alloy, read_c| begins_to_melt(alloy, read_c, &alloys);
        assert!(said(Some("sterling-925"), 806.0));
        assert!(said(Some("sterling-925"), 781.0));
        assert!(said(Some("fine-silver"), 965.0));
        assert!(!said(Some("sterling-925"), 850.0));
        assert!(!said(Some("fine-silver"), 781.0));
        assert!(!said(Some("gold-14k-yellow"), 760.0));
        assert!(!said(None, 802.0));
    }
}
