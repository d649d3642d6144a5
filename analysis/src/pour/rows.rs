//! The rows that `pours --json` and `extract --json` print: one object per line, keys with the
//! unit in the name, times RFC 3339 UTC with milliseconds, absent values null, never NaN.
//! Other programs rely on these shapes; a change is a change of the interface.

use serde::{Deserialize, Serialize};

use crate::burnout::SessionKiln;
use crate::time::Micros;
use crate::upkeep::{PartsAtPour, UpkeepRow};

/// How a pour was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum FoundBy {
    /// The stopper's own switch.
    Switch,
    /// A tap on the page at the moment of pouring.
    Tap,
    /// Inferred from the trace.
    Trace,
    /// Entered or corrected afterwards by a person.
    Hand,
}

/// Where a pour's flask temperature comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum FlaskTemperatureFrom {
    /// A thermocouple in the flask.
    Measured,
    /// Cooled from the kiln's temperature over the transfer time.
    Cooled,
    /// What the card says.
    Card,
}

/// What a pull was worth.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// As deep as this machine's good pulls.
    Good,
    /// Short of them.
    Weak,
    /// The valve opened and nothing pulled.
    Missing,
    /// The sensor cannot tell.
    Unknown,
}

/// One pour, measured.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename = "pour")]
pub struct PourRow {
    /// The session's name.
    pub session: String,
    /// The machine's name.
    pub machine: String,
    /// Its number within the session, from 1, in order of time.
    pub number: u32,
    /// When the metal left.
    pub at: Micros,
    /// How sure that this was a pour, 0–1.
    pub confidence: f64,
    /// How it was found.
    pub found_by: FoundBy,
    /// The flask card it is matched to: the card's id.
    pub flask: Option<String>,
    /// Melt temperature at the pour, °C.
    pub pour_temperature_c: Option<f64>,
    /// The target then in force, °C.
    pub target_c: Option<f64>,
    /// Pour temperature over the alloy's liquidus, K.
    pub superheat_k: Option<f64>,
    /// Slope of the melt temperature over the last 30 s before, K/s.
    pub heating_rate_k_s: Option<f64>,
    /// Highest melt temperature between the last charge and the pour, °C.
    pub peak_melt_c: Option<f64>,
    /// Time above the liquidus (above 893 °C while the alloy is unknown) before the pour, s.
    pub time_molten_s: Option<f64>,
    /// Time since cold metal went in, s.
    pub since_charge_s: Option<f64>,
    /// Vacuum at the pour, kPa below ambient.
    pub vacuum_kpa: Option<f64>,
    /// The same as a share of what the day's air allowed, 0–1.
    pub vacuum_share: Option<f64>,
    /// From the start of the pull to the pour, s.
    pub vacuum_lead_s: Option<f64>,
    /// Vacuum 10 s after the pour, kPa below ambient.
    pub vacuum_after_kpa: Option<f64>,
    /// Mean cover gas in the 2 min before, L/min.
    pub gas_flow_l_min: Option<f64>,
    /// Least cover gas in the 2 min before, L/min.
    pub gas_flow_least_l_min: Option<f64>,
    /// Kiln temperature as the flask was taken out, or at the pour while that is unknown, °C.
    pub kiln_temperature_c: Option<f64>,
    /// Soak actually held, min.
    pub soak_min: Option<f64>,
    /// From the kiln to the pour, s.
    pub transfer_s: Option<f64>,
    /// Flask temperature at the pour, °C.
    pub flask_temperature_c: Option<f64>,
    /// Its standard uncertainty, K.
    pub flask_temperature_sd_k: Option<f64>,
    /// Where it comes from.
    pub flask_temperature_from: Option<FlaskTemperatureFrom>,
    /// Pours since the gasket was changed.
    pub seal_age_pours: Option<u32>,
    /// What was off, in the fixed words of [`quality`].
    pub quality: Vec<String>,
    /// What sets the pour aside from tuning: the codes of [`crate::upkeep::Fault`], gravest
    /// first; empty if nothing does.
    #[serde(default)]
    pub faults: Vec<String>,
    /// How worn the bench was.
    #[serde(flatten)]
    pub parts: PartsAtPour,
}

/// One spell of vacuum, measured.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename = "pull")]
pub struct PullRow {
    /// The session's name.
    pub session: String,
    /// The machine's name.
    pub machine: String,
    /// When the vacuum came on.
    pub opened_at: Micros,
    /// When it went off; null if the trace ends first.
    pub closed_at: Option<Micros>,
    /// Deepest reading (median of 1 s) over what the sensor reads at rest, kPa below ambient.
    pub depth_kpa: Option<f64>,
    /// The same as a share of what the day's air allowed, 0–1.
    pub share: Option<f64>,
    /// Depth that the pull settled at before the pour, or would have with more time, kPa below
    /// ambient: what pulls are compared by, since the metal that fills a porous mould makes
    /// the vacuum deeper.
    #[serde(default)]
    pub settled_kpa: Option<f64>,
    /// Its standard error, kPa.
    #[serde(default)]
    pub settled_se_kpa: Option<f64>,
    /// What the sensor read at rest before, kPa: its zero.
    #[serde(default)]
    pub rest_kpa: Option<f64>,
    /// From opening to 90 % of the depth reached before the pour, s.
    pub time_to_90_s: Option<f64>,
    /// Pump-down time constant, s.
    pub tau_s: Option<f64>,
    /// Its standard error, s.
    pub tau_se_s: Option<f64>,
    /// End depth of the fitted pump-down, kPa below ambient.
    pub end_kpa: Option<f64>,
    /// Its standard error, kPa.
    #[serde(default)]
    pub end_se_kpa: Option<f64>,
    /// Depth lost per minute once the valve was shut, kPa/min.
    pub loss_kpa_min: Option<f64>,
    /// Its standard error, kPa/min.
    #[serde(default)]
    pub loss_se_kpa_min: Option<f64>,
    /// What it was worth.
    pub verdict: Verdict,
    /// Whether metal was poured into it.
    pub poured: bool,
}

impl PullRow {
    /// The depth the pull settled at as a share of what the day's air allowed, with its
    /// standard error, 0–1.
    pub fn settled_share(&self) -> Option<(f64, f64)> {
        let ambient_kpa = self.depth_kpa? / self.share.filter(|s| *s > 0.0)?;
        let share = self.settled_kpa? / ambient_kpa;
        let se = self.settled_se_kpa? / ambient_kpa;
        (share.is_finite() && se.is_finite()).then_some((share, se))
    }
}

/// One line of `extract`: a pour, a pull, a session's upkeep or one of its kilns, told apart by
/// `kind`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
// A session has a dozen rows; boxing the larger would cost every reader more than it saves.
#[allow(clippy::large_enum_variant)]
pub enum Row {
    /// A pour.
    Pour(PourRow),
    /// A pull of vacuum.
    Pull(PullRow),
    /// What the session did to the bench.
    Upkeep(UpkeepRow),
    /// What one of the session's kilns did.
    Kiln(SessionKiln),
}

impl Row {
    /// The time it is listed under: the pour, the opening of the pull, or the first reading of
    /// melt, gas or kiln.
    pub fn at(&self) -> Micros {
        match self {
            Row::Pour(pour) => pour.at,
            Row::Pull(pull) => pull.opened_at,
            Row::Upkeep(upkeep) => upkeep.from,
            Row::Kiln(kiln) => kiln.heard.from_at,
        }
    }

    /// The session it belongs to.
    pub fn session(&self) -> &str {
        match self {
            Row::Pour(pour) => &pour.session,
            Row::Pull(pull) => &pull.session,
            Row::Upkeep(upkeep) => &upkeep.session,
            Row::Kiln(kiln) => &kiln.session,
        }
    }

    /// The machine it was on.
    pub fn machine(&self) -> &str {
        match self {
            Row::Pour(pour) => &pour.machine,
            Row::Pull(pull) => &pull.machine,
            Row::Upkeep(upkeep) => &upkeep.machine,
            Row::Kiln(kiln) => &kiln.machine,
        }
    }
}

/// Every word that may stand in [`PourRow::quality`]. Other programs compare them as text: a
/// word is added, never changed.
pub mod quality {
    /// The session's trace has no vacuum reading at all.
    pub const NO_VACUUM_SENSOR: &str = "no-vacuum-sensor";
    /// There is a vacuum sensor, but it was silent at the pour.
    pub const NO_VACUUM_READING: &str = "no-vacuum-reading";
    /// Metal left outside any pull.
    pub const NO_PULL: &str = "no-pull";
    /// The pull it was poured into was weak.
    pub const WEAK_PULL: &str = "weak-pull";
    /// The valve was open and nothing pulled.
    pub const MISSING_PULL: &str = "missing-pull";
    /// The session's trace has no gas reading at all.
    pub const NO_GAS_SENSOR: &str = "no-gas-sensor";
    /// There is a gas sensor, but it was silent in the 2 min before.
    pub const NO_GAS_READING: &str = "no-gas-reading";
    /// No melt reading at the pour: there is no pour temperature.
    pub const NO_MELT_READING: &str = "no-melt-reading";
    /// The melt sensor was silent for more than 5 s in the 30 s before.
    pub const GAP_BEFORE_POUR: &str = "gap-before-pour";
    /// The melt sensor was silent for more than 5 s at the very turn: its time is less sure.
    pub const GAP_AT_POUR: &str = "gap-at-pour";
    /// The melt probe jumped by far more than metal can, within 2 min before the pour.
    pub const PROBE_MOVED: &str = "probe-moved";
    /// The pour was below the alloy's liquidus, as far as the probe can tell.
    pub const BELOW_LIQUIDUS: &str = "below-liquidus";
    /// No kiln reading at the pour.
    pub const NO_KILN_READING: &str = "no-kiln-reading";
    /// The melt's turn is faint, or may be a stir: look at the trace.
    pub const FAINT_TURN: &str = "faint-turn";

    /// The kiln's door opened before this pour, and not when the card says the flask came out;
    /// the door is believed.
    pub const KILN_DOOR_DISAGREES: &str = "kiln-door-disagrees";
    /// The flask stood at its set point for a shorter time than its card, or the target, asks.
    pub const SHORT_SOAK: &str = "short-soak";

    /// Cover gas was below the machine's least for over 20 s of the last 2 min.
    pub const LOST_COVER_GAS: &str = "lost-cover-gas";

    /// All of them, in alphabetical order.
    pub const WORDS: [&str; 17] = [
        BELOW_LIQUIDUS,
        FAINT_TURN,
        GAP_AT_POUR,
        GAP_BEFORE_POUR,
        KILN_DOOR_DISAGREES,
        LOST_COVER_GAS,
        MISSING_PULL,
        NO_GAS_READING,
        NO_GAS_SENSOR,
        NO_KILN_READING,
        NO_MELT_READING,
        NO_PULL,
        NO_VACUUM_READING,
        NO_VACUUM_SENSOR,
        PROBE_MOVED,
        SHORT_SOAK,
        WEAK_PULL,
    ];
}
