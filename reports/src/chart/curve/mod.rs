//! Defect rate over pour temperature for one alloy and section: every flask as a dot with an area
//! by its pieces, the model's curve with its band where enough flasks were poured and nothing where
//! not, and in words what is usual, advised and meant.

mod flasks;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
mod words;

use analysis::time::Micros;
use analysis::units::{Shown, ShownIn};
use jiff::tz::TimeZone;

use super::canvas::{Align, Canvas, Dot, Frame, Panel};
use super::flags::{self, Flag};
use super::style::{self, Ink, MARGIN_LEFT, MARGIN_RIGHT, MEASURE, NARROW, TYPE_LABEL, TYPE_TICK};
use super::svg::SafeSvg;
use super::text_width::width;
use super::{ChartError, Figure};
use crate::wording;

/// What the chart is made from. Temperatures are stored ones; rates are shares, 0–1.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Curve {
    /// Unique in the page: letters, digits, hyphens.
    pub id: String,
    /// The alloy and section, such as "sterling-925, medium".
    pub of: String,
    /// What counts as defective, such as "pieces with a defect that heat can steer".
    pub outcome: String,
    /// The flasks, oldest first.
    pub flasks: Vec<Flask>,
    /// The model's curve where it is supported, coolest first. Where neighbours lie further apart
    /// than its usual step nothing is drawn between them. Empty without a model.
    pub line: Vec<At>,
    /// The rates by steps of temperature as counted, coolest first: shown where there is no model.
    pub counted: Vec<At>,
    /// Median pour temperature of late, °C.
    pub usual_c: Option<f64>,
    /// The temperature advised, °C.
    pub advised_c: Option<f64>,
    /// What the advised temperature is called: "advised" or, with weak evidence, "worth trying".
    pub advised_as: String,
    /// The shop's target, °C.
    pub target_c: Option<f64>,
    /// Coolest and hottest of the temperatures that are not ruled out, °C.
    pub flat_c: Option<(f64, f64)>,
}

/// One inspected flask.
#[derive(Clone, Debug, PartialEq)]
pub struct Flask {
    /// Its label.
    pub label: String,
    /// When it was cast.
    pub cast_at: Micros,
    /// Its pour temperature, °C.
    pub pour_c: f64,
    /// Pieces looked at.
    pub pieces: u32,
    /// Defective pieces (the most there can have been).
    pub defective: u32,
}

/// The rate at one temperature.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct At {
    /// The temperature, or the mean of a step's, °C.
    pub pour_c: f64,
    /// The rate.
    pub rate: f64,
    /// The rate at the fewest pieces that can have been defective; the rate itself where they were
    /// counted.
    pub least: f64,
    /// The rate at the most, likewise.
    pub most: f64,
    /// Its 95 % limits, that of a curve over all of it at once; none where they are not known.
    pub limits: Option<(f64, f64)>,
    /// Flasks it rests on: near the temperature, or of the step.
    pub flasks: usize,
}

/// The chart, for a desk and for a phone; none without a flask to show.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(curve: &Curve, shown: &ShownIn, zone: &TimeZone) -> Result<Option<Figure>, ChartError> {
    let flasks: Vec<&Flask> = curve
        .flasks
        .iter()
        .filter(|f| f.pour_c.is_finite() && f.pieces > 0)
        .collect();
    if flasks.is_empty() {
        return Ok(None);
    }
    let sheet = Sheet {
        curve,
        flasks,
        shown,
        zone,
        title: "Defects over pour temperature".to_owned(),
        note: words::note(curve, shown),
    };
    let svg = sheet.draw(MEASURE, &curve.id)?;
    let narrow = sheet.draw(NARROW, &format!("{}-narrow", curve.id))?;
    Ok(Some(Figure {
        svg,
        narrow: Some(narrow),
        table: words::table(curve, shown),
        title: sheet.title,
        note: sheet.note,
    }))
}

struct Sheet<'a> {
    curve: &'a Curve,
    flasks: Vec<&'a Flask>,
    shown: &'a ShownIn,
    zone: &'a TimeZone,
    title: String,
    note: String,
}

fn rate(flask: &Flask) -> f64 {
    (f64::from(flask.defective) / f64::from(flask.pieces.max(1))).min(1.0)
}

/// Where a temperature is said in words, the same words for temperatures that read the same.
fn said(shown: Shown) -> String {
    wording::unbroken(&shown.to_string())
}

/// The curve in pieces without a step over what is not supported.
fn stretches(line: &[At]) -> Vec<&[At]> {
    let step = line
        .windows(2)
        .map(|w| w[1].pour_c - w[0].pour_c)
        .filter(|s| *s > 0.0)
        .fold(f64::INFINITY, f64::min);
    line.chunk_by(|a, b| b.pour_c - a.pour_c <= 1.5 * step)
        .collect()
}

impl Sheet<'_> {
    fn value(&self, pour_c: f64) -> f64 {
        self.shown.temperature(pour_c).value
    }

    fn line(&self) -> Vec<At> {
        let mut line = self.curve.line.clone();
        line.retain(|a| a.pour_c.is_finite() && a.rate.is_finite());
        line
    }

    fn counted(&self) -> Vec<At> {
        if !self.curve.line.is_empty() {
            return Vec::new();
        }
        let mut counted = self.curve.counted.clone();
        counted.retain(|a| a.pour_c.is_finite() && a.rate.is_finite());
        counted
    }

    /// The scale across: flasks, curve and what is named in words, with some air.
    fn across(&self) -> (f64, f64) {
        let c = self.curve;
        let (low, high) = self
            .flasks
            .iter()
            .map(|f| f.pour_c)
            .chain(c.usual_c)
            .chain(c.advised_c)
            .chain(c.target_c)
            .filter(|t| t.is_finite())
            .map(|t| self.value(t))
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), t| {
                (l.min(t), h.max(t))
            });
        let air = ((high - low) * 0.03).max(5.0);
        (low - air, high + air)
    }

    /// The upper end of the rates: all of them if that stays readable, else the estimates with
    /// their limits and nineteen flasks of twenty, the rest being counted at the top edge.
    fn top(&self) -> f64 {
        let mut rates: Vec<f64> = self.flasks.iter().map(|f| rate(f)).collect();
        rates.sort_by(f64::total_cmp);
        let most = rates.last().copied().unwrap_or(0.0);
        let most_but_few = rates
            .get(((rates.len() as f64) * 0.95) as usize)
            .copied()
            .unwrap_or(most);
        let estimates: Vec<At> = self.line().into_iter().chain(self.counted()).collect();
        let highest = estimates.iter().map(|a| a.rate).fold(0.0, f64::max);
        let limits = estimates
            .iter()
            .filter_map(|a| Some(a.limits?.1))
            .fold(highest, f64::max);
        // A band that knows nothing must not squeeze the flasks flat.
        let limits = limits.min((2.5 * highest.max(most_but_few)).max(0.1));
        let needed = limits.max(most_but_few).max(0.05);
        let wanted = if most <= needed * 1.4 {
            most.max(needed)
        } else {
            needed
        };
        style::up_to_a_rule(wanted.min(1.0), 5).min(1.0)
    }

    fn draw(&self, total_width: f64, id: &str) -> Result<SafeSvg, ChartError> {
        /// Room below the panel: rug, ticks, the span that is not ruled out, the axis' name.
        const RUG: f64 = 14.0;
        /// Room over the panel for marks of flasks beyond the scale.
        const ABOVE: f64 = 7.0;
        let wide = total_width > NARROW;
        let (x0, x1) = self.across();
        let (left, right) = (MARGIN_LEFT - 6.0, total_width - MARGIN_RIGHT);
        let px = |x: f64| left + (x - x0) / (x1 - x0) * (right - left);
        let words = self.flags().into_iter().map(|(x, f)| (px(x), f)).collect();
        let words = flags::arrange((0.0, total_width), words);
        let top = 20.0 + flags::ROW * words.rows as f64 + ABOVE;
        let bottom = top + if wide { 264.0 } else { 200.0 };
        let span_row = if self.curve.flat_c.is_some() {
            20.0
        } else {
            0.0
        };
        let canvas = Canvas::new(total_width, bottom + RUG + 48.0 + span_row);
        let frame = Frame {
            left,
            top,
            right,
            bottom,
        };
        let panel = canvas.panel(frame, x0..x1, 0.0..self.top());
        let axis = canvas.panel(
            Frame {
                top: bottom,
                bottom: bottom + RUG,
                ..frame
            },
            x0..x1,
            0.0..1.0,
        );
        canvas.text(
            (0.0, 9.0),
            "defective pieces, %",
            TYPE_LABEL,
            Ink::SoftText,
            Align::Start,
        )?;
        panel.rules(5, &|y, step| style::number(y * 100.0, step * 100.0))?;
        let line = self.line();
        let stretches = stretches(&line);
        for stretch in &stretches {
            self.band(&panel, stretch)?;
        }
        self.draw_flasks(&canvas, &panel, wide)?;
        for stretch in &stretches {
            let points: Vec<(f64, f64)> = stretch
                .iter()
                .map(|a| (self.value(a.pour_c), a.rate))
                .collect();
            panel.line(&points, Ink::Estimate)?;
        }
        for at in self.counted() {
            self.step(&canvas, &panel, &at)?;
        }
        let (at, step) = style::ticks(x0, x1, if wide { 10 } else { 6 });
        let marks: Vec<(f64, String)> = at
            .into_iter()
            .map(|x| (x, style::number(x, step)))
            .collect();
        axis.foot(&marks)?;
        self.draw_rug(&canvas, &panel);
        let over = Frame {
            top: top - ABOVE,
            ..frame
        };
        flags::draw(&canvas, over, &words)?;
        self.name_the_empty(&canvas, &panel, &stretches)?;
        if wide {
            self.places_to_point_at(&canvas, &panel, &line);
        }
        if let Some(flat) = self.curve.flat_c {
            self.draw_flat(&canvas, &panel, flat, bottom + RUG + 31.0)?;
        }
        canvas.text(
            (
                f64::midpoint(frame.left, frame.right),
                bottom + RUG + 34.0 + span_row,
            ),
            &format!("pour temperature, {}", self.shown.temperature(0.0).unit),
            TYPE_LABEL,
            Ink::Text,
            Align::Middle,
        )?;
        let of = wording::isolated(&self.curve.of);
        Ok(canvas.finish(id, &format!("{}, {of}", self.title), &self.note))
    }

    fn band(&self, panel: &Panel<'_>, stretch: &[At]) -> Result<(), ChartError> {
        let edges: Vec<(f64, f64, f64)> = stretch
            .iter()
            .filter_map(|a| {
                let (low, high) = a.limits?;
                Some((self.value(a.pour_c), low, high))
            })
            .collect();
        panel.between(&edges, Ink::Band)
    }

    /// A rate as counted: a disc on its interval.
    fn step(&self, canvas: &Canvas, panel: &Panel<'_>, at: &At) -> Result<(), ChartError> {
        let x = self.value(at.pour_c);
        if !panel.holds_x(x) {
            return Ok(());
        }
        canvas.with_tip(&words::tip(at, self.shown), || {
            if let Some((low, high)) = at.limits {
                panel.line(&[(x, low), (x, high)], Ink::Interval)?;
            }
            panel.ring(x, at.rate, 4.0, Ink::Estimate)
        })
    }

    fn flags(&self) -> Vec<(f64, Flag)> {
        let c = self.curve;
        let advised_as = if c.advised_as.is_empty() {
            "advised"
        } else {
            &c.advised_as
        };
        let mut flags: Vec<(String, f64, Vec<&str>, Ink, Ink)> = Vec::new();
        for (at, word, line, ink) in [
            (c.advised_c, advised_as, Ink::Advised, Ink::CoolText),
            (c.usual_c, "usual", Ink::Usual, Ink::CopperText),
            (c.target_c, "target", Ink::Target, Ink::Text),
        ] {
            let Some(at) = at.filter(|t| t.is_finite()) else {
                continue;
            };
            let reads = said(self.shown.temperature(at));
            match flags.iter_mut().find(|f| f.0 == reads) {
                Some(same) => same.2.push(word),
                None => flags.push((reads, at, vec![word], line, ink)),
            }
        }
        flags
            .into_iter()
            .map(|(reads, at, names, line, ink)| {
                let names: Vec<String> = names.iter().map(|n| wording::shortened(n)).collect();
                let word = format!("{} {reads}", wording::list(&names));
                (self.value(at), Flag { word, line, ink })
            })
            .collect()
    }

    /// Says where the curve has nothing to stand on, where there is room to say it.
    fn name_the_empty(
        &self,
        canvas: &Canvas,
        panel: &Panel<'_>,
        stretches: &[&[At]],
    ) -> Result<(), ChartError> {
        if stretches.is_empty() {
            return Ok(());
        }
        let mut from = panel.frame.left;
        let mut gaps = Vec::new();
        for stretch in stretches {
            if let (Some(first), Some(last)) = (stretch.first(), stretch.last()) {
                gaps.push((from, panel.px_x(self.value(first.pour_c))));
                from = panel.px_x(self.value(last.pour_c));
            }
        }
        gaps.push((from, panel.frame.right));
        for (left, right) in gaps {
            for text in ["too few flasks here", "too few"] {
                if width(text, TYPE_TICK) + 10.0 <= right - left {
                    let x = f64::midpoint(left, right);
                    canvas.text_where_free(
                        &[((x, panel.frame.top + 10.0), Align::Middle)],
                        text,
                        TYPE_TICK,
                        Ink::SoftText,
                    )?;
                    break;
                }
            }
        }
        Ok(())
    }

    /// Places on the curve that say its numbers.
    fn places_to_point_at(&self, canvas: &Canvas, panel: &Panel<'_>, line: &[At]) {
        let dots: Vec<Dot> = line
            .iter()
            .map(|a| (a, self.value(a.pour_c)))
            .filter(|(_, x)| panel.holds_x(*x))
            .map(|(a, x)| Dot {
                at: (panel.px_x(x), panel.px_y(a.rate)),
                radius: 6.0,
                tip: words::tip(a, self.shown),
            })
            .collect();
        canvas.circles(Ink::Hover, &dots);
    }

    /// The temperatures that are not ruled out, as a span below the axis.
    fn draw_flat(
        &self,
        canvas: &Canvas,
        panel: &Panel<'_>,
        (from_c, to_c): (f64, f64),
        y: f64,
    ) -> Result<(), ChartError> {
        let (frame, word) = (panel.frame, "not ruled out");
        let px = |c: f64| panel.px_x(self.value(c)).clamp(frame.left, frame.right);
        let (left, right) = (px(from_c.min(to_c)), px(from_c.max(to_c)));
        if !(left.is_finite() && right.is_finite()) {
            return Ok(());
        }
        let half = width(word, TYPE_TICK) * 1.12 / 2.0 + 4.0;
        let text_at = |x| (x, y);
        let middle = f64::midpoint(left, right);
        let ends = |x: f64| canvas.line((x, y - 5.0), (x, y + 5.0), Ink::Span);
        ends(left)?;
        ends(right)?;
        if right - left > 2.0 * half + 16.0 {
            canvas.line((left, y), (middle - half, y), Ink::Span)?;
            canvas.line((middle + half, y), (right, y), Ink::Span)?;
            return canvas.text(
                text_at(middle),
                word,
                TYPE_TICK,
                Ink::CoolText,
                Align::Middle,
            );
        }
        canvas.line((left, y), (right, y), Ink::Span)?;
        if right + 2.0 * half < frame.right {
            canvas.text(
                text_at(right + 5.0),
                word,
                TYPE_TICK,
                Ink::CoolText,
                Align::Start,
            )
        } else {
            canvas.text(
                text_at(left - 5.0),
                word,
                TYPE_TICK,
                Ink::CoolText,
                Align::End,
            )
        }
    }
}
