//! Instants as microseconds since the UNIX epoch, UTC.
//!
//! A plain integer, so that a trace of millions of samples sorts and compares cheaply and a
//! time written to Parquet and read back is the same time. Calendars and time zones stay with
//! the callers that show times to people.

use std::fmt;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// An instant: microseconds since 1970-01-01T00:00:00Z.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Micros(pub i64);

/// Why a text is not an instant.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{text}\" is not a time; write it like 2026-11-18T09:12:00Z")]
pub struct NotATime {
    /// What was read.
    pub text: String,
}

impl Micros {
    /// Microseconds in a second.
    pub const PER_SECOND: i64 = 1_000_000;

    /// Seconds from `earlier` to this instant; negative if `earlier` is later.
    pub fn seconds_since(self, earlier: Micros) -> f64 {
        self.0.saturating_sub(earlier.0) as f64 / 1e6
    }

    /// This instant moved by `seconds`, which may be negative. Saturates at the ends of time.
    pub fn plus_seconds(self, seconds: f64) -> Micros {
        Micros(self.0.saturating_add((seconds * 1e6).round() as i64))
    }

    /// RFC 3339 in UTC with milliseconds, as every JSON output of pourbook writes times:
    /// `2026-11-18T09:12:00.000Z`.
    ///
    /// ```
    /// # use analysis::time::Micros;
    /// assert_eq!(Micros(0).rfc3339_ms(), "1970-01-01T00:00:00.000Z");
    /// ```
    pub fn rfc3339_ms(self) -> String {
        match jiff::Timestamp::from_microsecond(self.0) {
            Ok(t) => format!("{t:.3}"),
            // Beyond year 9999 there is no RFC 3339 text; the number still says what it was.
            Err(_) => format!("{}us", self.0),
        }
    }

    /// Reads RFC 3339 with any offset.
    ///
    /// # Errors
    /// [`NotATime`] for anything else.
    pub fn parse_rfc3339(text: &str) -> Result<Micros, NotATime> {
        text.parse::<jiff::Timestamp>()
            .map(|t| Micros(t.as_microsecond()))
            .map_err(|_| NotATime {
                text: text.to_owned(),
            })
    }
}

impl fmt::Debug for Micros {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.rfc3339_ms())
    }
}

impl Serialize for Micros {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_str(&self.rfc3339_ms())
    }
}

impl<'de> Deserialize<'de> for Micros {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let text = String::deserialize(d)?;
        // What lies beyond RFC 3339 was written as a number, and comes back too.
        let number = text.strip_suffix("us").and_then(|n| n.parse().ok());
        match number {
            Some(us) => Ok(Micros(us)),
            None => Micros::parse_rfc3339(&text).map_err(serde::de::Error::custom),
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_time_survives_the_trip_through_text() {
        for end in [Micros(i64::MIN), Micros(i64::MAX)] {
            let text = serde_json::to_string(&end).unwrap();
            assert_eq!(
                serde_json::from_str::<Micros>(&text).unwrap(),
                end,
                "{text}"
            );
        }
        let t = Micros(1_795_000_000_123_000);
        assert_eq!(Micros::parse_rfc3339(&t.rfc3339_ms()), Ok(t));
        assert!(Micros::parse_rfc3339("yesterday").is_err());
    }

    #[test]
    fn arithmetic_saturates_at_the_ends_of_time() {
        assert_eq!(Micros(i64::MAX).plus_seconds(1.0), Micros(i64::MAX));
        assert_eq!(Micros(2_500_000).seconds_since(Micros(500_000)), 2.0);
    }
}
