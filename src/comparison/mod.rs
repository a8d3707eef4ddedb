//! Has the repair worked? What a recording after it says against one before it.
//!
//! Nothing counts as mended because it is absent: a code must have had the chance to come back (a status byte that says
//! so, or a drive fast enough), and a fault that came and went must have stayed away for long enough.

mod codes;
mod drive;
mod measures;
mod modules;
mod verdict;

use crate::report::CaptureLine;
use crate::report::comparison::{Comparison, Outcome};
use crate::trouble::{Code, FailureType};
use crate::vehicle::Record;
use crate::wheel::Measures;

/// One side of a comparison.
#[derive(Clone, Copy, Debug)]
pub struct Side<'a> {
    /// What the captures say.
    pub record: &'a Record,
    /// The wheels, measured.
    pub measures: &'a Measures,
    /// The captures, as the report lists them.
    pub captures: &'a [CaptureLine],
}

/// Compares two recordings of one vehicle. `meaning` puts a code into words.
pub fn compare(
    program: &str,
    vehicle: Option<&str>,
    before: Side<'_>,
    after: Side<'_>,
    meaning: &dyn Fn(Code, Option<FailureType>) -> String,
) -> Comparison {
    let mut remaining = Vec::new();
    let codes = codes::changes(before.record, after, meaning, &mut remaining);
    let modules = modules::changes(before.record, after.record);
    let unread = modules::awake_but_unread(&modules, after.record);
    remaining.extend(
        unread
            .iter()
            .map(|name| format!("Read the codes of {name}.")),
    );
    let measures = measures::changes(before.measures, after.measures, &mut remaining);
    drive::still_to_drive(&after.measures.drive, &mut remaining);
    let mut comparison = Comparison {
        program: program.to_owned(),
        vehicle: vehicle.map(str::to_owned),
        before: before.captures.to_vec(),
        after: after.captures.to_vec(),
        outcome: Outcome::NotShown,
        reasons: Vec::new(),
        codes,
        modules,
        measures,
        plots: Default::default(),
        remaining,
        visits: Vec::new(),
    };
    let (outcome, reasons) = verdict::judge(&comparison, unread.len());
    comparison.outcome = outcome;
    comparison.reasons = reasons;
    comparison
}

#[cfg(test)]
mod tests;
