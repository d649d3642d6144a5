//! A kiln's burnout: its trace over the plan of its programme, the flasks as they were taken
//! out, and what was wrong when. A burnout takes all night, so the axis carries the weekday.

use analysis::burnout::{BurnoutRow, FaultKind, FaultRow, SpellKind};
use analysis::time::Micros;
use analysis::units::ShownIn;
use jiff::tz::TimeZone;

use super::canvas::{Align, Canvas, Frame, Panel};
use super::reduce;
use super::style::{self, Ink, MARGIN_LEFT, MARGIN_RIGHT, NARROW, TYPE_LABEL, TYPE_TICK, WIDE};
use super::svg::SafeSvg;
use super::text_width::{fit, width, width_bold};
use super::trace::{UNIT_ROOM, clock_ticks};
use super::{ChartError, Figure};
use crate::session_trace::{Readings, between, seconds_after};
use crate::table::{Cell, Table};
use crate::wording;

/// One kiln over the burnout that fed a session.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct KilnNight {
    /// Its name.
    pub kiln: String,
    /// Its temperature, °C.
    pub kiln_c: Readings,
    /// The burnout; none if none was followed.
    pub burnout: Option<BurnoutRow>,
    /// The plan of its programme, °C; empty without one.
    pub plan_c: Readings,
    /// The flasks that came out of it, in order of time.
    pub out: Vec<FlaskOut>,
}

/// A flask that left the kiln.
#[derive(Clone, Debug, PartialEq)]
pub struct FlaskOut {
    /// When.
    pub at: Micros,
    /// The pour that it went to.
    pub pour: u32,
    /// What the kiln read then, °C.
    pub kiln_c: Option<f64>,
    /// Soak actually held, min.
    pub soak_min: Option<f64>,
    /// From the kiln to the pour, s.
    pub transfer_s: Option<f64>,
}

/// What a fault is called.
pub fn fault_words(kind: FaultKind) -> &'static str {
    match kind {
        FaultKind::Stalled => "stalled",
        FaultKind::RunOff => "too hot",
        FaultKind::Cooling => "cooling",
        FaultKind::DoorOpen => "door open",
        FaultKind::Silent => "not heard",
        FaultKind::Probe => "probe jumped",
    }
}

/// Time after the last flask that is still shown, s.
const AFTER_S: f64 = 1800.0;

impl KilnNight {
    /// From when to when there is something to show; none without readings.
    fn span(&self) -> Option<(Micros, Micros)> {
        let (first, last) = (self.kiln_c.first()?.0, self.kiln_c.last()?.0);
        let from = match &self.burnout {
            Some(row) if !row.joined_late => row.began_at.max(first),
            _ => first,
        };
        let until = match self.out.last() {
            Some(out) => out.at.plus_seconds(AFTER_S).min(last),
            None => last,
        };
        (until > from).then_some((from, until))
    }
}

/// The chart, wide and narrow; none when nothing was heard of the kiln.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses.
pub fn draw(
    id: &str,
    night: &KilnNight,
    shown: &ShownIn,
    zone: &TimeZone,
) -> Result<Option<Figure>, ChartError> {
    let Some((from, until)) = night.span() else {
        return Ok(None);
    };
    let sheet = Sheet {
        night,
        shown,
        zone,
        from,
        until,
        title: format!("The burnout of {}", wording::isolated(&night.kiln)),
        note: describe(night, shown, zone, from, until),
    };
    let svg = sheet.draw(WIDE, id)?;
    let narrow = sheet.draw(NARROW, &format!("{id}-narrow"))?;
    Ok(Some(Figure {
        svg,
        narrow: Some(narrow),
        table: table(night, shown, zone),
        title: sheet.title,
        note: sheet.note,
    }))
}

struct Sheet<'a> {
    night: &'a KilnNight,
    shown: &'a ShownIn,
    zone: &'a TimeZone,
    from: Micros,
    until: Micros,
    title: String,
    note: String,
}

impl Sheet<'_> {
    fn draw(&self, total_width: f64, id: &str) -> Result<SafeSvg, ChartError> {
        const LANE: f64 = 30.0;
        const TOP: f64 = 52.0;
        const HEIGHT: f64 = 220.0;
        let (left, right) = (MARGIN_LEFT, total_width - MARGIN_RIGHT);
        let canvas = Canvas::new(total_width, TOP + HEIGHT + 44.0);
        let length = self.until.seconds_since(self.from);
        let degrees = |c: f64| self.shown.temperature(c).value;
        let seen = between(&self.night.kiln_c, self.from, self.until);
        let kiln = seconds_after(seen, self.from, degrees);
        let plan = from_zero(&seconds_after(&self.night.plan_c, self.from, degrees));
        let (low, high) = kiln
            .iter()
            .chain(&plan)
            .map(|p| p.1)
            .filter(|v| v.is_finite())
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
                (l.min(v), h.max(v))
            });
        let air = ((high - low) * 0.05).max(5.0);
        let frame = Frame {
            left,
            top: TOP,
            right,
            bottom: TOP + HEIGHT,
        };
        let panel = canvas.panel(frame, 0.0..length, (low - air)..(high + air));
        self.draw_faults(&canvas, &panel, LANE)?;
        panel.rules(6, &style::number)?;
        panel.line(&plan, Ink::Usual)?;
        for run in reduce::runs(&kiln) {
            let thin = reduce::by_column(&run, 0.0, length, (right - left) as usize);
            panel.line(&thin, Ink::Melt)?;
        }
        self.draw_flasks(&canvas, &panel)?;
        canvas.text(
            (0.0, 12.0),
            &format!(
                "{}, {}",
                fit(
                    &wording::shortened(&self.night.kiln),
                    TYPE_LABEL,
                    total_width - UNIT_ROOM
                ),
                self.shown.temperature(0.0).unit
            ),
            TYPE_LABEL,
            Ink::Text,
            Align::Start,
        )?;
        panel.foot(&clock_ticks(
            self.from,
            self.until,
            self.zone,
            (right - left) / 62.0,
        ))?;
        canvas.text(
            ((left + right) / 2.0, TOP + HEIGHT + 33.0),
            &format!(
                "time of day, from {}",
                wording::full_day(self.from, self.zone)
            ),
            TYPE_LABEL,
            Ink::Text,
            Align::Middle,
        )?;
        Ok(canvas.finish(id, &self.title, &self.note))
    }

    /// Shaded while something was wrong, with what it was above where there is room.
    fn draw_faults(&self, canvas: &Canvas, panel: &Panel<'_>, lane: f64) -> Result<(), ChartError> {
        let length = self.until.seconds_since(self.from);
        let mut free_from = panel.frame.left;
        for fault in faults(self.night) {
            let a = fault.since_at.seconds_since(self.from).max(0.0);
            let b = fault.over_at.unwrap_or(self.until).seconds_since(self.from);
            if a > length || b < 0.0 {
                continue;
            }
            // At least two pixels wide, or it would not be seen.
            let b = b.max(a + 2.0 * length / (panel.frame.right - panel.frame.left));
            let tip = self.fault_tip(fault);
            canvas.with_tip(&tip, || {
                let whole = canvas.panel(panel.frame, 0.0..length, 0.0..1.0);
                whole.rect(a..b, 0.0..1.0, Ink::WeakPull)
            })?;
            let px = panel.px_x(f64::midpoint(a, b.min(length)));
            for text in [fault_words(fault.kind), "!"] {
                let half = width_bold(text, TYPE_TICK) / 2.0 + 2.0;
                if px - half >= free_from && px + half <= panel.frame.right {
                    canvas.with_tip(&tip, || {
                        canvas.text((px, lane), text, TYPE_TICK, Ink::CopperText, Align::Middle)
                    })?;
                    free_from = px + half;
                    break;
                }
            }
        }
        Ok(())
    }

    fn fault_tip(&self, fault: &FaultRow) -> String {
        let mut tip = format!(
            "{} from {}",
            fault_words(fault.kind),
            clock(fault.since_at, self.zone)
        );
        if let Some(over) = fault.over_at {
            tip += &format!(" to {}", clock(over, self.zone));
        }
        if let Some((read, meant)) = fault.kiln_c.zip(fault.expected_c) {
            let shown = |c| self.shown.temperature(c);
            tip += &format!(", {} where {} was meant", shown(read), shown(meant));
        }
        tip
    }

    fn draw_flasks(&self, canvas: &Canvas, panel: &Panel<'_>) -> Result<(), ChartError> {
        for out in &self.night.out {
            let tip = format!(
                "the flask of pour {} out at {}",
                out.pour,
                wording::clock_seconds(out.at, self.zone)
            );
            let x = out.at.seconds_since(self.from);
            canvas.with_tip(&tip, || panel.upright(x, Ink::Pour))?;
        }
        // They stand minutes apart in a night of hours: one name for all.
        let first = self
            .night
            .out
            .first()
            .map(|o| o.at.seconds_since(self.from));
        if let Some(x) = first.filter(|x| panel.holds_x(*x)) {
            let text = if self.night.out.len() == 1 {
                "flask out"
            } else {
                "flasks out"
            };
            let px = panel
                .px_x(x)
                .max(panel.frame.left + width(text, TYPE_TICK) + 8.0);
            canvas.text(
                (px - 5.0, panel.frame.bottom - 12.0),
                text,
                TYPE_TICK,
                Ink::CopperText,
                Align::End,
            )?;
        }
        Ok(())
    }
}

/// A line from 0 s on, cut where it crosses that moment.
fn from_zero(line: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let first = line.partition_point(|(s, _)| *s < 0.0);
    let mut kept = Vec::with_capacity(line.len() - first + 1);
    if let (Some((s0, c0)), Some((s1, c1))) = (
        first.checked_sub(1).and_then(|before| line.get(before)),
        line.get(first),
    ) {
        kept.push((0.0, c0 + (c1 - c0) * (0.0 - s0) / (s1 - s0)));
    }
    kept.extend_from_slice(&line[first..]);
    kept
}

fn faults(night: &KilnNight) -> &[FaultRow] {
    night.burnout.as_ref().map_or(&[], |row| &row.faults)
}

/// `Wed 21:05`.
fn clock(at: Micros, zone: &TimeZone) -> String {
    wording::local(at, zone).strftime("%a %H:%M").to_string()
}

fn describe(
    night: &KilnNight,
    shown: &ShownIn,
    zone: &TimeZone,
    from: Micros,
    until: Micros,
) -> String {
    let mut text = format!("From {} to {}.", clock(from, zone), clock(until, zone));
    if let Some(row) = &night.burnout {
        text += &format!(" {} at the hottest", shown.temperature(row.highest_c));
        if row.above_700_min >= 1.0 {
            text += &format!(
                ", {} at {} and above",
                wording::span(60.0 * row.above_700_min),
                shown.temperature(700.0)
            );
        }
        text += ".";
        if row.joined_late {
            text += " It was hot when it was first heard.";
        }
    }
    match night
        .burnout
        .as_ref()
        .and_then(|row| row.programme.as_ref())
    {
        Some(name) if !night.plan_c.is_empty() => {
            text += &format!(
                " The dashed line is its programme {} as it was meant to run.",
                wording::isolated(name)
            );
        }
        Some(name) => text += &format!(" Followed by its programme {}.", wording::isolated(name)),
        None if night.burnout.is_some() => text += " No programme is known for it.",
        None => {}
    }
    if !night.out.is_empty() {
        text += " Copper lines are flasks taken out.";
    }
    let wrong: Vec<String> = faults(night)
        .iter()
        .map(|f| {
            let over = f.over_at.map(|t| format!(" to {}", clock(t, zone)));
            format!(
                "{} {}{}",
                fault_words(f.kind),
                clock(f.since_at, zone),
                over.unwrap_or_default()
            )
        })
        .collect();
    if !wrong.is_empty() {
        text += &format!(" Shaded: {}.", wording::list(&wrong));
    } else if night.burnout.is_some() {
        text += " Nothing was wrong with it.";
    }
    text
}

/// Ramps, holds, faults and flasks in order of time: the night for those who cannot see it.
fn table(night: &KilnNight, shown: &ShownIn, zone: &TimeZone) -> Table {
    let unit = shown.temperature(0.0).unit;
    let mut t = Table::new(
        "The burnout in numbers",
        &[
            "what",
            "from",
            "until",
            &format!("#kiln [{unit}]"),
            &format!("#to, or meant [{unit}]"),
            "#soak held",
            "#out of kiln",
        ],
    );
    let degrees = |c: Option<f64>| {
        Cell::plain(
            c.filter(|c| c.is_finite())
                .map(|c| shown.temperature(c).number())
                .unwrap_or_default(),
        )
    };
    let mut rows: Vec<(Micros, Vec<Cell>)> = Vec::new();
    if let Some(burnout) = &night.burnout {
        for spell in &burnout.spells {
            let (what, to_c) = match spell.kind {
                SpellKind::Ramp => ("ramp", Some(spell.to_c)),
                SpellKind::Hold => ("hold", None),
            };
            rows.push((
                spell.from_at,
                vec![
                    Cell::plain(what),
                    Cell::plain(clock(spell.from_at, zone)),
                    Cell::plain(clock(spell.to_at, zone)),
                    degrees(Some(spell.from_c)),
                    degrees(to_c),
                ],
            ));
        }
        for fault in &burnout.faults {
            rows.push((
                fault.since_at,
                vec![
                    Cell::plain(fault_words(fault.kind)).strong_if(true),
                    Cell::plain(clock(fault.since_at, zone)),
                    Cell::plain(fault.over_at.map(|t| clock(t, zone)).unwrap_or_default()),
                    degrees(fault.kiln_c),
                    degrees(fault.expected_c),
                ],
            ));
        }
    }
    for out in &night.out {
        rows.push((
            out.at,
            vec![
                Cell::plain(format!("flask of pour {} out", out.pour)),
                Cell::plain(wording::clock_seconds(out.at, zone)),
                Cell::plain(""),
                degrees(out.kiln_c),
                Cell::plain(""),
                Cell::plain(
                    out.soak_min
                        .map(|m| wording::span(60.0 * m))
                        .unwrap_or_default(),
                ),
                Cell::plain(out.transfer_s.map(wording::span).unwrap_or_default()),
            ],
        ));
    }
    rows.sort_by_key(|(at, _)| *at);
    for (_, row) in rows {
        t.push(row);
    }
    t.without_empty_columns()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use analysis::units::Scheme;

    fn at(min: f64) -> Micros {
        Micros::parse_rfc3339("2026-11-17T18:00:00Z")
            .unwrap()
            .plus_seconds(60.0 * min)
    }

    /// To 730 °C in six hours, held, down to 555 °C by six in the morning; two flasks out at 8.
    fn night() -> KilnNight {
        let kiln_c = (0..900)
            .map(|m| {
                let m = f64::from(m);
                let c = (20.0 + 710.0 * m / 360.0).min(730.0);
                (
                    at(m),
                    if m > 600.0 {
                        (730.0 - (m - 600.0)).max(555.0)
                    } else {
                        c
                    },
                )
            })
            .collect();
        let out = |min: f64, pour| FlaskOut {
            at: at(min),
            pour,
            kiln_c: Some(556.0),
            soak_min: Some(150.0),
            transfer_s: Some(85.0),
        };
        KilnNight {
            kiln: "kiln-1".into(),
            kiln_c,
            burnout: Some(BurnoutRow {
                kiln: "kiln-1".into(),
                programme: Some("medium-flasks".into()),
                began_at: at(0.0),
                joined_late: false,
                ended_at: None,
                last_at: at(899.0),
                highest_c: 731.0,
                above_700_min: 265.0,
                door_openings: 2,
                door_longest_s: Some(22.0),
                door_slowest_recovery_s: None,
                spells: vec![],
                faults: vec![FaultRow {
                    kind: FaultKind::Stalled,
                    since_at: at(200.0),
                    told_at: at(208.0),
                    over_at: Some(at(290.0)),
                    kiln_c: Some(414.0),
                    expected_c: Some(440.0),
                    step: Some(2),
                }],
            }),
            plan_c: vec![(at(0.0), 20.0), (at(330.0), 730.0), (at(600.0), 730.0)],
            out: vec![out(840.0, 1), out(852.0, 2)],
        }
    }

    fn drawn(night: &KilnNight) -> Option<Figure> {
        let zone = TimeZone::get("Europe/Dublin").unwrap();
        draw("night", night, &ShownIn::from(Scheme::Metric), &zone).unwrap()
    }

    #[test]
    fn a_night_shows_programme_fault_and_flasks_and_says_them_too() {
        let figure = drawn(&night()).unwrap();
        let svg = figure.svg.as_str();
        let doc = roxmltree::Document::parse(svg).unwrap();
        assert_eq!(doc.root_element().attribute("role"), Some("img"));
        roxmltree::Document::parse(figure.narrow.unwrap().as_str()).unwrap();
        for text in [
            ">stalled</text>",
            ">flasks out</text>",
            "414 °C where 440 °C was meant",
        ] {
            assert!(svg.contains(text), "{text}");
        }
        assert!(
            figure
                .note
                .contains("Shaded: stalled Tue 21:20 to Tue 22:50."),
            "{}",
            figure.note
        );
        let cells: Vec<&str> = figure.table.rows[1]
            .iter()
            .map(|c| c.text.as_str())
            .collect();
        assert_eq!(cells[..2], ["flask of pour 1 out", "08:00:00"]);
        assert_eq!(figure.table.rows[0][0].text, "stalled");
    }

    /// The trace begins where the kiln was hot, an hour after its burnout did.
    #[test]
    fn a_plan_is_cut_where_the_trace_begins() {
        let line = [(-3600.0, 20.0), (3600.0, 220.0), (7200.0, 220.0)];
        let cut = from_zero(&line);
        assert_eq!(cut, [(0.0, 120.0), (3600.0, 220.0), (7200.0, 220.0)]);
        assert_eq!(from_zero(&line[1..]), line[1..]);
        assert!(from_zero(&line[..1]).is_empty());
    }

    #[test]
    fn a_kiln_that_nobody_heard_has_no_chart_and_one_without_a_programme_says_so() {
        assert!(drawn(&KilnNight::default()).is_none());
        let mut plain = night();
        plain.plan_c.clear();
        let row = plain.burnout.as_mut().unwrap();
        row.programme = None;
        row.faults.clear();
        let note = drawn(&plain).unwrap().note;
        assert!(note.contains("No programme is known for it."), "{note}");
        assert!(note.contains("Nothing was wrong with it."), "{note}");
    }
}
