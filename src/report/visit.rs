//! What a visit found, in a few sentences for the reports of later visits.

use super::comparison::{self, CodeFate, Comparison};
use super::{Report, phrase};

/// Most codes and most causes that are named.
const MOST_NAMED: usize = 12;

/// What a diagnosis found: whether it is safe, the likely causes, the codes.
pub fn found(report: &Report) -> Vec<String> {
    let mut lines = Vec::new();
    lines.extend(
        report
            .safety
            .as_ref()
            .map(|safety| phrase::urgency(safety).to_owned()),
    );
    let likely = report
        .causes
        .iter()
        .filter(|cause| cause.probability >= phrase::WORTH_DETAIL);
    let likely = likely.map(|cause| {
        format!(
            "{}: {}",
            phrase::percent(cause.probability),
            phrase::cause(cause)
        )
    });
    lines.extend(likely.take(phrase::FIRST));
    lines.extend(named(report.codes.iter().map(|code| {
        format!(
            "Code {} from {}: {}",
            phrase::code(code),
            code.module,
            phrase::code_state(code)
        )
    })));
    lines
}

/// What a comparison found: the verdict with its reasons, and what became of the codes.
pub fn found_by_comparing(comparison: &Comparison) -> Vec<String> {
    let (word, _) = comparison::wording::outcome(comparison.outcome);
    let mut lines = vec![format!("Verdict on the repair: {word}")];
    lines.extend(comparison.reasons.iter().cloned());
    let codes = comparison
        .codes
        .iter()
        .filter(|code| code.fate != CodeFate::Unchanged);
    lines.extend(named(codes.map(|code| {
        format!(
            "Code {} from {}: {}",
            comparison::wording::code(code),
            code.module,
            comparison::wording::code_fate(code.fate)
        )
    })));
    lines
}

/// The first lines, and how many there are beyond them.
fn named(lines: impl Iterator<Item = String>) -> Vec<String> {
    let mut lines: Vec<String> = lines.collect();
    let more = lines.len().saturating_sub(MOST_NAMED);
    lines.truncate(MOST_NAMED);
    if more > 0 {
        lines.push(format!("and {more} more"));
    }
    lines
}
