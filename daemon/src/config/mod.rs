//! `pourbook.toml`: what the shop tells pourbook about itself, read once, checked whole.
//!
//! After [`Config::parse`] every value is valid by type: names fit a file name, units fit their
//! channel, temperatures are in °C, passwords are read. What is wrong is said all at once, a
//! line each, with file, line, column and how to mend it. Nothing here listens or connects.
//!
//! | module | what it holds |
//! |---|---|
//! | [`error`] | what was wrong and where |
//! | [`secret`] | passwords, which come from files or the environment only |
//! | [`shop`] | `[shop]`: name, time zone, altitude, what people see |
//! | [`mod@programme`] | `[[programme]]`: what kilns are told to run |
//! | [`mod@bench`] | `[[kiln]]` and `[[machine]]` |
//! | [`channel`] | one heard channel: topic, unit, limits |
//! | [`network`] | `[mqtt]` and `[pages]`: addresses and who may use them |
//! | [`practice`] | `[[target]]`, `[[defect_kind]]`, `[sections]`, `[reports]` |

use std::path::Path;
use std::sync::Arc;

use analysis::burnout::Programme;
use analysis::defect::DefectKinds;
use toml::de::DeTable;

use crate::checksum::sha256;
use crate::place::Place;
use crate::route::{Route, Routes};

pub mod bench;
pub mod channel;
pub mod error;
mod known;
pub mod network;
pub mod practice;
pub mod programme;
mod quantity;
mod read;
pub mod secret;
pub mod shop;

pub use bench::{Kiln, Machine};
pub use channel::Heard;
pub use error::{ConfigError, Problem};
pub use network::{Broker, Door, Pages, Sensor, WayIn};
pub use practice::{ReportDay, Sections, Target, TargetTemperature};
pub use secret::{Secret, Surroundings};
pub use shop::Shop;

use error::Problems;
use read::Table;

/// A first configuration that parses, commented for someone who has never seen one.
const SAMPLE: &str = include_str!("sample.toml");

/// Everything `pourbook.toml` says, checked.
#[derive(Clone, Debug)]
pub struct Config {
    /// `[shop]`.
    pub shop: Shop,
    /// `[mqtt]`: how samples come in. Default: the door on 127.0.0.1:1883, open to this
    /// computer only.
    pub way_in: WayIn,
    /// `[pages]`. Default: 127.0.0.1:8047.
    pub pages: Pages,
    /// `[shop.channels]`: heard once, copied into every session.
    pub shop_channels: Vec<Heard>,
    /// `[[programme]]`: what kilns are told to run. Default: none.
    pub programmes: Vec<Programme>,
    /// `[[kiln]]`, in the order written. Default: none.
    pub kilns: Vec<Kiln>,
    /// `[[machine]]`, in the order written. Default: none.
    pub machines: Vec<Machine>,
    /// `[[target]]`: what the shop means to do now. Default: none.
    pub targets: Vec<Target>,
    /// The kinds of defect that pourbook knows, followed by each `[[defect_kind]]`.
    pub defect_kinds: DefectKinds,
    /// `[sections]`: where thin ends and heavy begins.
    pub sections: Sections,
    /// `[reports]`: when the weekly report is written.
    pub reports: ReportDay,
    /// SHA-256 of the file's bytes in lower-case hexadecimal, kept in each trace.
    pub sha256: String,
    /// Things that are allowed but worth mending, one line each.
    pub warnings: Vec<Problem>,
}

impl Config {
    /// Reads the text of a configuration. `name` is what errors call the file. Password files
    /// are looked for from the current folder and passwords in this process's environment; to
    /// choose both, use [`Config::parse_in`].
    ///
    /// # Errors
    /// [`ConfigError::Wrong`] with everything that is wrong, in the order of the file.
    ///
    /// ```
    /// # use pourbook::config::Config;
    /// let config = Config::parse(
    ///     "[shop]\nname = \"Larkfield bench\"\ntime_zone = \"Europe/Dublin\"\n",
    ///     "pourbook.toml",
    /// )
    /// .unwrap();
    /// assert_eq!(config.pages.listen.port(), 8047);
    ///
    /// let wrong = Config::parse(
    ///     "[shop]\nname = \"Larkfield bench\"\ntime_zome = \"Europe/Dublin\"\n",
    ///     "pourbook.toml",
    /// )
    /// .unwrap_err();
    /// assert_eq!(
    ///     wrong.to_string(),
    ///     "pourbook.toml line 3, column 1: unknown key \"time_zome\"; did you mean \"time_zone\"?"
    /// );
    /// ```
    pub fn parse(text: &str, name: &str) -> Result<Config, ConfigError> {
        Config::parse_in(text, name, &Surroundings::of_this_process(Path::new(".")))
    }

    /// As [`Config::parse`], with the folder and the environment given.
    ///
    /// # Errors
    /// As [`Config::parse`].
    pub fn parse_in(
        text: &str,
        name: &str,
        around: &Surroundings<'_>,
    ) -> Result<Config, ConfigError> {
        // A byte-order mark, as some editors write, is no part of the text.
        let toml = text.strip_prefix('\u{feff}').unwrap_or(text);
        let problems = Problems::new(toml, name);
        let (document, syntax) = DeTable::parse_recoverable(toml);
        if !syntax.is_empty() {
            // What follows a broken line is guesswork, so only the syntax is reported.
            for error in &syntax {
                problems.syntax(error);
            }
            return Err(problems.into_error());
        }
        let root = Table::root(&document, &problems);
        let config = read_root(&root, around, &problems);
        root.finish();
        match config {
            Some(mut config) if !problems.any() => {
                config.sha256 = sha256(text.as_bytes());
                config.warnings = problems.into_warnings();
                Ok(config)
            }
            _ => Err(problems.into_error()),
        }
    }

    /// Reads a configuration file; password files are looked for from its folder.
    ///
    /// # Errors
    /// [`ConfigError::Unreadable`] when the file cannot be read, else as [`Config::parse`].
    pub fn load(path: &Path) -> Result<Config, ConfigError> {
        let unreadable = |why: String| ConfigError::Unreadable {
            path: path.to_owned(),
            why,
        };
        let bytes = std::fs::read(path).map_err(|e| unreadable(error::in_words(&e)))?;
        let text = String::from_utf8(bytes)
            .map_err(|_| unreadable("it is not UTF-8 text; save it as UTF-8".to_owned()))?;
        let folder = match path.parent() {
            Some(folder) if folder != Path::new("") => folder,
            _ => Path::new("."),
        };
        // The whole path: a shop may have several books.
        let name = path.display().to_string();
        Config::parse_in(&text, &name, &Surroundings::of_this_process(folder))
    }

    /// The text of a first configuration: commented, and it parses.
    pub fn sample() -> &'static str {
        SAMPLE
    }

    /// The machine of this name.
    pub fn machine(&self, name: &str) -> Option<&Machine> {
        self.machines.iter().find(|m| &*m.name == name)
    }

    /// The kiln of this name.
    pub fn kiln(&self, name: &str) -> Option<&Kiln> {
        self.kilns.iter().find(|k| &*k.name == name)
    }

    /// The programme of this name.
    pub fn programme(&self, name: &str) -> Option<&Programme> {
        self.programmes.iter().find(|p| p.name() == name)
    }

    /// The target for an alloy and section: the exact section's if there is one, else the one
    /// that names no section.
    pub fn target(&self, alloy: &str, section: Option<&str>) -> Option<&Target> {
        let of_alloy = || self.targets.iter().filter(|t| t.alloy == alloy);
        of_alloy()
            .find(|t| t.section.is_some() && t.section.as_deref() == section)
            .or_else(|| of_alloy().find(|t| t.section.is_none()))
    }

    /// Every topic that is heard, for the ways in.
    pub fn routes(&self) -> Routes {
        let ambient_kpa = self.shop.ambient_kpa();
        let shop = self.shop_channels.iter().map(|h| (Place::Shop, h));
        let kilns = self.kilns.iter().flat_map(|k| {
            let heard = k.channels.iter();
            heard.map(|h| (Place::Kiln(Arc::clone(&k.name)), h))
        });
        let machines = self.machines.iter().flat_map(|m| {
            let heard = m.channels.iter();
            heard.map(|h| (Place::Machine(Arc::clone(&m.name)), h))
        });
        let mut routes = Routes::new();
        for (place, heard) in shop.chain(kilns).chain(machines) {
            let route = Route {
                place,
                channel: heard.channel,
                topic: heard.topic.clone(),
                unit: heard.unit.clone(),
                sense: heard.sense,
                flow_factor: heard.flow_factor,
                ambient_kpa,
                value_pointer: heard.value_pointer.clone(),
                time_pointer: heard.time_pointer.clone(),
                min: heard.min,
                max: heard.max,
                stale_after_s: heard.stale_after_s,
            };
            routes
                .entry(route.topic.clone())
                .or_default()
                .push(Arc::new(route));
        }
        routes
    }
}

/// Reads every part, so that one mistake does not hide another; `None` if a part that cannot be
/// done without is missing, which was then reported.
fn read_root(
    root: &Table<'_>,
    around: &Surroundings<'_>,
    problems: &Problems<'_>,
) -> Option<Config> {
    let shop_table = root.table("shop");
    if shop_table.is_none() && !root.has("shop") {
        problems.at_start(
            "there is no [shop]; begin with [shop], name = \"…\", time_zone = \"Europe/Dublin\"",
        );
    }
    let shop = shop_table.as_ref().map(|t| (shop::read(t), t));
    // Limits of an absolute vacuum need the air's pressure; where the altitude is wrong, which
    // was reported, the sea's will do to look for more mistakes.
    let ambient_kpa = match &shop {
        Some((Some(shop), _)) => shop.ambient_kpa(),
        _ => analysis::atmosphere::standard_pressure_kpa(0.0),
    };
    let mut topics = channel::Topics::default();
    let shop_channels = shop.as_ref().map_or_else(Vec::new, |(_, table)| {
        channel::read_all(table, channel::Owner::Shop, ambient_kpa, &mut topics)
    });
    if let Some((_, table)) = &shop {
        table.finish();
    }
    let mut names = bench::Names::default();
    let programmes = programme::read_programmes(root);
    let kilns = bench::read_kilns(root, ambient_kpa, &mut topics, &mut names, &programmes);
    let machines = bench::read_machines(root, ambient_kpa, &mut topics, &mut names);
    let way_in = network::read_mqtt(root, around);
    let pages = network::read_pages(root, around);
    let targets = practice::read_targets(root);
    let defect_kinds = practice::read_defect_kinds(root);
    let sections = practice::read_sections(root);
    let reports = practice::read_reports(root);
    Some(Config {
        shop: shop.and_then(|(shop, _)| shop)?,
        way_in: way_in?,
        pages: pages?,
        shop_channels,
        programmes,
        kilns,
        machines,
        targets,
        defect_kinds,
        sections: sections?,
        reports: reports?,
        sha256: String::new(),
        warnings: Vec::new(),
    })
}

#[cfg(test)]
mod tests;
