//! From a capture of a vehicle with its ABS lamp lit to ranked causes, the next check, and proof of the repair.
//!
//! The rooms, in the order in which information passes through them:
//! [`capture`] → [`transport`] → [`service`] → [`vehicle`] → [`evidence`] → [`ranking`] → [`report`].
//! `docs/architecture.md` in the repository says what each may use.

pub mod capture;
pub mod comparison;
pub mod diagnosis;
pub mod drill;
pub mod evidence;
pub mod frame;
pub mod link;
pub mod notes;
pub mod place;
pub mod ranking;
pub mod report;
pub mod rig;
pub mod rules;
pub mod service;
pub mod signal;
pub mod transport;
pub mod trouble;
mod unseen;
pub mod vehicle;
pub mod wheel;
mod yaml;
