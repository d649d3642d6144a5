//! The day's trace: melt, vacuum, cover gas and kilns on stacked panels over one time axis in
//! the shop's own time, the stages as a labelled strip above, pulls as bands with their verdicts
//! and pours as numbered lines through all panels. A channel that nobody senses has no panel.

use analysis::pour::{PullRow, Verdict};
use analysis::time::Micros;
use analysis::units::ShownIn;
use jiff::tz::TimeZone;

use super::canvas::{Align, Canvas, Frame, Panel};
use super::reduce;
use super::style::{self, Ink, MARGIN_LEFT, MARGIN_RIGHT, NARROW, TYPE_LABEL, TYPE_TICK, WIDE};
use super::svg::SafeSvg;
use super::text_width::{fit, width, width_bold};
use super::{ChartError, Figure};
use crate::moment::{Moment, Standing, found_by};
use crate::session_trace::{SessionTrace, between, seconds_after};
use crate::table::{Cell, Table};
use crate::wording;

/// What the chart is made from.
#[derive(Clone, Copy, Debug)]
pub struct Day<'a> {
    /// Unique in the page: letters, digits, hyphens.
    pub id: &'a str,
    /// The readings and stages.
    pub trace: &'a SessionTrace,
    /// The pulls of the session.
    pub pulls: &'a [PullRow],
    /// The pours of the session, and what was taken for one.
    pub moments: &'a [Moment<'a>],
    /// Units to show.
    pub shown: &'a ShownIn,
    /// The shop's time zone.
    pub zone: &'a TimeZone,
}

/// A temperature's scale never spans less, °C or °F.
const LEAST_SPAN_DEGREES: f64 = 20.0;

/// Room that a panel's unit takes behind its name, px.
pub(super) const UNIT_ROOM: f64 = 50.0;

/// One panel's data, ready to draw.
struct Strip {
    name: String,
    unit: String,
    height: f64,
    ink: Ink,
    points: Vec<(f64, f64)>,
    from_zero: bool,
}

/// The chart, wide and narrow; none when there is no reading at all.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(day: &Day<'_>) -> Result<Option<Figure>, ChartError> {
    let Some((from, until)) = day.trace.extent() else {
        return Ok(None);
    };
    if until <= from {
        return Ok(None);
    }
    let title = "The day's trace".to_owned();
    let note = describe(day, from, until);
    let svg = sheet(day, from, until, WIDE, day.id, &title, &note)?;
    let narrow_id = format!("{}-narrow", day.id);
    let narrow = sheet(day, from, until, NARROW, &narrow_id, &title, &note)?;
    Ok(Some(Figure {
        svg,
        narrow: Some(narrow),
        title,
        note,
        table: table(day),
    }))
}

fn strips(day: &Day<'_>, from: Micros, until: Micros) -> Vec<Strip> {
    let shown = day.shown;
    let mut out = Vec::new();
    let mut add = |name: &str, unit: &str, height, ink, points: Vec<(f64, f64)>, from_zero| {
        if points.iter().any(|p| p.1.is_finite()) {
            out.push(Strip {
                name: name.to_owned(),
                unit: unit.to_owned(),
                height,
                ink,
                points,
                from_zero,
            });
        }
    };
    add(
        "melt",
        shown.temperature(0.0).unit,
        210.0,
        Ink::Melt,
        seconds_after(&day.trace.melt_c, from, |c| shown.temperature(c).value),
        false,
    );
    add(
        "vacuum below air",
        shown.vacuum(0.0).unit,
        92.0,
        Ink::Vacuum,
        seconds_after(&day.trace.vacuum_kpa, from, |k| shown.vacuum(k).value),
        true,
    );
    add(
        "cover gas",
        shown.flow(0.0).unit,
        66.0,
        Ink::Gas,
        seconds_after(&day.trace.gas_l_min, from, |f| shown.flow(f).value),
        true,
    );
    for (kiln, readings) in &day.trace.kilns_c {
        add(
            &wording::isolated(kiln),
            shown.temperature(0.0).unit,
            80.0,
            Ink::Kiln,
            // The burnout before the session is another night's matter.
            seconds_after(between(readings, from, until), from, |c| {
                shown.temperature(c).value
            }),
            false,
        );
    }
    out
}

fn sheet(
    day: &Day<'_>,
    from: Micros,
    until: Micros,
    total_width: f64,
    id: &str,
    title: &str,
    note: &str,
) -> Result<SafeSvg, ChartError> {
    const STRIP_TOP: f64 = 26.0;
    const STRIP_HEIGHT: f64 = 20.0;
    const GAP: f64 = 30.0;
    const LANE: f64 = 18.0;
    let strips = strips(day, from, until);
    let length = until.seconds_since(from);
    let stages = !day.trace.stages.is_empty();
    // Verdicts of pulls stand between the strip of stages and the panels.
    let lane = if stages {
        STRIP_TOP + STRIP_HEIGHT + LANE / 2.0 + 2.0
    } else {
        STRIP_TOP + LANE / 2.0
    };
    let first_top = match (stages, day.pulls.is_empty()) {
        (true, true) => STRIP_TOP + STRIP_HEIGHT + GAP,
        (true, false) => STRIP_TOP + STRIP_HEIGHT + LANE + GAP,
        (false, true) => STRIP_TOP + 22.0,
        (false, false) => STRIP_TOP + LANE + 22.0,
    };
    let last_bottom = first_top
        + strips.iter().map(|s| s.height).sum::<f64>()
        + GAP * strips.len().saturating_sub(1) as f64;
    let canvas = Canvas::new(total_width, last_bottom + 44.0);
    let (left, right) = (MARGIN_LEFT, total_width - MARGIN_RIGHT);
    let span = |top: f64, bottom: f64| Frame {
        left,
        top,
        right,
        bottom,
    };
    // One panel over everything carries what crosses all of them.
    let whole = canvas.panel(span(STRIP_TOP, last_bottom), 0.0..length, 0.0..1.0);

    for pull in day.pulls {
        let a = pull.opened_at.seconds_since(from);
        let b = pull.closed_at.unwrap_or(until).seconds_since(from);
        let good = matches!(pull.verdict, Verdict::Good | Verdict::Unknown);
        let ink = if good { Ink::Pull } else { Ink::WeakPull };
        // At least two pixels wide, or it would not be seen.
        let b = b.max(a + 2.0 * length / (right - left));
        canvas.with_tip(&pull_tip(day, pull), || {
            let panel = canvas.panel(span(first_top, last_bottom), 0.0..length, 0.0..1.0);
            panel.rect(a..b, 0.0..1.0, ink)
        })?;
    }

    let mut top = first_top;
    for strip in &strips {
        let panel = strip_panel(&canvas, strip, span(top, top + strip.height), length);
        panel.rules(if strip.height > 120.0 { 6 } else { 4 }, &style::number)?;
        for run in reduce::runs(&strip.points) {
            let columns = (right - left) as usize;
            let thin = reduce::by_column(&run, 0.0, length, columns);
            panel.line(&thin, strip.ink)?;
        }
        top += strip.height + GAP;
    }

    if stages {
        draw_stages(day, &canvas, &whole, from, STRIP_TOP, STRIP_HEIGHT)?;
    }
    draw_pours(day, &canvas, &whole, from)?;
    draw_verdicts(day, &canvas, &whole, from, lane)?;
    // Names last, each with an edge of paper, so that no line runs through them.
    let mut top = first_top;
    for strip in &strips {
        canvas.text(
            (0.0, top - 12.0),
            &format!(
                "{}, {}",
                fit(&strip.name, TYPE_LABEL, total_width - UNIT_ROOM),
                strip.unit
            ),
            TYPE_LABEL,
            Ink::Text,
            Align::Start,
        )?;
        top += strip.height + GAP;
    }
    whole.foot(&clock_ticks(from, until, day.zone, (right - left) / 62.0))?;
    canvas.text(
        ((left + right) / 2.0, last_bottom + 33.0),
        &format!("time of day, {}", wording::full_day(from, day.zone)),
        TYPE_LABEL,
        Ink::Text,
        Align::Middle,
    )?;
    Ok(canvas.finish(id, title, note))
}

fn strip_panel<'c>(canvas: &'c Canvas, strip: &Strip, frame: Frame, length: f64) -> Panel<'c> {
    let (low, high) = strip
        .points
        .iter()
        .filter(|p| p.1.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), p| {
            (l.min(p.1), h.max(p.1))
        });
    let low = if strip.from_zero { low.min(0.0) } else { low };
    // A kiln that holds its temperature is a level line, not its sensor's last digit.
    let short = if strip.from_zero {
        0.0
    } else {
        (LEAST_SPAN_DEGREES - (high - low)).max(0.0) / 2.0
    };
    let (low, high) = (low - short, high + short);
    let air = ((high - low) * 0.05).max(0.5);
    canvas.panel(
        frame,
        0.0..length,
        (if strip.from_zero { low } else { low - air })..(high + air),
    )
}

fn draw_stages(
    day: &Day<'_>,
    canvas: &Canvas,
    whole: &Panel<'_>,
    from: Micros,
    top: f64,
    height: f64,
) -> Result<(), ChartError> {
    for (i, stage) in day.trace.stages.iter().enumerate() {
        let a = stage.from.seconds_since(from);
        let b = stage.until.seconds_since(from);
        if !(whole.holds_x(a) && b > a) {
            continue;
        }
        let (left, right) = (whole.px_x(a), whole.px_x(b).min(whole.frame.right));
        let ink = if i % 2 == 0 {
            Ink::Stage
        } else {
            Ink::StageOther
        };
        let name = wording::shortened(&stage.name);
        let tip = format!(
            "{name}, {} to {}, {}",
            wording::clock(stage.from, day.zone),
            wording::clock(stage.until, day.zone),
            wording::span(b - a)
        );
        canvas.with_tip(&tip, || {
            canvas.rect(
                Frame {
                    left,
                    top,
                    right,
                    bottom: top + height,
                },
                ink,
            )
        })?;
        if width(&name, TYPE_TICK) + 8.0 <= right - left {
            canvas.text(
                ((left + right) / 2.0, top + height / 2.0),
                &name,
                TYPE_TICK,
                Ink::Text,
                Align::Middle,
            )?;
        }
    }
    Ok(())
}

fn draw_pours(
    day: &Day<'_>,
    canvas: &Canvas,
    whole: &Panel<'_>,
    from: Micros,
) -> Result<(), ChartError> {
    let mut free_from = f64::NEG_INFINITY;
    for moment in day.moments {
        let x = moment.pour.at.seconds_since(from);
        if !whole.holds_x(x) {
            continue;
        }
        let doubtful = matches!(moment.standing, Standing::Doubtful | Standing::Struck(_));
        let ink = if doubtful {
            Ink::DoubtfulPour
        } else {
            Ink::Pour
        };
        canvas.with_tip(&pour_tip(day, moment), || whole.upright(x, ink))?;
        let text = moment.mark();
        let px = whole.px_x(x);
        let half = (width(&text, TYPE_TICK) / 2.0 + 4.0).max(8.5);
        // A number that would touch the one before it is left to the tooltip and the table.
        if px - half > free_from {
            match moment.standing {
                Standing::ByHand(_) => canvas.rect(
                    Frame {
                        left: px - half,
                        top: 13.0 - half,
                        right: px + half,
                        bottom: 13.0 + half,
                    },
                    Ink::Pour,
                )?,
                _ => canvas.ring((px, 13.0), half, ink)?,
            }
            canvas.text((px, 13.0), &text, TYPE_TICK, Ink::CopperText, Align::Middle)?;
            free_from = px + half + 1.0;
        }
    }
    Ok(())
}

/// What a pull came to, in a word and in a sign for where there is no room.
fn verdict_word(pull: &PullRow) -> (&'static str, &'static str) {
    match (pull.verdict, pull.poured) {
        (Verdict::Weak, true) => ("weak", "!"),
        (Verdict::Weak, false) => ("weak, called off", "!"),
        (Verdict::Missing, true) => ("missing", "!"),
        (Verdict::Missing, false) => ("missing, called off", "!"),
        (_, false) => ("called off", "–"),
        (Verdict::Good, true) => ("good", "+"),
        (Verdict::Unknown, true) => ("unknown", "?"),
    }
}

fn draw_verdicts(
    day: &Day<'_>,
    canvas: &Canvas,
    whole: &Panel<'_>,
    from: Micros,
    y: f64,
) -> Result<(), ChartError> {
    if !day.pulls.is_empty() {
        canvas.text((0.0, y), "pulls", TYPE_LABEL, Ink::SoftText, Align::Start)?;
    }
    let middle = |pull: &PullRow| {
        let a = pull.opened_at.seconds_since(from);
        let b = pull.closed_at.map_or(a, |t| t.seconds_since(from));
        whole.px_x((a + b) / 2.0)
    };
    let mut free_from = whole.frame.left;
    for (i, pull) in day.pulls.iter().enumerate() {
        if !whole.holds_x(pull.opened_at.seconds_since(from)) {
            continue;
        }
        let px = middle(pull);
        // Half of the way to the next pull is this one's.
        let free_until = day
            .pulls
            .get(i + 1)
            .map_or(whole.frame.right, |next| (px + middle(next)) / 2.0);
        let bad = matches!(pull.verdict, Verdict::Weak | Verdict::Missing);
        let ink = if bad { Ink::CopperText } else { Ink::CoolText };
        let (word, sign) = verdict_word(pull);
        for text in [word, sign] {
            let half = width_bold(text, TYPE_TICK) / 2.0 + 2.0;
            if px - half >= free_from && px + half <= free_until {
                canvas.with_tip(&pull_tip(day, pull), || {
                    canvas.text((px, y), text, TYPE_TICK, ink, Align::Middle)
                })?;
                free_from = px + half;
                break;
            }
        }
    }
    Ok(())
}

fn pour_tip(day: &Day<'_>, moment: &Moment<'_>) -> String {
    let pour = moment.pour;
    let mut tip = format!(
        "{} at {}",
        moment.name().to_lowercase(),
        wording::clock_seconds(pour.at, day.zone)
    );
    if let Some(c) = pour.pour_temperature_c {
        tip += &format!(", {}", day.shown.temperature(c));
    }
    if let Some(v) = pour.vacuum_kpa {
        tip += &format!(", vacuum {}", day.shown.vacuum(v));
    }
    match moment.standing {
        Standing::ByHand(_) => tip += ", by hand",
        Standing::Struck(_) => tip += ", struck out by hand",
        Standing::Sure | Standing::Doubtful => tip += &format!(", by {}", found_by(pour)),
    }
    tip
}

fn pull_tip(day: &Day<'_>, pull: &PullRow) -> String {
    let mut tip = format!(
        "pull at {}, {}",
        wording::clock_seconds(pull.opened_at, day.zone),
        crate::verdicts::word(pull)
    );
    if let Some(depth) = pull.depth_kpa {
        tip += &format!(", {}", day.shown.vacuum(depth));
    }
    tip
}

/// Round times of day between two moments, at most `most` of them, as seconds after the first.
pub(super) fn clock_ticks(
    from: Micros,
    until: Micros,
    zone: &TimeZone,
    most: f64,
) -> Vec<(f64, String)> {
    let length = until.seconds_since(from);
    let step = [
        60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 21_600, 43_200,
    ]
    .into_iter()
    .find(|s| length / f64::from(*s) <= most)
    .unwrap_or(86_400);
    let local = wording::local(from, zone);
    let since_midnight =
        i32::from(local.hour()) * 3600 + i32::from(local.minute()) * 60 + i32::from(local.second());
    let to_first = f64::from((step - since_midnight % step) % step)
        - f64::from(local.subsec_nanosecond()) / 1e9;
    let mut out = Vec::new();
    let mut x = to_first;
    // A thousand is far beyond any axis; it bounds the loop whatever the times are.
    while x <= length && out.len() < 1000 {
        if x >= 0.0 {
            out.push((x, wording::clock(from.plus_seconds(x), zone)));
        }
        x += f64::from(step);
    }
    out
}

fn describe(day: &Day<'_>, from: Micros, until: Micros) -> String {
    let weak = day
        .pulls
        .iter()
        .filter(|p| matches!(p.verdict, Verdict::Weak | Verdict::Missing))
        .count() as u64;
    let mut text = format!(
        "{} and {} between {} and {}.",
        wording::count(
            day.moments.iter().filter(|m| !m.is_struck()).count() as u64,
            "pour"
        ),
        wording::count(day.pulls.len() as u64, "pull"),
        wording::clock(from, day.zone),
        wording::clock(until, day.zone),
    );
    if weak > 0 {
        text += &format!(" {} weak or missing.", wording::count(weak, "pull"));
    }
    text += " Copper lines are pours, by number; bands are pulls of vacuum, with their verdicts \
             above (+ good, ! weak or missing, – called off, ? unknown, where there is no room).";
    let any = |is: fn(&Standing<'_>) -> bool| day.moments.iter().any(|m| is(&m.standing));
    if any(|s| matches!(s, Standing::Doubtful)) {
        text += " A dotted line with ? is a pour that the trace cannot tell for certain.";
    }
    if any(|s| matches!(s, Standing::ByHand(_))) {
        text += " A square number was put there by hand.";
    }
    if any(|s| matches!(s, Standing::Struck(_))) {
        text += " A dotted line with × was struck out by hand.";
    }
    text
}

/// The stages with the melt's range in each: what the trace says, for those who cannot see it.
fn table(day: &Day<'_>) -> Table {
    let unit = day.shown.temperature(0.0).unit;
    let mut t = Table::new(
        "The day's stages in numbers",
        &[
            "stage",
            "from",
            "until",
            "#length",
            &format!("#lowest melt [{unit}]"),
            &format!("#highest melt [{unit}]"),
        ],
    );
    for stage in &day.trace.stages {
        let melt = between(&day.trace.melt_c, stage.from, stage.until);
        let of = |pick: fn(f64, f64) -> f64| {
            melt.iter()
                .map(|p| p.1)
                .filter(|v| v.is_finite())
                .reduce(pick)
                .map(|c| day.shown.temperature(c).number())
                .unwrap_or_default()
        };
        t.push(vec![
            Cell::plain(wording::shortened(&stage.name)),
            Cell::plain(wording::clock(stage.from, day.zone)),
            Cell::plain(wording::clock(stage.until, day.zone)),
            Cell::plain(wording::span(stage.until.seconds_since(stage.from))),
            Cell::plain(of(f64::min)),
            Cell::plain(of(f64::max)),
        ]);
    }
    t
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use analysis::units::Scheme;

    fn day_of(trace: &SessionTrace) -> Option<Figure> {
        let shown = ShownIn::from(Scheme::Us);
        let zone = TimeZone::get("Europe/Dublin").unwrap();
        draw(&Day {
            id: "day",
            trace,
            pulls: &[],
            moments: &[],
            shown: &shown,
            zone: &zone,
        })
        .unwrap()
    }

    #[test]
    fn a_long_day_stays_small_and_keeps_its_spikes() {
        let zero = Micros::parse_rfc3339("2026-11-18T09:12:00Z").unwrap();
        let mut melt: Vec<(Micros, f64)> = (0..144_000)
            .map(|i| {
                let s = f64::from(i) * 0.2;
                (
                    zero.plus_seconds(s),
                    600.0 + 300.0 * (s / 900.0).sin() + f64::from(i % 7),
                )
            })
            .collect();
        melt[70_000].1 = 1500.0;
        let figure = day_of(&SessionTrace {
            melt_c: melt,
            ..SessionTrace::default()
        })
        .unwrap();
        assert!(
            figure.svg.as_str().len() < 60_000,
            "{}",
            figure.svg.as_str().len()
        );
        // 1500 °C is 2732 °F: the scale must reach it.
        assert!(figure.svg.as_str().contains(">2500</text>"));
        let doc = roxmltree::Document::parse(figure.svg.as_str()).unwrap();
        assert_eq!(doc.root_element().attribute("role"), Some("img"));
        roxmltree::Document::parse(figure.narrow.unwrap().as_str()).unwrap();
    }

    #[test]
    fn a_session_without_readings_has_no_trace() {
        assert!(day_of(&SessionTrace::default()).is_none());
    }

    #[test]
    fn ticks_stand_on_round_times_of_the_shops_clock() {
        let zone = TimeZone::get("Asia/Kolkata").unwrap();
        let from = Micros::parse_rfc3339("2026-11-18T03:47:10Z").unwrap();
        let ticks = clock_ticks(from, from.plus_seconds(7200.0), &zone, 6.0);
        let texts: Vec<&str> = ticks.iter().map(|t| t.1.as_str()).collect();
        assert_eq!(texts, ["09:30", "10:00", "10:30", "11:00"]);
    }
}
