//! The drawing surface: a backend for the plotting library that writes plain SVG with classes
//! in place of colours, coordinates to a tenth of a pixel, tooltips and an accessible name.
//!
//! The library counts in whole pixels, so the surface tells it that it is ten times larger
//! than it is and divides by ten on writing.

use std::convert::Infallible;
use std::fmt::Write as _;

use plotters_backend::text_anchor::{HPos, VPos};
use plotters_backend::{
    BackendColor, BackendCoord, BackendStyle, BackendTextStyle, DrawingBackend, DrawingErrorKind,
    FontTransform,
};

use super::style::{Ink, LINE_HEIGHT, MEASURE};
use super::text_width;

/// Drawing units in a pixel.
pub const SCALE: f64 = 10.0;

/// A finished chart: SVG that this module wrote, with every text in it escaped. There is no
/// other way to make one, which is why pages may set it without escaping it again.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SafeSvg(String);

impl SafeSvg {
    /// The markup.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

/// Text made safe for SVG: markup escaped; control characters, which XML has no place for, and
/// marks that turn the reading direction, which would turn their neighbours too, left out.
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\n' | '\t' => out.push(' '),
            '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{200e}' | '\u{200f}' => {}
            '\u{fffe}' | '\u{ffff}' => {}
            c if c.is_control() => {}
            c => out.push(c),
        }
    }
    out
}

/// A length in drawing units as pixels, without a needless ".0".
struct Px(i32);

impl std::fmt::Display for Px {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let (whole, tenth) = (self.0.unsigned_abs() / 10, self.0.unsigned_abs() % 10);
        if self.0 < 0 {
            f.write_char('-')?;
        }
        match (whole, tenth) {
            (w, 0) => write!(f, "{w}"),
            (0, t) => write!(f, ".{t}"),
            (w, t) => write!(f, "{w}.{t}"),
        }
    }
}

/// The surface of one chart.
pub struct Surface {
    width: f64,
    height: f64,
    body: String,
}

impl Surface {
    /// An empty surface of this size in pixels.
    pub fn new(width: f64, height: f64) -> Surface {
        Surface {
            width,
            height,
            body: String::new(),
        }
    }

    /// Opens a group with a tooltip; what is drawn until [`Surface::close_group`] has it.
    pub fn open_group(&mut self, tip: &str) {
        let _ = write!(self.body, "<g><title>{}</title>", escape(tip));
    }

    /// Ends a group.
    pub fn close_group(&mut self) {
        self.body.push_str("</g>");
    }

    /// Many circles of one ink: place, radius and, where it is not empty, a tooltip. The ink is
    /// written once, so that a circle costs some forty bytes and its tooltip.
    pub fn circles(&mut self, ink: Ink, circles: &[(BackendCoord, i32, String)]) {
        if circles.is_empty() {
            return;
        }
        let _ = write!(self.body, "<g class=\"{}\">", ink.class());
        for ((x, y), radius, tip) in circles {
            let _ = write!(
                self.body,
                "<circle cx=\"{}\" cy=\"{}\" r=\"{}\"",
                Px(*x),
                Px(*y),
                Px(*radius)
            );
            if tip.is_empty() {
                self.body.push_str("/>");
            } else {
                let _ = write!(self.body, "><title>{}</title></circle>", escape(tip));
            }
        }
        self.body.push_str("</g>");
    }

    /// Many small marks of one kind as one path: dots when `to` is the start itself, else short
    /// lines. A mark costs ten bytes, so that thousands stay small.
    pub fn marks(&mut self, ink: Ink, weight: &str, marks: &[(BackendCoord, BackendCoord)]) {
        if marks.is_empty() {
            return;
        }
        let _ = write!(self.body, "<path class=\"{}{weight}\" d=\"", ink.class());
        for ((x, y), (dx, dy)) in marks {
            let _ = write!(self.body, "M{} {}", Px(*x), Px(*y));
            match (dx, dy) {
                (dx, 0) => {
                    let _ = write!(self.body, "h{}", Px(*dx));
                }
                (0, dy) => {
                    let _ = write!(self.body, "v{}", Px(*dy));
                }
                (dx, dy) => {
                    let _ = write!(self.body, "l{} {}", Px(*dx), Px(*dy));
                }
            }
        }
        self.body.push_str("\"/>");
    }

    /// The finished chart. `id` must be unique in its page and made of letters, digits and
    /// hyphens (others are left out); `title` names the chart, `description` says what it shows.
    pub fn finish(&mut self, id: &str, title: &str, description: &str) -> SafeSvg {
        let id: String = id
            .chars()
            .filter(|c| c.is_ascii_alphanumeric() || *c == '-')
            .collect();
        let body = std::mem::take(&mut self.body);
        let measure = if self.width == MEASURE {
            " measure"
        } else {
            ""
        };
        SafeSvg(format!(
            "<svg class=\"chart{measure}\" viewBox=\"0 0 {w} {h}\" role=\"img\" \
             aria-labelledby=\"{id}-t {id}-d\" xmlns=\"http://www.w3.org/2000/svg\">\
             <title id=\"{id}-t\">{}</title><desc id=\"{id}-d\">{}</desc>{body}</svg>",
            escape(title),
            escape(description),
            w = self.width,
            h = self.height,
        ))
    }

    fn class<S: BackendStyle>(style: &S) -> &'static str {
        Ink::of(style.color()).class()
    }

    /// Writes points as one path of relative steps, leaving out steps of nothing.
    fn path_data(&mut self, points: impl IntoIterator<Item = BackendCoord>) {
        let mut last: Option<BackendCoord> = None;
        let mut first_step = true;
        for (x, y) in points {
            match last {
                None => {
                    let _ = write!(self.body, "M{} {}", Px(x), Px(y));
                }
                Some(from) if from == (x, y) => continue,
                Some((fx, fy)) => {
                    if first_step {
                        self.body.push('l');
                        first_step = false;
                    } else if x >= fx {
                        self.body.push(' ');
                    }
                    let _ = write!(self.body, "{}", Px(x - fx));
                    if y >= fy {
                        self.body.push(' ');
                    }
                    let _ = write!(self.body, "{}", Px(y - fy));
                }
            }
            last = Some((x, y));
        }
    }
}

type Drawn = Result<(), DrawingErrorKind<Infallible>>;

impl DrawingBackend for Surface {
    type ErrorType = Infallible;

    fn get_size(&self) -> (u32, u32) {
        ((self.width * SCALE) as u32, (self.height * SCALE) as u32)
    }

    fn ensure_prepared(&mut self) -> Drawn {
        Ok(())
    }

    fn present(&mut self) -> Drawn {
        Ok(())
    }

    fn draw_pixel(&mut self, (x, y): BackendCoord, color: BackendColor) -> Drawn {
        let _ = write!(
            self.body,
            "<path class=\"{}\" d=\"M{} {}h0\"/>",
            Ink::of(color).class(),
            Px(x),
            Px(y)
        );
        Ok(())
    }

    fn draw_line<S: BackendStyle>(
        &mut self,
        from: BackendCoord,
        to: BackendCoord,
        style: &S,
    ) -> Drawn {
        self.draw_path([from, to], style)
    }

    fn draw_rect<S: BackendStyle>(
        &mut self,
        upper_left: BackendCoord,
        bottom_right: BackendCoord,
        style: &S,
        _fill: bool,
    ) -> Drawn {
        let (x0, x1) = (
            upper_left.0.min(bottom_right.0),
            upper_left.0.max(bottom_right.0),
        );
        let (y0, y1) = (
            upper_left.1.min(bottom_right.1),
            upper_left.1.max(bottom_right.1),
        );
        let _ = write!(
            self.body,
            "<rect class=\"{}\" x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"/>",
            Self::class(style),
            Px(x0),
            Px(y0),
            Px(x1 - x0),
            Px(y1 - y0)
        );
        Ok(())
    }

    fn draw_path<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(
        &mut self,
        path: I,
        style: &S,
    ) -> Drawn {
        let _ = write!(self.body, "<path class=\"{}\" d=\"", Self::class(style));
        self.path_data(path);
        self.body.push_str("\"/>");
        Ok(())
    }

    fn draw_circle<S: BackendStyle>(
        &mut self,
        (x, y): BackendCoord,
        radius: u32,
        style: &S,
        _fill: bool,
    ) -> Drawn {
        let _ = write!(
            self.body,
            "<circle class=\"{}\" cx=\"{}\" cy=\"{}\" r=\"{}\"/>",
            Self::class(style),
            Px(x),
            Px(y),
            Px(radius as i32)
        );
        Ok(())
    }

    fn fill_polygon<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(
        &mut self,
        vert: I,
        style: &S,
    ) -> Drawn {
        // A polygon and not a path: the style sheet leaves paths unfilled.
        let _ = write!(
            self.body,
            "<polygon class=\"{}\" points=\"",
            Self::class(style)
        );
        for (i, (x, y)) in vert.into_iter().enumerate() {
            let gap = if i == 0 { "" } else { " " };
            let _ = write!(self.body, "{gap}{},{}", Px(x), Px(y));
        }
        self.body.push_str("\"/>");
        Ok(())
    }

    fn draw_text<T: BackendTextStyle>(
        &mut self,
        text: &str,
        style: &T,
        (x, y): BackendCoord,
    ) -> Drawn {
        let size = style.size() / SCALE;
        let anchor = style.anchor();
        let h = match anchor.h_pos {
            HPos::Left => "",
            HPos::Center => " text-anchor=\"middle\"",
            HPos::Right => " text-anchor=\"end\"",
        };
        // The baseline that puts capitals and digits (0.73 of the size high) where asked.
        let drop = match anchor.v_pos {
            VPos::Top => 0.76 * size,
            VPos::Center => 0.36 * size,
            VPos::Bottom => 0.0,
        };
        let y = y + (drop * SCALE).round() as i32;
        let turn = match style.transform() {
            FontTransform::None => String::new(),
            FontTransform::Rotate90 => format!(" transform=\"rotate(90 {} {})\"", Px(x), Px(y)),
            FontTransform::Rotate180 => format!(" transform=\"rotate(180 {} {})\"", Px(x), Px(y)),
            FontTransform::Rotate270 => format!(" transform=\"rotate(-90 {} {})\"", Px(x), Px(y)),
        };
        let _ = write!(
            self.body,
            "<text class=\"{}\" x=\"{}\" y=\"{}\" font-size=\"{size}\"{h}{turn}>{}</text>",
            Ink::of(style.color()).class(),
            Px(x),
            Px(y),
            escape(text)
        );
        Ok(())
    }

    fn estimate_text_size<T: BackendTextStyle>(
        &self,
        text: &str,
        style: &T,
    ) -> Result<(u32, u32), DrawingErrorKind<Infallible>> {
        let size = style.size();
        Ok((
            text_width::width(text, size).ceil() as u32,
            (size * LINE_HEIGHT).ceil() as u32,
        ))
    }

    fn blit_bitmap(&mut self, _: BackendCoord, _: (u32, u32), _: &[u8]) -> Drawn {
        // No chart of ours holds a picture.
        Ok(())
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_written_short() {
        assert_eq!(Px(0).to_string(), "0");
        assert_eq!(Px(-5).to_string(), "-.5");
        assert_eq!(Px(123).to_string(), "12.3");
        assert_eq!(Px(-120).to_string(), "-12");
    }

    #[test]
    fn hostile_text_stays_text() {
        let svg = Surface::new(10.0, 10.0).finish(
            "a\" onload=\"x",
            "</title><script>alert(1)</script>",
            "\u{202e}\u{0}\u{7}' \" & 🙂",
        );
        let doc = roxmltree::Document::parse(svg.as_str()).unwrap();
        assert!(!doc.descendants().any(|n| n.has_tag_name("script")));
        let ids: Vec<_> = doc
            .descendants()
            .filter_map(|n| n.attribute("id"))
            .collect();
        assert_eq!(ids, ["aonloadx-t", "aonloadx-d"]);
    }

    #[test]
    fn a_path_is_written_in_relative_steps_that_read_back() {
        let mut s = Surface::new(100.0, 100.0);
        s.draw_path(
            [(10, 10), (20, 10), (20, 10), (15, 35), (15, 30)],
            &BackendColor {
                alpha: 1.0,
                rgb: (1, 0, 0),
            },
        )
        .unwrap();
        assert!(s.body.contains("M1 1l1 0-.5 2.5 0-.5"), "{}", s.body);
    }
}
