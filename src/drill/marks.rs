//! Marks: the right cause, the cost beside the program's, checks that told nothing, cautions missed.

use super::{Case, Done, Way};
use crate::place::Place;

/// What the apprentice decided.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Answer {
    /// This cause at this place.
    Cause {
        /// Its identifier.
        cause: String,
        /// Where.
        place: Place,
    },
    /// Nothing: gave up.
    None,
}

/// How right the answer is.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Right {
    /// Cause and place.
    Whole,
    /// The cause, at another place.
    WrongPlace,
    /// Another cause.
    Wrong,
    /// No answer.
    GaveUp,
}

/// The marks, of 100.
#[derive(Clone, Debug)]
pub struct Marks {
    /// How right the answer is.
    pub right: Right,
    /// For the answer, of 50.
    pub for_answer: u32,
    /// For the cost beside the program's, of 25; nothing for a wrong answer.
    pub for_cost: u32,
    /// For checks that told something, of 15.
    pub for_checks: u32,
    /// For cautions, of 10.
    pub for_cautions: u32,
    /// Checks that told nothing.
    pub idle: Vec<Done>,
    /// Checks with cautions that were done unread: with the cautions, as texts.
    pub unread: Vec<(Done, Vec<String>)>,
    /// The test drive was made although what could be known forbade it.
    pub drove_in_danger: bool,
    /// What the program would have done.
    pub way: Way,
}

impl Marks {
    /// All of them.
    pub const fn sum(&self) -> u32 {
        self.for_answer + self.for_cost + self.for_checks + self.for_cautions
    }
}

/// A check that moves no cause's probability by this much told nothing.
const TOLD: f64 = 0.02;
/// What each check that told nothing, and each missed caution, takes away.
const PENALTY: usize = 5;

pub(super) fn marks(case: &Case<'_>, answer: &Answer) -> Marks {
    let truth = case.truth();
    let right = match answer {
        Answer::None => Right::GaveUp,
        Answer::Cause { cause, .. } if cause != truth.cause => Right::Wrong,
        Answer::Cause { place, .. } if *place != truth.place => Right::WrongPlace,
        Answer::Cause { .. } => Right::Whole,
    };
    let way = case.way();
    let rate = case.school.means.hourly_rate;
    let share = way.spent.at(rate) / case.spent().at(rate).max(0.01);
    let for_answer = match right {
        Right::Whole => 50,
        Right::WrongPlace => 20,
        Right::Wrong | Right::GaveUp => 0,
    };
    let for_cost = if right == Right::Whole {
        whole(25.0 * share.min(1.0))
    } else {
        0
    };
    let idle: Vec<Done> = case
        .done()
        .iter()
        .filter(|done| done.moved < TOLD)
        .cloned()
        .collect();
    let rules = case.school.rules;
    let unread: Vec<(Done, Vec<String>)> = case
        .done()
        .iter()
        .filter(|done| !done.prepared)
        .filter_map(|done| {
            let cautions = &rules.check(done.check)?.cautions;
            (!cautions.is_empty()).then(|| (done.clone(), rules.caution_words(cautions)))
        })
        .collect();
    let drove_in_danger = case.drove == Some(true);
    let missed = unread.len() + usize::from(drove_in_danger);
    let answered = right != Right::GaveUp;
    let left = |most: usize, faults: usize| {
        let left = most.saturating_sub(PENALTY * faults);
        if answered {
            u32::try_from(left).unwrap_or(0)
        } else {
            0
        }
    };
    Marks {
        right,
        for_answer,
        for_cost,
        for_checks: left(15, idle.len()),
        for_cautions: left(10, missed),
        idle,
        unread,
        drove_in_danger,
        way,
    }
}

/// A small positive number, rounded.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "between 0 and 100"
)]
fn whole(value: f64) -> u32 {
    value.round().clamp(0.0, 100.0) as u32
}
