//! Every measure, value, interval and limit, as one JSON object for each capture.

use std::io::Write as _;

use serde::Serialize;
use tonering::place::{Axle, Wheel};
use tonering::wheel::{Measured, Measures, Named};

use super::super::output::Output;

#[derive(Serialize)]
struct CaptureOut<'a> {
    file: &'a str,
    drive: DriveOut,
    wheels: Vec<WheelOut<'a>>,
    axles: Vec<AxleOut<'a>>,
    vehicle: PlaceOut<'a>,
}

#[derive(Serialize)]
struct DriveOut {
    travel: &'static str,
    seen_s: f64,
    moving_s: f64,
    standing_s: f64,
    straight_s: f64,
    distance_m: f64,
    top_kmh: f64,
    left_turns: u32,
    right_turns: u32,
    stops: u32,
}

#[derive(Serialize)]
struct WheelOut<'a> {
    wheel: &'static str,
    samples: u64,
    interval_s: f64,
    renewal_s: f64,
    top_kmh: f64,
    order_limit_kmh: f64,
    measures: Vec<MeasureOut<'a>>,
    limits: Vec<String>,
    spectrum: Vec<[f64; 2]>,
}

#[derive(Serialize)]
struct AxleOut<'a> {
    axle: &'static str,
    measures: Vec<MeasureOut<'a>>,
    limits: Vec<String>,
}

#[derive(Serialize)]
struct PlaceOut<'a> {
    measures: Vec<MeasureOut<'a>>,
    limits: Vec<String>,
}

#[derive(Serialize)]
struct MeasureOut<'a> {
    id: &'static str,
    name: &'static str,
    value: f64,
    interval: [f64; 2],
    unit: &'static str,
    verdict: &'static str,
    false_alarm: Option<f64>,
    events: u64,
    times_s: &'a [f64],
    note: Option<&'a str>,
}

/// Six significant digits: what a reader can use, and the same on every machine.
fn rounded(value: f64) -> f64 {
    format!("{value:.5e}").parse().unwrap_or(value)
}

fn parts<'a>(named: &[Named<'a>]) -> (Vec<MeasureOut<'a>>, Vec<String>) {
    let mut measures = Vec::new();
    let mut limits = Vec::new();
    for named in named {
        match named.measured {
            Measured::Made(made) => measures.push(MeasureOut {
                id: named.id,
                name: named.name,
                value: rounded(made.value),
                interval: [
                    rounded(made.value - made.uncertainty),
                    rounded(made.value + made.uncertainty),
                ],
                unit: made.unit,
                verdict: made.verdict.id(),
                false_alarm: made.false_alarm.map(rounded),
                events: made.events,
                times_s: &made.times_s,
                note: made.note.as_deref(),
            }),
            Measured::NotMade { reason } => limits.push(format!("{}: {reason}", named.name)),
            Measured::Moot { .. } => {}
        }
    }
    (measures, limits)
}

/// Writes one capture's measures.
pub(super) fn write(file: &str, measures: &Measures, output: &mut Output) -> anyhow::Result<()> {
    let drive = &measures.drive;
    let out = CaptureOut {
        file,
        drive: DriveOut {
            travel: drive.travel.id(),
            seen_s: rounded(drive.seen_s),
            moving_s: rounded(drive.moving_s),
            standing_s: rounded(drive.standing_s),
            straight_s: rounded(drive.straight_s),
            distance_m: rounded(drive.distance_m),
            top_kmh: rounded(drive.top_kmh),
            left_turns: drive.left_turns,
            right_turns: drive.right_turns,
            stops: drive.stops,
        },
        wheels: Wheel::ALL
            .into_iter()
            .filter_map(|wheel| {
                let found = measures.wheels[wheel.index()].as_ref()?;
                let (measures, limits) = parts(&found.all());
                Some(WheelOut {
                    wheel: wheel.id(),
                    samples: found.samples,
                    interval_s: rounded(found.interval_s),
                    renewal_s: rounded(found.renewal_s),
                    top_kmh: rounded(found.top_kmh),
                    order_limit_kmh: rounded(found.order_limit_kmh),
                    measures,
                    limits,
                    spectrum: found
                        .spectrum
                        .iter()
                        .map(|line| [rounded(line.order), rounded(line.amplitude)])
                        .collect(),
                })
            })
            .collect(),
        axles: Axle::ALL
            .into_iter()
            .zip(&measures.axles)
            .map(|(axle, found)| {
                let (measures, limits) = parts(&found.all());
                AxleOut {
                    axle: axle.id(),
                    measures,
                    limits,
                }
            })
            .collect(),
        vehicle: {
            let (measures, limits) = parts(&measures.vehicle.all());
            PlaceOut { measures, limits }
        },
    };
    serde_json::to_writer(&mut *output, &out)?;
    output.write_all(b"\n")?;
    Ok(())
}
