//! A record's traces as input of the wheel mathematics.

use crate::signal::Trace;
use crate::vehicle::Record;
use crate::wheel::{Geometry, Input, Measures, Samples, measure};

/// Measures the wheels of a record.
pub fn measures(record: &Record) -> Measures {
    measure(&input(record))
}

/// The traces of a record, borrowed.
pub fn input(record: &Record) -> Input<'_> {
    let signals = &record.signals;
    let data = &record.wheel_data;
    let usual = Geometry::default();
    Input {
        speeds: signals
            .speeds
            .each_ref()
            .map(|speed| samples(speed.as_ref())),
        geometry: Geometry {
            circumference_m: data.circumference_m.unwrap_or(usual.circumference_m),
            circumference_known: data.circumference_m.is_some(),
            teeth: data.teeth.map(f64::from),
            track_m: data.track_m,
            wheelbase_m: data.wheelbase_m,
        },
        yaw_rate: samples(signals.yaw_rate.as_ref()),
        steering_angle: samples(signals.steering_angle.as_ref()),
        brake_switch: samples(signals.brake_switch.as_ref()),
        abs_active: samples(signals.abs_active.as_ref()),
        vehicle_speed: samples(signals.vehicle_speed.as_ref()),
        supply_voltage: samples(signals.supply_voltage.as_ref()),
        battery_voltage: samples(signals.battery_voltage.as_ref()),
    }
}

fn samples(trace: Option<&Trace>) -> Option<Samples<'_>> {
    trace.map(|trace| {
        Samples::new(&trace.time_s, &trace.value, trace.quantum).with_set_back(&trace.set_back)
    })
}
