//! What a bench can sense: the channel names of configuration, traces and exports, and the one
//! unit each is stored in. Nothing here converts; that is the units module.

use std::fmt;
use std::str::FromStr;

/// One kind of reading.
///
/// The order is that of the names, so that sorting by channel in memory and sorting by channel
/// name in a file are the same. A session may hear several kilns; the number counts those its
/// machine names, from 0, and appears in the name from the second on (`kiln_temperature.2`).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Channel {
    /// Air pressure, kPa absolute.
    Barometer,
    /// The machine's chamber door, 1 open, 0 closed.
    ChamberDoor,
    /// A thermocouple in the flask, °C.
    FlaskTemperature,
    /// Cover gas, L/min as the gas really flows.
    GasFlow,
    /// Cover gas supply, kPa gauge.
    GasPressure,
    /// The door of the kiln with this number, 1 open, 0 closed.
    KilnDoor(u8),
    /// The kiln with this number, °C.
    KilnTemperature(u8),
    /// The melt, °C.
    MeltTemperature,
    /// Oxygen in the room's air, % by volume.
    RoomOxygen,
    /// The stopper, 1 lifted, 0 seated.
    Stopper,
    /// Vacuum, kPa below ambient (0 none, about 101 all at sea level).
    Vacuum,
    /// The vacuum valve, 1 open, 0 closed.
    VacuumValve,
}

/// What a channel measures, which decides the units it may be read in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Quantity {
    /// Stored in °C.
    Temperature,
    /// Stored in kPa below ambient.
    Vacuum,
    /// Stored in L/min.
    Flow,
    /// Stored in kPa above ambient.
    GaugePressure,
    /// Stored in kPa absolute.
    AbsolutePressure,
    /// Stored in % by volume.
    VolumeShare,
    /// Stored as 0 or 1.
    Switch,
}

/// A name that is no channel.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{name}\" is not a channel; the channels are {}", Channel::NAMES.join(", "))]
pub struct NotAChannel {
    /// What was read.
    pub name: String,
}

impl Channel {
    /// Every channel name, in the order of the enum, kilns without a number.
    pub const NAMES: [&'static str; 12] = [
        "barometer",
        "chamber_door",
        "flask_temperature",
        "gas_flow",
        "gas_pressure",
        "kiln_door",
        "kiln_temperature",
        "melt_temperature",
        "room_oxygen",
        "stopper",
        "vacuum",
        "vacuum_valve",
    ];

    /// The name without a kiln number, as configuration writes it.
    pub fn base_name(self) -> &'static str {
        match self {
            Channel::Barometer => "barometer",
            Channel::ChamberDoor => "chamber_door",
            Channel::FlaskTemperature => "flask_temperature",
            Channel::GasFlow => "gas_flow",
            Channel::GasPressure => "gas_pressure",
            Channel::KilnDoor(_) => "kiln_door",
            Channel::KilnTemperature(_) => "kiln_temperature",
            Channel::MeltTemperature => "melt_temperature",
            Channel::RoomOxygen => "room_oxygen",
            Channel::Stopper => "stopper",
            Channel::Vacuum => "vacuum",
            Channel::VacuumValve => "vacuum_valve",
        }
    }

    /// What it measures.
    pub fn quantity(self) -> Quantity {
        match self {
            Channel::FlaskTemperature | Channel::KilnTemperature(_) | Channel::MeltTemperature => {
                Quantity::Temperature
            }
            Channel::Vacuum => Quantity::Vacuum,
            Channel::GasFlow => Quantity::Flow,
            Channel::GasPressure => Quantity::GaugePressure,
            Channel::Barometer => Quantity::AbsolutePressure,
            Channel::RoomOxygen => Quantity::VolumeShare,
            Channel::ChamberDoor
            | Channel::KilnDoor(_)
            | Channel::Stopper
            | Channel::VacuumValve => Quantity::Switch,
        }
    }

    /// The same channel of the kiln with this number; others are unchanged.
    pub fn of_kiln(self, number: u8) -> Channel {
        match self {
            Channel::KilnDoor(_) => Channel::KilnDoor(number),
            Channel::KilnTemperature(_) => Channel::KilnTemperature(number),
            other => other,
        }
    }
}

impl fmt::Display for Channel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Channel::KilnDoor(n) | Channel::KilnTemperature(n) if *n > 0 => {
                write!(f, "{}.{}", self.base_name(), u16::from(*n) + 1)
            }
            _ => f.write_str(self.base_name()),
        }
    }
}

impl FromStr for Channel {
    type Err = NotAChannel;

    fn from_str(name: &str) -> Result<Self, Self::Err> {
        let no = || NotAChannel {
            name: name.to_owned(),
        };
        let (base, number) = match name.split_once('.') {
            Some((base, n)) => {
                let n: u16 = n.parse().map_err(|_| no())?;
                (
                    base,
                    u8::try_from(n.checked_sub(1).ok_or_else(no)?).map_err(|_| no())?,
                )
            }
            None => (name, 0),
        };
        let channel = match base {
            "barometer" => Channel::Barometer,
            "chamber_door" => Channel::ChamberDoor,
            "flask_temperature" => Channel::FlaskTemperature,
            "gas_flow" => Channel::GasFlow,
            "gas_pressure" => Channel::GasPressure,
            "kiln_door" => return Ok(Channel::KilnDoor(number)),
            "kiln_temperature" => return Ok(Channel::KilnTemperature(number)),
            "melt_temperature" => Channel::MeltTemperature,
            "room_oxygen" => Channel::RoomOxygen,
            "stopper" => Channel::Stopper,
            "vacuum" => Channel::Vacuum,
            "vacuum_valve" => Channel::VacuumValve,
            _ => return Err(no()),
        };
        if number == 0 { Ok(channel) } else { Err(no()) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_name_reads_back_and_sorts_as_the_enum_does() {
        let channels: Vec<Channel> = Channel::NAMES
            .iter()
            .map(|n| n.parse().expect("a listed name"))
            .collect();
        let mut sorted = channels.clone();
        sorted.sort();
        assert_eq!(channels, sorted);
        for (name, channel) in Channel::NAMES.iter().zip(&channels) {
            assert_eq!(channel.to_string(), *name);
        }
        assert_eq!(
            "kiln_temperature.2".parse(),
            Ok(Channel::KilnTemperature(1))
        );
        assert_eq!(
            Channel::KilnTemperature(1).to_string(),
            "kiln_temperature.2"
        );
        assert!("melt_temperature.2".parse::<Channel>().is_err());
        assert!("ghost".parse::<Channel>().is_err());
    }
}
