//! What every page must be, whatever is in it: well formed, self-contained, named, and with no
//! text of a chart outside it.

use std::collections::BTreeSet;

/// What every page must be, whatever is in it.
pub(super) fn check_page(html: &str) {
    assert!(html.starts_with("<!DOCTYPE html>\n<html lang=\"en\">"));
    assert!(html.len() < 1_000_000, "{} bytes", html.len());
    let text = html.replace("http://www.w3.org/2000/svg", "");
    for wrong in [
        "NaN",
        "inf ",
        "undefined",
        "<script",
        "http://",
        "https://",
        "<!--",
    ] {
        let before = text.split(wrong).next().unwrap();
        assert!(
            before.len() == text.len(),
            "{wrong} after {}",
            before.chars().rev().take(80).collect::<String>()
        );
    }
    let turned = html.find(['\u{202e}', '\u{2066}', '\u{0}']);
    assert!(
        turned.is_none(),
        "a mark that turns the text after {}",
        turned.map_or("", |at| html[..at].rsplit('<').next().unwrap())
    );
    let mut ids = BTreeSet::new();
    for part in html.split(" id=\"").skip(1) {
        let id = part.split('"').next().unwrap();
        assert!(ids.insert(id.to_owned()), "the id {id} is there twice");
    }
    for svg in html.split("<svg ").skip(1) {
        let svg = format!("<svg {}</svg>", svg.split("</svg>").next().unwrap());
        let doc = roxmltree::Document::parse(&svg).unwrap();
        let root = doc.root_element();
        assert_eq!(root.attribute("role"), Some("img"));
        let named = root.attribute("aria-labelledby").unwrap();
        for id in named.split(' ') {
            let text = doc
                .descendants()
                .find(|n| n.attribute("id") == Some(id))
                .unwrap();
            assert!(text.text().is_some_and(|t| !t.is_empty()));
        }
        check_text_inside(&doc);
    }
    // Every element that was opened is closed, in order: the page without its drawings and
    // empty elements reads as XML.
    let body = &html[html.find("<body>").unwrap()..];
    let body = body.split("</html>").next().unwrap();
    let body = body.replace(" scope=row", "").replace("&nbsp;", " ");
    roxmltree::Document::parse(&body).unwrap();
}

/// No text of a chart reaches over its edge.
fn check_text_inside(doc: &roxmltree::Document<'_>) {
    let root = doc.root_element();
    let view: Vec<f64> = root
        .attribute("viewBox")
        .unwrap()
        .split(' ')
        .map(|v| v.parse().unwrap())
        .collect();
    for text in doc.descendants().filter(|n| n.has_tag_name("text")) {
        let number = |name: &str| text.attribute(name).unwrap().parse::<f64>().unwrap();
        let size = number("font-size");
        assert!(size >= 12.0);
        let width = crate::chart::text_width::width(text.text().unwrap_or(""), size);
        let left = match text.attribute("text-anchor") {
            Some("middle") => number("x") - width / 2.0,
            Some("end") => number("x") - width,
            _ => number("x"),
        };
        let right = left + width;
        assert!(
            left >= -0.5 && right <= view[2] + 0.5,
            "\"{}\" reaches from {left} to {right} of {}",
            text.text().unwrap_or(""),
            view[2]
        );
        assert!(number("y") <= view[3]);
    }
}
