//! The wheels of a report: measures as lines, traces as plots.

use super::measures::input;
use crate::place::{Place, Wheel};
use crate::report::plot::{self, Column, Mark, Plot};
use crate::report::{MeasureLine, WheelLine};
use crate::vehicle::Record;
use crate::wheel::{Made, Measured, Measures, Named, vehicle_speed};

/// A pause longer than this many intervals breaks a drawn line.
const PAUSE: f64 = 5.0;
/// The vehicle's speed is smooth: it needs fewer columns than a wheel.
const REFERENCE_COLUMNS: u32 = plot::COLUMNS / 4;
/// How long an event without an end of its own is drawn, in s.
const EVENT_S: f64 = 0.5;
/// Events nearer than this are drawn as one, in s.
const JOIN_S: f64 = 1.0;

/// A line for each wheel with samples.
pub fn wheel_lines(measures: &Measures) -> Vec<WheelLine> {
    let wheels = Wheel::ALL.into_iter().zip(&measures.wheels);
    wheels
        .filter_map(|(wheel, measured)| {
            let measured = measured.as_ref()?;
            let mut line = WheelLine {
                wheel,
                samples: measured.samples,
                interval_s: Some(measured.interval_s),
                top_kmh: Some(measured.top_kmh),
                measures: Vec::new(),
                limits: Vec::new(),
            };
            for named in measured.all() {
                match named.measured {
                    Measured::Made(_) => line.measures.extend(measure_line(named)),
                    Measured::NotMade { reason } => {
                        line.limits.push(format!("{}: {reason}", named.name));
                    }
                    Measured::Moot { .. } => {}
                }
            }
            Some(line)
        })
        .collect()
}

fn measure_line(named: Named<'_>) -> Option<MeasureLine> {
    let made = named.measured.made()?;
    Some(MeasureLine {
        id: named.id,
        name: named.name.to_owned(),
        value: made.value,
        uncertainty: Some(made.uncertainty),
        unit: made.unit,
        shown: named.measured.is_shown(),
        times_s: made.times_s.clone(),
    })
}

/// The four wheels drawn, each with what was found on it marked.
pub fn plots(record: &Record, measures: &Measures) -> Vec<Plot> {
    let vehicle = vehicle_speed(&input(record));
    let wheels = Wheel::ALL
        .into_iter()
        .zip(&record.signals.speeds)
        .zip(&measures.wheels);
    wheels
        .filter_map(|((wheel, trace), measured)| {
            let trace = trace.as_ref()?;
            let interval_s = measured
                .as_ref()
                .map_or(1.0, |measured| measured.interval_s);
            Some(Plot {
                title: capitalised(wheel.words()),
                place: Place::Wheel(wheel),
                unit: "km/h",
                columns: columns(&trace.time_s, &trace.value, plot::COLUMNS, interval_s),
                reference: vehicle.as_ref().map_or_else(Vec::new, |(time_s, speed)| {
                    columns(time_s, speed, REFERENCE_COLUMNS, interval_s)
                }),
                marks: measured
                    .as_ref()
                    .map(|measured| marks(&measured.all()))
                    .unwrap_or_default(),
            })
        })
        .collect()
}

fn columns(time_s: &[f64], value: &[f32], count: u32, interval_s: f64) -> Vec<Column> {
    let pause = (interval_s * PAUSE).max(1.0);
    plot::decimate(time_s, value, count, pause)
}

/// What the shown measures mark, one after the other; what falls together is one mark that names all.
fn marks(all: &[Named<'_>]) -> Vec<Mark> {
    let shown = all.iter().filter(|named| named.measured.is_shown());
    let mut events: Vec<(f64, f64, &str)> = shown
        .flat_map(|named| {
            let made = named.measured.made().into_iter();
            let occasions = made.flat_map(Made::occasions);
            occasions.map(|(time_s, lasted_s)| (time_s, lasted_s.max(EVENT_S), named.name))
        })
        .collect();
    events.sort_by(|one, other| one.0.total_cmp(&other.0));
    let mut marks: Vec<(Mark, Vec<&str>)> = Vec::new();
    for (time_s, lasted_s, name) in events {
        match marks.last_mut() {
            Some((last, names)) if time_s - last.to_s < JOIN_S => {
                last.to_s = last.to_s.max(time_s + lasted_s);
                if !names.contains(&name) {
                    names.push(name);
                }
            }
            _ => marks.push((
                Mark {
                    from_s: time_s,
                    to_s: time_s + lasted_s,
                    words: String::new(),
                },
                vec![name],
            )),
        }
    }
    let worded = marks.into_iter().map(|(mark, names)| Mark {
        words: names.join(", "),
        ..mark
    });
    worded.collect()
}

fn capitalised(words: &str) -> String {
    let mut characters = words.chars();
    let first = characters.next().map(|first| first.to_ascii_uppercase());
    first.into_iter().chain(characters).collect()
}
