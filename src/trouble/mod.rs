//! Trouble codes: number and text, failure type, status byte, meaning.

mod catalogue;
mod code;
mod describe;
mod file;
mod range;
mod status;

pub use catalogue::{Catalogue, FailureMeaning, Reading, YamlText};
pub use code::{Code, FailureType, ParseCodeError, System};
pub use describe::Meaning;
pub use file::{CatalogueError, CatalogueFault};
pub use range::Owner;
pub use status::Status;
