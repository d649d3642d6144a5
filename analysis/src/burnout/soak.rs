//! How long a flask really stood at its set point: from its own time in the kiln and the kiln's
//! trace, whatever the card had meant.

use super::course::KilnRow;
use crate::time::Micros;

/// A kiln within this of the set point soaks, K.
pub const SOAKS_WITHIN_K: f64 = 10.0;
/// The air may leave that band for so long without the soak being over, s: a door's dip is gone
/// in minutes, and the flasks inside lose 0–5 K (common practice).
const AWAY_S: f64 = 20.0 * 60.0;
/// A soak shorter than meant by less than this share is not worth a word: clocks and cards are
/// read to the minute.
const SHORT_SHARE: f64 = 0.05;
/// Nor by less than this, min.
const SHORT_MIN: f64 = 2.0;

/// A soak as it was held.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Held {
    /// Minutes within ±10 K of the set point before the flask was taken out.
    pub within_min: f64,
    /// Minutes between those in which the air was away for a short while: a door's dips.
    pub away_min: f64,
}

impl Held {
    /// Whether this is shorter than was meant, min. Dips of the door are not held against it,
    /// since a flask hardly feels them.
    pub fn is_short_of(&self, meant_min: f64) -> bool {
        let missing = meant_min - self.within_min - self.away_min;
        missing > SHORT_MIN.max(SHORT_SHARE * meant_min)
    }
}

/// The soak of a flask that went into the kiln at `into` (none: before it was lit) and out at
/// `out`, at the set point `set_c`, °C: counted back from `out`, until the kiln was away from
/// the set point for more than 20 min, or was not heard.
///
/// None if the kiln was not heard when the flask came out.
pub fn held(kiln: &KilnRow, set_c: f64, into: Option<Micros>, out: Micros) -> Option<Held> {
    kiln.at(out)?;
    let end_s = out.seconds_since(kiln.from_at);
    let start_s = into.map_or(0.0, |at| at.seconds_since(kiln.from_at).max(0.0));
    let mut held = Held {
        within_min: 0.0,
        away_min: 0.0,
    };
    let mut away_s = 0.0;
    let mut later_s = None;
    for leg in kiln.legs().rev() {
        let (from_s, to_s) = (leg.from_s.max(start_s), leg.to_s.min(end_s));
        if from_s >= to_s {
            continue;
        }
        // A silence between this leg and the one after it.
        if later_s.is_some_and(|later: f64| later - to_s > 1.0) {
            break;
        }
        later_s = Some(from_s);
        let (inside_from, inside_to) = inside(&leg, set_c, from_s, to_s);
        if inside_from >= inside_to {
            away_s += to_s - from_s;
        } else {
            away_s += to_s - inside_to;
            if away_s > AWAY_S {
                break;
            }
            // What was away lies between two stretches of soak, or after the last one.
            held.away_min += away_s / 60.0;
            held.within_min += (inside_to - inside_from) / 60.0;
            away_s = inside_from - from_s;
        }
        if away_s > AWAY_S {
            break;
        }
    }
    Some(held)
}

/// The part of a leg within the band, as seconds; empty if none is.
fn inside(leg: &super::course::Leg, set_c: f64, from_s: f64, to_s: f64) -> (f64, f64) {
    let (a, b) = (leg.at(from_s) - set_c, leg.at(to_s) - set_c);
    let (low, high) = (-SOAKS_WITHIN_K, SOAKS_WITHIN_K);
    if (b - a).abs() < 1e-9 {
        return if (low..=high).contains(&a) {
            (from_s, to_s)
        } else {
            (from_s, from_s)
        };
    }
    let when = |k: f64| from_s + (to_s - from_s) * (k - a) / (b - a);
    let (one, other) = (when(low), when(high));
    (
        one.min(other).clamp(from_s, to_s),
        one.max(other).clamp(from_s, to_s),
    )
}
