//! What an answer has moved in the ranking, and why.

use super::Diagnosis;
use super::checks::name;
use crate::report::text::dialogue::Move;

/// A change of probability below this is not told.
const LEAST: f64 = 0.005;
/// Most causes that are told.
const MOST: usize = 6;

/// The causes whose probability has changed, the largest change first, each with the changed finding that did most of it.
/// Both diagnoses are of the same rules.
pub fn moved(before: &Diagnosis<'_>, after: &Diagnosis<'_>) -> Vec<Move> {
    let old = before.evidence.findings.iter();
    let changed: Vec<usize> = old
        .zip(&after.evidence.findings)
        .enumerate()
        .filter(|(_, (old, new))| old.state != new.state || old.summary != new.summary)
        .map(|(index, _)| index)
        .collect();
    let of = |diagnosis: &Diagnosis<'_>, cause: usize| {
        let known = diagnosis.ranking.posterior.get(cause);
        known.copied().unwrap_or(0.0)
    };
    let mut causes: Vec<usize> = (0..after.model.causes.len())
        .filter(|&cause| (of(after, cause) - of(before, cause)).abs() >= LEAST)
        .collect();
    let change = |cause: usize| (of(after, cause) - of(before, cause)).abs();
    causes.sort_by(|&one, &other| change(other).total_cmp(&change(one)).then(one.cmp(&other)));
    causes.truncate(MOST);
    let line = |&cause: &usize| {
        let rose = of(after, cause) > of(before, cause);
        let factor = |finding: usize| after.ranking.factor(cause, finding);
        let fits = |&finding: &usize| (factor(finding) > 1.0) == rose;
        let size = |finding: usize| factor(finding).ln().abs();
        let most = changed
            .iter()
            .copied()
            .filter(fits)
            .max_by(|&one, &other| size(one).total_cmp(&size(other)));
        let reason = most.and_then(|finding| {
            let summary = &after.evidence.findings.get(finding)?.summary;
            Some((summary.clone(), factor(finding)))
        });
        Some(Move {
            name: name(&after.model, cause)?,
            before: of(before, cause),
            after: of(after, cause),
            reason,
        })
    };
    causes.iter().filter_map(line).collect()
}
