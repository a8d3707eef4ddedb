//! From the profile as written to the profile as meant: every choice resolved, every number checked.

use std::collections::BTreeMap;
use std::io;
use std::path::Path;

use crate::frame::CanId;
use crate::place::Wheel;
use crate::transport::{Address, AddressBook, Addressing};
use crate::vehicle::{Role, SensorKind, WheelData};
use crate::yaml;

use super::fault::{
    Fault, MAX_FAULTS, ProfileErrors, Step, fault_of, path_text, place_of, read_at,
};
use super::file::{FunctionalFile, ModuleFile, ProfileFile, SignalFile, WheelsFile};
use super::place_signal;
use super::{Profile, ProfileModule, Protocol, Tyre, shape};
use crate::signal::dbc::Dbc;
use crate::signal::{SignalName, SignalSource};

/// The version of the file format.
const VERSION: u64 = 1;
/// Longest profile that is read, in bytes.
const MAX_TEXT: usize = 256 << 10;

/// How files beside the profile are read: the path as written in the profile in, its bytes out.
pub(super) type ReadFile<'a> = dyn FnMut(&Path) -> io::Result<Vec<u8>> + 'a;

/// The state of a load: the text, the faults so far, the DBC files read so far.
pub(super) struct Loader<'a> {
    text: &'a str,
    faults: Vec<Fault>,
    read_file: &'a mut ReadFile<'a>,
    dbc_files: BTreeMap<String, Result<Dbc, String>>,
}

/// The parts of a profile that could be read.
#[derive(Default)]
struct Parts {
    version: Option<u64>,
    name: Option<String>,
    modules: Vec<Option<ModuleFile>>,
    functional: Vec<Option<FunctionalFile>>,
    wheels: Option<WheelsFile>,
    signals: Vec<(SignalName, SignalFile)>,
}

pub(super) fn load<'a>(
    text: &'a str,
    file: &str,
    read_file: &'a mut ReadFile<'a>,
) -> Result<Profile, ProfileErrors> {
    let mut loader = Loader {
        text,
        faults: Vec::new(),
        read_file,
        dbc_files: BTreeMap::new(),
    };
    let profile = if text.len() > MAX_TEXT {
        loader.fault(&[], format!("longer than {MAX_TEXT} bytes"));
        Profile::default()
    } else if let Err(deep) = yaml::check_depth(text) {
        loader.faults.push(Fault {
            line: Some(deep.line),
            column: Some(deep.column),
            path: String::new(),
            text: deep.to_string(),
        });
        Profile::default()
    } else {
        let parts = loader.parts();
        loader.resolve(parts)
    };
    if loader.faults.is_empty() {
        return Ok(profile);
    }
    let mut faults = loader.faults;
    faults.sort_by_key(|fault| (fault.line, fault.column));
    faults.truncate(MAX_FAULTS);
    Err(ProfileErrors {
        file: file.to_owned(),
        faults,
    })
}

impl Loader<'_> {
    /// Notes a fault at a path.
    pub(super) fn fault(&mut self, path: &[Step<'_>], text: impl Into<String>) {
        if self.faults.len() >= MAX_FAULTS {
            return;
        }
        let (line, column) = if path.is_empty() {
            (None, None)
        } else {
            place_of(self.text, path)
        };
        self.faults.push(Fault {
            line,
            column,
            path: path_text(path),
            text: text.into(),
        });
    }

    /// Reads the file; where its shape is wrong, whatever of it can be read.
    fn parts(&mut self) -> Parts {
        let error = match serde_yaml::from_str::<ProfileFile>(self.text) {
            Ok(file) => return whole(file),
            Err(error) => error,
        };
        self.faults = shape::faults(self.text);
        if self.faults.is_empty() {
            self.faults.push(fault_of(&error));
        }
        let text = self.text;
        let modules = super::fault::entries_at(text, &[Step::Key("modules")]);
        let functional = super::fault::entries_at(text, &[Step::Key("functional")]);
        let mut parts = Parts {
            version: read_at(text, &[Step::Key("profile")]).ok().flatten(),
            ..Parts::default()
        };
        for index in 0..modules.min(MAX_FAULTS) {
            let module = read_at(text, &[Step::Key("modules"), Step::Index(index)]);
            parts.modules.push(module.ok().flatten());
        }
        for index in 0..functional.min(MAX_FAULTS) {
            let entry = read_at(text, &[Step::Key("functional"), Step::Index(index)]);
            parts.functional.push(entry.ok().flatten());
        }
        parts.wheels = read_at(text, &[Step::Key("wheels")]).ok().flatten();
        for name in SignalName::ALL {
            if let Ok(Some(signal)) = read_at(text, &path_of(name)) {
                parts.signals.push((name, signal));
            }
        }
        parts
    }

    fn resolve(&mut self, parts: Parts) -> Profile {
        if let Some(version) = parts.version
            && version != VERSION
        {
            let text =
                format!("version {version} of the profile format is not known; {VERSION} is");
            self.fault(&[Step::Key("profile")], text);
        }
        let modules = self.modules(&parts.modules);
        let functional = self.functional(&parts.functional);
        let wheels = parts.wheels.unwrap_or_default();
        let wheel_data = self.wheel_data(&wheels);
        let mut profile = Profile {
            name: parts.name.unwrap_or_default(),
            modules,
            functional,
            wheels: wheel_data,
            ..Profile::default()
        };
        for (name, signal) in parts.signals {
            let place = place_signal::Context {
                name,
                path: path_of(name),
                names: &parts.modules,
                wheels: &wheel_data,
            };
            if let Some(source) = place_signal::resolve(self, &place, &signal) {
                *slot(&mut profile, name) = Some(source);
            }
        }
        profile
    }

    fn modules(&mut self, files: &[Option<ModuleFile>]) -> Vec<ProfileModule> {
        let mut modules = Vec::new();
        let mut book = AddressBook::new();
        for (index, file) in files.iter().enumerate() {
            let Some(file) = file else { continue };
            let at = |key| [Step::Key("modules"), Step::Index(index), Step::Key(key)];
            if file.name.trim().is_empty() {
                self.fault(&at("name"), "a name belongs here");
            }
            let mut before = files.iter().take(index).flatten();
            if before.any(|before| before.name == file.name) {
                let text = format!(
                    "a second module named {:?}; each has its own name",
                    file.name
                );
                self.fault(&at("name"), text);
            }
            let role = self.choice(&at("role"), file.role.as_deref(), ROLES, Role::Unknown);
            let protocol = Protocol::ALL.map(|protocol| (protocol.id(), protocol));
            let protocol = self.choice(
                &at("protocol"),
                file.protocol.as_deref(),
                &protocol,
                Protocol::Uds,
            );
            let addressing = self.choice(
                &at("addressing"),
                file.addressing.as_deref(),
                ADDRESSINGS,
                Addressing::Normal,
            );
            let wide = file.extended_id.unwrap_or(false) || addressing == Addressing::NormalFixed;
            let extended = matches!(addressing, Addressing::Extended | Addressing::Mixed);
            let mut address = |id_key, id, byte_key, byte| {
                let id = self.identifier(&at(id_key), id, wide)?;
                let extension = self.extension(&at(byte_key), byte, Some(extended))?;
                Some(Address::Can { id, extension })
            };
            let request = address(
                "request",
                file.request,
                "request_extension",
                file.request_extension,
            );
            let response = address(
                "response",
                file.response,
                "response_extension",
                file.response_extension,
            );
            let (Some(request), Some(response)) = (request, response) else {
                continue;
            };
            let module = ProfileModule {
                name: file.name.clone(),
                role,
                request,
                response,
                addressing,
                protocol,
            };
            if let Err(error) = book.add(module.conversation()) {
                self.fault(&at("request"), error.to_string());
            }
            modules.push(module);
        }
        modules
    }

    fn functional(&mut self, files: &[Option<FunctionalFile>]) -> Vec<Address> {
        let mut addresses = Vec::new();
        for (index, file) in files.iter().enumerate() {
            let Some(file) = file else { continue };
            let entry = [Step::Key("functional"), Step::Index(index)];
            let byte_at = [
                Step::Key("functional"),
                Step::Index(index),
                Step::Key("request_extension"),
            ];
            let id = self.identifier(&entry, file.id, file.extended_id.unwrap_or(false));
            let extension = self.extension(&byte_at, file.request_extension, None);
            if let (Some(id), Some(extension)) = (id, extension) {
                addresses.push(Address::Can { id, extension });
            }
        }
        addresses
    }

    /// A CAN identifier: 29 bits wide when asked for or when it does not fit 11.
    pub(super) fn identifier(&mut self, path: &[Step<'_>], raw: u64, wide: bool) -> Option<CanId> {
        let id = u32::try_from(raw).ok().and_then(|raw| {
            if wide || raw > CanId::MAX_STANDARD {
                CanId::extended(raw).ok()
            } else {
                CanId::standard(raw).ok()
            }
        });
        if id.is_none() {
            let text = format!(
                "0x{raw:X} is no CAN identifier (0x000 to 0x7FF, or up to 0x1FFFFFFF with 29 bits)"
            );
            self.fault(path, text);
        }
        id
    }

    /// An extension byte: needed, forbidden, or free. `None` when it is wrong.
    #[expect(
        clippy::option_option,
        reason = "wrong, absent and present are three things"
    )]
    fn extension(
        &mut self,
        path: &[Step<'_>],
        byte: Option<u64>,
        needed: Option<bool>,
    ) -> Option<Option<u8>> {
        match (byte, needed) {
            (None, Some(true)) => {
                self.fault(path, "missing: extended and mixed addressing need the first data byte (0x00 to 0xFF)");
                None
            }
            (Some(_), Some(false)) => {
                self.fault(
                    path,
                    "only extended and mixed addressing have an extension byte",
                );
                None
            }
            (Some(byte), _) => {
                let extension = u8::try_from(byte).ok();
                if extension.is_none() {
                    self.fault(path, format!("0x{byte:X} is no byte (0x00 to 0xFF)"));
                }
                extension.map(Some)
            }
            (None, _) => Some(None),
        }
    }

    /// One of a list of words; `default` when absent or wrong.
    pub(super) fn choice<T: Copy>(
        &mut self,
        path: &[Step<'_>],
        word: Option<&str>,
        possible: &[(&str, T)],
        default: T,
    ) -> T {
        let Some(word) = word else { return default };
        if let Some((_, value)) = possible.iter().find(|(known, _)| *known == word) {
            return *value;
        }
        let words: Vec<_> = possible.iter().map(|(known, _)| *known).collect();
        self.fault(
            path,
            format!("{word:?} is not known; possible here: {}", words.join(", ")),
        );
        default
    }

    fn wheel_data(&mut self, file: &WheelsFile) -> WheelData {
        let at = |key| [Step::Key("wheels"), Step::Key(key)];
        let mut circumference = self.within(&at("circumference_m"), file.circumference_m, 0.5, 5.0);
        if let Some(text) = &file.tyre {
            match text.parse::<Tyre>() {
                Err(error) => self.fault(&at("tyre"), error.to_string()),
                Ok(_) if file.circumference_m.is_some() => {
                    self.fault(&at("tyre"), "give the tyre or circumference_m, not both");
                }
                Ok(tyre) => circumference = Some(tyre.circumference_m()),
            }
        }
        let teeth = file.teeth.and_then(|teeth| {
            let checked = u32::try_from(teeth)
                .ok()
                .filter(|teeth| (1..=1_000).contains(teeth));
            if checked.is_none() {
                self.fault(
                    &at("teeth"),
                    format!("{teeth} is no number of teeth (1 to 1000)"),
                );
            }
            checked
        });
        let kinds = [
            ("active", Some(SensorKind::Active)),
            ("passive", Some(SensorKind::Passive)),
        ];
        WheelData {
            circumference_m: circumference,
            teeth,
            sensor: self.choice(&at("sensor"), file.sensor.as_deref(), &kinds, None),
            track_m: self.within(&at("track_m"), file.track_m, 0.5, 4.0),
            wheelbase_m: self.within(&at("wheelbase_m"), file.wheelbase_m, 0.8, 10.0),
        }
    }

    fn within(
        &mut self,
        path: &[Step<'_>],
        value: Option<f64>,
        low: f64,
        high: f64,
    ) -> Option<f64> {
        let value = value?;
        if (low..=high).contains(&value) {
            return Some(value);
        }
        self.fault(
            path,
            format!("{value} m is not possible ({low} to {high} m)"),
        );
        None
    }

    /// A DBC file, read once; its error when it cannot be read.
    pub(super) fn dbc(&mut self, path: &str) -> &Result<Dbc, String> {
        let read_file = &mut self.read_file;
        let read = || match read_file(Path::new(path)) {
            Ok(bytes) => Ok(Dbc::parse(&bytes)),
            Err(error) => Err(format!("{path:?} cannot be read: {error}")),
        };
        self.dbc_files.entry(path.to_owned()).or_insert_with(read)
    }
}

const ROLES: &[(&str, Role)] = &[
    ("brakes", Role::Brakes),
    ("powertrain", Role::Powertrain),
    ("steering", Role::Steering),
    ("body", Role::Body),
    ("gateway", Role::Gateway),
    ("cluster", Role::Cluster),
    ("restraint", Role::Restraint),
    ("other", Role::Other),
];

const ADDRESSINGS: &[(&str, Addressing)] = &[
    ("normal", Addressing::Normal),
    ("normal-fixed", Addressing::NormalFixed),
    ("extended", Addressing::Extended),
    ("mixed", Addressing::Mixed),
];

/// All of a file that has the right shape.
fn whole(file: ProfileFile) -> Parts {
    let mut signals = Vec::new();
    let mut add = |name, signal: Option<SignalFile>| {
        signals.extend(signal.map(|signal| (name, signal)));
    };
    let mut wheels = file.wheels;
    if let Some(speeds) = wheels.as_mut().and_then(|wheels| wheels.speeds.take()) {
        add(SignalName::Speed(Wheel::LeftFront), speeds.left_front);
        add(SignalName::Speed(Wheel::RightFront), speeds.right_front);
        add(SignalName::Speed(Wheel::LeftRear), speeds.left_rear);
        add(SignalName::Speed(Wheel::RightRear), speeds.right_rear);
    }
    if let Some(others) = file.signals {
        add(SignalName::SupplyVoltage, others.supply_voltage);
        add(SignalName::BatteryVoltage, others.battery_voltage);
        add(SignalName::VehicleSpeed, others.vehicle_speed);
        add(SignalName::YawRate, others.yaw_rate);
        add(SignalName::SteeringAngle, others.steering_angle);
        add(SignalName::BrakeSwitch, others.brake_switch);
        add(SignalName::AbsActive, others.abs_active);
        add(SignalName::FluidLow, others.fluid_low);
    }
    Parts {
        version: Some(file.profile),
        name: file.name,
        modules: file.modules.into_iter().map(Some).collect(),
        functional: file.functional.into_iter().map(Some).collect(),
        wheels,
        signals,
    }
}

/// Where a signal stands in the file.
fn path_of(name: SignalName) -> Vec<Step<'static>> {
    match name {
        SignalName::Speed(wheel) => vec![
            Step::Key("wheels"),
            Step::Key("speeds"),
            Step::Key(wheel.id()),
        ],
        other => vec![Step::Key("signals"), Step::Key(other.id())],
    }
}

fn slot(profile: &mut Profile, name: SignalName) -> &mut Option<SignalSource> {
    let [left_front, right_front, left_rear, right_rear] = &mut profile.speeds;
    match name {
        SignalName::Speed(Wheel::LeftFront) => left_front,
        SignalName::Speed(Wheel::RightFront) => right_front,
        SignalName::Speed(Wheel::LeftRear) => left_rear,
        SignalName::Speed(Wheel::RightRear) => right_rear,
        SignalName::SupplyVoltage => &mut profile.supply_voltage,
        SignalName::BatteryVoltage => &mut profile.battery_voltage,
        SignalName::VehicleSpeed => &mut profile.vehicle_speed,
        SignalName::YawRate => &mut profile.yaw_rate,
        SignalName::SteeringAngle => &mut profile.steering_angle,
        SignalName::BrakeSwitch => &mut profile.brake_switch,
        SignalName::AbsActive => &mut profile.abs_active,
        SignalName::FluidLow => &mut profile.fluid_low,
    }
}
