//! Wording that the printers of a comparison share.

use super::{CodeChange, CodeFate, Comparison, MeasureChange, MeasureFate, Outcome, Value};
use crate::report::phrase;

/// The outcome in capitals and what it means.
pub(in crate::report) const fn outcome(outcome: Outcome) -> (&'static str, &'static str) {
    match outcome {
        Outcome::Proven => (
            "PROVEN",
            "Everything that was wrong has been tested again and is sound.",
        ),
        Outcome::Likely => (
            "LIKELY MENDED",
            "What was tested again is sound; something has not been tested again yet.",
        ),
        Outcome::NotShown => (
            "NOT SHOWN",
            "Nothing in the second recording shows whether the repair worked.",
        ),
        Outcome::NotMended => ("NOT MENDED", "Something is wrong still, or newly."),
    }
}

/// What became of a code.
pub(in crate::report) const fn code_fate(fate: CodeFate) -> &'static str {
    match fate {
        CodeFate::Still => "still there",
        CodeFate::New => "new",
        CodeFate::Remembered => "remembered",
        CodeFate::NotRetested => "not tested again",
        CodeFate::NotRead => "not read again",
        CodeFate::Passed => "tested and passed",
        CodeFate::Gone => "gone",
        CodeFate::Unchanged => "unchanged",
    }
}

/// What became of a measure.
pub(super) const fn measure_fate(fate: MeasureFate) -> &'static str {
    match fate {
        MeasureFate::Still => "still faulty",
        MeasureFate::New => "newly faulty",
        MeasureFate::NotRetested => "not measured again",
        MeasureFate::Better => "better, not proven",
        MeasureFate::Mended => "mended",
        MeasureFate::Changed => "changed, no fault",
        MeasureFate::Same => "same",
    }
}

/// The title.
pub(super) fn title(comparison: &Comparison) -> String {
    match &comparison.vehicle {
        Some(vehicle) => format!("Before and after the repair: {vehicle}"),
        None => "Before and after the repair".to_owned(),
    }
}

/// `C0031-13`.
pub(in crate::report) fn code(change: &CodeChange) -> String {
    match &change.failure_type {
        Some(kind) => format!("{}-{kind}", change.code),
        None => change.code.clone(),
    }
}

/// The measures that showed a fault before or after, the worst first.
pub(super) fn worth_a_line(comparison: &Comparison) -> Vec<&MeasureChange> {
    let mut lines: Vec<&MeasureChange> = comparison
        .measures
        .iter()
        .filter(|change| change.fate < MeasureFate::Changed)
        .collect();
    lines.sort_by_key(|change| change.fate);
    lines
}

/// `left front: longest drop-out, s`.
pub(super) fn measure_name(change: &MeasureChange) -> String {
    if change.unit.is_empty() {
        format!("{}: {}", change.place, change.name)
    } else {
        format!("{}: {}, {}", change.place, change.name, change.unit)
    }
}

/// Whether a difference is more than its uncertainty.
pub(super) const fn difference(beyond_uncertainty: Option<bool>) -> &'static str {
    match beyond_uncertainty {
        Some(true) => "more than its uncertainty",
        Some(false) => "within its uncertainty",
        None => "one side only",
    }
}

/// A value before or after.
pub(super) fn value(value: Option<Value>) -> String {
    match value {
        Some(value) => phrase::value(value.value, Some(value.uncertainty), ""),
        None => "–".to_owned(),
    }
}

/// How many measures are not shown, and why; `None` for none.
pub(super) fn others(comparison: &Comparison) -> Option<String> {
    let count = |fate| {
        comparison
            .measures
            .iter()
            .filter(|change| change.fate == fate)
            .count()
    };
    let (changed, same) = (count(MeasureFate::Changed), count(MeasureFate::Same));
    (changed + same > 0).then(|| {
        format!(
            "Of the other measures, none of which shows a fault, {changed} differ by more than their uncertainty and {same} \
             do not, or were made on one side only; the JSON form lists them."
        )
    })
}
