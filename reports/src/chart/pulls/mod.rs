//! Every pull of vacuum of one machine over time: the depth it settled at and how fast it pumped
//! down, over the age of the gasket, with the changes of parts marked and each verdict told by
//! shape and word.

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
mod words;

use analysis::pour::Verdict;
use analysis::stats::charts::Plotted;
use analysis::time::Micros;
use analysis::units::ShownIn;
use analysis::watch::Watched;
use jiff::tz::TimeZone;

use super::canvas::{Align, Canvas, Dot, Frame, Panel, Shape, ground};
use super::flags::ROW;
use super::style::{self, Ink, MARGIN_LEFT, MARGIN_RIGHT, MEASURE, NARROW, TYPE_LABEL, TYPE_TICK};
use super::svg::SafeSvg;
use super::text_width::{fit, width_bold};
use super::{ChartError, Figure, dates};
use crate::wording;

/// What the chart is made from.
#[derive(Clone, Debug, Default)]
pub struct Pulls {
    /// Unique in the page: letters, digits, hyphens.
    pub id: String,
    /// The machine's name.
    pub machine: String,
    /// The pulls, in order of time.
    pub pulls: Vec<Pull>,
    /// The changes of parts that vacuum depends on, in order of time.
    pub changes: Vec<Change>,
    /// How the depth of the newest gasket goes (shares of what the air allowed), if watched.
    pub depth: Option<Watched>,
    /// How its pump-down goes (s), if watched.
    pub pump_down: Option<Watched>,
    /// Depth below which this machine's pull is weak, kPa below ambient, if known.
    pub weak_below_kpa: Option<f64>,
}

/// One pull.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pull {
    /// When the vacuum came on.
    pub at: Micros,
    /// Depth it settled at before the pour (else the deepest), kPa below ambient.
    pub depth_kpa: Option<f64>,
    /// The same as a share of what the day's air allowed, 0–1.
    pub share: Option<f64>,
    /// Pump-down time constant, s.
    pub tau_s: Option<f64>,
    /// Pours since the gasket was changed.
    pub age_pours: Option<u32>,
    /// What it was worth.
    pub verdict: Verdict,
    /// Whether metal was poured into it.
    pub poured: bool,
}

/// A part that was changed.
#[derive(Clone, Debug, PartialEq)]
pub struct Change {
    /// When.
    pub at: Micros,
    /// Which, such as "gasket".
    pub part: String,
}

/// Most pulls drawn, the newest: about two years of a bench.
const DRAWN: usize = 500;
/// And on a phone.
const PHONE: usize = 220;
/// The newest so many say at a pointer what they are.
const TIPS: usize = 150;

/// The chart, for a desk and for a phone; none without a pull that was measured.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(pulls: &Pulls, shown: &ShownIn, zone: &TimeZone) -> Result<Option<Figure>, ChartError> {
    let first = pulls.pulls.len().saturating_sub(DRAWN);
    let newest = &pulls.pulls[first..];
    let depths = newest
        .iter()
        .any(|p| p.depth_kpa.is_some_and(f64::is_finite));
    let (Some(first), Some(last), true) = (newest.first(), newest.last(), depths) else {
        return Ok(None);
    };
    let sheet = Sheet {
        pulls,
        newest,
        shown,
        zone,
        from: first.at.plus_seconds(-DAY_S / 2.0),
        until: last.at.max(first.at).plus_seconds(DAY_S / 2.0),
        title: "Every pull of vacuum".to_owned(),
        note: words::note(pulls, newest.len(), shown, zone),
    };
    let svg = sheet.draw(MEASURE, &pulls.id)?;
    let fewer = &newest[newest.len().saturating_sub(PHONE)..];
    let phone = Sheet {
        newest: fewer,
        from: fewer
            .first()
            .map_or(sheet.from, |p| p.at.plus_seconds(-DAY_S / 2.0)),
        ..sheet
    };
    let narrow = phone.draw(NARROW, &format!("{}-narrow", pulls.id))?;
    Ok(Some(Figure {
        svg,
        narrow: Some(narrow),
        table: words::table(pulls, newest, shown, zone),
        title: phone.title,
        note: phone.note,
    }))
}

/// Seconds in a day.
const DAY_S: f64 = 86_400.0;

struct Sheet<'a> {
    pulls: &'a Pulls,
    newest: &'a [Pull],
    shown: &'a ShownIn,
    zone: &'a TimeZone,
    from: Micros,
    until: Micros,
    title: String,
    note: String,
}

/// A scale that holds most of these values: those far below the rest are marked at its foot.
fn scale(values: impl Iterator<Item = f64>, also: Option<f64>, least_span: f64) -> (f64, f64) {
    let mut values: Vec<f64> = values.filter(|v| v.is_finite()).collect();
    values.sort_by(f64::total_cmp);
    let at = |share: f64| {
        values
            .get(((values.len() as f64 - 1.0) * share) as usize)
            .copied()
    };
    let (Some(low), Some(median), Some(high)) = (at(0.03), at(0.5), at(1.0)) else {
        return (0.0, least_span);
    };
    let lowest = at(0.0).unwrap_or(low);
    let far_below = median - 3.0 * (median - low).max(least_span);
    let low = if lowest >= far_below {
        lowest
    } else {
        low.min(far_below)
    };
    let low = also.map_or(low, |a| low.min(a));
    let air = ((high - low).max(least_span) - (high - low)).max(0.0) / 2.0;
    let edge = 0.07 * (high - low).max(least_span);
    (low - air - edge, high + air + edge)
}

impl Sheet<'_> {
    fn since(&self, at: Micros) -> f64 {
        at.seconds_since(self.from)
    }

    fn depth(&self, kpa: f64) -> f64 {
        self.shown.vacuum(kpa).value
    }

    /// The air of these days, kPa, to show shares of it as depths.
    fn ambient_kpa(&self) -> Option<f64> {
        let mut all: Vec<f64> = self
            .newest
            .iter()
            .filter_map(|p| Some(p.depth_kpa? / p.share.filter(|s| *s > 0.2)?))
            .filter(|a| a.is_finite())
            .collect();
        all.sort_by(f64::total_cmp);
        all.get(all.len() / 2).copied()
    }

    fn draw(&self, total_width: f64, id: &str) -> Result<SafeSvg, ChartError> {
        const GAP: f64 = 34.0;
        let wide = total_width > NARROW;
        let times = self
            .newest
            .iter()
            .any(|p| p.tau_s.is_some_and(f64::is_finite));
        let ages = self.newest.iter().any(|p| p.age_pours.is_some());
        let changes = self.changes().len();
        let rows = match (changes, if wide { 4 } else { 2 }) {
            (0, _) => 0.0,
            (n, in_one_row) if n <= in_one_row => 1.0,
            _ => 2.0,
        };
        let top = 24.0 + ROW * rows;
        let depth_bottom = top + if wide { 150.0 } else { 140.0 };
        let time_bottom = depth_bottom + if times { GAP + 84.0 } else { 0.0 };
        let bottom = time_bottom + if ages { GAP + 40.0 } else { 0.0 };
        let canvas = Canvas::new(total_width, bottom + 28.0);
        let (left, right) = (MARGIN_LEFT, total_width - MARGIN_RIGHT);
        let length = self.since(self.until);
        let frame = |top: f64, bottom: f64| Frame {
            left,
            top,
            right,
            bottom,
        };
        let whole = canvas.panel(frame(top, bottom), 0.0..length, 0.0..1.0);
        let unit = self.shown.vacuum(0.0).unit;
        let mut names = vec![(9.0, format!("vacuum below air, {unit}"))];
        if times {
            let y = depth_bottom + GAP - 13.0;
            names.push((y, "pump-down time constant, s".to_owned()));
        }
        if ages {
            let y = time_bottom + GAP - 13.0;
            names.push((y, "age of the gasket, pours".to_owned()));
        }
        for (y, name) in &names {
            canvas.keep_clear(ground((0.0, *y), name, TYPE_LABEL, Ink::Text, Align::Start));
        }

        let weak = self.pulls.weak_below_kpa.map(|k| self.depth(k));
        let depths = self
            .newest
            .iter()
            .filter(|p| p.verdict != Verdict::Missing)
            .filter_map(|p| p.depth_kpa)
            .map(|k| self.depth(k));
        let (low, high) = scale(depths, weak, self.depth(4.0));
        let panel = canvas.panel(frame(top, depth_bottom), 0.0..length, low..high);
        panel.rules(5, &style::number)?;
        self.draw_changes(&canvas, &whole)?;
        self.draw_watched_depth(&panel)?;
        if let Some(weak) = weak {
            panel.level(weak, Ink::Limit)?;
        }
        self.draw_pulls(&canvas, &panel, (low, high), wide)?;
        if let (Some(weak), Some(kpa)) = (weak, self.pulls.weak_below_kpa) {
            let y = panel.px_y(weak);
            let text = format!("weak below {}", self.shown.vacuum(kpa));
            let changed = self.changes();
            let lines = changed.iter().map(|c| panel.px_x(self.since(c.at)));
            let places: Vec<((f64, f64), Align)> = std::iter::once(left)
                .chain(lines)
                .flat_map(|x| [(x + 7.0, y + 10.0), (x + 7.0, y - 9.0)])
                .map(|at| (at, Align::Start))
                .chain([((right, y + 10.0), Align::End)])
                .collect();
            canvas.text_where_free(&places, &text, TYPE_TICK, Ink::SoftText)?;
        }
        if times {
            self.draw_times(&canvas, frame(depth_bottom + GAP, time_bottom), length)?;
        }
        if ages {
            self.draw_ages(&canvas, frame(time_bottom + GAP, bottom), length)?;
        }
        // Names last, each with an edge of paper, so that no line runs through them.
        for (y, name) in &names {
            canvas.text((0.0, *y), name, TYPE_LABEL, Ink::Text, Align::Start)?;
        }
        let days = dates::ticks(
            self.from,
            self.until,
            self.zone,
            ((right - left) / 70.0) as usize,
        );
        let days: Vec<(f64, String)> = days
            .into_iter()
            .map(|(at, name)| (self.since(at), name))
            .collect();
        whole.foot(&days)?;
        Ok(canvas.finish(
            id,
            &format!("{}, {}", self.title, self.machine()),
            &self.note,
        ))
    }

    fn machine(&self) -> String {
        wording::isolated(&self.pulls.machine)
    }

    /// The changes within the time that is shown.
    fn changes(&self) -> Vec<&Change> {
        let shown = |c: &&Change| c.at >= self.from && c.at <= self.until;
        self.pulls.changes.iter().filter(shown).collect()
    }

    fn draw_changes(&self, canvas: &Canvas, whole: &Panel<'_>) -> Result<(), ChartError> {
        // The newest first, should there not be room for all.
        for change in self.changes().iter().rev() {
            let px = whole.px_x(self.since(change.at));
            let day = wording::day(change.at, self.zone);
            let part = wording::shortened(&change.part);
            let tip = format!("{part} changed {day}");
            canvas.with_tip(&tip, || whole.upright(self.since(change.at), Ink::Pour))?;
            canvas.keep_clear(Frame {
                left: px - 2.0,
                right: px + 2.0,
                ..whole.frame
            });
            let room = 150.0 - width_bold(&day, TYPE_TICK);
            // The day first: it is of our own making, so that a part whose name runs from right to
            // left does not turn it round.
            let text = format!("{day}: {}", fit(&part, TYPE_TICK, room.max(20.0)));
            let top = whole.frame.top;
            let mut places = Vec::new();
            for row in [0.5, 1.5] {
                let y = top - ROW * row;
                places.push(((px, y), Align::Middle));
                places.push(((px + 10.0, y), Align::End));
                places.push(((px - 10.0, y), Align::Start));
            }
            canvas.text_where_free(&places, &text, TYPE_TICK, Ink::CopperText)?;
        }
        Ok(())
    }

    /// The depth as it goes on average since the gasket is new, and the limit that a gasket which
    /// fades passes.
    fn draw_watched_depth(&self, panel: &Panel<'_>) -> Result<(), ChartError> {
        let (Some(watched), Some(ambient)) = (&self.pulls.depth, self.ambient_kpa()) else {
            return Ok(());
        };
        self.draw_watched(panel, watched, &|share| self.depth(share * ambient), |p| {
            p.low
        })
    }

    fn draw_watched(
        &self,
        panel: &Panel<'_>,
        watched: &Watched,
        show: &dyn Fn(f64) -> f64,
        limit: fn(&Plotted) -> f64,
    ) -> Result<(), ChartError> {
        let Ok(chart) = &watched.chart else {
            return Ok(());
        };
        let line = |of: &dyn Fn(&Plotted) -> f64| -> Vec<(f64, f64)> {
            let points = watched.points.iter().zip(&chart.points);
            points
                .map(|((at, _), p)| (self.since(*at), show(of(p))))
                .collect()
        };
        panel.line(&line(&|p| p.value), Ink::Vacuum)?;
        panel.line(&line(&|p| limit(p)), Ink::Forecast)
    }

    fn draw_pulls(
        &self,
        canvas: &Canvas,
        panel: &Panel<'_>,
        (low, high): (f64, f64),
        tips: bool,
    ) -> Result<(), ChartError> {
        let without_tips = if tips {
            self.newest.len().saturating_sub(TIPS)
        } else {
            self.newest.len()
        };
        let foot = panel.frame.bottom - 4.0;
        let place = |p: &Pull| {
            let y = p
                .depth_kpa
                .map(|k| self.depth(k))
                .filter(|v| v.is_finite())
                .map(|v| {
                    if v < low {
                        foot
                    } else {
                        panel.px_y(v.min(high))
                    }
                });
            (panel.px_x(self.since(p.at)), y.unwrap_or(foot))
        };
        let (older, newest) = self.newest.split_at(without_tips);
        let good = |p: &&Pull| p.verdict == Verdict::Good;
        let plain: Vec<(f64, f64)> = older.iter().filter(good).map(place).collect();
        canvas.dots(Ink::Point, "", &plain);
        let telling: Vec<Dot> = newest
            .iter()
            .filter(good)
            .map(|p| Dot {
                at: place(p),
                radius: 2.2,
                tip: words::tip(p, self.shown, self.zone),
            })
            .collect();
        canvas.circles(Ink::Point, &telling);
        for p in self.newest.iter().filter(|p| p.verdict != Verdict::Good) {
            let (shape, radius, ink) = match p.verdict {
                Verdict::Weak => (Shape::Sunk, 4.6, Ink::Signal),
                Verdict::Missing => (Shape::Cross, 4.6, Ink::Signal),
                Verdict::Good | Verdict::Unknown => (Shape::Disc, 2.6, Ink::Axis),
            };
            if tips {
                let tip = words::tip(p, self.shown, self.zone);
                canvas.with_tip(&tip, || canvas.mark(shape, place(p), radius, ink))?;
            } else {
                canvas.mark(shape, place(p), radius, ink)?;
            }
        }
        // Words last, clear of every mark and of the lines of changes, the newest first.
        for p in self.newest {
            let (x, y) = place(p);
            let r = if p.verdict == Verdict::Good { 1.5 } else { 5.5 };
            canvas.keep_clear(Frame {
                left: x - r,
                top: y - r,
                right: x + r,
                bottom: y + r,
            });
        }
        let bad = |p: &&Pull| matches!(p.verdict, Verdict::Weak | Verdict::Missing);
        for p in self.newest.iter().rev().filter(bad) {
            let (x, y) = place(p);
            let places = [
                ((x + 8.0, y), Align::Start),
                ((x - 8.0, y), Align::End),
                ((x, y - 13.0), Align::Middle),
            ];
            let word = words::verdict(p.verdict);
            canvas.text_where_free(&places, word, TYPE_TICK, Ink::CopperText)?;
        }
        Ok(())
    }

    fn draw_times(&self, canvas: &Canvas, frame: Frame, length: f64) -> Result<(), ChartError> {
        let times: Vec<(f64, f64)> = self
            .newest
            .iter()
            .filter_map(|p| Some((self.since(p.at), p.tau_s.filter(|t| t.is_finite())?)))
            .collect();
        let most = times.iter().map(|t| t.1).fold(0.0, f64::max);
        // One pull that hardly pumped must not flatten all others.
        let mut sorted: Vec<f64> = times.iter().map(|t| t.1).collect();
        sorted.sort_by(f64::total_cmp);
        let usual = sorted.get(sorted.len() / 2).copied().unwrap_or(most);
        let (low, high) = scale(times.iter().map(|t| t.1.min(3.0 * usual)), None, 1.0);
        let panel = canvas.panel(frame, 0.0..length, low.max(0.0)..high);
        panel.rules(3, &style::number)?;
        if let Some(watched) = &self.pulls.pump_down {
            self.draw_watched(&panel, watched, &|s| s, |p| p.high)?;
        }
        let dots: Vec<(f64, f64)> = times
            .iter()
            .map(|(x, y)| (panel.px_x(*x), panel.px_y(y.min(high))))
            .collect();
        canvas.dots(Ink::Point, "", &dots);
        Ok(())
    }

    /// A wedge for each gasket, as high as its pours, with its age at the end.
    fn draw_ages(&self, canvas: &Canvas, frame: Frame, length: f64) -> Result<(), ChartError> {
        let ages: Vec<(f64, f64)> = self
            .newest
            .iter()
            .filter_map(|p| Some((self.since(p.at), f64::from(p.age_pours?))))
            .collect();
        let oldest = ages.iter().map(|a| a.1).fold(1.0, f64::max);
        let panel = canvas.panel(frame, 0.0..length, 0.0..oldest * 1.05);
        let gaskets: Vec<&[(f64, f64)]> = ages.chunk_by(|a, b| b.1 >= a.1).collect();
        for (i, gasket) in gaskets.iter().enumerate() {
            let mut wedge: Vec<(f64, f64, f64)> =
                gasket.iter().map(|(x, age)| (*x, 0.0, *age)).collect();
            let newest = wedge.last().copied();
            // A corner for every third pixel shows all there is to see.
            wedge.dedup_by(|b, a| panel.px_x(b.0) - panel.px_x(a.0) < 3.0);
            wedge.extend(newest);
            panel.between(&wedge, Ink::Wedge)?;
            let Some((x, age)) = gasket.last() else {
                continue;
            };
            let now = if i + 1 == gaskets.len() { " now" } else { "" };
            let (px, py) = (panel.px_x(*x), panel.px_y(*age));
            let places = [
                ((px - 2.0, py - 8.0), Align::End),
                ((px - 2.0, py + 8.0), Align::End),
                ((px + 4.0, py + 6.0), Align::Start),
            ];
            let text = format!("{age:.0}{now}");
            canvas.text_where_free(&places, &text, TYPE_TICK, Ink::SoftText)?;
        }
        Ok(())
    }
}
