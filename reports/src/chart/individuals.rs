//! How near pours come to their target: the pour temperature less the target, pour by pour, with
//! the limits within which chance alone keeps them and every signal named at its point.

use analysis::units::ShownIn;
use analysis::watch::Watched;
use jiff::tz::TimeZone;

use super::watched::{self, Manner};
use super::{ChartError, Figure, style};

/// The chart of a series watched by [`analysis::watch::aim`] (K); none where that has no chart.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(
    id: &str,
    watched: &Watched,
    shown: &ShownIn,
    zone: &TimeZone,
) -> Result<Option<Figure>, ChartError> {
    let unit = shown.difference(0.0).unit;
    let signed = |text: String, value: f64| {
        if value > 0.0 && text.contains(|c: char| ('1'..='9').contains(&c)) {
            format!("+{text}")
        } else {
            text
        }
    };
    let manner = Manner {
        id,
        title: "Pour temperature less its target".to_owned(),
        axis: format!("hotter than meant above, cooler below, {unit}"),
        one: "pour",
        value: &|kelvin| shown.difference(kelvin).value,
        words: &|kelvin| signed(shown.difference(kelvin).to_string(), kelvin),
        tick: &|value, step| signed(style::number(value, step), value),
        from_zero: false,
        zone,
    };
    watched::draw(watched, &manner)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use analysis::stats::charts::individuals::individuals;
    use analysis::time::Micros;
    use analysis::units::Scheme;
    use analysis::watch::Subject;

    fn watched(values: &[f64]) -> Watched {
        Watched {
            subject: Subject::Aim,
            of: Some("bench-1".to_owned()),
            points: (0..values.len())
                .map(|n| {
                    let at = Micros(1_790_000_000_000_000).plus_seconds(7200.0 * n as f64);
                    (at, format!("pour {n}"))
                })
                .collect(),
            chart: individuals(values, values.len()),
        }
    }

    fn values(count: usize) -> Vec<f64> {
        (0..count)
            .map(|i| [1.0, -2.0, 3.0, 0.5, -2.5][i % 5])
            .collect()
    }

    #[test]
    fn a_pour_far_from_its_target_is_named_at_its_point_and_in_the_note() {
        let mut errors = values(40);
        errors[33] = -25.0;
        let shown = ShownIn::from(Scheme::Us);
        let figure = draw("aim", &watched(&errors), &shown, &TimeZone::UTC)
            .unwrap()
            .unwrap();
        assert!(figure.svg.as_str().contains(">below the limit</text>"));
        assert!(figure.note.contains("below the lower limit"));
        // 25 K are 45 °F.
        assert!(figure.table.rows[33].iter().any(|c| c.text == "−45 °F"));
    }

    #[test]
    fn of_years_of_pours_the_newest_are_shown() {
        let figure = draw(
            "aim",
            &watched(&values(6500)),
            &ShownIn::default(),
            &TimeZone::UTC,
        )
        .unwrap()
        .unwrap();
        let both = figure.svg.as_str().len() + figure.narrow.unwrap().as_str().len();
        assert!(both < 25_000, "{both}");
        assert_eq!(figure.table.rows.len(), 120);
        assert!(figure.note.contains("newest 120 of 6500 pours"));
    }

    #[test]
    fn too_few_pours_have_no_chart() {
        let figure = draw("aim", &watched(&[1.0]), &ShownIn::default(), &TimeZone::UTC).unwrap();
        assert!(figure.is_none());
    }
}
