//! What else matters: for each setting that the model holds, what a practical step of it does to
//! the share of defective pieces, as a dot and a line for the interval beside the line of no effect.

use super::canvas::{Align, Canvas, Frame, Panel};
use super::style::{self, Ink, MEASURE, NARROW, TYPE_LABEL, TYPE_TICK};
use super::svg::SafeSvg;
use super::text_width::{fit, width, width_bold};
use super::{ChartError, Figure};
use crate::table::{Cell, Table};
use crate::wording;

/// What the chart is made from.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Forest {
    /// Unique in the page: letters, digits, hyphens.
    pub id: String,
    /// What counts as defective, such as "pieces with a defect that heat can steer".
    pub outcome: String,
    /// The rate that the changes start from, 0–1.
    pub from_rate: f64,
    /// The effects. Those of one group stand together, groups in the order they come.
    pub effects: Vec<Effect>,
}

/// What one step of one setting does, all other settings held equal.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Effect {
    /// The heading it stands under, such as "settings" or "alloys against sterling-925"; may be
    /// empty.
    pub group: String,
    /// The setting, such as "pour temperature".
    pub name: String,
    /// The step, such as "10 °C hotter".
    pub step: String,
    /// Change of the share of defective pieces, −1 to 1.
    pub change: f64,
    /// Its 95 % limits; none where too few sessions tell.
    pub limits: Option<(f64, f64)>,
}

impl Effect {
    /// The change of a rate that an odds ratio makes: with o = rate/(1 − rate) it is
    /// r·o/(1 + r·o) − rate. Limits of the ratio become limits of the change, since one rises
    /// with the other.
    pub fn of_odds_ratio(
        (group, name, step): (&str, &str, &str),
        from_rate: f64,
        ratio: f64,
        limits: Option<(f64, f64)>,
    ) -> Effect {
        let change = |ratio: f64| {
            if ratio.is_infinite() {
                return 1.0 - from_rate;
            }
            let odds = ratio * from_rate / (1.0 - from_rate);
            odds / (1.0 + odds) - from_rate
        };
        Effect {
            group: group.to_owned(),
            name: name.to_owned(),
            step: step.to_owned(),
            change: change(ratio),
            limits: limits.map(|(low, high)| (change(low), change(high))),
        }
    }
}

/// How far a limit may stretch the scale: this many times the largest change. Beyond, the line
/// ends in an arrow.
const STRETCH: f64 = 3.0;
/// Most effects drawn; the table has all.
const DRAWN: usize = 24;

/// The chart, for a desk and for a phone; none without an effect to show.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(forest: &Forest) -> Result<Option<Figure>, ChartError> {
    let effects: Vec<&Effect> = forest
        .effects
        .iter()
        .filter(|e| e.change.is_finite())
        .collect();
    if effects.is_empty() {
        return Ok(None);
    }
    let title = "What else matters".to_owned();
    let note = note(forest, &effects);
    let drawn = &effects[..effects.len().min(DRAWN)];
    let svg = sheet(drawn, MEASURE, &forest.id, &title, &note)?;
    let narrow = sheet(
        drawn,
        NARROW,
        &format!("{}-narrow", forest.id),
        &title,
        &note,
    )?;
    Ok(Some(Figure {
        svg,
        narrow: Some(narrow),
        table: table(&effects),
        title,
        note,
    }))
}

/// A change in points of per cent, with its sign.
pub(super) fn points(change: f64) -> String {
    let text = style::fixed(change * 100.0, usize::from(change.abs() < 0.0995));
    if change > 0.0 && !text.trim_matches(['0', '.']).is_empty() {
        format!("+{text}")
    } else {
        text
    }
}

fn range((low, high): (f64, f64)) -> String {
    format!("{} to {}", points(low), points(high))
}

fn scale(effects: &[&Effect]) -> (f64, f64) {
    let largest = effects.iter().map(|e| e.change.abs()).fold(0.005, f64::max);
    let (low, high) = effects
        .iter()
        .flat_map(|e| [Some(e.change), e.limits.map(|l| l.0), e.limits.map(|l| l.1)])
        .flatten()
        .filter(|c| c.is_finite())
        .fold((0.0, 0.0), |(l, h): (f64, f64), c| (l.min(c), h.max(c)));
    let reach = STRETCH * largest;
    // Both sides stay wide enough to be named.
    let low = low.max(-reach).min(-0.3 * largest);
    let high = high.min(reach).max(0.3 * largest);
    let air = (high - low) * 0.04;
    (low - air, high + air)
}

fn sheet(
    effects: &[&Effect],
    total_width: f64,
    id: &str,
    title: &str,
    note: &str,
) -> Result<SafeSvg, ChartError> {
    const HEAD: f64 = 44.0;
    const HEADING: f64 = 28.0;
    let wide = total_width > NARROW;
    let row = if wide { 27.0 } else { 44.0 };
    let headings = effects
        .chunk_by(|a, b| a.group == b.group)
        .filter(|g| !g[0].group.is_empty())
        .count();
    let bottom = HEAD + HEADING * headings as f64 + row * effects.len() as f64;
    let canvas = Canvas::new(total_width, bottom + 44.0);
    let (low, high) = scale(effects);
    let frame = Frame {
        left: if wide { 300.0 } else { 6.0 },
        top: HEAD - 8.0,
        right: if wide {
            total_width - 150.0
        } else {
            total_width - 6.0
        },
        bottom,
    };
    let panel = canvas.panel(frame, low..high, 0.0..1.0);
    let (at, step) = style::ticks(low, high, if wide { 7 } else { 5 });
    for x in at.iter().filter(|x| **x != 0.0) {
        panel.upright(*x, Ink::Grid)?;
    }
    let zero = panel.px_x(0.0);
    canvas.line((zero, frame.top), (zero, frame.bottom), Ink::Centre)?;
    for (long, short, x, align, ink) in [
        (
            "← fewer defects",
            "← fewer",
            zero - 6.0,
            Align::End,
            Ink::CoolText,
        ),
        (
            "more defects →",
            "more →",
            zero + 6.0,
            Align::Start,
            Ink::CopperText,
        ),
    ] {
        let room = if align == Align::End {
            x
        } else {
            total_width - x
        };
        let word = if width_bold(long, TYPE_TICK) < room {
            long
        } else {
            short
        };
        canvas.text((x, 26.0), word, TYPE_TICK, ink, align)?;
    }
    let half = width("no effect", TYPE_TICK) / 2.0;
    let x = zero.clamp(half, total_width - half);
    canvas.text(
        (x, 9.0),
        "no effect",
        TYPE_TICK,
        Ink::SoftText,
        Align::Middle,
    )?;
    let mut y = HEAD;
    for group in effects.chunk_by(|a, b| a.group == b.group) {
        if !group[0].group.is_empty() {
            let room = if wide {
                total_width
            } else {
                total_width - 12.0
            };
            canvas.text(
                (0.0, y + HEADING / 2.0 + 3.0),
                &fit(&group[0].group, TYPE_LABEL, room),
                TYPE_LABEL,
                Ink::SoftText,
                Align::Start,
            )?;
            y += HEADING;
        }
        for effect in group {
            draw_effect(&canvas, &panel, effect, y, wide)?;
            y += row;
        }
    }
    let marks: Vec<(f64, String)> = at
        .into_iter()
        .map(|x| {
            let text = style::number(x * 100.0, step * 100.0);
            let sign = if x > step / 2.0 { "+" } else { "" };
            (x, format!("{sign}{text}"))
        })
        .collect();
    panel.foot(&marks)?;
    let name = "change, points of per cent of pieces";
    let half = width(name, TYPE_LABEL) / 2.0;
    let middle = f64::midpoint(frame.left, frame.right).clamp(half, total_width - half);
    canvas.text(
        (middle, bottom + 33.0),
        name,
        TYPE_LABEL,
        Ink::Text,
        Align::Middle,
    )?;
    Ok(canvas.finish(id, title, note))
}

fn draw_effect(
    canvas: &Canvas,
    panel: &Panel<'_>,
    effect: &Effect,
    top: f64,
    wide: bool,
) -> Result<(), ChartError> {
    let frame = panel.frame;
    // Wide: all on one line. Narrow: words above, line below, so that they never meet.
    let (text_y, y) = if wide {
        (top + 12.0, top + 12.0)
    } else {
        (top + 10.0, top + 29.0)
    };
    let says = match effect.limits {
        Some(limits) => format!("{} ({})", points(effect.change), range(limits)),
        None => points(effect.change),
    };
    let ink = match effect.limits {
        Some((_, high)) if high < 0.0 => Ink::CoolText,
        Some((low, _)) if low > 0.0 => Ink::CopperText,
        _ => Ink::SoftText,
    };
    let right = if wide {
        frame.right + 150.0
    } else {
        frame.right
    };
    canvas.text((right, text_y), &says, TYPE_TICK, ink, Align::End)?;
    let room = if wide {
        frame.left - 14.0
    } else {
        right - width_bold(&says, TYPE_TICK) - 10.0
    };
    let name = full_name(effect);
    canvas.text(
        (if wide { 8.0 } else { 0.0 }, text_y),
        &fit(&name, TYPE_TICK, room),
        TYPE_TICK,
        Ink::Text,
        Align::Start,
    )?;
    let tip = format!("{}: {says} points of per cent", wording::shortened(&name));
    canvas.with_tip(&tip, || {
        if let Some((low, high)) = effect.limits {
            let (left, right) = (panel.px_x(low), panel.px_x(high));
            let (a, b) = (left.max(frame.left), right.min(frame.right));
            if a < b {
                canvas.line((a, y), (b, y), Ink::Interval)?;
            }
            for (cut, x, way) in [
                (left < frame.left, frame.left, 1.0),
                (right > frame.right, frame.right, -1.0),
            ] {
                if cut {
                    let corners = [(x, y), (x + 7.0 * way, y - 4.0), (x + 7.0 * way, y + 4.0)];
                    canvas.polygon(&corners, Ink::Interval)?;
                }
            }
        }
        let at = (panel.px_x(effect.change).clamp(frame.left, frame.right), y);
        let ink = if effect.limits.is_some() {
            Ink::Estimate
        } else {
            Ink::Axis
        };
        canvas.ring(at, 4.0, ink)
    })
}

fn full_name(effect: &Effect) -> String {
    match (effect.name.is_empty(), effect.step.is_empty()) {
        (false, false) => format!("{}, {}", effect.name, effect.step),
        (false, true) => effect.name.clone(),
        _ => effect.step.clone(),
    }
}

fn note(forest: &Forest, effects: &[&Effect]) -> String {
    let mut text = format!(
        "What one step of each does to the share of {} when nothing else changes, from {} of \
         pieces, with 95 % intervals. A line that crosses \u{201c}no effect\u{201d} leaves open \
         whether there is one.",
        wording::shortened(&forest.outcome),
        wording::percent(forest.from_rate)
    );
    let sure: Vec<String> = effects
        .iter()
        .filter(|e| e.limits.is_some_and(|(l, h)| l > 0.0 || h < 0.0))
        .take(4)
        .map(|e| {
            let way = if e.change < 0.0 { "fewer" } else { "more" };
            let name = wording::isolated(&e.name);
            if e.step.is_empty() {
                format!("{way} with {name}")
            } else {
                format!("{way} with {name} ({})", wording::shortened(&e.step))
            }
        })
        .collect();
    if !sure.is_empty() {
        text += &format!(
            " Clear of \u{201c}no effect\u{201d}: {}.",
            wording::list(&sure)
        );
    }
    if effects.iter().any(|e| e.limits.is_none()) {
        text += " A ring without a line: too few sessions tell how sure it is.";
    }
    if effects.len() > DRAWN {
        text += &format!(" The first {DRAWN} of {} are drawn.", effects.len());
    }
    text
}

fn table(effects: &[&Effect]) -> Table {
    let mut table = Table::new(
        "What else matters in numbers",
        &[
            "of",
            "setting",
            "step",
            "#change [points of per cent]",
            "#95 % interval",
        ],
    );
    for e in effects {
        table.push(vec![
            Cell::typed(&e.group),
            Cell::typed(&e.name),
            Cell::plain(wording::shortened(&e.step)),
            Cell::plain(points(e.change)),
            Cell::plain(e.limits.map(range).unwrap_or_default()),
        ]);
    }
    table.without_empty_columns()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn an_odds_ratio_becomes_the_change_of_the_rate_that_it_makes() {
        // Odds of 1 in 9 doubled are 2 in 9: 10 % becomes 2/11.
        let e = Effect::of_odds_ratio(("", "n", "s"), 0.1, 2.0, Some((1.0, f64::INFINITY)));
        assert!((e.change - (2.0 / 11.0 - 0.1)).abs() < 1e-12);
        let (low, high) = e.limits.unwrap();
        assert!(low.abs() < 1e-12 && (high - 0.9).abs() < 1e-12);
        assert_eq!(points(-0.0234), "−2.3");
        assert_eq!(points(0.0234), "+2.3");
        assert_eq!(points(0.0001), "0.0");
    }

    #[test]
    fn a_limit_far_out_ends_in_an_arrow_and_does_not_squeeze_the_rest() {
        let near = Effect::of_odds_ratio(("", "a", ""), 0.06, 0.6, Some((0.4, 0.9)));
        let far = Effect::of_odds_ratio(("", "b", ""), 0.06, 1.5, Some((0.1, 40.0)));
        let forest = Forest {
            id: "f".to_owned(),
            effects: vec![near, far],
            from_rate: 0.06,
            ..Forest::default()
        };
        let figure = draw(&forest).unwrap().unwrap();
        assert_eq!(figure.svg.as_str().matches("<polygon").count(), 1);
        assert!(figure.note.contains("fewer with a."), "{}", figure.note);
        assert!(figure.table.rows[1].iter().any(|c| c.text.contains("to +")));
    }

    #[test]
    fn nothing_that_is_no_number_is_drawn() {
        let effect = Effect {
            change: f64::NAN,
            ..Effect::default()
        };
        let forest = Forest {
            effects: vec![effect],
            ..Forest::default()
        };
        assert!(draw(&forest).unwrap().is_none());
    }
}
