//! Where a signal comes from and how its raw number becomes a value.

use crate::frame::CanId;
use crate::place::Wheel;

use super::field::Field;
use super::unit::{Quantity, Unit};
use super::{Signals, Trace};

/// The signals that a profile can place.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum SignalName {
    /// A wheel's speed.
    Speed(Wheel),
    /// Supply voltage at the ABS module.
    SupplyVoltage,
    /// Battery voltage anywhere else.
    BatteryVoltage,
    /// The vehicle's own speed.
    VehicleSpeed,
    /// Yaw rate, positive to the left.
    YawRate,
    /// Angle of the steering wheel, positive to the left.
    SteeringAngle,
    /// Brake pedal pressed.
    BrakeSwitch,
    /// ABS regulating.
    AbsActive,
    /// Fluid level low.
    FluidLow,
}

impl SignalName {
    /// All of them, wheels first.
    pub const ALL: [Self; 12] = [
        Self::Speed(Wheel::LeftFront),
        Self::Speed(Wheel::RightFront),
        Self::Speed(Wheel::LeftRear),
        Self::Speed(Wheel::RightRear),
        Self::SupplyVoltage,
        Self::BatteryVoltage,
        Self::VehicleSpeed,
        Self::YawRate,
        Self::SteeringAngle,
        Self::BrakeSwitch,
        Self::AbsActive,
        Self::FluidLow,
    ];

    /// Its key in a profile; for a wheel's speed, below `wheels.speeds`.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Speed(wheel) => wheel.id(),
            Self::SupplyVoltage => "supply_voltage",
            Self::BatteryVoltage => "battery_voltage",
            Self::VehicleSpeed => "vehicle_speed",
            Self::YawRate => "yaw_rate",
            Self::SteeringAngle => "steering_angle",
            Self::BrakeSwitch => "brake_switch",
            Self::AbsActive => "abs_active",
            Self::FluidLow => "fluid_low",
        }
    }

    /// What it measures.
    pub const fn quantity(self) -> Quantity {
        match self {
            Self::Speed(_) | Self::VehicleSpeed => Quantity::Speed,
            Self::SupplyVoltage | Self::BatteryVoltage => Quantity::Voltage,
            Self::YawRate => Quantity::TurnRate,
            Self::SteeringAngle => Quantity::Angle,
            Self::BrakeSwitch | Self::AbsActive | Self::FluidLow => Quantity::Switch,
        }
    }

    /// Its place in a record's signals.
    pub fn slot(self, signals: &mut Signals) -> &mut Option<Trace> {
        match self {
            Self::Speed(wheel) => {
                let [left_front, right_front, left_rear, right_rear] = &mut signals.speeds;
                match wheel {
                    Wheel::LeftFront => left_front,
                    Wheel::RightFront => right_front,
                    Wheel::LeftRear => left_rear,
                    Wheel::RightRear => right_rear,
                }
            }
            Self::SupplyVoltage => &mut signals.supply_voltage,
            Self::BatteryVoltage => &mut signals.battery_voltage,
            Self::VehicleSpeed => &mut signals.vehicle_speed,
            Self::YawRate => &mut signals.yaw_rate,
            Self::SteeringAngle => &mut signals.steering_angle,
            Self::BrakeSwitch => &mut signals.brake_switch,
            Self::AbsActive => &mut signals.abs_active,
            Self::FluidLow => &mut signals.fluid_low,
        }
    }
}

/// In what a signal is carried.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Carrier {
    /// The data of a frame with this identifier.
    Frame(CanId),
    /// The data of a data identifier, from its first byte on (ISO 14229-1 service 0x22, KWP 2000 service 0x22).
    Identifier {
        /// Index of the module in the profile's list.
        module: usize,
        /// The identifier.
        did: u16,
    },
    /// The data of a mode 01 parameter, from its first byte on (SAE J1979).
    Parameter(u8),
}

/// A multiplexed signal stands in a frame only when another field of it has one of these values.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Selector {
    /// The field that selects.
    pub field: Field,
    /// First and last value of each range that selects this signal.
    pub ranges: Vec<(u64, u64)>,
}

/// Where a signal comes from and how its raw number becomes a value: `(raw × factor + offset) × unit factor`.
#[derive(Clone, Debug, PartialEq)]
pub struct SignalSource {
    /// In what it is carried.
    pub carrier: Carrier,
    /// Where it stands there.
    pub field: Field,
    /// The step of the raw number, in `unit`.
    pub factor: f64,
    /// The value of raw 0, in `unit`.
    pub offset: f64,
    /// The unit of factor and offset; `None` for a switch.
    pub unit: Option<Unit>,
    /// How many of the quantity's own unit (km/h, V, rad/s, rad) one `unit` is.
    pub unit_factor: f64,
    /// Raw numbers that mean "not available".
    pub invalid: Vec<u64>,
    /// When it is there, for a multiplexed signal. The innermost selector comes first, its own selector after it.
    pub selectors: Vec<Selector>,
}

impl SignalSource {
    /// A source in the quantity's own unit, with nothing marked invalid.
    pub fn plain(carrier: Carrier, field: Field, factor: f64, quantity: Quantity) -> Self {
        Self {
            carrier,
            field,
            factor,
            offset: 0.0,
            unit: quantity.unit(),
            unit_factor: 1.0,
            invalid: Vec::new(),
            selectors: Vec::new(),
        }
    }

    /// The value of a raw number in the quantity's own unit; NaN where it is marked as invalid.
    #[inline]
    pub fn value(&self, raw: u64) -> f64 {
        if self.invalid.contains(&raw) {
            return f64::NAN;
        }
        (self.field.number(raw) * self.factor + self.offset) * self.unit_factor
    }

    /// The smallest step of its value, in the quantity's own unit; 0 for a floating-point number.
    pub fn quantum(&self) -> f64 {
        use super::field::Coding;
        match self.field.coding() {
            Coding::Unsigned | Coding::Signed => (self.factor * self.unit_factor).abs(),
            Coding::Float32 | Coding::Float64 => 0.0,
        }
    }

    /// Whether the data hold it: always, unless it is multiplexed.
    pub fn selected(&self, data: &[u8]) -> bool {
        self.selectors.iter().all(|selector| {
            let raw = selector.field.raw(data);
            raw.is_some_and(|raw| {
                let mut ranges = selector.ranges.iter();
                ranges.any(|&(first, last)| (first..=last).contains(&raw))
            })
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::field::{ByteOrder, Coding};

    #[test]
    fn values_and_marks() {
        let field = Field::new(7, 16, ByteOrder::Big, Coding::Unsigned).unwrap();
        let id = CanId::standard(0x1A0).unwrap();
        let mut source = SignalSource::plain(Carrier::Frame(id), field, 0.01, Quantity::Speed);
        source.offset = -67.67;
        source.invalid = vec![0xFFFF];
        assert!((source.value(0x2977) - 38.48).abs() < 1e-4);
        assert!(source.value(0xFFFF).is_nan());
        assert!((source.quantum() - 0.01).abs() < 1e-12);
    }

    #[test]
    fn every_name_has_its_own_slot() {
        let mut signals = Signals::default();
        for (index, name) in SignalName::ALL.into_iter().enumerate() {
            let slot = name.slot(&mut signals);
            assert!(slot.is_none(), "{}", name.id());
            *slot = Some(Trace::new(f64::from(u32::try_from(index).unwrap())));
        }
    }
}
