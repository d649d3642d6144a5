//! Cover gas: what each session used, and what is left in the cylinder with the day that it runs
//! out if use goes on as it did.

use analysis::time::Micros;
use analysis::units::ShownIn;
use jiff::tz::TimeZone;

use super::canvas::{Align, Canvas, Frame};
use super::style::{self, Ink, MARGIN_LEFT, MARGIN_RIGHT, MEASURE, NARROW, TYPE_LABEL, TYPE_TICK};
use super::svg::SafeSvg;
use super::text_width::width_bold;
use super::{ChartError, Figure, dates};
use crate::table::{Cell, Table};
use crate::wording;

/// What the chart is made from. Amounts are litres as the flow counts them.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Gas {
    /// Unique in the page: letters, digits, hyphens.
    pub id: String,
    /// What each session used, in order of time.
    pub sessions: Vec<Used>,
    /// What was left in the cylinder, in order of time; it rises where a cylinder was changed.
    /// Empty where the cylinder is not known.
    pub left: Vec<(Micros, f64)>,
    /// When it runs out if use goes on as it did.
    pub runs_out_at: Option<Micros>,
}

/// One session's gas.
#[derive(Clone, Debug, PartialEq)]
pub struct Used {
    /// The session's name.
    pub session: String,
    /// When it opened.
    pub at: Micros,
    /// Gas used, L.
    pub used_l: f64,
    /// Pours in it.
    pub pours: u32,
}

/// Most sessions drawn, the newest.
const DRAWN: usize = 60;
/// The time to the end of the cylinder is shown up to so much of the time before.
const AHEAD: f64 = 0.4;
/// Seconds in a day.
const DAY_S: f64 = 86_400.0;

/// The chart, for a desk and for a phone; none without a session that used gas and without a
/// cylinder.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(gas: &Gas, shown: &ShownIn, zone: &TimeZone) -> Result<Option<Figure>, ChartError> {
    let mut sessions: Vec<&Used> = gas
        .sessions
        .iter()
        .filter(|s| s.used_l.is_finite() && s.used_l >= 0.0)
        .collect();
    sessions.drain(..sessions.len().saturating_sub(DRAWN));
    let since = sessions.first().map_or(Micros(i64::MIN), |s| s.at);
    let left: Vec<(Micros, f64)> = gas
        .left
        .iter()
        .copied()
        .filter(|(at, l)| *at >= since && l.is_finite())
        .collect();
    let times = || {
        sessions
            .iter()
            .map(|s| s.at)
            .chain(left.iter().map(|l| l.0))
    };
    let (Some(from), Some(last)) = (times().min(), times().max()) else {
        return Ok(None);
    };
    let from = from.plus_seconds(-DAY_S);
    let ahead = (last.seconds_since(from) * AHEAD).max(14.0 * DAY_S);
    let until = match gas.runs_out_at {
        Some(at) if !left.is_empty() => at.min(last.plus_seconds(ahead)).max(last),
        _ => last,
    };
    let sheet = Sheet {
        gas,
        sessions,
        left,
        shown,
        zone,
        from,
        until: until.plus_seconds(DAY_S),
        title: "Cover gas used and left".to_owned(),
    };
    let note = sheet.note();
    let svg = sheet.draw(MEASURE, &gas.id, &note)?;
    let narrow = sheet.draw(NARROW, &format!("{}-narrow", gas.id), &note)?;
    Ok(Some(Figure {
        svg,
        narrow: Some(narrow),
        table: sheet.table(),
        title: sheet.title,
        note,
    }))
}

struct Sheet<'a> {
    gas: &'a Gas,
    sessions: Vec<&'a Used>,
    left: Vec<(Micros, f64)>,
    shown: &'a ShownIn,
    zone: &'a TimeZone,
    from: Micros,
    until: Micros,
    title: String,
}

impl Sheet<'_> {
    fn since(&self, at: Micros) -> f64 {
        at.seconds_since(self.from)
    }

    fn amount(&self, litre: f64) -> f64 {
        self.shown.gas(litre).value
    }

    fn usual_l(&self) -> Option<f64> {
        let mut used: Vec<f64> = self.sessions.iter().map(|s| s.used_l).collect();
        used.sort_by(f64::total_cmp);
        used.get(used.len() / 2).copied()
    }

    fn draw(&self, total_width: f64, id: &str, note: &str) -> Result<SafeSvg, ChartError> {
        const TOP: f64 = 26.0;
        const GAP: f64 = 40.0;
        let used_bottom = TOP + if self.sessions.is_empty() { 0.0 } else { 96.0 };
        let left_top = if self.sessions.is_empty() {
            TOP
        } else {
            used_bottom + GAP
        };
        let bottom = if self.left.is_empty() {
            used_bottom
        } else {
            left_top + 120.0
        };
        let canvas = Canvas::new(total_width, bottom + 28.0);
        let (left, right) = (MARGIN_LEFT, total_width - MARGIN_RIGHT);
        let length = self.since(self.until);
        let frame = |top: f64, bottom: f64| Frame {
            left,
            top,
            right,
            bottom,
        };
        let unit = self.shown.gas(0.0).unit;
        let name =
            |y: f64, text: &str| canvas.text((0.0, y), text, TYPE_LABEL, Ink::Text, Align::Start);
        if !self.sessions.is_empty() {
            name(9.0, &format!("used in each session, {unit}"))?;
            self.draw_used(&canvas, frame(TOP, used_bottom), length)?;
        }
        if !self.left.is_empty() {
            name(left_top - 18.0, &format!("left in the cylinder, {unit}"))?;
            self.draw_left(&canvas, frame(left_top, bottom), length)?;
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
        canvas
            .panel(frame(TOP, bottom), 0.0..length, 0.0..1.0)
            .foot(&days)?;
        Ok(canvas.finish(id, &self.title, note))
    }

    fn draw_used(&self, canvas: &Canvas, frame: Frame, length: f64) -> Result<(), ChartError> {
        let most = self.sessions.iter().map(|s| s.used_l).fold(0.0, f64::max);
        let top = style::up_to_a_rule(self.amount(most).max(0.1), 3);
        let panel = canvas.panel(frame, 0.0..length, 0.0..top);
        panel.rules(3, &style::number)?;
        let nearest = self
            .sessions
            .windows(2)
            .map(|w| panel.px_x(self.since(w[1].at)) - panel.px_x(self.since(w[0].at)))
            .fold(f64::INFINITY, f64::min);
        let half = (nearest * 0.35).clamp(1.2, 5.0);
        for s in &self.sessions {
            let tip = format!(
                "{}, {}: {}, {}",
                wording::shortened(&s.session),
                wording::day(s.at, self.zone),
                self.shown.gas(s.used_l),
                wording::count(u64::from(s.pours), "pour")
            );
            let x = panel.px_x(self.since(s.at));
            let bar = Frame {
                left: x - half,
                top: panel.px_y(self.amount(s.used_l)),
                right: x + half,
                bottom: frame.bottom,
            };
            canvas.with_tip(&tip, || canvas.rect(bar, Ink::Bar))?;
        }
        canvas.line(
            (frame.left, frame.bottom),
            (frame.right, frame.bottom),
            Ink::Axis,
        )
    }

    fn draw_left(&self, canvas: &Canvas, frame: Frame, length: f64) -> Result<(), ChartError> {
        let most = self.left.iter().map(|l| l.1).fold(0.0, f64::max);
        let top = style::up_to_a_rule(self.amount(most).max(0.1), 4);
        let panel = canvas.panel(frame, 0.0..length, 0.0..top);
        panel.rules(4, &style::number)?;
        let at = |(at, litre): &(Micros, f64)| (self.since(*at), self.amount(litre.max(0.0)));
        // What is left falls; where it rises the cylinder is another.
        let mut changes = Vec::new();
        for (i, cylinder) in self.left.chunk_by(|a, b| b.1 <= a.1).enumerate() {
            let points: Vec<(f64, f64)> = cylinder.iter().map(at).collect();
            panel.line(&points, Ink::Melt)?;
            if let (Some((x, y)), true) = (points.first(), i > 0) {
                changes.push((panel.px_x(*x), panel.px_y(*y)));
            }
        }
        // The newest is named first, should there not be room for all.
        for (px, py) in &changes {
            canvas.ring((*px, *py), 3.0, Ink::Pour)?;
            canvas.keep_clear(Frame {
                left: px - 3.0,
                right: px + 3.0,
                top: py - 3.0,
                bottom: py + 3.0,
            });
        }
        for (px, py) in changes.into_iter().rev() {
            let places = [
                ((px, py - 13.0), Align::Middle),
                ((px - 9.0, py), Align::End),
            ];
            canvas.text_where_free(&places, "new cylinder", TYPE_TICK, Ink::CopperText)?;
        }
        let Some(last) = self.left.last() else {
            return Ok(());
        };
        let (x, y) = at(last);
        let (px, py) = (panel.px_x(x), panel.px_y(y));
        canvas.ring((px, py), 3.4, Ink::Estimate)?;
        if let Some(out) = self.gas.runs_out_at.filter(|out| *out > last.0) {
            let whole = self.since(out) - x;
            let shown = (self.since(self.until) - DAY_S - x).min(whole).max(0.0);
            let end = (x + shown, y * (1.0 - shown / whole));
            panel.line(&[(x, y), end], Ink::Forecast)?;
            let text = format!("empty about {}", self.day(out));
            let (ex, ey) = (panel.px_x(end.0), panel.px_y(end.1));
            // Beside the line if it falls slowly enough for that, else in the row of the panel's
            // name.
            let mut places = vec![((frame.right, frame.top - 18.0), Align::End)];
            if ex - px > 1.6 * width_bold(&text, TYPE_TICK) {
                places.insert(0, ((ex, f64::midpoint(py, ey) - 22.0), Align::End));
            }
            canvas.text_where_free(&places, &text, TYPE_TICK, Ink::CoolText)?;
        }
        let says = self.shown.gas(last.1.max(0.0)).to_string();
        let places = [
            ((px + 8.0, py - 10.0), Align::Start),
            ((px - 8.0, py - 10.0), Align::End),
            ((px - 8.0, py + 10.0), Align::End),
            ((px + 8.0, py + 10.0), Align::Start),
        ];
        canvas.text_where_free(&places, &says, TYPE_TICK, Ink::Text)?;
        Ok(())
    }

    /// A day, with its year if that is another than the last session's.
    fn day(&self, at: Micros) -> String {
        let year = |t: Micros| wording::local(t, self.zone).year();
        let now = self.left.last().map_or(self.until, |l| l.0);
        if year(at) == year(now) {
            wording::day(at, self.zone)
        } else {
            wording::local(at, self.zone)
                .strftime("%-d %b %Y")
                .to_string()
        }
    }

    fn note(&self) -> String {
        let mut text = String::new();
        if let Some(usual) = self.usual_l() {
            text += &if self.sessions.len() == 1 {
                format!("The session used {}.", self.shown.gas(usual))
            } else {
                format!(
                    "The middle one of {} used {}.",
                    wording::count(self.sessions.len() as u64, "session"),
                    self.shown.gas(usual)
                )
            };
            if self.sessions.len() < self.gas.sessions.len() {
                text += " Older ones are not shown.";
            }
        }
        match (self.left.last(), self.gas.runs_out_at) {
            (Some((at, litre)), Some(out)) => {
                text += &format!(
                    " {} left on {}; at this pace the cylinder is empty about {}.",
                    self.shown.gas(litre.max(0.0)),
                    self.day(*at),
                    self.day(out)
                );
            }
            (Some((at, litre)), None) => {
                text += &format!(
                    " {} left on {}.",
                    self.shown.gas(litre.max(0.0)),
                    self.day(*at)
                );
            }
            (None, _) => text += " What is left in the cylinder is not known.",
        }
        text.trim_start().to_owned()
    }

    fn table(&self) -> Table {
        let unit = self.shown.gas(0.0).unit;
        let mut table = Table::new(
            "Cover gas in numbers",
            &[
                "session",
                "day",
                "#pours",
                &format!("#used [{unit}]"),
                &format!("#left after it [{unit}]"),
            ],
        );
        for (i, s) in self.sessions.iter().enumerate() {
            let until = self.sessions.get(i + 1).map_or(Micros(i64::MAX), |n| n.at);
            let after = self.left.iter().rfind(|l| l.0 >= s.at && l.0 < until);
            table.push(vec![
                Cell::typed(&s.session),
                Cell::plain(wording::day(s.at, self.zone)),
                Cell::plain(s.pours.to_string()),
                Cell::plain(self.shown.gas(s.used_l).number()),
                Cell::plain(
                    after
                        .map(|l| self.shown.gas(l.1).number())
                        .unwrap_or_default(),
                ),
            ]);
        }
        table.without_empty_columns()
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn gas() -> Gas {
        let at = |day: f64| Micros(1_790_000_000_000_000).plus_seconds(day * DAY_S);
        Gas {
            id: "gas".to_owned(),
            sessions: (0..6)
                .map(|n| Used {
                    session: format!("session {n}"),
                    at: at(3.0 * f64::from(n)),
                    used_l: 400.0,
                    pours: 5,
                })
                .collect(),
            left: vec![
                (at(0.5), 900.0),
                (at(3.5), 500.0),
                (at(6.5), 9000.0),
                (at(15.5), 7400.0),
            ],
            runs_out_at: Some(at(70.0)),
        }
    }

    #[test]
    fn the_day_on_which_the_cylinder_is_empty_is_said_and_its_change_named() {
        let figure = draw(&gas(), &ShownIn::default(), &TimeZone::UTC)
            .unwrap()
            .unwrap();
        let svg = figure.svg.as_str();
        assert!(svg.contains(">new cylinder</text>"), "{svg}");
        assert!(svg.contains("empty about"), "{svg}");
        assert!(figure.note.contains("7400 L left"), "{}", figure.note);
        assert_eq!(figure.table.rows[1][4].text, "500");
    }

    #[test]
    fn a_shop_without_a_known_cylinder_still_sees_what_it_uses() {
        let gas = Gas {
            left: vec![],
            runs_out_at: None,
            ..gas()
        };
        let figure = draw(&gas, &ShownIn::default(), &TimeZone::UTC)
            .unwrap()
            .unwrap();
        assert!(figure.note.ends_with("is not known."));
        let none = draw(&Gas::default(), &ShownIn::default(), &TimeZone::UTC).unwrap();
        assert!(none.is_none());
    }
}
