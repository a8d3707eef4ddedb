//! Joins what the other rooms know about one vehicle: record, measures, rules, notes and ranking become a report.

mod assemble;
mod checks;
mod done;
mod limits;
mod lines;
mod measures;
mod model;
mod moved;
mod stability;
mod trial;
mod wheels;
mod why;

pub use assemble::{Diagnosis, diagnose, report};
pub use checks::Means;
pub use done::{done, done_line};
pub use lines::captures;
pub use measures::{input, measures};
pub use model::Model;
pub use moved::moved;
pub use trial::{Expect, Judged, Limit, Trial, TrialFile, TrialFinding};
pub use wheels::{plots, wheel_lines};
pub use why::{NoSuchCause, basis, place_from, place_id, why};
