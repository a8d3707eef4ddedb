//! On the link: what is heard on a bus while it happens, and what may be put on it.
//!
//! A [`Bus`] is where frames are heard and put; everything above it is told the time and owns no socket. [`Hub`] is a
//! bus in memory with a clock of its own, so that tests need neither an interface nor time; [`Socket`] is an interface of
//! Linux. An [`Ear`] hears an interface and has no way to send.
//!
//! Requests pass one gate, [`permit`]; [`Asker`] sends nothing else. [`Survey`] and [`Seek`] only read; [`clear`] is the one
//! thing that changes anything.

#![warn(clippy::indexing_slicing)]

mod asker;
mod bus;
pub mod clear;
mod errand;
mod error_frame;
#[cfg(target_os = "linux")]
mod facts;
mod gate;
mod health;
mod hub;
mod interface;
#[cfg(any(target_os = "linux", test))]
mod netlink;
#[cfg(target_os = "linux")]
mod order;
#[cfg(any(target_os = "linux", test))]
mod raw;
mod seek;
#[cfg(target_os = "linux")]
mod socket;
mod survey;

pub use asker::{Action, AskError, Asker, Ending, Manner, Outcome, Reply, Target, Ticket};
pub use bus::{Bus, Data, Heard, LinkError};
pub use errand::{Errand, GoOn, converse, own, run};
pub use error_frame::ErrorFrame;
#[cfg(target_os = "linux")]
pub use facts::{facts, links};
pub use gate::{Confirmed, Permitted, Refused, permit};
pub use health::{Health, Trouble, bit_rate_words};
pub use hub::{Hub, Partner, Port};
pub use interface::{BusState, Facts};
#[cfg(target_os = "linux")]
pub use order::stay_on_one_processor;
pub use seek::{Range, Seek, Sought};
#[cfg(target_os = "linux")]
pub use socket::{Ear, Socket};
pub use survey::{CODES_EVERY_S, Event, NoCodes, Scope, Survey};
