//! The profile as it is written: one struct for each block of the YAML. Nothing is checked here but the shape.

use serde::Deserialize;
use serde::de::value::MapAccessDeserializer;
use serde::de::{Deserializer, MapAccess, Visitor};
use std::fmt;

/// A vehicle profile.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ProfileFile {
    /// Version of this file format: 1.
    #[cfg_attr(feature = "schema", schemars(extend("const" = 1)))]
    pub profile: u64,
    /// What this profile is for, in your own words.
    pub name: Option<String>,
    /// The modules that can be asked.
    #[serde(default)]
    pub modules: Vec<ModuleFile>,
    /// Identifiers of requests to all modules.
    #[serde(default)]
    pub functional: Vec<FunctionalFile>,
    /// The wheels, their sensors and their speed signals.
    pub wheels: Option<WheelsFile>,
    /// Other signals.
    pub signals: Option<SignalsFile>,
}

/// A module and its address.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ModuleFile {
    /// Its name, in your own words; each module has its own.
    pub name: String,
    /// What it is for.
    #[cfg_attr(feature = "schema", schemars(extend("enum" = ["brakes", "powertrain", "steering", "body", "gateway", "cluster", "restraint", "other"])))]
    pub role: Option<String>,
    /// CAN identifier of requests to it.
    pub request: u64,
    /// CAN identifier of its answers.
    pub response: u64,
    /// How its messages are addressed (ISO 15765-2); `normal` when absent.
    #[cfg_attr(feature = "schema", schemars(extend("enum" = ["normal", "normal-fixed", "extended", "mixed"])))]
    pub addressing: Option<String>,
    /// First data byte of requests, for extended and mixed addressing.
    pub request_extension: Option<u64>,
    /// First data byte of answers, for extended and mixed addressing.
    pub response_extension: Option<u64>,
    /// Which language it speaks; `uds` when absent.
    #[cfg_attr(feature = "schema", schemars(extend("enum" = ["uds", "kwp", "obd"])))]
    pub protocol: Option<String>,
    /// 29-bit identifiers although they are below 0x800.
    pub extended_id: Option<bool>,
}

/// Where requests to all modules go: an identifier, or a map with the extension byte.
#[derive(Clone, Debug)]
pub struct FunctionalFile {
    /// The CAN identifier.
    pub id: u64,
    /// First data byte, for extended and mixed addressing.
    pub request_extension: Option<u64>,
    /// A 29-bit identifier although it is below 0x800.
    pub extended_id: Option<bool>,
}

/// The wheels.
#[derive(Clone, Debug, Default, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct WheelsFile {
    /// Tyre size: `205/55R16`.
    pub tyre: Option<String>,
    /// Rolling circumference in metres, instead of the tyre.
    pub circumference_m: Option<f64>,
    /// Teeth or pole pairs of the tone ring or encoder.
    pub teeth: Option<u64>,
    /// The sensors' kind.
    #[cfg_attr(feature = "schema", schemars(extend("enum" = ["active", "passive"])))]
    pub sensor: Option<String>,
    /// Distance of the wheels of an axle in metres.
    pub track_m: Option<f64>,
    /// Distance of the axles in metres.
    pub wheelbase_m: Option<f64>,
    /// Where the wheels' speeds are.
    pub speeds: Option<SpeedsFile>,
}

/// Where the wheels' speeds are.
#[derive(Clone, Debug, Default, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct SpeedsFile {
    /// Left front.
    pub left_front: Option<SignalFile>,
    /// Right front.
    pub right_front: Option<SignalFile>,
    /// Left rear.
    pub left_rear: Option<SignalFile>,
    /// Right rear.
    pub right_rear: Option<SignalFile>,
}

/// Other signals.
#[derive(Clone, Debug, Default, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct SignalsFile {
    /// Supply voltage measured at the ABS module.
    pub supply_voltage: Option<SignalFile>,
    /// Battery voltage measured anywhere else.
    pub battery_voltage: Option<SignalFile>,
    /// The vehicle's own speed.
    pub vehicle_speed: Option<SignalFile>,
    /// Yaw rate, positive to the left.
    pub yaw_rate: Option<SignalFile>,
    /// Angle of the steering wheel, positive to the left.
    pub steering_angle: Option<SignalFile>,
    /// 1 when the brake pedal is pressed.
    pub brake_switch: Option<SignalFile>,
    /// 1 when the ABS regulates.
    pub abs_active: Option<SignalFile>,
    /// 1 when the fluid level is low.
    pub fluid_low: Option<SignalFile>,
}

/// Where one signal is: in a frame (`frame`), in an identifier's data (`did` and `module`), in a mode 01 parameter (`pid`),
/// or where a DBC file says (`dbc`, `message` and `signal`).
#[derive(Clone, Debug, Default, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct SignalFile {
    /// CAN identifier of the frame.
    pub frame: Option<u64>,
    /// A 29-bit identifier although it is below 0x800.
    pub extended_id: Option<bool>,
    /// Data identifier.
    pub did: Option<u64>,
    /// Name of the module that is asked for the data identifier.
    pub module: Option<String>,
    /// Mode 01 parameter.
    pub pid: Option<u64>,
    /// Path of a DBC file, relative to the profile.
    pub dbc: Option<String>,
    /// Name of the message in the DBC file.
    pub message: Option<String>,
    /// Name of the signal in the DBC file.
    pub signal: Option<String>,
    /// DBC bit number: the least significant bit for `little`, the most significant for `big`.
    pub start_bit: Option<u64>,
    /// Bits: 1 to 64.
    pub length: Option<u64>,
    /// Which byte comes first.
    #[cfg_attr(feature = "schema", schemars(extend("enum" = ["big", "little"])))]
    pub byte_order: Option<String>,
    /// A two's-complement number; unsigned when absent.
    pub signed: Option<bool>,
    /// The step of the raw number; 1 when absent.
    pub factor: Option<f64>,
    /// The value of raw 0; 0 when absent.
    pub offset: Option<f64>,
    /// The unit of factor and offset.
    #[cfg_attr(feature = "schema", schemars(extend("enum" = ["km/h", "m/s", "mph", "rpm", "Hz", "rad/s", "deg/s", "rad", "deg", "V", "mV"])))]
    pub unit: Option<String>,
    /// Raw numbers that mean "not available".
    #[serde(default)]
    pub invalid: Vec<i128>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FunctionalMap {
    id: u64,
    request_extension: Option<u64>,
    extended_id: Option<bool>,
}

impl<'de> Deserialize<'de> for FunctionalFile {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct NumberOrMap;

        impl<'de> Visitor<'de> for NumberOrMap {
            type Value = FunctionalFile;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(
                    "a CAN identifier such as 0x7DF, or { id: 0x6F1, request_extension: 0xDF }",
                )
            }

            fn visit_u64<E>(self, id: u64) -> Result<FunctionalFile, E> {
                Ok(FunctionalFile {
                    id,
                    request_extension: None,
                    extended_id: None,
                })
            }

            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<FunctionalFile, A::Error> {
                let map = FunctionalMap::deserialize(MapAccessDeserializer::new(map))?;
                Ok(FunctionalFile {
                    id: map.id,
                    request_extension: map.request_extension,
                    extended_id: map.extended_id,
                })
            }
        }

        deserializer.deserialize_any(NumberOrMap)
    }
}

#[cfg(feature = "schema")]
impl schemars::JsonSchema for FunctionalFile {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "FunctionalFile".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "description": "Where requests to all modules go: an identifier, or a map with the extension byte.",
            "anyOf": [
                { "type": "integer", "minimum": 0 },
                {
                    "type": "object",
                    "properties": {
                        "id": { "type": "integer", "minimum": 0, "description": "The CAN identifier." },
                        "request_extension": {
                            "type": "integer", "minimum": 0, "maximum": 255,
                            "description": "First data byte, for extended and mixed addressing."
                        },
                        "extended_id": {
                            "type": "boolean",
                            "description": "A 29-bit identifier although it is below 0x800."
                        }
                    },
                    "required": ["id"],
                    "additionalProperties": false
                }
            ]
        })
    }
}
