//! A simulated vehicle: wheels, sensors and modules with chosen faults, by physics.
//!
//! Motion turns wheels, rings pass sensors, edges become pulses or not, the module counts pulses in windows,
//! filters, rounds and sends. A defect is put in where it sits (a tooth, a gap, a wire, a resistance) and nowhere
//! else; what a capture shows of it comes out of the chain. The same [`Settings`] give the same bytes on every
//! machine.

mod brakes;
mod bus;
mod codes;
mod corner;
mod counter;
mod curve;
mod debounce;
mod drive;
mod electrics;
mod fault;
mod hand;
mod kinematics;
mod layout;
mod line;
mod memory;
mod neighbour;
mod network;
mod notes;
mod population;
mod profile;
mod random;
mod readings;
mod ring;
mod sensor;
mod server;
mod settings;
mod talk;
mod tester;
mod truth;
mod vehicle;
mod watch;
mod whole;

#[cfg(test)]
mod tests;

pub use bus::RigFrame;
pub use codes::Numbering;
pub use drive::Drive;
pub use fault::{Defect, Fault, FaultWanted, ParseFaultError, causes};
pub use hand::{CHECKS, Reading, UnknownCheck};
pub use kinematics::{Geometry, wheel_speeds};
pub use layout::{Layout, SignalPlace, Style};
pub use notes::notes_yaml;
pub use population::random_case;
pub use profile::profile_yaml;
pub use random::Random;
pub use ring::Ring;
pub use sensor::Sensor;
pub use settings::{Delivery, ModuleName, Moment, Scheme, Settings, Survey};
pub use talk::{MAX_PAYLOAD, Outgoing, Talk};
pub use truth::{TrueCause, Truth};
pub use vehicle::Vehicle;
