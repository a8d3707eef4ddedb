//! On the link: what is heard on a bus while it happens, and what may be put on it.
//!
//! A [`Bus`] is where frames are heard and put; everything above it is told the time and owns no socket. [`Hub`] is a
//! bus in memory with a clock of its own, so that tests need neither an interface nor time; [`Socket`] is an interface of
//! Linux. An [`Ear`] hears an interface and has no way to send.

#![warn(clippy::indexing_slicing)]

mod bus;
mod error_frame;
#[cfg(target_os = "linux")]
mod facts;
mod hub;
mod interface;
#[cfg(any(target_os = "linux", test))]
mod netlink;
#[cfg(any(target_os = "linux", test))]
mod raw;
#[cfg(target_os = "linux")]
mod socket;

pub use bus::{Bus, Data, Heard, LinkError};
pub use error_frame::ErrorFrame;
#[cfg(target_os = "linux")]
pub use facts::{facts, links};
pub use hub::{Hub, Partner, Port};
pub use interface::{BusState, Facts};
#[cfg(target_os = "linux")]
pub use socket::{Ear, Socket};
