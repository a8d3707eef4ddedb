//! `rig`: a simulated vehicle with chosen faults writes a capture, its profile and the notes of checks by hand; or it
//! lives on a CAN interface.

mod on;

use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::Context as _;
use clap::builder::{PossibleValuesParser, TypedValueParser as _};
use flate2::{Compression, GzBuilder};
use tonering::capture::write::{CandumpWriter, PcapngWriter};
use tonering::frame::Channels;
use tonering::place::{Axle, Place, Wheel};
use tonering::rig::{
    CHECKS, Delivery, Drive, Fault, FaultWanted, Layout, Moment, Settings, Style, Truth, Vehicle,
    causes, notes_yaml, profile_yaml, random_case,
};
use tonering::vehicle::SensorKind;

use super::console::remark;
use super::link;
use super::output::Output;
pub(crate) use on::{Commands, refuse_among_others, serve};

/// Simulate a vehicle with chosen faults
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is a switch of the command line"
)]
#[derive(Debug, clap::Args)]
#[command(after_help = after_help())]
pub(crate) struct Args {
    /// What is wrong: CAUSE[/FORM][@PLACE][=SEVERITY], as in sensor-circuit/open@left-front=0.7; repeat for more
    #[arg(long, value_name = "FAULT")]
    fault: Vec<FaultWanted>,
    /// What was wrong on the drives before, and has been mended since
    #[arg(long, value_name = "FAULT")]
    mended: Vec<FaultWanted>,
    /// Where all chance comes from: the same seed gives the same bytes
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    seed: u64,
    /// Draw vehicle, drive, tester and faults from the seed
    #[arg(long, conflicts_with_all = ["fault", "mended", "drive", "sensor", "wheels", "ask"])]
    random: bool,
    /// The drive that is recorded
    #[arg(long, value_name = "DRIVE", default_value = "test", value_parser = drive_parser())]
    drive: Drive,
    /// Drives before it, unrecorded: the modules remember them
    #[arg(long, value_name = "COUNT", default_value_t = 1, value_parser = clap::value_parser!(u8).range(0..=20))]
    earlier_drives: u8,
    /// How the sensors work
    #[arg(long, value_name = "KIND", default_value = "active", value_parser = sensor_parser())]
    sensor: SensorKind,
    /// How the wheel speeds come: four-words, axle-pairs, offset-words or four-short (broadcast), polled, none
    #[arg(long, value_name = "HOW", default_value = "four-words", value_parser = wheels_parser())]
    wheels: Wheels,
    /// When the tester reads the codes
    #[arg(long, value_name = "WHEN", default_value = "after", value_parser = moment_parser())]
    ask: Moment,
    /// The tester does not ask the brake module
    #[arg(long)]
    without_brakes: bool,
    /// The tester clears all codes before the drive
    #[arg(long)]
    clear: bool,
    /// Codes of other systems, which have nothing to do with the brakes
    #[arg(long, value_name = "COUNT", default_value_t = 0, value_parser = clap::value_parser!(u8).range(0..=8))]
    stray_codes: u8,
    /// Pull away with spinning wheels and brake hard
    #[arg(long)]
    spirited: bool,
    /// Write the capture to this file instead of standard output; packed when its name ends in .gz
    #[arg(long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// The kind of capture
    #[arg(long, value_name = "KIND", default_value = "candump", value_parser = format_parser())]
    format: Format,
    /// Write the vehicle's profile to this file
    #[arg(long, value_name = "FILE")]
    profile_out: Option<PathBuf>,
    /// Do a check by hand for the notes: CHECK[@PLACE], as in air-gap@left-front; repeat for more
    #[arg(long, value_name = "CHECK", requires = "notes_out")]
    check: Vec<Check>,
    /// Write the inspection notes to this file
    #[arg(long, value_name = "FILE")]
    notes_out: Option<PathBuf>,
    /// Say on standard error what is wrong with the vehicle
    #[arg(long)]
    tell: bool,
    /// Let the vehicle live on this CAN interface, on a bench only: it broadcasts and answers until stopped
    #[arg(long, value_name = "LINK", conflicts_with_all = ["output", "format", "check", "notes_out", "ask", "without_brakes", "clear"])]
    on: Option<String>,
    /// With --on: although others already talk there
    #[arg(long, requires = "on")]
    among_others: bool,
    /// With --on: stop after so many seconds
    #[arg(long = "for", value_name = "SECONDS", requires = "on", value_parser = clap::value_parser!(u32).range(1..))]
    seconds: Option<u32>,
}

/// How the wheel speeds come out.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
enum Wheels {
    Broadcast(Style),
    Polled,
    Absent,
}

/// The kinds of capture that it writes.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
enum Format {
    Candump,
    Pcapng,
}

const FORMATS: [(&str, Format); 2] = [("candump", Format::Candump), ("pcapng", Format::Pcapng)];

/// How often a tester polls the wheels, rounds a second.
const POLLED_HZ: f64 = 5.0;
/// The name of the bus in what is written.
const CHANNEL: &str = "can0";
/// The training vehicle's name; any likeness to a vehicle on the road is an accident.
const NAME: &str = "Training vehicle Pendel";

const WHEELS: [(&str, Wheels); 6] = [
    ("four-words", Wheels::Broadcast(Style::FourWords)),
    ("axle-pairs", Wheels::Broadcast(Style::AxlePairs)),
    ("offset-words", Wheels::Broadcast(Style::OffsetWords)),
    ("four-short", Wheels::Broadcast(Style::FourShort)),
    ("polled", Wheels::Polled),
    ("none", Wheels::Absent),
];
const SENSORS: [(&str, SensorKind); 2] = [
    ("active", SensorKind::Active),
    ("passive", SensorKind::Passive),
];
const MOMENTS: [(&str, Moment); 4] = [
    ("before", Moment::Before),
    ("during", Moment::During),
    ("after", Moment::After),
    ("never", Moment::Never),
];

/// A parser for the words of a table.
fn words<T: Copy + Send + Sync + 'static, const N: usize>(
    table: [(&'static str, T); N],
) -> impl clap::builder::TypedValueParser<Value = T> {
    PossibleValuesParser::new(table.map(|(word, _)| word)).try_map(move |word| {
        let found = table.iter().find(|(known, _)| *known == word);
        found.map(|(_, value)| *value).ok_or("unknown word")
    })
}

pub(crate) fn drive_parser() -> impl clap::builder::TypedValueParser<Value = Drive> {
    words(Drive::ALL.map(|drive| (drive.id(), drive)))
}

fn sensor_parser() -> impl clap::builder::TypedValueParser<Value = SensorKind> {
    words(SENSORS)
}

fn wheels_parser() -> impl clap::builder::TypedValueParser<Value = Wheels> {
    words(WHEELS)
}

fn format_parser() -> impl clap::builder::TypedValueParser<Value = Format> {
    words(FORMATS)
}

fn moment_parser() -> impl clap::builder::TypedValueParser<Value = Moment> {
    words(MOMENTS)
}

const EXAMPLES: &str = "\
Examples:
  tonering rig --fault sensor-circuit@left-front \\
    --output drive.log --profile-out car.yaml
  tonering rig --random --seed 7 --tell \\
    --output riddle.log.gz --profile-out car.yaml
  tonering rig --mended sensor-circuit@right-rear --clear --output after.log
  tonering rig --on vcan0 --fault sensor-circuit@left-front \\
    --profile-out car.yaml";

const ON_A_LINK: &str = "\
On a link (--on): for a bench, a virtual interface or a lesson, never for a bus with a real vehicle on it: the \
simulated modules answer to requests and broadcast speeds that real ones would believe. Without --among-others it \
refuses a bus on which others talk. While it runs it takes lines from standard input: fault sensor-circuit left-front; \
mend; drive town; stand; state; quit.";

fn after_help() -> String {
    let checks = CHECKS.map(|(id, _)| id);
    format!(
        "{EXAMPLES}\n\nCauses: {}.\n\nPlaces: left-front, right-front, left-rear, right-rear; front, rear for sensors-swapped; none for the \
         vehicle.\n\nChecks: {}.\n\n{ON_A_LINK}",
        causes().join(", "),
        checks.join(", ")
    )
}

/// A check by hand at a place, as typed.
#[derive(Clone, Debug)]
struct Check {
    id: String,
    place: Place,
}

impl std::str::FromStr for Check {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let (id, place) = match text.split_once('@') {
            None => (text, Place::Vehicle),
            Some((id, place)) => {
                let wheel = Wheel::from_id(place).map(Place::Wheel);
                let place = wheel
                    .or_else(|| Axle::from_id(place).map(Place::Axle))
                    .ok_or_else(|| format!("{place:?} is no wheel or axle"))?;
                (id, place)
            }
        };
        Ok(Self {
            id: id.to_owned(),
            place,
        })
    }
}

pub(crate) fn run(args: &Args) -> anyhow::Result<()> {
    let settings = args.settings();
    if let Some(name) = &args.on {
        return live(args, &settings, name);
    }
    // All files are opened before the work, so that a wrong path is known at once.
    let mut capture = Output::open(args.output.as_deref())?;
    let profile = args.profile_out.as_deref().map(open).transpose()?;
    let notes = args.notes_out.as_deref().map(open).transpose()?;
    let mut vehicle = Vehicle::new(&settings);
    if let Some(mut file) = notes {
        let checks: Vec<(String, Place)> = args
            .check
            .iter()
            .map(|check| (check.id.clone(), check.place))
            .collect();
        let text = notes_yaml(&vehicle, &checks).context("--check")?;
        file.write_all(text.as_bytes())?;
        file.finish()?;
    }
    if let Some(mut file) = profile {
        file.write_all(profile_yaml(&settings, NAME).as_bytes())?;
        file.finish()?;
    }
    let packed = args.output.as_deref().is_some_and(is_packed);
    if packed {
        // No name and no time in the head: the same settings give the same file.
        let mut packer = GzBuilder::new().write(&mut capture, Compression::best());
        write(&mut vehicle, args.format, &mut packer)?;
        packer.finish()?;
    } else {
        write(&mut vehicle, args.format, &mut capture)?;
    }
    capture.finish()?;
    if args.tell {
        tell(&settings);
    }
    Ok(())
}

/// The vehicle on a CAN interface.
fn live(args: &Args, settings: &Settings, name: &str) -> anyhow::Result<()> {
    let profile = args.profile_out.as_deref().map(open).transpose()?;
    let mut bus = link::open(name)?;
    if !args.among_others {
        refuse_among_others(&mut *bus, name).map_err(link::helped)?;
    }
    if let Some(mut file) = profile {
        file.write_all(profile_yaml(settings, NAME).as_bytes())?;
        file.finish()?;
    }
    if args.tell {
        tell(settings);
    }
    let vehicle = Vehicle::new(settings).without_tester();
    remark(&format!(
        "{NAME} is on {name}; commands on standard input, help lists them"
    ));
    let commands = Commands::from_input();
    let limit = args
        .seconds
        .map(|seconds| Duration::from_secs(seconds.into()));
    serve(vehicle, &mut *bus, &commands, &mut io::stdout(), limit).map_err(link::helped)
}

fn open(path: &Path) -> anyhow::Result<Output> {
    Output::open(Some(path))
}

fn is_packed(path: &Path) -> bool {
    path.extension().is_some_and(|ending| ending == "gz")
}

fn write(vehicle: &mut Vehicle, format: Format, out: &mut impl Write) -> io::Result<()> {
    let mut channels = Channels::default();
    channels.intern(CHANNEL);
    let mut result = Ok(());
    let mut number = 0;
    match format {
        Format::Candump => {
            let mut writer = CandumpWriter::new(out);
            vehicle.record(|frame| {
                number += 1;
                if result.is_ok() {
                    result = writer.write_frame(&frame.as_frame(number), &channels);
                }
            });
        }
        Format::Pcapng => {
            let mut writer = PcapngWriter::new(out)?;
            vehicle.record(|frame| {
                number += 1;
                if result.is_ok() {
                    result = writer.write_frame(&frame.as_frame(number), &channels);
                }
            });
        }
    }
    result
}

fn tell(settings: &Settings) {
    let truth = Truth::of(settings);
    if truth.causes.is_empty() {
        remark("nothing is wrong with this vehicle, and nothing was");
    }
    for fault in &settings.faults {
        remark(&format!("wrong: {fault}"));
    }
    for cause in &truth.mended {
        remark(&format!(
            "mended: {}/{} at {}",
            cause.cause, cause.form, cause.place
        ));
    }
}

impl Args {
    fn settings(&self) -> Settings {
        if self.random {
            return random_case(self.seed).0;
        }
        // Each further fault has its own draw.
        let settled = |wanted: &[FaultWanted]| -> Vec<Fault> {
            (self.seed..)
                .zip(wanted)
                .map(|(seed, fault)| fault.settled(seed))
                .collect()
        };
        let mut settings = Settings::training(self.seed);
        settings.faults = settled(&self.fault);
        settings.past_faults = settled(&self.mended);
        settings.drive = self.drive;
        settings.earlier_drives = self.earlier_drives;
        settings.sensor = self.sensor;
        match self.wheels {
            Wheels::Broadcast(style) => settings.layout = Layout::new(style, 0, 20),
            Wheels::Polled => settings.delivery = Delivery::Polled { rate_hz: POLLED_HZ },
            Wheels::Absent => settings.delivery = Delivery::Absent,
        }
        settings.survey.moment = self.ask;
        settings.survey.asks_brakes = !self.without_brakes;
        settings.survey.clears = self.clear;
        settings.stray_codes = self.stray_codes;
        settings.spirited = self.spirited;
        settings
    }
}

#[cfg(test)]
mod tests {
    use std::io::Read as _;

    use clap::Parser as _;
    use flate2::read::GzDecoder;

    use super::*;

    #[derive(Debug, clap::Parser)]
    struct Line {
        #[command(flatten)]
        args: Args,
    }

    fn unpacked(path: &Path) -> Vec<u8> {
        let mut bytes = std::fs::read(path).unwrap_or_else(|error| panic!("{path:?}: {error}"));
        if is_packed(path) {
            let packed = std::mem::take(&mut bytes);
            GzDecoder::new(&packed[..]).read_to_end(&mut bytes).unwrap();
        }
        bytes
    }

    /// The demo captures are what the lines of their list make, byte for byte (packed ones: what is packed).
    #[test]
    fn demo_captures_are_made_again() {
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        let temporary = tempfile::tempdir().unwrap();
        let folder = temporary.path();
        let list = include_str!("../../../captures/README.md");
        let lines: Vec<&str> = list
            .lines()
            .filter_map(|line| line.strip_prefix("tonering rig "))
            .collect();
        assert!(lines.len() >= 10, "{lines:?}");
        std::thread::scope(|scope| {
            for half in lines.chunks(lines.len().div_ceil(2)) {
                scope.spawn(move || {
                    for line in half {
                        again(line, root, folder);
                    }
                });
            }
        });
    }

    #[test]
    fn both_kinds_of_capture_hold_the_same_frames() {
        let frames = |format: &str| {
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("drive.gz");
            let line = format!("rig --drive standing --seed 3 --format {format}");
            let mut args = Line::try_parse_from(line.split_whitespace()).unwrap().args;
            args.output = Some(path.clone());
            run(&args).unwrap();
            let mut capture = tonering::capture::Capture::open(&path).unwrap();
            let mut found = Vec::new();
            while let Some(item) = capture.next_item().unwrap() {
                if let tonering::capture::Item::Can(frame) = item {
                    found.push((frame.time, frame.id, frame.data.to_vec()));
                }
            }
            found
        };
        let text = frames("candump");
        assert!(text.len() > 500);
        assert_eq!(text, frames("pcapng"));
    }

    fn again(line: &str, root: &Path, folder: &Path) {
        let words = std::iter::once("rig").chain(line.split_whitespace());
        let mut args = Line::try_parse_from(words).unwrap().args;
        let mut files = Vec::new();
        let written = [&mut args.output, &mut args.profile_out, &mut args.notes_out];
        for path in written.into_iter().flatten() {
            let committed = root.join(&*path);
            let made = folder.join(&*path);
            std::fs::create_dir_all(made.parent().unwrap()).unwrap();
            path.clone_from(&made);
            files.push((committed, made));
        }
        run(&args).unwrap();
        for (committed, made) in files {
            let same = unpacked(&committed) == unpacked(&made);
            assert!(
                same,
                "{} is not what is made by: {line}",
                committed.display()
            );
        }
    }

    #[test]
    fn wrong_words_are_refused_with_what_is_possible() {
        let refused = |line: &str| {
            let words = std::iter::once("rig").chain(line.split_whitespace());
            Line::try_parse_from(words).unwrap_err().to_string()
        };
        assert!(refused("--fault gremlins").contains("sensor-circuit"));
        assert!(refused("--fault sensor-circuit").contains("@left-front"));
        assert!(refused("--drive moon").contains("motorway"));
        assert!(refused("--check air-gap@left-front").contains("--notes-out"));
    }
}
