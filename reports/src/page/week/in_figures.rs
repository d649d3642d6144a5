//! The week in figures beside the weeks before it: flasks, pieces and grams, poured and lost.

use analysis::flask::Flask;

use super::sorted::Sorted;
use crate::page::sheet::{Block, Section};
use crate::rates::{Counting, Rate};
use crate::table::{Cell, Table};
use crate::wording;

pub(super) fn section(sorted: &Sorted<'_>) -> Section {
    let pooled = sorted.any.design_effect(&sorted.all);
    let now = sorted.any.rate(&sorted.now, pooled);
    let before = sorted.any.rate(&sorted.before, pooled);
    let weeks = sorted.weeks_known();
    let blocks = vec![
        match (now, before) {
            (None, _) if sorted.now.is_empty() => Block::text("No flask was poured this week."),
            (None, _) => Block::missing(
                "None of the week's flasks has been counted, so there is no defect rate.",
                "Count the pieces of each flask after washing; which ones is said below.",
            ),
            (Some(now), None) => Block::text(format!(
                "{}{} There is nothing to compare with yet: no flask of an earlier week was counted.",
                lost_words(now),
                grams_words(sorted)
            )),
            (Some(now), Some(before)) => Block::text(format!(
                "{}{}",
                compare(now, before, sorted.weeks_words()),
                grams_words(sorted)
            )),
        },
        Block::Table {
            table: table(sorted, now, before, weeks),
        },
    ];
    Section {
        id: "figures",
        title: "The week in figures".to_owned(),
        blocks,
    }
}

fn table(sorted: &Sorted<'_>, now: Option<Rate>, before: Option<Rate>, weeks: u32) -> Table {
    let earlier = format!("#in the {}", sorted.weeks_words());
    let heads: Vec<&str> = if weeks == 0 {
        vec!["what", "#this week"]
    } else {
        vec!["what", "#this week", &earlier]
    };
    let mut table = Table::new("The week in figures against the weeks before", &heads);
    let per_week = |n: f64| match (n > 0.0, weeks) {
        (false, _) => "none".to_owned(),
        (true, 0 | 1) => format!("{n:.0}"),
        // A tenth of a piece tells nothing where there are dozens.
        (true, _) if n / f64::from(weeks) >= 100.0 => format!("{:.0} a week", n / f64::from(weeks)),
        (true, _) => format!("{:.1} a week", n / f64::from(weeks)),
    };
    let mut row = |name: &str, a: String, b: String| {
        let cells = [
            Cell::plain(name).strong_if(true),
            Cell::plain(a),
            Cell::plain(b),
        ];
        table.push(cells.into_iter().take(heads.len()).collect());
    };
    row(
        "flasks poured",
        sorted.now.len().to_string(),
        per_week(sorted.before.len() as f64),
    );
    row(
        "flasks counted",
        inspected(&sorted.now).to_string(),
        per_week(inspected(&sorted.before) as f64),
    );
    row(
        "pieces counted",
        now.map_or(0, |r| r.pieces).to_string(),
        per_week(before.map_or(0, |r| r.pieces) as f64),
    );
    row(
        "pieces with a defect",
        now.map_or("0".to_owned(), lost),
        match before.filter(|r| r.least < r.most) {
            Some(r) => format!("at most {}", per_week(r.defective as f64)),
            None => per_week(before.map_or(0, |r| r.defective) as f64),
        },
    );
    row("share with a defect", share(now), share(before));
    row("its 95 % interval", interval(now), interval(before));
    let shown = &sorted.week.shop.shown;
    let mass = |g: Option<f64>, weeks: u32| {
        g.map_or("–".to_owned(), |g| {
            if weeks > 1 {
                format!("{} a week", shown.mass(g / f64::from(weeks)))
            } else {
                shown.mass(g).to_string()
            }
        })
    };
    let (poured, poured_before) = (metal_g(&sorted.now), metal_g(&sorted.before));
    if poured.is_some() || poured_before.is_some() {
        row("metal poured", mass(poured, 1), mass(poured_before, weeks));
    }
    let gone = |flasks: &[&Flask]| lost_g(&sorted.any, flasks).map(|l| l.grams);
    let (lost, lost_before) = (gone(&sorted.now), gone(&sorted.before));
    if lost.is_some() || lost_before.is_some() {
        row(
            "metal in pieces with a defect, about",
            mass(lost, 1),
            mass(lost_before, weeks),
        );
    }
    table
}

/// Metal poured into these flasks, g; none where no charge was weighed.
fn metal_g(flasks: &[&Flask]) -> Option<f64> {
    flasks
        .iter()
        .filter_map(|f| f.metal_g.filter(|g| g.is_finite()))
        .reduce(|a, b| a + b)
}

/// Metal that went into pieces with a defect.
struct LostMetal {
    grams: f64,
    /// Flasks with a defect whose charge was not weighed.
    unweighed: usize,
}

/// The metal of the pieces with a defect: of each flask the share of its charge that its defective
/// pieces are of its pieces, sprue and all. None where no counted flask was weighed.
fn lost_g(any: &Counting, flasks: &[&Flask]) -> Option<LostMetal> {
    let mut found = LostMetal {
        grams: 0.0,
        unweighed: 0,
    };
    let mut weighed = 0;
    for flask in flasks {
        let Some((pieces, defective)) = any.counts(flask) else {
            continue;
        };
        match flask.metal_g.filter(|g| g.is_finite()) {
            Some(grams) => {
                weighed += 1;
                found.grams += grams * f64::from(defective) / f64::from(pieces.max(1));
            }
            None => found.unweighed += usize::from(defective > 0),
        }
    }
    (weighed > 0).then_some(found)
}

/// The metal lost this week, as a sentence with a space in front.
fn grams_words(sorted: &Sorted<'_>) -> String {
    let Some(lost) = lost_g(&sorted.any, &sorted.now).filter(|l| l.grams > 0.0) else {
        return String::new();
    };
    let mut text = format!(
        " About {} of metal, sprue included, went into them and must be cast again",
        sorted.week.shop.shown.mass(lost.grams)
    );
    if lost.unweighed > 0 {
        text += &format!(
            "; {} more had defects and no weight on the card",
            wording::count(lost.unweighed as u64, "flask")
        );
    }
    text + "."
}

fn inspected(flasks: &[&Flask]) -> u64 {
    flasks
        .iter()
        .filter(|f| f.pieces.is_some_and(|p| p > 0))
        .count() as u64
}

fn share(rate: Option<Rate>) -> String {
    rate.map_or("–".to_owned(), |r| wording::share(r.least, r.most))
}

fn interval(rate: Option<Rate>) -> String {
    rate.map_or("–".to_owned(), |r| wording::percent_range(r.low, r.high))
}

/// Pieces with a defect: a number, or the fewest and the most there can have been.
fn lost(rate: Rate) -> String {
    wording::pieces_between(rate.least, rate.pieces, rate.defective)
}

/// Pieces lost, as a sentence.
fn lost_words(rate: Rate) -> String {
    match rate.defective {
        0 => "No piece was lost to a defect.".to_owned(),
        1 if rate.least >= rate.most => "1 piece was lost to a defect.".to_owned(),
        _ => format!("{} pieces were lost to defects.", lost(rate)),
    }
}

/// The week against those before, in pieces: what was lost and whether that is out of the
/// ordinary.
fn compare(now: Rate, before: Rate, weeks: &str) -> String {
    if now.least < now.most || before.least < before.most {
        return format!(
            "Pieces lost to defects: {}. Not every flask was counted for any defect, so the rates lie between bounds{}.",
            lost(now),
            if now.low > before.high || now.high < before.low {
                ", and those of the week and of the weeks before are apart: something changed"
            } else {
                " and no difference from the weeks before can be told"
            }
        );
    }
    let expected = before.estimate * now.pieces as f64;
    let difference = now.defective as f64 - expected;
    let lost = lost_words(now);
    let apart = now.low > before.high || now.high < before.low;
    let rounded = difference.abs().round() as u64;
    let against = if rounded == 0 {
        format!(" That is as many as the {weeks} would lead one to expect.")
    } else {
        format!(
            " At the rate of the {weeks} it would have been {}, so {} {} than usual {} lost.",
            expected.round(),
            rounded,
            if difference > 0.0 { "more" } else { "fewer" },
            if rounded == 1 { "was" } else { "were" },
        )
    };
    let weight = if apart {
        " The two intervals are apart: something changed."
    } else {
        " The two intervals overlap, so chance alone may explain the difference."
    };
    format!("{lost}{against}{}", if rounded == 0 { "" } else { weight })
}

#[cfg(test)]
mod tests {
    use super::*;

    const EIGHT: &str = "eight weeks before";

    fn rate(defective: u64, pieces: u64, low: f64, high: f64) -> Rate {
        Rate {
            defective,
            pieces,
            estimate: defective as f64 / pieces as f64,
            least: defective as f64 / pieces as f64,
            most: defective as f64 / pieces as f64,
            low,
            high,
        }
    }

    #[test]
    fn a_week_is_told_in_pieces_and_chance_is_not_called_change() {
        let before = rate(80, 1600, 0.04, 0.06);
        assert_eq!(
            compare(rate(14, 200, 0.03, 0.12), before, EIGHT),
            "14 pieces were lost to defects. At the rate of the eight weeks before it would have \
             been 10, so 4 more than usual were lost. The two intervals overlap, so chance alone \
             may explain the difference."
        );
        assert!(compare(rate(40, 200, 0.14, 0.27), before, EIGHT).contains("something changed"));
        assert!(compare(rate(1, 20, 0.01, 0.2), before, EIGHT).starts_with("1 piece was lost"));
        let mut bounds = rate(13, 177, 0.01, 0.12);
        bounds.least = 5.0 / 177.0;
        assert_eq!(share(Some(bounds)), "2.8–7.3 %");
        assert!(compare(bounds, before, EIGHT).starts_with("Pieces lost to defects: 5–13. "));
    }
}
