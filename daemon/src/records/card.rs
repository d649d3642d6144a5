//! What a flask card says, and which cards cannot be true.

use analysis::burnout::Told;
use analysis::pour::FlaskSize;
use analysis::time::Micros;
use jiff::civil::Date;
use serde::Serialize;
use uuid::Uuid;

use super::book::named;
use super::error::{RecordError, Result};
use super::words::MadeOf;

/// What a card says.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FlaskCard {
    /// What is written on the flask; may repeat on other days.
    pub label: String,
    /// The shop's day it is to be poured.
    pub day: Date,
    /// The session, once it is known and not only the day.
    pub session: Option<Uuid>,
    /// The machine, when the shop has several.
    pub machine: Option<String>,
    /// Its place in the order of casting, from 1.
    pub casting_order: Option<u32>,
    /// The alloy's name.
    pub alloy: Option<String>,
    /// Metal in the charge, g.
    pub metal_g: Option<f64>,
    /// Old metal in the charge, %.
    pub remelt_percent: Option<f64>,
    /// Flask diameter, mm.
    pub diameter_mm: Option<f64>,
    /// Flask height, mm.
    pub height_mm: Option<f64>,
    /// The batch of investment.
    pub investment_batch: Option<String>,
    /// Water to 100 parts of powder by weight.
    pub water_ratio: Option<f64>,
    /// When it was invested.
    pub invested_at: Option<Micros>,
    /// The kiln it burnt out in.
    pub kiln: Option<String>,
    /// The kiln load it was part of.
    pub load: Option<String>,
    /// Its shelf.
    pub shelf: Option<String>,
    /// When it went into the kiln.
    pub kiln_in_at: Option<Micros>,
    /// When it came out.
    pub kiln_out_at: Option<Micros>,
    /// Whether that is a tap as it came out, and no time written down to the minute.
    pub kiln_out_tapped: bool,
    /// The kiln's set point before casting, °C.
    pub kiln_set_c: Option<f64>,
    /// Soak at that set point, min.
    pub soak_min: Option<f64>,
    /// The arm of a trial it belongs to.
    pub trial_arm: Option<String>,
    /// Anything else.
    pub note: Option<String>,
    /// The kiln programme it burns out in, by its name, if it is not the kiln's usual.
    pub programme: Option<String>,
    /// What hangs on the tree.
    pub lines: Vec<FlaskLine>,
}

/// One line of a card.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct FlaskLine {
    /// The pattern.
    pub pattern: Option<String>,
    /// Which version of its sprue.
    pub sprue_version: Option<String>,
    /// `thin`, `medium`, `heavy`, or a word of the shop's own.
    pub section: Option<String>,
    /// Pieces invested.
    pub pieces: Option<u32>,
    /// Wax or resin.
    pub made_of: Option<MadeOf>,
}

impl FlaskCard {
    /// The size of the flask as pulls are told apart by it.
    pub fn size(&self) -> Option<FlaskSize> {
        FlaskSize::of(self.diameter_mm, self.height_mm)
    }

    /// A card with a label, a day and one empty line.
    pub fn new(label: impl Into<String>, day: Date) -> FlaskCard {
        FlaskCard {
            label: label.into(),
            day,
            session: None,
            machine: None,
            casting_order: None,
            alloy: None,
            metal_g: None,
            remelt_percent: None,
            diameter_mm: None,
            height_mm: None,
            investment_batch: None,
            water_ratio: None,
            invested_at: None,
            kiln: None,
            load: None,
            shelf: None,
            kiln_in_at: None,
            kiln_out_at: None,
            kiln_out_tapped: false,
            kiln_set_c: None,
            soak_min: None,
            trial_arm: None,
            note: None,
            programme: None,
            lines: vec![FlaskLine::default()],
        }
    }

    /// When it left the kiln, as somebody says.
    pub fn out_of_kiln(&self) -> Option<Told> {
        let told = if self.kiln_out_tapped {
            Told::Tapped
        } else {
            Told::Written
        };
        self.kiln_out_at.map(told)
    }

    /// The section of the flask: that of its lines, `mixed` when they differ.
    pub fn section(&self) -> Option<&str> {
        section_of(self.lines.iter().map(|l| l.section.as_deref()))
    }

    pub(crate) fn check(&self) -> Result<()> {
        named("label", &self.label)?;
        let positive = [
            ("metal_g", self.metal_g),
            ("diameter_mm", self.diameter_mm),
            ("height_mm", self.height_mm),
            ("water_ratio", self.water_ratio),
        ];
        for (field, value) in positive {
            if let Some(v) = value
                && !(v > 0.0 && v.is_finite())
            {
                return Err(RecordError::invalid(
                    field,
                    format!("{v} must be more than 0"),
                ));
            }
        }
        if let Some(v) = self.remelt_percent
            && !(0.0..=100.0).contains(&v)
        {
            return Err(RecordError::invalid(
                "remelt_percent",
                format!("{v} is not between 0 and 100 %"),
            ));
        }
        if let Some(v) = self.soak_min
            && !(v >= 0.0 && v.is_finite())
        {
            return Err(RecordError::invalid(
                "soak_min",
                format!("{v} must be 0 or more"),
            ));
        }
        if let Some(v) = self.kiln_set_c
            && !(v > ABSOLUTE_ZERO_C && v.is_finite())
        {
            return Err(RecordError::invalid(
                "kiln_set_c",
                format!("{v} °C is below absolute zero ({ABSOLUTE_ZERO_C} °C)"),
            ));
        }
        if let Some(v) = self.kiln_set_c
            && v > HOTTEST_C
        {
            return Err(RecordError::invalid("kiln_set_c", too_hot(v)));
        }
        if self.casting_order == Some(0) {
            return Err(RecordError::invalid("casting_order", "counts from 1"));
        }
        if let (Some(into), Some(out)) = (self.kiln_in_at, self.kiln_out_at)
            && out < into
        {
            return Err(RecordError::invalid(
                "kiln_out_at",
                "is before the flask went into the kiln",
            ));
        }
        if self.lines.is_empty() {
            return Err(RecordError::invalid(
                "lines",
                "a flask has at least one line; give its pieces",
            ));
        }
        if self.lines.iter().any(|l| l.pieces == Some(0)) {
            return Err(RecordError::invalid(
                "pieces",
                "0 pieces; leave it out while it is not known",
            ));
        }
        Ok(())
    }
}

/// Lowest temperature there is, °C (0 K; SI Brochure, 9th edition, 2.3.1).
pub const ABSOLUTE_ZERO_C: f64 = -273.15;

/// Highest temperature that any figure of a pour can be, °C. The hottest metal a bench pours is
/// platinum, which melts at 1768 °C (1768.2 °C, a secondary reference point of ITS-90; from
/// memory), and its pours stay well below 2000 °C (common practice).
pub const HOTTEST_C: f64 = 2000.0;

/// Why a temperature above [`HOTTEST_C`] is refused.
pub fn too_hot(celsius: f64) -> String {
    format!(
        "{celsius:.0} °C is hotter than anything is poured (platinum melts at 1768 °C; at most \
         {HOTTEST_C:.0} °C is taken); is the unit right?"
    )
}

/// The words for a section, `mixed` being a flask whose lines differ.
pub const SECTIONS: [&str; 4] = ["thin", "medium", "heavy", "mixed"];

/// The one section of several lines, or `mixed`.
pub(crate) fn section_of<'a>(lines: impl Iterator<Item = Option<&'a str>>) -> Option<&'a str> {
    let mut sections = lines.flatten();
    let first = sections.next()?;
    if sections.all(|s| s == first) {
        Some(first)
    } else {
        Some("mixed")
    }
}
