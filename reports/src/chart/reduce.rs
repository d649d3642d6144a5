//! Long traces thinned to what a screen can show: of all readings that fall on one pixel column
//! the lowest and the highest stay, so that a spike of one reading is never lost, and a line is
//! broken where nothing was heard.

/// A silence this many times the usual step between readings, and at least [`LEAST_GAP_S`],
/// breaks the line.
const GAP_STEPS: f64 = 8.0;

/// Shortest silence that breaks a line, s.
pub const LEAST_GAP_S: f64 = 15.0;

/// Cuts readings (seconds, value; in order of time) into runs without silences. Readings that
/// are no numbers are left out.
pub fn runs(points: &[(f64, f64)]) -> Vec<Vec<(f64, f64)>> {
    let good: Vec<(f64, f64)> = points
        .iter()
        .copied()
        .filter(|(x, y)| x.is_finite() && y.is_finite())
        .collect();
    let mut steps: Vec<f64> = good.windows(2).map(|w| w[1].0 - w[0].0).collect();
    steps.sort_by(f64::total_cmp);
    let usual = steps.get(steps.len() / 2).copied().unwrap_or(0.0);
    let gap = (usual * GAP_STEPS).max(LEAST_GAP_S);
    let mut out: Vec<Vec<(f64, f64)>> = Vec::new();
    for p in good {
        match out.last_mut() {
            Some(run) if run.last().is_some_and(|last| p.0 - last.0 <= gap) => run.push(p),
            _ => out.push(vec![p]),
        }
    }
    out
}

/// Of the points in each of `columns` equal columns between `from` and `until`, the first, the
/// lowest, the highest and the last, in order; points outside are left out.
pub fn by_column(points: &[(f64, f64)], from: f64, until: f64, columns: usize) -> Vec<(f64, f64)> {
    each_column(points, from, until, columns, |group| {
        let at = |pick: fn(&f64, &f64) -> std::cmp::Ordering| {
            (0..group.len()).max_by(|a, b| pick(&group[*a].1, &group[*b].1))
        };
        let mut keep = vec![0, group.len() - 1];
        keep.extend(at(|a, b| a.total_cmp(b)));
        keep.extend(at(|a, b| b.total_cmp(a)));
        keep.sort_unstable();
        keep.dedup();
        keep.into_iter().map(|i| group[i]).collect()
    })
}

/// The mean of the points in each of `columns` equal columns between `from` and `until`; points
/// outside are left out. For many small drawings, where a spike of one reading is not the matter.
pub fn means(points: &[(f64, f64)], from: f64, until: f64, columns: usize) -> Vec<(f64, f64)> {
    each_column(points, from, until, columns, |group| {
        let n = group.len() as f64;
        let sum = group.iter().fold((0.0, 0.0), |s, p| (s.0 + p.0, s.1 + p.1));
        vec![(sum.0 / n, sum.1 / n)]
    })
}

/// What `thin` makes of the points of each column, one after the other.
fn each_column(
    points: &[(f64, f64)],
    from: f64,
    until: f64,
    columns: usize,
    thin: impl Fn(&[(f64, f64)]) -> Vec<(f64, f64)>,
) -> Vec<(f64, f64)> {
    let columns = columns.max(1);
    let width = (until - from) / columns as f64;
    if width.is_nan() || width <= 0.0 {
        return Vec::new();
    }
    let inside: Vec<(f64, f64)> = points
        .iter()
        .copied()
        .filter(|p| p.0 >= from && p.0 <= until)
        .collect();
    let column = |p: &(f64, f64)| (((p.0 - from) / width) as usize).min(columns - 1);
    inside
        .chunk_by(|a, b| column(a) == column(b))
        .flat_map(thin)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spike_of_one_reading_survives() {
        let mut points: Vec<(f64, f64)> = (0..50_000).map(|i| (f64::from(i) * 0.2, 20.0)).collect();
        points[23_456].1 = 99.0;
        let thin = by_column(&points, 0.0, 10_000.0, 1000);
        assert!(thin.len() <= 4000);
        assert_eq!(thin.iter().filter(|p| p.1 == 99.0).count(), 1);
        assert!(thin.windows(2).all(|w| w[0].0 <= w[1].0));
    }

    #[test]
    fn means_follow_the_course_of_a_line() {
        let points: Vec<(f64, f64)> = (0..1000).map(|i| (f64::from(i), f64::from(i))).collect();
        let thin = means(&points, 0.0, 1000.0, 10);
        assert_eq!(thin.len(), 10);
        assert_eq!(thin[3], (349.5, 349.5));
        assert!(means(&points, 5.0, 5.0, 10).is_empty());
    }

    #[test]
    fn a_silence_breaks_the_line_and_a_slow_sensor_does_not() {
        let mut points: Vec<(f64, f64)> = (0..100).map(|i| (f64::from(i), 1.0)).collect();
        points.extend((0..100).map(|i| (400.0 + f64::from(i), 1.0)));
        assert_eq!(runs(&points).len(), 2);
        let slow: Vec<(f64, f64)> = (0..50).map(|i| (f64::from(i) * 30.0, 1.0)).collect();
        assert_eq!(runs(&slow).len(), 1);
        assert!(runs(&[(0.0, f64::NAN)]).is_empty());
        assert!(by_column(&slow, 5.0, 5.0, 10).is_empty());
    }
}
