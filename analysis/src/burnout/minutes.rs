//! A kiln's readings as one steady value a minute of event time: the median of what was read in
//! it. Ripple and single wild readings are gone, and a verdict is never more than a minute late.

use crate::stats::median::median;
use crate::time::Micros;

const MINUTE_US: i64 = 60 * Micros::PER_SECOND;

/// One minute of a kiln.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Minute {
    /// Its last reading's time.
    pub at: Micros,
    /// Median of its readings, °C.
    pub kiln_c: f64,
}

/// Readings in order of time in, minutes out.
#[derive(Clone, Debug, Default)]
pub struct Minutes {
    /// Which minute is being filled, and its last reading's time.
    open: Option<(i64, Micros)>,
    values: Vec<f64>,
    /// The last readings of the minute before, so that one wild reading of a slow sensor is
    /// outvoted.
    before: Vec<f64>,
}

impl Minutes {
    /// Takes a reading; gives the minute before it once that is over.
    pub fn push(&mut self, at: Micros, kiln_c: f64) -> Option<Minute> {
        let this = at.0.div_euclid(MINUTE_US);
        let finished = match self.open {
            Some((open, _)) if open == this => None,
            _ => self.finish(),
        };
        self.open = Some((this, at));
        self.values.push(kiln_c);
        finished
    }

    /// The minute that is being filled, at the end of a feed.
    pub fn finish(&mut self) -> Option<Minute> {
        let (_, at) = self.open.take()?;
        let mut voters = self.values.clone();
        // Two readings and the one before outvote a wild one; a lone reading of a slow sensor
        // must stand for itself, or a dip would be seen a minute late.
        if voters.len() == 2 {
            voters.extend(self.before.last());
        }
        self.before.clone_from(&self.values);
        self.values.clear();
        Some(Minute {
            at,
            kiln_c: median(&mut voters)?,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_wild_reading_does_not_move_a_minute() {
        let mut minutes = Minutes::default();
        let mut out = Vec::new();
        for i in 0..20 {
            let wild = if i == 7 { 1200.0 } else { 730.0 };
            out.extend(minutes.push(Micros(i * 30 * Micros::PER_SECOND), wild));
        }
        assert_eq!(out.len(), 9);
        assert!(out.iter().all(|m| m.kiln_c == 730.0), "{out:?}");
    }
}
