//! Signals: where they are in frames and answers (profile, DBC), and their values over time.

#![warn(clippy::indexing_slicing)]

pub mod dbc;
mod extract;
mod field;
pub mod find;
pub mod profile;
mod source;
#[cfg(test)]
mod test_capture;
mod trace;
mod unit;

pub use extract::{Columns, Extractor, Row, Unsampled};
pub use field::{ByteOrder, Coding, Field, FieldError};
pub use source::{Carrier, Selector, SignalName, SignalSource};
pub use trace::Trace;
pub use unit::{Quantity, Unit, UnitError};

/// Every signal of a record, each `None` when nothing says where it is or no sample was seen.
#[derive(Clone, Debug, Default)]
pub struct Signals {
    /// Wheel speeds in km/h, in the order of [`crate::place::Wheel::ALL`].
    pub speeds: [Option<Trace>; 4],
    /// Supply voltage at the ABS module, in V.
    pub supply_voltage: Option<Trace>,
    /// Battery voltage anywhere else (PID 0x42 without an entry), in V.
    pub battery_voltage: Option<Trace>,
    /// Vehicle speed (PID 0x0D without an entry), in km/h.
    pub vehicle_speed: Option<Trace>,
    /// Yaw rate in rad/s, positive to the left.
    pub yaw_rate: Option<Trace>,
    /// Angle of the steering wheel in rad, positive to the left.
    pub steering_angle: Option<Trace>,
    /// 1 when the brake pedal is pressed.
    pub brake_switch: Option<Trace>,
    /// 1 when the ABS regulates.
    pub abs_active: Option<Trace>,
    /// 1 when the fluid level is low.
    pub fluid_low: Option<Trace>,
}
