//! Which way the reading goes when metal leaves: down from a probe in the rod, up from one in the
//! crucible's wall, which metal no longer cools. A probe stays where it is, so what one pour told
//! holds for the next of the session; a probe that was moved makes it less sure.

/// What is thought of a probe nobody has told of, as a logarithm of odds for up: most sit in the
/// stopper's rod (common practice; taken as eleven in twelve).
const BEFOREHAND: f64 = -2.4;
/// One pour, however plain, tells no more than this …
const ONE_POUR: f64 = 6.0;
/// … and all of them no more than this.
const MOST: f64 = 8.0;
/// Beyond this it is known.
const KNOWN: f64 = 4.0;
/// A pour less sure than this tells nothing.
const SURE: f64 = 0.9;

/// What is known of the way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Way {
    up_ln: f64,
}

impl Way {
    /// Of a probe that has not told.
    pub fn unknown() -> Way {
        Way { up_ln: BEFOREHAND }
    }

    /// Logarithm of the odds that the reading goes up.
    pub fn up_ln(self) -> f64 {
        self.up_ln
    }

    /// Whether a rise is worth looking for.
    pub fn may_rise(self) -> bool {
        self.up_ln > -MOST
    }

    /// Whether the reading rises, if that is known.
    pub fn rises(self) -> Option<bool> {
        (self.up_ln.abs() > KNOWN).then_some(self.up_ln > 0.0)
    }

    /// A pour of this confidence, at which the readings made "up" so many times as likely as
    /// "down", as a logarithm.
    pub fn poured(&mut self, confidence: f64, up_ln: f64) {
        if confidence >= SURE {
            let told = up_ln.clamp(-ONE_POUR, ONE_POUR);
            self.up_ln = (self.up_ln + told).clamp(-MOST, MOST);
        }
    }

    /// The probe was taken out or swapped: likely to where it was, but not surely.
    pub fn probe_moved(&mut self) {
        self.up_ln = f64::midpoint(self.up_ln, BEFOREHAND);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_plain_rise_says_where_the_probe_sits_until_it_is_moved() {
        let mut way = Way::unknown();
        assert_eq!(way.rises(), None);
        way.poured(0.6, 12.0);
        assert_eq!(way.rises(), None);
        way.poured(0.99, 12.0);
        way.poured(0.99, 12.0);
        assert_eq!(way.rises(), Some(true));
        way.probe_moved();
        assert_eq!(way.rises(), None);
        assert!(way.may_rise());
    }

    #[test]
    fn two_plain_falls_end_the_search_for_rises() {
        let mut way = Way::unknown();
        way.poured(1.0, -12.0);
        assert!(way.rises() == Some(false));
        way.poured(1.0, -12.0);
        assert!(!way.may_rise());
    }
}
