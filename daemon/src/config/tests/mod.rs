//! The configuration as a shop meets it: the sample parses, defaults are as documented, and
//! each slip is told with its place and its mending.
#![allow(clippy::unwrap_used)]

use analysis::channel::Channel;
use analysis::units::{MassUnit, Scheme, Unit};
use jiff::civil::Weekday;
use proptest::prelude::*;

use super::*;
use crate::route::Sense;

mod bench;
mod network;
mod practice;

const SHOP: &str = "[shop]\nname = \"Larkfield bench\"\ntime_zone = \"Europe/Dublin\"\n";

fn nothing(_: &str) -> Option<String> {
    None
}

fn parse(text: &str) -> Result<Config, ConfigError> {
    let around = Surroundings {
        folder: Path::new("/nonexistent-folder"),
        environment: &nothing,
    };
    Config::parse_in(text, "pourbook.toml", &around)
}

/// A configuration that is right but for `body`, which follows `[shop]` on line 4.
fn with(body: &str) -> Result<Config, ConfigError> {
    parse(&format!("{SHOP}{body}"))
}

/// The one mistake of a configuration.
#[track_caller]
fn the_mistake(text: &str) -> String {
    let error = parse(text).unwrap_err();
    assert_eq!(error.problems().len(), 1, "one mistake, one line:\n{error}");
    error.to_string()
}

/// `body`, which follows `[shop]` on line 4, has exactly this mistake.
#[track_caller]
fn check(body: &str, expected: &str) {
    assert_eq!(the_mistake(&format!("{SHOP}{body}")), expected);
}

/// A machine with one vacuum channel that has `lines` beside its topic.
fn vacuum(lines: &str) -> String {
    format!("[[machine]]\nname = \"bench-1\"\n[machine.channels.vacuum]\ntopic = \"v\"\n{lines}\n")
}

#[test]
fn the_sample_for_a_first_start_parses_and_feeds_its_topics() {
    let config = Config::parse(Config::sample(), "pourbook.toml").unwrap();
    assert_eq!(config.shop.name, "Larkfield bench");
    assert_eq!(config.shop.units, Scheme::Metric);
    assert!(config.warnings.is_empty());
    let routes = config.routes();
    let mut topics: Vec<_> = routes.keys().map(String::as_str).collect();
    topics.sort_unstable();
    assert_eq!(
        topics,
        [
            "shop/bench-1/gas",
            "shop/bench-1/melt",
            "shop/bench-1/vacuum",
            "shop/kiln-1/temperature"
        ]
    );
    let melt = &routes["shop/bench-1/melt"][0];
    assert_eq!(melt.place, Place::Machine("bench-1".into()));
    assert_eq!(melt.channel, Channel::MeltTemperature);
    assert_eq!((melt.min, melt.max), (Some(0.0), Some(1300.0)));
    // 85 m: 1013.25 hPa less about 10.2 hPa (12 Pa a metre near the ground).
    assert!(
        (melt.ambient_kpa - 100.31).abs() < 0.02,
        "{}",
        melt.ambient_kpa
    );
    let target = config.target("sterling-925", Some("medium")).unwrap();
    assert_eq!(target.pour_temperature.celsius, 968.0);
}

/// Every line that the sample offers behind a `#` is right once the `#` is gone.
#[test]
fn each_line_the_sample_offers_can_be_taken() {
    let folder = tempfile::tempdir().unwrap();
    for file in ["mqtt-password.txt", "pages-password.txt"] {
        std::fs::write(folder.path().join(file), "burnished copper\n").unwrap();
    }
    let around = Surroundings {
        folder: folder.path(),
        environment: &nothing,
    };
    let offered = |text: &str| {
        // A list goes on over lines, each of which can be taken with the others.
        text.starts_with(['[', ']'])
            || text.trim_start().starts_with('{')
            || text
                .split_once(" = ")
                .is_some_and(|(key, _)| !key.contains(' '))
    };
    let taken: Vec<&str> = Config::sample()
        .lines()
        // The first address is replaced by the second, and a broker excludes both.
        .filter(|line| !line.starts_with("listen = \"127.0.0.1:1883\"") && !line.contains("url ="))
        .map(|line| match line.strip_prefix("# ") {
            Some(text) if offered(text) => text,
            _ => line,
        })
        .collect();
    let text = taken.join("\n");
    let config =
        Config::parse_in(&text, "pourbook.toml", &around).unwrap_or_else(|e| panic!("{e}\n{text}"));
    assert_eq!(config.shop_channels.len(), 2);
    assert!(config.defect_kinds.get("lost-stone").is_some());
    assert_eq!(config.programmes[0].steps().len(), 4);
    assert_eq!(config.kilns[0].programme.as_deref(), Some("medium-flasks"));
    assert_eq!(config.machines[0].channels.len(), 5);
    let WayIn::Door(door) = &config.way_in else {
        panic!("a door")
    };
    assert_eq!(door.listen.port(), 1883);
    assert!(!door.listen.ip().is_loopback());
    assert_eq!(door.sensors[0].user, "sensors");
}

#[test]
fn only_the_shop_is_required_and_the_rest_has_defaults() {
    let config = parse(SHOP).unwrap();
    let WayIn::Door(door) = &config.way_in else {
        panic!("the door is the default way in")
    };
    assert_eq!(door.listen.to_string(), "127.0.0.1:1883");
    assert!(door.sensors.is_empty());
    assert_eq!(config.pages.listen.to_string(), "127.0.0.1:8047");
    assert_eq!(config.shop.altitude_m, 0.0);
    assert!((config.shop.ambient_kpa() - 101.325).abs() < 1e-9);
    assert_eq!(
        (
            config.sections.thin_below_mm,
            config.sections.heavy_above_mm
        ),
        (1.0, 2.5)
    );
    assert_eq!(
        (config.reports.day, config.reports.hour),
        (Weekday::Monday, 6)
    );
    assert!(config.routes().is_empty());
    // The digest is of the bytes: `printf '…' | sha256sum` gives the same.
    assert_eq!(config.sha256.len(), 64);
    assert_ne!(config.sha256, parse(&format!("{SHOP}\n")).unwrap().sha256);
}

#[test]
fn a_misspelt_key_is_one_mistake_and_not_also_a_missing_one() {
    check(
        "[[machine]]\nname = \"b\"\n[machine.channels.vacuum]\ntpoic = \"v\"\nunit = \"kPa\"\n",
        "pourbook.toml line 7, column 1: unknown key \"tpoic\"; did you mean \"topic\"?",
    );
    check(
        "[[target]]\naloy = \"bronze\"\npour_temperature = \"1050 Cel\"\n",
        "pourbook.toml line 5, column 1: unknown key \"aloy\"; did you mean \"alloy\"?",
    );
}

#[test]
fn unknown_keys_are_told_with_the_nearest_known_one() {
    check(
        &vacuum("unit = \"mbar\"\nstale_afer_s = 5"),
        "pourbook.toml line 9, column 1: unknown key \"stale_afer_s\"; did you mean \
         \"stale_after_s\"?",
    );
    check(
        "altitude = 85\n",
        "pourbook.toml line 4, column 1: unknown key \"altitude\"; did you mean \"altitude_m\"?",
    );
    check(
        "[machines]\nname = \"x\"\n",
        "pourbook.toml line 4, column 2: unknown key \"machines\"; did you mean \"machine\"?",
    );
    check(
        "[reports]\ncolour = 3\n",
        "pourbook.toml line 5, column 1: unknown key \"colour\"; the keys here are day, hour",
    );
    // A sense makes sense for vacuum only.
    let gas = "[[machine]]\nname = \"b\"\n[machine.channels.gas_flow]\ntopic = \"g\"\nunit = \
               \"L/min\"\nsense = \"absolute\"\n";
    assert!(the_mistake(&format!("{SHOP}{gas}")).contains("unknown key \"sense\""));
}

#[test]
fn several_mistakes_are_told_at_once_in_the_order_of_the_file() {
    let text = "[shop]\nname = \"\"\ntime_zone = \"Europe/Dubln\"\naltitude_m = \"high\"\n\
                [[machine]]\nname = \"bench 1\"\n[machine.channels.vacuum]\ntopic = \"a/#\"\n\
                unit = \"mbarr\"\n";
    let error = parse(text).unwrap_err().to_string();
    let starts = [
        "pourbook.toml line 2, column 8: \"name\" is empty",
        "pourbook.toml line 3, column 13: \"Europe/Dubln\" is not a time zone",
        "pourbook.toml line 4, column 14: \"altitude_m\" is text; it must be a plain number",
        "pourbook.toml line 6, column 8: \"bench 1\" cannot be a name",
        "pourbook.toml line 8, column 9: the topic \"a/#\" has a wildcard",
        "pourbook.toml line 9, column 8: \"mbarr\" is not a unit (perhaps \"mbar\")",
    ];
    let lines: Vec<&str> = error.lines().collect();
    assert_eq!(lines.len(), starts.len(), "{error}");
    for (line, start) in lines.iter().zip(starts) {
        assert!(
            line.starts_with(start),
            "{line}\nshould start with\n{start}"
        );
    }
}

#[test]
fn broken_toml_is_told_with_its_place_and_nothing_guessed_after_it() {
    let text = the_mistake("[shop]\nname = \"Larkfield\n");
    assert!(text.starts_with("pourbook.toml line 2, column "), "{text}");
    assert!(text.ends_with("this is not TOML"), "{text}");
    check(
        "altitude_m = 1\naltitude_m = 2\n",
        "pourbook.toml line 5, column 1: \"altitude_m\" is set twice here; keep one",
    );
    let twice = format!(
        "{SHOP}{}[machine.channels.vacuum]\ntopic = \"w\"\n",
        vacuum("unit = \"kPa\"")
    );
    let text = parse(&twice).unwrap_err().to_string();
    assert!(
        text.starts_with("pourbook.toml line 9, column 19: \"vacuum\" is set twice here; keep one"),
        "{text}"
    );
}

#[test]
fn an_empty_file_asks_for_the_shop() {
    assert!(the_mistake("").starts_with("pourbook.toml line 1, column 1: there is no [shop]"));
    let error = parse("[shop]\n").unwrap_err().to_string();
    assert!(
        error.contains("[shop] has no \"name\"; add name = "),
        "{error}"
    );
    assert!(error.contains("[shop] has no \"time_zone\""), "{error}");
}

#[test]
fn the_shop_is_somewhere_on_land() {
    let shop = |lines: &str| the_mistake(&format!("{SHOP}{lines}\n"));
    assert_eq!(
        shop("altitude_m = 8900"),
        "pourbook.toml line 4, column 14: \"altitude_m\" is 8900; it must be from -430 to 5500 m \
         above the sea"
    );
    assert!(shop("altitude_m = nan").contains("is not finite"));
    assert!(shop("units = \"imperial\"").contains("write \"metric\" or \"us\""));
    // La Paz, about 3,640 m: 64.6 kPa in the tables of the standard atmosphere (ISO 2533).
    let config = with("altitude_m = 3640\n").unwrap();
    assert!((config.shop.ambient_kpa() - 64.6).abs() < 0.2);
}

#[test]
fn people_may_read_one_quantity_in_another_unit() {
    let config = with("units = \"us\"\n[shop.show]\nvacuum = \"mbar\"\nmass = \"g\"\n").unwrap();
    assert_eq!(config.shop.shown_in.vacuum, Unit::Millibar);
    assert_eq!(config.shop.shown_in.temperature, Unit::Fahrenheit);
    assert_eq!(config.shop.shown_in.mass, MassUnit::Gram);
    let text = the_mistake(&format!("{SHOP}[shop.show]\nvacuum = \"Cel\"\n"));
    assert!(text.contains("is not a unit of vacuum"), "{text}");
}

#[test]
fn a_file_that_cannot_be_read_is_named() {
    let gone = Config::load(Path::new("/nonexistent-folder/pourbook.toml")).unwrap_err();
    assert_eq!(
        gone.to_string(),
        "cannot read the configuration /nonexistent-folder/pourbook.toml: there is no such file"
    );
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("pourbook.toml");
    std::fs::write(&path, b"[shop]\nname = \"\xff\"").unwrap();
    assert!(
        Config::load(&path)
            .unwrap_err()
            .to_string()
            .contains("not UTF-8")
    );
    // Editors on some systems begin a file with a byte-order mark.
    std::fs::write(&path, format!("\u{feff}{SHOP}")).unwrap();
    assert_eq!(Config::load(&path).unwrap().shop.name, "Larkfield bench");
    // A shop may have several books, so a mistake names the file with its folder.
    std::fs::write(&path, format!("{SHOP}unit = 1\n")).unwrap();
    let wrong = Config::load(&path).unwrap_err().to_string();
    let place = format!("{} line 4, column 1: ", path.display());
    assert!(wrong.starts_with(&place), "{wrong}");
}

/// Every key that the parser asks for, so that wrong types reach each of them.
const KEYS: [&str; 26] = [
    "shop",
    "mqtt",
    "pages",
    "kiln",
    "machine",
    "target",
    "defect_kind",
    "sections",
    "reports",
    "channels",
    "vacuum",
    "name",
    "time_zone",
    "topic",
    "unit",
    "sense",
    "value",
    "listen",
    "url",
    "sensor",
    "kilns",
    "min",
    "pour_temperature",
    "scale",
    "hour",
    "show",
];

proptest! {
    /// Whatever the text, the answer is a configuration or mistakes with places in it.
    #[test]
    fn no_text_is_too_strange(text in "(?s).{0,200}") {
        if let Err(error) = parse(&text) {
            prop_assert!(!error.problems().is_empty());
        }
    }

    #[test]
    fn no_wrong_type_is_too_strange(
        keys in proptest::collection::vec((0..KEYS.len(), 0..8usize), 1..30),
    ) {
        let values = ["1", "-2.5", "true", "\"x\"", "[]", "[1]", "[{}]", "{}"];
        let mut text = String::from(SHOP);
        for (n, (key, value)) in keys.into_iter().enumerate() {
            let key = KEYS[key];
            match (value + n) % 3 {
                0 => text.push_str(&format!("[{key}]\n")),
                1 => text.push_str(&format!("[[{key}]]\n")),
                _ => text.push_str(&format!("{key} = {}\n", values[value])),
            }
        }
        if let Err(error) = parse(&text) {
            let lines = text.matches('\n').count() + 1;
            for problem in error.problems() {
                prop_assert!(problem.line >= 1 && problem.line <= lines);
            }
        }
    }
}
