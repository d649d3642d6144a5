//! What the charts draw with: a canvas measured in pixels, and panels on it with a scale of
//! their own. Panels never draw outside themselves: what lies beyond a scale is left out, not
//! pushed to the edge where it would look like data.

use std::cell::RefCell;
use std::ops::Range;
use std::rc::Rc;

use plotters::coord::Shift;
use plotters::coord::types::RangedCoordf64;
use plotters::element::{Circle, PathElement, Polygon, Rectangle};
use plotters::prelude::{Cartesian2d, DrawingArea};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, TextStyle};

use super::ChartError;
use super::style::{self, Ink, TYPE_TICK};
use super::svg::{SCALE, SafeSvg, Surface};
use super::text_width;

type Drawn = Result<(), ChartError>;

/// Where a text sits relative to its point, across.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Align {
    /// It begins there.
    Start,
    /// It is centred there.
    Middle,
    /// It ends there.
    End,
}

/// A rectangle on the canvas, px.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Frame {
    /// Left edge.
    pub left: f64,
    /// Upper edge.
    pub top: f64,
    /// Right edge.
    pub right: f64,
    /// Lower edge.
    pub bottom: f64,
}

impl Frame {
    /// Whether the two share any ground.
    pub fn meets(&self, other: &Frame) -> bool {
        self.left < other.right
            && other.left < self.right
            && self.top < other.bottom
            && other.top < self.bottom
    }
}

/// A mark by its outline, so that it is told apart without colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// A disc.
    Disc,
    /// A triangle on its tip.
    Sunk,
    /// A cross.
    Cross,
    /// A diamond.
    Diamond,
}

/// One of many circles.
#[derive(Clone, Debug, PartialEq)]
pub struct Dot {
    /// Where, px.
    pub at: (f64, f64),
    /// How large, px.
    pub radius: f64,
    /// What its tooltip says; empty for none.
    pub tip: String,
}

/// The ground that a text covers, its capitals' middle being at `y`.
pub fn ground((x, y): (f64, f64), text: &str, size: f64, ink: Ink, align: Align) -> Frame {
    let wide = if ink.is_bold() {
        text_width::width_bold(text, size)
    } else {
        text_width::width(text, size)
    };
    let left = match align {
        Align::Start => x,
        Align::Middle => x - wide / 2.0,
        Align::End => x - wide,
    };
    // Capitals rise 0.37 of the size over their middle, ascenders a little more; tails hang 0.6.
    Frame {
        left,
        top: y - 0.42 * size,
        right: left + wide,
        bottom: y + 0.58 * size,
    }
}

fn units(px: f64) -> i32 {
    (px * SCALE).round() as i32
}

/// A chart in the making.
pub struct Canvas {
    surface: Rc<RefCell<Surface>>,
    root: DrawingArea<Surface, Shift>,
    size: (f64, f64),
    /// The ground that texts cover.
    taken: RefCell<Vec<Frame>>,
}

impl Canvas {
    /// An empty canvas, px.
    pub fn new(width: f64, height: f64) -> Canvas {
        let surface = Rc::new(RefCell::new(Surface::new(width, height)));
        let root = DrawingArea::from(&surface);
        Canvas {
            surface,
            root,
            size: (width, height),
            taken: RefCell::new(Vec::new()),
        }
    }

    /// Whether the ground lies on the canvas and no text covers any of it.
    pub fn is_free(&self, ground: &Frame) -> bool {
        ground.left >= 0.0
            && ground.top >= 0.0
            && ground.right <= self.size.0
            && ground.bottom <= self.size.1
            && !self.taken.borrow().iter().any(|t| t.meets(ground))
    }

    /// Keeps texts that look for room off this ground.
    pub fn keep_clear(&self, ground: Frame) {
        self.taken.borrow_mut().push(ground);
    }

    /// Sets a text at the first of these places where it meets no other; whether there was one.
    ///
    /// # Errors
    /// [`ChartError`] if the drawing library refuses.
    pub fn text_where_free(
        &self,
        places: &[((f64, f64), Align)],
        text: &str,
        size: f64,
        ink: Ink,
    ) -> Result<bool, ChartError> {
        // Words of two marks must not read as one.
        let apart = |here: Frame| Frame {
            left: (here.left - 4.0).max(here.left.min(0.0)),
            right: (here.right + 4.0).min(here.right.max(self.size.0)),
            ..here
        };
        let free = places
            .iter()
            .find(|(at, align)| self.is_free(&apart(ground(*at, text, size, ink, *align))));
        if let Some((at, align)) = free {
            self.text(*at, text, size, ink, *align)?;
        }
        Ok(free.is_some())
    }

    /// Sets a text with its capitals' middle at `y`.
    pub fn text(&self, (x, y): (f64, f64), text: &str, size: f64, ink: Ink, align: Align) -> Drawn {
        let h = match align {
            Align::Start => HPos::Left,
            Align::Middle => HPos::Center,
            Align::End => HPos::Right,
        };
        let token = ink.token();
        let style = TextStyle::from(("sans-serif", size * SCALE))
            .color(&token)
            .pos(Pos::new(h, VPos::Center));
        self.keep_clear(ground((x, y), text, size, ink, align));
        self.root.draw_text(text, &style, (units(x), units(y)))?;
        Ok(())
    }

    /// A straight line between two points, px.
    pub fn line(&self, from: (f64, f64), to: (f64, f64), ink: Ink) -> Drawn {
        let points = vec![(units(from.0), units(from.1)), (units(to.0), units(to.1))];
        self.root.draw(&PathElement::new(points, ink.token()))?;
        Ok(())
    }

    /// A filled rectangle, px.
    pub fn rect(&self, frame: Frame, ink: Ink) -> Drawn {
        self.root.draw(&Rectangle::new(
            [
                (units(frame.left), units(frame.top)),
                (units(frame.right), units(frame.bottom)),
            ],
            ink.token().filled(),
        ))?;
        Ok(())
    }

    /// A ring, px.
    pub fn ring(&self, (x, y): (f64, f64), radius: f64, ink: Ink) -> Drawn {
        self.root.draw(&Circle::new(
            (units(x), units(y)),
            units(radius),
            ink.token(),
        ))?;
        Ok(())
    }

    /// A filled polygon, px.
    pub fn polygon(&self, corners: &[(f64, f64)], ink: Ink) -> Drawn {
        let corners: Vec<_> = corners
            .iter()
            .map(|(x, y)| (units(*x), units(*y)))
            .collect();
        self.root.draw(&Polygon::new(corners, ink.token()))?;
        Ok(())
    }

    /// A mark of this shape round a point, px.
    pub fn mark(&self, shape: Shape, (x, y): (f64, f64), radius: f64, ink: Ink) -> Drawn {
        let r = radius;
        match shape {
            Shape::Disc => self.ring((x, y), r, ink),
            Shape::Sunk => self.polygon(
                &[(x - r, y - 0.8 * r), (x + r, y - 0.8 * r), (x, y + r)],
                ink,
            ),
            Shape::Diamond => self.polygon(&[(x - r, y), (x, y - r), (x + r, y), (x, y + r)], ink),
            Shape::Cross => {
                let r = 0.85 * r;
                self.line((x - r, y - r), (x + r, y + r), ink)?;
                self.line((x - r, y + r), (x + r, y - r), ink)
            }
        }
    }

    /// Many circles of one ink.
    pub fn circles(&self, ink: Ink, dots: &[Dot]) {
        let circles: Vec<_> = dots
            .iter()
            .map(|d| {
                let at = (units(d.at.0), units(d.at.1));
                (at, units(d.radius), d.tip.clone())
            })
            .collect();
        self.surface.borrow_mut().circles(ink, &circles);
    }

    /// A line through points, px.
    pub fn path(&self, points: &[(f64, f64)], ink: Ink) -> Drawn {
        if points.len() > 1 {
            let points: Vec<_> = points.iter().map(|(x, y)| (units(*x), units(*y))).collect();
            self.root.draw(&PathElement::new(points, ink.token()))?;
        }
        Ok(())
    }

    /// Draws with a tooltip on all that is drawn.
    pub fn with_tip(&self, tip: &str, draw: impl FnOnce() -> Drawn) -> Drawn {
        self.surface.borrow_mut().open_group(tip);
        let done = draw();
        self.surface.borrow_mut().close_group();
        done
    }

    /// Many dots as one path; `weight` is an extra class such as `" w-2"`.
    pub fn dots(&self, ink: Ink, weight: &str, at: &[(f64, f64)]) {
        let marks: Vec<_> = at
            .iter()
            .map(|(x, y)| ((units(*x), units(*y)), (0, 0)))
            .collect();
        self.surface.borrow_mut().marks(ink, weight, &marks);
    }

    /// Many upright strokes of one length as one path.
    pub fn strokes(&self, ink: Ink, at: &[(f64, f64)], length: f64) {
        let marks: Vec<_> = at
            .iter()
            .map(|(x, y)| ((units(*x), units(*y)), (0, units(length))))
            .collect();
        self.surface.borrow_mut().marks(ink, "", &marks);
    }

    /// A panel with the scales `x` and `y` (low to high, neither of them empty).
    pub fn panel(&self, frame: Frame, x: Range<f64>, y: Range<f64>) -> Panel<'_> {
        let coord = Cartesian2d::<RangedCoordf64, RangedCoordf64>::new(
            x.clone(),
            y.clone(),
            (
                units(frame.left)..units(frame.right),
                units(frame.bottom)..units(frame.top),
            ),
        );
        Panel {
            canvas: self,
            area: self.root.apply_coord_spec(coord),
            frame,
            x,
            y,
        }
    }

    /// The finished chart; see [`Surface::finish`].
    pub fn finish(self, id: &str, title: &str, description: &str) -> SafeSvg {
        self.surface.borrow_mut().finish(id, title, description)
    }
}

/// A part of a canvas with a scale of its own.
pub struct Panel<'c> {
    canvas: &'c Canvas,
    area: DrawingArea<Surface, Cartesian2d<RangedCoordf64, RangedCoordf64>>,
    /// Where it lies, px.
    pub frame: Frame,
    x: Range<f64>,
    y: Range<f64>,
}

impl Panel<'_> {
    /// Pixels across of a value.
    pub fn px_x(&self, x: f64) -> f64 {
        f64::from(self.area.map_coordinate(&(x, self.y.start)).0) / SCALE
    }

    /// Pixels down of a value.
    pub fn px_y(&self, y: f64) -> f64 {
        f64::from(self.area.map_coordinate(&(self.x.start, y)).1) / SCALE
    }

    /// The scale across.
    pub fn across(&self) -> Range<f64> {
        self.x.clone()
    }

    /// Whether a value lies on the scale across.
    pub fn holds_x(&self, x: f64) -> bool {
        x.is_finite() && x >= self.x.start && x <= self.x.end
    }

    /// Whether a value lies on the upright scale.
    pub fn holds_y(&self, y: f64) -> bool {
        y.is_finite() && y >= self.y.start && y <= self.y.end
    }

    /// A line through points in the panel's scales. Points beyond the upright scale are held
    /// at its edge (callers choose scales that hold their data); points beyond the scale
    /// across, and those that are no numbers, are left out.
    pub fn line(&self, points: &[(f64, f64)], ink: Ink) -> Drawn {
        let kept: Vec<(f64, f64)> = points
            .iter()
            .filter(|(x, y)| self.holds_x(*x) && y.is_finite())
            .map(|(x, y)| (*x, y.clamp(self.y.start, self.y.end)))
            .collect();
        if kept.len() > 1 {
            self.area.draw(&PathElement::new(kept, ink.token()))?;
        }
        Ok(())
    }

    /// The ground between two lines over the same values across, cut to the panel.
    pub fn between(&self, edges: &[(f64, f64, f64)], ink: Ink) -> Drawn {
        let inside = |y: f64| y.clamp(self.y.start, self.y.end);
        let kept: Vec<_> = edges
            .iter()
            .filter(|(x, low, high)| self.holds_x(*x) && low.is_finite() && high.is_finite())
            .collect();
        if kept.len() > 1 {
            let there = kept.iter().map(|(x, low, _)| (*x, inside(*low)));
            let back = kept.iter().rev().map(|(x, _, high)| (*x, inside(*high)));
            let corners: Vec<(f64, f64)> = there
                .chain(back)
                .map(|(x, y)| (self.px_x(x), self.px_y(y)))
                .collect();
            self.canvas.polygon(&corners, ink)?;
        }
        Ok(())
    }

    /// A filled rectangle in the panel's scales, cut to the panel.
    pub fn rect(&self, x: Range<f64>, y: Range<f64>, ink: Ink) -> Drawn {
        let (x0, x1) = (x.start.max(self.x.start), x.end.min(self.x.end));
        let (y0, y1) = (y.start.max(self.y.start), y.end.min(self.y.end));
        if x0 < x1 && y0 <= y1 {
            self.area
                .draw(&Rectangle::new([(x0, y0), (x1, y1)], ink.token().filled()))?;
        }
        Ok(())
    }

    /// A ring round a point; nothing outside the panel.
    pub fn ring(&self, x: f64, y: f64, radius: f64, ink: Ink) -> Drawn {
        if self.holds_x(x) && self.y.contains(&y) || y == self.y.end {
            self.area
                .draw(&Circle::new((x, y), units(radius), ink.token()))?;
        }
        Ok(())
    }

    /// Horizontal rules with their numbers at the left.
    pub fn rules(&self, most: usize, write: &dyn Fn(f64, f64) -> String) -> Drawn {
        let (at, step) = style::ticks(self.y.start, self.y.end, most);
        for y in at {
            let py = self.px_y(y);
            self.canvas
                .line((self.frame.left, py), (self.frame.right, py), Ink::Grid)?;
            self.canvas.text(
                (self.frame.left - 6.0, py),
                &write(y, step),
                TYPE_TICK,
                Ink::SoftText,
                Align::End,
            )?;
        }
        Ok(())
    }

    /// The line along the foot, with ticks at `at` and their texts below. A text that would
    /// touch the one before it is left out; its tick stays.
    pub fn foot(&self, at: &[(f64, String)]) -> Drawn {
        let y = self.frame.bottom;
        self.canvas
            .line((self.frame.left, y), (self.frame.right, y), Ink::Axis)?;
        let mut free_from = f64::NEG_INFINITY;
        for (x, text) in at.iter().filter(|(x, _)| self.holds_x(*x)) {
            let px = self.px_x(*x);
            self.canvas.line((px, y), (px, y + 4.0), Ink::Axis)?;
            let half = super::text_width::width(text, TYPE_TICK) / 2.0;
            if px - half > free_from {
                self.canvas.text(
                    (px, y + 13.0),
                    text,
                    TYPE_TICK,
                    Ink::SoftText,
                    Align::Middle,
                )?;
                free_from = px + half + 6.0;
            }
        }
        Ok(())
    }

    /// A line up the panel at `x`.
    pub fn upright(&self, x: f64, ink: Ink) -> Drawn {
        if self.holds_x(x) {
            let px = self.px_x(x);
            self.canvas
                .line((px, self.frame.top), (px, self.frame.bottom), ink)?;
        }
        Ok(())
    }

    /// A line across the panel at `y`, if it lies on the scale.
    pub fn level(&self, y: f64, ink: Ink) -> Drawn {
        if y >= self.y.start && y <= self.y.end {
            let py = self.px_y(y);
            self.canvas
                .line((self.frame.left, py), (self.frame.right, py), ink)?;
        }
        Ok(())
    }
}
