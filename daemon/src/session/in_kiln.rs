//! A flask's own time in its kiln, put together from its card, its load and the kiln's course:
//! when it came out, how hot the kiln was then, and how long it had really soaked.

use std::collections::BTreeMap;
use std::sync::Arc;

use analysis::burnout::soak::held;
use analysis::burnout::{KilnRow, withdrawal};
use analysis::pour::rows::quality;
use analysis::pour::{PourRow, Row};
use analysis::time::Micros;

use crate::records::card::FlaskCard;
use crate::records::{Records, Result};

/// The kilns that a session heard.
#[derive(Debug, Default)]
pub(super) struct SessionKilns {
    /// Their names, in the order that numbers them in the trace.
    names: Vec<Arc<str>>,
    courses: Vec<KilnRow>,
}

/// What a flask's time in the kiln brings to its pour.
#[derive(Debug, Default)]
pub(super) struct InKiln {
    pub out_at: Option<Micros>,
    pub kiln_c: Option<f64>,
    pub soak_min: Option<f64>,
    pub quality: Vec<&'static str>,
}

/// The kilns of all sessions that opened from `since` on, by the sessions' names.
pub(super) fn kilns_since(
    records: &Records,
    since: Micros,
) -> Result<BTreeMap<String, SessionKilns>> {
    let mut kilns = BTreeMap::new();
    for session in records.sessions(Some(since), None)? {
        let names = records.kilns_of_session(session.id)?;
        let heard = SessionKilns {
            names: names.iter().map(|k| k.as_str().into()).collect(),
            courses: records.kiln_courses(session.id)?,
        };
        kilns.insert(session.name, heard);
    }
    Ok(kilns)
}

/// Notes with each pour which door opening gave its flask, for those that no card is matched to.
pub(super) fn note_doors(rows: &mut [Row], kilns: &BTreeMap<String, SessionKilns>) {
    for row in rows {
        let Row::Pour(pour) = row else { continue };
        let Some(heard) = kilns.get(&pour.session) else {
            continue;
        };
        let Some(left) = withdrawal(&heard.courses, None, None, pour.at) else {
            continue;
        };
        pour.transfer_s = Some(pour.at.seconds_since(left.at));
        if left.kiln_c.is_some() {
            pour.kiln_temperature_c = left.kiln_c;
            pour.quality.retain(|w| w != quality::NO_KILN_READING);
        }
    }
}

/// What a card's flask went through before the pour that it is matched to. Without a kiln that
/// was heard, the card's time stands and no soak is claimed.
///
/// # Errors
/// When the records fail.
pub(super) fn in_kiln(
    records: &Records,
    card: &FlaskCard,
    pour: &PourRow,
    heard: Option<&SessionKilns>,
) -> Result<InKiln> {
    let none = SessionKilns::default();
    let heard = heard.unwrap_or(&none);
    let number = card.kiln.as_deref().and_then(|kiln| {
        let at = heard.names.iter().position(|name| **name == *kiln)?;
        u32::try_from(at + 1).ok()
    });
    if card.kiln.is_some() && number.is_none() {
        // A kiln that this machine does not hear: another's door says nothing about it.
        return Ok(InKiln {
            out_at: card.kiln_out_at,
            ..InKiln::default()
        });
    }
    let Some(left) = withdrawal(&heard.courses, number, card.out_of_kiln(), pour.at) else {
        return Ok(InKiln {
            out_at: card.kiln_out_at,
            ..InKiln::default()
        });
    };
    let mut found = InKiln {
        out_at: Some(left.at),
        kiln_c: left.kiln_c,
        ..InKiln::default()
    };
    if left.disagrees {
        found.quality.push(quality::KILN_DOOR_DISAGREES);
    }
    let course = heard
        .courses
        .iter()
        .find(|k| left.number.is_some_and(|n| k.number == n));
    let (Some(course), Some(set_c)) = (course, card.kiln_set_c) else {
        return Ok(found);
    };
    let into = match (card.kiln_in_at, &card.kiln, &card.load) {
        (Some(at), ..) => Some(at),
        (None, Some(kiln), Some(load)) => records.load_in_at(kiln, load, card.day)?,
        _ => None,
    };
    // A flask cannot come out before it went in; one of the two is a slip.
    let into = into.filter(|at| *at <= left.at);
    if let Some(soak) = held(course, set_c, into, left.at) {
        found.soak_min = Some(soak.within_min);
        let meant = match card.soak_min {
            Some(min) => Some(min),
            None => target_soak_min(records, card, pour.at)?,
        };
        if meant.is_some_and(|min| soak.is_short_of(min)) {
            found.quality.push(quality::SHORT_SOAK);
        }
    }
    Ok(found)
}

/// The soak that the target in force asks for, min; one for the section goes before one for all.
fn target_soak_min(records: &Records, card: &FlaskCard, at: Micros) -> Result<Option<f64>> {
    let targets = records.targets()?;
    let newest = |section: &str| {
        targets
            .iter()
            .filter(|t| {
                card.alloy.as_deref() == Some(t.target.alloy.as_str())
                    && t.target.section == section
                    && t.from <= at
            })
            .max_by_key(|t| t.from)
            .and_then(|t| t.target.soak_min)
    };
    Ok(card.section().and_then(newest).or_else(|| newest("")))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use analysis::pour::FoundBy;
    use analysis::pour::assemble::bare_pour;
    use jiff::civil::date;

    use super::*;
    use crate::records::book::test_setup;
    use crate::records::words::AddedBy;

    fn at(min: f64) -> Micros {
        Micros::parse_rfc3339("2026-11-18T12:00:00Z")
            .unwrap()
            .plus_seconds(60.0 * min)
    }

    fn records() -> Records {
        let mut records = Records::in_memory(&test_setup()).unwrap();
        records
            .add_kiln("kiln-1", None, AddedBy::Configuration, at(0.0))
            .unwrap();
        records
    }

    /// A kiln at 730 °C that reached 555 °C 90 min before noon and stayed there.
    fn kilns() -> SessionKilns {
        SessionKilns {
            names: vec!["kiln-1".into()],
            courses: vec![KilnRow {
                number: 1,
                from_at: at(-300.0),
                course: vec![
                    (0, Some(730.0)),
                    (210 * 60, Some(555.0)),
                    (36_000, Some(555.0)),
                ],
                doors: Vec::new(),
            }],
        }
    }

    fn card() -> FlaskCard {
        let mut card = FlaskCard::new("7", date(2026, 11, 18));
        card.kiln = Some("kiln-1".into());
        card.kiln_out_at = Some(at(0.0));
        card.kiln_set_c = Some(555.0);
        card
    }

    fn pour() -> PourRow {
        bare_pour("s", "bench-1", at(1.5), FoundBy::Trace)
    }

    #[test]
    fn a_soak_shorter_than_the_card_asks_is_flagged() {
        let records = records();
        for (asked, short) in [(Some(150.0), true), (Some(95.0), false), (None, false)] {
            let mut card = card();
            card.soak_min = asked;
            let got = in_kiln(&records, &card, &pour(), Some(&kilns())).unwrap();
            // 10 K of the way down at 0.83 K a minute are within the band: 12 min more.
            assert!((got.soak_min.unwrap() - 102.0).abs() < 1.0, "{got:?}");
            assert_eq!(
                got.quality.contains(&quality::SHORT_SOAK),
                short,
                "{asked:?}"
            );
        }
    }

    #[test]
    fn a_flask_of_a_load_went_in_with_its_load() {
        let mut records = records();
        let mut first = FlaskCard::new("1", date(2026, 11, 18));
        first.kiln = Some("kiln-1".into());
        first.load = Some("noon".into());
        first.kiln_in_at = Some(at(-40.0));
        records.add_flask(&first, at(0.0)).unwrap();
        let mut card = card();
        card.load = Some("noon".into());
        let got = in_kiln(&records, &card, &pour(), Some(&kilns())).unwrap();
        assert!((got.soak_min.unwrap() - 40.0).abs() < 0.1, "{got:?}");
    }

    #[test]
    fn a_soak_that_nobody_saw_is_not_claimed() {
        let records = records();
        let mut card = card();
        card.soak_min = Some(150.0);
        let got = in_kiln(&records, &card, &pour(), None).unwrap();
        assert_eq!((got.out_at, got.soak_min), (Some(at(0.0)), None));
        // Another machine's kiln.
        card.kiln = Some("kiln-2".into());
        let got = in_kiln(&records, &card, &pour(), Some(&kilns())).unwrap();
        assert_eq!((got.soak_min, got.kiln_c), (None, None));
    }
}
