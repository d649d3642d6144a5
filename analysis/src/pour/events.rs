//! What the detector tells, and the figures of the moment for a page at the machine.

use super::found::PourFound;
use super::history::Reading;
use super::pull::PullFound;
use super::rows::Verdict;
use crate::probe::ArrestFound;
use crate::stage::Stage;
use crate::time::Micros;
use crate::upkeep::CoursePoint;

/// Something became certain.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// The melt entered a stage.
    StageChanged {
        /// Since when.
        at: Micros,
        /// Which.
        stage: Stage,
    },
    /// The vacuum came on.
    PullOpened {
        /// When.
        at: Micros,
    },
    /// A verdict on the pull under way: the first within 5 s of its opening, again whenever it
    /// changes.
    PullJudged {
        /// The pull, by its opening.
        opened_at: Micros,
        /// As of when.
        at: Micros,
        /// What it is worth so far.
        verdict: Verdict,
        /// Deepest second so far over what the sensor reads at rest, kPa below ambient.
        depth_kpa: Option<f64>,
        /// Where the pull seems to be heading, kPa below ambient; none if it does not move.
        settles_at_kpa: Option<f64>,
        /// What is usual on this machine for this flask, kPa below ambient.
        usual_kpa: Option<f64>,
    },
    /// The vacuum went off. Its measures follow as [`Event::PullFound`], at most a minute of
    /// event time later, once the leak-up has been watched.
    PullClosed {
        /// The pull, by its opening.
        opened_at: Micros,
        /// When.
        at: Micros,
    },
    /// A pull is over and measured.
    PullFound(Box<PullFound>),
    /// Metal left, and is measured: 12 to 45 s after it happened, or up to four minutes where only
    /// what follows can tell; where nothing tells of pulls, eight minutes to a quarter of an hour.
    Poured(Box<PourFound>),
    /// Cover gas has stayed under its least while metal needs it: while it is charged, melts, is
    /// molten, or waits in a pull.
    GasLow {
        /// As of when.
        at: Micros,
        /// Since when it has been low.
        since: Micros,
        /// What flows, L/min.
        flow_l_min: f64,
        /// What flowed before, L/min; none if it never reached its least.
        usual_l_min: Option<f64>,
        /// Less than this is no cover, L/min.
        least_l_min: f64,
        /// The stage.
        stage: Stage,
    },
    /// What [`Event::GasLow`] told is over.
    GasLowOver {
        /// Since when.
        at: Micros,
        /// What flows again, L/min; none if nothing is left that needs cover.
        flow_l_min: Option<f64>,
    },
    /// A turn of the melt was looked at and what speaks for a pour there was weighed. For those
    /// who measure or tune detection; it is no answer.
    Weighed(Box<Weighed>),
    /// The trace is over: what the session did to the bench, from its first reading of melt or
    /// gas on, as a course of running totals.
    Upkeep {
        /// The first reading.
        from: Micros,
        /// The course.
        course: Vec<CoursePoint>,
    },
    /// The trace is over: a freeze or a melting in it.
    Arrested(Box<ArrestFound>),
}

/// The figures of the moment.
#[derive(Clone, Debug, PartialEq)]
pub struct Now {
    /// Event time of the newest sample.
    pub at: Option<Micros>,
    /// The stage.
    pub stage: Stage,
    /// Newest believed melt reading, °C.
    pub melt_c: Option<Reading>,
    /// Newest vacuum as the sensor reads it, kPa below ambient: its zero is not taken off.
    pub vacuum_kpa: Option<Reading>,
    /// The same as a share of what the day's air allows, 0–1.
    pub vacuum_share: Option<f64>,
    /// Newest cover gas, L/min.
    pub gas_flow_l_min: Option<Reading>,
    /// Newest kiln reading, °C: the first kiln's that is heard.
    pub kiln_c: Option<Reading>,
    /// The melt probe seems to be out of the metal.
    pub probe_out: bool,
    /// When cold metal last went in.
    pub charge_at: Option<Micros>,
    /// The pull under way.
    pub pull: Option<OpenPull>,
    /// The last pour.
    pub last_pour: Option<Micros>,
}

/// A pull under way.
#[derive(Clone, Debug, PartialEq)]
pub struct OpenPull {
    /// When the vacuum came on.
    pub opened_at: Micros,
    /// Deepest second so far, kPa below ambient.
    pub depth_kpa: Option<f64>,
    /// Its verdict, once it is 5 s old.
    pub verdict: Option<Verdict>,
    /// Whether metal has been poured into it.
    pub poured: bool,
}

/// A turn of the melt and what speaks for a pour there.
#[derive(Clone, Debug, PartialEq)]
pub struct Weighed {
    /// When it was.
    pub at: Micros,
    /// The signs, in the order of [`Weighed::SIGNS`].
    pub signs: Vec<f64>,
    /// How likely it is that metal left, 0–1.
    pub confidence: f64,
    /// Whether it was told as a pour.
    pub poured: bool,
}

impl Weighed {
    /// The names of the signs.
    pub const SIGNS: &[&str] = &super::confidence::NAMES;
}
