//! Pour and flask temperature together: a grid of cells, each with the share of defective pieces
//! and how many pieces that rests on. A cell that no flask fell into stays empty.

use std::collections::BTreeMap;

use analysis::units::ShownIn;

use super::canvas::{Align, Canvas, Frame};
use super::style::{self, Ink, MARGIN_LEFT, MARGIN_RIGHT, MEASURE, NARROW, TYPE_LABEL, TYPE_TICK};
use super::svg::SafeSvg;
use super::text_width::width;
use super::{ChartError, Figure};
use crate::table::{Cell, Table};
use crate::wording;

/// What the chart is made from.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TwoTemperatures {
    /// Unique in the page: letters, digits, hyphens.
    pub id: String,
    /// The alloy and section, such as "sterling-925, medium".
    pub of: String,
    /// What counts as defective, such as "pieces with a defect that heat can steer".
    pub outcome: String,
    /// The flasks that have both temperatures.
    pub flasks: Vec<Flask>,
}

/// One inspected flask.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Flask {
    /// Its pour temperature, °C.
    pub pour_c: f64,
    /// Its own temperature at the pour, °C.
    pub flask_c: f64,
    /// Pieces looked at.
    pub pieces: u32,
    /// Defective pieces (the most there can have been).
    pub defective: u32,
}

/// Fewer pieces than this say too little for a shade; their counts stand alone.
const ENOUGH: u64 = 40;
/// Steps of a grid, in degrees of the unit shown: none finer than probes agree.
const STEPS: [f64; 7] = [5.0, 10.0, 20.0, 25.0, 50.0, 100.0, 200.0];
/// Degrees, °C or °F, beyond which a temperature is no casting's.
const BEYOND: f64 = 1e5;

/// One cell: its step across and up, and what fell into it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Counted {
    flasks: u64,
    pieces: u64,
    defective: u64,
}

impl Counted {
    fn rate(&self) -> f64 {
        self.defective as f64 / self.pieces.max(1) as f64
    }
}

/// Edges at round degrees, the same distance apart.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Steps {
    first: i64,
    count: usize,
    step: f64,
}

impl Steps {
    /// The finest steps over these values that are at most `most`.
    fn over(values: &[f64], most: usize) -> Option<Steps> {
        let low = values.iter().copied().reduce(f64::min)?;
        let high = values.iter().copied().reduce(f64::max)?;
        let steps = |step: f64| {
            let first = (low / step).floor() as i64;
            let last = (high / step).floor() as i64;
            Steps {
                first,
                count: usize::try_from(last - first).unwrap_or(0) + 1,
                step,
            }
        };
        STEPS.into_iter().map(steps).find(|s| s.count <= most)
    }

    fn of(&self, value: f64) -> usize {
        let at = (value / self.step).floor() as i64 - self.first;
        usize::try_from(at).unwrap_or(0).min(self.count - 1)
    }

    fn edge(&self, i: usize) -> f64 {
        (self.first + i as i64) as f64 * self.step
    }
}

/// The cells that flasks fell into.
struct Grid {
    across: Steps,
    up: Steps,
    cells: BTreeMap<(usize, usize), Counted>,
}

impl Grid {
    fn of(flasks: &[Flask], shown: &ShownIn, most: (usize, usize)) -> Option<Grid> {
        let degrees = |c: f64| shown.temperature(c).value;
        let kept: Vec<(f64, f64, &Flask)> = flasks
            .iter()
            .map(|f| (degrees(f.pour_c), degrees(f.flask_c), f))
            .filter(|(x, y, f)| x.abs() < BEYOND && y.abs() < BEYOND && f.pieces > 0)
            .collect();
        let of = |pick: fn(&(f64, f64, &Flask)) -> f64, most| {
            let mut values: Vec<f64> = kept.iter().map(pick).collect();
            values.sort_by(f64::total_cmp);
            // A flask far from all others must not make the cells of all others one: the grid
            // spans 98 of 100, and the few beyond count in its outermost cells.
            let few = values.len() / 100;
            Steps::over(values.get(few..values.len() - few)?, most)
        };
        let across = of(|k| k.0, most.0)?;
        let up = of(|k| k.1, most.1)?;
        let mut cells: BTreeMap<(usize, usize), Counted> = BTreeMap::new();
        for (x, y, f) in kept {
            let cell = cells.entry((across.of(x), up.of(y))).or_default();
            cell.flasks += 1;
            cell.pieces += u64::from(f.pieces);
            cell.defective += u64::from(f.defective.min(f.pieces));
        }
        Some(Grid { across, up, cells })
    }

    /// The highest rate that enough pieces back.
    fn highest(&self) -> f64 {
        self.cells
            .values()
            .filter(|c| c.pieces >= ENOUGH)
            .map(Counted::rate)
            .fold(0.0, f64::max)
    }

    fn range(&self, (x, y): (usize, usize), unit: &str) -> (String, String) {
        let of = |s: &Steps, i: usize| {
            let number = |i: usize| style::number(s.edge(i), s.step);
            format!("{}–{} {unit}", number(i), number(i + 1))
        };
        (of(&self.across, x), of(&self.up, y))
    }
}

/// The chart, for a desk and for a phone; none without a flask to show.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(both: &TwoTemperatures, shown: &ShownIn) -> Result<Option<Figure>, ChartError> {
    let (Some(desk), Some(phone)) = (
        Grid::of(&both.flasks, shown, (9, 7)),
        Grid::of(&both.flasks, shown, (6, 7)),
    ) else {
        return Ok(None);
    };
    let title = "Pour and flask temperature together".to_owned();
    let note = note(both, &desk, shown);
    let name = format!("{title}, {}", wording::isolated(&both.of));
    let svg = sheet(&desk, shown, MEASURE, &both.id, &name, &note)?;
    let narrow = sheet(
        &phone,
        shown,
        NARROW,
        &format!("{}-narrow", both.id),
        &name,
        &note,
    )?;
    Ok(Some(Figure {
        svg,
        narrow: Some(narrow),
        table: table(&desk, shown),
        title,
        note,
    }))
}

fn sheet(
    grid: &Grid,
    shown: &ShownIn,
    total_width: f64,
    id: &str,
    name: &str,
    note: &str,
) -> Result<SafeSvg, ChartError> {
    const TOP: f64 = 26.0;
    let wide = total_width > NARROW;
    let unit = shown.temperature(0.0).unit;
    let left = MARGIN_LEFT;
    let cell_width = ((total_width - left - MARGIN_RIGHT) / grid.across.count as f64).min(92.0);
    let cell_height = if wide { 40.0 } else { 36.0 };
    let right = left + cell_width * grid.across.count as f64;
    let bottom = TOP + cell_height * grid.up.count as f64;
    let canvas = Canvas::new(total_width, bottom + 46.0);
    canvas.text(
        (0.0, 9.0),
        &format!("flask temperature, {unit}"),
        TYPE_LABEL,
        Ink::Text,
        Align::Start,
    )?;
    let highest = grid.highest();
    for x in 0..grid.across.count {
        for y in 0..grid.up.count {
            let corner = (
                left + cell_width * x as f64,
                bottom - cell_height * (y + 1) as f64,
            );
            let frame = Frame {
                left: corner.0,
                top: corner.1,
                right: corner.0 + cell_width,
                bottom: corner.1 + cell_height,
            };
            if let Some(cell) = grid.cells.get(&(x, y)) {
                if !wide {
                    // Nothing hovers on a phone.
                    draw_cell(&canvas, frame, cell, highest)?;
                    continue;
                }
                let (pour, flask) = grid.range((x, y), unit);
                let tip = format!(
                    "poured at {pour}, flask {flask}: {} of {} in {}",
                    cell.defective,
                    wording::count(cell.pieces, "piece"),
                    wording::count(cell.flasks, "flask")
                );
                canvas.with_tip(&tip, || draw_cell(&canvas, frame, cell, highest))?;
            }
        }
    }
    for y in 0..=grid.up.count {
        let at = bottom - cell_height * y as f64;
        canvas.text(
            (left - 6.0, at),
            &style::number(grid.up.edge(y), grid.up.step),
            TYPE_TICK,
            Ink::SoftText,
            Align::End,
        )?;
    }
    let edges = grid.across;
    let panel = canvas.panel(
        Frame {
            left,
            top: TOP,
            right,
            bottom,
        },
        edges.edge(0)..edges.edge(edges.count),
        0.0..1.0,
    );
    let marks: Vec<(f64, String)> = (0..=edges.count)
        .map(|i| (edges.edge(i), style::number(edges.edge(i), edges.step)))
        .collect();
    panel.foot(&marks)?;
    canvas.line((left, TOP), (left, bottom), Ink::Axis)?;
    let text = format!("pour temperature, {unit}");
    let half = width(&text, TYPE_LABEL) / 2.0;
    canvas.text(
        (f64::midpoint(left, right).max(half), bottom + 34.0),
        &text,
        TYPE_LABEL,
        Ink::Text,
        Align::Middle,
    )?;
    Ok(canvas.finish(id, name, note))
}

fn draw_cell(
    canvas: &Canvas,
    frame: Frame,
    cell: &Counted,
    highest: f64,
) -> Result<(), ChartError> {
    let middle = f64::midpoint(frame.left, frame.right);
    let at = |row: f64| (middle, f64::midpoint(frame.top, frame.bottom) + row);
    if cell.pieces < ENOUGH {
        canvas.rect(frame, Ink::CellEdge)?;
        let long = format!("{} of {}", cell.defective, cell.pieces);
        let short = format!("{}/{}", cell.defective, cell.pieces);
        let text = [long, short]
            .into_iter()
            .find(|t| width(t, TYPE_TICK) + 4.0 <= frame.right - frame.left);
        if let Some(text) = text {
            canvas.text(at(0.0), &text, TYPE_TICK, Ink::SoftText, Align::Middle)?;
        }
        return Ok(());
    }
    let shades = [Ink::Cell1, Ink::Cell2, Ink::Cell3, Ink::Cell4, Ink::Cell5];
    let shade = (cell.rate() / highest.max(1e-9) * 5.0).floor();
    canvas.rect(frame, shades[(shade.max(0.0) as usize).min(4)])?;
    let text = wording::percent(cell.rate());
    canvas.text(at(-8.0), &text, TYPE_LABEL, Ink::CellText, Align::Middle)?;
    let pieces = cell.pieces.to_string();
    canvas.text(at(8.0), &pieces, TYPE_TICK, Ink::CellText, Align::Middle)
}

fn note(both: &TwoTemperatures, grid: &Grid, shown: &ShownIn) -> String {
    let mut text = format!(
        "Share of {} as counted, and below it how many pieces that rests on; darker is more. \
         Cells with fewer than {ENOUGH} pieces show their counts only, and an empty place was \
         never poured.",
        wording::shortened(&both.outcome)
    );
    let unit = shown.temperature(0.0).unit;
    let backed = || grid.cells.iter().filter(|(_, c)| c.pieces >= ENOUGH);
    let by = |a: &(&(usize, usize), &Counted), b: &(&(usize, usize), &Counted)| {
        a.1.rate().total_cmp(&b.1.rate())
    };
    if let (Some(least), Some(most)) = (backed().min_by(by), backed().max_by(by)) {
        let said = |(at, cell): (&(usize, usize), &Counted)| {
            let (pour, flask) = grid.range(*at, unit);
            format!("{} at {pour} into {flask}", wording::percent(cell.rate()))
        };
        if least.0 != most.0 {
            text += &format!(" Fewest {}, most {}.", said(least), said(most));
        }
    }
    text
}

fn table(grid: &Grid, shown: &ShownIn) -> Table {
    let unit = shown.temperature(0.0).unit;
    let mut table = Table::new(
        "Pour and flask temperature in numbers",
        &[
            "pour temperature",
            "flask temperature",
            "#flasks",
            "#pieces",
            "#defective",
            "#rate",
        ],
    );
    for (at, cell) in &grid.cells {
        let (pour, flask) = grid.range(*at, unit);
        table.push(vec![
            Cell::plain(pour),
            Cell::plain(flask),
            Cell::plain(cell.flasks.to_string()),
            Cell::plain(cell.pieces.to_string()),
            Cell::plain(cell.defective.to_string()),
            Cell::plain(wording::percent(cell.rate())),
        ]);
    }
    table
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use analysis::units::Scheme;

    fn flask(pour_c: f64, flask_c: f64, pieces: u32, defective: u32) -> Flask {
        Flask {
            pour_c,
            flask_c,
            pieces,
            defective,
        }
    }

    #[test]
    fn cells_stand_on_round_degrees_of_the_unit_shown_and_empty_ones_are_left_out() {
        let flasks = [
            flask(962.0, 541.0, 30, 3),
            flask(963.0, 542.0, 30, 3),
            flask(988.0, 568.0, 20, 1),
        ];
        for scheme in [Scheme::Metric, Scheme::Us] {
            let grid = Grid::of(&flasks, &ShownIn::from(scheme), (9, 7)).unwrap();
            assert_eq!(grid.cells.len(), 2);
            assert!((grid.across.edge(0) / 5.0).fract().abs() < 1e-9);
            let pieces: u64 = grid.cells.values().map(|c| c.pieces).sum();
            assert_eq!(pieces, 80);
        }
        let both = TwoTemperatures {
            id: "b".to_owned(),
            flasks: flasks.to_vec(),
            ..TwoTemperatures::default()
        };
        let figure = draw(&both, &ShownIn::default()).unwrap().unwrap();
        let svg = figure.svg.as_str();
        assert!(
            svg.contains(">10 %</text>") && svg.contains(">1 of 20</text>"),
            "{svg}"
        );
        assert_eq!(svg.matches("<rect").count(), 2);
    }

    #[test]
    fn a_slip_of_the_pen_does_not_make_all_flasks_one_cell() {
        let mut flasks: Vec<Flask> = (0..300)
            .map(|i| flask(955.0 + f64::from(i % 30), 540.0 + f64::from(i % 25), 20, 1))
            .collect();
        flasks.push(flask(96.0, 555.0, 20, 1));
        flasks.push(flask(f64::NAN, f64::INFINITY, 20, 1));
        let grid = Grid::of(&flasks, &ShownIn::default(), (9, 7)).unwrap();
        assert!(grid.across.count > 2, "{:?}", grid.across);
        assert_eq!(grid.cells.values().map(|c| c.flasks).sum::<u64>(), 301);
    }
}
