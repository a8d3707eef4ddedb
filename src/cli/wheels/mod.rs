//! `wheels CAPTURE…`: the wheel-speed signals measured, drawn, written out, or searched for.

mod csv;
mod drawing;
mod find;
mod json;
mod plot;
mod text;

use std::path::{Path, PathBuf};

use anyhow::bail;
use clap::ValueEnum;
use tonering::capture::Item;
use tonering::frame::{Frame, Timestamp};
use tonering::service::is_request;
use tonering::signal::profile::Profile;
use tonering::signal::{Extractor, Signals, Trace};
use tonering::transport::{Address, Observer};
use tonering::vehicle::WheelData;
use tonering::wheel::{Geometry, Input, Measures, Samples, measure};

use super::console::Console;
use super::decode::Requests;
use super::input::{self, Step};
use super::output::Output;

/// Measure the wheel-speed signals of a capture, or look for them
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(crate) struct Args {
    /// Captures: candump text, pcap, pcapng, MDF 4; `-` is standard input
    #[arg(required = true, value_name = "CAPTURE")]
    captures: Vec<PathBuf>,
    /// Vehicle profile: where the signals are
    #[arg(long, value_name = "FILE", required_unless_present = "find")]
    profile: Option<PathBuf>,
    /// Look for the wheel speeds without knowing where they are
    #[arg(long, conflicts_with = "plot")]
    find: bool,
    /// How to print; `yaml` writes what `--find` found as a profile
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Draw speeds, residual over the wheel's angle, order spectrum and ratio as SVG
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// Exit status 1 when something in a capture could not be read
    #[arg(long)]
    strict: bool,
    /// Write to this file instead of standard output
    #[arg(long, value_name = "FILE")]
    output: Option<PathBuf>,
}

const EXAMPLES: &str = "\
Examples:
  tonering wheels drive.log --profile car.yaml
  tonering wheels drive.log --profile car.yaml --plot wheels.svg
  tonering wheels drive.log --find --format yaml --output car.yaml";

/// How to print.
#[derive(Clone, Copy, Debug, Eq, PartialEq, ValueEnum)]
enum Format {
    /// A table with a drawing
    Text,
    /// The speeds, one row for each sample time
    Csv,
    /// Every measure
    Json,
    /// A profile, with --find
    Yaml,
}

pub(crate) fn run(args: &Args, console: Console) -> anyhow::Result<()> {
    match (args.find, args.format) {
        (true, Format::Csv) => bail!("--find has no CSV: ask for text, json or yaml"),
        (false, Format::Yaml) => bail!("YAML is what --find writes: add --find"),
        _ => {}
    }
    if args.plot.is_some() && args.captures.len() > 1 {
        bail!("--plot draws one capture");
    }
    let profile = input::profile(args.profile.as_deref())?;
    if !args.find && profile.speeds.iter().all(Option::is_none) {
        bail!(
            "the profile places no wheel speed (wheels: speeds:); `wheels --find` looks for them"
        );
    }
    let mut output = Output::open(args.output.as_deref())?;
    let mut drawing = args
        .plot
        .as_deref()
        .map(|path| Output::open(Some(path)))
        .transpose()?;
    let mut sound = true;
    if args.find {
        sound = find::run(args, console, &mut output)?;
    } else if args.format == Format::Csv {
        csv::header(&mut output)?;
        for path in &args.captures {
            sound &= csv::write(path, &profile, console, &mut output)?;
        }
    } else {
        for path in &args.captures {
            let (signals, whole) = signals(path, &profile, console)?;
            sound &= whole;
            let name = path.display().to_string();
            let measures = measure(&input_of(&signals, &profile.wheels));
            match args.format {
                Format::Json => json::write(&name, &measures, &mut output)?,
                _ => text::write(&name, &signals, &measures, console, &mut output)?,
            }
            if let Some(drawing) = &mut drawing {
                plot::write(&name, &signals, &measures, drawing)?;
            }
        }
    }
    output.finish()?;
    if let Some(drawing) = drawing {
        drawing.finish()?;
    }
    if args.strict && !sound {
        bail!("something in the captures could not be read, and --strict was asked for");
    }
    Ok(())
}

/// What is taken from a capture.
enum Taken<'a> {
    Frame(&'a Frame<'a>),
    Answer {
        address: Address,
        request: Option<&'a [u8]>,
        payload: &'a [u8],
        time: Option<Timestamp>,
    },
}

/// Hands every frame, and every whole answer, of a capture to `take`; true when nothing was lost.
fn each(
    path: &Path,
    profile: &Profile,
    answers: bool,
    console: Console,
    mut take: impl FnMut(Taken<'_>) -> anyhow::Result<()>,
) -> anyhow::Result<bool> {
    let mut capture = input::capture(path)?;
    let mut observer = Observer::new(profile.address_book());
    let mut requests = Requests::new();
    let mut drain = |observer: &mut Observer,
                     take: &mut dyn FnMut(Taken<'_>) -> anyhow::Result<()>| {
        while let Some(message) = observer.next_message() {
            if message.is_complete() && !message.service().is_none_or(is_request) {
                take(Taken::Answer {
                    address: message.address,
                    request: requests
                        .of(&message)
                        .map(|request| request.payload.as_slice()),
                    payload: &message.payload,
                    time: message.start,
                })?;
            }
            if let Some(used) = requests.keep(message) {
                observer.recycle(used);
            }
        }
        anyhow::Ok(())
    };
    let whole = input::each_step(&mut capture, console, |step| match step {
        Step::Item(Item::Can(frame)) => {
            take(Taken::Frame(frame))?;
            if answers {
                observer.push(frame);
            }
            Ok(())
        }
        Step::Item(Item::Ethernet(packet)) => {
            if answers {
                observer.push_packet(packet);
            }
            Ok(())
        }
        Step::After(_) if answers => drain(&mut observer, &mut take),
        Step::After(_) => Ok(()),
    })?;
    observer.finish();
    drain(&mut observer, &mut take)?;
    let lost = input::tell_damage(capture.name(), capture.tally());
    Ok(whole && !lost)
}

fn signals(path: &Path, profile: &Profile, console: Console) -> anyhow::Result<(Signals, bool)> {
    let mut extractor = Extractor::new(profile);
    let whole = each(path, profile, true, console, |taken| {
        match taken {
            Taken::Frame(frame) => extractor.push_frame(frame),
            Taken::Answer {
                address,
                request,
                payload,
                time,
            } => extractor.push_answer(address, request, payload, time),
        }
        Ok(())
    })?;
    Ok((extractor.finish(), whole))
}

/// The page for a terminal: drawing, table and remarks.
pub(crate) fn page(
    name: &str,
    signals: &Signals,
    measures: &Measures,
    console: Console,
    out: &mut dyn std::io::Write,
) -> anyhow::Result<()> {
    text::write(name, signals, measures, console, out)
}

/// The signals as the measures take them.
pub(crate) fn input_of<'a>(signals: &'a Signals, wheels: &WheelData) -> Input<'a> {
    let samples = |trace: &'a Option<Trace>| {
        trace.as_ref().map(|trace| {
            Samples::new(&trace.time_s, &trace.value, trace.quantum).with_set_back(&trace.set_back)
        })
    };
    Input {
        speeds: signals.speeds.each_ref().map(samples),
        geometry: Geometry {
            circumference_m: wheels
                .circumference_m
                .unwrap_or(Geometry::USUAL_CIRCUMFERENCE_M),
            circumference_known: wheels.circumference_m.is_some(),
            teeth: wheels.teeth.map(f64::from),
            track_m: wheels.track_m,
            wheelbase_m: wheels.wheelbase_m,
        },
        yaw_rate: samples(&signals.yaw_rate),
        steering_angle: samples(&signals.steering_angle),
        brake_switch: samples(&signals.brake_switch),
        abs_active: samples(&signals.abs_active),
        vehicle_speed: samples(&signals.vehicle_speed),
        supply_voltage: samples(&signals.supply_voltage),
        battery_voltage: samples(&signals.battery_voltage),
    }
}

/// Every measure of every place, with the place's identifier.
fn places(measures: &Measures) -> Vec<(String, Vec<tonering::wheel::Named<'_>>)> {
    use tonering::place::{Axle, Wheel};
    let mut places = Vec::new();
    for wheel in Wheel::ALL {
        if let Some(found) = &measures.wheels[wheel.index()] {
            places.push((wheel.words().to_owned(), found.all()));
        }
    }
    for (axle, found) in Axle::ALL.into_iter().zip(&measures.axles) {
        places.push((format!("{axle} axle"), found.all()));
    }
    places.push(("vehicle".to_owned(), measures.vehicle.all()));
    places
}
