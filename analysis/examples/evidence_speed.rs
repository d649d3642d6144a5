//! How long the evidence of a five-year book takes: 4,000 flasks of 1,300 sessions, two alloys and
//! three sections, with all formal looks, curves, second opinions and 999 draws. `--csv` prints the
//! flasks instead, for `tests/bench/evidence.py`, which times the same with statsmodels.

use std::collections::BTreeMap;
use std::time::Instant;

use analysis::evidence::{Question, evidence};
use analysis::flask::Flask;
use analysis::stats::logistic::expit;
use analysis::time::Micros;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64;

/// 2021-01-04T08:00:00Z.
const START: i64 = 1_609_747_200_000_000;
const HOUR: i64 = 3_600_000_000;

fn book(flasks: usize, sessions: usize) -> Vec<Flask> {
    let mut rng = Pcg64::seed_from_u64(47);
    let mut list = Vec::with_capacity(flasks);
    let mut day = 0.0;
    for i in 0..flasks {
        let session = i * sessions / flasks;
        let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
        if i == 0 || (i - 1) * sessions / flasks != session {
            day = 0.4 * normal();
        }
        let bronze = session % 5 == 4;
        let (section, best) = [("thin", 985.0), ("medium", 972.0), ("heavy", 960.0)][i % 3];
        let (best, alloy) = if bronze {
            (best + 120.0, "tin-bronze-c90500")
        } else {
            (best, "sterling-925")
        };
        let pour_c = best - 8.0 + 10.0 * normal();
        let flask_c = 555.0 + 15.0 * normal();
        let share = (0.93 + 0.02 * normal()).min(1.0);
        let logit = -2.6 + ((pour_c - best) / 15.0).powi(2) + 0.01 * (555.0 - flask_c)
            - 4.0 * (share - 0.93)
            + day
            + 0.3 * normal();
        let p = expit(logit);
        let bad = (0..20).filter(|_| rng.random::<f64>() < p).count() as u32;
        list.push(Flask {
            id: format!("{i:05}"),
            label: format!("{}", i % 4),
            session: format!("s{session:05}"),
            machine: "bench-1".to_owned(),
            cast_at: Micros(START + session as i64 * 33 * HOUR + (i % 4) as i64 * HOUR),
            alloy: Some(alloy.to_owned()),
            section: Some(section.to_owned()),
            pattern: None,
            pieces: Some(20),
            defective: Some(bad),
            defective_steering: Some(bad),
            kinds: BTreeMap::from([("no-fill".to_owned(), bad / 2)]),
            counted_blind: None,
            probe_series: None,
            probe_offset_k: None,
            pour_temperature_c: Some(pour_c),
            flask_temperature_c: Some(flask_c),
            vacuum_kpa: None,
            vacuum_share: Some(share),
            gas_flow_l_min: None,
            soak_min: None,
            seal_age_pours: Some((i % 90) as u32),
            remelt_percent: Some(f64::from((i * 7 % 50) as u32)),
            metal_g: None,
            set_aside: None,
        });
    }
    list
}

fn main() {
    let flasks = book(4000, 1300);
    if std::env::args().any(|a| a == "--csv") {
        println!("session,alloy,section,bad,pieces,pour,flask,vacuum,seal,remelt");
        for f in &flasks {
            println!(
                "{},{},{},{},20,{},{},{},{},{}",
                f.session,
                f.alloy.as_deref().unwrap_or_default(),
                f.section.as_deref().unwrap_or_default(),
                f.defective_steering.unwrap_or_default(),
                f.pour_temperature_c.unwrap_or_default(),
                f.flask_temperature_c.unwrap_or_default(),
                f.vacuum_share.unwrap_or_default(),
                f.seal_age_pours.unwrap_or_default(),
                f.remelt_percent.unwrap_or_default(),
            );
        }
        return;
    }
    let began = Instant::now();
    let found = evidence(&flasks, &Question::default());
    let took = began.elapsed().as_secs_f64();
    for s in &found.strata {
        println!("{:?} {}", s.advice.grade, s.advice.sentence);
        for said in s.look.iter().flat_map(|look| &look.history) {
            println!(
                "  look {} at {} sessions: {}",
                said.number,
                said.sessions,
                match (said.pour_temperature_c, said.against_c) {
                    (Some(t), Some(against)) => format!("{t:.0} °C against {against:.0} °C"),
                    _ => "no claim".to_owned(),
                }
            );
        }
    }
    println!(
        "{took:.2} s for {} flasks of {} sessions",
        found.flasks, found.sessions
    );
}
