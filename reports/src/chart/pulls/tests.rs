//! What a caster may rely on in the chart of pulls.

use super::*;

fn pull(n: u32, depth_kpa: f64, verdict: Verdict) -> Pull {
    Pull {
        at: Micros(1_790_000_000_000_000).plus_seconds(7200.0 * f64::from(n)),
        depth_kpa: Some(depth_kpa),
        share: Some(depth_kpa / 100.0),
        tau_s: Some(4.0),
        age_pours: Some(n % 40),
        verdict,
        poured: true,
    }
}

fn machine(pulls: Vec<Pull>) -> Pulls {
    Pulls {
        id: "pulls".to_owned(),
        machine: "bench-1".to_owned(),
        pulls,
        ..Pulls::default()
    }
}

fn drawn(pulls: &Pulls) -> Figure {
    draw(pulls, &ShownIn::default(), &TimeZone::UTC)
        .unwrap()
        .unwrap()
}

#[test]
fn verdicts_are_told_by_shape_and_word() {
    let mut pulls: Vec<Pull> = (0..30)
        .map(|n| pull(n, 85.0 + f64::from(n % 3), Verdict::Good))
        .collect();
    pulls[10] = pull(10, 70.0, Verdict::Weak);
    pulls[20] = pull(20, 1.0, Verdict::Missing);
    let figure = drawn(&machine(pulls));
    let svg = figure.svg.as_str();
    assert!(svg.contains(">weak</text>") && svg.contains(">missing</text>"));
    assert!(svg.contains("<polygon class=\"c-signal\""));
    assert!(figure.note.contains("2 of 30 pulls weak or missing"));
}

#[test]
fn a_pull_that_moved_nothing_does_not_flatten_the_others() {
    let mut pulls: Vec<Pull> = (0..60)
        .map(|n| pull(n, 85.0 + f64::from(n % 3), Verdict::Good))
        .collect();
    pulls[20] = pull(20, 0.5, Verdict::Missing);
    let values = pulls
        .iter()
        .filter(|p| p.verdict != Verdict::Missing)
        .filter_map(|p| p.depth_kpa);
    let (low, high) = scale(values, None, 4.0);
    assert!(low > 75.0 && high < 95.0, "{low} {high}");
    assert!(!drawn(&machine(pulls)).svg.as_str().contains(">0</text>"));
}

#[test]
fn years_of_pulls_stay_small_and_say_how_many_are_shown() {
    let pulls = (0..6500).map(|n| pull(n, 85.0, Verdict::Good)).collect();
    let figure = drawn(&machine(pulls));
    let both = figure.svg.as_str().len() + figure.narrow.unwrap().as_str().len();
    assert!(both < 110_000, "{both}");
    assert!(
        figure
            .note
            .contains("newest 500 of 6500 pulls, on a phone 220")
    );
    assert_eq!(figure.table.rows.len(), 40);
}

#[test]
fn without_a_measured_pull_there_is_no_chart() {
    let mut unread = pull(1, f64::NAN, Verdict::Unknown);
    unread.depth_kpa = None;
    for pulls in [
        vec![],
        vec![unread],
        vec![pull(1, f64::NAN, Verdict::Unknown)],
    ] {
        let figure = draw(&machine(pulls), &ShownIn::default(), &TimeZone::UTC).unwrap();
        assert!(figure.is_none());
    }
    drawn(&machine(vec![pull(1, 85.0, Verdict::Good)]));
}
