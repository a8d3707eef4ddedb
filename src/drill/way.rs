//! What the program would have done on the same vehicle: read everything, then the check that it proposes first, until one
//! cause stands out.

use super::{CODES_MINUTES, Case, DRIVE_MINUTES, Spent, VOLTAGES_MINUTES, note};
use crate::notes::Notes;
use crate::place::Place;
use crate::rig::Reading;

/// A check of the program's way.
#[derive(Clone, Debug, PartialEq)]
pub struct WayStep {
    /// Which.
    pub check: String,
    /// Its name for a person.
    pub name: String,
    /// Where.
    pub place: Place,
    /// What came out.
    pub reading: Reading,
}

/// The program's way.
#[derive(Clone, Debug, PartialEq)]
pub struct Way {
    /// The checks, in order.
    pub steps: Vec<WayStep>,
    /// What it would have spent, with the reading of codes, the drive and the voltages.
    pub spent: Spent,
    /// The cause that it would have named: identifier, place, probability.
    pub verdict: Option<(String, Place, f64)>,
}

/// From this probability on a cause stands out, and no more is checked.
const ENOUGH: f64 = 0.9;
/// Most checks.
const MOST: usize = 12;

pub(super) fn way(case: &Case<'_>) -> Way {
    let modules = f64::from(u32::try_from(case.record.modules.len()).unwrap_or(u32::MAX));
    let mut spent = Spent::default();
    spent.add(
        CODES_MINUTES * modules + DRIVE_MINUTES + VOLTAGES_MINUTES,
        0.0,
    );
    let mut steps = Vec::new();
    let mut notes = Notes::default();
    loop {
        let report = case.report(&notes, 1);
        let first = report.causes.first();
        let verdict = first.map(|cause| (cause.id.clone(), cause.place, cause.probability));
        let sure = verdict.as_ref().is_some_and(|verdict| verdict.2 >= ENOUGH);
        let next = report.checks.into_iter().next();
        let next = next.filter(|_| !sure && steps.len() < MOST);
        // A check that the simulated vehicle does not know ends the way, as does a plan without checks.
        let reading = next.as_ref().and_then(|next| {
            let reading = case.vehicle.hand_check(&next.id, next.place);
            reading.ok()
        });
        let (Some(next), Some(reading)) = (next, reading) else {
            return Way {
                steps,
                spent,
                verdict,
            };
        };
        let money = case
            .school
            .rules
            .check(&next.id)
            .map_or(0.0, |rule| rule.money);
        spent.add(next.minutes, money);
        notes.entries.push(note(&next.id, next.place, reading));
        steps.push(WayStep {
            check: next.id,
            name: next.name,
            place: next.place,
            reading,
        });
    }
}
