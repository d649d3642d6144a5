//! Drawn sessions are what they claim to be: the same for the same seed, physical, and with
//! each trouble in them about as often as asked.
#![allow(clippy::unwrap_used)]

use std::collections::BTreeMap;

use analysis::channel::Channel;
use analysis::sample::Sample;

use sample_data::chamber::Seating;
use sample_data::drawn::{Arrival, DrawnSession, Mix, Settings, Trouble, Worth, draw, seal_shop};

fn melt(session: &DrawnSession) -> Vec<Sample> {
    session
        .trace()
        .into_iter()
        .filter(|s| s.channel == Channel::MeltTemperature)
        .collect()
}

fn calm(seed: u64) -> DrawnSession {
    draw(seed, &Settings::of(Mix::calm()))
}

fn with(trouble: Trouble, seed: u64) -> DrawnSession {
    draw(seed, &Settings::of(Mix::calm().with(trouble, 1.0)))
}

#[test]
fn a_seed_draws_its_own_session_and_always_the_same() {
    let settings = Settings::of(Mix::everything().at_rate(1.0));
    assert_eq!(draw(3, &settings), draw(3, &settings));
    assert_ne!(draw(3, &settings).arrivals, draw(4, &settings).arrivals);
}

#[test]
fn a_calm_bench_pours_each_flask_into_its_pull_near_its_aim() {
    for seed in 0..12 {
        let session = calm(seed);
        let truth = &session.truth;
        assert!(truth.troubles.is_empty());
        assert_eq!(truth.pours.len(), truth.flasks.len());
        assert_eq!(truth.pulls.len(), truth.pours.len());
        for (pour, pull) in truth.pours.iter().zip(&truth.pulls) {
            assert_eq!(pull.poured_at, Some(pour.at));
            assert!(pull.opened_at < pour.at && pour.at < pull.closed_at);
            let lead = pour.at.seconds_since(pull.opened_at);
            assert!((4.9..61.0).contains(&lead), "seed {seed}: {lead} s");
            // Liquidus plus 45 to 110 K, a caster's scatter and a probe's offset.
            assert!((915.0..1135.0).contains(&pour.metal_c), "{}", pour.metal_c);
            assert!((pour.probe_c - pour.lag_free_c).abs() < 2.5);
        }
        for pair in truth.pours.windows(2) {
            // Half a kilogram of bronze takes more than twice as long as a little silver.
            let minutes = pair[1].at.seconds_since(pair[0].at) / 60.0;
            assert!((5.0..28.0).contains(&minutes), "seed {seed}: {minutes}");
        }
    }
}

/// 5–40 K in 10–30 s (common practice); fading may cut the largest and smallest a little.
#[test]
fn the_reading_falls_at_a_pour_as_it_does_in_the_trade() {
    let mut falls = Vec::new();
    for seed in 0..12 {
        let session = draw(seed, &Settings::of(Mix::calm().at_rate(5.0)));
        let melt = melt(&session);
        for pour in &session.truth.pours {
            let lowest = melt
                .iter()
                .filter(|s| (0.0..30.0).contains(&s.time.seconds_since(pour.at)))
                .map(|s| s.value)
                .fold(f64::INFINITY, f64::min);
            falls.push(pour.probe_c - lowest);
        }
    }
    assert!(falls.iter().all(|f| (3.0..50.0).contains(f)), "{falls:?}");
    let usual = falls.iter().filter(|f| (5.0..40.0).contains(*f)).count();
    assert!(usual * 10 > falls.len() * 9, "{falls:?}");
}

#[test]
fn a_wall_probe_rises_at_the_pour() {
    let session = with(Trouble::WallProbe, 5);
    let melt = melt(&session);
    for pour in &session.truth.pours {
        let after = melt
            .iter()
            .filter(|s| (10.0..25.0).contains(&s.time.seconds_since(pour.at)))
            .map(|s| s.value);
        let highest = after.fold(f64::NEG_INFINITY, f64::max);
        assert!(highest > pour.probe_c + 1.0, "{}", highest - pour.probe_c);
    }
}

#[test]
fn each_trouble_comes_about_as_often_as_asked() {
    let settings = Settings::of(Mix::everything().at_rate(0.5));
    let sessions: Vec<DrawnSession> = (0..60).map(|seed| draw(seed, &settings)).collect();
    let mut counts: BTreeMap<Trouble, u32> = BTreeMap::new();
    let mut pours = 0;
    for pour in sessions.iter().flat_map(|s| &s.truth.pours) {
        pours += 1;
        for trouble in &pour.troubles {
            *counts.entry(*trouble).or_default() += 1;
        }
    }
    assert!((150..320).contains(&pours), "{pours}");
    for trouble in Trouble::ALL {
        let share = f64::from(counts.get(&trouble).copied().unwrap_or(0)) / f64::from(pours);
        assert!(share > 0.005, "{trouble:?} in {share:.3} of pours");
        assert!(share < 0.97, "{trouble:?} in {share:.3} of pours");
    }
    let worths = sessions
        .iter()
        .flat_map(|s| &s.truth.pulls)
        .map(|p| p.worth);
    for worth in [Worth::Good, Worth::Weak, Worth::Missing] {
        assert!(
            worths.clone().filter(|w| *w == worth).count() > 5,
            "{worth:?}"
        );
    }
}

#[test]
fn late_readings_come_out_of_order_and_at_most_ten_seconds_late() {
    for seed in 0..4 {
        let session = with(Trouble::Late, seed);
        let late = |a: &Arrival| a.at.seconds_since(a.sample.time);
        assert!(session.arrivals.iter().all(|a| late(a) < 10.0));
        let swapped = session
            .arrivals
            .windows(2)
            .filter(|w| w[0].sample.time > w[1].sample.time)
            .count();
        assert!(swapped > 20, "seed {seed}: {swapped}");
        assert!(session.arrivals.is_sorted_by_key(|a| a.at));
    }
    let calm = calm(0);
    let late = |a: &Arrival| a.at.seconds_since(a.sample.time);
    assert!(calm.arrivals.iter().all(|a| late(a) < 0.1));
}

#[test]
fn whole_fahrenheit_is_whole() {
    for sample in melt(&with(Trouble::WholeFahrenheit, 2)) {
        let f = sample.value * 1.8 + 32.0;
        assert!((f - f.round()).abs() < 1e-6, "{f}");
    }
}

#[test]
fn silences_last_up_to_a_minute_and_say_what_they_hide() {
    let mut hidden = 0;
    for seed in 0..20 {
        let session = with(Trouble::Dropouts, seed);
        let longest = melt(&session)
            .windows(2)
            .map(|w| w[1].time.seconds_since(w[0].time))
            .fold(0.0, f64::max);
        // Two silences may meet.
        assert!((1.5..200.0).contains(&longest), "seed {seed}: {longest}");
        for pour in &session.truth.pours {
            let silent = pour.troubles.contains(&Trouble::SilentAtTheLift);
            hidden += u32::from(silent);
            assert!(silent || pour.gap_s <= 2.5, "seed {seed}: {}", pour.gap_s);
        }
    }
    assert!(hidden > 0);
}

#[test]
fn a_called_off_pull_is_repeated() {
    let session = with(Trouble::CalledOff, 3);
    let truth = &session.truth;
    assert!(truth.pulls.len() > truth.pours.len());
    for pull in truth.pulls.iter().filter(|p| p.poured_at.is_none()) {
        assert_ne!(pull.seating, Seating::Good);
        let on = pull.closed_at.seconds_since(pull.opened_at);
        assert!((5.0..41.0).contains(&on), "{on} s");
    }
}

#[test]
fn a_probe_taken_out_falls_by_hundreds_of_kelvin() {
    let session = with(Trouble::ProbeOut, 4);
    let deepest = melt(&session)
        .windows(2)
        .map(|w| w[0].value - w[1].value)
        .fold(0.0, f64::max);
    assert!(deepest > 100.0, "{deepest} K in one reading");
}

#[test]
fn a_gasket_fades_over_its_life_and_a_new_one_is_good_again() {
    let shop = seal_shop(1, 2, 50, true);
    assert_eq!(shop.gasket_changes.len(), 2);
    let mut young = Vec::new();
    let mut old = Vec::new();
    for pull in shop.sessions.iter().flat_map(|s| &s.truth.pulls) {
        if pull.seating == Seating::Good {
            let share = pull.end_kpa / pull.usual_kpa;
            match pull.seal_age_pours {
                0..10 => young.push(share),
                45.. => old.push(share),
                _ => {}
            }
        }
    }
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    assert!(young.len() > 10 && mean(&young) > 0.98, "{young:?}");
    assert!(!old.is_empty() && mean(&old) < 0.86, "{old:?}");
    let usual = shop.sessions[0].truth.pulls[0].usual_kpa;
    assert!(usual > 60.0);
}
