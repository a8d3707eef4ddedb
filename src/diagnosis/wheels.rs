//! The wheels of a report: measures as lines, traces as plots.

use crate::place::{Place, Wheel};
use crate::report::plot::{self, Column, Mark, Plot};
use crate::report::{MeasureLine, WheelLine};
use crate::signal::Trace;
use crate::vehicle::Record;
use crate::wheel::{Measured, Measures, Named};

/// A pause longer than this many intervals breaks a drawn line.
const PAUSE: f64 = 5.0;
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
                columns: columns(trace, interval_s),
                reference: Vec::new(),
                marks: measured
                    .as_ref()
                    .map(|measured| marks(&measured.all()))
                    .unwrap_or_default(),
            })
        })
        .collect()
}

fn columns(trace: &Trace, interval_s: f64) -> Vec<Column> {
    let pause = (interval_s * PAUSE).max(1.0);
    plot::decimate(&trace.time_s, &trace.value, plot::COLUMNS, pause)
}

fn marks(all: &[Named<'_>]) -> Vec<Mark> {
    let mut marks: Vec<Mark> = Vec::new();
    for named in all.iter().filter(|named| named.measured.is_shown()) {
        for &time_s in named.measured.made().iter().flat_map(|made| &made.times_s) {
            match marks.last_mut() {
                Some(last)
                    if last.words == named.name
                        && time_s - last.to_s < JOIN_S
                        && time_s >= last.from_s =>
                {
                    last.to_s = last.to_s.max(time_s + EVENT_S);
                }
                _ => marks.push(Mark {
                    from_s: time_s,
                    to_s: time_s + EVENT_S,
                    words: named.name.to_owned(),
                }),
            }
        }
    }
    marks.sort_by(|one, other| one.from_s.total_cmp(&other.from_s));
    marks
}

fn capitalised(words: &str) -> String {
    let mut characters = words.chars();
    let first = characters.next().map(|first| first.to_ascii_uppercase());
    first.into_iter().chain(characters).collect()
}
