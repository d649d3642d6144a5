//! What a caster may rely on in the curve.

use analysis::units::Scheme;

use super::*;

fn flask(pour_c: f64, pieces: u32, defective: u32) -> Flask {
    Flask {
        label: "<A&3>".to_owned(),
        cast_at: Micros(1_700_000_000_000_000),
        pour_c,
        pieces,
        defective,
    }
}

fn at(pour_c: f64, rate: f64) -> At {
    At {
        pour_c,
        rate,
        least: rate,
        most: rate,
        limits: Some((rate * 0.6, rate * 1.6)),
        flasks: 9,
    }
}

fn shop(flasks: Vec<Flask>, line: Vec<At>) -> Curve {
    Curve {
        id: "curve".to_owned(),
        of: "sterling-925, medium".to_owned(),
        outcome: "pieces with a defect".to_owned(),
        flasks,
        line,
        usual_c: Some(968.0),
        ..Curve::default()
    }
}

fn drawn(curve: &Curve, scheme: Scheme) -> Figure {
    draw(curve, &ShownIn::from(scheme), &TimeZone::UTC)
        .unwrap()
        .unwrap()
}

fn count(figure: &Figure, class: &str) -> usize {
    let doc = roxmltree::Document::parse(figure.svg.as_str()).unwrap();
    doc.descendants()
        .filter(|n| n.attribute("class") == Some(class))
        .count()
}

#[test]
fn where_too_few_flasks_were_poured_there_is_no_curve() {
    let line: Vec<At> = (950..960)
        .chain(985..995)
        .map(|t| at(f64::from(t), 0.05))
        .collect();
    let flasks = line.iter().map(|a| flask(a.pour_c, 20, 1)).collect();
    let figure = drawn(&shop(flasks, line), Scheme::Metric);
    assert_eq!(count(&figure, "c-estimate"), 2);
    assert_eq!(count(&figure, "c-band"), 2);
    assert!(figure.svg.as_str().contains("too few"));
}

#[test]
fn without_a_model_the_counted_rates_stand_and_nothing_pretends_to_be_a_curve() {
    let mut curve = shop(vec![flask(960.0, 20, 1), flask(975.0, 20, 3)], vec![]);
    curve.counted = vec![at(960.0, 0.05), at(975.0, 0.15)];
    let figure = drawn(&curve, Scheme::Metric);
    assert_eq!(count(&figure, "c-band"), 0);
    assert_eq!(count(&figure, "c-estimate"), 2);
    assert!(figure.note.contains("nothing is held equal"));
    assert_eq!(figure.table.rows.len(), 2);
}

#[test]
fn temperatures_that_read_the_same_are_named_together() {
    let mut curve = shop(vec![flask(968.0, 20, 1), flask(990.0, 20, 1)], vec![]);
    curve.target_c = Some(967.9);
    curve.advised_c = Some(978.0);
    curve.advised_as = "worth trying".to_owned();
    let svg = drawn(&curve, Scheme::Us).svg;
    assert!(
        svg.as_str().contains("usual and target 1774\u{a0}°F"),
        "{}",
        svg.as_str()
    );
    assert!(svg.as_str().contains("worth trying 1792\u{a0}°F"));
}

#[test]
fn a_flask_beyond_the_scale_is_counted_and_not_pushed_to_the_edge() {
    let mut flasks: Vec<Flask> = (0..40)
        .map(|i| flask(950.0 + f64::from(i), 20, 1))
        .collect();
    flasks.push(flask(960.0, 20, 20));
    let figure = drawn(
        &shop(flasks, vec![at(960.0, 0.05), at(961.0, 0.05)]),
        Scheme::Metric,
    );
    assert!(figure.svg.as_str().contains("1 flask above"));
    assert_eq!(count(&figure, "c-flask"), 2);
}

#[test]
fn five_years_of_flasks_stay_small_and_say_that_they_are_gathered() {
    let flasks = (0..4000)
        .map(|i| flask(940.0 + f64::from(i % 600) / 10.0, 20 + i % 15, i % 4))
        .collect();
    let line = (945..985).map(|t| at(f64::from(t), 0.06)).collect();
    let figure = drawn(&shop(flasks, line), Scheme::Metric);
    let both = figure.svg.as_str().len() + figure.narrow.as_ref().unwrap().as_str().len();
    assert!(both < 75_000, "{both}");
    assert!(figure.note.contains("newest 300"));
}

#[test]
fn no_flask_makes_no_chart_and_mad_numbers_do_no_harm() {
    let shown = ShownIn::default();
    assert!(
        draw(&shop(vec![], vec![]), &shown, &TimeZone::UTC)
            .unwrap()
            .is_none()
    );
    for curve in [
        shop(vec![flask(f64::NAN, 3, 1), flask(968.0, 1, 0)], vec![]),
        shop(
            vec![flask(968.0, 0, 0), flask(1e300, 3, 3)],
            vec![at(968.0, f64::NAN)],
        ),
        shop(
            vec![flask(968.0, 4, 9)],
            vec![at(f64::INFINITY, 0.1), at(968.0, 2.0)],
        ),
    ] {
        let figure = drawn(&curve, Scheme::Metric);
        roxmltree::Document::parse(figure.svg.as_str()).unwrap();
        assert!(!figure.svg.as_str().contains("NaN"));
    }
}
