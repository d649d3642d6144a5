//! The units themselves and their conversion to and from the stored ones. Every factor is
//! exact by definition or follows from exact ones; the rounded value that NIST SP 811 (2008)
//! Appendix B prints is named beside it and checked in the tests.

use crate::channel::Quantity;

/// Standard gravity, m/s², exact by definition (3rd CGPM, 1901).
const STANDARD_GRAVITY: f64 = 9.806_65;
/// International foot, m, exact (1959 agreement).
const FOOT_M: f64 = 0.3048;
/// Avoirdupois pound, kg, exact (1959 agreement).
const POUND_KG: f64 = 0.453_592_37;
/// Conventional density of mercury, kg/m³: a column of 1 mm at standard gravity is then
/// 133.322 387 415 Pa, which SP 811 prints as "millimeter of mercury, conventional" 1.333 224 E+02.
const MERCURY_KG_M3: f64 = 13_595.1;

/// A unit that a reading can be given in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Unit {
    /// Degree Celsius. Temperatures are stored in it.
    Celsius,
    /// Degree Fahrenheit: t/°C = (t/°F − 32)/1.8 (SP 811 B.8).
    Fahrenheit,
    /// Kelvin: t/°C = T/K − 273.15 (SP 811 B.8).
    Kelvin,
    /// Pascal.
    Pascal,
    /// Hectopascal.
    Hectopascal,
    /// Kilopascal. Pressures are stored in it.
    Kilopascal,
    /// Megapascal.
    Megapascal,
    /// Millibar, 100 Pa (SP 811: 1.0 E+02).
    Millibar,
    /// Bar, 100 kPa (SP 811: 1.0 E+05 Pa).
    Bar,
    /// Torr, 101 325/760 Pa (SP 811: 1.333 224 E+02).
    Torr,
    /// Conventional millimetre of mercury (SP 811: 1.333 224 E+02 Pa).
    MillimetreOfMercury,
    /// Conventional inch of mercury, 0 °C (SP 811: 3.386 389 E+03 Pa). The inch of mercury at
    /// 60 °F, 0.3 % smaller, is not meant by vacuum needles and not offered.
    InchOfMercury,
    /// Pound-force per square inch (SP 811: 6.894 757 E+03 Pa).
    Psi,
    /// Litre per minute. Flows are stored in it.
    LitrePerMinute,
    /// Millilitre per minute.
    MillilitrePerMinute,
    /// Litre per second.
    LitrePerSecond,
    /// Cubic metre per second.
    CubicMetrePerSecond,
    /// Cubic metre per hour.
    CubicMetrePerHour,
    /// Cubic foot per hour (SP 811: cubic foot 2.831 685 E-02 m³).
    CubicFootPerHour,
    /// Per cent. Shares of volume are stored in it.
    Percent,
    /// A share from 0 to 1.
    Fraction,
    /// A switch, 0 or 1.
    Switch,
}

impl Unit {
    /// The unit a quantity is stored in.
    pub fn canonical(quantity: Quantity) -> Unit {
        match quantity {
            Quantity::Temperature => Unit::Celsius,
            Quantity::Vacuum | Quantity::GaugePressure | Quantity::AbsolutePressure => {
                Unit::Kilopascal
            }
            Quantity::Flow => Unit::LitrePerMinute,
            Quantity::VolumeShare => Unit::Percent,
            Quantity::Switch => Unit::Switch,
        }
    }

    /// Whether readings of `quantity` can be in this unit.
    pub fn suits(self, quantity: Quantity) -> bool {
        let (canonical, _, _) = self.line();
        canonical == Unit::canonical(quantity)
    }

    /// A reading in this unit, in the stored unit of its quantity. Pressures stay what they
    /// were, absolute or relative: which of them is stored is the matter of
    /// [`Sense`](super::Sense).
    ///
    /// ```
    /// # use analysis::units::Unit;
    /// assert_eq!(Unit::Fahrenheit.to_canonical(212.0), 100.0);
    /// assert!((Unit::InchOfMercury.to_canonical(29.92) - 101.32).abs() < 0.01);
    /// ```
    pub fn to_canonical(self, value: f64) -> f64 {
        let (_, factor, zero) = self.line();
        (value - zero) * factor
    }

    /// The inverse of [`Unit::to_canonical`].
    pub fn from_canonical(self, value: f64) -> f64 {
        let (_, factor, zero) = self.line();
        value / factor + zero
    }

    /// A *difference* in this unit, in the stored unit: the zero point does not enter, so that
    /// 18 °F apart is 10 K apart and never −7.8.
    pub fn difference_to_canonical(self, difference: f64) -> f64 {
        difference * self.line().1
    }

    /// The inverse of [`Unit::difference_to_canonical`].
    pub fn difference_from_canonical(self, difference: f64) -> f64 {
        difference / self.line().1
    }

    /// stored = (reading − zero) · factor, with the stored unit.
    fn line(self) -> (Unit, f64, f64) {
        let pressure = |pascal: f64| (Unit::Kilopascal, pascal / 1000.0, 0.0);
        let flow = |litre_per_minute: f64| (Unit::LitrePerMinute, litre_per_minute, 0.0);
        match self {
            Unit::Celsius => (Unit::Celsius, 1.0, 0.0),
            Unit::Fahrenheit => (Unit::Celsius, 1.0 / 1.8, 32.0),
            Unit::Kelvin => (Unit::Celsius, 1.0, 273.15),
            Unit::Pascal => pressure(1.0),
            Unit::Hectopascal | Unit::Millibar => pressure(100.0),
            Unit::Kilopascal => pressure(1000.0),
            Unit::Megapascal => pressure(1e6),
            Unit::Bar => pressure(1e5),
            Unit::Torr => pressure(101_325.0 / 760.0),
            Unit::MillimetreOfMercury => pressure(MERCURY_KG_M3 * STANDARD_GRAVITY / 1000.0),
            Unit::InchOfMercury => pressure(MERCURY_KG_M3 * STANDARD_GRAVITY * FOOT_M / 12.0),
            Unit::Psi => {
                let inch = FOOT_M / 12.0;
                pressure(POUND_KG * STANDARD_GRAVITY / (inch * inch))
            }
            Unit::LitrePerMinute => flow(1.0),
            Unit::MillilitrePerMinute => flow(0.001),
            Unit::LitrePerSecond => flow(60.0),
            Unit::CubicMetrePerSecond => flow(60_000.0),
            Unit::CubicMetrePerHour => flow(1000.0 / 60.0),
            Unit::CubicFootPerHour => flow(FOOT_M * FOOT_M * FOOT_M * 1000.0 / 60.0),
            Unit::Percent => (Unit::Percent, 1.0, 0.0),
            Unit::Fraction => (Unit::Percent, 100.0, 0.0),
            Unit::Switch => (Unit::Switch, 1.0, 0.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const ALL: [Unit; 22] = [
        Unit::Celsius,
        Unit::Fahrenheit,
        Unit::Kelvin,
        Unit::Pascal,
        Unit::Hectopascal,
        Unit::Kilopascal,
        Unit::Megapascal,
        Unit::Millibar,
        Unit::Bar,
        Unit::Torr,
        Unit::MillimetreOfMercury,
        Unit::InchOfMercury,
        Unit::Psi,
        Unit::LitrePerMinute,
        Unit::MillilitrePerMinute,
        Unit::LitrePerSecond,
        Unit::CubicMetrePerSecond,
        Unit::CubicMetrePerHour,
        Unit::CubicFootPerHour,
        Unit::Percent,
        Unit::Fraction,
        Unit::Switch,
    ];

    /// The factors as NIST SP 811 (2008) Appendix B prints them, seven figures (from memory;
    /// tests/reference/check_units.py compares with an independent library).
    #[test]
    fn factors_are_those_of_nist_sp_811() {
        for (unit, pascal) in [
            (Unit::Millibar, 1.0e2),
            (Unit::Bar, 1.0e5),
            (Unit::Torr, 1.333_224e2),
            (Unit::MillimetreOfMercury, 1.333_224e2),
            (Unit::InchOfMercury, 3.386_389e3),
            (Unit::Psi, 6.894_757e3),
        ] {
            let ours = unit.to_canonical(1.0) * 1000.0;
            assert!(
                (ours - pascal).abs() <= 0.5e-6 * pascal,
                "{unit:?} is {ours} Pa, SP 811 prints {pascal}"
            );
        }
        // Cubic foot 2.831 685 E-02 m³, so ft³/h is that times 1000/60 L/min.
        let cubic_foot_m3 = Unit::CubicFootPerHour.to_canonical(1.0) * 60.0 / 1000.0;
        assert!((cubic_foot_m3 - 2.831_685e-2).abs() <= 0.5e-8);
        // Cubic foot per minute 4.719 474 E-04 m³/s.
        let cubic_metre_per_second =
            Unit::CubicMetrePerSecond.from_canonical(Unit::CubicFootPerHour.to_canonical(60.0));
        assert!((cubic_metre_per_second - 4.719_474e-4).abs() <= 0.5e-10);
    }

    /// Fixed points of ITS-90 and the definition of the scales: freezing silver 961.78 °C is
    /// 1234.93 K and 1763.2 °F; the scales cross at −40.
    #[test]
    fn temperature_scales_agree_at_fixed_points() {
        assert_eq!(Unit::Fahrenheit.to_canonical(-40.0), -40.0);
        assert!((Unit::Kelvin.to_canonical(1234.93) - 961.78).abs() < 1e-9);
        assert!((Unit::Fahrenheit.from_canonical(961.78) - 1763.204).abs() < 1e-9);
        assert!((Unit::Fahrenheit.from_canonical(968.0) - 1774.4).abs() < 1e-9);
    }

    #[test]
    fn a_difference_never_adds_thirty_two() {
        assert_eq!(Unit::Fahrenheit.difference_from_canonical(10.0), 18.0);
        assert_eq!(Unit::Fahrenheit.difference_from_canonical(0.0), 0.0);
        assert_eq!(Unit::Kelvin.difference_to_canonical(7.5), 7.5);
    }

    #[test]
    fn a_unit_suits_only_its_own_quantity() {
        assert!(Unit::InchOfMercury.suits(Quantity::Vacuum));
        assert!(Unit::Psi.suits(Quantity::GaugePressure));
        assert!(Unit::Hectopascal.suits(Quantity::AbsolutePressure));
        assert!(!Unit::InchOfMercury.suits(Quantity::Temperature));
        assert!(!Unit::Celsius.suits(Quantity::Flow));
        assert!(Unit::Fraction.suits(Quantity::VolumeShare));
    }

    proptest! {
        #[test]
        fn every_unit_converts_there_and_back(value in -1e6..1e6f64, which in 0..ALL.len()) {
            let unit = ALL[which];
            let back = unit.from_canonical(unit.to_canonical(value));
            prop_assert!((back - value).abs() <= 1e-9 * value.abs().max(1.0), "{unit:?} {value} {back}");
            let back = unit.difference_from_canonical(unit.difference_to_canonical(value));
            prop_assert!((back - value).abs() <= 1e-12 * value.abs().max(1.0));
        }

        #[test]
        fn conversion_keeps_the_order_of_readings(a in -1e6..1e6f64, b in -1e6..1e6f64, which in 0..ALL.len()) {
            let unit = ALL[which];
            prop_assume!(a < b);
            prop_assert!(unit.to_canonical(a) <= unit.to_canonical(b));
        }

        #[test]
        fn a_difference_is_the_difference_of_two_readings(a in -500.0..2000.0f64, d in -500.0..500.0f64, which in 0..ALL.len()) {
            let unit = ALL[which];
            let by_readings = unit.to_canonical(a + d) - unit.to_canonical(a);
            let scale = unit.to_canonical(1e3).abs().max(1.0);
            prop_assert!((by_readings - unit.difference_to_canonical(d)).abs() <= 1e-9 * scale);
        }
    }

    /// NIST SP 811 B.8: the ice point is 0 °C, 32 °F and 273.15 K; the steam point, as the old
    /// scales defined it, 100 °C, 212 °F and 373.15 K; and 1800 °F are 982.2 °C.
    #[test]
    fn the_ice_point_and_the_steam_point_are_the_same_in_every_unit() {
        for (celsius, fahrenheit, kelvin) in [
            (0.0, 32.0, 273.15),
            (100.0, 212.0, 373.15),
            (-40.0, -40.0, 233.15),
            (982.0 + 2.0 / 9.0, 1800.0, 1255.0 + 67.0 / 180.0),
        ] {
            for (unit, reading) in [
                (Unit::Celsius, celsius),
                (Unit::Fahrenheit, fahrenheit),
                (Unit::Kelvin, kelvin),
            ] {
                assert!(
                    (unit.to_canonical(reading) - celsius).abs() < 1e-9,
                    "{unit:?}"
                );
                assert!(
                    (unit.from_canonical(celsius) - reading).abs() < 1e-9,
                    "{unit:?}"
                );
            }
        }
    }
}
