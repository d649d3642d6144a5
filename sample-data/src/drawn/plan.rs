//! What is drawn before anything happens: the bench of a session, and how each of its flasks
//! will be melted, pulled and poured. Ranges are those of common practice unless a line names
//! another source.

use std::collections::BTreeSet;

use analysis::atmosphere::standard_pressure_kpa;
use analysis::time::Micros;

use super::{Mix, Seal, Trouble};
use crate::chamber::Seating;
use crate::dice::Dice;
use crate::furnace::Heat;
use crate::shop::{ALLOYS, heat_of};

/// Flask sizes: diameter and height, mm (the usual round sizes, 2½ to 4 in wide).
const SIZES: [(f64, f64); 5] = [
    (64.0, 100.0),
    (76.0, 120.0),
    (89.0, 130.0),
    (89.0, 180.0),
    (102.0, 180.0),
];

/// The troubles that belong to a session.
const OF_SESSION: [Trouble; 12] = [
    Trouble::HotMachine,
    Trouble::WallProbe,
    Trouble::NoVacuumSensor,
    Trouble::NoKilnSensor,
    Trouble::NoValveSwitch,
    Trouble::NoStopperSwitch,
    Trouble::Dropouts,
    Trouble::Late,
    Trouble::WholeFahrenheit,
    Trouble::ZeroDrift,
    Trouble::TwoMachines,
    Trouble::ProbeSwapped,
];

/// The troubles that belong to a flask.
const OF_FLASK: [Trouble; 8] = [
    Trouble::ChargedInGoes,
    Trouble::BridgedCharge,
    Trouble::OnTheWayDown,
    Trouble::VacuumTooEarly,
    Trouble::CalledOff,
    Trouble::VacuumLeftOn,
    Trouble::StirredInPull,
    Trouble::ProbeOut,
];

/// The bench of a session.
#[derive(Clone, Debug)]
pub(crate) struct BenchDraw {
    pub starts: Micros,
    pub troubles: BTreeSet<Trouble>,
    pub heat: Heat,
    pub alloy_known: bool,
    /// Standard pressure at the shop's height, and the day's, kPa.
    pub standard_kpa: f64,
    pub ambient_kpa: f64,
    pub barometer: bool,
    pub melt_hz: f64,
    pub vacuum_hz: f64,
    /// Resolution of the melt reading, K; none is whole °F.
    pub melt_step_k: Option<f64>,
    pub lag_s: f64,
    pub metal_share: f64,
    pub offset_k: f64,
    /// Share of the air that a middling flask on a fresh gasket tends to.
    pub usual_share: f64,
    /// Whether the machine's usual share is known already.
    pub usual_known: bool,
    pub tau_s: f64,
    pub zero_kpa: f64,
    pub zero_drift_kpa_h: f64,
    pub kiln_door: bool,
    pub soak_c: f64,
    pub room_c: f64,
    pub gas_l_min: f64,
    pub noise_k: f64,
    pub seal: Seal,
}

impl BenchDraw {
    pub fn draw(dice: &mut Dice, mix: &Mix, seal: Option<Seal>) -> BenchDraw {
        let troubles = mix.draw(&OF_SESSION, dice);
        let has = |t| troubles.contains(&t);
        let alloy = *dice.pick(&[ALLOYS[0], ALLOYS[0], ALLOYS[0], ALLOYS[1], ALLOYS[2]]);
        let altitude_m = dice.between(0.0, 1600.0);
        let standard_kpa = standard_pressure_kpa(altitude_m);
        let melt_hz = mix.rate_hz(dice);
        let wall = has(Trouble::WallProbe);
        let step_k = *dice.pick(&[0.1, 0.1, 0.25]);
        let drifts = has(Trouble::ZeroDrift);
        let (zero, drift) = (dice.between(-4.0, 4.0), dice.between(-8.0, 8.0));
        let small_zero = dice.between(-0.5, 0.5);
        // 2026-11-18, some time of the day, at any phase of a second.
        let starts = Micros(1_795_000_000_000_000).plus_seconds(dice.between(0.0, 86_400.0));
        BenchDraw {
            starts,
            heat: heat_of(alloy),
            alloy_known: dice.chance(0.5),
            standard_kpa,
            // The weather moves the pressure by about 2 kPa either way.
            ambient_kpa: standard_kpa + dice.near(0.0, 1.0, 2.0),
            barometer: dice.chance(0.3),
            melt_hz,
            vacuum_hz: *dice.pick(&[melt_hz, melt_hz, melt_hz.max(1.0)]),
            melt_step_k: (!has(Trouble::WholeFahrenheit)).then_some(step_k),
            lag_s: if wall {
                dice.between(4.0, 9.0)
            } else {
                geometric(dice, 1.0, 6.0)
            },
            metal_share: if wall { 0.05 } else { dice.between(0.5, 0.95) },
            offset_k: dice.near(0.0, 1.5, 4.0),
            usual_share: dice.between(0.84, 0.94),
            usual_known: dice.chance(0.6),
            tau_s: dice.between(3.0, 8.0),
            zero_kpa: if drifts { zero } else { small_zero },
            zero_drift_kpa_h: if drifts { drift } else { 0.0 },
            kiln_door: dice.chance(0.25) && !has(Trouble::NoKilnSensor),
            soak_c: dice.between(480.0, 620.0),
            room_c: dice.between(14.0, 28.0),
            gas_l_min: dice.between(2.0, 5.0),
            noise_k: mix.noise_k,
            seal: seal.unwrap_or(Seal {
                age_pours: dice.whole(0, 40),
                life_pours: 120,
            }),
            troubles,
        }
    }

    pub fn has(&self, trouble: Trouble) -> bool {
        self.troubles.contains(&trouble)
    }

    /// What a flask of this size usually tends to on a fresh gasket, as a share of the air: a
    /// wider and lower one lets more air through its investment (common practice: plateaus 1 to
    /// 5 inHg below what the pump reaches).
    pub fn usual_share_of(&self, diameter_mm: f64, height_mm: f64) -> f64 {
        let porous = (diameter_mm / 89.0).powi(2) * 130.0 / height_mm;
        self.usual_share - 0.035 * (porous - 1.0)
    }
}

/// How the melt comes to its pour.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Approach {
    /// Climbing at so many K/s.
    Climb(f64),
    /// Held at the aim for so many s.
    Hold(f64),
    /// Over it by so many K, then falling at so many K/s.
    Down { over_k: f64, fall_k_s: f64 },
}

/// What is done to the heater as the metal leaves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum HeaterAfter {
    Lowered,
    Off,
    Kept,
}

/// When the rod with the probe is taken out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum OutWhen {
    AfterPour,
    BeforeMolten,
    InCalledOffPull,
}

/// One try at pulling.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Try {
    pub seating: Seating,
    /// Tends to this share of the air.
    pub end_share: f64,
    pub tau_s: f64,
    /// Called off after so many s; none is the pull that is poured into.
    pub called_off_after_s: Option<f64>,
}

/// One flask.
#[derive(Clone, Debug)]
pub(crate) struct FlaskDraw {
    pub troubles: BTreeSet<Trouble>,
    pub diameter_mm: f64,
    pub height_mm: f64,
    pub metal_kg: f64,
    pub usual_share: f64,
    pub goes: u32,
    pub bridge_k: f64,
    pub skims: bool,
    pub aim_c: f64,
    pub approach: Approach,
    pub tries: Vec<Try>,
    pub lead_s: f64,
    /// How far below the aim the melt is when the vacuum comes on too early, K.
    pub early_below_k: f64,
    pub flow_s: f64,
    pub chill_k: f64,
    pub fade_s: f64,
    pub after: HeaterAfter,
    pub hold_s: f64,
    /// Valve shut but not vented: for so many s, losing so many kPa/min.
    pub held: Option<(f64, f64)>,
    pub left_on_s: Option<f64>,
    pub out: Option<OutWhen>,
}

impl FlaskDraw {
    pub fn draw(dice: &mut Dice, mix: &Mix, bench: &BenchDraw, index: u32) -> FlaskDraw {
        let mut troubles = mix.draw(&OF_FLASK, dice);
        let has = |t| troubles.contains(&t);
        let (diameter_mm, height_mm) = *dice.pick(&SIZES);
        let usual_share = bench.usual_share_of(diameter_mm, height_mm);
        let above_k = dice.between(45.0, 110.0);
        let (climb, hold, slow) = (
            dice.between(0.05, 0.20),
            dice.between(10.0, 90.0),
            dice.chance(0.5),
        );
        let (over_k, fall_k_s) = (dice.between(12.0, 35.0), dice.between(0.05, 0.30));
        let approach = if has(Trouble::OnTheWayDown) {
            Approach::Down { over_k, fall_k_s }
        } else if slow {
            Approach::Hold(hold)
        } else {
            Approach::Climb(climb)
        };
        let tries = tries(dice, bench, usual_share, has(Trouble::CalledOff), index);
        // With what the furnace loses meanwhile this makes falls of 5–40 K in half a minute.
        let chill = geometric(dice, 5.5, 32.0);
        let rise = dice.between(4.0, 15.0);
        let mut out = *dice.pick(&[
            OutWhen::AfterPour,
            OutWhen::BeforeMolten,
            OutWhen::InCalledOffPull,
        ]);
        if out == OutWhen::InCalledOffPull && tries.len() < 2 {
            out = OutWhen::AfterPour;
        }
        let (left_on, held) = (dice.between(150.0, 700.0), dice.chance(0.35));
        let leaks = tries.last().is_some_and(|t| t.seating == Seating::SlowLeak);
        // 1–10 inHg/min with a slow leak.
        let loss = if leaks {
            dice.between(3.4, 34.0)
        } else {
            dice.between(0.2, 2.5)
        };
        let held_s = dice.between(8.0, 40.0);
        let bridge = dice.between(25.0, 80.0) * if dice.chance(0.5) { 1.0 } else { -1.0 };
        let goes = dice.whole(2, 3);
        let draw = FlaskDraw {
            diameter_mm,
            height_mm,
            metal_kg: dice.between(0.12, 0.55),
            usual_share,
            goes: if has(Trouble::ChargedInGoes) { goes } else { 1 },
            bridge_k: if has(Trouble::BridgedCharge) {
                bridge
            } else {
                0.0
            },
            skims: dice.chance(0.5),
            aim_c: bench.heat.liquidus_c + above_k,
            approach,
            lead_s: dice.between(5.0, 60.0),
            early_below_k: dice.between(12.0, 70.0),
            flow_s: dice.between(1.0, 3.0),
            chill_k: if bench.has(Trouble::WallProbe) {
                -rise
            } else {
                chill
            },
            fade_s: dice.between(35.0, 90.0),
            after: *dice.pick(&[
                HeaterAfter::Lowered,
                HeaterAfter::Lowered,
                HeaterAfter::Off,
                HeaterAfter::Kept,
            ]),
            hold_s: dice.between(30.0, 180.0),
            held: held.then_some((held_s, loss)),
            left_on_s: has(Trouble::VacuumLeftOn).then_some(left_on),
            out: (has(Trouble::ProbeOut) && !bench.has(Trouble::WallProbe)).then_some(out),
            tries,
            troubles: BTreeSet::new(),
        };
        if draw.out.is_none() {
            troubles.remove(&Trouble::ProbeOut);
        }
        if index > 0 {
            troubles.insert(Trouble::HotMachine);
        }
        FlaskDraw { troubles, ..draw }
    }

    pub fn has(&self, trouble: Trouble) -> bool {
        self.troubles.contains(&trouble)
    }
}

/// Evenly in the logarithm.
fn geometric(dice: &mut Dice, low: f64, high: f64) -> f64 {
    dice.between(low.ln(), high.ln()).exp()
}

/// The tries at pulling; the last is poured into.
fn tries(
    dice: &mut Dice,
    bench: &BenchDraw,
    usual_share: f64,
    called_off: bool,
    index: u32,
) -> Vec<Try> {
    let again = dice.whole(1, 2);
    let mut all = Vec::new();
    for _ in 0..again {
        let seating = *dice.pick(&[
            Seating::Unseated,
            Seating::Unseated,
            Seating::SlowLeak,
            Seating::Open,
        ]);
        let after_s = dice.between(6.0, 40.0);
        let the_try = a_try(dice, bench, usual_share, seating, index);
        if called_off {
            all.push(Try {
                called_off_after_s: Some(after_s),
                ..the_try
            });
        }
    }
    let luck = dice.between(0.0, 1.0);
    // A pour without any pull is only in the mix where a switch can tell that one was meant.
    let tells = !bench.has(Trouble::NoValveSwitch);
    let seating = match luck {
        p if p < 0.03 && tells => Seating::Open,
        p if p < 0.05 => Seating::Unseated,
        p if p < 0.13 => Seating::SlowLeak,
        _ => Seating::Good,
    };
    all.push(a_try(dice, bench, usual_share, seating, index));
    all
}

fn a_try(
    dice: &mut Dice,
    bench: &BenchDraw,
    usual_share: f64,
    seating: Seating,
    index: u32,
) -> Try {
    let worn = f64::from(bench.seal.age_pours + index) / f64::from(bench.seal.life_pours);
    // Flasks of one size differ a little in how much air they let through.
    let good = usual_share * (1.0 + dice.near(0.0, 0.012, 0.03)) * (1.0 - 0.18 * worn * worn);
    let short = dice.between(0.14, 0.40);
    let plateau = dice.between(5.0, 18.0) * 3.386_389;
    let none_kpa = dice.between(0.0, 0.8);
    let tau = bench.tau_s * (1.0 + dice.near(0.0, 0.05, 0.12));
    let (end_share, tau_s) = match seating {
        Seating::Good => (good, tau),
        Seating::SlowLeak => (good * (1.0 - short), tau),
        // 5–18 inHg, soon reached, and never what would pass for good.
        Seating::Unseated => ((plateau / bench.ambient_kpa).min(0.8 * usual_share), 2.0),
        Seating::Open => (none_kpa / bench.ambient_kpa, 1.0),
    };
    Try {
        seating,
        end_share,
        tau_s,
        called_off_after_s: None,
    }
}
