//! Sets a week, a session and an index from data invented here, so that the pages can be looked
//! at without a book: `cargo build --release --workspace --example gallery`, then
//! `target/release/examples/gallery FOLDER [us]`. Every chart by itself, with ordinary data, none,
//! one point, five years of it, in °F and with hostile names, is in `charts-….html`.

use std::collections::BTreeMap;
use std::path::PathBuf;

use analysis::alloy::Alloys;
use analysis::channel::Channel;
use analysis::defect::DefectKinds;
use analysis::evidence::{Question, evidence};
use analysis::flask::Flask;
use analysis::pour::PourRow;
use analysis::time::Micros;
use analysis::units::{Scheme, ShownIn};
use jiff::tz::TimeZone;
use reports::moment::ByHand;
use reports::page::{
    Entry, Facts, GasLeft, Index, Machine, Part, SessionSheet, Shop, Trouble, Week, render_index,
    render_session, render_week,
};

#[path = "gallery/charts.rs"]
mod charts;
#[path = "gallery/dice.rs"]
mod dice;
#[path = "gallery/series.rs"]
mod series;
#[path = "gallery/session.rs"]
mod session;

use charts::Case;
use dice::Dice;
use session::{night, session};

fn flasks(dice: &mut Dice, monday: Micros) -> Vec<Flask> {
    let mut out = Vec::new();
    for week in 0..26 {
        for day in [1.0, 3.0] {
            let start = monday.plus_seconds((f64::from(week) - 25.0) * 604_800.0 + day * 86_400.0);
            let session_shift = dice.bell() * 0.25;
            for n in 0..5u32 {
                let (alloy, section, usual) = match (n + week) % 5 {
                    0 | 1 | 4 => ("sterling-925", "medium", 968.0),
                    2 => ("sterling-925", "thin", 990.0),
                    _ => ("gold-14k-yellow", "medium", 985.0),
                };
                let t = usual + dice.bell() * 9.0;
                let weak = dice.roll() < 0.06;
                let vacuum = if weak { 58.0 } else { 85.0 } + dice.bell() * 1.5;
                let cold = (-(t - usual + 14.0) / 7.0).exp();
                let hot = ((t - usual - 20.0) / 8.0).exp();
                let odds = (0.03 + 0.05 * cold + 0.06 * hot + if weak { 0.25 } else { 0.0 })
                    * session_shift.exp();
                let pieces = 16 + (dice.roll() * 18.0) as u32;
                let no_fill = dice.hits(pieces, (odds * 0.6).min(0.9));
                let gas = dice.hits(pieces, (odds * 0.4).min(0.9));
                let broken = dice.hits(pieces, 0.01);
                let defective = (no_fill + gas + broken).min(pieces);
                let waiting = week == 25 && day > 2.0 && n > 1;
                let kinds: BTreeMap<String, u32> = [
                    ("no-fill", no_fill),
                    ("gas-porosity", gas),
                    ("broken-pattern", broken),
                ]
                .into_iter()
                .map(|(k, n)| (k.to_owned(), n))
                .collect();
                out.push(Flask {
                    id: format!("f{week}-{day}-{n}"),
                    label: format!("{}{}", ['A', 'B', 'C', 'D', 'E'][n as usize], week + 1),
                    session: format!("{week}-{day}"),
                    machine: "bench-1".to_owned(),
                    cast_at: start.plus_seconds(36_000.0 + f64::from(n) * 1700.0),
                    alloy: Some(alloy.to_owned()),
                    section: Some(section.to_owned()),
                    pattern: Some(["leaf ring", "bezel", "fern drop"][n as usize % 3].to_owned()),
                    pieces: (!waiting).then_some(pieces),
                    defective: (!waiting).then_some(defective),
                    defective_steering: (!waiting).then_some((no_fill + gas).min(pieces)),
                    kinds: if waiting { BTreeMap::new() } else { kinds },
                    pour_temperature_c: Some(t),
                    flask_temperature_c: Some(555.0 + dice.bell() * 14.0),
                    vacuum_kpa: Some(vacuum),
                    vacuum_share: Some(vacuum / 100.3),
                    gas_flow_l_min: Some(4.0 + dice.bell() * 0.2),
                    soak_min: Some(160.0 + dice.bell() * 10.0),
                    seal_age_pours: Some(week % 9 * 10 + n),
                    remelt_percent: Some(30.0),
                    metal_g: Some(180.0 + dice.bell() * 25.0),
                    set_aside: weak.then(|| analysis::upkeep::Fault::WeakPull.into()),
                    ..Flask::default()
                });
            }
        }
    }
    out
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1);
    let folder = PathBuf::from(args.next().ok_or("name a folder to write to")?);
    let scheme = match args.next().as_deref() {
        Some("us") => Scheme::Us,
        _ => Scheme::Metric,
    };
    let shop = Shop {
        name: "Larkfield bench".to_owned(),
        zone: TimeZone::get("Europe/Dublin")?,
        shown: ShownIn::from(scheme),
        invented: true,
    };
    let mut dice = Dice(7);
    let monday = Micros::parse_rfc3339("2026-11-16T00:00:00Z")?;
    let open = Micros::parse_rfc3339("2026-11-18T09:12:00Z")?;
    let (trace, pours, pulls) = session(&mut dice, open, 5);
    let flasks = flasks(&mut dice, monday);
    let kinds = DefectKinds::standard();
    let alloys = Alloys::default();
    let ask = Question {
        shown_in: shop.shown,
        kinds: kinds.clone(),
        alloys: alloys.clone(),
        ..Question::default()
    };
    let found = evidence(&flasks, &ask);
    let sentences: Vec<String> = found
        .strata
        .iter()
        .map(|s| s.advice.sentence.clone())
        .collect();
    let week = Week {
        shop: shop.clone(),
        year: 2026,
        week: 47,
        made_at: Micros::parse_rfc3339("2026-11-23T06:00:00Z")?,
        version: "0.1.0".to_owned(),
        flasks,
        pours: pours.clone(),
        pulls: pulls.clone(),
        evidence: found,
        kinds,
        alloys,
        machines: vec![Machine {
            name: "bench-1".to_owned(),
            senses: vec![
                Channel::MeltTemperature,
                Channel::Vacuum,
                Channel::KilnTemperature(0),
                Channel::GasFlow,
            ],
        }],
        parts: vec![
            Part {
                machine: "bench-1".to_owned(),
                kind: "gasket".to_owned(),
                changed_at: monday.plus_seconds(-3_000_000.0),
                pours_since: Some(74),
                note: None,
            },
            Part {
                machine: "bench-1".to_owned(),
                kind: "stopper rod".to_owned(),
                changed_at: monday.plus_seconds(-6_000_000.0),
                pours_since: Some(131),
                note: Some("tip reground".to_owned()),
            },
        ],
        troubles: vec![Trouble {
            at: "bench-1, melt_temperature".to_owned(),
            what: "silent for 40 s just before a pour".to_owned(),
            times: 1,
            mend: Some("Look at the plug of the melt thermocouple".to_owned()),
        }],
        sheets: vec![(
            "2026-11-18T0912-bench-1".to_owned(),
            "sessions/2026-11-18T0912-bench-1.html".to_owned(),
        )],
        facts: Facts::default(),
    };
    let sheet = SessionSheet {
        shop: shop.clone(),
        session: "2026-11-18T0912-bench-1".to_owned(),
        machine: "bench-1".to_owned(),
        opened_at: open,
        closed_at: Some(open.plus_seconds(12_800.0)),
        made_at: open.plus_seconds(13_000.0),
        version: "0.1.0".to_owned(),
        nights: vec![night(&mut dice, open, &pours)],
        gas: Some(GasLeft {
            used_l: 640.0,
            left_l: Some(1460.0),
            unsure_l: 0.0,
            lasts: analysis::gas::cylinder::lasts(1370.0, 9_800.0, 52.0, 4.0),
            room_m3: Some(20.0),
            emptied: analysis::gas::room::if_emptied(1460.0, 20.0),
            deficient_h: analysis::gas::room::hours_to_deficient(4.0, 20.0),
        }),
        trace,
        by_hand: vec![
            ByHand {
                at: pours.get(1).map(|p| p.at),
                found: pours.get(1).map(|p| PourRow {
                    at: p.at.plus_seconds(24.0),
                    confidence: 0.61,
                    ..p.clone()
                }),
                said_at: open.plus_seconds(90_000.0),
                note: Some("the stopper stuck".to_owned()),
            },
            ByHand {
                at: None,
                found: pours.first().map(|p| PourRow {
                    at: p.at.plus_seconds(-700.0),
                    confidence: 0.52,
                    ..p.clone()
                }),
                said_at: open.plus_seconds(90_100.0),
                note: None,
            },
        ],
        labels: pours
            .iter()
            .map(|p| (format!("card-{}", p.number), format!("A{}", p.number)))
            .collect(),
        pours,
        pulls,
        correct_with: "pourbook record pour --session 2026-11-18T0912-bench-1".to_owned(),
        flasks_cast: 4,
        troubles: vec![],
    };
    let (trace, pours, pulls) = session(&mut dice, open, 10);
    let ten = SessionSheet {
        closed_at: trace.extent().map(|e| e.1),
        trace,
        pours,
        pulls,
        by_hand: vec![],
        ..sheet.clone()
    };
    let mut bare = SessionSheet {
        pulls: vec![],
        by_hand: vec![],
        ..sheet.clone()
    };
    bare.trace.vacuum_kpa.clear();
    bare.trace.kilns_c.clear();
    for pour in &mut bare.pours {
        pour.vacuum_kpa = None;
        pour.vacuum_share = None;
        pour.vacuum_lead_s = None;
        pour.confidence = 0.6;
    }
    let mut idle = SessionSheet {
        pours: vec![],
        by_hand: vec![],
        ..sheet.clone()
    };
    for pull in &mut idle.pulls {
        pull.poured = false;
    }
    let index = Index {
        shop: shop.clone(),
        weeks: vec![
            Entry {
                name: "2026-W46".to_owned(),
                href: "2026-W46.html".to_owned(),
                sentences: sentences.iter().take(1).cloned().collect(),
            },
            Entry {
                name: "2026-W47".to_owned(),
                href: "week.html".to_owned(),
                sentences,
            },
        ],
        sessions: vec![Entry {
            name: sheet.session.clone(),
            href: "session.html".to_owned(),
            sentences: vec![sheet.sentence()],
        }],
    };
    let empty = Week {
        flasks: vec![],
        pours: vec![],
        pulls: vec![],
        evidence: evidence(&[], &ask),
        machines: vec![Machine {
            name: "bench-1".to_owned(),
            senses: vec![],
        }],
        parts: vec![],
        troubles: vec![],
        sheets: vec![],
        facts: Facts::default(),
        ..week.clone()
    };
    std::fs::create_dir_all(&folder)?;
    std::fs::write(folder.join("week.html"), render_week(&week)?)?;
    std::fs::write(folder.join("empty.html"), render_week(&empty)?)?;
    std::fs::write(folder.join("session.html"), render_session(&sheet)?)?;
    for (name, sheet) in [("ten", &ten), ("no-vacuum", &bare), ("no-pours", &idle)] {
        let page = render_session(sheet)?;
        std::fs::write(folder.join(format!("session-{name}.html")), page)?;
    }
    std::fs::write(folder.join("index.html"), render_index(&index)?)?;
    for case in Case::ALL {
        let page = charts::page(case)?;
        std::fs::write(folder.join(format!("charts-{}.html", case.name())), page)?;
    }
    println!("{}", folder.display());
    Ok(())
}
