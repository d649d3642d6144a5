//! Nothing in a chart is cut and no two texts meet, whatever the data: every chart of the gallery
//! in every case is read back from its SVG and its texts' ground compared.
#![allow(clippy::unwrap_used)]

// The example writes pages of it; here only the drawings are looked at.
#[allow(dead_code)]
#[path = "../examples/gallery/charts.rs"]
mod charts;
#[path = "../examples/gallery/dice.rs"]
mod dice;
#[path = "../examples/gallery/series.rs"]
mod series;
#[path = "../examples/gallery/session.rs"]
mod session;

use std::collections::BTreeSet;

use charts::{Case, all};
use reports::chart::canvas::{Align, Frame, ground};
use reports::chart::style::Ink;
use reports::chart::svg::SafeSvg;

/// The middle of capitals lies this far above the baseline, as a share of the type size.
const MIDDLE: f64 = 0.36;

/// Each text with the ground it covers, and the canvas.
fn texts(svg: &SafeSvg) -> (Vec<(String, Frame)>, Frame) {
    let doc = roxmltree::Document::parse(svg.as_str()).unwrap();
    let root = doc.root_element();
    let sizes: Vec<f64> = root
        .attribute("viewBox")
        .unwrap()
        .split(' ')
        .map(|n| n.parse().unwrap())
        .collect();
    let canvas = Frame {
        left: 0.0,
        top: 0.0,
        right: sizes[2],
        bottom: sizes[3],
    };
    let found = doc
        .descendants()
        .filter(|n| n.has_tag_name("text"))
        .map(|n| {
            let number = |name: &str| n.attribute(name).unwrap().parse::<f64>().unwrap();
            let class = n.attribute("class").unwrap();
            let ink = Ink::ALL.into_iter().find(|i| i.class() == class).unwrap();
            let align = match n.attribute("text-anchor") {
                Some("middle") => Align::Middle,
                Some("end") => Align::End,
                _ => Align::Start,
            };
            let text = n.text().unwrap_or("").to_owned();
            let size = number("font-size");
            let at = (number("x"), number("y") - MIDDLE * size);
            let ground = ground(at, &text, size, ink, align);
            (text, ground)
        })
        .collect();
    (found, canvas)
}

fn drawings(case: Case) -> Vec<(String, SafeSvg)> {
    all(case)
        .unwrap()
        .into_iter()
        .filter_map(|(name, figure)| Some((name, figure?)))
        .flat_map(|(name, figure)| {
            let phone = figure.narrow.map(|n| (format!("{name}, phone"), n));
            std::iter::once((name.to_owned(), figure.svg)).chain(phone)
        })
        .collect()
}

#[test]
fn no_text_is_cut_and_no_two_meet() {
    let mut wrong = Vec::new();
    for case in Case::ALL {
        for (name, svg) in drawings(case) {
            let (texts, canvas) = texts(&svg);
            for (i, (text, here)) in texts.iter().enumerate() {
                let near: String = text.chars().take(40).collect();
                // Half a pixel is rounding.
                if here.left < -0.5
                    || here.top < -0.5
                    || here.right > canvas.right + 0.5
                    || here.bottom > canvas.bottom + 0.5
                {
                    wrong.push(format!("{case:?}, {name}: {near:?} is cut ({here:?})"));
                }
                for (other, there) in &texts[i + 1..] {
                    let inner = Frame {
                        left: here.left + 0.5,
                        top: here.top + 0.5,
                        right: here.right - 0.5,
                        bottom: here.bottom - 0.5,
                    };
                    if inner.meets(there) {
                        let other: String = other.chars().take(40).collect();
                        wrong.push(format!("{case:?}, {name}: {near:?} meets {other:?}"));
                    }
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{}:\n{}", wrong.len(), wrong.join("\n"));
}

#[test]
fn every_drawing_is_sound_named_and_numbered_apart() {
    for case in Case::ALL {
        let mut ids = BTreeSet::new();
        for (name, svg) in drawings(case) {
            let doc = roxmltree::Document::parse(svg.as_str())
                .unwrap_or_else(|e| panic!("{case:?}, {name}: {e}"));
            let root = doc.root_element();
            assert_eq!(root.attribute("role"), Some("img"));
            for id in doc.descendants().filter_map(|n| n.attribute("id")) {
                assert!(ids.insert(id.to_owned()), "{case:?}, {name}: {id} twice");
            }
            let labels: Vec<&str> = root
                .attribute("aria-labelledby")
                .unwrap()
                .split(' ')
                .collect();
            assert!(labels.iter().all(|l| ids.contains(*l)));
            assert!(!doc.descendants().any(|n| n.has_tag_name("script")));
            let numbers = !svg.as_str().contains("NaN") && !svg.as_str().contains("inf");
            assert!(numbers, "{case:?}, {name} holds what is no number");
        }
    }
}

#[test]
fn without_data_a_chart_is_not_drawn() {
    for (name, figure) in all(Case::Empty).unwrap() {
        assert!(figure.is_none() || name == "kinds", "{name}");
    }
}

#[test]
fn all_charts_of_five_years_leave_room_for_the_rest_of_a_report() {
    // Those of a session sheet are another page, and a curve is drawn once.
    let others = ["trace", "night", "close-up", "curve-uncertain"];
    let bytes: usize = drawings(Case::FiveYears)
        .iter()
        .filter(|(name, _)| !others.iter().any(|s| name.starts_with(s)))
        .map(|(_, svg)| svg.as_str().len())
        .sum();
    assert!(bytes < 420_000, "{bytes} bytes");
}
