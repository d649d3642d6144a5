//! The invented shop holds its probe against freezing silver at the end of some days: what is
//! found of that among its pours.
#![allow(clippy::unwrap_used)]

use analysis::pour::{Meta, Row, Setup, extract};
use analysis::probe::budget::COVERAGE;
use analysis::probe::{ArrestRow, Heat};
use analysis::sample::Sample;
use jiff::civil::date;
use sample_data::{Shop, Troubles, simulate};

fn freezes(samples: &[Sample]) -> Vec<ArrestRow> {
    let meta = Meta {
        session: "day".into(),
        machine: "bench-1".into(),
        setup: Setup::default(),
    };
    extract(samples, &meta)
        .into_iter()
        .filter_map(|row| match row {
            Row::Arrest(arrest) if arrest.heat == Heat::Freezing => Some(arrest),
            _ => None,
        })
        .collect()
}

/// The invented shop checks its probe at the end of some days, after casting: each freeze is
/// found, once, within seconds of the truth, and the offset is that of the day's probe.
#[test]
fn the_invented_shops_checks_are_found_among_its_pours() {
    let shop = Shop::new(7, 26, date(2026, 11, 22));
    let mut checked = 0;
    for plan in shop.sessions() {
        if !plan.probe_check && plan.index % 8 != 0 {
            continue;
        }
        let day = simulate(plan, 1.0, &Troubles::default());
        let found = freezes(&day.trace());
        assert_eq!(found.len(), usize::from(plan.probe_check), "{found:?}");
        let Some((freeze, froze_at)) = found.first().zip(day.truth.froze_at) else {
            continue;
        };
        checked += 1;
        assert!(freeze.at.seconds_since(froze_at).abs() < 30.0, "{freeze:?}");
        let (offset_k, sd_k) = (freeze.offset_k.unwrap(), freeze.offset_sd_k.unwrap());
        let error_k = offset_k - day.truth.probe_offset_k;
        println!(
            "{offset_k:+.2} ± {:.2} K, really {:+.2} K",
            COVERAGE * sd_k,
            day.truth.probe_offset_k
        );
        assert!(
            error_k.abs() < 3.0 * sd_k,
            "{error_k} of {sd_k}: {freeze:?}"
        );
    }
    assert!(checked >= 4, "{checked}");
}
