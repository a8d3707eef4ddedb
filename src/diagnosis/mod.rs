//! Joins what the other rooms know about one vehicle: record, measures, rules, notes and ranking become a report.

mod assemble;
mod checks;
mod done;
mod limits;
mod lines;
mod measures;
mod model;
mod wheels;

pub use assemble::{Diagnosis, diagnose, report};
pub use checks::Means;
pub use done::done;
pub use lines::captures;
pub use measures::{input, measures};
pub use model::Model;
pub use wheels::{plots, wheel_lines};
