//! `[[kiln]]` and `[[machine]]`: the two kinds of furniture that have channels. Kilns stand
//! apart from machines because any kiln can feed any machine.

use std::collections::HashMap;
use std::sync::Arc;

use analysis::burnout::Programme;
use analysis::burnout::follow::HIGHEST_C;
use analysis::channel::Quantity;
use analysis::upkeep::tally::LEAST_GAS_L_MIN;

use super::channel::{self, Heard, Owner, Topics};
use super::known;
use super::quantity::read_with_unit;
use super::read::{At, Table};

/// Longest name of a machine or kiln; it goes into folder and file names.
const LONGEST_NAME: usize = 40;

/// `[[kiln]]`.
#[derive(Clone, Debug)]
pub struct Kiln {
    /// Its name.
    pub name: Arc<str>,
    /// How far its shelves may lie apart until they are surveyed, K. Default: 30.
    pub spread_k: f64,
    /// What it runs unless the cards of its load say otherwise: the name of a `[[programme]]`.
    /// Default: unknown; then only what any burnout must not do is told.
    pub programme: Option<String>,
    /// Hotter than this is told whatever the programme says, °C. Default: 760 °C; the
    /// investment's own sheet counts.
    pub highest_c: f64,
    /// What is heard of it.
    pub channels: Vec<Heard>,
}

/// A kiln's limit is somewhere in here, °C: above any casting temperature, below what kilns of
/// this kind reach.
const LIMIT_C: (f64, f64) = (300.0, 1_300.0);

/// `[[machine]]`.
#[derive(Clone, Debug)]
pub struct Machine {
    /// Its name.
    pub name: Arc<str>,
    /// The kilns that feed it, in the order in which its traces number them. Default: none.
    pub kilns: Vec<Arc<str>>,
    /// Volume that the pump empties, L. Default: unknown.
    pub pump_down_volume_l: Option<f64>,
    /// Volume of the melting chamber that the gas fills, L. Default: unknown.
    pub chamber_volume_l: Option<f64>,
    /// Least share of the attainable vacuum that counts as a good pull until the machine has
    /// ten good pulls to go by. Default: 0.6.
    pub good_pull_share: f64,
    /// Less cover gas than this is none, L/min: graphite is bare, and a pour has lost its cover.
    /// Default: 1.
    pub gas_least_l_min: f64,
    /// How long a flask may stand between kiln and pour before it says nothing about the pour
    /// temperature, s. Default: 240, as [`analysis::upkeep::fault::LONGEST_OUT_S`] reasons.
    pub transfer_most_s: Option<f64>,
    /// What is heard of it. Default: nothing, for a machine with imported records only.
    pub channels: Vec<Heard>,
}

/// The names given so far; files of two names that differ only in capitals would be one file
/// on some computers.
#[derive(Default)]
pub(super) struct Names {
    /// Lower-case name to name as written.
    taken: HashMap<String, String>,
    kilns: Vec<Arc<str>>,
}

/// Reads every `[[kiln]]`; the programmes must have been read.
pub(super) fn read_kilns(
    root: &Table<'_>,
    ambient_kpa: f64,
    topics: &mut Topics,
    names: &mut Names,
    programmes: &[Programme],
) -> Vec<Kiln> {
    let mut kilns = Vec::new();
    for table in root.tables("kiln") {
        let name = read_name(&table, "kiln-1", names);
        let spread_k = table.number_in("spread_k", 0.0, 300.0, "K");
        let highest_c = read_with_unit(
            &table,
            "highest_temperature",
            Quantity::Temperature,
            LIMIT_C,
            "760 Cel",
        )
        .unwrap_or(HIGHEST_C);
        let programme = read_programme_name(&table, programmes, highest_c);
        let channels = channel::read_all(&table, Owner::Kiln, ambient_kpa, topics);
        table.finish();
        if let Some(name) = name {
            names.kilns.push(Arc::clone(&name));
            kilns.push(Kiln {
                name,
                spread_k: spread_k.map_or(30.0, |n| n.value),
                programme,
                highest_c,
                channels,
            });
        }
    }
    kilns
}

/// The kiln's own programme, which must be one and stay below the kiln's limit.
fn read_programme_name(
    table: &Table<'_>,
    programmes: &[Programme],
    highest_c: f64,
) -> Option<String> {
    let At { value, span } = table.text("programme", "medium-flasks")?;
    let Some(programme) = programmes.iter().find(|p| p.name() == value) else {
        let known: Vec<&str> = programmes.iter().map(Programme::name).collect();
        table.problems.add(
            &span,
            format!(
                "there is no [[programme]] named \"{}\"; {}",
                value.escape_debug(),
                known::advice(&value, &known, "programmes")
            ),
        );
        return None;
    };
    if let Some(hottest) = programme.hottest_c().filter(|c| *c > highest_c) {
        table.problems.add(
            &span,
            format!(
                "the programme \"{}\" goes to {hottest:.0} °C and \"highest_temperature\" is \
                 {highest_c:.0} °C; raise it, or lower the programme",
                value.escape_debug()
            ),
        );
    }
    Some(value)
}

/// Reads every `[[machine]]`; the kilns must have been read.
pub(super) fn read_machines(
    root: &Table<'_>,
    ambient_kpa: f64,
    topics: &mut Topics,
    names: &mut Names,
) -> Vec<Machine> {
    let mut machines = Vec::new();
    for table in root.tables("machine") {
        let name = read_name(&table, "bench-1", names);
        let kilns = read_kiln_names(&table, names);
        let volume = |key| table.number_in(key, 0.01, 10_000.0, "L").map(|n| n.value);
        let pump_down_volume_l = volume("pump_down_volume_l");
        let chamber_volume_l = volume("chamber_volume_l");
        let gas_least_l_min = table.number_in("gas_least_l_min", 0.01, 1000.0, "L/min");
        let transfer_most_s = table.number_in("transfer_most_s", 10.0, 3_600.0, "s");
        let good_pull_share = table.number_in("good_pull_share", 0.05, 1.0, "");
        let channels = channel::read_all(&table, Owner::Machine, ambient_kpa, topics);
        table.finish();
        if let Some(name) = name {
            machines.push(Machine {
                name,
                kilns,
                pump_down_volume_l,
                chamber_volume_l,
                good_pull_share: good_pull_share.map_or(0.6, |n| n.value),
                transfer_most_s: transfer_most_s.map(|n| n.value),
                gas_least_l_min: gas_least_l_min.map_or(LEAST_GAS_L_MIN, |n| n.value),
                channels,
            });
        }
    }
    machines
}

fn read_kiln_names(table: &Table<'_>, names: &Names) -> Vec<Arc<str>> {
    let mut kilns: Vec<Arc<str>> = Vec::new();
    for At { value, span } in table.texts("kilns", "kiln-1") {
        match names.kilns.iter().find(|k| ***k == value) {
            Some(kiln) if kilns.contains(kiln) => {
                let what = format!("the kiln \"{value}\" is named twice; keep one");
                table.problems.add(&span, what);
            }
            Some(kiln) => kilns.push(Arc::clone(kiln)),
            None => {
                let known: Vec<&str> = names.kilns.iter().map(|k| &**k).collect();
                table.problems.add(
                    &span,
                    format!(
                        "there is no [[kiln]] named \"{}\"; {}",
                        value.escape_debug(),
                        known::advice(&value, &known, "kilns")
                    ),
                );
            }
        }
    }
    kilns
}

fn read_name(table: &Table<'_>, example: &str, names: &mut Names) -> Option<Arc<str>> {
    let At { value, span } = table.needed_text("name", example)?;
    if let Err(why) = fit_for_a_file_name(&value) {
        let what = format!(
            "\"{}\" cannot be a name: {why}; it goes into file names, so write one like \
             \"{example}\"",
            value.escape_debug()
        );
        table.problems.add(&span, what);
        return None;
    }
    let lower = value.to_lowercase();
    if lower == "shop" {
        let what = format!("the name \"{value}\" is kept for the shop itself; choose another");
        table.problems.add(&span, what);
        return None;
    }
    if let Some(other) = names.taken.insert(lower, value.clone()) {
        let what = format!("the name \"{value}\" is taken by \"{other}\"; choose another");
        table.problems.add(&span, what);
        return None;
    }
    Some(value.into())
}

/// Whether a name can be part of a folder's, a file's and a topic's name everywhere.
fn fit_for_a_file_name(name: &str) -> Result<(), &'static str> {
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_');
    if !name.chars().all(plain) {
        Err("it may hold only the letters a to z, digits, - and _")
    } else if !name.starts_with(|c: char| c.is_ascii_alphanumeric()) {
        Err("it must begin with a letter or digit")
    } else if name.len() > LONGEST_NAME {
        Err("it is longer than 40 characters")
    } else {
        Ok(())
    }
}
