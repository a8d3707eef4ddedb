//! The vehicle profile: modules and their addresses, wheel data, and where the signals are (docs/profile.md).
//!
//! [`Profile::parse`] takes the text; files that it refers to are read by a function of the caller's. It reports every
//! fault at once, each with its place in the file and what is possible there.

mod fault;
mod file;
mod load;
mod place_signal;
mod print;
mod shape;
mod tyre;

use std::io;
use std::path::Path;

use crate::transport::{Address, AddressBook, Addressing, Conversation};
use crate::vehicle::{Role, WheelData};

pub use fault::{Fault, ProfileErrors};
pub use file::{
    FunctionalFile, ModuleFile, ProfileFile, SignalFile, SignalsFile, SpeedsFile, WheelsFile,
};
pub use tyre::{Tyre, TyreError};

use super::{Carrier, SignalName, SignalSource};

/// A profile, checked.
#[derive(Clone, Debug, Default)]
pub struct Profile {
    /// What it is for, in its writer's words; may be empty.
    pub name: String,
    /// The modules that can be asked.
    pub modules: Vec<ProfileModule>,
    /// Addresses of requests to all modules.
    pub functional: Vec<Address>,
    /// The wheels' data.
    pub wheels: WheelData,
    /// Where the wheels' speeds are, in the order of [`crate::place::Wheel::ALL`].
    pub speeds: [Option<SignalSource>; 4],
    /// Supply voltage at the ABS module.
    pub supply_voltage: Option<SignalSource>,
    /// Battery voltage anywhere else.
    pub battery_voltage: Option<SignalSource>,
    /// The vehicle's own speed.
    pub vehicle_speed: Option<SignalSource>,
    /// Yaw rate, positive to the left.
    pub yaw_rate: Option<SignalSource>,
    /// Angle of the steering wheel, positive to the left.
    pub steering_angle: Option<SignalSource>,
    /// Brake pedal pressed.
    pub brake_switch: Option<SignalSource>,
    /// ABS regulating.
    pub abs_active: Option<SignalSource>,
    /// Fluid level low.
    pub fluid_low: Option<SignalSource>,
}

/// A module of a profile.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct ProfileModule {
    /// Its name.
    pub name: String,
    /// What it is for; [`Role::Unknown`] when the profile does not say.
    pub role: Role,
    /// Where requests to it go.
    pub request: Address,
    /// Where its answers come from.
    pub response: Address,
    /// How its messages are addressed.
    pub addressing: Addressing,
    /// Which language it speaks.
    pub protocol: Protocol,
}

impl ProfileModule {
    /// Its conversation with the tester.
    pub const fn conversation(&self) -> Conversation {
        Conversation {
            request: self.request,
            response: self.response,
            addressing: self.addressing,
        }
    }
}

/// Which diagnostic language a module speaks.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Protocol {
    /// ISO 14229.
    Uds,
    /// KWP 2000 (ISO 14230-3).
    Kwp,
    /// SAE J1979 / ISO 15031-5 only.
    Obd,
}

impl Protocol {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Uds, Self::Kwp, Self::Obd];

    /// The word for it in files.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Uds => "uds",
            Self::Kwp => "kwp",
            Self::Obd => "obd",
        }
    }
}

impl Profile {
    /// How many data bytes an identifier of the module that answers from `response` has at least: as far as the signals
    /// reach that stand in it.
    pub fn least_length(&self, response: Address, id: u16) -> Option<usize> {
        let sources = self.sources().map(|(_, source)| source);
        let inside = sources.filter(|source| match source.carrier {
            Carrier::Identifier { module, did } => {
                let module = self.modules.get(module);
                did == id && module.is_some_and(|module| module.response == response)
            }
            Carrier::Frame(_) | Carrier::Parameter(_) => false,
        });
        inside.map(|source| source.field.bytes_needed()).max()
    }

    /// Reads a profile. `name` stands before each fault; `read_file` gets the paths of DBC files as written, relative to
    /// the profile.
    ///
    /// ```
    /// use tonering::signal::profile::Profile;
    /// let text = "profile: 1\nmodules:\n  - { name: Brake control, role: brakes, request: 0x740, response: 0x748 }\n";
    /// let profile = Profile::parse(text, "car.yaml", &mut |_| Err(std::io::ErrorKind::NotFound.into()))?;
    /// assert_eq!(profile.modules[0].request.to_string(), "0x740");
    /// # Ok::<(), tonering::signal::profile::ProfileErrors>(())
    /// ```
    pub fn parse(
        text: &str,
        name: &str,
        read_file: &mut dyn FnMut(&Path) -> io::Result<Vec<u8>>,
    ) -> Result<Self, ProfileErrors> {
        load::load(text, name, read_file)
    }

    /// Every signal that it places, in the order of [`SignalName::ALL`].
    pub fn sources(&self) -> impl Iterator<Item = (SignalName, &SignalSource)> {
        let [left_front, right_front, left_rear, right_rear] = &self.speeds;
        let all = [
            left_front,
            right_front,
            left_rear,
            right_rear,
            &self.supply_voltage,
            &self.battery_voltage,
            &self.vehicle_speed,
            &self.yaw_rate,
            &self.steering_angle,
            &self.brake_switch,
            &self.abs_active,
            &self.fluid_low,
        ];
        let named = SignalName::ALL.into_iter().zip(all);
        named.filter_map(|(name, source)| source.as_ref().map(|source| (name, source)))
    }

    /// Who talks to whom, for the transport: every module's conversation and the addresses of requests to all.
    pub fn address_book(&self) -> AddressBook {
        let mut book = AddressBook::new();
        for module in &self.modules {
            // What does not fit was a fault when the profile was read.
            let _ = book.add(module.conversation());
        }
        for &address in &self.functional {
            let addressing = match address {
                Address::Can {
                    extension: Some(_), ..
                } => Addressing::Extended,
                _ => Addressing::Normal,
            };
            book.add_functional(address, addressing);
        }
        book
    }

    /// The profile as YAML that [`Profile::parse`] reads to the same effect: identifiers in hexadecimal, signals of a DBC
    /// file written out.
    pub fn to_yaml(&self) -> String {
        print::yaml(self)
    }
}

#[cfg(test)]
mod tests;
