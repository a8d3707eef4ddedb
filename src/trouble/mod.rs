//! Trouble codes: number and text, failure type, status byte, meaning.

mod code;
mod status;

pub use code::{Code, FailureType, ParseCodeError, System};
pub use status::Status;
