//! Every pour of the week side by side: melt and vacuum of each in a small panel of its own, all
//! on the same scales and lined up at the moment when metal left.

use analysis::time::Micros;
use analysis::units::ShownIn;
use jiff::tz::TimeZone;

use super::canvas::{Align, Canvas, Frame, Panel};
use super::style::{self, Ink, MARGIN_LEFT, MEASURE, NARROW, TYPE_LABEL, TYPE_TICK};
use super::svg::SafeSvg;
use super::text_width::{fit, width_bold};
use super::{ChartError, Figure, reduce};
use crate::session_trace::{Readings, between, seconds_after};
use crate::table::{Cell, Table};
use crate::wording;

/// What the chart is made from.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PoursOfWeek {
    /// Unique in the page: letters, digits, hyphens.
    pub id: String,
    /// The pours, in order of time.
    pub pours: Vec<OnePour>,
}

/// One pour with the readings around it. Readings further from it than a panel reaches are left
/// out.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct OnePour {
    /// The flask's label, or what else it is called.
    pub name: String,
    /// When metal left.
    pub at: Micros,
    /// The machine.
    pub machine: String,
    /// Melt temperature, °C.
    pub melt_c: Readings,
    /// Vacuum, kPa below ambient.
    pub vacuum_kpa: Readings,
    /// The pour temperature, °C.
    pub pour_c: Option<f64>,
    /// Whether the trace cannot tell for certain that metal left.
    pub doubtful: bool,
    /// What was off, in few words, such as "weak pull"; empty if nothing was.
    pub off: String,
}

/// Time shown before the pour, s.
pub const BEFORE_S: f64 = 90.0;
/// Time shown after it, s.
pub const AFTER_S: f64 = 60.0;

/// Most pours drawn, the newest: more would not fit on a printed page.
pub const DRAWN: usize = 60;
/// Up to so many pours each column of pixels keeps its lowest and highest reading; of more, two
/// columns share a mean, so that a report stays small.
const FINE: usize = 24;

/// How many panels stand side by side on a desk: as few as let the chart fit on a printed page.
fn per_row(pours: usize, wide: bool) -> usize {
    match (wide, pours) {
        (false, 1) => 1,
        (false, _) => 2,
        (true, 0..=3) => 3,
        (true, 4..=4) => 4,
        (true, 5..=20) => 5,
        (true, 21..=36) => 6,
        (true, _) => 7,
    }
}

/// Scales that all panels share.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Scales {
    melt: (f64, f64),
    vacuum: Option<f64>,
}

struct Sheet<'a> {
    pours: &'a [OnePour],
    shown: &'a ShownIn,
    zone: &'a TimeZone,
    scales: Scales,
    title: String,
    note: String,
}

/// The chart, for a desk and for a phone; none without a pour that has readings.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(
    week: &PoursOfWeek,
    shown: &ShownIn,
    zone: &TimeZone,
) -> Result<Option<Figure>, ChartError> {
    let pours = &week.pours[week.pours.len().saturating_sub(DRAWN)..];
    let Some(scales) = scales(pours, shown) else {
        return Ok(None);
    };
    let sheet = Sheet {
        pours,
        shown,
        zone,
        scales,
        title: "Every pour of the week".to_owned(),
        note: note(week, pours, &scales, shown),
    };
    let svg = sheet.draw(MEASURE, &week.id)?;
    let narrow = sheet.draw(NARROW, &format!("{}-narrow", week.id))?;
    Ok(Some(Figure {
        svg,
        narrow: Some(narrow),
        table: sheet.table(),
        title: sheet.title,
        note: sheet.note,
    }))
}

fn window<'a>(pour: &OnePour, readings: &'a Readings) -> &'a [(Micros, f64)] {
    between(
        readings,
        pour.at.plus_seconds(-BEFORE_S),
        pour.at.plus_seconds(AFTER_S),
    )
}

/// No vacuum is deeper than the air is heavy, kPa; a reading that is, is none.
const MOST_KPA: f64 = 110.0;
/// How far below the pour a melt is shown, K: an emptied crucible must not flatten the rest.
const BELOW_K: f64 = 70.0;

fn scales(pours: &[OnePour], shown: &ShownIn) -> Option<Scales> {
    let finite = |readings: &[(Micros, f64)]| -> Vec<f64> {
        let values = readings.iter().map(|r| r.1);
        values.filter(|v| v.is_finite()).collect()
    };
    let mut tops: Vec<f64> = Vec::new();
    let (mut low, mut deepest): (f64, Option<f64>) = (f64::INFINITY, None);
    for pour in pours {
        let melt = finite(window(pour, &pour.melt_c));
        if let Some(top) = melt.iter().copied().reduce(f64::max) {
            tops.push(top);
            let lowest = melt.iter().copied().fold(top, f64::min);
            low = low.min(lowest.max(top - BELOW_K));
        }
        let mut vacuum = finite(window(pour, &pour.vacuum_kpa));
        vacuum.retain(|kpa| *kpa < MOST_KPA);
        deepest = vacuum.into_iter().chain(deepest).reduce(f64::max);
    }
    if tops.is_empty() && deepest.is_none() {
        return None;
    }
    // One wild reading must not stretch what all share.
    tops.sort_by(f64::total_cmp);
    let median = tops.get(tops.len() / 2).copied().unwrap_or(0.0);
    let top = tops
        .iter()
        .copied()
        .filter(|t| *t < median + 250.0)
        .fold(median, f64::max);
    let low = low.max(median - 250.0).min(top - 20.0);
    Some(Scales {
        melt: (
            shown.temperature(low - 4.0).value,
            shown.temperature(top + 6.0).value,
        ),
        vacuum: deepest.map(|kpa| style::up_to_a_rule(shown.vacuum(kpa.max(10.0)).value, 3)),
    })
}

impl Sheet<'_> {
    fn draw(&self, total_width: f64, id: &str) -> Result<SafeSvg, ChartError> {
        const FOOT: f64 = 24.0;
        let wide = total_width > NARROW;
        let columns = per_row(self.pours.len(), wide);
        let rows = self.pours.len().div_ceil(columns);
        let left = MARGIN_LEFT - 8.0;
        let gap = 10.0;
        let panel_width = (total_width - left - 4.0 + gap) / columns as f64 - gap;
        let panel_width = panel_width.min(230.0);
        let (melt_height, vacuum_height) = match (rows, self.scales.vacuum) {
            (_, None) => (70.0, 0.0),
            (8.., _) if wide => (34.0, 16.0),
            (5..=7, _) if wide => (54.0, 26.0),
            _ => (72.0, 34.0),
        };
        let head = 30.0;
        let row_height = head + melt_height + vacuum_height + 10.0;
        let top = 22.0;
        let bottom = top + row_height * rows as f64;
        let canvas = Canvas::new(total_width, bottom + FOOT);
        let unit = self.shown.temperature(0.0).unit;
        let axis = match self.scales.vacuum {
            Some(_) => format!("melt, {unit}, and below it vacuum to {}", self.vacuum_top()),
            None => format!("melt, {unit}"),
        };
        canvas.text((0.0, 9.0), &axis, TYPE_LABEL, Ink::SoftText, Align::Start)?;
        for (i, pour) in self.pours.iter().enumerate() {
            let x = left + (panel_width + gap) * (i % columns) as f64;
            let y = top + row_height * (i / columns) as f64 + head;
            let melt = Frame {
                left: x,
                top: y,
                right: x + panel_width,
                bottom: y + melt_height,
            };
            let vacuum = Frame {
                top: melt.bottom,
                bottom: melt.bottom + vacuum_height,
                ..melt
            };
            self.draw_pour(&canvas, pour, melt, vacuum, i % columns == 0)?;
            // The foot of a column says the seconds.
            if i + columns >= self.pours.len() {
                let axis = canvas.panel(vacuum, -BEFORE_S..AFTER_S, 0.0..1.0);
                let mut marks = vec![(0.0, "pour".to_owned())];
                if panel_width > 80.0 {
                    marks.insert(0, (-60.0, "−60 s".to_owned()));
                }
                if panel_width > 140.0 {
                    marks.push((30.0, "+30 s".to_owned()));
                }
                axis.foot(&marks)?;
            }
        }
        Ok(canvas.finish(id, &self.title, &self.note))
    }

    fn vacuum_top(&self) -> String {
        let top = self.scales.vacuum.unwrap_or(0.0);
        let unit = self.shown.vacuum(0.0);
        format!("{} {}", style::fixed(top, 0), unit.unit)
    }

    fn draw_pour(
        &self,
        canvas: &Canvas,
        pour: &OnePour,
        melt: Frame,
        vacuum: Frame,
        first: bool,
    ) -> Result<(), ChartError> {
        let across = || -BEFORE_S..AFTER_S;
        let panel = canvas.panel(melt, across(), self.scales.melt.0..self.scales.melt.1);
        let (at, step) = style::ticks(self.scales.melt.0, self.scales.melt.1, 3);
        for y in at {
            panel.level(y, Ink::Grid)?;
            let py = panel.px_y(y);
            if first && py > melt.top + 4.0 && py < melt.bottom - 4.0 {
                canvas.text(
                    (melt.left - 5.0, py),
                    &style::number(y, step),
                    TYPE_TICK,
                    Ink::SoftText,
                    Align::End,
                )?;
            }
        }
        let whole = canvas.panel(
            Frame {
                bottom: vacuum.bottom,
                ..melt
            },
            across(),
            0.0..1.0,
        );
        let ink = if pour.doubtful {
            Ink::DoubtfulPour
        } else {
            Ink::Pour
        };
        canvas.with_tip(&self.tip(pour), || whole.upright(0.0, ink))?;
        let seconds = |readings: &Readings, show: &dyn Fn(f64) -> f64| {
            seconds_after(window(pour, readings), pour.at, show)
        };
        let degrees = |c| self.shown.temperature(c).value;
        self.trace(&panel, &seconds(&pour.melt_c, &degrees), Ink::Melt)?;
        if let Some(deepest) = self.scales.vacuum {
            canvas.line(
                (vacuum.left, vacuum.top),
                (vacuum.right, vacuum.top),
                Ink::Grid,
            )?;
            // Nothing above, all the way down: as a gauge that counts below air goes.
            let panel = canvas.panel(vacuum, across(), -0.04 * deepest..deepest);
            let depth = |k| self.shown.vacuum(k).value;
            self.trace(&panel, &seconds(&pour.vacuum_kpa, &depth), Ink::Vacuum)?;
        }
        canvas.line(
            (vacuum.left, vacuum.bottom),
            (vacuum.right, vacuum.bottom),
            Ink::Axis,
        )?;
        self.head(canvas, pour, melt)
    }

    /// Its name and temperature, and below them when, or what was off.
    fn head(&self, canvas: &Canvas, pour: &OnePour, melt: Frame) -> Result<(), ChartError> {
        let room = melt.right - melt.left;
        let degrees = pour
            .pour_c
            .filter(|c| c.is_finite())
            .map(|c| self.shown.temperature(c).to_string())
            .unwrap_or_default();
        let mark = if pour.doubtful { "?" } else { "" };
        let says = format!("{degrees}{mark}");
        let wide = width_bold(&says, TYPE_TICK);
        canvas.text(
            (melt.right, melt.top - 21.0),
            &says,
            TYPE_TICK,
            Ink::CopperText,
            Align::End,
        )?;
        let name = fit(
            &wording::shortened(&pour.name),
            TYPE_TICK,
            room - wide - 6.0,
        );
        canvas.text(
            (melt.left, melt.top - 21.0),
            &name,
            TYPE_TICK,
            Ink::Text,
            Align::Start,
        )?;
        let when = wording::local(pour.at, self.zone)
            .strftime("%a %H:%M")
            .to_string();
        let (text, ink) = if pour.off.is_empty() {
            (when, Ink::SoftText)
        } else {
            (wording::shortened(&pour.off), Ink::CopperText)
        };
        let fits = if ink.is_bold() { room / 1.12 } else { room };
        canvas.text(
            (melt.left, melt.top - 7.0),
            &fit(&text, TYPE_TICK, fits),
            TYPE_TICK,
            ink,
            Align::Start,
        )
    }

    /// A line of as few points as show its course. It ends where it leaves the panel: a crucible
    /// that is empty says nothing of the melt, and a floor would look like a reading.
    fn trace(&self, panel: &Panel<'_>, points: &[(f64, f64)], ink: Ink) -> Result<(), ChartError> {
        let mut points = points.to_vec();
        points.retain(|(_, y)| panel.holds_y(*y));
        let pixels = panel.frame.right - panel.frame.left;
        for run in reduce::runs(&points) {
            if self.pours.len() <= FINE {
                let columns = (pixels / 3.0) as usize;
                panel.line(&reduce::by_column(&run, -BEFORE_S, AFTER_S, columns), ink)?;
            } else {
                let columns = ((pixels / 2.5) as usize).min(44);
                panel.line(&reduce::means(&run, -BEFORE_S, AFTER_S, columns), ink)?;
            }
        }
        Ok(())
    }

    fn tip(&self, pour: &OnePour) -> String {
        let mut text = format!(
            "{}, {}, {}",
            wording::shortened(&pour.name),
            wording::shortened(&pour.machine),
            wording::day_and_time(pour.at, self.zone)
        );
        if let Some(c) = pour.pour_c.filter(|c| c.is_finite()) {
            text += &format!(", {}", self.shown.temperature(c));
        }
        if !pour.off.is_empty() {
            text += &format!(", {}", wording::shortened(&pour.off));
        }
        text
    }

    fn table(&self) -> Table {
        let mut table = Table::new(
            "Every pour of the week in numbers",
            &[
                "flask",
                "machine",
                "poured",
                &format!("#at [{}]", self.shown.temperature(0.0).unit),
                &format!("#deepest vacuum [{}]", self.shown.vacuum(0.0).unit),
                "what was off",
            ],
        );
        for pour in self.pours {
            let deepest = window(pour, &pour.vacuum_kpa)
                .iter()
                .map(|r| r.1)
                .filter(|v| v.is_finite())
                .reduce(f64::max);
            table.push(vec![
                Cell::typed(&pour.name),
                Cell::typed(&pour.machine),
                Cell::plain(wording::unbroken(&wording::day_and_time(
                    pour.at, self.zone,
                ))),
                Cell::plain(
                    pour.pour_c
                        .map(|c| self.shown.temperature(c).number())
                        .unwrap_or_default(),
                ),
                Cell::plain(
                    deepest
                        .map(|k| self.shown.vacuum(k).number())
                        .unwrap_or_default(),
                ),
                Cell::typed(&pour.off).strong_if(true),
            ]);
        }
        table.without_empty_columns()
    }
}

fn note(week: &PoursOfWeek, drawn: &[OnePour], scales: &Scales, shown: &ShownIn) -> String {
    let mut text = format!(
        "{}{}, from {BEFORE_S:.0} s before the metal left (copper line) to \
         {AFTER_S:.0} s after",
        wording::count(drawn.len() as u64, "pour"),
        if drawn.len() > 1 {
            ", all on the same scales"
        } else {
            ""
        }
    );
    if let Some(deepest) = scales.vacuum {
        let unit = shown.vacuum(0.0);
        text += &format!(
            ". Above the melt; below it the vacuum, up to {} {}",
            style::fixed(deepest, 0),
            unit.unit
        );
    }
    text += ".";
    if drawn.iter().any(|p| p.doubtful) {
        text += " A dotted line with ? is a pour that the trace cannot tell for certain.";
    }
    let off = drawn.iter().filter(|p| !p.off.is_empty()).count() as u64;
    if off > 0 {
        text += &format!(" Something was off with {off} of them, said in copper.");
    }
    if drawn.len() < week.pours.len() {
        text += &format!(
            " The newest {} of {} are shown.",
            drawn.len(),
            week.pours.len()
        );
    }
    text
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use analysis::units::Scheme;

    fn pour(n: u32) -> OnePour {
        let at = Micros(1_790_000_000_000_000).plus_seconds(7200.0 * f64::from(n));
        let readings = |of: &dyn Fn(f64) -> f64| -> Readings {
            (0..900)
                .map(|i| f64::from(i) * 0.2 - 100.0)
                .map(|s| (at.plus_seconds(s), of(s)))
                .collect()
        };
        OnePour {
            name: format!("A{n}"),
            at,
            machine: "bench-1".to_owned(),
            melt_c: readings(&|s| if s < 0.0 { 966.0 } else { 966.0 - 4.0 * s }),
            vacuum_kpa: readings(&|s| if s < -20.0 { 0.0 } else { 85.0 }),
            pour_c: Some(966.0),
            doubtful: n == 1,
            off: String::new(),
        }
    }

    fn week(count: u32) -> PoursOfWeek {
        PoursOfWeek {
            id: "pours".to_owned(),
            pours: (0..count).map(pour).collect(),
        }
    }

    fn drawn(week: &PoursOfWeek) -> Figure {
        draw(week, &ShownIn::from(Scheme::Us), &TimeZone::UTC)
            .unwrap()
            .unwrap()
    }

    fn height(svg: &SafeSvg) -> f64 {
        let doc = roxmltree::Document::parse(svg.as_str()).unwrap();
        let sizes = doc.root_element().attribute("viewBox").unwrap();
        sizes.split(' ').nth(3).unwrap().parse().unwrap()
    }

    #[test]
    fn from_one_to_sixty_pours_fit_on_a_printed_page_and_in_a_report() {
        for count in [1, 2, 3, 4, 5, 20, 21, 36, 37, 60, 90] {
            let figure = drawn(&week(count));
            // Letter: 186 mm across are 760 px, so 215 mm, less heading and note, are 880.
            assert!(
                height(&figure.svg) <= 880.0,
                "{count}: {}",
                height(&figure.svg)
            );
            let both = figure.svg.as_str().len() + figure.narrow.unwrap().as_str().len();
            assert!(both < 150_000, "{count}: {both} bytes");
            let lines = figure.svg.as_str().matches("class=\"c-melt\"").count();
            assert_eq!(lines, (count as usize).min(DRAWN));
        }
        assert!(drawn(&week(90)).note.contains("newest 60 of 90"));
    }

    #[test]
    fn a_reading_gone_wild_does_not_flatten_the_week() {
        let mut week = week(8);
        week.pours[3].melt_c[450].1 = 2900.0;
        week.pours[4].melt_c[450].1 = f64::NAN;
        week.pours[5].vacuum_kpa[450].1 = 4000.0;
        let scales = scales(&week.pours, &ShownIn::default()).unwrap();
        assert!(scales.vacuum.unwrap() <= 1100.0);
        assert!(
            scales.melt.1 < 1000.0 && scales.melt.0 > 880.0,
            "{scales:?}"
        );
        drawn(&week);
    }

    #[test]
    fn without_vacuum_the_melt_stands_alone_and_without_readings_nothing() {
        let mut week = week(4);
        for p in &mut week.pours {
            p.vacuum_kpa.clear();
        }
        assert!(!drawn(&week).svg.as_str().contains("c-vacuum"));
        for p in &mut week.pours {
            p.melt_c.clear();
        }
        assert!(
            draw(&week, &ShownIn::default(), &TimeZone::UTC)
                .unwrap()
                .is_none()
        );
    }
}
