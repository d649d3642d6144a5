//! An invented day at the machine and the night in the kiln before it.

use analysis::burnout::{BurnoutRow, FaultKind, FaultRow, SpellKind, SpellRow};
use analysis::pour::{FlaskTemperatureFrom, FoundBy, PourRow, PullRow, Verdict};
use analysis::time::Micros;
use reports::chart::night::{FlaskOut, KilnNight};
use reports::session_trace::{SessionTrace, StageSpan};

use super::dice::Dice;

fn pour(number: u32, at: Micros, t: f64, vacuum: f64) -> PourRow {
    PourRow {
        session: "2026-11-18T0912-bench-1".to_owned(),
        machine: "bench-1".to_owned(),
        number,
        at,
        confidence: 0.97,
        found_by: FoundBy::Trace,
        flask: Some(format!("card-{number}")),
        pour_temperature_c: Some(t),
        target_c: Some(968.0),
        superheat_k: Some(t - 893.0),
        heating_rate_k_s: Some(0.08),
        peak_melt_c: Some(t + 1.0),
        time_molten_s: Some(420.0),
        since_charge_s: Some(900.0),
        vacuum_kpa: Some(vacuum),
        vacuum_share: Some(vacuum / 100.3),
        vacuum_lead_s: Some(22.0),
        vacuum_after_kpa: Some(vacuum - 1.0),
        gas_flow_l_min: Some(4.1),
        gas_flow_least_l_min: Some(3.8),
        kiln_temperature_c: Some(560.0),
        soak_min: None,
        transfer_s: Some(48.0),
        flask_temperature_c: Some(548.0),
        flask_temperature_sd_k: Some(12.0),
        flask_temperature_from: Some(FlaskTemperatureFrom::Cooled),
        seal_age_pours: Some(70 + number),
        quality: if number == 3 {
            vec!["gap-before-pour".to_owned()]
        } else {
            vec![]
        },
        faults: if number == 3 {
            vec!["gap-before-pour".to_owned()]
        } else {
            vec![]
        },
        parts: analysis::upkeep::PartsAtPour {
            stopper_rod_age_pours: Some(130 + number),
            stopper_rod_bare_hot_min: Some(41.0),
            crucible_age_pours: Some(301 + number),
            crucible_bare_hot_min: Some(96.0),
            gas_cylinder_age_pours: Some(22 + number),
            gasket_pulls: Some(68 + number),
            gasket_share_first: Some(0.86),
            gasket_share_lately: Some(0.83),
            session_gas_l: Some(90.0 * f64::from(number)),
            cylinder_left_l: Some(2100.0 - 90.0 * f64::from(number)),
            cylinder_unsure_l: Some(0.0),
            ..analysis::upkeep::PartsAtPour::default()
        },
    }
}

fn pull(at: Micros, depth: f64, verdict: Verdict, poured: bool) -> PullRow {
    PullRow {
        session: "2026-11-18T0912-bench-1".to_owned(),
        machine: "bench-1".to_owned(),
        opened_at: at,
        closed_at: Some(at.plus_seconds(75.0)),
        depth_kpa: Some(depth),
        share: Some(depth / 100.3),
        settled_kpa: Some(depth - 0.5),
        settled_se_kpa: Some(0.3),
        rest_kpa: Some(0.2),
        time_to_90_s: Some(9.4),
        tau_s: Some(4.1),
        tau_se_s: Some(0.1),
        end_kpa: Some(depth + 0.4),
        end_se_kpa: Some(0.2),
        loss_kpa_min: Some(1.3),
        loss_se_kpa_min: Some(0.05),
        verdict,
        poured,
    }
}

/// One day at the machine: so many charges, one of them with a pull that was called off, and one
/// pour that the trace cannot tell for certain.
pub fn session(
    dice: &mut Dice,
    open: Micros,
    flasks: u32,
) -> (SessionTrace, Vec<PourRow>, Vec<PullRow>) {
    let mut trace = SessionTrace::default();
    let (mut pours, mut pulls) = (Vec::new(), Vec::new());
    let stage = |trace: &mut SessionTrace, name: &str, from: f64, until: f64| {
        trace.stages.push(StageSpan {
            name: name.to_owned(),
            from: open.plus_seconds(from),
            until: open.plus_seconds(until),
        });
    };
    let cycle = 1900.0;
    let mut kiln = Vec::new();
    stage(&mut trace, "warming", 0.0, 1500.0);
    for n in 0..flasks {
        let start = 1500.0 + f64::from(n) * cycle;
        stage(&mut trace, "charging", start, start + 120.0);
        stage(&mut trace, "melting", start + 120.0, start + 700.0);
        stage(&mut trace, "molten", start + 700.0, start + 1478.0);
        stage(&mut trace, "pulling", start + 1478.0, start + 1500.0);
        stage(&mut trace, "poured", start + 1500.0, start + cycle);
        let t = 967.0 + dice.bell();
        let at = open.plus_seconds(start + 1500.0);
        let depth = if n == 3 { 61.0 } else { 85.0 + dice.bell() };
        if n == 3 {
            pulls.push(pull(
                open.plus_seconds(start + 1250.0),
                38.0,
                Verdict::Weak,
                false,
            ));
        }
        pulls.push(pull(
            open.plus_seconds(start + 1478.0),
            depth,
            if n == 3 { Verdict::Weak } else { Verdict::Good },
            true,
        ));
        pours.push(pour(n + 1, at, t, depth));
    }
    let end = 1500.0 + f64::from(flasks) * cycle + 1800.0;
    stage(&mut trace, "cooling", end - 1800.0, end);
    let mut s = 0.0;
    while s < end {
        let at = open.plus_seconds(s);
        let in_cycle = (s - 1500.0) % cycle;
        let n = ((s - 1500.0) / cycle).floor();
        let melt = if s < 1500.0 {
            100.0 + 800.0 * (1.0 - (-s / 500.0).exp())
        } else if n >= f64::from(flasks) {
            760.0 * (-(s - end + 1800.0) / 2500.0).exp()
        } else if in_cycle < 120.0 {
            840.0 - in_cycle * 1.2
        } else if in_cycle < 1500.0 {
            696.0 + 270.0 * (1.0 - (-(in_cycle - 120.0) / 420.0).exp()) + 0.008 * (in_cycle - 120.0)
        } else {
            966.0 - (in_cycle - 1500.0).min(60.0) * 2.2
        };
        let quiet = n == 2.0 && in_cycle > 1380.0 && in_cycle < 1420.0;
        if !quiet {
            trace.melt_c.push((at, melt + dice.bell() * 0.5));
        }
        let mut vacuum = 0.0;
        for p in &pulls {
            let since = at.seconds_since(p.opened_at);
            let depth = p.depth_kpa.unwrap_or(0.0);
            if (0.0..75.0).contains(&since) {
                vacuum = depth * (1.0 - (-since / 4.1).exp());
            } else if (75.0..100.0).contains(&since) {
                vacuum = depth * (-(since - 75.0) / 3.0).exp();
            }
        }
        trace.vacuum_kpa.push((at, vacuum + dice.bell() * 0.15));
        trace
            .gas_l_min
            .push((at, if s > 600.0 { 4.0 } else { 0.0 } + dice.bell() * 0.06));
        if (s % 30.0) == 0.0 {
            kiln.push((
                at,
                558.0 + dice.bell()
                    - 60.0
                        * (-(in_cycle - 1450.0) / 200.0).exp()
                        * f64::from(u8::from(in_cycle > 1450.0)),
            ));
        }
        s += 0.5;
    }
    trace.kilns_c.push(("kiln-1".to_owned(), kiln));
    if let Some(third) = pours.get_mut(2) {
        third.confidence = 0.45;
    }
    (trace, pours, pulls)
}

/// The night before: a staircase that stalled for forty minutes on its way to the high hold.
pub fn night(dice: &mut Dice, open: Micros, pours: &[PourRow]) -> KilnNight {
    let hour = |h: f64| open.plus_seconds(3600.0 * (h - 13.0));
    let plan: Vec<(f64, f64)> = vec![
        (0.0, 20.0),
        (0.75, 150.0),
        (2.5, 150.0),
        (3.75, 370.0),
        (5.25, 370.0),
        (7.25, 730.0),
        (10.5, 730.0),
        (12.0, 555.0),
        (17.0, 555.0),
    ];
    let planned = |h: f64| {
        let after = plan.partition_point(|p| p.0 <= h).clamp(1, plan.len() - 1);
        let ((h0, c0), (h1, c1)) = (plan[after - 1], plan[after]);
        c0 + (c1 - c0) * ((h - h0) / (h1 - h0)).clamp(0.0, 1.0)
    };
    let out: Vec<FlaskOut> = pours
        .iter()
        .map(|p| FlaskOut {
            at: p.at.plus_seconds(-p.transfer_s.unwrap_or(60.0)),
            pour: p.number,
            kiln_c: p.kiln_temperature_c,
            soak_min: Some(150.0 + 30.0 * f64::from(p.number)),
            transfer_s: p.transfer_s,
        })
        .collect();
    let kiln_c = (0..1900)
        .map(|half| {
            let h = f64::from(half) / 120.0;
            let late = if h > 6.0 { (h - 6.0).min(0.67) } else { 0.0 };
            let caught_up = ((h - 9.0) / 3.0).clamp(0.0, 1.0) * 0.67;
            let dip: f64 = out
                .iter()
                .map(|o| hour(h).seconds_since(o.at))
                .filter(|s| *s > 0.0)
                .map(|s| 75.0 * (-s / 150.0).exp())
                .sum();
            (hour(h), planned(h - late + caught_up) + dice.bell() - dip)
        })
        .collect();
    let spell = |kind, from: f64, to: f64| SpellRow {
        kind,
        from_at: hour(from),
        to_at: hour(to),
        from_c: planned(from),
        to_c: planned(to),
    };
    KilnNight {
        kiln: "kiln-1".to_owned(),
        kiln_c,
        burnout: Some(BurnoutRow {
            kiln: "kiln-1".to_owned(),
            programme: Some("medium-flasks".to_owned()),
            began_at: hour(0.0),
            joined_late: false,
            ended_at: None,
            last_at: hour(15.8),
            highest_c: 732.0,
            above_700_min: 180.0,
            door_openings: 4,
            door_longest_s: Some(24.0),
            door_slowest_recovery_s: Some(170.0),
            spells: vec![
                spell(SpellKind::Ramp, 0.0, 0.75),
                spell(SpellKind::Hold, 0.75, 2.5),
                spell(SpellKind::Hold, 3.75, 5.25),
                spell(SpellKind::Hold, 7.9, 10.5),
                spell(SpellKind::Hold, 12.0, 15.8),
            ],
            faults: vec![FaultRow {
                kind: FaultKind::Stalled,
                since_at: hour(6.0),
                told_at: hour(6.15),
                over_at: Some(hour(6.8)),
                kiln_c: Some(505.0),
                expected_c: Some(532.0),
                step: Some(3),
            }],
        }),
        plan_c: plan.iter().map(|(h, c)| (hour(*h), *c)).collect(),
        out,
    }
}
