//! Larkfield bench: an invented shop near Dublin, 85 m up, two people, one machine, one kiln.
//! This file decides what was cast on which day, with which settings, and which part was
//! changed when.

use analysis::time::Micros;
use jiff::civil::{Date, Weekday};
use jiff::tz::TimeZone;

use crate::chamber::Seating;
use crate::defects::{COMMON, Coefficients, optimum_c};
use crate::dice::Dice;
use crate::furnace::Heat;
use crate::gas::Supply;
use crate::plan::{Fittings, FlaskPlan, SessionPlan};
use crate::records::{PartChange, Target};
use crate::truth::{SectionTruth, ShopTruth};

/// The shop's name.
pub const NAME: &str = "Larkfield bench";
/// Its time zone.
pub const TIME_ZONE: &str = "Europe/Dublin";
/// Its height above the sea, m.
pub const ALTITUDE_M: f64 = 85.0;
/// Its machine.
pub const MACHINE: &str = "bench-1";
/// Its kiln.
pub const KILN: &str = "kiln-1";
/// Who works there; both invented.
pub const PEOPLE: [&str; 2] = ["Orla", "Fintan"];
/// What it casts, most first.
pub const ALLOYS: [&str; 3] = ["sterling-925", "gold-14k-yellow", "bronze-90-10"];

/// The patterns: name, section, usual pieces a flask, g a piece. All invented.
pub const PATTERNS: [(&str, &str, u32, f64); 12] = [
    ("fern drop", "thin", 22, 2.4),
    ("moth pendant", "thin", 18, 3.1),
    ("reed hoop", "thin", 24, 2.1),
    ("lace cuff link", "thin", 20, 2.9),
    ("tern brooch", "medium", 16, 5.2),
    ("harbour ring", "medium", 20, 4.6),
    ("knot stud", "medium", 26, 3.2),
    ("oat charm", "medium", 22, 3.8),
    ("ferry token", "medium", 18, 5.0),
    ("quay signet", "heavy", 12, 9.5),
    ("anvil charm", "heavy", 14, 8.0),
    ("slate buckle", "heavy", 10, 13.0),
];

/// The truth by alloy and section. Centres sit near the optimum; the shop's own targets
/// ([`TARGETS`]) do not: medium work is poured too cool, thin and heavy about right. Flask
/// centres are some 20 K below the kiln's set point, which is what the way to the chamber costs.
pub const COEFFICIENTS: [(&str, &str, Coefficients); 5] = [
    (
        "sterling-925",
        "thin",
        coefficients(990.0, 580.0, -3.9, 0.075, -4.2),
    ),
    (
        "sterling-925",
        "medium",
        coefficients(974.0, 533.0, -4.0, 0.065, -4.1),
    ),
    (
        "sterling-925",
        "heavy",
        coefficients(953.0, 462.0, -4.2, 0.045, -4.0),
    ),
    (
        "gold-14k-yellow",
        "medium",
        coefficients(968.0, 518.0, -4.1, 0.060, -4.2),
    ),
    (
        "bronze-90-10",
        "medium",
        coefficients(1088.0, 538.0, -3.9, 0.060, -4.0),
    ),
];

/// The shop's targets by alloy and section: pour and flask temperature, °C. Within the published
/// windows (sterling 940–1000 °C; flasks 400–480 heavy, 510–566 medium, 566–621 thin).
pub const TARGETS: [(&str, &str, f64, f64); 5] = [
    ("sterling-925", "thin", 998.0, 605.0),
    ("sterling-925", "medium", 962.0, 555.0),
    ("sterling-925", "heavy", 955.0, 480.0),
    ("gold-14k-yellow", "medium", 965.0, 540.0),
    ("bronze-90-10", "medium", 1085.0, 560.0),
];

const fn coefficients(
    centre_pour_c: f64,
    centre_flask_c: f64,
    cold_at_centre: f64,
    cold_per_k: f64,
    hot_at_centre: f64,
) -> Coefficients {
    Coefficients {
        centre_pour_c,
        centre_flask_c,
        cold_at_centre,
        cold_per_k,
        cold_per_flask_k: 0.012,
        hot_at_centre,
        hot_per_k: 0.055,
        hot_per_flask_k: 0.008,
    }
}

/// The truth of an alloy and section; a section the alloy is not cast in has the medium one.
pub fn coefficients_of(alloy: &str, section: &str) -> &'static Coefficients {
    COEFFICIENTS
        .iter()
        .find(|(a, s, _)| *a == alloy && *s == section)
        .or_else(|| COEFFICIENTS.iter().find(|(a, ..)| *a == alloy))
        .map_or(&COEFFICIENTS[1].2, |(_, _, of)| of)
}

/// How an alloy takes up heat. Melting ranges as in common handbook tables: sterling 802–893 °C,
/// a 14 karat yellow about 830–885 °C, 90/10 tin bronze about 850–1005 °C.
pub fn heat_of(alloy: &str) -> Heat {
    match alloy {
        "gold-14k-yellow" => Heat {
            solidus_c: 830.0,
            liquidus_c: 885.0,
            solid: 0.175,
            melting: 62.0,
            at_once: 0.0,
            liquid: 0.20,
        },
        "bronze-90-10" => Heat {
            solidus_c: 850.0,
            liquidus_c: 1005.0,
            solid: 0.42,
            melting: 200.0,
            at_once: 0.0,
            liquid: 0.50,
        },
        _ => Heat {
            solidus_c: 802.0,
            liquidus_c: 893.0,
            solid: 0.265,
            melting: 103.0,
            at_once: 0.0,
            liquid: 0.30,
        },
    }
}

/// How often the probe is checked, s: six weeks.
const PROBE_CHECK_EVERY_S: f64 = 6.0 * 7.0 * 86_400.0;

/// The shop over a number of weeks.
#[derive(Clone, Debug)]
pub struct Shop {
    seed: u64,
    weeks: u32,
    plans: Vec<SessionPlan>,
    changes: Vec<PartChange>,
    targets: Vec<Target>,
}

/// What wears and wanders from session to session.
struct Bench {
    seal_age: u32,
    seal_life: u32,
    rod_age: u32,
    crucible_age: u32,
    cylinder_l: f64,
    probe_offset_k: f64,
    /// The slow wandering of what the casters aim at, K.
    wander_k: f64,
    label: u32,
    month: i8,
}

impl Shop {
    /// The shop in the `weeks` weeks up to and including `ending`, about four sessions a week
    /// on working days. The last working day always has one.
    pub fn new(seed: u64, weeks: u32, ending: Date) -> Shop {
        let mut shop = Shop {
            seed,
            weeks,
            plans: Vec::new(),
            changes: Vec::new(),
            targets: Vec::new(),
        };
        let mut dice = Dice::new(seed, 0);
        let days: Vec<Date> = (0..i64::from(weeks) * 7)
            .rev()
            .filter_map(|back| ending.checked_sub(jiff::Span::new().days(back)).ok())
            .filter(|day| !matches!(day.weekday(), Weekday::Saturday | Weekday::Sunday))
            .collect();
        let mut bench = Bench {
            seal_age: 0,
            seal_life: dice.whole(75, 105),
            rod_age: 0,
            crucible_age: 0,
            cylinder_l: Supply::FULL_L,
            probe_offset_k: dice.near(0.0, 1.0, 2.0),
            wander_k: 0.0,
            label: 0,
            month: 0,
        };
        if let Some(first) = days.first() {
            shop.begin(at(*first, 7.5));
        }
        for (i, day) in days.iter().enumerate() {
            if dice.chance(0.8) || i + 1 == days.len() {
                let next = days
                    .get(i + 1)
                    .copied()
                    .unwrap_or_else(|| next_workday(*day));
                shop.plan_session(*day, next, &mut bench, &mut dice);
            }
        }
        shop.plan_probe_checks();
        shop
    }

    /// The same shop with other sensors fitted.
    pub fn with_fittings(mut self, fittings: Fittings) -> Shop {
        for plan in &mut self.plans {
            plan.fittings = fittings;
        }
        self
    }

    /// The sessions in order of time.
    pub fn sessions(&self) -> impl ExactSizeIterator<Item = &SessionPlan> + DoubleEndedIterator {
        self.plans.iter()
    }

    /// Part changes in order of time.
    pub fn part_changes(&self) -> &[PartChange] {
        &self.changes
    }

    /// The shop's targets, all from its first day.
    pub fn targets(&self) -> &[Target] {
        &self.targets
    }

    /// What every flask's defects are drawn from.
    pub fn truth(&self) -> ShopTruth {
        ShopTruth {
            shop: NAME.to_owned(),
            invented: "Larkfield bench does not exist; every figure here is made up".to_owned(),
            seed: self.seed,
            weeks: self.weeks,
            common: COMMON,
            sections: COEFFICIENTS
                .iter()
                .map(|(alloy, section, of)| SectionTruth {
                    alloy: (*alloy).to_owned(),
                    section: (*section).to_owned(),
                    coefficients: *of,
                    optimum_pour_c: optimum_c(of),
                    target_pour_c: target_of(alloy, section).0,
                })
                .collect(),
        }
    }

    fn begin(&mut self, since: Micros) {
        for part in ["gasket", "stopper-rod", "crucible", "thermocouple"] {
            self.change(part, since, None);
        }
        self.change("gas-cylinder", since, Some(Supply::FULL_L));
        self.targets = TARGETS
            .iter()
            .map(|(alloy, section, pour, flask)| Target {
                alloy: (*alloy).to_owned(),
                section: (*section).to_owned(),
                since,
                pour_temperature_c: *pour,
                flask_temperature_c: *flask,
                soak_min: 120.0,
                vacuum_lead_s: 25.0,
            })
            .collect();
    }

    fn change(&mut self, part: &str, at: Micros, content_l: Option<f64>) {
        self.changes.push(PartChange {
            part: part.to_owned(),
            machine: MACHINE.to_owned(),
            at,
            content_l,
        });
    }

    /// A probe check at the end of the first day of each probe, and of a day every six weeks. Never
    /// the shop's last day, which is the one that is looked at most.
    fn plan_probe_checks(&mut self) {
        let changed: Vec<Micros> = self
            .changes
            .iter()
            .filter(|c| c.part == "thermocouple")
            .map(|c| c.at)
            .collect();
        let mut checked: Option<Micros> = None;
        let but_last = self.plans.len().saturating_sub(1);
        for plan in self.plans.iter_mut().take(but_last) {
            let due = checked.is_none_or(|last| {
                let new = changed.iter().any(|at| *at > last && *at <= plan.starts);
                new || plan.starts.seconds_since(last) > PROBE_CHECK_EVERY_S
            });
            if due {
                plan.probe_check = true;
                checked = Some(plan.starts);
            }
        }
    }

    /// Changes what is due, before the session begins.
    fn maintain(&mut self, morning: Micros, bench: &mut Bench, dice: &mut Dice) {
        if bench.seal_age >= bench.seal_life {
            bench.seal_age = 0;
            bench.seal_life = dice.whole(75, 105);
            self.change("gasket", morning, None);
        }
        if bench.rod_age >= 60 {
            bench.rod_age = 0;
            self.change("stopper-rod", morning, None);
        }
        if bench.crucible_age >= 130 {
            bench.crucible_age = 0;
            self.change("crucible", morning, None);
            // The probe sits in the crucible's rod and is changed with it.
            bench.probe_offset_k = dice.near(0.0, 1.0, 2.0);
            self.change("thermocouple", morning, None);
        }
        // A third of the time nobody looks, and it runs out while casting.
        let low = bench.cylinder_l < 450.0 && dice.chance(0.67);
        if low || bench.cylinder_l < 60.0 {
            bench.cylinder_l = Supply::FULL_L;
            self.change("gas-cylinder", morning, Some(Supply::FULL_L));
        }
    }

    fn plan_session(&mut self, day: Date, next: Date, bench: &mut Bench, dice: &mut Dice) {
        let starts = at(day, dice.between(8.5, 10.2));
        self.maintain(starts.plus_seconds(-1200.0), bench, dice);
        if day.month() != bench.month {
            (bench.month, bench.label) = (day.month(), 0);
        }
        let alloy = match dice.between(0.0, 1.0) {
            p if p < 0.86 => ALLOYS[0],
            p if p < 0.93 => ALLOYS[1],
            _ => ALLOYS[2],
        };
        let section = if alloy == ALLOYS[0] {
            *dice.pick(&["thin", "thin", "medium", "medium", "medium", "heavy"])
        } else {
            "medium"
        };
        bench.wander_k = 0.8 * bench.wander_k + dice.normal(0.0, 3.2);
        let mut pour_s = dice.between(2650.0, 3050.0);
        let flasks: Vec<FlaskPlan> = (0..dice.whole(3, 6))
            .map(|i| {
                if i > 0 {
                    pour_s += dice.between(510.0, 690.0);
                }
                plan_flask(alloy, section, pour_s, i, bench, dice)
            })
            .collect();
        let season = (f64::from(day.day_of_year()) - 200.0) / 365.25 * std::f64::consts::TAU;
        let caster = *dice.pick(&PEOPLE);
        let count = flasks.len() as u32;
        self.plans.push(SessionPlan {
            index: self.plans.len() as u32,
            seed: self.seed ^ (0x5851_f42d_4c95_7f2d_u64.wrapping_mul(self.plans.len() as u64 + 1)),
            starts,
            machine: MACHINE.to_owned(),
            kiln: KILN.to_owned(),
            caster: caster.to_owned(),
            alloy: alloy.to_owned(),
            soak_c: target_of(alloy, section).1 + dice.near(0.0, 9.0, 20.0).round(),
            room_c: 18.0 + 3.5 * season.cos() + dice.near(0.0, 1.0, 2.0),
            // The standard atmosphere at 85 m (ISO 2533: 100.31 kPa) and Irish weather.
            barometer_kpa: dice.near(100.31, 1.1, 3.0),
            barometer_kpa_h: dice.near(0.0, 0.05, 0.15),
            cylinder_l: bench.cylinder_l,
            gas_set_l_min: dice.near(3.0, 0.15, 0.4),
            gas_droop: dice.between(0.05, 0.20),
            seal_age_pours: bench.seal_age,
            probe_offset_k: bench.probe_offset_k,
            effect: dice.normal(0.0, COMMON.session_sd),
            inspected_at: at(next, dice.between(10.0, 15.5)),
            inspector: dice.pick(&PEOPLE).to_string(),
            flasks,
            probe_check: false,
            fittings: Fittings::default(),
        });
        bench.seal_age += count;
        bench.rod_age += count;
        bench.crucible_age += count;
        // Purge, casting and cooling under gas.
        bench.cylinder_l = (bench.cylinder_l - 240.0 - 30.0 * f64::from(count)).max(0.0);
    }
}

fn plan_flask(
    alloy: &str,
    main_section: &str,
    pour_s: f64,
    place: u32,
    bench: &mut Bench,
    dice: &mut Dice,
) -> FlaskPlan {
    // One kiln load, one temperature: most of a day's flasks are of one section.
    let section = if alloy == ALLOYS[0] && dice.chance(0.2) {
        *dice.pick(&["thin", "medium", "heavy"])
    } else {
        main_section
    };
    let of_section: Vec<_> = PATTERNS.iter().filter(|p| p.1 == section).collect();
    let (pattern, _, usual, grams) = **dice.pick(&of_section);
    let pieces = dice.whole(usual - 3, usual + 3);
    let remelt_percent = (dice.near(40.0, 12.0, 30.0) / 5.0).round() * 5.0;
    let target_c = target_of(alloy, section).0;
    // 6–10 K of scatter, and a slow wandering on top (about 5 K).
    let aimed_c = target_c + bench.wander_k.clamp(-12.0, 12.0) + dice.near(0.0, 7.0, 18.0);
    let seal_age = bench.seal_age + place;
    let worn = f64::from(seal_age) / 100.0;
    let seating = match dice.between(0.0, 1.0) {
        p if p < 0.02 + 0.04 * worn => Seating::Unseated,
        p if p < 0.04 + 0.08 * worn => Seating::SlowLeak,
        _ => Seating::Good,
    };
    let leak = match seating {
        Seating::SlowLeak => dice.between(0.05, 0.14),
        Seating::Good | Seating::Unseated | Seating::Open => 0.0,
    };
    bench.label += 1;
    FlaskPlan {
        label: format!("F{}", bench.label),
        section: section.to_owned(),
        pattern: pattern.to_owned(),
        pieces,
        // A third more than the pieces, for sprue and button.
        metal_g: (f64::from(pieces) * grams * 1.35 * density_ratio(alloy) + 60.0).round(),
        remelt_percent,
        target_c,
        aimed_c,
        pour_s,
        transfer_s: dice.between(38.0, 85.0),
        vacuum_lead_s: dice.between(15.0, 35.0),
        flow_s: dice.between(1.0, 3.0),
        hold_s: dice.between(30.0, 120.0),
        seating,
        end_share: dice.near(0.925, 0.012, 0.03) - 0.05 * worn * worn - leak,
        unseated_share: dice.between(0.18, 0.55),
        sealed_gain: dice.between(0.015, 0.045),
        tau_s: dice.near(4.6, 0.5, 1.2) + 0.6 * worn,
        shelf_k: dice.near(0.0, 6.0, 14.0),
        chill_k: dice.between(10.0, 30.0),
        skims: dice.chance(0.5),
        second_charge_s: dice.chance(0.6).then(|| dice.between(20.0, 40.0)),
        effect: dice.normal(0.0, COMMON.flask_sd),
        inspected: !dice.chance(0.08),
        blind: dice.chance(0.6),
    }
}

/// The shop's target of an alloy and section: pour and flask temperature, °C.
fn target_of(alloy: &str, section: &str) -> (f64, f64) {
    TARGETS
        .iter()
        .find(|(a, s, ..)| *a == alloy && *s == section)
        .map_or((TARGETS[1].2, TARGETS[1].3), |(_, _, pour, flask)| {
            (*pour, *flask)
        })
}

/// Grams of this alloy for a gram of sterling; densities 10.36, 13.6 and 8.75 g/cm³.
fn density_ratio(alloy: &str) -> f64 {
    match alloy {
        "gold-14k-yellow" => 13.6 / 10.36,
        "bronze-90-10" => 8.75 / 10.36,
        _ => 1.0,
    }
}

/// A local hour of a day as an instant. The zone's rule is written out, so that the same seed
/// gives the same bytes on a machine without a time zone database.
fn at(day: Date, hour: f64) -> Micros {
    let midnight = day.to_datetime(jiff::civil::Time::midnight());
    let zone = TimeZone::posix("IST-1GMT0,M10.5.0,M3.5.0/1").unwrap_or(TimeZone::UTC);
    let midnight = zone
        .to_timestamp(midnight)
        .map_or(0, jiff::Timestamp::as_microsecond);
    // Clocks change on Sundays, when nobody casts.
    Micros(midnight).plus_seconds((hour * 3600.0).round())
}

fn next_workday(day: Date) -> Date {
    let mut next = day.saturating_add(jiff::Span::new().days(1));
    while matches!(next.weekday(), Weekday::Saturday | Weekday::Sunday) {
        next = next.saturating_add(jiff::Span::new().days(1));
    }
    next
}
