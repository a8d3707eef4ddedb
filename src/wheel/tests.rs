//! Real recordings of sound vehicles raise nothing.

use super::measures::*;
use super::{Measured, recordings};
use crate::place::Wheel;

/// Prints every measure of a recording: what a person looks at when a limit is to be set.
fn describe(name: &str, measures: &Measures) -> String {
    use std::fmt::Write as _;
    let mut text = format!("{name}: {:?}\n", measures.drive);
    let mut line = |place: &str, named: &Named<'_>| {
        let _ = match named.measured {
            Measured::Made(made) => writeln!(
                text,
                "  {place} {:18} {:10.5} ± {:.5} {} {:?} events {} p {:?} {:.2?} {}",
                named.id,
                made.value,
                made.uncertainty,
                made.unit,
                made.verdict,
                made.events,
                made.false_alarm,
                made.times_s.iter().take(3).collect::<Vec<_>>(),
                made.note.as_deref().unwrap_or("")
            ),
            Measured::NotMade { reason } => writeln!(text, "  {place} {:18} - {reason}", named.id),
        };
    };
    for wheel in Wheel::ALL {
        if let Some(measures) = &measures.wheels[wheel.index()] {
            for named in measures.all() {
                line(wheel.id(), &named);
            }
        }
    }
    for (axle, measures) in ["front", "rear"].iter().zip(&measures.axles) {
        for named in measures.all() {
            line(axle, &named);
        }
    }
    for named in measures.vehicle.all() {
        line("vehicle", &named);
    }
    text
}

/// Everything that is shown.
fn shown(measures: &Measures) -> Vec<String> {
    let mut found = Vec::new();
    for wheel in Wheel::ALL {
        for named in measures.wheels[wheel.index()]
            .iter()
            .flat_map(WheelMeasures::all)
        {
            if named.measured.is_shown() {
                found.push(format!("{} {}", wheel.id(), named.id));
            }
        }
    }
    for (axle, measures) in ["front", "rear"].iter().zip(&measures.axles) {
        for named in measures.all() {
            if named.measured.is_shown() {
                found.push(format!("{axle} {}", named.id));
            }
        }
    }
    for named in measures.vehicle.all() {
        if named.measured.is_shown() {
            found.push(format!("vehicle {}", named.id));
        }
    }
    found
}

#[test]
#[ignore = "needs the capture corpus"]
fn sound_recordings_raise_nothing() {
    let mut alarms = Vec::new();
    let mut notes = String::new();
    for recording in recordings::all() {
        let measures = measure(&recording.input());
        let found = shown(&measures);
        notes.push_str(&describe(&recording.name, &measures));
        if !found.is_empty() {
            alarms.push(format!(
                "{found:?}\n{}",
                describe(&recording.name, &measures)
            ));
        }
    }
    if let Some(file) = recordings::notes_file() {
        std::fs::write(file, notes).unwrap();
    }
    assert!(alarms.is_empty(), "{}", alarms.join("\n"));
}
