//! The profile of a simulated vehicle: what a person with its papers would write down.

use std::fmt::Write as _;

use super::layout::SignalPlace;
use super::server::{DID_SUPPLY, DID_WHEEL};
use super::settings::{Delivery, ModuleName, Settings};
use crate::place::Wheel;
use crate::vehicle::SensorKind;

/// The profile as YAML, called `name`.
pub fn profile_yaml(settings: &Settings, name: &str) -> String {
    let mut text = format!("profile: 1\nname: {name}\n");
    modules(&mut text, settings);
    wheels(&mut text, settings);
    signals(&mut text, settings);
    text
}

/// Writing to a string cannot fail.
const NEVER: &str = "because a string takes everything";

fn modules(text: &mut String, settings: &Settings) {
    text.push_str("modules:\n");
    for module in ModuleName::ALL {
        let (request, response) = settings.scheme.addresses(module);
        let addressing = if request.is_extended() {
            "normal-fixed"
        } else {
            "normal"
        };
        let (name, role) = (module.words(), module.role());
        write!(
            text,
            "  - name: {name}\n    role: {role}\n    request: {request}\n    response: {response}\n    \
             addressing: {addressing}\n    protocol: uds\n"
        )
        .expect(NEVER);
    }
    let functional = settings.scheme.functional();
    writeln!(text, "functional: [{functional}]").expect(NEVER);
}

fn wheels(text: &mut String, settings: &Settings) {
    let sensor = match settings.sensor {
        SensorKind::Active => "active",
        SensorKind::Passive => "passive",
    };
    write!(
        text,
        "wheels:\n  tyre: {}\n  teeth: {}\n  sensor: {sensor}\n  track_m: {}\n  wheelbase_m: {}\n",
        settings.tyre, settings.teeth, settings.geometry.track_m, settings.geometry.wheelbase_m
    )
    .expect(NEVER);
    if settings.delivery == Delivery::Absent {
        return;
    }
    text.push_str("  speeds:\n");
    for (did, (wheel, place)) in
        (DID_WHEEL..).zip(Wheel::ALL.into_iter().zip(settings.layout.wheels))
    {
        let id = wheel.id();
        let signal = match settings.delivery {
            Delivery::Broadcast => framed(&place, "km/h"),
            Delivery::Polled { .. } | Delivery::Absent => {
                polled(did, 16, 0.01, "km/h", ", invalid: [0xFFFF]")
            }
        };
        writeln!(text, "    {id}: {signal}").expect(NEVER);
    }
}

fn signals(text: &mut String, settings: &Settings) {
    let layout = &settings.layout;
    let entries = [
        ("supply_voltage", polled(DID_SUPPLY, 8, 0.1, "V", "")),
        ("battery_voltage", framed(&layout.battery_voltage, "V")),
        ("yaw_rate", framed(&layout.yaw_rate, "deg/s")),
        ("steering_angle", framed(&layout.steering_angle, "deg")),
        ("brake_switch", flag(&layout.brake_switch)),
        ("abs_active", flag(&layout.abs_active)),
        ("fluid_low", flag(&layout.fluid_low)),
    ];
    text.push_str("signals:\n");
    for (name, signal) in entries {
        writeln!(text, "  {name}: {signal}").expect(NEVER);
    }
}

fn framed(place: &SignalPlace, unit: &str) -> String {
    let order = if place.big { "big" } else { "little" };
    let invalid = match place.invalid {
        Some(mark) => format!(", invalid: [0x{mark:X}]"),
        None => String::new(),
    };
    format!(
        "{{ frame: 0x{:03X}, start_bit: {}, length: {}, byte_order: {order}, factor: {}, offset: {}, unit: {unit}{invalid} }}",
        place.frame, place.start_bit, place.length, place.factor, place.offset
    )
}

fn flag(place: &SignalPlace) -> String {
    format!(
        "{{ frame: 0x{:03X}, start_bit: {}, length: 1, byte_order: little }}",
        place.frame, place.start_bit
    )
}

fn polled(did: u16, length: u8, factor: f64, unit: &str, more: &str) -> String {
    format!(
        "{{ did: 0x{did:04X}, module: Brake control, start_bit: 7, length: {length}, byte_order: big, \
         factor: {factor}, unit: {unit}{more} }}"
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rig::{Layout, Scheme, Style};
    use crate::signal::profile::Profile;

    #[test]
    fn every_profile_is_one_that_the_program_reads() {
        for style in Style::ALL {
            for scheme in [Scheme::Normal, Scheme::NormalFixed] {
                for delivery in [
                    Delivery::Broadcast,
                    Delivery::Polled { rate_hz: 4.0 },
                    Delivery::Absent,
                ] {
                    let settings = Settings {
                        layout: Layout::new(style, 8, 10),
                        scheme,
                        delivery,
                        ..Settings::training(1)
                    };
                    let text = profile_yaml(&settings, "Training vehicle");
                    let mut none = |_: &std::path::Path| Err(std::io::ErrorKind::NotFound.into());
                    let profile = Profile::parse(&text, "profile.yaml", &mut none)
                        .unwrap_or_else(|error| panic!("{error}\n{text}"));
                    assert_eq!(profile.modules.len(), 4);
                    let speeds = profile.speeds.iter().flatten().count();
                    assert_eq!(speeds, if delivery == Delivery::Absent { 0 } else { 4 });
                    assert!(profile.supply_voltage.is_some());
                }
            }
        }
    }
}
