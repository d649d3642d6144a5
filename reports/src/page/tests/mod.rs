//! Whole pages: that they hold together, say what is missing, and that nothing a person typed
//! can break them.

mod checks;
mod hostile;
mod session;
mod week;

use std::collections::BTreeMap;

use analysis::alloy::Alloys;
use analysis::channel::Channel;
use analysis::defect::DefectKinds;
use analysis::evidence::{Question, evidence};
use analysis::flask::Flask;
use analysis::pour::assemble::bare_pour;
use analysis::pour::{FoundBy, PourRow, PullRow, Verdict};
use analysis::time::Micros;
use analysis::units::{Scheme, ShownIn};
use jiff::tz::TimeZone;

use super::*;
use crate::session_trace::{SessionTrace, StageSpan};
use checks::check_page;

/// Markup, quotes, a template tag, reading-direction marks, a picture, a control character.
const HOSTILE: &str =
    "<script>alert('x')</script>\"'`{{ css }}{% raw %}\u{202e}\u{2066}\u{0}\u{1f525}&amp;--><!--";

fn at(text: &str) -> Micros {
    Micros::parse_rfc3339(text).unwrap()
}

fn shop(scheme: Scheme) -> Shop {
    Shop {
        name: "Larkfield bench".to_owned(),
        zone: TimeZone::get("Europe/Dublin").unwrap(),
        shown: ShownIn::from(scheme),
        invented: true,
    }
}

fn flask(n: u32, cast_at: Micros, defective: Option<u32>) -> Flask {
    Flask {
        id: format!("f{n}"),
        label: format!("A{n}"),
        session: format!("s{}", n / 4),
        machine: "bench-1".to_owned(),
        cast_at,
        alloy: Some("sterling-925".to_owned()),
        section: Some("medium".to_owned()),
        pattern: Some("leaf ring".to_owned()),
        pieces: defective.map(|_| 20),
        defective,
        defective_steering: defective,
        kinds: defective
            .map(|d| BTreeMap::from([("no-fill".to_owned(), d)]))
            .unwrap_or_default(),
        pour_temperature_c: Some(950.0 + f64::from(n % 31)),
        flask_temperature_c: Some(540.0 + f64::from(n % 23)),
        vacuum_kpa: Some(82.0 + f64::from(n % 5)),
        gas_flow_l_min: Some(4.0),
        metal_g: Some(180.0),
        ..Flask::default()
    }
}

/// Flasks over weeks up to and including week 47 of 2026, the last two of them not counted.
fn flasks(weeks: u32, per_week: u32) -> Vec<Flask> {
    let monday = at("2026-11-16T10:00:00Z");
    let n = weeks * per_week;
    (0..n)
        .map(|i| {
            let (week, k) = (i / per_week, i % per_week);
            let t = monday
                .plus_seconds(-604_800.0 * f64::from(weeks - 1 - week) + 6000.0 * f64::from(k));
            flask(i, t, (i + 2 < n).then_some(i % 4))
        })
        .collect()
}

fn week(flasks: Vec<Flask>, scheme: Scheme) -> Week {
    let ask = Question {
        shown_in: ShownIn::from(scheme),
        ..Question::default()
    };
    Week {
        shop: shop(scheme),
        year: 2026,
        week: 47,
        made_at: at("2026-11-23T06:00:00Z"),
        version: "0.1.0".to_owned(),
        evidence: evidence(&flasks, &ask),
        flasks,
        pours: vec![],
        pulls: vec![],
        kinds: DefectKinds::standard(),
        alloys: Alloys::default(),
        machines: vec![],
        parts: vec![],
        troubles: vec![],
        sheets: vec![],
        facts: Facts::default(),
    }
}

fn pull(machine: &str, verdict: Verdict, depth: f64) -> PullRow {
    PullRow {
        session: "s".to_owned(),
        machine: machine.to_owned(),
        opened_at: at("2026-11-18T10:00:00Z"),
        closed_at: None,
        depth_kpa: Some(depth),
        share: None,
        settled_kpa: None,
        settled_se_kpa: None,
        rest_kpa: None,
        time_to_90_s: Some(f64::NAN),
        tau_s: None,
        tau_se_s: None,
        end_kpa: None,
        end_se_kpa: None,
        loss_kpa_min: None,
        loss_se_kpa_min: None,
        verdict,
        poured: true,
    }
}

fn pour(number: u32, time: Micros) -> PourRow {
    PourRow {
        number,
        confidence: 0.9,
        flask: Some("card".to_owned()),
        pour_temperature_c: Some(960.0),
        target_c: Some(968.0),
        heating_rate_k_s: Some(0.1),
        vacuum_kpa: Some(84.0),
        quality: vec!["gap-before-pour".to_owned()],
        ..bare_pour("s", "bench-1", time, FoundBy::Trace)
    }
}

/// The week with all that can be known of it, every name being `typed`.
fn with_everything(mut week: Week, typed: &str) -> Week {
    use super::week::facts::{
        Excerpt, GasOfMachine, GasOfSession, PartChanged, Target, TrialFacts, TrialStands,
    };
    use analysis::evidence::trial::State;
    use analysis::pour::seal_due::SealDue;

    let monday = at("2026-11-16T00:00:00Z");
    let hours = |h: f64| monday.plus_seconds(3600.0 * h);
    let name = || typed.to_owned();
    let poured = |n: u32, h: f64, above: f64| PourRow {
        machine: name(),
        session: name(),
        pour_temperature_c: Some(968.0 + above),
        seal_age_pours: Some(n),
        ..pour(n, hours(h))
    };
    let pulled = |h: f64, verdict, depth_kpa: f64| PullRow {
        opened_at: hours(h),
        closed_at: Some(hours(h + 0.01)),
        settled_kpa: Some(depth_kpa),
        settled_se_kpa: Some(0.2),
        share: Some(depth_kpa / 100.0),
        tau_s: Some(3.0 + 0.1 * (h % 3.0)),
        time_to_90_s: Some(7.0),
        ..pull(typed, verdict, depth_kpa)
    };
    week.machines = vec![Machine {
        name: name(),
        senses: vec![Channel::MeltTemperature, Channel::Vacuum, Channel::GasFlow],
    }];
    week.pours = vec![poured(1, 34.0, 3.0), poured(2, 35.0, -4.0)];
    week.pulls = vec![
        pulled(34.0, Verdict::Good, 85.0),
        pulled(35.0, Verdict::Weak, 61.0),
    ];
    week.parts = vec![Part {
        machine: name(),
        kind: "crucible".to_owned(),
        changed_at: hours(-200.0),
        pours_since: Some(41),
        note: Some(name()),
    }];
    week.troubles = vec![Trouble {
        at: name(),
        what: name(),
        times: 2,
        mend: None,
    }];
    week.sheets = vec![(name(), "sessions/a.html".to_owned())];
    let target = |celsius, from, until| Target {
        alloy: "sterling-925".to_owned(),
        section: "medium".to_owned(),
        pour_temperature_c: Some(celsius),
        flask_temperature_c: None,
        from,
        until,
    };
    let changed = |part: &str, h: f64| PartChanged {
        machine: name(),
        part: part.to_owned(),
        at: hours(h),
    };
    let earlier: Vec<Flask> = week
        .flasks
        .iter()
        .filter(|f| f.cast_at < monday)
        .cloned()
        .collect();
    week.facts = Facts {
        evidence_before: Some(evidence(&earlier, &Question::default())),
        trials: vec![TrialFacts {
            alloy: "sterling-925".to_owned(),
            section: "medium".to_owned(),
            newest: Some(TrialStands {
                state: State::Running,
                usual_c: 965.0,
                tried_c: 980.0,
                flasks: 40,
                counted: 12,
                waiting: 2,
                gross_c: None,
                verdict: None,
            }),
            plan: Err(name()),
        }],
        targets: vec![
            target(968.0, hours(-5000.0), Some(hours(30.0))),
            target(962.0, hours(30.0), None),
        ],
        part_changes: vec![
            changed("crucible", -200.0),
            changed(if typed == "bench-1" { "gasket" } else { typed }, 9.0),
        ],
        pours_before: (0..30)
            .map(|n| poured(n, -1000.0 + 20.0 * f64::from(n), f64::from(n % 5)))
            .collect(),
        pulls_before: (0..30)
            .map(|n| {
                let depth = 88.0 + 0.2 * f64::from(n % 4);
                pulled(-1000.0 + 20.0 * f64::from(n), Verdict::Good, depth)
            })
            .collect(),
        seals: BTreeMap::from([(
            name(),
            SealDue::Fading {
                lately_share: 0.84,
                usual_share: 0.91,
            },
        )]),
        gas: vec![GasOfMachine {
            machine: name(),
            sessions: (0..6)
                .map(|n| GasOfSession {
                    session: name(),
                    at: hours(-140.0 + 34.0 * f64::from(n)),
                    until: hours(-136.0 + 34.0 * f64::from(n)),
                    used_l: 300.0,
                    unsure_l: 0.0,
                    left_l: Some(2400.0 - 300.0 * f64::from(n)),
                })
                .collect(),
            fitted_at: Some(hours(-300.0)),
            lasts: analysis::gas::cylinder::lasts(900.0, 3600.0, 24.0, 4.0),
        }],
        excerpts: week
            .pours
            .iter()
            .map(|p| Excerpt {
                session: p.session.clone(),
                number: p.number,
                melt_c: (-60..60)
                    .map(|s| (p.at.plus_seconds(f64::from(s)), 968.0 - f64::from(s.max(0))))
                    .collect(),
                vacuum_kpa: (-60..60)
                    .map(|s| (p.at.plus_seconds(f64::from(s)), 85.0))
                    .collect(),
            })
            .collect(),
        labels: BTreeMap::from([("card".to_owned(), name())]),
        book_option: String::new(),
    };
    week
}

fn session() -> SessionSheet {
    let opened = at("2026-11-18T09:12:00Z");
    let reading = |i: u32| opened.plus_seconds(f64::from(i));
    SessionSheet {
        shop: shop(Scheme::Metric),
        session: "2026-11-18T0912-bench-1".to_owned(),
        machine: "bench-1".to_owned(),
        opened_at: opened,
        closed_at: Some(reading(3600)),
        made_at: reading(3700),
        version: "0.1.0".to_owned(),
        trace: SessionTrace {
            melt_c: (0..3600)
                .map(|i| (reading(i), 900.0 + f64::from(i % 80)))
                .collect(),
            vacuum_kpa: (0..3600).map(|i| (reading(i), f64::from(i % 90))).collect(),
            gas_l_min: vec![],
            kilns_c: vec![(
                "kiln-1".to_owned(),
                (0..60)
                    .map(|i| {
                        (
                            reading(0).plus_seconds(f64::from(i) * 600.0 - 32_400.0),
                            555.0,
                        )
                    })
                    .collect(),
            )],
            stages: vec![StageSpan {
                name: "molten".to_owned(),
                from: opened,
                until: reading(3600),
            }],
        },
        nights: vec![],
        gas: None,
        pours: vec![pour(1, reading(1800))],
        pulls: vec![pull("bench-1", Verdict::Good, 84.0)],
        labels: BTreeMap::from([("card".to_owned(), "A1".to_owned())]),
        by_hand: vec![],
        correct_with: "pourbook record pour --session 2026-11-18T0912-bench-1".to_owned(),
        flasks_cast: 1,
        troubles: vec![],
    }
}

#[test]
fn every_template_loads_and_none_lets_markup_through() {
    let env = environment().unwrap();
    for (name, source) in TEMPLATES {
        env.get_template(name).unwrap();
        for way_round in ["|safe", "| safe", "autoescape"] {
            assert!(!source.contains(way_round), "{name} has {way_round}");
        }
    }
}

#[test]
fn an_index_links_its_reports_newest_first() {
    let entry = |name: &str| Entry {
        name: name.to_owned(),
        href: format!("{name}.html"),
        sentences: vec!["Keep on.".to_owned()],
    };
    let html = render_index(&Index {
        shop: shop(Scheme::Metric),
        weeks: vec![entry("2026-W46"), entry("2026-W47")],
        sessions: vec![],
    })
    .unwrap();
    check_page(&html);
    assert!(html.find("2026-W47.html").unwrap() < html.find("2026-W46.html").unwrap());
    assert!(html.contains("No session has been closed yet"));
}
