//! What the modules know at one moment and tell when asked.

/// Readings of the moment, in the units of the field names.
#[expect(
    clippy::struct_excessive_bools,
    reason = "independent signals, not states of one machine"
)]
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Readings {
    /// As the brake module sends them; `None`: marked invalid.
    pub(super) wheels_kmh: [Option<f64>; 4],
    /// As everybody but the brake module takes it.
    pub(super) speed_kmh: f64,
    pub(super) engine_rpm: f64,
    pub(super) coolant_c: f64,
    pub(super) battery_v: f64,
    /// At the brake module.
    pub(super) supply_v: f64,
    pub(super) yaw_deg_s: f64,
    pub(super) steering_deg: f64,
    pub(super) pressure_bar: f64,
    pub(super) brake_switch: bool,
    pub(super) abs_active: bool,
    pub(super) fluid_low: bool,
    pub(super) abs_lamp: bool,
}
