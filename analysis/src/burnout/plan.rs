//! A programme as a line over time: what the kiln's controller was told, for a chart to lay the
//! trace against. It is the plan from the burnout's beginning on, so a stall shows as the trace
//! falling behind it; [`super::step`] judges what is wrong and waits where the kiln does.

use super::programme::Programme;
use crate::time::Micros;

/// A kiln at full heat has reached a step within this of it, K.
const REACHED_K: f64 = 10.0;

/// The corners of a programme that began at `began_at` from `from_c`, °C, up to `until`. A ramp
/// at full heat has no length of its own: it ends when `kiln`, readings in order of time, got
/// there. The line ends where nothing says how it goes on.
pub fn plan(
    programme: &Programme,
    began_at: Micros,
    from_c: f64,
    kiln: &[(Micros, f64)],
    until: Micros,
) -> Vec<(Micros, f64)> {
    let mut line = vec![(began_at, from_c)];
    let (mut at, mut c) = (began_at, from_c);
    for step in programme.steps() {
        let Some(to_c) = step.to_c else { break };
        let reached = match step.ramp_k_h {
            Some(k_h) => Some(at.plus_seconds((to_c - c).abs() / k_h * 3600.0)),
            None => kiln
                .iter()
                .find(|(time, read)| *time >= at && (read - to_c).abs() <= REACHED_K)
                .map(|(time, _)| *time),
        };
        let Some(reached) = reached else { break };
        line.push((reached, to_c));
        at = match step.hold_min {
            Some(min) => reached.plus_seconds(60.0 * min),
            None => until.max(reached),
        };
        c = to_c;
        line.push((at, to_c));
    }
    cut(line, until)
}

/// A line up to a moment.
fn cut(line: Vec<(Micros, f64)>, until: Micros) -> Vec<(Micros, f64)> {
    let mut kept: Vec<(Micros, f64)> = Vec::with_capacity(line.len());
    for (at, c) in line {
        if at <= until {
            kept.push((at, c));
            continue;
        }
        if let Some((before, from_c)) = kept.last().copied() {
            let share = until.seconds_since(before) / at.seconds_since(before);
            kept.push((until, from_c + (c - from_c) * share));
        }
        break;
    }
    kept
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::burnout::Step;

    fn at(min: f64) -> Micros {
        Micros(1_795_000_000_000_000).plus_seconds(60.0 * min)
    }

    fn step(to_c: f64, ramp_k_h: Option<f64>, hold_min: Option<f64>) -> Step {
        Step {
            to_c: Some(to_c),
            ramp_k_h,
            hold_min,
        }
    }

    /// 150 °C at 130 K/h from 20 °C takes an hour; then full heat, and down until the flasks
    /// are out.
    #[test]
    fn a_staircase_is_drawn_as_long_as_it_is_known() {
        let steps = vec![
            step(150.0, Some(130.0), Some(90.0)),
            step(730.0, None, Some(180.0)),
            step(550.0, Some(90.0), None),
        ];
        let programme = Programme::new("usual", steps).unwrap();
        let kiln = [(at(100.0), 150.0), (at(240.0), 724.0)];
        let minutes = |until: f64, kiln: &[(Micros, f64)]| -> Vec<(f64, f64)> {
            plan(&programme, at(0.0), 20.0, kiln, at(until))
                .into_iter()
                .map(|(t, c)| (t.seconds_since(at(0.0)) / 60.0, c))
                .collect()
        };
        let up = [(0.0, 20.0), (60.0, 150.0), (150.0, 150.0)];
        let whole = minutes(600.0, &kiln);
        assert_eq!(whole[..3], up);
        assert_eq!(
            whole[3..],
            [
                (240.0, 730.0),
                (420.0, 730.0),
                (540.0, 550.0),
                (600.0, 550.0)
            ]
        );
        // Half way down.
        assert_eq!(minutes(480.0, &kiln).last(), Some(&(480.0, 640.0)));
        // A kiln that never got there: nobody knows when the rest would have been.
        assert_eq!(minutes(600.0, &kiln[..1]), up);
    }
}
