//! The week in figures beside the eight weeks before it.

use analysis::flask::Flask;

use super::sheet::{Block, Section};
use super::week::{Sorted, WEEKS_BEFORE};
use crate::rates::Rate;
use crate::table::{Cell, Table};
use crate::wording;

pub(super) fn section(sorted: &Sorted<'_>) -> Section {
    let pooled = sorted.any.design_effect(&sorted.all);
    let now = sorted.any.rate(&sorted.now, pooled);
    let before = sorted.any.rate(&sorted.before, pooled);
    let mut table = Table::new(
        "The week in figures against the eight weeks before",
        &["what", "#this week", "#eight weeks before"],
    );
    let per_week = |n: f64| {
        if n > 0.0 {
            format!("{:.1} a week", n / f64::from(WEEKS_BEFORE))
        } else {
            "none".to_owned()
        }
    };
    let mut row = |name: &str, a: String, b: String| {
        table.push(vec![
            Cell::plain(name).strong_if(true),
            Cell::plain(a),
            Cell::plain(b),
        ]);
    };
    row(
        "flasks poured",
        sorted.now.len().to_string(),
        per_week(sorted.before.len() as f64),
    );
    row(
        "flasks inspected",
        inspected(&sorted.now).to_string(),
        per_week(inspected(&sorted.before) as f64),
    );
    row(
        "pieces inspected",
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
    let metal = |flasks: &[&Flask]| {
        flasks
            .iter()
            .filter_map(|f| f.metal_g.filter(|g| g.is_finite()))
            .reduce(|a, b| a + b)
    };
    if let (Some(a), Some(b)) = (metal(&sorted.now), metal(&sorted.before)) {
        let shown = &sorted.week.shop.shown;
        row(
            "metal poured",
            shown.mass(a).to_string(),
            format!("{} a week", shown.mass(b / f64::from(WEEKS_BEFORE))),
        );
    }
    let mut blocks = Vec::new();
    blocks.push(match (now, before) {
        (None, _) if sorted.now.is_empty() => Block::text("No flask was poured this week."),
        (None, _) => Block::missing(
            "None of the week's flasks has been inspected, so there is no defect rate.",
            "Count the pieces of each flask after washing: pourbook record inspection.",
        ),
        (Some(_), None) => {
            Block::text("There is nothing to compare with yet: no flask of the eight weeks before was inspected.")
        }
        (Some(now), Some(before)) => Block::text(compare(now, before)),
    });
    blocks.push(Block::Table { table });
    Section {
        id: "figures",
        title: "The week in figures".to_owned(),
        blocks,
    }
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

/// The week against those before, in pieces: what was lost and whether that is out of the
/// ordinary.
fn compare(now: Rate, before: Rate) -> String {
    if now.least < now.most || before.least < before.most {
        return format!(
            "Pieces lost to defects: {}. Not every flask was counted for any defect, so the rates lie between bounds{}.",
            lost(now),
            if now.low > before.high || now.high < before.low {
                ", and those of the week and of the eight before are apart: something changed"
            } else {
                " and no difference from the eight weeks before can be told"
            }
        );
    }
    let expected = before.estimate * now.pieces as f64;
    let difference = now.defective as f64 - expected;
    let lost = match now.defective {
        0 => "No piece was lost to a defect.".to_owned(),
        1 => "1 piece was lost to a defect.".to_owned(),
        n => format!("{n} pieces were lost to defects."),
    };
    let apart = now.low > before.high || now.high < before.low;
    let rounded = difference.abs().round() as u64;
    let against = if rounded == 0 {
        " That is as many as the eight weeks before would lead one to expect.".to_owned()
    } else {
        format!(
            " At the rate of the eight weeks before it would have been {}, so {} {} than usual {} lost.",
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
            compare(rate(14, 200, 0.03, 0.12), before),
            "14 pieces were lost to defects. At the rate of the eight weeks before it would have \
             been 10, so 4 more than usual were lost. The two intervals overlap, so chance alone \
             may explain the difference."
        );
        assert!(compare(rate(40, 200, 0.14, 0.27), before).contains("something changed"));
        assert!(compare(rate(1, 20, 0.01, 0.2), before).starts_with("1 piece was lost"));
        let mut bounds = rate(13, 177, 0.01, 0.12);
        bounds.least = 5.0 / 177.0;
        assert_eq!(share(Some(bounds)), "2.8–7.3 %");
        assert!(compare(bounds, before).starts_with("Pieces lost to defects: 5–13. "));
    }
}
