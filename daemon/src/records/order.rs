//! Which pours, in order of time, went into which cards, in order of casting. Where the cards
//! say when their flasks left the kiln, a pour that was missed, or metal that was poured into
//! something else, does not push every later pour onto the wrong card.

use analysis::time::Micros;

/// A flask may seem to leave the kiln this long after its pour, min: people write the minute,
/// and clocks differ.
const EARLY_MIN: f64 = 1.5;
/// Longer out of the kiln than this, no flask is poured, min (a thin mould has lost 100 K in
/// five minutes; common practice).
const LATE_MIN: f64 = 20.0;
/// What it costs to leave a pour or a card alone, in minutes of waiting: more than an ordinary
/// wait for the second of two flasks taken out together, less than two of them.
const ALONE_MIN: f64 = 15.0;

/// Pairs pours with cards, both in their order, so that the minutes between kiln and pour and
/// the ones left alone cost least together. Cards without a kiln time fit any pour; with none at
/// all the first pour gets the first card, and so on. Returns indices, in order.
pub fn pair_in_order(pours: &[Micros], out_of_kiln: &[Option<Micros>]) -> Vec<(usize, usize)> {
    let (p, c) = (pours.len(), out_of_kiln.len());
    // best[i][j]: the least cost of what is left from pour i and card j on.
    let mut best = vec![vec![0.0; c + 1]; p + 1];
    for i in (0..=p).rev() {
        for j in (0..=c).rev() {
            best[i][j] = match (i < p, j < c) {
                (false, false) => 0.0,
                (true, false) => best[i + 1][j] + ALONE_MIN,
                (false, true) => best[i][j + 1] + ALONE_MIN,
                (true, true) => {
                    let alone = best[i + 1][j].min(best[i][j + 1]) + ALONE_MIN;
                    match cost(pours[i], out_of_kiln[j]) {
                        Some(cost) => alone.min(best[i + 1][j + 1] + cost),
                        None => alone,
                    }
                }
            };
        }
    }
    let (mut i, mut j) = (0, 0);
    let mut pairs = Vec::new();
    while i < p && j < c {
        let together = cost(pours[i], out_of_kiln[j]).map(|cost| best[i + 1][j + 1] + cost);
        // Among equals the earlier stay together.
        if together.is_some_and(|t| t <= best[i][j] + 1e-9) {
            pairs.push((i, j));
            i += 1;
            j += 1;
        } else if best[i][j + 1] <= best[i + 1][j] {
            j += 1;
        } else {
            i += 1;
        }
    }
    pairs
}

/// Minutes between kiln and pour; `None` if they cannot belong together.
fn cost(pour: Micros, out: Option<Micros>) -> Option<f64> {
    let Some(out) = out else { return Some(0.0) };
    let minutes = pour.seconds_since(out) / 60.0;
    (-EARLY_MIN..=LATE_MIN)
        .contains(&minutes)
        .then_some(minutes.max(0.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn minutes(of: &[f64]) -> Vec<Micros> {
        of.iter().map(|m| Micros((m * 60e6) as i64)).collect()
    }

    fn check(pours: &[f64], out: &[Option<f64>], expected: &[(usize, usize)]) {
        let out: Vec<Option<Micros>> = out
            .iter()
            .map(|m| m.map(|m| Micros((m * 60e6) as i64)))
            .collect();
        assert_eq!(pair_in_order(&minutes(pours), &out), expected);
    }

    #[test]
    fn without_kiln_times_the_first_pour_gets_the_first_card() {
        check(&[0.0, 10.0], &[None, None, None], &[(0, 0), (1, 1)]);
        check(&[0.0, 10.0, 20.0], &[None, None], &[(0, 0), (1, 1)]);
        check(&[], &[None], &[]);
    }

    #[test]
    fn a_missed_pour_leaves_its_own_card_alone_and_no_other() {
        let out = [Some(0.0), Some(10.0), Some(20.0), Some(30.0)];
        check(&[11.0, 21.0, 31.0], &out, &[(0, 1), (1, 2), (2, 3)]);
        check(&[1.0, 21.0, 31.0], &out, &[(0, 0), (1, 2), (2, 3)]);
    }

    #[test]
    fn metal_poured_into_something_else_takes_no_card() {
        check(
            &[1.0, 6.0, 11.0],
            &[Some(0.0), Some(10.0)],
            &[(0, 0), (2, 1)],
        );
    }

    #[test]
    fn two_flasks_taken_out_together_are_poured_in_order() {
        check(&[1.0, 10.0], &[Some(0.0), Some(0.0)], &[(0, 0), (1, 1)]);
    }

    #[test]
    fn a_kiln_time_written_a_minute_late_still_fits() {
        check(&[0.2], &[Some(1.0)], &[(0, 0)]);
        check(&[0.2], &[Some(200.0)], &[]);
    }
}
