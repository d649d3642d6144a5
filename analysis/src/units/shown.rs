//! What people see: a stored number turned into the unit a shop reads, with the digits it
//! deserves. Only pages, reports and printed lines use this; JSON and files keep stored units.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::Unit;

/// Troy ounce, g, exact (480 grains of 64.798 91 mg; SP 811 prints 3.110 348 E-02 kg).
const TROY_OUNCE_G: f64 = 31.103_476_8;

/// A family of display units.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Scheme {
    /// °C, mbar, L/min, g.
    #[default]
    Metric,
    /// °F, inHg, ft³/h, oz t.
    Us,
}

/// A unit of mass to show.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum MassUnit {
    /// Gram.
    #[serde(rename = "g")]
    Gram,
    /// Troy ounce.
    #[serde(rename = "oz t")]
    TroyOunce,
}

/// The unit to show each quantity in: a [`Scheme`], or a scheme with single quantities
/// chosen otherwise.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ShownIn {
    /// For temperatures and their differences. A unit of something else shows °C.
    pub temperature: Unit,
    /// For vacuum depth and air pressure. A unit of something else shows mbar.
    pub vacuum: Unit,
    /// For cover gas. A unit of something else shows L/min.
    pub flow: Unit,
    /// For the pressure of the gas supply. A unit of something else shows kPa.
    pub gas_pressure: Unit,
    /// For metal.
    pub mass: MassUnit,
}

/// A number for people: `968 °C`, `25.3 inHg`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shown {
    /// The number in `unit`, not rounded.
    pub value: f64,
    /// Its unit's sign.
    pub unit: &'static str,
    /// Digits after the point that it deserves.
    pub decimals: usize,
}

impl Shown {
    /// The number alone, rounded, as tables with the unit in the header want it. `–` where
    /// there is no number.
    pub fn number(&self) -> String {
        if !self.value.is_finite() {
            return "–".to_owned();
        }
        let text = format!("{:.*}", self.decimals, self.value);
        match text.strip_prefix('-') {
            // "-0" is a rounding of nothing.
            Some(digits) if digits.chars().all(|c| matches!(c, '0' | '.')) => digits.to_owned(),
            Some(digits) => format!("−{digits}"),
            None => text,
        }
    }
}

impl fmt::Display for Shown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let number = self.number();
        if self.unit.is_empty() || !self.value.is_finite() {
            f.pad(&number)
        } else {
            f.pad(&format!("{number} {}", self.unit))
        }
    }
}

impl From<Scheme> for ShownIn {
    fn from(scheme: Scheme) -> Self {
        match scheme {
            Scheme::Metric => ShownIn {
                temperature: Unit::Celsius,
                vacuum: Unit::Millibar,
                flow: Unit::LitrePerMinute,
                gas_pressure: Unit::Bar,
                mass: MassUnit::Gram,
            },
            Scheme::Us => ShownIn {
                temperature: Unit::Fahrenheit,
                vacuum: Unit::InchOfMercury,
                flow: Unit::CubicFootPerHour,
                gas_pressure: Unit::Psi,
                mass: MassUnit::TroyOunce,
            },
        }
    }
}

impl Default for ShownIn {
    fn default() -> Self {
        Scheme::default().into()
    }
}

impl ShownIn {
    /// A temperature, °C.
    pub fn temperature(&self, celsius: f64) -> Shown {
        let unit = or(self.temperature, Unit::Celsius);
        Shown {
            value: unit.from_canonical(celsius),
            unit: unit.symbol(),
            decimals: 0,
        }
    }

    /// A difference of temperatures, K: one of 10 K is shown as 18 °F, never as 50 °F.
    pub fn difference(&self, kelvin: f64) -> Shown {
        let unit = or(self.temperature, Unit::Celsius);
        let value = unit.difference_from_canonical(kelvin);
        Shown {
            value,
            unit: unit.symbol(),
            decimals: usize::from(value.abs() < 9.95),
        }
    }

    /// A rate of temperature, K/s, shown per minute as benches speak of it.
    pub fn heating_rate(&self, kelvin_per_second: f64) -> Shown {
        let unit = or(self.temperature, Unit::Celsius);
        Shown {
            value: unit.difference_from_canonical(kelvin_per_second * 60.0),
            unit: match unit {
                Unit::Fahrenheit => "°F/min",
                Unit::Kelvin => "K/min",
                _ => "°C/min",
            },
            decimals: 1,
        }
    }

    /// A depth of vacuum, kPa below ambient.
    pub fn vacuum(&self, below_ambient_kpa: f64) -> Shown {
        pressure(or(self.vacuum, Unit::Millibar), below_ambient_kpa)
    }

    /// The pressure of the gas supply, kPa gauge.
    pub fn gas_pressure(&self, gauge_kpa: f64) -> Shown {
        pressure(or(self.gas_pressure, Unit::Kilopascal), gauge_kpa)
    }

    /// A flow of gas, L/min.
    pub fn flow(&self, litre_per_minute: f64) -> Shown {
        let unit = or(self.flow, Unit::LitrePerMinute);
        Shown {
            value: unit.from_canonical(litre_per_minute),
            unit: unit.symbol(),
            decimals: match unit {
                Unit::MillilitrePerMinute => 0,
                Unit::LitrePerSecond | Unit::CubicMetrePerHour => 2,
                Unit::CubicMetrePerSecond => 6,
                _ => 1,
            },
        }
    }

    /// An amount of gas as the flow counts it, L.
    pub fn gas(&self, litre: f64) -> Shown {
        let (value, unit) = match or(self.flow, Unit::LitrePerMinute) {
            // The cubic foot is 28.316 846 592 L exactly (12 × 25.4 mm, cubed).
            Unit::CubicFootPerHour => (litre / 28.316_846_592, "ft³"),
            Unit::CubicMetrePerHour | Unit::CubicMetrePerSecond => (litre / 1000.0, "m³"),
            _ => (litre, "L"),
        };
        Shown {
            value,
            unit,
            decimals: match unit {
                "L" => 0,
                "m³" => 2,
                _ => 1,
            },
        }
    }

    /// A mass of metal, g.
    pub fn mass(&self, gram: f64) -> Shown {
        match self.mass {
            MassUnit::Gram => Shown {
                value: gram,
                unit: "g",
                decimals: usize::from(gram.abs() < 99.95),
            },
            MassUnit::TroyOunce => Shown {
                value: gram / TROY_OUNCE_G,
                unit: "oz t",
                decimals: 2,
            },
        }
    }

    /// A share from 0 to 1, shown as per cent.
    pub fn share(&self, share: f64) -> Shown {
        Shown {
            value: share * 100.0,
            unit: "%",
            decimals: 0,
        }
    }
}

/// `unit` if it measures the same as `fallback`: a mistaken choice must not turn into a wrong
/// number.
fn or(unit: Unit, fallback: Unit) -> Unit {
    use crate::channel::Quantity::{Flow, Temperature, Vacuum};
    let same = [Temperature, Vacuum, Flow]
        .into_iter()
        .any(|q| unit.suits(q) && fallback.suits(q));
    if same { unit } else { fallback }
}

fn pressure(unit: Unit, kpa: f64) -> Shown {
    Shown {
        value: unit.from_canonical(kpa),
        unit: unit.symbol(),
        decimals: match unit {
            Unit::Bar | Unit::Megapascal => 3,
            Unit::InchOfMercury | Unit::Kilopascal | Unit::Psi => 1,
            _ => 0,
        },
    }
}

/// Each method is that of [`ShownIn`] with every quantity in this scheme's unit.
impl Scheme {
    /// A temperature, °C.
    pub fn temperature(self, celsius: f64) -> Shown {
        ShownIn::from(self).temperature(celsius)
    }

    /// A difference of temperatures, K.
    pub fn difference(self, kelvin: f64) -> Shown {
        ShownIn::from(self).difference(kelvin)
    }

    /// A rate of temperature, K/s.
    pub fn heating_rate(self, kelvin_per_second: f64) -> Shown {
        ShownIn::from(self).heating_rate(kelvin_per_second)
    }

    /// A depth of vacuum, kPa below ambient.
    pub fn vacuum(self, below_ambient_kpa: f64) -> Shown {
        ShownIn::from(self).vacuum(below_ambient_kpa)
    }

    /// The pressure of the gas supply, kPa gauge.
    pub fn gas_pressure(self, gauge_kpa: f64) -> Shown {
        ShownIn::from(self).gas_pressure(gauge_kpa)
    }

    /// A flow of gas, L/min.
    pub fn flow(self, litre_per_minute: f64) -> Shown {
        ShownIn::from(self).flow(litre_per_minute)
    }

    /// A mass of metal, g.
    pub fn mass(self, gram: f64) -> Shown {
        ShownIn::from(self).mass(gram)
    }

    /// A share from 0 to 1, shown as per cent.
    pub fn share(self, share: f64) -> Shown {
        ShownIn::from(self).share(share)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gas_is_counted_as_its_flow_is() {
        let us = ShownIn::from(Scheme::Us);
        assert_eq!(us.gas(283.168_465_92).to_string(), "10.0 ft³");
        assert_eq!(ShownIn::default().gas(283.2).to_string(), "283 L");
    }

    #[test]
    fn a_caster_reads_the_units_of_the_shop() {
        let (metric, us) = (Scheme::Metric, Scheme::Us);
        for (shown, text) in [
            (metric.temperature(968.0), "968 °C"),
            (us.temperature(968.0), "1774 °F"),
            (metric.vacuum(84.7), "847 mbar"),
            (us.vacuum(85.68), "25.3 inHg"),
            (metric.flow(4.52), "4.5 L/min"),
            (us.flow(4.719_474_4), "10.0 ft³/h"),
            (metric.mass(212.4), "212 g"),
            (us.mass(311.034_768), "10.00 oz t"),
            (metric.gas_pressure(150.0), "1.500 bar"),
            (us.gas_pressure(137.895_145_9), "20.0 psi"),
            (metric.share(0.874), "87 %"),
            (us.heating_rate(0.1), "10.8 °F/min"),
        ] {
            assert_eq!(shown.to_string(), text);
        }
    }

    #[test]
    fn ten_kelvin_apart_is_eighteen_fahrenheit_apart() {
        assert_eq!(Scheme::Us.difference(10.0).to_string(), "18 °F");
        assert_eq!(Scheme::Us.difference(-10.0).to_string(), "−18 °F");
        assert_eq!(Scheme::Metric.difference(3.25).to_string(), "3.2 °C");
        assert_eq!(Scheme::Metric.difference(-0.01).to_string(), "0.0 °C");
    }

    #[test]
    fn one_quantity_can_be_shown_otherwise() {
        let mut shown_in = ShownIn::from(Scheme::Metric);
        shown_in.vacuum = Unit::InchOfMercury;
        assert_eq!(shown_in.vacuum(84.66).to_string(), "25.0 inHg");
        assert_eq!(shown_in.temperature(968.0).to_string(), "968 °C");
        // A unit of something else never turns into a wrong number.
        shown_in.vacuum = Unit::Celsius;
        assert_eq!(shown_in.vacuum(84.66).to_string(), "847 mbar");
    }

    #[test]
    fn no_number_is_shown_as_a_dash() {
        assert_eq!(Scheme::Metric.temperature(f64::NAN).to_string(), "–");
        assert_eq!(Scheme::Us.vacuum(f64::INFINITY).to_string(), "–");
    }
}
