//! Defect rate over a setting. Every flask is a faint ring sized by its pieces; over them lie
//! bins with their rate (heavy line) and interval (box). Where no flask was poured there is
//! nothing, not even a line that would suggest a value.

use super::canvas::{Align, Canvas, Frame};
use super::style::{self, Ink, MARGIN_LEFT, MARGIN_RIGHT, NARROW, TYPE_LABEL, TYPE_TICK};
use super::text_width::{width, width_bold};
use super::{ChartError, Figure};
use crate::table::{Cell, Table};
use crate::wording;

/// How many flasks are drawn one by one, with a tooltip; older ones are drawn as plain dots so
/// that the report of many years stays small.
const DRAWN_ONE_BY_ONE: usize = 300;

/// One inspected flask.
#[derive(Clone, Debug, PartialEq)]
pub struct Dot {
    /// The setting, in the unit shown.
    pub x: f64,
    /// Pieces looked at.
    pub pieces: u32,
    /// Defective pieces.
    pub defective: u32,
    /// What its tooltip says.
    pub tip: String,
}

/// A range of the setting with the rate of the flasks in it.
#[derive(Clone, Debug, PartialEq)]
pub struct Bin {
    /// Lower edge, in the unit shown.
    pub from: f64,
    /// Upper edge.
    pub until: f64,
    /// Flasks in it.
    pub flasks: u64,
    /// Pieces looked at.
    pub pieces: u64,
    /// Defective pieces.
    pub defective: u64,
    /// Defective pieces as a share of all, 0–1.
    pub rate: f64,
    /// That share at the fewest pieces that can have been defective.
    pub least: f64,
    /// And at the most.
    pub most: f64,
    /// Lower end of its 95 % interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// What the chart is made from.
#[derive(Clone, Debug, PartialEq)]
pub struct Binned {
    /// Unique in the page: letters, digits, hyphens.
    pub id: String,
    /// The setting's name, such as "pour temperature".
    pub setting: String,
    /// Its unit's sign.
    pub unit: String,
    /// Decimals that the unit deserves.
    pub decimals: usize,
    /// What counts as defective, such as "pieces with a defect that heat can steer".
    pub outcome: String,
    /// The flasks, oldest first.
    pub dots: Vec<Dot>,
    /// The bins.
    pub bins: Vec<Bin>,
    /// What the shop usually does.
    pub usual: Option<f64>,
}

/// The upper end of the rate scale: everything in it if that stays readable, else the bins and
/// nineteen flasks of twenty, the rest being counted at the top edge.
fn top(b: &Binned) -> f64 {
    let mut rates: Vec<f64> = b.dots.iter().map(rate).collect();
    rates.sort_by(f64::total_cmp);
    let most = rates.last().copied().unwrap_or(0.0);
    let most_but_few = rates
        .get(((rates.len() as f64) * 0.95) as usize)
        .copied()
        .unwrap_or(most);
    let bins = b.bins.iter().map(|b| b.high).fold(0.0, f64::max);
    let needed = bins.max(most_but_few).max(0.05);
    let wanted = if most <= needed * 1.4 {
        most.max(needed)
    } else {
        needed
    };
    // Up to the next round step, so that the scale ends on a rule.
    let (_, step) = style::ticks(0.0, wanted, 5);
    ((wanted / step).ceil() * step).min(1.0).max(step)
}

fn rate(d: &Dot) -> f64 {
    f64::from(d.defective) / f64::from(d.pieces.max(1))
}

/// The scale of the setting: the flasks, the bins' edges and the usual value, with some air.
fn scale(b: &Binned) -> (f64, f64) {
    let xs = b
        .dots
        .iter()
        .map(|d| d.x)
        .chain(b.bins.iter().flat_map(|b| [b.from, b.until]))
        .chain(b.usual)
        .filter(|x| x.is_finite());
    let (low, high) = xs.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| {
        (l.min(x), h.max(x))
    });
    if low > high {
        return (0.0, 1.0);
    }
    let air = ((high - low) * 0.03).max(0.5 * 10f64.powi(-(b.decimals as i32)));
    (low - air, high + air)
}

/// The chart.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(b: &Binned) -> Result<Figure, ChartError> {
    let height = 288.0;
    let canvas = Canvas::new(NARROW, height);
    let top_rate = top(b);
    let (x0, x1) = scale(b);
    let panel = canvas.panel(
        Frame {
            left: MARGIN_LEFT - 6.0,
            top: 46.0,
            right: NARROW - MARGIN_RIGHT,
            bottom: 226.0,
        },
        x0..x1,
        0.0..top_rate,
    );
    let frame = panel.frame;
    canvas.text(
        (0.0, 10.0),
        "defective pieces, %",
        TYPE_LABEL,
        Ink::SoftText,
        Align::Start,
    )?;
    panel.rules(5, &|y, step| style::number(y * 100.0, step * 100.0))?;

    // Bins below the flasks, their lines above.
    for bin in &b.bins {
        panel.rect(
            bin.from..bin.until,
            bin.low..bin.high.min(top_rate),
            Ink::Interval,
        )?;
    }
    draw_flasks(b, &canvas, &panel, top_rate)?;
    for bin in &b.bins {
        let tip = format!(
            "{}–{} {}: {} ({}), {} of {}, {}",
            style::fixed(bin.from, b.decimals),
            style::fixed(bin.until, b.decimals),
            b.unit,
            wording::share(bin.least, bin.most),
            wording::percent_range(bin.low, bin.high),
            wording::pieces_between(bin.least, bin.pieces, bin.defective),
            wording::count(bin.pieces, "piece"),
            wording::count(bin.flasks, "flask"),
        );
        canvas.with_tip(&tip, || {
            panel.line(
                &[(bin.from, bin.rate), (bin.until, bin.rate)],
                Ink::Estimate,
            )
        })?;
    }

    if let Some(usual) = b.usual {
        panel.upright(usual, Ink::Usual)?;
        let text = format!("usual {} {}", style::fixed(usual, b.decimals), b.unit);
        let half = width_bold(&text, TYPE_TICK) / 2.0;
        let x = panel.px_x(usual).clamp(
            frame.left + half,
            (frame.right - half).max(frame.left + half),
        );
        canvas.text((x, 34.0), &text, TYPE_TICK, Ink::CopperText, Align::Middle)?;
    }

    let (at, step) = style::ticks(x0, x1, 6);
    let marks: Vec<(f64, String)> = at
        .into_iter()
        .map(|x| (x, style::number(x, step)))
        .collect();
    panel.foot(&marks)?;
    let rug: Vec<(f64, f64)> = b
        .dots
        .iter()
        .filter(|d| panel.holds_x(d.x))
        .map(|d| (panel.px_x(d.x), 250.0))
        .collect();
    canvas.strokes(Ink::Rug, &rug, 7.0);
    canvas.text(
        ((frame.left + frame.right) / 2.0, 275.0),
        &format!("{}, {}", b.setting, b.unit),
        TYPE_LABEL,
        Ink::Text,
        Align::Middle,
    )?;

    let title = format!("Defects over {}", b.setting);
    let description = describe(b);
    Ok(Figure {
        svg: canvas.finish(&b.id, &title, &description),
        narrow: None,
        note: description,
        table: table(b),
        title,
    })
}

fn draw_flasks(
    b: &Binned,
    canvas: &Canvas,
    panel: &super::canvas::Panel<'_>,
    top_rate: f64,
) -> Result<(), ChartError> {
    let shown: Vec<&Dot> = b
        .dots
        .iter()
        .filter(|d| panel.holds_x(d.x) && rate(d) <= top_rate)
        .collect();
    let split = shown.len().saturating_sub(DRAWN_ONE_BY_ONE);
    let (old, recent) = shown.split_at(split);
    for (weight, from, until) in [("", 0, 15), (" w-2", 15, 30), (" w-3", 30, u32::MAX)] {
        let at: Vec<(f64, f64)> = old
            .iter()
            .filter(|d| (from..until).contains(&d.pieces))
            .map(|d| (panel.px_x(d.x), panel.px_y(rate(d))))
            .collect();
        canvas.dots(Ink::Flask, weight, &at);
    }
    for d in recent {
        // Area in proportion to pieces: 25 pieces have a radius of 3.2 px.
        let radius = (f64::from(d.pieces).sqrt() * 0.64).clamp(1.4, 7.0);
        canvas.with_tip(&d.tip, || panel.ring(d.x, rate(d), radius, Ink::Flask))?;
    }
    let above: Vec<&Dot> = b
        .dots
        .iter()
        .filter(|d| panel.holds_x(d.x) && rate(d) > top_rate)
        .collect();
    if above.is_empty() {
        return Ok(());
    }
    for d in &above {
        let (x, y) = (panel.px_x(d.x), panel.frame.top);
        canvas.with_tip(&d.tip, || {
            canvas.polygon(
                &[(x - 3.5, y + 1.0), (x + 3.5, y + 1.0), (x, y - 5.0)],
                Ink::Flask,
            )
        })?;
    }
    let text = format!(
        "▴ {} above {} %",
        wording::count(above.len() as u64, "flask"),
        style::fixed(top_rate * 100.0, 0)
    );
    let left = width("defective pieces, %", TYPE_LABEL) + 12.0;
    if NARROW - MARGIN_RIGHT - width(&text, TYPE_TICK) > left {
        canvas.text(
            (NARROW - MARGIN_RIGHT, 10.0),
            &text,
            TYPE_TICK,
            Ink::SoftText,
            Align::End,
        )?;
    }
    Ok(())
}

fn describe(b: &Binned) -> String {
    let flasks = wording::count(b.dots.len() as u64, "flask");
    let range = |bin: &Bin| {
        format!(
            "{}–{} {} ({}, interval {})",
            style::fixed(bin.from, b.decimals),
            style::fixed(bin.until, b.decimals),
            b.unit,
            wording::share(bin.least, bin.most),
            wording::percent_range(bin.low, bin.high)
        )
    };
    let best = b.bins.iter().min_by(|a, c| a.rate.total_cmp(&c.rate));
    let worst = b.bins.iter().max_by(|a, c| a.rate.total_cmp(&c.rate));
    match (best, worst) {
        (Some(best), Some(worst)) if b.bins.len() > 1 => format!(
            "{} in {flasks}. Fewest at {}, most at {}.",
            capital(&b.outcome),
            range(best),
            range(worst)
        ),
        (Some(only), _) => format!(
            "{} in {flasks}, all of them at {}.",
            capital(&b.outcome),
            range(only)
        ),
        _ => format!("{} in {flasks}; too few for a rate.", capital(&b.outcome)),
    }
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars
        .next()
        .map(|c| c.to_uppercase().collect::<String>() + chars.as_str())
        .unwrap_or_default()
}

fn table(b: &Binned) -> Table {
    let mut t = Table::new(
        format!("Defects over {} in numbers", b.setting),
        &[
            &format!("#{} [{}]", b.setting, b.unit),
            "#flasks",
            "#pieces",
            "#defective",
            "#rate",
            "#95 % interval",
        ],
    );
    for bin in &b.bins {
        t.push(vec![
            Cell::plain(format!(
                "{}–{}",
                style::fixed(bin.from, b.decimals),
                style::fixed(bin.until, b.decimals)
            )),
            Cell::plain(bin.flasks.to_string()),
            Cell::plain(bin.pieces.to_string()),
            Cell::plain(wording::pieces_between(
                bin.least,
                bin.pieces,
                bin.defective,
            )),
            Cell::plain(wording::share(bin.least, bin.most)),
            Cell::plain(wording::percent_range(bin.low, bin.high)),
        ]);
    }
    t
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn dot(x: f64, pieces: u32, defective: u32) -> Dot {
        Dot {
            x,
            pieces,
            defective,
            tip: "<A&3>".to_owned(),
        }
    }

    fn example(dots: Vec<Dot>, bins: Vec<Bin>) -> Binned {
        Binned {
            id: "pour".to_owned(),
            setting: "pour temperature".to_owned(),
            unit: "°C".to_owned(),
            decimals: 0,
            outcome: "pieces with a defect".to_owned(),
            dots,
            bins,
            usual: Some(968.0),
        }
    }

    fn bin(from: f64, until: f64, rate: f64) -> Bin {
        Bin {
            from,
            until,
            flasks: 9,
            pieces: 200,
            defective: (rate * 200.0) as u64,
            rate,
            least: rate,
            most: rate,
            low: rate * 0.6,
            high: rate * 1.6,
        }
    }

    #[test]
    fn a_range_without_flasks_stays_empty() {
        let b = example(
            vec![dot(950.0, 20, 2), dot(990.0, 20, 1)],
            vec![bin(945.0, 955.0, 0.1), bin(985.0, 995.0, 0.05)],
        );
        let figure = draw(&b).unwrap();
        let doc = roxmltree::Document::parse(figure.svg.as_str()).unwrap();
        let boxes: Vec<(f64, f64)> = doc
            .descendants()
            .filter(|n| n.has_tag_name("rect") && n.attribute("class") == Some("c-interval"))
            .map(|n| {
                let x: f64 = n.attribute("x").unwrap().parse().unwrap();
                let w: f64 = n.attribute("width").unwrap().parse().unwrap();
                (x, x + w)
            })
            .collect();
        assert_eq!(boxes.len(), 2);
        assert!(boxes[1].0 - boxes[0].1 > 100.0, "{boxes:?}");
        assert_eq!(figure.table.rows.len(), 2);
    }

    #[test]
    fn a_flask_beyond_the_scale_is_counted_and_not_pushed_to_the_edge() {
        let mut dots: Vec<Dot> = (0..40).map(|i| dot(950.0 + f64::from(i), 20, 1)).collect();
        dots.push(dot(960.0, 20, 20));
        let figure = draw(&example(dots, vec![bin(950.0, 990.0, 0.05)])).unwrap();
        assert!(figure.svg.as_str().contains("1 flask above"));
        assert_eq!(figure.svg.as_str().matches("<polygon").count(), 1);
        assert_eq!(figure.svg.as_str().matches("<circle").count(), 40);
    }

    #[test]
    fn no_flask_and_mad_numbers_still_make_a_chart() {
        for b in [
            example(vec![], vec![]),
            example(vec![dot(f64::NAN, 0, 0), dot(f64::INFINITY, 3, 3)], vec![]),
            example(vec![dot(968.0, 1, 0)], vec![bin(968.0, 968.0, 0.0)]),
        ] {
            let figure = draw(&b).unwrap();
            roxmltree::Document::parse(figure.svg.as_str()).unwrap();
            assert!(!figure.svg.as_str().contains("NaN"));
        }
    }

    #[test]
    fn five_years_of_flasks_stay_small() {
        let dots = (0..3000)
            .map(|i| dot(940.0 + f64::from(i % 600) / 10.0, 20 + i % 15, i % 4))
            .collect();
        let figure = draw(&example(dots, vec![bin(940.0, 1000.0, 0.06)])).unwrap();
        assert!(figure.svg.as_str().len() < 120_000);
    }
}
