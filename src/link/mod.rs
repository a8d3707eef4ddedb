//! On the link: what is heard on a bus while it happens, and what may be put on it.
//!
//! A [`Bus`] is where frames are heard and put; everything above it is told the time and owns no socket. [`Hub`] is a
//! bus in memory with a clock of its own, so that tests need neither an interface nor time.

#![warn(clippy::indexing_slicing)]

mod bus;
mod hub;

pub use bus::{Bus, Data, Heard, LinkError};
pub use hub::{Hub, Partner, Port};
