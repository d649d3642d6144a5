//! How much alike the pieces of one flask are once sessions are held equal: the design effect that
//! counts where settings are compared within sessions, as a trial does. The wider design effect
//! of [`super::rate`], which holds sessions in, would ask for more flasks than such a trial needs.

use std::collections::BTreeMap;

use super::rate::{Tally, Totals};

/// With fewer flasks than this, counted beyond the first of each session, the spread within
/// sessions cannot be estimated.
pub const FEWEST: usize = 6;

/// The design effect of pieces within flasks of one session, at least 1: with yᵢ of nᵢ pieces in
/// flask i of session s, p̂ₛ its share and kₛ its flasks,
///
/// deff = Σₛ kₛ/(kₛ−1)·Σᵢ(yᵢ − p̂ₛnᵢ)² ÷ Σᵢ nᵢ·p̂(1−p̂),
///
/// over sessions of two flasks and more, p̂ being the share of all of them: the variance of a
/// flask's count as residuals of its session show it, over that of independent pieces (the
/// one-way analysis of variance of clustered counts; Donner & Klar 2000, Design and Analysis of
/// Cluster Randomization Trials, chapter 2; from memory). `None` with fewer than six flasks beyond
/// the first of each session, or without both good and bad pieces.
pub fn flask_design_effect(tallies: &[Tally]) -> Option<f64> {
    let mut sessions: BTreeMap<&str, Vec<(f64, f64)>> = BTreeMap::new();
    for t in tallies.iter().filter(|t| t.pieces > 0) {
        let events = f64::from(t.events.min(t.pieces));
        let session = sessions.entry(t.session).or_default();
        session.push((events, f64::from(t.pieces)));
    }
    let sum = |flasks: &[(f64, f64)]| {
        flasks
            .iter()
            .fold((0.0, 0.0), |s, f| (s.0 + f.0, s.1 + f.1))
    };
    let (mut beyond_first, mut spread) = (0, 0.0);
    let mut all = (0.0, 0.0);
    for flasks in sessions.values().filter(|flasks| flasks.len() >= 2) {
        let (events, pieces) = sum(flasks);
        let share = events / pieces;
        let squares: f64 = flasks.iter().map(|(y, n)| (y - share * n).powi(2)).sum();
        let k = flasks.len() as f64;
        spread += k / (k - 1.0) * squares;
        beyond_first += flasks.len() - 1;
        all = (all.0 + events, all.1 + pieces);
    }
    let share = all.0 / all.1;
    let independent = all.1 * share * (1.0 - share);
    (beyond_first >= FEWEST && independent > 0.0).then(|| (spread / independent).max(1.0))
}

/// The same, or what is assumed of flasks where these cannot tell.
pub fn flask_design_effect_or_assumed(tallies: &[Tally]) -> f64 {
    flask_design_effect(tallies).unwrap_or_else(|| Totals::of(tallies).assumed_design_effect(None))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_pcg::Pcg64;

    fn effect(rows: &[(String, u32, u32)]) -> Option<f64> {
        let tallies: Vec<Tally> = rows
            .iter()
            .map(|(session, events, pieces)| Tally {
                session,
                events: *events,
                pieces: *pieces,
            })
            .collect();
        flask_design_effect(&tallies)
    }

    /// Six sessions of two flasks of ten, 0 and 4 bad in each: residuals ∓2, so 6·2·8 = 96 over
    /// 120·0.2·0.8 = 19.2, which is 5.
    #[test]
    fn six_sessions_by_hand() {
        let rows: Vec<(String, u32, u32)> = (0..12)
            .map(|i| (format!("s{}", i / 2), if i % 2 == 0 { 0 } else { 4 }, 10))
            .collect();
        assert!((effect(&rows).unwrap() - 5.0).abs() < 1e-12);
        // Sessions that differ, flasks that do not: nothing is left within sessions.
        let apart: Vec<(String, u32, u32)> = (0..12)
            .map(|i| (format!("s{}", i / 2), i / 2, 10))
            .collect();
        assert_eq!(effect(&apart), Some(1.0));
        assert_eq!(effect(&rows[..4]), None, "two sessions cannot tell");
        assert_eq!(effect(&[]), None);
    }

    /// Flasks whose pieces share a chance of their own, Beta(3, 27): likeness ρ = 1/31, so that
    /// twenty pieces have a design effect of 1 + 19/31 = 1.613; sessions differ besides.
    #[test]
    fn the_likeness_that_was_drawn_is_found_whatever_sessions_do() {
        let mut chance = Pcg64::seed_from_u64(3);
        let mut rows = Vec::new();
        for session in 0..3000 {
            for _ in 0..4 {
                // The third least of 29 even draws is Beta(3, 27).
                let mut draws: Vec<f64> = (0..29).map(|_| chance.random()).collect();
                draws.sort_by(f64::total_cmp);
                let events = (0..20)
                    .filter(|_| chance.random::<f64>() < draws[2])
                    .count();
                rows.push((format!("s{session}"), events as u32, 20));
            }
        }
        let found = effect(&rows).unwrap();
        assert!((found - (1.0 + 19.0 / 31.0)).abs() < 0.06, "{found}");
    }
}
