//! What the shop means to do and how it counts: `[[target]]`, `[[defect_kind]]`, `[sections]`
//! and `[reports]`.

use std::fmt;

use analysis::channel::Quantity;
use analysis::defect::{DefectKind, DefectKinds, Side};
use jiff::civil::Weekday;

use super::known;
use super::quantity::read_with_unit;
use super::read::{At, Table};

/// The sections that a target or a pattern may name.
const SECTIONS: [&str; 3] = ["thin", "medium", "heavy"];

/// A pour below or above this is a slip of the pen: zinc alloys melt near 385 °C, platinum at
/// 1768 °C (ITS-90; both far outside a bench of this kind), °C.
const POUR_C: (f64, f64) = (300.0, 1_900.0);
/// A flask is poured between room temperature and the kiln's highest, °C.
const FLASK_C: (f64, f64) = (15.0, 1_100.0);

/// `[[target]]`: what the shop means to do now with one alloy and section. Its history is kept
/// in the records.
#[derive(Clone, Debug, PartialEq)]
pub struct Target {
    /// `alloy`.
    pub alloy: String,
    /// `section`: `thin`, `medium` or `heavy`. Default: none, every section without a target of
    /// its own.
    pub section: Option<String>,
    /// `pour_temperature`.
    pub pour_temperature: TargetTemperature,
    /// `flask_temperature`. Default: none.
    pub flask_temperature: Option<TargetTemperature>,
    /// `soak_min`: soak at the flask temperature, minutes. Default: none.
    pub soak_min: Option<f64>,
    /// `vacuum_lead_s`: from vacuum to pour, s. Default: none.
    pub vacuum_lead_s: Option<f64>,
}

/// A temperature that is stored with its unit, so that changing what people see never changes
/// what it means.
#[derive(Clone, Debug, PartialEq)]
pub struct TargetTemperature {
    /// As written: `968 Cel`, `1775 degF`.
    pub written: String,
    /// The same, °C.
    pub celsius: f64,
}

const SIDES: [(&str, Side); 4] = [
    ("falls-with-heat", Side::FallsWithHeat),
    ("rises-with-heat", Side::RisesWithHeat),
    ("either", Side::Either),
    ("not-the-pour", Side::NotThePour),
];

/// `[sections]`: which walls count as thin and heavy.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sections {
    /// `thin_below_mm`. Default: 1.
    pub thin_below_mm: f64,
    /// `heavy_above_mm`. Default: 2.5.
    pub heavy_above_mm: f64,
}

/// `[reports]`: when last week's report is written, in the shop's time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReportDay {
    /// `day`. Default: Monday.
    pub day: Weekday,
    /// `hour`, 0–23. Default: 6.
    pub hour: i8,
}

impl fmt::Display for TargetTemperature {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.written)
    }
}

impl Default for Sections {
    fn default() -> Self {
        Sections {
            thin_below_mm: 1.0,
            heavy_above_mm: 2.5,
        }
    }
}

impl Default for ReportDay {
    fn default() -> Self {
        ReportDay {
            day: Weekday::Monday,
            hour: 6,
        }
    }
}

/// Reads every `[[target]]`.
pub(super) fn read_targets(root: &Table<'_>) -> Vec<Target> {
    let mut targets: Vec<Target> = Vec::new();
    for table in root.tables("target") {
        let alloy = table.needed_text("alloy", "sterling-925");
        let section = match table.text("section", "medium") {
            None => Some(None),
            Some(word) => one_of(&table, &word, &SECTIONS, "section").map(Some),
        };
        if !table.has("pour_temperature") {
            table.needed_text("pour_temperature", "968 Cel");
        }
        let pour_temperature = temperature(&table, "pour_temperature", POUR_C, "968 Cel");
        let flask_temperature = temperature(&table, "flask_temperature", FLASK_C, "555 Cel");
        let soak_min = table.number_in("soak_min", 0.0, 6_000.0, "min");
        let vacuum_lead_s = table.number_in("vacuum_lead_s", 0.0, 600.0, "s");
        table.finish();
        let (Some(alloy), Some(section), Some(pour_temperature)) =
            (alloy, section, pour_temperature)
        else {
            continue;
        };
        let same = |t: &Target| t.alloy == alloy.value && t.section == section;
        if targets.iter().any(same) {
            table.problems.add(
                &alloy.span,
                format!(
                    "there is already a [[target]] for \"{}\"{}; keep one",
                    alloy.value.escape_debug(),
                    section.map_or_else(String::new, |s| format!(", {s}"))
                ),
            );
            continue;
        }
        targets.push(Target {
            alloy: alloy.value,
            section,
            pour_temperature,
            flask_temperature,
            soak_min: soak_min.map(|n| n.value),
            vacuum_lead_s: vacuum_lead_s.map(|n| n.value),
        });
    }
    targets
}

fn temperature(
    table: &Table<'_>,
    key: &'static str,
    within_c: (f64, f64),
    example: &str,
) -> Option<TargetTemperature> {
    let celsius = read_with_unit(table, key, Quantity::Temperature, within_c, example)?;
    Some(TargetTemperature {
        written: table.text(key, example)?.value,
        celsius,
    })
}

/// Reads every `[[defect_kind]]` and puts them after the kinds that pourbook knows.
pub(super) fn read_defect_kinds(root: &Table<'_>) -> DefectKinds {
    let mut own: Vec<DefectKind> = Vec::new();
    for table in root.tables("defect_kind") {
        let name = table.needed_text("name", "lost-stone");
        let seen = table.text("seen", "an empty setting");
        let side = table
            .needed_text("side", "either")
            .and_then(|word| one_of(&table, &word, &SIDES.map(|(name, _)| name), "side"))
            .and_then(|word| SIDES.iter().find(|(name, _)| *name == word))
            .map(|(_, side)| *side);
        let may_steer = table.flag("may_steer").is_some_and(|f| f.value);
        let leaves_denominator = table.flag("leaves_denominator").is_some_and(|f| f.value);
        table.finish();
        let (Some(name), Some(side)) = (name, side) else {
            continue;
        };
        let why = if name.value.len() > 40 {
            Some("is longer than 40 characters")
        } else if DefectKinds::standard().get(&name.value).is_some() {
            Some("is known to pourbook already; take it out")
        } else if own.iter().any(|k| k.name == name.value) {
            Some("is given twice; keep one")
        } else {
            None
        };
        if let Some(why) = why {
            let what = format!("the defect kind \"{}\" {why}", name.value.escape_debug());
            table.problems.add(&name.span, what);
            continue;
        }
        let kind = DefectKind {
            name: name.value,
            seen: seen.map_or_else(String::new, |s| s.value),
            side,
            may_steer,
            leaves_denominator,
        };
        match DefectKinds::with(vec![kind.clone()]) {
            Ok(_) => own.push(kind),
            Err(why) => table.problems.add(&name.span, why.to_string()),
        }
    }
    // Each was accepted by itself and none repeats another, so together they are as well.
    DefectKinds::with(own).unwrap_or_default()
}

/// Reads `[sections]`; `None` if it is wrong, which was reported.
pub(super) fn read_sections(root: &Table<'_>) -> Option<Sections> {
    let default = Sections::default();
    let Some(table) = root.table("sections") else {
        return (!root.has("sections")).then_some(default);
    };
    let thin = table.number_in("thin_below_mm", 0.1, 50.0, "mm");
    let heavy = table.number_in("heavy_above_mm", 0.1, 50.0, "mm");
    table.finish();
    let sections = Sections {
        thin_below_mm: thin.map_or(default.thin_below_mm, |n| n.value),
        heavy_above_mm: heavy.map_or(default.heavy_above_mm, |n| n.value),
    };
    if sections.thin_below_mm >= sections.heavy_above_mm {
        table.wrong(format!(
            "[sections] has thin below {} mm and heavy above {} mm; thin must end before heavy \
             begins",
            sections.thin_below_mm, sections.heavy_above_mm
        ));
        return None;
    }
    Some(sections)
}

/// Reads `[reports]`; `None` if it is wrong, which was reported.
pub(super) fn read_reports(root: &Table<'_>) -> Option<ReportDay> {
    const DAYS: [(&str, Weekday); 7] = [
        ("monday", Weekday::Monday),
        ("tuesday", Weekday::Tuesday),
        ("wednesday", Weekday::Wednesday),
        ("thursday", Weekday::Thursday),
        ("friday", Weekday::Friday),
        ("saturday", Weekday::Saturday),
        ("sunday", Weekday::Sunday),
    ];
    let mut reports = ReportDay::default();
    let Some(table) = root.table("reports") else {
        return (!root.has("reports")).then_some(reports);
    };
    let mut right = true;
    if let Some(word) = table.text("day", "monday") {
        let names = DAYS.map(|(name, _)| name);
        match one_of(&table, &word, &names, "day of the week") {
            Some(name) => {
                let day = DAYS.iter().find(|(n, _)| *n == name);
                reports.day = day.map_or(reports.day, |(_, d)| *d);
            }
            None => right = false,
        }
    }
    if let Some(hour) = table.number_in("hour", 0.0, 23.0, "") {
        if hour.value.fract() == 0.0 {
            // 0 to 23 fits.
            reports.hour = hour.value as i8;
        } else {
            let what = "\"hour\" must be a whole hour from 0 to 23";
            table.problems.add(&hour.span, what);
            right = false;
        }
    }
    table.finish();
    right.then_some(reports)
}

fn one_of(table: &Table<'_>, word: &At<String>, known: &[&str], kind: &str) -> Option<String> {
    if known.contains(&word.value.as_str()) {
        return Some(word.value.clone());
    }
    table.problems.add(
        &word.span,
        format!(
            "\"{}\" is not a {kind}; {}",
            word.value.escape_debug(),
            match known::nearest(&word.value, known) {
                Some(near) => format!("did you mean \"{near}\"?"),
                None => format!("write one of {}", known.join(", ")),
            }
        ),
    );
    None
}
