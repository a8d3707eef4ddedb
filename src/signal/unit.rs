//! Units of signals, and how they become the units of [`super::Signals`].

use std::f64::consts::PI;

use crate::vehicle::WheelData;

/// What a signal measures.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Quantity {
    /// A speed, in km/h.
    Speed,
    /// A voltage, in V.
    Voltage,
    /// A rate of turn, in rad/s.
    TurnRate,
    /// An angle, in rad.
    Angle,
    /// 0 or 1.
    Switch,
}

/// A unit that a signal may be given in.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Unit {
    /// `km/h`
    KilometresPerHour,
    /// `m/s`
    MetresPerSecond,
    /// `mph`, the statute mile of 1,609.344 m.
    MilesPerHour,
    /// `rpm`: turns of the wheel a minute; needs the rolling circumference.
    TurnsPerMinute,
    /// `Hz`: teeth a second; needs the rolling circumference and the number of teeth.
    Hertz,
    /// `rad/s`
    RadiansPerSecond,
    /// `deg/s`
    DegreesPerSecond,
    /// `rad`
    Radians,
    /// `deg`
    Degrees,
    /// `V`
    Volts,
    /// `mV`
    Millivolts,
}

/// Why a unit cannot be used.
#[derive(Clone, Copy, Debug, Eq, PartialEq, thiserror::Error)]
pub enum UnitError {
    /// It does not measure this quantity.
    #[error("{unit} cannot be used here: {possible} can", unit = .unit.id())]
    Other {
        /// The unit.
        unit: Unit,
        /// What is possible, as a list in words.
        possible: &'static str,
    },
    /// The tyre is not known.
    #[error("{} needs the tyre: give wheels.tyre or wheels.circumference_m", .0.id())]
    NoTyre(Unit),
    /// The number of teeth is not known.
    #[error("Hz needs the number of teeth: give wheels.teeth")]
    NoTeeth,
}

impl Unit {
    /// All units, in the order of the documentation.
    pub const ALL: [Self; 11] = [
        Self::KilometresPerHour,
        Self::MetresPerSecond,
        Self::MilesPerHour,
        Self::TurnsPerMinute,
        Self::Hertz,
        Self::RadiansPerSecond,
        Self::DegreesPerSecond,
        Self::Radians,
        Self::Degrees,
        Self::Volts,
        Self::Millivolts,
    ];

    /// How it is written in a profile.
    pub const fn id(self) -> &'static str {
        match self {
            Self::KilometresPerHour => "km/h",
            Self::MetresPerSecond => "m/s",
            Self::MilesPerHour => "mph",
            Self::TurnsPerMinute => "rpm",
            Self::Hertz => "Hz",
            Self::RadiansPerSecond => "rad/s",
            Self::DegreesPerSecond => "deg/s",
            Self::Radians => "rad",
            Self::Degrees => "deg",
            Self::Volts => "V",
            Self::Millivolts => "mV",
        }
    }

    /// The unit written so in a profile.
    pub fn from_id(id: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|unit| unit.id() == id)
    }

    /// The unit of a DBC file's free text, which is written in many ways.
    pub fn from_dbc(text: &str) -> Option<Self> {
        let text = text.trim().to_lowercase().replace(' ', "");
        Some(match text.as_str() {
            "km/h" | "kmh" | "kph" | "kmph" => Self::KilometresPerHour,
            "m/s" | "mps" | "meterspersecond" => Self::MetresPerSecond,
            "mph" | "mi/h" => Self::MilesPerHour,
            "rpm" | "1/min" | "u/min" | "/min" | "min-1" => Self::TurnsPerMinute,
            "hz" | "1/s" => Self::Hertz,
            "rad/s" | "rad/sec" => Self::RadiansPerSecond,
            "deg/s" | "deg/sec" | "°/s" | "°/sec" | "degrees/s" | "degree/s" | "degree/sec" => {
                Self::DegreesPerSecond
            }
            "rad" => Self::Radians,
            "deg" | "°" | "degree" | "degrees" => Self::Degrees,
            "v" | "volt" | "volts" => Self::Volts,
            "mv" => Self::Millivolts,
            _ => return None,
        })
    }

    /// How many of the quantity's own unit one of this unit is.
    pub fn factor(self, quantity: Quantity, wheels: &WheelData) -> Result<f64, UnitError> {
        let circumference = || wheels.circumference_m.ok_or(UnitError::NoTyre(self));
        let factor = match (quantity, self) {
            (Quantity::Speed, Self::KilometresPerHour)
            | (Quantity::Voltage, Self::Volts)
            | (Quantity::TurnRate, Self::RadiansPerSecond)
            | (Quantity::Angle, Self::Radians) => 1.0,
            (Quantity::Speed, Self::MetresPerSecond) => 3.6,
            (Quantity::Speed, Self::MilesPerHour) => 1.609_344,
            (Quantity::Speed, Self::TurnsPerMinute) => 0.06 * circumference()?,
            (Quantity::Speed, Self::RadiansPerSecond) => 3.6 * circumference()? / (2.0 * PI),
            (Quantity::Speed, Self::DegreesPerSecond) => 3.6 * circumference()? / 360.0,
            (Quantity::Speed, Self::Hertz) => {
                let teeth = wheels.teeth.ok_or(UnitError::NoTeeth)?;
                3.6 * circumference()? / f64::from(teeth)
            }
            (Quantity::Voltage, Self::Millivolts) => 0.001,
            (Quantity::TurnRate, Self::DegreesPerSecond) | (Quantity::Angle, Self::Degrees) => {
                PI / 180.0
            }
            _ => {
                return Err(UnitError::Other {
                    unit: self,
                    possible: quantity.units(),
                });
            }
        };
        Ok(factor)
    }
}

impl Quantity {
    /// The unit of its values, and of a signal that gives no unit; `None` for a switch.
    pub const fn unit(self) -> Option<Unit> {
        match self {
            Self::Speed => Some(Unit::KilometresPerHour),
            Self::Voltage => Some(Unit::Volts),
            Self::TurnRate => Some(Unit::RadiansPerSecond),
            Self::Angle => Some(Unit::Radians),
            Self::Switch => None,
        }
    }

    /// The units it may be given in, in words.
    pub const fn units(self) -> &'static str {
        match self {
            Self::Speed => "km/h, m/s, mph, rpm, Hz, rad/s or deg/s",
            Self::Voltage => "V or mV",
            Self::TurnRate => "rad/s or deg/s",
            Self::Angle => "rad or deg",
            Self::Switch => "no unit",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn speeds_agree_with_worked_numbers() {
        let wheels = WheelData {
            circumference_m: Some(1.95),
            teeth: Some(48),
            ..WheelData::default()
        };
        let cases = [
            (
                "arithmetic: 410.256410256 Hz at 60 km/h with 48 teeth and 1.95 m",
                Unit::Hertz,
                410.256_410_256,
                60.0,
            ),
            (
                "arithmetic: 8.547008547 turns a second are 60 km/h with 1.95 m",
                Unit::TurnsPerMinute,
                512.820_512_82,
                60.0,
            ),
            (
                "the same in rad/s",
                Unit::RadiansPerSecond,
                53.702_438_2,
                60.0,
            ),
            (
                "the statute mile, 1959 agreement",
                Unit::MilesPerHour,
                10.0,
                16.093_44,
            ),
            ("definition", Unit::MetresPerSecond, 10.0, 36.0),
        ];
        for (source, unit, value, expected) in cases {
            let speed = unit.factor(Quantity::Speed, &wheels).unwrap() * value;
            assert!((speed - expected).abs() < 1e-6, "{source}: {speed}");
        }
    }

    /// Source: printed table of f = v N / (3.6 C) for C = 1.95 m, at 5, 50, 100 and 250 km/h.
    #[test]
    fn pulses_a_second_agree_with_the_table() {
        for (teeth, pulses) in [
            (29, [20.655, 206.553, 413.105, 1032.764]),
            (44, [31.339, 313.390, 626.781, 1566.952]),
            (48, [34.188, 341.880, 683.761, 1709.402]),
            (96, [68.376, 683.761, 1367.521, 3418.803]),
        ] {
            let wheels = WheelData {
                circumference_m: Some(1.95),
                teeth: Some(teeth),
                ..WheelData::default()
            };
            let factor = Unit::Hertz.factor(Quantity::Speed, &wheels).unwrap();
            for (expected, hertz) in [5.0, 50.0, 100.0, 250.0].into_iter().zip(pulses) {
                // The table is rounded to a thousandth of a hertz.
                assert!(
                    (factor * hertz - expected).abs() < 6e-4 * factor,
                    "{teeth} {hertz}"
                );
            }
        }
    }

    #[test]
    fn what_is_missing_is_said() {
        let none = WheelData::default();
        let factor = |unit: Unit, quantity| unit.factor(quantity, &none).map_err(|e| e.to_string());
        let no_tyre = factor(Unit::TurnsPerMinute, Quantity::Speed).unwrap_err();
        assert!(no_tyre.contains("wheels.tyre"), "{no_tyre}");
        let other = factor(Unit::Volts, Quantity::Angle).unwrap_err();
        assert_eq!(other, "V cannot be used here: rad or deg can");
        for unit in Unit::ALL {
            assert_eq!(Unit::from_id(unit.id()), Some(unit));
            assert_eq!(Unit::from_dbc(unit.id()), Some(unit));
        }
    }
}
