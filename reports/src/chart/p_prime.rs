//! Defective pieces session by session on a p′ chart: the share of each, limits that widen where
//! few pieces were counted, and every signal named at its point.

use analysis::watch::Watched;
use jiff::tz::TimeZone;

use super::watched::{self, Manner};
use super::{ChartError, Figure, style};
use crate::wording;

/// The chart of a series watched by [`analysis::watch::defects`] (shares); none where that has no
/// chart.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(id: &str, watched: &Watched, zone: &TimeZone) -> Result<Option<Figure>, ChartError> {
    let manner = Manner {
        id,
        title: "Defective pieces by session".to_owned(),
        axis: "defective pieces of each session, %".to_owned(),
        one: "session",
        value: &|share| share,
        words: &|share| wording::percent(share),
        tick: &|value, step| style::number(value * 100.0, step * 100.0),
        from_zero: true,
        zone,
    };
    let mut figure = watched::draw(watched, &manner)?;
    if let Some(figure) = &mut figure {
        figure.note += " Limits are wider where fewer pieces were counted.";
    }
    Ok(figure)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use analysis::stats::charts::p_prime::p_prime;
    use analysis::time::Micros;
    use analysis::watch::Subject;

    #[test]
    fn a_bad_session_is_named_and_a_limit_of_nothing_is_not_drawn() {
        // A piece or two of some twenty: chance alone reaches nothing, so no lower limit does.
        let mut counts: Vec<(u32, u32)> = (0..30).map(|i| (i % 3, 20 + 2 * (i % 4))).collect();
        counts[20] = (12, 22);
        let watched = Watched {
            subject: Subject::Defects,
            of: None,
            points: (0..30)
                .map(|n| {
                    let at = Micros(1_790_000_000_000_000).plus_seconds(172_800.0 * f64::from(n));
                    (at, format!("session {n}"))
                })
                .collect(),
            chart: p_prime(&counts, 20).map(|p| p.chart),
        };
        let figure = draw("defects", &watched, &TimeZone::UTC).unwrap().unwrap();
        let svg = figure.svg.as_str();
        assert!(svg.contains(">above the limit</text>"), "{svg}");
        assert_eq!(
            svg.matches(">limit ").count(),
            1,
            "only the upper one: {svg}"
        );
        assert!(figure.note.contains("above the upper limit"));
    }
}
