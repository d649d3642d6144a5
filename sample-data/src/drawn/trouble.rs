//! What can go wrong, or merely otherwise, in a drawn session, and how often each does.
//!
//! Names are the words that tables are printed with. The list is that of what a bench really
//! does to a log; nothing in it is a fault of pourbook's.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use crate::dice::Dice;

/// One trouble.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Trouble {
    /// Cold metal went in in two or three goes.
    ChargedInGoes,
    /// The charge bridged: the probe read falsely hot or cold until it was stirred.
    BridgedCharge,
    /// The melt overshot and was poured on its way down.
    OnTheWayDown,
    /// The machine was already hot: not the first melt of the day.
    HotMachine,
    /// The vacuum came on a minute or more before the melt was ready.
    VacuumTooEarly,
    /// A pull was called off, perhaps twice, and repeated.
    CalledOff,
    /// The vacuum stayed on for minutes after the pour, perhaps into the next charge.
    VacuumLeftOn,
    /// The melt was stirred while the vacuum was on.
    StirredInPull,
    /// The caster took the rod with the probe in it out, and put it back.
    ProbeOut,
    /// The probe was unplugged and another plugged in between two flasks.
    ProbeSwapped,
    /// The probe sits in the crucible's wall, and rises at the pour.
    WallProbe,
    /// Vacuum is not sensed.
    NoVacuumSensor,
    /// The kiln is not sensed.
    NoKilnSensor,
    /// No switch on the vacuum valve.
    NoValveSwitch,
    /// No switch on the stopper.
    NoStopperSwitch,
    /// Sensors fell silent for 1–60 s, here and there.
    Dropouts,
    /// Readings came late and out of order, by up to 10 s.
    Late,
    /// The melt is shown in whole degrees Fahrenheit.
    WholeFahrenheit,
    /// The zero of the vacuum sensor is off and drifts.
    ZeroDrift,
    /// Another machine works on the same pump and kiln.
    TwoMachines,
    /// No melt reading for some time around the lift: silence hid it.
    SilentAtTheLift,
}

impl Trouble {
    /// All of them, in the order tables list them.
    pub const ALL: [Trouble; 21] = [
        Trouble::ChargedInGoes,
        Trouble::BridgedCharge,
        Trouble::OnTheWayDown,
        Trouble::HotMachine,
        Trouble::VacuumTooEarly,
        Trouble::CalledOff,
        Trouble::VacuumLeftOn,
        Trouble::StirredInPull,
        Trouble::ProbeOut,
        Trouble::ProbeSwapped,
        Trouble::WallProbe,
        Trouble::NoVacuumSensor,
        Trouble::NoKilnSensor,
        Trouble::NoValveSwitch,
        Trouble::NoStopperSwitch,
        Trouble::Dropouts,
        Trouble::Late,
        Trouble::WholeFahrenheit,
        Trouble::ZeroDrift,
        Trouble::TwoMachines,
        Trouble::SilentAtTheLift,
    ];

    /// A few words for a table.
    pub fn words(self) -> &'static str {
        match self {
            Trouble::ChargedInGoes => "charged in two or three goes",
            Trouble::BridgedCharge => "bridged charge, then stirred",
            Trouble::OnTheWayDown => "overshoot, poured on the way down",
            Trouble::HotMachine => "machine already hot",
            Trouble::VacuumTooEarly => "vacuum before the melt is ready",
            Trouble::CalledOff => "pull called off and repeated",
            Trouble::VacuumLeftOn => "vacuum left on after the pour",
            Trouble::StirredInPull => "stirred inside the pull",
            Trouble::ProbeOut => "probe out and put back",
            Trouble::ProbeSwapped => "probe swapped",
            Trouble::WallProbe => "wall probe, rises at the pour",
            Trouble::NoVacuumSensor => "no vacuum sensor",
            Trouble::NoKilnSensor => "no kiln sensor",
            Trouble::NoValveSwitch => "no valve switch",
            Trouble::NoStopperSwitch => "no stopper switch",
            Trouble::Dropouts => "dropouts of 1–60 s",
            Trouble::Late => "late and out of order, up to 10 s",
            Trouble::WholeFahrenheit => "whole °F",
            Trouble::ZeroDrift => "vacuum zero drifts",
            Trouble::TwoMachines => "two machines on one pump",
            Trouble::SilentAtTheLift => "melt silent at the lift",
        }
    }

    /// How often it comes in [`Mix::everything`]: per flask for what the caster does, per
    /// session for the rest. Often enough that a few hundred sessions show each of them, alone
    /// and together; a real shop has far fewer.
    fn usual_chance(self) -> f64 {
        match self {
            Trouble::ChargedInGoes => 0.50,
            Trouble::BridgedCharge => 0.12,
            Trouble::OnTheWayDown => 0.20,
            Trouble::VacuumTooEarly => 0.15,
            Trouble::CalledOff => 0.20,
            Trouble::VacuumLeftOn => 0.15,
            Trouble::StirredInPull => 0.05,
            Trouble::ProbeOut => 0.15,
            Trouble::ProbeSwapped => 0.08,
            Trouble::WallProbe => 0.10,
            Trouble::NoVacuumSensor => 0.06,
            Trouble::NoKilnSensor => 0.30,
            Trouble::NoValveSwitch => 0.45,
            Trouble::NoStopperSwitch => 0.85,
            Trouble::Dropouts => 0.20,
            Trouble::Late => 0.25,
            Trouble::WholeFahrenheit => 0.25,
            Trouble::ZeroDrift => 0.25,
            Trouble::TwoMachines => 0.15,
            // Half of the sessions begin hot; a silence at the lift comes from dropouts.
            Trouble::HotMachine => 0.50,
            Trouble::SilentAtTheLift => 0.0,
        }
    }
}

/// The settings of a draw: how often each trouble comes, and what is read how often.
#[derive(Clone, Debug, PartialEq)]
pub struct Mix {
    /// How often each trouble comes, 0–1; one that is not listed never does.
    pub chances: Vec<(Trouble, f64)>,
    /// Rates of melt and vacuum readings, Hz, each as likely as its weight.
    pub rates_hz: Vec<(f64, f64)>,
    /// Fewest and most pours in a session.
    pub pours: (u32, u32),
    /// Noise of the melt reading, K, one standard deviation.
    pub noise_k: f64,
}

impl Mix {
    /// All troubles, each as often as a test of several hundred sessions needs it.
    pub fn everything() -> Mix {
        Mix {
            chances: Trouble::ALL
                .into_iter()
                .map(|t| (t, t.usual_chance()))
                .collect(),
            rates_hz: vec![
                (0.2, 0.08),
                (0.5, 0.10),
                (1.0, 0.27),
                (2.0, 0.20),
                (5.0, 0.17),
                (10.0, 0.10),
                (20.0, 0.08),
            ],
            pours: (2, 6),
            noise_k: 0.5,
        }
    }

    /// None: every sensor fitted, one reading a second, nothing goes wrong.
    pub fn calm() -> Mix {
        Mix {
            chances: Vec::new(),
            rates_hz: vec![(1.0, 1.0)],
            pours: (2, 4),
            noise_k: 0.5,
        }
    }

    /// The same with this trouble as often as `chance` (0–1).
    #[must_use]
    pub fn with(mut self, trouble: Trouble, chance: f64) -> Mix {
        self.chances.retain(|(t, _)| *t != trouble);
        self.chances.push((trouble, chance));
        self
    }

    /// The same with one rate of reading, Hz.
    #[must_use]
    pub fn at_rate(mut self, hz: f64) -> Mix {
        self.rates_hz = vec![(hz, 1.0)];
        self
    }

    /// How often a trouble comes, 0–1.
    pub fn chance(&self, trouble: Trouble) -> f64 {
        self.chances
            .iter()
            .find(|(t, _)| *t == trouble)
            .map_or(0.0, |(_, chance)| *chance)
    }

    /// Draws which of these come.
    pub(crate) fn draw(&self, of: &[Trouble], dice: &mut Dice) -> BTreeSet<Trouble> {
        // One throw each, whatever the chances, so that a changed chance moves nothing else.
        of.iter()
            .map(|t| (*t, dice.chance(self.chance(*t))))
            .filter_map(|(t, comes)| comes.then_some(t))
            .collect()
    }

    /// Draws a rate, Hz.
    pub(crate) fn rate_hz(&self, dice: &mut Dice) -> f64 {
        let all: f64 = self.rates_hz.iter().map(|r| r.1).sum();
        let mut at = dice.between(0.0, all);
        for (hz, weight) in &self.rates_hz {
            at -= weight;
            if at <= 0.0 {
                return *hz;
            }
        }
        self.rates_hz.last().map_or(1.0, |r| r.0)
    }
}
