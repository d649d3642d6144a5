//! When a flask left the kiln and how hot the kiln was then: from a tap as it came out, from its
//! card, from the door, or from several of them, which need not agree.

use super::course::KilnRow;
use super::door::DoorOpening;
use crate::time::Micros;

/// A card is written to the minute, and the hand that writes it is busy: a door opened within
/// this of the card's time is the same opening, s.
const SAME_S: f64 = 90.0;
/// A door that opened longer before the pour than this did not give this flask, unless a card
/// says so, s.
const DOOR_REACH_S: f64 = 15.0 * 60.0;
/// A card's time may be after the pour by what rounding to the minute does, s,
const CARD_AFTER_S: f64 = 60.0;
/// and before it by no more than this, s; a longer time is a wrong entry.
const CARD_BEFORE_S: f64 = 3600.0;
/// The first reading of a kiln that is read every minute or so comes this late, s.
const HEARD_S: f64 = 300.0;

/// A flask's way out of the kiln.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Withdrawal {
    /// When it left.
    pub at: Micros,
    /// The kiln, by its number among the session's, if that is known.
    pub number: Option<u32>,
    /// What the kiln read then, °C.
    pub kiln_c: Option<f64>,
    /// The door opened before this pour, and not when the card says.
    pub disagrees: bool,
}

/// When a flask left the kiln, as somebody says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Told {
    /// A tap as it came out: that moment.
    Tapped(Micros),
    /// Written on its card, to the minute or so.
    Written(Micros),
}

impl Told {
    /// The time that is said.
    pub fn at(self) -> Micros {
        match self {
            Told::Tapped(at) | Told::Written(at) => at,
        }
    }
}

/// When the flask poured at `poured` was taken out of its kiln. `number` is the kiln if the card
/// says it, `told` what somebody said. A tap wins over the door: it is about this very flask.
/// Where the card and a door fall together, the door says the second; where the door opened at
/// another time, the door is believed and the card said to disagree; where the kiln was not
/// heard, the card stands alone.
///
/// None if nothing tells.
pub fn withdrawal(
    kilns: &[KilnRow],
    number: Option<u32>,
    told: Option<Told>,
    poured: Micros,
) -> Option<Withdrawal> {
    let told = told
        .filter(|told| (-CARD_AFTER_S..=CARD_BEFORE_S).contains(&poured.seconds_since(told.at())));
    let candidates = || {
        kilns
            .iter()
            .filter(move |k| number.is_none_or(|n| k.number == n))
    };
    let openings = || {
        candidates()
            .flat_map(|k| k.doors.iter().map(move |d| (k, d)))
            .filter(|(_, d)| d.opened_at <= poured)
    };
    let by_door = |kiln: &KilnRow, door: &DoorOpening, disagrees| Withdrawal {
        at: door.opened_at,
        number: Some(kiln.number),
        kiln_c: door.before_c.or_else(|| kiln.at(door.opened_at)),
        disagrees,
    };
    let last = openings()
        .filter(|(_, d)| poured.seconds_since(d.opened_at) <= DOOR_REACH_S)
        .max_by_key(|(_, d)| d.opened_at);
    let Some(told) = told else {
        return last.map(|(kiln, door)| by_door(kiln, door, false));
    };
    let written = told.at();
    let away = |d: &DoorOpening| d.opened_at.seconds_since(written).abs();
    let near = openings()
        .filter(|(_, d)| away(d) <= SAME_S)
        .min_by(|a, b| away(a.1).total_cmp(&away(b.1)));
    if let Some((kiln, door)) = near {
        let found = by_door(kiln, door, false);
        return Some(match told {
            Told::Written(_) => found,
            // The air before the door was open is what the flask has, not the dip after it.
            Told::Tapped(at) => Withdrawal {
                at: at.min(poured),
                ..found
            },
        });
    }
    let heard = |kiln: &KilnRow, at: Micros| {
        [0.0, -HEARD_S, HEARD_S]
            .into_iter()
            .find_map(|s| kiln.at(at.plus_seconds(s)))
    };
    let contradicted = last
        .filter(|_| matches!(told, Told::Written(_)))
        .filter(|(kiln, _)| heard(kiln, written).is_some());
    if let Some((kiln, door)) = contradicted {
        return Some(by_door(kiln, door, true));
    }
    let kiln = candidates().find(|k| heard(k, written).is_some());
    Some(Withdrawal {
        at: written.min(poured),
        number: number.or(kiln.map(|k| k.number)),
        kiln_c: kiln.and_then(|k| heard(k, written)),
        disagrees: false,
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::burnout::door::DoorFoundBy;

    fn at(s: f64) -> Micros {
        Micros(1_795_000_000_000_000).plus_seconds(s)
    }

    /// A kiln at 555 °C from an hour before, whose door was opened at these seconds.
    fn kiln(number: u32, doors: &[f64]) -> KilnRow {
        KilnRow {
            number,
            from_at: at(-3600.0),
            course: vec![(0, Some(555.0)), (7200, Some(555.0))],
            doors: doors
                .iter()
                .map(|s| DoorOpening {
                    opened_at: at(*s),
                    closed_at: Some(at(s + 20.0)),
                    recovered_at: None,
                    before_c: Some(553.0),
                    lowest_c: Some(470.0),
                    found_by: DoorFoundBy::Trace,
                })
                .collect(),
        }
    }

    #[test]
    fn a_card_to_the_minute_and_a_door_to_the_second_make_one_withdrawal() {
        let got = withdrawal(
            &[kiln(1, &[17.0, 500.0])],
            Some(1),
            Some(Told::Written(at(60.0))),
            at(110.0),
        )
        .unwrap();
        assert_eq!((got.at, got.disagrees), (at(17.0), false));
        assert_eq!(got.kiln_c, Some(553.0));
    }

    #[test]
    fn a_door_at_another_time_than_the_card_says_is_believed_and_said() {
        let got = withdrawal(
            &[kiln(1, &[17.0])],
            Some(1),
            Some(Told::Written(at(-600.0))),
            at(110.0),
        )
        .unwrap();
        assert_eq!((got.at, got.disagrees), (at(17.0), true));
    }

    #[test]
    fn without_a_kiln_sensor_the_card_stands_alone() {
        let got = withdrawal(&[], None, Some(Told::Written(at(0.0))), at(110.0)).unwrap();
        assert_eq!((got.at, got.kiln_c, got.disagrees), (at(0.0), None, false));
        // Heard, but no door seen: a switchless kiln that hardly dips.
        let got = withdrawal(
            &[kiln(1, &[])],
            Some(1),
            Some(Told::Written(at(0.0))),
            at(110.0),
        )
        .unwrap();
        assert_eq!(
            (got.at, got.kiln_c, got.disagrees),
            (at(0.0), Some(555.0), false)
        );
        // Written a whole day early by a slip of the pen.
        let slip = Some(Told::Written(at(-86_400.0)));
        assert_eq!(withdrawal(&[], None, slip, at(110.0)), None);
    }

    /// Two flasks came out in one opening and the second waited on the bench; a neighbour's door
    /// opened in between. The tap is about this flask.
    #[test]
    fn a_tap_wins_over_the_door_and_takes_the_air_before_it() {
        let tapped = |s: f64| Some(Told::Tapped(at(s)));
        let got = withdrawal(&[kiln(1, &[17.0])], Some(1), tapped(25.0), at(110.0)).unwrap();
        assert_eq!((got.at, got.kiln_c), (at(25.0), Some(553.0)));
        let got = withdrawal(&[kiln(1, &[17.0])], Some(1), tapped(-200.0), at(110.0)).unwrap();
        assert_eq!((got.at, got.disagrees), (at(-200.0), false));
        assert_eq!(got.kiln_c, Some(555.0));
    }

    #[test]
    fn without_a_card_the_door_that_opened_last_gave_the_flask() {
        let kilns = [kiln(1, &[-400.0]), kiln(2, &[20.0, 300.0])];
        let got = withdrawal(&kilns, None, None, at(110.0)).unwrap();
        assert_eq!((got.at, got.number), (at(20.0), Some(2)));
        // A door of an hour ago gave another flask.
        assert_eq!(
            withdrawal(&[kiln(1, &[-3000.0])], None, None, at(110.0)),
            None
        );
        // The card says which kiln, whatever the other's door did.
        let got = withdrawal(&kilns, Some(1), None, at(110.0)).unwrap();
        assert_eq!(got.at, at(-400.0));
    }
}
