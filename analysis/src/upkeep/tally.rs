//! One session's upkeep, reading by reading: cover gas let out (with what a silent sensor leaves
//! unsure) and the time that graphite was hot without cover. Event time only, in the order of
//! the feed; what spans sessions is [`super::ages`].

use std::collections::VecDeque;

use super::row::CoursePoint;
use crate::time::Micros;

/// Graphite burns in air from here on, °C: onset about 400–450 °C, and by 500 °C the rate has
/// risen about forty times over that at 400 °C (Luo, Robin and Yu, Nucl. Eng. Des. 227 (2004)
/// 273, from its abstract: 158.6 kJ/mol between 400 and 600 °C). "Hot and bare above 500 °C" as
/// the measure of wear is common practice.
pub const BURNS_FROM_C: f64 = 500.0;
/// Least cover gas while nothing else is configured, L/min. Small closed furnaces are covered
/// with 1–5 L/min (common practice).
pub const LEAST_GAS_L_MIN: f64 = 1.0;
/// A flow reading older than this, s, says nothing of the flow now.
const GAS_REACH_S: f64 = 120.0;
/// A melt reading stands for no longer than this, s.
const MELT_REACH_S: f64 = 60.0;
/// Running totals are kept every so often, s: a part changed between two is reckoned straight
/// between them.
const KEEP_EVERY_S: f64 = 600.0;
/// How long the totals of every second are remembered, s: a pour is measured up to 45 s after.
const RECENT_S: f64 = 240.0;

/// Running totals of a session.
#[derive(Clone, Debug)]
pub struct Tally {
    gas_least_l_min: f64,
    gas: Option<(Micros, f64)>,
    melt: Option<(Micros, f64)>,
    first: Option<Micros>,
    now: CoursePoint,
    course: Vec<CoursePoint>,
    recent: VecDeque<CoursePoint>,
}

impl Tally {
    /// A tally that has heard nothing; less gas than this is no cover, L/min.
    pub fn new(gas_least_l_min: f64) -> Tally {
        Tally {
            gas_least_l_min,
            gas: None,
            melt: None,
            first: None,
            now: CoursePoint {
                at: Micros(i64::MIN),
                gas_used_l: None,
                gas_unsure_l: 0.0,
                bare_hot_s: None,
                unwatched_hot_s: 0.0,
            },
            course: Vec::new(),
            recent: VecDeque::new(),
        }
    }

    /// Takes in a reading of the cover gas, L/min.
    pub fn hear_gas(&mut self, at: Micros, l_min: f64) {
        let flow = l_min.max(0.0);
        match self.gas {
            Some((before, was)) => {
                let gap_s = at.seconds_since(before);
                let used = f64::midpoint(was, flow) * gap_s / 60.0;
                let total = self.now.gas_used_l.get_or_insert(0.0);
                *total += used;
                if gap_s > GAS_REACH_S {
                    // Anything between none and the greater of the two.
                    let most = was.max(flow) * gap_s / 60.0;
                    self.now.gas_unsure_l += used.max(most - used);
                }
            }
            None => self.now.gas_used_l = Some(0.0),
        }
        self.gas = Some((at, flow));
        self.now.bare_hot_s.get_or_insert(0.0);
        self.keep(at);
    }

    /// Takes in a reading of the melt, °C.
    pub fn hear_melt(&mut self, at: Micros, celsius: f64) {
        if let Some((before, was)) = self.melt {
            let span_s = at.seconds_since(before).clamp(0.0, MELT_REACH_S);
            if f64::midpoint(was, celsius) >= BURNS_FROM_C {
                match self.gas {
                    Some((heard, flow)) if at.seconds_since(heard) <= GAS_REACH_S => {
                        if flow < self.gas_least_l_min {
                            *self.now.bare_hot_s.get_or_insert(0.0) += span_s;
                        }
                    }
                    _ => self.now.unwatched_hot_s += span_s,
                }
            }
        }
        self.melt = Some((at, celsius));
        self.keep(at);
    }

    fn keep(&mut self, at: Micros) {
        self.now.at = self.now.at.max(at);
        self.first.get_or_insert(at);
        let due = |last: Option<&CoursePoint>, every_s: f64| {
            last.is_none_or(|p| at.seconds_since(p.at) >= every_s)
        };
        if due(self.recent.back(), 1.0) {
            self.recent.push_back(self.now);
            while self
                .recent
                .front()
                .is_some_and(|p| at.seconds_since(p.at) > RECENT_S)
            {
                self.recent.pop_front();
            }
        }
        if due(self.course.last(), KEEP_EVERY_S) {
            keep_point(&mut self.course, self.now);
        }
    }

    /// The totals at a moment of the last four minutes; earlier ones as of four minutes ago.
    pub fn at(&self, at: Micros) -> CoursePoint {
        let after = self.recent.partition_point(|p| p.at <= at);
        match (
            after.checked_sub(1).and_then(|i| self.recent.get(i)),
            self.recent.get(after),
        ) {
            (Some(a), Some(b)) => CoursePoint::between(a, b, at),
            (Some(a), None) => CoursePoint::between(a, &self.now, at),
            (None, Some(b)) => CoursePoint { at, ..*b },
            (None, None) => CoursePoint { at, ..self.now },
        }
    }

    /// The course until now; none if neither gas nor melt was heard.
    pub fn course(&self) -> Option<(Micros, Vec<CoursePoint>)> {
        let first = self.first?;
        let mut course = self.course.clone();
        if course.last().is_none_or(|p| p.at < self.now.at) {
            keep_point(&mut course, self.now);
        }
        Some((first, course))
    }

    /// Whether the gas gave cover at the last reading; none when that is not known.
    pub fn covered(&self, at: Micros) -> Option<bool> {
        self.gas
            .filter(|(heard, _)| at.seconds_since(*heard) <= GAS_REACH_S)
            .map(|(_, flow)| flow >= self.gas_least_l_min)
    }
}

/// Of points that are all alike, the first and the last say it all.
fn keep_point(course: &mut Vec<CoursePoint>, point: CoursePoint) {
    let same = |p: &CoursePoint| CoursePoint { at: point.at, ..*p } == point;
    if let [.., before, last] = course.as_mut_slice()
        && same(before)
        && same(last)
    {
        last.at = point.at;
    } else {
        course.push(point);
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn at(s: f64) -> Micros {
        Micros(1_795_000_000_000_000).plus_seconds(s)
    }

    fn hour(flow: impl Fn(f64) -> Option<f64>, melt: impl Fn(f64) -> f64) -> Tally {
        let mut tally = Tally::new(LEAST_GAS_L_MIN);
        for s in 0..=3600 {
            let s = f64::from(s);
            if let Some(l_min) = flow(s) {
                tally.hear_gas(at(s), l_min);
            }
            tally.hear_melt(at(s), melt(s));
        }
        tally
    }

    #[test]
    fn an_hour_at_three_litres_a_minute_lets_out_180_litres() {
        let end = hour(|_| Some(3.0), |_| 960.0).at(at(3600.0));
        assert!((end.gas_used_l.unwrap() - 180.0).abs() < 1e-9);
        assert_eq!(end.gas_unsure_l, 0.0);
        assert_eq!(end.bare_hot_s, Some(0.0));
    }

    /// The sensor is silent for ten minutes: anything from none to 30 L may have gone out.
    #[test]
    fn a_silent_gas_sensor_leaves_what_it_did_not_see_unsure_and_bounded() {
        let end = hour(
            |s| (!(600.0..1200.0).contains(&s)).then_some(3.0),
            |_| 960.0,
        )
        .at(at(3600.0));
        let (used, unsure) = (end.gas_used_l.unwrap(), end.gas_unsure_l);
        assert!((used - 180.0).abs() < 1e-9, "{used}");
        let silent_l = 601.0 / 60.0 * 3.0;
        assert!((unsure - silent_l).abs() < 1e-6, "{unsure}");
        // 600 s less the two minutes for which the last reading still stands.
        assert!((end.unwatched_hot_s - 480.0).abs() <= 2.0, "{end:?}");
    }

    #[test]
    fn graphite_is_bare_only_while_it_is_hot_and_the_gas_is_low() {
        let cold = hour(|_| Some(0.2), |_| 480.0).at(at(3600.0));
        assert_eq!(cold.bare_hot_s, Some(0.0));
        let lost = hour(
            |s| Some(if s < 3000.0 { 3.0 } else { 0.4 }),
            |s| if s < 3300.0 { 960.0 } else { 400.0 },
        )
        .at(at(3600.0));
        assert!((lost.bare_hot_s.unwrap() - 300.0).abs() <= 2.0, "{lost:?}");
    }

    #[test]
    fn without_a_gas_sensor_nothing_is_said_of_gas_or_bare_graphite() {
        let end = hour(|_| None, |_| 960.0).at(at(3600.0));
        assert_eq!((end.gas_used_l, end.bare_hot_s), (None, None));
        assert!((end.unwatched_hot_s - 3600.0).abs() < 1e-6);
    }

    #[test]
    fn the_course_is_short_and_ends_with_the_last_reading() {
        let tally = hour(|s| Some(if s < 1800.0 { 0.0 } else { 3.0 }), |_| 20.0);
        let (first, course) = tally.course().unwrap();
        assert_eq!(first, at(0.0));
        assert!(course.len() <= 7, "{}", course.len());
        assert_eq!(course.last().unwrap().at, at(3600.0));
        assert!((course.last().unwrap().gas_used_l.unwrap() - 90.0).abs() < 0.1);
        assert!(Tally::new(1.0).course().is_none());
    }

    #[test]
    fn a_moment_between_readings_has_its_share() {
        let tally = hour(|_| Some(6.0), |_| 960.0);
        let was = tally.at(at(3540.5)).gas_used_l.unwrap();
        assert!((was - 354.05).abs() < 1e-6, "{was}");
    }
}
