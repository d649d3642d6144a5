//! The three minutes around one pour, with the moment of the pour at zero, so that the pours of
//! a day can be laid side by side: melt above, vacuum below, all on the same scales, with the
//! pull shaded and, where a person put the pour elsewhere, the detector's moment dotted.

use analysis::pour::{PourRow, PullRow, Verdict};
use analysis::units::ShownIn;

use super::canvas::{Align, Canvas, Frame, Panel};
use super::reduce;
use super::style::{self, Ink, MARGIN_LEFT, MARGIN_RIGHT, NARROW, TYPE_LABEL, TYPE_TICK};
use super::text_width::width_bold;
use super::{ChartError, Figure};
use crate::moment::Moment;
use crate::session_trace::{Readings, SessionTrace, between, seconds_after};
use crate::table::{Cell, Table};
use crate::wording;

/// Seconds shown before the pour.
pub const BEFORE_S: f64 = 120.0;
/// Seconds shown after it.
pub const AFTER_S: f64 = 60.0;
/// How far below the pour the scale reaches, K: deep enough to see the melt turn, not so deep
/// that an emptied crucible flattens what came before.
const BELOW_K: f64 = 60.0;

/// A pour this far below the hottest of the day does not stretch the scale that all share, K: two
/// alloys of one day are nearer, and a time that somebody mistyped is not.
const TOO_FAR_K: f64 = 250.0;

/// Scales that the close-ups of one session share.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scales {
    /// Lowest melt temperature shown, °C.
    pub melt_low_c: f64,
    /// Highest, °C.
    pub melt_high_c: f64,
    /// Deepest vacuum shown, kPa below ambient; none where vacuum is not sensed.
    pub vacuum_kpa: Option<f64>,
}

/// The scales for these pours; none if no pour has a melt reading near it.
pub fn scales(trace: &SessionTrace, moments: &[Moment<'_>]) -> Option<Scales> {
    let mut lows = Vec::new();
    let mut high = f64::NEG_INFINITY;
    let mut deepest = None;
    for pour in moments.iter().map(|m| m.pour) {
        let window = |r: &Readings| {
            between(
                r,
                pour.at.plus_seconds(-BEFORE_S),
                pour.at.plus_seconds(AFTER_S),
            )
            .iter()
            .map(|p| p.1)
            .filter(|v| v.is_finite())
            .collect::<Vec<f64>>()
        };
        let melt = window(&trace.melt_c);
        let Some(top) = melt.iter().copied().reduce(f64::max) else {
            continue;
        };
        high = high.max(top).max(pour.target_c.unwrap_or(top));
        let poured_at = pour.read_c().unwrap_or(top);
        lows.push(poured_at - BELOW_K);
        if let Some(v) = window(&trace.vacuum_kpa).into_iter().reduce(f64::max) {
            deepest = Some(v.max(deepest.unwrap_or(1.0)));
        }
    }
    let low = lows
        .into_iter()
        .filter(|low| *low >= high - TOO_FAR_K - BELOW_K)
        .fold(f64::INFINITY, f64::min);
    (low < high).then_some(Scales {
        melt_low_c: low,
        melt_high_c: high + 8.0,
        vacuum_kpa: deepest,
    })
}

/// Draws `points` where they lie on the panel's scale, breaking the line where they leave it.
fn draw_inside(
    panel: &Panel<'_>,
    points: &[(f64, f64)],
    (low, high): (f64, f64),
    ink: Ink,
) -> Result<(), ChartError> {
    for run in reduce::runs(points) {
        let thin = reduce::by_column(&run, -BEFORE_S, AFTER_S, 300);
        for part in thin.chunk_by(|a, b| {
            let inside = |p: &(f64, f64)| p.1 >= low && p.1 <= high;
            inside(a) == inside(b)
        }) {
            if part.iter().all(|p| p.1 >= low && p.1 <= high) {
                panel.line(part, ink)?;
            }
        }
    }
    Ok(())
}

/// The close-up of one pour.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(
    id: &str,
    title: &str,
    trace: &SessionTrace,
    moment: &Moment<'_>,
    pulls: &[PullRow],
    scales: &Scales,
    shown: &ShownIn,
) -> Result<Figure, ChartError> {
    let pour = moment.pour;
    let (from, until) = (
        pour.at.plus_seconds(-BEFORE_S),
        pour.at.plus_seconds(AFTER_S),
    );
    let melt = seconds_after(between(&trace.melt_c, from, until), pour.at, |c| {
        shown.temperature(c).value
    });
    let vacuum = seconds_after(between(&trace.vacuum_kpa, from, until), pour.at, |k| {
        shown.vacuum(k).value
    });
    let (melt_top, melt_bottom) = (40.0, 168.0);
    let (vacuum_top, vacuum_bottom) = (196.0, 246.0);
    let bottom = if scales.vacuum_kpa.is_some() {
        vacuum_bottom
    } else {
        melt_bottom
    };
    let canvas = Canvas::new(NARROW, bottom + 42.0);
    let frame = |top, bottom| Frame {
        left: MARGIN_LEFT,
        top,
        right: NARROW - MARGIN_RIGHT,
        bottom,
    };
    let (low, high) = (
        shown.temperature(scales.melt_low_c).value,
        shown.temperature(scales.melt_high_c).value,
    );
    let behind = canvas.panel(frame(melt_top, bottom), -BEFORE_S..AFTER_S, 0.0..1.0);
    for pull in pulls {
        let a = pull.opened_at.seconds_since(pour.at).max(-BEFORE_S);
        let b = pull
            .closed_at
            .map_or(AFTER_S, |t| t.seconds_since(pour.at))
            .min(AFTER_S);
        if a < b {
            let bad = matches!(pull.verdict, Verdict::Weak | Verdict::Missing);
            let ink = if bad { Ink::WeakPull } else { Ink::Pull };
            behind.rect(a..b, 0.0..1.0, ink)?;
        }
    }
    let panel = canvas.panel(frame(melt_top, melt_bottom), -BEFORE_S..AFTER_S, low..high);
    panel.rules(5, &style::number)?;
    canvas.text(
        (0.0, 10.0),
        &format!("melt, {}", shown.temperature(0.0).unit),
        TYPE_LABEL,
        Ink::Text,
        Align::Start,
    )?;
    if let Some(target) = pour.target_c {
        panel.level(shown.temperature(target).value, Ink::Usual)?;
    }
    draw_inside(&panel, &melt, (low, high), Ink::Melt)?;

    if let Some(deepest) = scales.vacuum_kpa {
        let deepest = shown.vacuum(deepest * 1.05).value;
        let lower = canvas.panel(
            frame(vacuum_top, vacuum_bottom),
            -BEFORE_S..AFTER_S,
            0.0..deepest,
        );
        lower.rules(2, &style::number)?;
        canvas.text(
            (0.0, vacuum_top - 14.0),
            &format!("vacuum below air, {}", shown.vacuum(0.0).unit),
            TYPE_LABEL,
            Ink::Text,
            Align::Start,
        )?;
        draw_inside(&lower, &vacuum, (-deepest, deepest), Ink::Vacuum)?;
    }

    let whole = canvas.panel(frame(melt_top - 8.0, bottom), -BEFORE_S..AFTER_S, 0.0..1.0);
    if let Some(found) = moment.found_instead() {
        // Where the detector had it.
        whole.upright(found.at.seconds_since(pour.at), Ink::DoubtfulPour)?;
    }
    let struck = moment.is_struck();
    let ink = if struck { Ink::DoubtfulPour } else { Ink::Pour };
    whole.upright(0.0, ink)?;
    if let Some(c) = pour.pour_temperature_c {
        let text = if struck {
            "no pour".to_owned()
        } else {
            format!("poured at {}", shown.temperature(c))
        };
        let half = width_bold(&text, TYPE_TICK) / 2.0;
        let x = whole.px_x(0.0).min(NARROW - half - 2.0);
        canvas.text((x, 22.0), &text, TYPE_TICK, Ink::CopperText, Align::Middle)?;
        // On the trace, which is as it was read.
        let read = shown.temperature(pour.read_c().unwrap_or(c));
        panel.ring(0.0, read.value, 3.4, ink)?;
    }
    let marks: Vec<(f64, String)> = [-120.0, -90.0, -60.0, -30.0, 0.0, 30.0, 60.0]
        .iter()
        .map(|s| (*s, style::fixed(*s, 0)))
        .collect();
    whole.foot(&marks)?;
    canvas.text(
        ((MARGIN_LEFT + NARROW - MARGIN_RIGHT) / 2.0, bottom + 32.0),
        "seconds from the pour",
        TYPE_LABEL,
        Ink::Text,
        Align::Middle,
    )?;

    let note = describe(pour, shown);
    Ok(Figure {
        svg: canvas.finish(id, title, &note),
        narrow: None,
        title: title.to_owned(),
        note,
        table: table(trace, pour, shown),
    })
}

fn describe(pour: &PourRow, shown: &ShownIn) -> String {
    let mut parts = Vec::new();
    if let (Some(c), Some(t)) = (pour.pour_temperature_c, pour.target_c) {
        let off = c - t;
        let side = if off >= 0.0 { "above" } else { "below" };
        parts.push(format!(
            "{} {side} the target of {} (dashed)",
            shown.difference(off.abs()),
            shown.temperature(t)
        ));
    }
    if let (Some(read), Some(offset_k)) = (pour.read_c(), pour.parts.probe_offset_k) {
        let side = if offset_k >= 0.0 { "much" } else { "little" };
        parts.push(format!(
            "the probe read {}, which is {} too {side} by its probe check",
            shown.temperature(read),
            shown.difference(offset_k.abs())
        ));
    }
    if let Some(rate) = pour.heating_rate_k_s {
        let word = if rate >= 0.0 { "rising" } else { "falling" };
        let rate = shown.heating_rate(rate.abs());
        parts.push(format!("melt {word} at {rate}"));
    }
    if let Some(lead) = pour.vacuum_lead_s {
        parts.push(format!("vacuum on {} before", wording::span(lead)));
    }
    match parts.as_slice() {
        [] => "The melt around the pour.".to_owned(),
        parts => {
            let text = parts.join("; ");
            let mut chars = text.chars();
            let first = chars.next().map(|c| c.to_uppercase().to_string());
            format!("{}{}.", first.unwrap_or_default(), chars.as_str())
        }
    }
}

fn table(trace: &SessionTrace, pour: &PourRow, shown: &ShownIn) -> Table {
    let mut t = Table::new(
        "The minutes around the pour in numbers",
        &[
            "#seconds from the pour",
            &format!("#melt [{}]", shown.temperature(0.0).unit),
            &format!("#vacuum [{}]", shown.vacuum(0.0).unit),
            &format!("#cover gas [{}]", shown.flow(0.0).unit),
        ],
    );
    for at in [-120.0, -90.0, -60.0, -30.0, -10.0, 0.0, 10.0, 30.0, 60.0] {
        let near = |r: &Readings, show: &dyn Fn(f64) -> String| {
            let moment = pour.at.plus_seconds(at);
            between(r, moment.plus_seconds(-3.0), moment.plus_seconds(3.0))
                .iter()
                .min_by(|a, b| {
                    let far = |p: &(analysis::time::Micros, f64)| p.0.seconds_since(moment).abs();
                    far(a).total_cmp(&far(b))
                })
                .map(|p| show(p.1))
                .unwrap_or_default()
        };
        t.push(vec![
            Cell::plain(style::fixed(at, 0)),
            Cell::plain(near(&trace.melt_c, &|c| shown.temperature(c).number())),
            Cell::plain(near(&trace.vacuum_kpa, &|k| shown.vacuum(k).number())),
            Cell::plain(near(&trace.gas_l_min, &|f| shown.flow(f).number())),
        ]);
    }
    t.without_empty_columns()
}
