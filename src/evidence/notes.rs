//! Conditions over the inspection notes.

use super::condition::Judged;
use super::{Grounds, Measure, Source};
use crate::notes::NoteResult;
use crate::place::Place;
use crate::rules::{CheckCondition, SensorWord};

/// What an ohmmeter shows across a sound active sensor, in ohm. Source: published service texts, 5 megohm and more;
/// no reading at all is an open circuit.
const ACTIVE_OHM: std::ops::Range<f64> = 200_000.0..50_000_000.0;

/// Judges the result of a check by hand.
pub(super) fn check(wanted: &CheckCondition, place: Place, grounds: &Grounds<'_>) -> Judged {
    let mut judged = judge(wanted, place, grounds);
    judged.source = Source::Notes;
    judged
}

fn judge(wanted: &CheckCondition, place: Place, grounds: &Grounds<'_>) -> Judged {
    let sensor = grounds.record.wheel_data.sensor.map(SensorWord::from);
    if wanted.sensor.is_some() && sensor.is_some() && wanted.sensor != sensor {
        return Judged::not_observable("the reading says nothing for this kind of sensor");
    }
    let Some(note) = grounds.notes.last(&wanted.id, place) else {
        return Judged::not_observable("not checked by hand yet");
    };
    match &note.result {
        NoteResult::CannotDo => Judged::not_observable("the check could not be done"),
        NoteResult::Word(word) => Judged::new(wanted.results.contains(word)),
        NoteResult::Value(value)
            if wanted.sensor == Some(SensorWord::Passive)
                && sensor.is_none()
                && ACTIVE_OHM.contains(value) =>
        {
            Judged::not_observable("a sound active sensor reads so, and the kind is not known")
        }
        NoteResult::Value(value) => {
            let inside = match (wanted.from, wanted.to) {
                (None, None) => false,
                (from, to) => {
                    from.is_none_or(|from| *value >= from) && to.is_none_or(|to| *value < to)
                }
            };
            let below = wanted.below.is_some_and(|limit| *value < limit);
            let above = wanted.above.is_some_and(|limit| *value > limit);
            let unit = grounds
                .rules
                .check(&wanted.id)
                .and_then(|check| Some(check.value.as_ref()?.unit));
            let mut judged = Judged::new(inside || below || above);
            let symbol = unit.map_or("", |unit| unit.symbol());
            judged.details.push(if value.is_infinite() {
                "measured: open circuit".to_owned()
            } else {
                format!("measured: {value} {symbol}")
            });
            judged.measure = value.is_finite().then(|| Measure {
                value: *value,
                unit: symbol.to_owned(),
            });
            judged
        }
    }
}
