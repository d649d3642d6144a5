//! Every chart of the reports by itself, drawn with data that are as they should be and with data
//! that try to break it.

use analysis::stats::charts::individuals::individuals;
use analysis::stats::charts::p_prime::p_prime;
use analysis::time::Micros;
use analysis::units::{Scheme, ShownIn};
use analysis::watch::{Subject, Watched};
use jiff::tz::TimeZone;
use reports::chart::before_after::{BeforeAfter, Side};
use reports::chart::curve::Curve;
use reports::chart::forest::{Effect, Forest};
use reports::chart::gas::{Gas, Used};
use reports::chart::kinds::Kind;
use reports::chart::pours_of_week::{OnePour, PoursOfWeek};
use reports::chart::pulls::{Change, Pulls};
use reports::chart::two_temperatures::{self, TwoTemperatures};
use reports::chart::{
    ChartError, Figure, before_after, close_up, curve, forest, gas, individuals as aim, kinds,
    night, p_prime as defects, pours_of_week, pulls, style, trace,
};
use reports::moment::moments;

use super::dice::Dice;
use super::series;
use super::session;

/// What the charts are drawn with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Case {
    /// Half a year of a bench.
    Ordinary,
    /// Nothing.
    Empty,
    /// One flask, one pour, one pull.
    One,
    /// Five years.
    FiveYears,
    /// Half a year in °F and inHg.
    Fahrenheit,
    /// Names that try to break out.
    Hostile,
}

impl Case {
    /// All of them.
    pub const ALL: [Case; 6] = [
        Case::Ordinary,
        Case::Empty,
        Case::One,
        Case::FiveYears,
        Case::Fahrenheit,
        Case::Hostile,
    ];

    /// Its name in a file's name.
    pub fn name(self) -> &'static str {
        match self {
            Case::Ordinary => "ordinary",
            Case::Empty => "empty",
            Case::One => "one",
            Case::FiveYears => "five-years",
            Case::Fahrenheit => "fahrenheit",
            Case::Hostile => "hostile",
        }
    }

    fn weeks(self) -> u32 {
        match self {
            Case::Empty | Case::One => 0,
            Case::FiveYears => 260,
            _ => 26,
        }
    }

    fn shown(self) -> ShownIn {
        ShownIn::from(match self {
            Case::Fahrenheit => Scheme::Us,
            _ => Scheme::Metric,
        })
    }

    /// A typed name: `plain`, or something that tries to break out.
    fn typed(self, plain: &str, n: usize) -> String {
        if self != Case::Hostile {
            return plain.to_owned();
        }
        match n % 6 {
            0 => "</text><script>alert(1)</script>\" onload='x' &amp;".to_owned(),
            1 => "שלום עולם חותם מיכל ".repeat(3),
            2 => "\u{202e}gnihtemos\u{2066} else".to_owned(),
            3 => "W".repeat(10_000),
            4 => "🔥🙂👩‍🔧🇮🇪 ".repeat(20),
            _ => "line\nbreak\u{0}\u{7}\tand ﷽﷽﷽".to_owned(),
        }
    }
}

fn zone() -> TimeZone {
    TimeZone::get("Europe/Dublin").unwrap_or(TimeZone::UTC)
}

/// A chart's name and what came of it.
pub type Named = (&'static str, Option<Figure>);

/// All charts in this case.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn all(case: Case) -> Result<Vec<Named>, ChartError> {
    let mut out = vec![
        (
            "curve",
            curve::draw(&over_pour(case), &case.shown(), &zone())?,
        ),
        (
            "curve-uncertain",
            curve::draw(&no_model(case), &case.shown(), &zone())?,
        ),
        ("forest", forest::draw(&effects(case))?),
        ("kinds", Some(kinds::draw("kinds", &by_kind(case))?)),
        (
            "two-temperatures",
            two_temperatures::draw(&both(case), &case.shown())?,
        ),
        (
            "pulls",
            pulls::draw(&all_pulls(case), &case.shown(), &zone())?,
        ),
        (
            "individuals",
            aim::draw("aim", &against_target(case), &case.shown(), &zone())?,
        ),
        (
            "p-prime",
            defects::draw("defects", &by_session(case), &zone())?,
        ),
        ("gas", gas::draw(&cylinder(case), &case.shown(), &zone())?),
        (
            "pours-of-week",
            pours_of_week::draw(&week(case), &case.shown(), &zone())?,
        ),
        ("before-after", before_after::draw(&change(case))?),
    ];
    out.extend(of_a_session(case)?);
    Ok(out)
}

fn over_pour(case: Case) -> Curve {
    let mut dice = Dice(11);
    let mut flasks = series::flasks(&mut dice, case.weeks(), 5, &|n| {
        case.typed(&format!("A{n}"), n as usize)
    });
    if case == Case::FiveYears {
        flasks.extend(series::flasks(&mut dice, case.weeks(), 3, &|n| {
            format!("B{n}")
        }));
        flasks.sort_by_key(|f| f.cast_at);
    }
    if case == Case::One {
        flasks.push(curve::Flask {
            label: "A1".to_owned(),
            cast_at: series::now(),
            pour_c: 968.0,
            pieces: 24,
            defective: 2,
        });
    }
    let modelled = case.weeks() > 0;
    Curve {
        id: "curve".to_owned(),
        of: case.typed("sterling-925, medium", 3),
        outcome: "pieces with a defect that heat can steer".to_owned(),
        line: if modelled {
            series::line(957, 986, &flasks)
        } else {
            vec![]
        },
        counted: vec![],
        usual_c: modelled.then_some(969.0),
        advised_c: modelled.then_some(978.0),
        advised_as: "worth trying".to_owned(),
        target_c: (case != Case::Empty).then_some(968.0),
        flat_c: modelled.then_some((971.0, 986.0)),
        flasks,
    }
}

/// The same with too few flasks for a model.
fn no_model(case: Case) -> Curve {
    let mut curve = over_pour(case);
    curve.id = "counted".to_owned();
    if case != Case::FiveYears {
        let few = curve.flasks.len().saturating_sub(45);
        curve.flasks.drain(..few);
    }
    curve.line.clear();
    curve.advised_c = None;
    curve.flat_c = None;
    curve.counted = [
        (956.0, 0.19),
        (962.5, 0.11),
        (968.0, 0.062),
        (974.5, 0.05),
        (981.0, 0.041),
    ]
    .into_iter()
    .filter(|_| case.weeks() > 0)
    .map(|(pour_c, rate)| curve::At {
        pour_c,
        rate,
        least: rate * 0.8,
        most: rate,
        limits: Some((rate * 0.45, rate * 1.9)),
        flasks: 9,
    })
    .collect();
    curve
}

fn effects(case: Case) -> Forest {
    let effect = |group: &str, (name, step): (&str, &str), ratio: f64, limits| {
        Effect::of_odds_ratio((group, name, step), 0.062, ratio, limits)
    };
    let temperature = |k: f64| format!("{} hotter", case.shown().difference(k));
    let settings = "settings";
    let mut effects = vec![
        effect(
            settings,
            ("pour temperature", &temperature(10.0)),
            0.62,
            Some((0.45, 0.86)),
        ),
        effect(
            settings,
            ("flask temperature", &temperature(20.0)),
            0.81,
            Some((0.55, 1.19)),
        ),
        effect(
            settings,
            ("vacuum", "5 points more of what the air allows"),
            0.74,
            Some((0.52, 1.04)),
        ),
        effect(
            settings,
            ("the gasket's age", "10 pours older"),
            1.18,
            Some((1.02, 1.36)),
        ),
        effect(
            settings,
            ("old metal in the charge", "10 points more"),
            1.31,
            None,
        ),
        effect(
            "alloys against sterling-925",
            (&case.typed("gold-14k-yellow", 3), ""),
            1.9,
            Some((0.7, 4.6)),
        ),
        effect(
            &case.typed("patterns against leaf ring", 0),
            (&case.typed("fern drop", 1), ""),
            2.4,
            Some((1.5, 3.9)),
        ),
        effect(
            &case.typed("patterns against leaf ring", 0),
            (&case.typed("bezel", 4), ""),
            0.93,
            Some((0.6, 1.4)),
        ),
    ];
    effects.truncate(match case {
        Case::Empty => 0,
        Case::One => 1,
        _ => effects.len(),
    });
    Forest {
        id: "forest".to_owned(),
        outcome: "pieces with a defect that heat can steer".to_owned(),
        from_rate: 0.062,
        effects,
    }
}

fn by_kind(case: Case) -> Vec<Kind> {
    let kinds = [
        ("no-fill", "fewer", true, 0.031),
        ("gas-porosity", "more", true, 0.022),
        ("shrinkage", "more", true, 0.009),
        ("broken-pattern", "not the pour's doing", false, 0.012),
        ("investment-inclusion", "not the pour's doing", false, 0.006),
        ("fin", "not the pour's doing", false, 0.0),
    ];
    let most = match case {
        Case::Empty => 0,
        Case::One => 1,
        _ => kinds.len(),
    };
    kinds
        .into_iter()
        .take(most)
        .enumerate()
        .map(|(n, (name, side, follows_pour, rate))| Kind {
            name: case.typed(name, n),
            side: side.to_owned(),
            follows_pour,
            pieces: 5200,
            defective: (rate * 5200.0) as u64,
            rate,
            low: rate * 0.6,
            high: rate * 1.7 + 0.001,
        })
        .collect()
}

fn both(case: Case) -> TwoTemperatures {
    let mut dice = Dice(5);
    let flasks = over_pour(case)
        .flasks
        .iter()
        .map(|f| two_temperatures::Flask {
            pour_c: f.pour_c,
            flask_c: 556.0 + dice.bell() * 14.0,
            pieces: f.pieces,
            defective: f.defective,
        })
        .collect();
    TwoTemperatures {
        id: "both".to_owned(),
        of: case.typed("sterling-925, medium", 3),
        outcome: "pieces with a defect that heat can steer".to_owned(),
        flasks,
    }
}

fn all_pulls(case: Case) -> Pulls {
    let mut dice = Dice(3);
    let (mut pulls, mut changes) = series::pulls(&mut dice, case.weeks(), 5, 90);
    if case == Case::One {
        pulls = series::pulls(&mut dice, 1, 1, 90).0;
        pulls.truncate(1);
    }
    if case == Case::Hostile {
        for (n, change) in changes.iter_mut().enumerate() {
            change.part = case.typed("", n);
        }
        changes.push(Change {
            at: Micros(i64::MAX),
            part: "gasket".to_owned(),
        });
    }
    let gaskets: Vec<analysis::watch::seal::Gasket> = {
        let since = changes.last().map_or(Micros(0), |c| c.at);
        vec![
            pulls
                .iter()
                .filter(|p| p.at >= since && p.poured)
                .map(|p| analysis::watch::seal::SealPull {
                    at: p.at,
                    age_pulls: p.age_pours.unwrap_or(0) as usize + 1,
                    share: p.share,
                    tau_s: p.tau_s,
                })
                .collect(),
        ]
    };
    let [depth, pump_down] = analysis::watch::seal::seal(&gaskets, "bench-1");
    Pulls {
        id: "pulls".to_owned(),
        machine: case.typed("bench-1", 1),
        weak_below_kpa: (!pulls.is_empty()).then_some(79.0),
        pulls,
        changes,
        depth: Some(depth),
        pump_down: Some(pump_down),
    }
}

fn against_target(case: Case) -> Watched {
    let mut dice = Dice(9);
    let times: Vec<Micros> = series::sessions(case.weeks())
        .into_iter()
        .flat_map(|at| (0..4).map(move |n| at.plus_seconds(f64::from(n) * 1900.0)))
        .collect();
    let mut values: Vec<f64> = times.iter().map(|_| dice.bell() * 3.0).collect();
    let many = values.len();
    if many > 60 {
        values[many - 3] = -16.0;
        values[many - 38] = 14.0;
        for v in &mut values[many - 22..many - 12] {
            *v = v.abs() + 1.0;
        }
    }
    Watched {
        subject: Subject::Aim,
        of: Some(case.typed("bench-1", 0)),
        points: times
            .iter()
            .enumerate()
            .map(|(n, at)| {
                let name = format!("2026-11-18T0912-bench-1, pour {}", n % 4 + 1);
                (*at, case.typed(&name, n))
            })
            .collect(),
        chart: individuals(&values, many),
    }
}

fn by_session(case: Case) -> Watched {
    let mut dice = Dice(13);
    let times = series::sessions(case.weeks());
    let mut counts: Vec<(u32, u32)> = times
        .iter()
        .map(|_| {
            let pieces = 40 + (dice.roll() * 130.0) as u32;
            (dice.hits(pieces, 0.06), pieces)
        })
        .collect();
    let many = counts.len();
    if many > 20 {
        counts[many - 5] = (31, 120);
    }
    Watched {
        subject: Subject::Defects,
        of: None,
        points: times
            .iter()
            .enumerate()
            .map(|(n, at)| (*at, case.typed("2026-11-18T0912-bench-1", n)))
            .collect(),
        chart: p_prime(&counts, many).map(|p| p.chart),
    }
}

fn cylinder(case: Case) -> Gas {
    let mut dice = Dice(17);
    let mut sessions: Vec<Used> = series::sessions(case.weeks().min(52))
        .into_iter()
        .enumerate()
        .map(|(n, at)| Used {
            session: case.typed("2026-11-18T0912-bench-1", n),
            at,
            used_l: 420.0 + dice.bell() * 60.0,
            pours: 5,
        })
        .collect();
    if case == Case::One {
        sessions.push(Used {
            session: "2026-11-18T0912-bench-1".to_owned(),
            at: series::now().plus_seconds(-5.0 * series::DAY_S),
            used_l: 380.0,
            pours: 4,
        });
    }
    let mut left = 4300.0;
    let left: Vec<(Micros, f64)> = sessions
        .iter()
        .map(|s| {
            left -= s.used_l;
            if left < 500.0 {
                left = 9300.0;
            }
            (s.at.plus_seconds(14_000.0), left)
        })
        .collect();
    Gas {
        id: "gas".to_owned(),
        runs_out_at: left
            .last()
            .map(|(at, l)| at.plus_seconds(l / 840.0 * 7.0 * series::DAY_S)),
        sessions,
        left,
    }
}

fn week(case: Case) -> PoursOfWeek {
    let count = match case {
        Case::Empty => 0,
        Case::One => 1,
        Case::FiveYears => 60,
        Case::Hostile => 9,
        _ => 18,
    };
    let mut dice = Dice(23);
    let mut pours = Vec::new();
    let mut day = 0.0;
    while pours.len() < count {
        let open = series::now().plus_seconds((day - 6.0) * series::DAY_S + 12_000.0);
        day += 0.6;
        let (trace, rows, _) = session::session(&mut dice, open, 6);
        for row in rows {
            let n = pours.len();
            pours.push(OnePour {
                name: case.typed(&format!("A{}", n + 1), n),
                at: row.at,
                machine: case.typed("bench-1", n),
                melt_c: trace.melt_c.clone(),
                vacuum_kpa: trace.vacuum_kpa.clone(),
                pour_c: row.pour_temperature_c,
                doubtful: row.confidence < 0.8,
                off: if row.vacuum_kpa.is_some_and(|v| v < 70.0) {
                    case.typed("weak pull", n)
                } else {
                    String::new()
                },
            });
        }
    }
    pours.truncate(count);
    PoursOfWeek {
        id: "pours".to_owned(),
        pours,
    }
}

fn change(case: Case) -> BeforeAfter {
    let side = |flasks: usize, defective: u64, rate: f64| Side {
        flasks,
        sessions: flasks / 5,
        pieces: flasks as u64 * 24,
        defective,
        rate,
        limits: Some((rate * 0.7, rate * 1.4)),
    };
    let (before, after) = match case {
        Case::Empty => (Side::default(), Side::default()),
        Case::One => (side(1, 2, 0.083), side(1, 1, 0.042)),
        _ => (side(80, 140, 0.073), side(40, 41, 0.043)),
    };
    BeforeAfter {
        id: "change".to_owned(),
        what: case.typed("the new gasket of 3 Nov", 0),
        outcome: "pieces with a defect".to_owned(),
        before,
        after,
        difference: (case != Case::One).then_some((-0.03, -0.052, -0.006)),
        sentence: "Fewer since then, and by more than chance explains.".to_owned(),
    }
}

/// The charts of a session sheet.
fn of_a_session(case: Case) -> Result<Vec<Named>, ChartError> {
    let mut dice = Dice(7);
    let open = Micros(1_795_000_000_000_000);
    let flasks = match case {
        Case::Empty => return Ok(vec![]),
        Case::One => 1,
        _ => 5,
    };
    let (mut trace, pours, pulls) = session::session(&mut dice, open, flasks);
    for (n, stage) in trace.stages.iter_mut().enumerate() {
        stage.name = case.typed(&stage.name, n);
    }
    for (n, kiln) in trace.kilns_c.iter_mut().enumerate() {
        kiln.0 = case.typed(&kiln.0, n + 3);
    }
    let mut night = session::night(&mut dice, open, &pours);
    night.kiln = case.typed(&night.kiln, 3);
    let all = moments(&pours, &[]);
    let (shown, zone) = (case.shown(), zone());
    let mut out = vec![
        (
            "trace",
            trace::draw(&trace::Day {
                id: "day",
                trace: &trace,
                pulls: &pulls,
                moments: &all,
                shown: &shown,
                zone: &zone,
            })?,
        ),
        ("night", night::draw("night", &night, &shown, &zone)?),
    ];
    if let Some(scales) = close_up::scales(&trace, &all) {
        for (n, moment) in all.iter().enumerate().take(2) {
            let id = format!("close-{n}");
            let title = case.typed("Pour 1, A1", n);
            let figure = close_up::draw(&id, &title, &trace, moment, &pulls, &scales, &shown)?;
            out.push(("close-up", Some(figure)));
        }
    }
    Ok(out)
}

/// A page with all charts of this case, in the reports' own clothes.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn page(case: Case) -> Result<String, ChartError> {
    let css = include_str!("../../src/page/templates/page.css");
    let mut body = String::new();
    for (name, figure) in all(case)? {
        body += &match figure {
            None => format!("<section><h2>{name}</h2><p>Nothing to show.</p></section>"),
            Some(f) => in_page(name, &f),
        };
    }
    Ok(format!(
        "<!doctype html><html lang=en><meta charset=utf-8><meta name=viewport content=\"width=device-width\">\
         <title>charts: {}</title><style>{css}{}</style><main>{body}</main></html>",
        case.name(),
        style::CSS
    ))
}

fn in_page(name: &str, f: &Figure) -> String {
    let escape = |text: &str| text.replace('&', "&amp;").replace('<', "&lt;");
    let drawing = match &f.narrow {
        Some(narrow) => format!(
            "<div class=desk>{}</div><div class=phone>{}</div>",
            f.svg.as_str(),
            narrow.as_str()
        ),
        None => f.svg.as_str().to_owned(),
    };
    let wide = if f.narrow.is_some() { "wide" } else { "one" };
    let rows: String = f
        .table
        .rows
        .iter()
        .take(3)
        .map(|row| {
            let cells: String = row
                .iter()
                .map(|c| format!("<td>{}</td>", escape(&c.text)))
                .collect();
            format!("<tr>{cells}</tr>")
        })
        .collect();
    let heads: String = f
        .table
        .heads
        .iter()
        .map(|h| format!("<th>{}</th>", escape(&h.text)))
        .collect();
    format!(
        "<section id=\"{name}\"><figure class={wide}><figcaption><h4>{}</h4><p>{}</p></figcaption>{drawing}\
         </figure><div class=tablebox><table><tr>{heads}</tr>{rows}</table></div></section>",
        escape(&f.title),
        escape(&f.note)
    )
}
