//! A watched series as a control chart: points in order of time joined by a thin line, the middle
//! and the limits as lines with their names beside them, and every signal in words at its point.

use analysis::stats::charts::{Plotted, Rule, Side, Signal};
use analysis::time::Micros;
use analysis::watch::Watched;
use jiff::tz::TimeZone;

use super::canvas::{Align, Canvas, Dot, Frame, Panel, Shape, ground};
use super::style::{self, Ink, MARGIN_LEFT, MARGIN_RIGHT, MEASURE, NARROW, TYPE_LABEL, TYPE_TICK};
use super::svg::SafeSvg;
use super::text_width::width;
use super::{ChartError, Figure, dates};
use crate::table::{Cell, Table};
use crate::wording;

/// Most points shown on a desk, the newest.
const DESK: usize = 120;
/// And on a phone.
const PHONE: usize = 45;
/// Most signals said in the note.
const SAID: usize = 4;

/// How one kind of series is written.
pub(super) struct Manner<'a> {
    /// Unique in the page: letters, digits, hyphens.
    pub id: &'a str,
    /// The chart's title.
    pub title: String,
    /// What the scale shows, with its unit.
    pub axis: String,
    /// One of the points, such as "pour".
    pub one: &'static str,
    /// A value on the scale.
    pub value: &'a dyn Fn(f64) -> f64,
    /// A value in words.
    pub words: &'a dyn Fn(f64) -> String,
    /// A number at a rule, with the step between rules.
    pub tick: &'a dyn Fn(f64, f64) -> String,
    /// Whether the scale begins at nothing and a limit there is none.
    pub from_zero: bool,
    /// The shop's time zone.
    pub zone: &'a TimeZone,
}

/// The chart for a desk and for a phone; none where the series has none.
pub(super) fn draw(watched: &Watched, manner: &Manner<'_>) -> Result<Option<Figure>, ChartError> {
    let Ok(chart) = &watched.chart else {
        return Ok(None);
    };
    let sound = chart.points.iter().all(|p| {
        [p.value, p.centre, p.low, p.high]
            .iter()
            .all(|v| v.is_finite())
    });
    if chart.points.is_empty() || chart.points.len() != watched.points.len() || !sound {
        return Ok(None);
    }
    let series = Series {
        manner,
        points: &chart.points,
        names: &watched.points,
        signals: &chart.signals,
        note: String::new(),
    };
    let series = Series {
        note: series.describe(watched.of.as_deref()),
        ..series
    };
    let svg = series.sheet(MEASURE, DESK, manner.id)?;
    let narrow = series.sheet(NARROW, PHONE, &format!("{}-narrow", manner.id))?;
    Ok(Some(Figure {
        svg,
        narrow: Some(narrow),
        title: manner.title.clone(),
        table: series.table(),
        note: series.note,
    }))
}

/// A signal in as few words as stand beside a point.
fn short_words(signal: &Signal) -> &'static str {
    match (signal.rule, signal.side) {
        (Rule::BeyondLimit, Side::High) => "above the limit",
        (Rule::BeyondLimit, Side::Low) => "below the limit",
        (Rule::TwoOfThreeFar, _) => "two of three near the limit",
        (Rule::EightOnOneSide, Side::High) => "eight above the middle",
        (Rule::EightOnOneSide, Side::Low) => "eight below the middle",
    }
}

struct Series<'a> {
    manner: &'a Manner<'a>,
    points: &'a [Plotted],
    names: &'a [(Micros, String)],
    signals: &'a [Signal],
    note: String,
}

impl Series<'_> {
    fn value(&self, stored: f64) -> f64 {
        (self.manner.value)(stored)
    }

    /// The lowest and the highest of points and limits from `first` on, in the unit shown.
    fn scale(&self, first: usize) -> (f64, f64) {
        let (low, high) = self.points[first..]
            .iter()
            .flat_map(|p| [p.value, p.low, p.high])
            .map(|v| self.value(v))
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
                (l.min(v), h.max(v))
            });
        if self.manner.from_zero {
            return (0.0, style::up_to_a_rule(1.12 * high, 4));
        }
        // Words on signals need room beyond the limits.
        let air = ((high - low) * 0.15).max(0.5);
        (low - air, high + air)
    }

    fn sheet(&self, total_width: f64, most: usize, id: &str) -> Result<SafeSvg, ChartError> {
        const TOP: f64 = 42.0;
        let wide = total_width > NARROW;
        let first = self.points.len().saturating_sub(most);
        let bottom = TOP + if wide { 180.0 } else { 170.0 };
        let canvas = Canvas::new(total_width, bottom + 26.0);
        let frame = Frame {
            left: MARGIN_LEFT - 6.0,
            top: TOP,
            right: total_width - if wide { 112.0 } else { MARGIN_RIGHT },
            bottom,
        };
        let (low, high) = self.scale(first);
        let count = self.points.len() - first;
        // A point stands in the middle of its place, counted from the first that is shown.
        let panel = canvas.panel(frame, -0.5..count as f64 - 0.5, low..high);
        canvas.text(
            (0.0, 9.0),
            &self.manner.axis,
            TYPE_LABEL,
            Ink::SoftText,
            Align::Start,
        )?;
        panel.rules(5, self.manner.tick)?;
        self.draw_limits(&canvas, &panel, first, wide)?;
        let at = |i: usize| ((i - first) as f64, self.value(self.points[i].value));
        let line: Vec<(f64, f64)> = (first..self.points.len()).map(at).collect();
        panel.line(&line, Ink::Join)?;
        let dots: Vec<Dot> = (first..self.points.len())
            .map(|i| {
                let (x, y) = at(i);
                Dot {
                    at: (panel.px_x(x), panel.px_y(y)),
                    radius: if wide { 2.8 } else { 2.4 },
                    tip: if wide { self.tip(i) } else { String::new() },
                }
            })
            .collect();
        canvas.circles(Ink::Point, &dots);
        self.draw_signals(&canvas, &panel, first)?;
        panel.foot(&self.days(first, (frame.right - frame.left) / 70.0))?;
        Ok(canvas.finish(id, &self.manner.title, &self.note))
    }

    /// Round days where the first point from each on stands.
    fn days(&self, first: usize, most: f64) -> Vec<(f64, String)> {
        let shown = &self.names[first..];
        let (Some(from), Some(until)) = (shown.first(), shown.last()) else {
            return Vec::new();
        };
        let day = |at: Micros| wording::day(at, self.manner.zone);
        if shown.len() < 3 {
            return shown
                .iter()
                .enumerate()
                .map(|(i, p)| (i as f64, day(p.0)))
                .collect();
        }
        dates::ticks(from.0, until.0, self.manner.zone, most as usize)
            .into_iter()
            .map(|(at, name)| {
                let here = shown.partition_point(|p| p.0 < at);
                (here as f64, name)
            })
            .collect()
    }

    /// Limits as steps, since each point may have its own, and their names.
    fn draw_limits(
        &self,
        canvas: &Canvas,
        panel: &Panel<'_>,
        first: usize,
        wide: bool,
    ) -> Result<(), ChartError> {
        type Of = fn(&Plotted) -> f64;
        let lines: [(&str, Of, Ink); 3] = [
            ("limit", |p| p.high, Ink::Limit),
            ("middle", |p| p.centre, Ink::Centre),
            ("limit", |p| p.low, Ink::Limit),
        ];
        let frame = panel.frame;
        let mut said = Vec::new();
        for (name, of, ink) in lines {
            let shown = &self.points[first..];
            // A lower limit of next to nothing can hardly be passed.
            let least = 0.03 * self.scale(first).1;
            if self.manner.from_zero && shown.iter().all(|p| self.value(of(p)) <= least) {
                continue;
            }
            let mut steps: Vec<(f64, f64)> = Vec::new();
            for (i, p) in shown.iter().enumerate() {
                let y = panel.px_y(self.value(of(p)));
                let x = i as f64;
                steps.push((panel.px_x(x - 0.5), y));
                steps.push((panel.px_x(x + 0.5), y));
            }
            canvas.path(&steps, ink)?;
            let Some(last) = shown.last() else { continue };
            let words = (self.manner.words)(of(last));
            if wide {
                let y = panel.px_y(self.value(of(last)));
                let places = [0.0, -8.0, 8.0, -14.0, 14.0]
                    .map(|by| ((frame.right + 6.0, y + by), Align::Start));
                canvas.text_where_free(
                    &places,
                    &format!("{name} {words}"),
                    TYPE_TICK,
                    Ink::SoftText,
                )?;
            } else {
                said.push(format!("{name} {words}"));
            }
        }
        if !wide {
            // No room beside them: said above, as much as fits.
            while width(&said.join(", "), TYPE_TICK) > NARROW {
                said.pop();
            }
            let text = said.join(", ");
            canvas.text((0.0, 26.0), &text, TYPE_TICK, Ink::SoftText, Align::Start)?;
        }
        Ok(())
    }

    fn draw_signals(
        &self,
        canvas: &Canvas,
        panel: &Panel<'_>,
        first: usize,
    ) -> Result<(), ChartError> {
        let place = |i: usize| {
            let y = self.value(self.points[i].value);
            (panel.px_x((i - first) as f64), panel.px_y(y))
        };
        for i in first..self.points.len() {
            let (x, y) = place(i);
            canvas.keep_clear(Frame {
                left: x - 3.0,
                top: y - 3.0,
                right: x + 3.0,
                bottom: y + 3.0,
            });
        }
        // The newest first: they matter most if there is not room for all.
        for signal in self.signals.iter().rev().filter(|s| s.to >= first) {
            let shape = if signal.from == signal.to {
                Shape::Diamond
            } else {
                Shape::Disc
            };
            let words = signal.rule.words(signal.side);
            let tip = format!("{}: {words}", self.tip(signal.to));
            canvas.with_tip(&tip, || {
                for i in signal.from.max(first)..=signal.to {
                    let radius = if shape == Shape::Diamond { 5.0 } else { 3.2 };
                    canvas.mark(shape, place(i), radius, Ink::Signal)?;
                }
                Ok(())
            })?;
            self.name_signal(canvas, panel, signal, place(signal.to))?;
        }
        Ok(())
    }

    /// Names a signal beside its last point, further out where that is crowded, and then with a
    /// thin line to it.
    fn name_signal(
        &self,
        canvas: &Canvas,
        panel: &Panel<'_>,
        signal: &Signal,
        (x, y): (f64, f64),
    ) -> Result<(), ChartError> {
        let words = short_words(signal);
        let away = if signal.side == Side::High { -1.0 } else { 1.0 };
        let frame = panel.frame;
        let inside = |y: f64| y > frame.top - 14.0 && y < frame.bottom - 7.0;
        // Above or below, beside, then further and further out.
        let mut places = vec![
            (0.0, away * 14.0, Align::Middle),
            (-9.0, 0.0, Align::End),
            (9.0, 0.0, Align::Start),
        ];
        for row in (0..12).map(|n| away * (14.0 + 9.0 * f64::from(n))) {
            places.extend([
                (0.0, row, Align::Middle),
                (6.0, row, Align::End),
                (-6.0, row, Align::Start),
            ]);
        }
        for (by, row, align) in places {
            let at = (x + by, y + row);
            let here = ground(at, words, TYPE_TICK, Ink::CopperText, align);
            let far = row.abs() > 24.0;
            let (from, to) = if row < 0.0 {
                (here.bottom + 1.0, y - 5.0)
            } else {
                (y + 5.0, here.top - 1.0)
            };
            let leader = Frame {
                left: x - 1.0,
                top: from,
                right: x + 1.0,
                bottom: to,
            };
            // Words of two signals must not read as one.
            let apart = Frame {
                left: (here.left - 4.0).max(here.left.min(0.0)),
                right: here.right + 4.0,
                ..here
            };
            if !inside(at.1) || !canvas.is_free(&apart) || (far && !canvas.is_free(&leader)) {
                continue;
            }
            if far {
                canvas.line((x, from), (x, to), Ink::Axis)?;
                canvas.keep_clear(leader);
            }
            return canvas.text(at, words, TYPE_TICK, Ink::CopperText, align);
        }
        Ok(())
    }

    fn tip(&self, i: usize) -> String {
        let (at, name) = &self.names[i];
        format!(
            "{}, {}: {}",
            wording::shortened(name),
            wording::day(*at, self.manner.zone),
            (self.manner.words)(self.points[i].value)
        )
    }

    fn describe(&self, of: Option<&str>) -> String {
        let one = self.manner.one;
        let mut text = of
            .map(|of| format!("{}. ", wording::isolated(of)))
            .unwrap_or_default();
        text += &format!(
            "Each dot is one {one}, in order of time. Between the dashed limits chance alone \
             explains it."
        );
        if self.points.len() > DESK {
            text += &format!(
                " Shown are the newest {DESK} of {}, on a phone {PHONE}.",
                wording::count(self.points.len() as u64, one)
            );
        }
        if self.signals.is_empty() {
            text += " Nothing stands out.";
            return text;
        }
        // Each pattern once, with all of its days.
        let mut newest: Vec<(&str, Vec<String>)> = Vec::new();
        for s in self.signals.iter().rev().take(SAID) {
            let day = |i: usize| Some(wording::day(self.names.get(i)?.0, self.manner.zone));
            let Some((from, to)) = day(s.from).zip(day(s.to)) else {
                continue;
            };
            let when = if from == to {
                to
            } else {
                format!("{from} to {to}")
            };
            let words = s.rule.words(s.side);
            match newest.iter_mut().find(|(w, _)| *w == words) {
                Some((_, days)) if days.contains(&when) => {}
                Some((_, days)) => days.push(when),
                None => newest.push((words, vec![when])),
            }
        }
        let newest: Vec<String> = newest
            .into_iter()
            .map(|(words, days)| format!("{words} ({})", days.join(", ")))
            .collect();
        text += &format!(" Stands out: {}", wording::list(&newest));
        if self.signals.len() > SAID {
            text += &format!("; and {} earlier", self.signals.len() - SAID);
        }
        text + "."
    }

    fn table(&self) -> Table {
        let first = self.points.len().saturating_sub(DESK);
        let mut table = Table::new(
            format!("{} in numbers", self.manner.title),
            &[
                self.manner.one,
                "day",
                "#value",
                "#lower limit",
                "#middle",
                "#upper limit",
                "stands out",
            ],
        );
        for i in first..self.points.len() {
            let (p, (at, name)) = (&self.points[i], &self.names[i]);
            let words = self.manner.words;
            let signals: Vec<String> = self
                .signals
                .iter()
                .filter(|s| s.to == i)
                .map(|s| s.rule.words(s.side).to_owned())
                .collect();
            table.push(vec![
                Cell::typed(name),
                Cell::plain(wording::day(*at, self.manner.zone)),
                Cell::plain(words(p.value)),
                Cell::plain(words(p.low)),
                Cell::plain(words(p.centre)),
                Cell::plain(words(p.high)),
                Cell::plain(wording::list(&signals)).strong_if(true),
            ]);
        }
        table.without_empty_columns()
    }
}
