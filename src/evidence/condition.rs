//! Conditions with three values: true, false, not observable.

use super::codes::Coded;
use super::{Grounds, Measure, Source, State, codes, frames, notes, signals};
use crate::place::Place;
use crate::rules::Condition;
use crate::vehicle::Origin;

/// Most times and origins that a finding keeps.
pub(super) const MOST_KEPT: usize = 8;
/// Most details that a sentence names.
const MOST_DETAILS: usize = 3;

/// A condition, judged, with what belongs to it.
#[derive(Clone, Debug)]
pub(super) struct Judged {
    pub(super) state: State,
    /// Why it is not observable.
    pub(super) reason: String,
    /// What was seen, a few words each.
    pub(super) details: Vec<String>,
    pub(super) measure: Option<Measure>,
    pub(super) times_s: Vec<f64>,
    pub(super) origins: Vec<Origin>,
    pub(super) source: Source,
}

impl Judged {
    pub(super) fn new(holds: bool) -> Self {
        Self {
            state: if holds { State::True } else { State::False },
            reason: String::new(),
            details: Vec::new(),
            measure: None,
            times_s: Vec::new(),
            origins: Vec::new(),
            source: Source::Capture,
        }
    }

    pub(super) fn not_observable(reason: impl Into<String>) -> Self {
        Self {
            state: State::NotObservable,
            reason: reason.into(),
            ..Self::new(false)
        }
    }

    /// Takes what belongs to another part of the same condition.
    fn join(&mut self, other: Self) {
        self.details.extend(other.details);
        self.details.truncate(MOST_DETAILS);
        self.measure = self.measure.take().or(other.measure);
        self.times_s.extend(other.times_s);
        self.times_s.truncate(MOST_KEPT);
        self.origins.extend(other.origins);
        self.origins.truncate(MOST_KEPT);
        if other.source == Source::Notes {
            self.source = Source::Notes;
        }
        if self.reason.is_empty() {
            self.reason = other.reason;
        }
    }
}

/// Judges a condition at a place.
pub(super) fn judge(
    condition: &Condition,
    place: Place,
    grounds: &Grounds<'_>,
    coded: &Coded<'_>,
) -> Judged {
    match condition {
        Condition::Code(wanted) => codes::code(wanted, place, grounds, coded),
        Condition::Silent(wanted) => codes::silent(wanted, grounds),
        Condition::Cleared(wanted) => codes::cleared(wanted, grounds),
        Condition::Voltage(wanted) => signals::voltage(wanted, grounds),
        Condition::Signal(wanted) => signals::switch(wanted, grounds),
        Condition::Bus(wanted) => signals::bus(wanted, grounds),
        Condition::Frames(wanted) => frames::frames(wanted, grounds),
        Condition::Measure(wanted) => signals::measure(wanted, place, grounds),
        Condition::Check(wanted) => notes::check(wanted, place, grounds),
        Condition::All(parts) => combine(parts, place, grounds, coded, State::False),
        Condition::Any(parts) => combine(parts, place, grounds, coded, State::True),
        Condition::Not(part) => {
            let mut judged = judge(part, place, grounds, coded);
            judged.state = match judged.state {
                State::True => State::False,
                State::False => State::True,
                State::NotObservable => State::NotObservable,
            };
            judged
        }
    }
}

/// `decisive` settles the whole as soon as one part has it: false for *all*, true for *any*.
fn combine(
    parts: &[Condition],
    place: Place,
    grounds: &Grounds<'_>,
    coded: &Coded<'_>,
    decisive: State,
) -> Judged {
    let judged: Vec<Judged> = parts
        .iter()
        .map(|part| judge(part, place, grounds, coded))
        .collect();
    let any = |state: State| judged.iter().any(|part| part.state == state);
    let state = if any(decisive) {
        decisive
    } else if any(State::NotObservable) {
        State::NotObservable
    } else if decisive == State::True {
        State::False
    } else {
        State::True
    };
    let mut whole = Judged::new(false);
    whole.state = state;
    for part in judged {
        if part.state == state {
            whole.join(part);
        }
    }
    whole
}
