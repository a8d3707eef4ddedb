//! Whether the vehicle was driven in a way that lets its modules test again.

use crate::vehicle::{Clear, CodeListRead, Record};
use crate::wheel::{DriveSummary, Measures, Travel};

/// The speed up to which modules may wait before they test the wheel sensors again and put the lamp out, in km/h.
///
/// Source: published by five makers, 10 to 20 km/h; the highest is taken.
pub(super) const RETEST_KMH: f64 = 20.0;

/// The highest speed before a list was read and after the last clearing of its module, in km/h, as far as one can tell;
/// `None` when no speed was seen.
///
/// With several captures the clocks need not be the same: then the whole drive counts.
pub(super) fn top_before(record: &Record, measures: &Measures, list: &CodeListRead) -> Option<f64> {
    let [_] = record.captures.as_slice() else {
        return (measures.drive.travel == Travel::Drove).then_some(measures.drive.top_kmh);
    };
    let read = list.origin.time.map(crate::frame::Timestamp::seconds)?;
    let cleared = |clear: &Clear| clear.origin.time.map(crate::frame::Timestamp::seconds);
    let from = record
        .clears
        .iter()
        .filter(|clear| clear.module == list.module)
        .filter_map(cleared)
        .filter(|&time| time <= read)
        .fold(f64::NEG_INFINITY, f64::max);
    let top = |trace: &crate::signal::Trace| {
        let window = trace.time_s.iter().zip(&trace.value);
        window
            .filter(|(time, value)| (from..=read).contains(*time) && value.is_finite())
            .map(|(_, &value)| f64::from(value))
            .fold(None, |most: Option<f64>, value| {
                Some(most.map_or(value, |most| most.max(value)))
            })
    };
    // The second fastest wheel: one wheel alone may be a faulty signal.
    let mut tops: Vec<f64> = record
        .signals
        .speeds
        .iter()
        .flatten()
        .filter_map(top)
        .collect();
    tops.sort_by(|a, b| b.total_cmp(a));
    let wheels = tops.get(1).copied();
    wheels.or_else(|| record.signals.vehicle_speed.as_ref().and_then(top))
}

/// What kinds of driving the second recording lacks.
pub(super) fn still_to_drive(drive: &DriveSummary, remaining: &mut Vec<String>) {
    if drive.travel != Travel::Drove || drive.top_kmh < RETEST_KMH {
        remaining.push(format!(
            "Drive faster than {RETEST_KMH:.0} km/h on a straight road, stop, and read the codes again: many brake modules \
             test their sensors, and put the lamp out, only then."
        ));
        return;
    }
    let missing: Vec<&str> = [
        (drive.left_turns == 0, "a bend to the left"),
        (drive.right_turns == 0, "a bend to the right"),
        (drive.stops == 0, "a stop"),
    ]
    .into_iter()
    .filter_map(|(lacks, what)| lacks.then_some(what))
    .collect();
    if !missing.is_empty() {
        remaining.push(format!(
            "Drive {}: a cable or bearing may fail only then.",
            missing.join(" and ")
        ));
    }
}
