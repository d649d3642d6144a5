//! The key-value metadata of a trace file: what a reader without the book needs to make sense
//! of it, and what `extract` is told from it.

use analysis::pour::{Meta, Setup};
use analysis::upkeep::tally::LEAST_GAS_L_MIN;
use uuid::Uuid;

use crate::config::Config;

/// Version of the trace layout.
const SCHEMA: &str = "1";
/// Air pressure assumed at a shop whose trace does not say, kPa: sea level.
const SEA_LEVEL_KPA: f64 = analysis::pour::setup::SEA_LEVEL_KPA;

/// The metadata of a session's trace.
pub fn metadata(config: &Config, machine: &str, name: &str, id: Uuid) -> Vec<(String, String)> {
    let kilns = config
        .machine(machine)
        .map_or_else(String::new, |m| m.kilns.join(","));
    let floor = floor_kpa(config, machine);
    [
        ("pourbook.schema", SCHEMA.to_owned()),
        ("pourbook.session", name.to_owned()),
        ("pourbook.session_id", id.to_string()),
        ("pourbook.machine", machine.to_owned()),
        ("pourbook.kilns", kilns),
        ("pourbook.time_zone", config.shop.time_zone_name.clone()),
        (
            "pourbook.ambient_kpa",
            format!("{:.4}", config.shop.ambient_kpa()),
        ),
        ("pourbook.good_pull_kpa", format!("{floor:.4}")),
        (
            "pourbook.gas_least_l_min",
            format!("{:.4}", gas_least_l_min(config, machine)),
        ),
        ("pourbook.config_sha256", config.sha256.clone()),
        ("pourbook.version", env!("CARGO_PKG_VERSION").to_owned()),
    ]
    .map(|(key, value)| (key.to_owned(), value))
    .to_vec()
}

/// What the live detector of a machine is told; the same that [`meta`] reads back from a trace.
pub fn setup(config: &Config, machine: &str) -> Setup {
    // Through the same text as in the file, so that live and re-extracted figures agree to the
    // last digit.
    from_text(
        Some(&format!("{:.4}", config.shop.ambient_kpa())),
        Some(&format!("{:.4}", floor_kpa(config, machine))),
        Some(&format!("{:.4}", gas_least_l_min(config, machine))),
    )
}

/// What `extract` is told from a trace's metadata. Missing entries fall back to sea level and
/// to `fallback_name` for both session and machine, so that a bare trace of four columns works.
pub fn meta(metadata: &[(String, String)], fallback_name: &str) -> Meta {
    let value = |key: &str| {
        metadata
            .iter()
            .find(|(k, _)| k == key)
            .map(|(_, v)| v.as_str())
            .filter(|v| !v.is_empty())
    };
    Meta {
        session: value("pourbook.session")
            .unwrap_or(fallback_name)
            .to_owned(),
        machine: value("pourbook.machine")
            .unwrap_or(fallback_name)
            .to_owned(),
        setup: from_text(
            value("pourbook.ambient_kpa"),
            value("pourbook.good_pull_kpa"),
            value("pourbook.gas_least_l_min"),
        ),
    }
}

fn from_text(
    ambient_kpa: Option<&str>,
    floor_kpa: Option<&str>,
    gas_least_l_min: Option<&str>,
) -> Setup {
    let number = |text: Option<&str>| {
        text.and_then(|t| t.parse::<f64>().ok())
            .filter(|n| n.is_finite() && *n > 0.0)
    };
    let mut setup = Setup::at_ambient(number(ambient_kpa).unwrap_or(SEA_LEVEL_KPA));
    setup.floor_kpa = number(floor_kpa);
    setup.gas_least_l_min = number(gas_least_l_min).unwrap_or(LEAST_GAS_L_MIN);
    setup
}

fn gas_least_l_min(config: &Config, machine: &str) -> f64 {
    config
        .machine(machine)
        .map_or(LEAST_GAS_L_MIN, |m| m.gas_least_l_min)
}

fn floor_kpa(config: &Config, machine: &str) -> f64 {
    let share = config
        .machine(machine)
        .map_or(analysis::pour::setup::FLOOR_SHARE, |m| m.good_pull_share);
    share * config.shop.ambient_kpa()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn the_live_detector_and_extract_are_told_the_same() {
        let config = Config::parse(
            "[shop]\nname = \"a\"\ntime_zone = \"Europe/Dublin\"\naltitude_m = 85\n\
             [[machine]]\nname = \"bench-1\"\ngood_pull_share = 0.7\ngas_least_l_min = 1.5\n",
            "pourbook.toml",
        )
        .unwrap();
        let written = metadata(&config, "bench-1", "s", Uuid::nil());
        let read = meta(&written, "file");
        assert_eq!(read.setup, setup(&config, "bench-1"));
        assert!((read.setup.gas_least_l_min - 1.5).abs() < 1e-9);
        assert_eq!(read.session, "s");
        assert_eq!(meta(&[], "file").session, "file");
    }
}
