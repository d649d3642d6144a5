//! "Did the change help?": the rate before and after a day, with the fortnight before it left
//! out. A change is made when things are at their worst, and they would have got better by
//! themselves; leaving out the fortnight that triggered it takes most of that away, and nothing
//! takes away what else changed that day. So it answers with an interval and says so.

use serde::{Deserialize, Serialize};

use crate::evidence::{Question, outcome_words, percent_number, tallies};
use crate::flask::Flask;
use crate::stats::difference::{Difference, rate_difference};
use crate::stats::rate::{FEWEST_SESSIONS, Tally, Totals};
use crate::time::Micros;

/// What triggered a change is taken to lie within so many days before it.
pub const TRIGGER_DAYS: f64 = 14.0;

/// One side of a change.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Side {
    /// Counted flasks.
    pub flasks: usize,
    /// Their sessions.
    pub sessions: usize,
    /// Their pieces.
    pub pieces: u64,
    /// Pieces with the outcome; the most there can have been where it was not counted itself.
    pub defective: u64,
}

/// What can be said of a change.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Answer {
    /// Before it, without the fortnight.
    pub before: Side,
    /// From it on.
    pub after: Side,
    /// Rate after less rate before, with its 95 % interval; null with fewer than six sessions on
    /// a side. Where the outcome was not counted itself it spans both bounds.
    pub difference: Option<Difference>,
    /// The answer in words.
    pub sentence: String,
}

/// Sets the rate of the question's outcome before `at` against that from `at` on, among the
/// flasks that the question's alloy, section and time select (the caller's selection) and that
/// may steer. `what` names the change for the sentence, like `the new gasket`.
pub fn did_it_help(flasks: &[Flask], ask: &Question, at: Micros, what: &str) -> Answer {
    let dropped_from = at.plus_seconds(-TRIGGER_DAYS * 86_400.0);
    let side = |wanted: &dyn Fn(Micros) -> bool| -> (Totals, Totals) {
        let (fewest, most): (Vec<Tally>, Vec<Tally>) = flasks
            .iter()
            .filter(|f| f.set_aside.is_none() && wanted(f.cast_at))
            .filter(|f| ask.since.is_none_or(|since| f.cast_at >= since))
            .filter(|f| ask.until.is_none_or(|until| f.cast_at < until))
            .filter_map(|f| tallies(f, ask))
            .unzip();
        (Totals::of(&fewest), Totals::of(&most))
    };
    let before = side(&|cast| cast < dropped_from);
    let after = side(&|cast| cast >= at);
    let short = [("before", &before.1), ("after", &after.1)]
        .into_iter()
        .find(|(_, t)| t.sessions < FEWEST_SESSIONS);
    let difference = match short {
        Some(_) => None,
        None => between(&before, &after),
    };
    let sentence = match (short, difference) {
        (Some((when, side)), _) => format!(
            "Whether {what} helped cannot be said yet: {} counted {when} it, and \
             {FEWEST_SESSIONS} on each side are the least (the fortnight before it is left out).",
            match side.sessions {
                0 => "no session was".to_owned(),
                1 => "1 session was".to_owned(),
                n => format!("{n} sessions were"),
            }
        ),
        (None, Some(d)) => said(what, ask, &before.1, &after.1, d),
        (None, None) => format!("Whether {what} helped cannot be said: no pieces were counted."),
    };
    Answer {
        before: shown(&before.1),
        after: shown(&after.1),
        difference,
        sentence,
    }
}

/// The difference at the fewest and at the most pieces, their outer limits.
fn between(before: &(Totals, Totals), after: &(Totals, Totals)) -> Option<Difference> {
    let most = rate_difference(&before.1, &after.1, None)?;
    if before.0.events == before.1.events && after.0.events == after.1.events {
        return Some(most);
    }
    // Least after with most before, and the other way round.
    let low = rate_difference(&before.1, &after.0, None)?;
    let high = rate_difference(&before.0, &after.1, None)?;
    Some(Difference {
        estimate: most.estimate,
        low: low.low.min(most.low),
        high: high.high.max(most.high),
    })
}

fn shown(totals: &Totals) -> Side {
    Side {
        flasks: totals.flasks,
        sessions: totals.sessions,
        pieces: totals.pieces,
        defective: totals.events,
    }
}

fn said(what: &str, ask: &Question, before: &Totals, after: &Totals, d: Difference) -> String {
    let percent = |t: &Totals| percent_number(t.estimate().unwrap_or(f64::NAN));
    let points = |share: f64| {
        let points = (share * 100.0).abs();
        format!("{points:.1}")
    };
    // Zero inside: the interval reaches both ways.
    let reach = |share: f64| {
        format!(
            "{} points {}",
            points(share),
            if share < 0.0 { "fewer" } else { "more" }
        )
    };
    let verdict = if d.high < 0.0 {
        format!("{what} came with fewer")
    } else if d.low > 0.0 {
        format!("{what} came with more, not fewer")
    } else {
        format!("whether {what} helped cannot be told from this")
    };
    format!(
        "{} % of pieces had {} before and {} % after ({} and {} sessions, without the fortnight \
         before the change): {verdict} (95 % interval from {} to {}). Whatever else changed that \
         day is in it too.",
        percent(before),
        outcome_words(&ask.outcome),
        percent(after),
        before.sessions,
        after.sessions,
        reach(d.low),
        reach(d.high),
    )
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::watch::testing::flask;

    const WHAT: &str = "the new gasket";

    /// Two flasks a session, a session a day; `bad` says how many of each flask's 20 are.
    fn book(days: std::ops::Range<u32>, bad: impl Fn(u32) -> u32) -> Vec<Flask> {
        days.flat_map(|day| [(day, 2 * day), (day, 2 * day + 1)])
            .map(|(day, i)| flask(day, i, 20, bad(i)))
            .collect()
    }

    fn ask() -> Question {
        Question::default()
    }

    #[test]
    fn the_fortnight_that_triggered_it_is_left_out() {
        // 1 in 20 for 30 days, a dreadful fortnight, a change, and 1 in 20 again: no help.
        let mut flasks = book(0..30, |_| 1);
        flasks.extend(book(30..44, |_| 9));
        let at = flask(44, 88, 20, 0).cast_at;
        flasks.extend(book(44..70, |_| 1));
        let answer = did_it_help(&flasks, &ask(), at, WHAT);
        assert_eq!((answer.before.sessions, answer.after.sessions), (30, 26));
        let d = answer.difference.unwrap();
        assert!(d.low < 0.0 && d.high > 0.0);
        assert!(
            answer.sentence.contains("cannot be told"),
            "{}",
            answer.sentence
        );
    }

    #[test]
    fn a_change_that_helped_is_said_with_its_interval() {
        let mut flasks = book(0..40, |i| 2 + i % 3);
        let at = flask(54, 108, 20, 0).cast_at;
        flasks.extend(book(54..94, |i| i % 2));
        let answer = did_it_help(&flasks, &ask(), at, WHAT);
        let d = answer.difference.unwrap();
        assert!((d.estimate + 0.125).abs() < 0.01 && d.high < 0.0, "{d:?}");
        assert!(
            answer
                .sentence
                .contains("the new gasket came with fewer (95 % interval from "),
            "{}",
            answer.sentence
        );
        assert!(answer.sentence.contains("Whatever else changed"));
    }

    #[test]
    fn too_few_sessions_on_a_side_is_said() {
        let mut flasks = book(0..10, |_| 2);
        let at = flask(30, 60, 20, 0).cast_at;
        flasks.extend(book(30..33, |_| 0));
        let answer = did_it_help(&flasks, &ask(), at, WHAT);
        assert_eq!(answer.difference, None);
        assert_eq!(
            answer.sentence,
            "Whether the new gasket helped cannot be said yet: 3 sessions were counted after it, \
             and 6 on each side are the least (the fortnight before it is left out)."
        );
        let nothing = did_it_help(&[], &ask(), at, WHAT);
        assert!(
            nothing
                .sentence
                .contains("no session was counted before it")
        );
    }

    #[test]
    fn what_was_not_counted_itself_widens_the_answer() {
        let plain = book(0..80, |i| i % 3);
        let at = flask(50, 100, 20, 0).cast_at;
        let loose: Vec<Flask> = plain
            .iter()
            .cloned()
            .map(|mut f| {
                f.defective_steering = None;
                f.defective = f.defective.map(|d| d + 1);
                let some = f.defective.unwrap() - 1;
                f.kinds.insert("no-fill".to_owned(), some);
                f
            })
            .collect();
        let sure = did_it_help(&plain, &ask(), at, WHAT).difference.unwrap();
        let loose = did_it_help(&loose, &ask(), at, WHAT).difference.unwrap();
        assert!(loose.low < sure.low && loose.high > sure.high);
    }
}
