//! Joins what the other rooms know about one vehicle: record, measures, rules, notes and ranking become a report.

mod measures;

pub use measures::{input, measures};
