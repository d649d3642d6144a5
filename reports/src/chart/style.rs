//! The one place that fixes how every chart looks: its inks, type sizes, line weights, margins
//! and number formats. A chart names an [`Ink`]; the colour, weight and dash behind it live in
//! `chart.css`, so that screen, print and high-contrast modes can differ without redrawing.

use plotters::style::RGBColor;
use plotters_backend::BackendColor;

/// The style sheet of every chart, to be set once in the page that holds them.
pub const CSS: &str = include_str!("chart.css");

/// Width of a chart that stands alone on a phone and beside others on a desk, px.
pub const NARROW: f64 = 360.0;
/// Width of a chart that takes the whole of a desk page, px.
pub const WIDE: f64 = 1040.0;

/// Width of a chart as wide as a line of the page's text, px: on a desk it stands under its
/// caption, and on paper its type is still large enough to read.
pub const MEASURE: f64 = 760.0;

/// Type size of axis numbers and marks, px. The smallest there is.
pub const TYPE_TICK: f64 = 12.0;
/// Type size of axis names and panel names, px.
pub const TYPE_LABEL: f64 = 12.5;

/// Room left of a panel for its numbers, px.
pub const MARGIN_LEFT: f64 = 46.0;
/// Room right of a panel, so that a number centred on the last tick is not cut, px.
pub const MARGIN_RIGHT: f64 = 18.0;
/// Height of a line of chart text, as a multiple of its size.
pub const LINE_HEIGHT: f64 = 1.3;

/// What a mark is, which decides how it looks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Ink {
    /// Axis lines and ticks.
    Axis = 1,
    /// Rules behind the marks.
    Grid,
    /// Text that must be read.
    Text,
    /// Text that may be read.
    SoftText,
    /// Text that names a pour or a usual value.
    CopperText,
    /// Text that names something about vacuum.
    CoolText,
    /// One flask.
    Flask,
    /// The rug: where the flasks are.
    Rug,
    /// The interval of a rate.
    Interval,
    /// The estimate of a rate.
    Estimate,
    /// The usual value or the target.
    Usual,
    /// Melt temperature.
    Melt,
    /// Vacuum.
    Vacuum,
    /// Cover gas.
    Gas,
    /// The spell of a pull.
    Pull,
    /// A pull that was not good.
    WeakPull,
    /// The moment of a pour.
    Pour,
    /// A pour that is doubtful, was struck out, or was found elsewhere.
    DoubtfulPour,
    /// Kiln temperature.
    Kiln,
    /// A band of the stage strip.
    Stage,
    /// Every other band of the stage strip.
    StageOther,
    /// The model's simultaneous band.
    Band,
    /// The advised temperature.
    Advised,
    /// The shop's target.
    Target,
    /// A span of a scale that words name.
    Span,
    /// The thin line that joins points of a series.
    Join,
    /// One point of a series.
    Point,
    /// A point that stands out.
    Signal,
    /// The middle line of a series.
    Centre,
    /// A limit that chance alone seldom passes.
    Limit,
    /// How a part ages.
    Wedge,
    /// An amount.
    Bar,
    /// What will be if things go on.
    Forecast,
    /// Nothing to see, but a place to point at.
    Hover,
    /// Older flasks, gathered.
    Older,
    /// Text on a shaded cell, which needs no edge of paper.
    CellText,
    /// The edge of a cell.
    CellEdge,
    /// A cell with the lowest rate.
    Cell1,
    /// The next.
    Cell2,
    /// The middle.
    Cell3,
    /// The next.
    Cell4,
    /// A cell with the highest rate.
    Cell5,
}

impl Ink {
    /// All inks, for the checks that style sheet and code agree.
    pub const ALL: [Ink; 42] = [
        Ink::Axis,
        Ink::Grid,
        Ink::Text,
        Ink::SoftText,
        Ink::CopperText,
        Ink::CoolText,
        Ink::Flask,
        Ink::Rug,
        Ink::Interval,
        Ink::Estimate,
        Ink::Usual,
        Ink::Melt,
        Ink::Vacuum,
        Ink::Gas,
        Ink::Pull,
        Ink::WeakPull,
        Ink::Pour,
        Ink::DoubtfulPour,
        Ink::Kiln,
        Ink::Stage,
        Ink::StageOther,
        Ink::Band,
        Ink::Advised,
        Ink::Target,
        Ink::Span,
        Ink::Join,
        Ink::Point,
        Ink::Signal,
        Ink::Centre,
        Ink::Limit,
        Ink::Wedge,
        Ink::Bar,
        Ink::Forecast,
        Ink::Hover,
        Ink::Older,
        Ink::CellText,
        Ink::CellEdge,
        Ink::Cell1,
        Ink::Cell2,
        Ink::Cell3,
        Ink::Cell4,
        Ink::Cell5,
    ];

    /// The class that `chart.css` styles.
    pub fn class(self) -> &'static str {
        match self {
            Ink::Axis => "c-axis",
            Ink::Grid => "c-grid",
            Ink::Text => "c-text",
            Ink::SoftText => "c-soft",
            Ink::CopperText => "c-coppertext",
            Ink::CoolText => "c-cooltext",
            Ink::Flask => "c-flask",
            Ink::Rug => "c-rug",
            Ink::Interval => "c-interval",
            Ink::Estimate => "c-estimate",
            Ink::Usual => "c-usual",
            Ink::Melt => "c-melt",
            Ink::Vacuum => "c-vacuum",
            Ink::Gas => "c-gas",
            Ink::Pull => "c-pull",
            Ink::WeakPull => "c-weakpull",
            Ink::Pour => "c-pour",
            Ink::DoubtfulPour => "c-doubt",
            Ink::Kiln => "c-kiln",
            Ink::Stage => "c-stage",
            Ink::StageOther => "c-stage2",
            Ink::Band => "c-band",
            Ink::Advised => "c-advised",
            Ink::Target => "c-target",
            Ink::Span => "c-span",
            Ink::Join => "c-join",
            Ink::Point => "c-point",
            Ink::Signal => "c-signal",
            Ink::Centre => "c-centre",
            Ink::Limit => "c-limit",
            Ink::Wedge => "c-wedge",
            Ink::Bar => "c-bar",
            Ink::Forecast => "c-forecast",
            Ink::Hover => "c-hover",
            Ink::Older => "c-older",
            Ink::CellText => "c-celltext",
            Ink::CellEdge => "c-cell",
            Ink::Cell1 => "c-cell1",
            Ink::Cell2 => "c-cell2",
            Ink::Cell3 => "c-cell3",
            Ink::Cell4 => "c-cell4",
            Ink::Cell5 => "c-cell5",
        }
    }

    /// Whether text in it is bold, which makes it wider.
    pub fn is_bold(self) -> bool {
        matches!(self, Ink::CopperText | Ink::CoolText)
    }

    /// The colour by which the drawing library carries this ink to the backend. It is a token
    /// and is never painted.
    pub fn token(self) -> RGBColor {
        RGBColor(self as u8, 0, 0)
    }

    /// The ink that a token stands for; anything else is drawn as an axis.
    pub fn of(colour: BackendColor) -> Ink {
        usize::from(colour.rgb.0)
            .checked_sub(1)
            .and_then(|n| Ink::ALL.get(n).copied())
            .unwrap_or(Ink::Axis)
    }
}

/// A number with as many decimals as the step between ticks needs, and a true minus sign.
pub fn number(value: f64, step: f64) -> String {
    let decimals = (-step.abs().log10().floor()).clamp(0.0, 6.0) as usize;
    // A step of 2.5 needs one decimal more than its magnitude says.
    let scaled = step * 10f64.powi(decimals as i32);
    let decimals = if (scaled - scaled.round()).abs() > 1e-6 {
        decimals + 1
    } else {
        decimals
    };
    fixed(value, decimals)
}

/// A number with a fixed count of decimals, a true minus sign and no minus zero.
pub fn fixed(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| c == '0' || c == '.') => rest.to_owned(),
        Some(rest) => format!("−{rest}"),
        None => text,
    }
}

/// Round ticks over a range: at most `most`, at steps of 1, 2, 2.5 or 5 times a power of ten.
/// Returns the ticks inside the range and their step. Empty for a range that is not one.
pub fn ticks(low: f64, high: f64, most: usize) -> (Vec<f64>, f64) {
    let span = high - low;
    if !span.is_finite() || span <= 0.0 || most == 0 {
        return (Vec::new(), 1.0);
    }
    let rough = span / most as f64;
    let magnitude = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 2.5, 5.0, 10.0]
        .iter()
        .map(|m| m * magnitude)
        .find(|s| s + 1e-12 >= rough)
        .unwrap_or(10.0 * magnitude);
    let first = (low / step - 1e-9).ceil() as i64;
    let last = (high / step + 1e-9).floor() as i64;
    ((first..=last).map(|i| i as f64 * step).collect(), step)
}

/// The least round number from `wanted` up that a scale from 0 with at most `most` rules ends on.
pub fn up_to_a_rule(wanted: f64, most: usize) -> f64 {
    let (_, step) = ticks(0.0, wanted, most);
    ((wanted / step - 1e-9).ceil() * step).max(step)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_ink_has_its_style_and_survives_the_drawing_library() {
        for ink in Ink::ALL {
            assert!(
                CSS.contains(&format!(".{}", ink.class())),
                "{} has no style",
                ink.class()
            );
            let (r, g, b) = (ink.token().0, ink.token().1, ink.token().2);
            let carried = BackendColor {
                alpha: 1.0,
                rgb: (r, g, b),
            };
            assert_eq!(Ink::of(carried), ink);
        }
    }

    #[test]
    fn ticks_are_round_and_inside() {
        assert_eq!(
            ticks(941.0, 996.0, 6).0,
            vec![950.0, 960.0, 970.0, 980.0, 990.0]
        );
        assert_eq!(ticks(0.0, 0.1, 5).0.len(), 6);
        assert_eq!(ticks(5.0, 5.0, 5).0, Vec::<f64>::new());
        assert_eq!(ticks(f64::NAN, 5.0, 5).0, Vec::<f64>::new());
    }

    #[test]
    fn a_scale_ends_on_a_rule() {
        assert!((up_to_a_rule(0.173, 5) - 0.2).abs() < 1e-12);
        assert!((up_to_a_rule(0.2, 5) - 0.2).abs() < 1e-12);
        assert!(up_to_a_rule(0.0, 5) > 0.0);
        assert!(up_to_a_rule(f64::NAN, 5) > 0.0);
    }

    #[test]
    fn numbers_have_the_decimals_of_their_step() {
        assert_eq!(number(-0.0001, 1.0), "0");
        assert_eq!(number(-12.0, 2.0), "−12");
        assert_eq!(number(2.5, 2.5), "2.5");
        assert_eq!(number(0.25, 0.05), "0.25");
        assert_eq!(number(1760.0, 20.0), "1760");
    }
}
