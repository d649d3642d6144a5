//! Flasks and pulls for the tests of watching and of trials: plain ones, of which a test changes
//! what it is about.

use crate::flask::Flask;
use crate::pour::rows::{PullRow, Verdict};
use crate::time::Micros;

/// Flask number `i` of session `s<day>`: sterling silver, medium, poured at 968 °C, so many
/// pieces of which `bad` have a defect that heat can steer.
pub fn flask(day: u32, i: u32, pieces: u32, bad: u32) -> Flask {
    let start = Micros::parse_rfc3339("2026-01-05T09:00:00Z").unwrap_or(Micros(0));
    Flask {
        id: format!("flask-{i:04}"),
        label: format!("{i}"),
        session: format!("s{day}"),
        machine: "bench-1".to_owned(),
        cast_at: start.plus_seconds(86_400.0 * f64::from(day) + 900.0 * f64::from(i % 8)),
        alloy: Some("sterling-925".to_owned()),
        section: Some("medium".to_owned()),
        pieces: Some(pieces),
        defective: Some(bad),
        defective_steering: Some(bad),
        pour_temperature_c: Some(968.0),
        ..Flask::default()
    }
}

/// A good pull of bench-1, with nothing measured.
pub fn pull(opened_at: Micros) -> PullRow {
    PullRow {
        session: "s".to_owned(),
        machine: "bench-1".to_owned(),
        opened_at,
        closed_at: None,
        depth_kpa: None,
        share: None,
        settled_kpa: None,
        settled_se_kpa: None,
        rest_kpa: None,
        time_to_90_s: None,
        tau_s: None,
        tau_se_s: None,
        end_kpa: None,
        end_se_kpa: None,
        loss_kpa_min: None,
        loss_se_kpa_min: None,
        verdict: Verdict::Good,
        poured: true,
    }
}
