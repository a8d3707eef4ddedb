//! A profile as YAML, for a profile that was found rather than written.
//!
//! No general writer puts numbers down in hexadecimal, so this one is ours. Multiplexed and floating-point signals of a DBC
//! file have no form of their own in a profile; they are left out with a comment that says so.

use std::fmt::{Display, Write as _};

use crate::frame::CanId;
use crate::place::Wheel;
use crate::signal::{Carrier, Coding, SignalName, SignalSource, Unit};
use crate::transport::{Address, Addressing};
use crate::unseen::is_unseen;
use crate::vehicle::{Role, SensorKind};

use super::Profile;

pub(super) fn yaml(profile: &Profile) -> String {
    let mut out = String::from("profile: 1\n");
    if !profile.name.is_empty() {
        line(&mut out, 0, "name", quoted(&profile.name));
    }
    modules(&mut out, profile);
    wheels(&mut out, profile);
    let mut others = profile
        .sources()
        .filter(|(name, _)| !is_speed(*name))
        .peekable();
    if others.peek().is_some() {
        out.push_str("signals:\n");
        for (name, source) in others {
            signal(&mut out, 2, name.id(), source, profile);
        }
    }
    out
}

fn is_speed(name: SignalName) -> bool {
    matches!(name, SignalName::Speed(_))
}

fn modules(out: &mut String, profile: &Profile) {
    if !profile.modules.is_empty() {
        out.push_str("modules:\n");
    }
    for module in &profile.modules {
        let _ = writeln!(out, "  - name: {}", quoted(&module.name));
        if module.role != Role::Unknown {
            line(out, 4, "role", module.role.id());
        }
        let (request, response) = (can(module.request), can(module.response));
        let (Some((request, request_byte)), Some((response, response_byte))) = (request, response)
        else {
            continue;
        };
        line(out, 4, "request", request);
        line(out, 4, "response", response);
        if module.addressing != Addressing::Normal {
            line(out, 4, "addressing", addressing_id(module.addressing));
        }
        if let Some(byte) = request_byte {
            line(out, 4, "request_extension", format_args!("0x{byte:02X}"));
        }
        if let Some(byte) = response_byte {
            line(out, 4, "response_extension", format_args!("0x{byte:02X}"));
        }
        line(out, 4, "protocol", module.protocol.id());
        if needs_width(request) || needs_width(response) {
            line(out, 4, "extended_id", true);
        }
    }
    if !profile.functional.is_empty() {
        out.push_str("functional:\n");
    }
    for (id, byte) in profile
        .functional
        .iter()
        .filter_map(|address| can(*address))
    {
        let byte = byte.map(|byte| format!(", request_extension: 0x{byte:02X}"));
        let wide = if needs_width(id) {
            ", extended_id: true"
        } else {
            ""
        };
        let _ = writeln!(out, "  - {{ id: {id}{}{wide} }}", byte.unwrap_or_default());
    }
}

fn wheels(out: &mut String, profile: &Profile) {
    let data = &profile.wheels;
    let mut block = String::new();
    if let Some(metres) = data.circumference_m {
        line(&mut block, 2, "circumference_m", metres);
    }
    if let Some(teeth) = data.teeth {
        line(&mut block, 2, "teeth", teeth);
    }
    if let Some(sensor) = data.sensor {
        let word = match sensor {
            SensorKind::Active => "active",
            SensorKind::Passive => "passive",
        };
        line(&mut block, 2, "sensor", word);
    }
    if let Some(metres) = data.track_m {
        line(&mut block, 2, "track_m", metres);
    }
    if let Some(metres) = data.wheelbase_m {
        line(&mut block, 2, "wheelbase_m", metres);
    }
    if profile.speeds.iter().any(Option::is_some) {
        block.push_str("  speeds:\n");
    }
    for (wheel, source) in Wheel::ALL.into_iter().zip(&profile.speeds) {
        if let Some(source) = source {
            signal(&mut block, 4, wheel.id(), source, profile);
        }
    }
    if !block.is_empty() {
        out.push_str("wheels:\n");
        out.push_str(&block);
    }
}

fn signal(out: &mut String, indent: usize, key: &str, source: &SignalSource, profile: &Profile) {
    let float = matches!(source.field.coding(), Coding::Float32 | Coding::Float64);
    if float || !source.selectors.is_empty() {
        let what = if float {
            "a floating-point number"
        } else {
            "multiplexed"
        };
        let _ = writeln!(
            out,
            "{:indent$}# {key}: {what}; refer to the DBC file for it",
            ""
        );
        return;
    }
    let _ = writeln!(out, "{:indent$}{key}: {{ {} }}", "", entry(source, profile));
}

/// A signal as the inside of a map in one line.
pub(super) fn entry(source: &SignalSource, profile: &Profile) -> String {
    let mut out = match source.carrier {
        Carrier::Frame(id) if needs_width(id) => format!("frame: {id}, extended_id: true"),
        Carrier::Frame(id) => format!("frame: {id}"),
        Carrier::Parameter(pid) => format!("pid: 0x{pid:02X}"),
        Carrier::Identifier { module, did } => {
            let name = profile
                .modules
                .get(module)
                .map(|module| module.name.as_str());
            format!(
                "did: 0x{did:04X}, module: {}",
                quoted(name.unwrap_or_default())
            )
        }
    };
    let field = source.field;
    let order = field.byte_order().id();
    let _ = write!(
        out,
        ", start_bit: {}, length: {}, byte_order: {order}",
        field.start_bit(),
        field.length()
    );
    if field.coding() == Coding::Signed {
        out.push_str(", signed: true");
    }
    let _ = write!(
        out,
        ", factor: {}, offset: {}",
        source.factor, source.offset
    );
    if let Some(unit) = source.unit.map(Unit::id) {
        let _ = write!(out, ", unit: {unit}");
    }
    if !source.invalid.is_empty() {
        let marks: Vec<_> = source
            .invalid
            .iter()
            .map(|mark| format!("0x{mark:X}"))
            .collect();
        let _ = write!(out, ", invalid: [{}]", marks.join(", "));
    }
    out
}

fn line(out: &mut String, indent: usize, key: &str, value: impl Display) {
    let _ = writeln!(out, "{:indent$}{key}: {value}", "");
}

fn can(address: Address) -> Option<(CanId, Option<u8>)> {
    match address {
        Address::Can { id, extension } => Some((id, extension)),
        Address::DoIp { .. } => None,
    }
}

fn needs_width(id: CanId) -> bool {
    id.is_extended() && id.raw() <= CanId::MAX_STANDARD
}

const fn addressing_id(addressing: Addressing) -> &'static str {
    match addressing {
        Addressing::Normal => "normal",
        Addressing::NormalFixed => "normal-fixed",
        Addressing::Extended => "extended",
        Addressing::Mixed => "mixed",
    }
}

/// Text as a YAML scalar in double quotes, with everything written out that would steer a terminal.
fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => {
                out.push('\\');
                out.push(c);
            }
            c if is_unseen(c) => {
                let _ = match u32::from(c) {
                    short @ 0..=0xFFFF => write!(out, "\\u{short:04X}"),
                    long => write!(out, "\\U{long:08X}"),
                };
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}
