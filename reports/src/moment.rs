//! Where metal left, as the session sheet shows it: what the detector found and how sure it was,
//! what people said instead, and the words for both.

use analysis::pour::{FoundBy, PourRow};
use analysis::time::Micros;
use analysis::units::ShownIn;
use jiff::tz::TimeZone;

use crate::wording;

/// Below this the trace alone cannot tell, and a person should look, 0–1.
pub const SURE_FROM: f64 = 0.8;

/// What a person said of where metal left.
#[derive(Clone, Debug, PartialEq)]
pub struct ByHand {
    /// When metal left; none: no metal did.
    pub at: Option<Micros>,
    /// What the detector had found; none where it had found nothing.
    pub found: Option<PourRow>,
    /// When it was said.
    pub said_at: Micros,
    /// Why, if said.
    pub note: Option<String>,
}

/// Who says that metal left, and how surely.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Standing<'a> {
    /// The detector, surely.
    Sure,
    /// The detector, but it may be wrong.
    Doubtful,
    /// A person.
    ByHand(&'a ByHand),
    /// The detector, but a person said that no metal left.
    Struck(&'a ByHand),
}

/// A pour, or what was taken for one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moment<'a> {
    /// Its measures; of one that was struck out, those that the detector had found.
    pub pour: &'a PourRow,
    /// Who says so.
    pub standing: Standing<'a>,
}

/// The pours that count and those that were struck out, in order of time.
pub fn moments<'a>(pours: &'a [PourRow], by_hand: &'a [ByHand]) -> Vec<Moment<'a>> {
    // Kept rows have times in milliseconds.
    let same = |a: Micros, b: Micros| a.seconds_since(b).abs() < 0.01;
    let mut all: Vec<Moment<'a>> = pours
        .iter()
        .map(|pour| {
            let said = by_hand
                .iter()
                .find(|h| h.at.is_some_and(|at| same(at, pour.at)));
            let standing = match said {
                Some(said) => Standing::ByHand(said),
                None if pour.confidence < SURE_FROM => Standing::Doubtful,
                None => Standing::Sure,
            };
            Moment { pour, standing }
        })
        .collect();
    all.extend(by_hand.iter().filter_map(|said| {
        let found = said.found.as_ref().filter(|_| said.at.is_none())?;
        Some(Moment {
            pour: found,
            standing: Standing::Struck(said),
        })
    }));
    all.sort_by_key(|m| m.pour.at);
    all
}

/// How a pour was found, in words.
pub fn found_by(pour: &PourRow) -> String {
    match pour.found_by {
        FoundBy::Switch => "stopper switch".to_owned(),
        FoundBy::Tap => "a tap".to_owned(),
        FoundBy::Trace => format!("the trace, {} sure", sure(pour.confidence)),
        FoundBy::Hand => "hand".to_owned(),
    }
}

/// How sure the detector is, as a share. No trace makes it quite certain, so rounding must not.
fn sure(confidence: f64) -> String {
    if confidence >= 0.995 {
        "over 99 %".to_owned()
    } else {
        wording::percent(confidence)
    }
}

impl Moment<'_> {
    /// Whether no metal left.
    pub fn is_struck(&self) -> bool {
        matches!(self.standing, Standing::Struck(_))
    }

    /// Its number as the charts mark it; a question mark where somebody should look.
    pub fn mark(&self) -> String {
        match self.standing {
            Standing::Struck(_) => "×".to_owned(),
            Standing::Doubtful => format!("{}?", self.pour.number),
            Standing::Sure | Standing::ByHand(_) => self.pour.number.to_string(),
        }
    }

    /// What it is called.
    pub fn name(&self) -> String {
        if self.is_struck() {
            "No pour".to_owned()
        } else {
            format!("Pour {}", self.pour.number)
        }
    }

    /// What the detector had found, where a person put something else in its place.
    pub fn found_instead(&self) -> Option<&PourRow> {
        match self.standing {
            Standing::ByHand(said) => said
                .found
                .as_ref()
                .filter(|f| f.at.seconds_since(self.pour.at).abs() > 1.0),
            _ => None,
        }
    }

    /// Who says so and what the detector had said, in a sentence or two.
    pub fn says(&self, shown: &ShownIn, zone: &TimeZone) -> String {
        let had = |found: &PourRow, with_time: bool| {
            let time = with_time.then(|| wording::clock_seconds(found.at, zone));
            let melt = found.pour_temperature_c.filter(|c| c.is_finite());
            let parts: Vec<String> = time
                .into_iter()
                .chain(melt.map(|c| shown.temperature(c).to_string()))
                .collect();
            let by = match found.found_by {
                FoundBy::Trace => format!("{} sure", sure(found.confidence)),
                _ => format!("by {}", found_by(found)),
            };
            format!("at {} ({by})", parts.join(", ")).replace("at  (", "(")
        };
        let since = |said: &ByHand| {
            let note = said
                .note
                .as_ref()
                .map(|n| format!(" Note: {}.", wording::isolated(n.trim_end_matches('.'))));
            (
                wording::day_and_time(said.said_at, zone),
                note.unwrap_or_default(),
            )
        };
        match self.standing {
            Standing::Sure => format!("Found by {}.", found_by(self.pour)),
            Standing::Doubtful => format!(
                "The trace cannot tell ({} sure): look, and say which is right.",
                wording::percent(self.pour.confidence)
            ),
            Standing::ByHand(said) => {
                let (when, note) = since(said);
                let was = match (&said.found, self.found_instead()) {
                    (_, Some(found)) => format!("the detector had it {}", had(found, true)),
                    (Some(found), None) => {
                        format!("the detector was right, {}", had(found, false))
                    }
                    (None, _) => "the detector had found no pour here".to_owned(),
                };
                format!("By hand, said {when}; {was}.{note}")
            }
            Standing::Struck(said) => {
                let (when, note) = since(said);
                format!(
                    "No metal left here: said by hand {when}. The detector had a pour here, {}.{note}",
                    had(self.pour, false)
                )
            }
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use analysis::pour::assemble::bare_pour;
    use analysis::units::Scheme;

    fn at(s: f64) -> Micros {
        Micros::parse_rfc3339("2026-11-18T10:00:00Z")
            .unwrap()
            .plus_seconds(s)
    }

    fn pour(s: f64, confidence: f64, found_by: FoundBy) -> PourRow {
        PourRow {
            pour_temperature_c: Some(968.0),
            confidence,
            ..bare_pour("s", "bench-1", at(s), found_by)
        }
    }

    fn said(to: Option<f64>, found: Option<PourRow>) -> ByHand {
        ByHand {
            at: to.map(at),
            found,
            said_at: at(86_400.0),
            note: None,
        }
    }

    #[test]
    fn each_pour_says_who_says_so_and_what_the_detector_had_said() {
        let trace = |s, c| pour(s, c, FoundBy::Trace);
        let by_hand = [
            said(Some(60.0), Some(trace(100.0, 0.42))),
            said(None, Some(trace(300.0, 0.42))),
            said(Some(400.0), None),
            said(Some(500.0), Some(trace(500.0, 0.42))),
        ];
        let pours = [
            trace(0.0, 0.97),
            pour(60.0, 1.0, FoundBy::Hand),
            trace(200.0, 0.42),
            pour(400.0, 1.0, FoundBy::Hand),
            pour(500.0, 1.0, FoundBy::Hand),
        ];
        let zone = TimeZone::get("Europe/Dublin").unwrap();
        let told: Vec<String> = moments(&pours, &by_hand)
            .iter()
            .map(|m| m.says(&ShownIn::from(Scheme::Metric), &zone))
            .collect();
        assert_eq!(
            told,
            [
                "Found by the trace, 97 % sure.",
                "By hand, said Thu 19 Nov, 10:00; the detector had it at 10:01:40, 968 °C (42 % sure).",
                "The trace cannot tell (42 % sure): look, and say which is right.",
                "No metal left here: said by hand Thu 19 Nov, 10:00. The detector had a pour here, \
                 at 968 °C (42 % sure).",
                "By hand, said Thu 19 Nov, 10:00; the detector had found no pour here.",
                "By hand, said Thu 19 Nov, 10:00; the detector was right, at 968 °C (42 % sure).",
            ]
        );
    }
}
