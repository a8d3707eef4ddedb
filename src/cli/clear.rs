//! `clear LINK`: clears the codes of one module, after everything that has to come first.

use std::fs::OpenOptions;
use std::io::{self, BufRead, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::{Context as _, bail};
use tonering::capture::write::CandumpWriter;
use tonering::frame::{Channel, Channels};
use tonering::link::clear::{
    Cleared, Memory, Motion, Saved, clear, module, motion, pause, read_memory,
};
use tonering::link::{Bus, Heard};
use tonering::report::escape::visible;
use tonering::service::{CodeEntry, refusal};
use tonering::signal::profile::{Profile, ProfileModule};
use tonering::trouble::Catalogue;

use super::{input, link, wrap};

/// Clear the trouble codes of one module, after keeping them
///
/// The only command that changes anything in a vehicle. It reads the codes and their snapshots and keeps them in a file,
/// makes sure that the vehicle stands, asks for the module's name as a confirmation, clears, and reads back. A cleared
/// code is not a repair: what caused it is still there until it is mended.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(crate) struct Args {
    /// The CAN interface: can0
    #[arg(value_name = "LINK")]
    link: String,
    /// Vehicle profile (YAML): which modules there are, and where the speeds are
    #[arg(long, value_name = "FILE")]
    profile: PathBuf,
    /// The module, by its name in the profile; the brake module unless another is named
    #[arg(long, value_name = "NAME")]
    module: Option<String>,
    /// Keep what was read in this new file, a candump log that diagnose reads
    #[arg(long, value_name = "FILE")]
    save: PathBuf,
    /// State that the vehicle stands and cannot roll, where its speed cannot be read
    #[arg(long)]
    vehicle_stands: bool,
}

const EXAMPLES: &str = "\
Examples:
  tonering clear can0 --profile car.yaml --save before-clearing.log
  tonering clear can0 --profile car.yaml --module 'Engine control' \\
    --save engine.log";

/// What stands before the question.
const BEFORE: &str = "\
Clearing puts the lamp out and mends nothing. It removes what a workshop could have read, and some systems
need a drive before they have tested themselves again; until then a fault is there without a code.";

/// What stands after a clearing.
const AFTER: &str = "\
A cleared code is not a repair. Drive on only if the brakes were sound before; test the pedal standing, then at
walking pace; many modules test again only above 10 to 20 km/h, so a lamp that is out now proves nothing yet.";

/// How long after clearing the codes are read a second time.
const SETTLE: Duration = Duration::from_secs(5);

/// What the procedure needs to know.
struct Task<'a> {
    profile: &'a Profile,
    module: &'a ProfileModule,
    catalogue: &'a Catalogue,
    link: &'a str,
    save: &'a Path,
    stated: bool,
}

pub(crate) fn run(args: &Args) -> anyhow::Result<()> {
    let profile = input::profile(Some(&args.profile))?;
    let Some(module) = module(&profile, args.module.as_deref()) else {
        let names: Vec<&str> = profile
            .modules
            .iter()
            .map(|module| module.name.as_str())
            .collect();
        match &args.module {
            Some(name) => bail!(
                "the profile has no module {name:?}; possible: {}",
                names.join(", ")
            ),
            None => bail!("the profile names no brake module; --module says which is meant"),
        }
    };
    if args.save.exists() {
        bail!(
            "{}: is there already, and is not replaced; nothing was sent",
            args.save.display()
        );
    }
    let catalogue = Catalogue::load(&[])?;
    let mut bus = link::open(&args.link)?;
    let task = Task {
        profile: &profile,
        module,
        catalogue: &catalogue,
        link: &args.link,
        save: &args.save,
        stated: args.vehicle_stands,
    };
    procedure(&task, &mut *bus, &mut io::stdin().lock(), &mut io::stdout()).map_err(link::helped)
}

fn procedure(
    task: &Task<'_>,
    bus: &mut dyn Bus,
    typed: &mut dyn BufRead,
    out: &mut dyn Write,
) -> anyhow::Result<()> {
    let name = visible(&task.module.name).into_owned();
    let mut frames: Vec<Heard> = Vec::new();
    let memory = read_memory(bus, task.module, &mut |heard| frames.push(*heard))?;
    if memory.codes.is_empty() {
        writeln!(out, "{name} has no codes. Nothing to clear.")?;
        return Ok(());
    }
    writeln!(out, "{name} has {}:", counted(memory.codes.len()))?;
    list(&memory.codes, task.catalogue, out)?;
    standing(task, bus, out)?;
    let saved = Saved::keep(memory, task.module, |_| keep(task.save, task.link, &frames))
        .with_context(|| format!("{}: cannot be written", task.save.display()))?;
    writeln!(
        out,
        "\nKept with {} in {}.\n\n{BEFORE}\n",
        match saved.memory().snapshots.len() {
            0 => "no snapshots (the module gave none)".to_owned(),
            1 => "1 snapshot".to_owned(),
            count => format!("{count} snapshots"),
        },
        task.save.display()
    )?;
    write!(
        out,
        "To clear them type the module's name, {name}; anything else leaves them: "
    )?;
    out.flush()?;
    let mut line = String::new();
    // One line, of bounded length.
    io::Read::take(&mut *typed, MAX_LINE).read_line(&mut line)?;
    writeln!(out)?;
    // The person took time to type: look again.
    let stands = standing(task, bus, out)?;
    let Some(confirmed) = saved.confirm(&stands, &line) else {
        bail!("not confirmed; nothing was cleared");
    };
    match clear(bus, &saved, &confirmed, &mut |_| {})? {
        Cleared::Yes => writeln!(out, "{name} says that it has cleared its codes.")?,
        Cleared::Refused(code) => bail!(
            "{name} refuses to clear: 0x{code:02X}, {}; the codes are kept in {}",
            refusal(code).1,
            task.save.display()
        ),
        Cleared::Unknown => writeln!(out, "{name} did not say whether it has cleared.")?,
    }
    let at_once = read_memory(bus, task.module, &mut |_| {})?;
    pause(bus, SETTLE, &mut |_| {})?;
    let later = read_memory(bus, task.module, &mut |_| {})?;
    back(&saved, &at_once, &later, task.catalogue, out)?;
    writeln!(out, "\n{AFTER}")?;
    Ok(())
}

/// Makes sure that the vehicle stands.
fn standing(
    task: &Task<'_>,
    bus: &mut dyn Bus,
    out: &mut dyn Write,
) -> anyhow::Result<tonering::link::clear::Stands> {
    let found = motion(bus, task.profile, &mut |_| {})?;
    if let Some(stands) = found.stands(task.stated) {
        return Ok(stands);
    }
    out.flush()?;
    match found {
        Motion::Turns { what, kmh } => bail!(
            "the {what} turns ({kmh:.1} km/h): codes are cleared only while the vehicle stands; nothing was cleared"
        ),
        Motion::Stands | Motion::Unknown => bail!(
            "nothing says how fast the vehicle is; if it stands and cannot roll, say so with --vehicle-stands; nothing was \
             cleared"
        ),
    }
}

/// Writes the frames to a new file, and waits until they are safe.
fn keep(path: &Path, link: &str, frames: &[Heard]) -> io::Result<()> {
    let file = OpenOptions::new().write(true).create_new(true).open(path)?;
    let mut channels = Channels::default();
    let plain: String = link.chars().filter(char::is_ascii_alphanumeric).collect();
    channels.intern(if plain.is_empty() { "can0" } else { &plain });
    let mut writer = CandumpWriter::new(io::BufWriter::new(file));
    for (number, heard) in (1..).zip(frames) {
        writer.write_frame(&heard.frame(number, Channel(0)), &channels)?;
    }
    let file = writer
        .into_inner()
        .into_inner()
        .map_err(io::IntoInnerError::into_error)?;
    file.sync_all()
}

fn counted(codes: usize) -> String {
    match codes {
        1 => "1 code".to_owned(),
        _ => format!("{codes} codes"),
    }
}

fn list(codes: &[CodeEntry], catalogue: &Catalogue, out: &mut dyn Write) -> io::Result<()> {
    for entry in codes {
        let words = catalogue
            .meaning(entry.code, entry.failure_type)
            .to_string();
        let state = match entry.status {
            Some(status) if status & 0x01 != 0 => "present now",
            Some(_) => "remembered",
            None => "stored",
        };
        let kind = entry
            .failure_type
            .map_or_else(String::new, |kind| format!("-{kind}"));
        let beginning = format!("  {}{kind}  {state}: ", entry.code);
        wrap::item(out, &beginning, &visible(&words), WIDTH)?;
    }
    Ok(())
}

/// Says what is gone and what came back.
fn back(
    saved: &Saved,
    at_once: &Memory,
    later: &Memory,
    catalogue: &Catalogue,
    out: &mut dyn Write,
) -> io::Result<()> {
    let key = |entry: &CodeEntry| (entry.code, entry.failure_type);
    let came: Vec<CodeEntry> =
        later
            .codes
            .iter()
            .chain(&at_once.codes)
            .fold(Vec::new(), |mut seen, entry| {
                if !seen.iter().any(|known| key(known) == key(entry)) {
                    seen.push(*entry);
                }
                seen
            });
    let gone = saved.memory().codes.iter().filter(|before| {
        let mut after = came.iter();
        !after.any(|after| key(after) == key(before))
    });
    let gone = gone.count();
    if came.is_empty() {
        return writeln!(
            out,
            "Read back at once and after 5 s: no codes. What has not been tested again cannot have come back yet."
        );
    }
    writeln!(out, "Gone: {}. There again within 5 s:", counted(gone))?;
    list(&came, catalogue, out)?;
    writeln!(
        out,
        "What comes back at once is there now: look for its cause, not for its code."
    )
}

/// Width of what it prints: readable everywhere.
const WIDTH: usize = 80;
/// Longest line that is read from the person.
const MAX_LINE: u64 = 1_000;

#[cfg(test)]
mod tests {
    use tonering::capture::{Capture, Item};
    use tonering::frame::Timestamp;
    use tonering::link::{Hub, Port};
    use tonering::rig::{Drive, FaultWanted, Settings, Vehicle, profile_yaml};
    use tonering::vehicle::Recorder;

    use super::*;

    struct Bench {
        profile: Profile,
        port: Port,
        hub: Hub,
        folder: tempfile::TempDir,
    }

    fn bench(drive: Drive, fault: &str, wait_s: u64) -> Bench {
        let wanted: FaultWanted = fault.parse().unwrap();
        let settings = Settings {
            faults: vec![wanted.settled(8)],
            drive,
            ..Settings::training(8)
        };
        let hub = Hub::new(Timestamp::default());
        hub.join(Vehicle::new(&settings).without_tester());
        let mut port = hub.port();
        pause(&mut port, Duration::from_secs(wait_s), &mut |_| {}).unwrap();
        let yaml = profile_yaml(&settings, "training");
        let profile = Profile::parse(&yaml, "rig", &mut |_| Err(io::ErrorKind::NotFound.into()));
        Bench {
            profile: profile.unwrap(),
            port,
            hub,
            folder: tempfile::tempdir().unwrap(),
        }
    }

    impl Bench {
        fn file(&self) -> PathBuf {
            self.folder.path().join("kept.log")
        }

        fn run(&mut self, typed: &str, stated: bool) -> (String, Option<String>) {
            let save = self.file();
            let catalogue = Catalogue::load(&[]).unwrap();
            let task = Task {
                profile: &self.profile,
                module: module(&self.profile, None).unwrap(),
                catalogue: &catalogue,
                link: "vcan0",
                save: &save,
                stated,
            };
            let mut out = Vec::new();
            let done = procedure(&task, &mut self.port, &mut typed.as_bytes(), &mut out);
            let error = done.err().map(|error| format!("{error:#}"));
            (String::from_utf8(out).unwrap(), error)
        }

        /// Whether a clearing request was ever on the bus.
        fn clearings(witness: &mut Port) -> usize {
            let mut count = 0;
            while let Some(heard) = witness.hear(Duration::ZERO).unwrap() {
                count += usize::from(
                    matches!(*heard.data, [_, 0x14 | 0x04, ..] if heard.id.raw() == 0x740 && heard.data[0] < 8),
                );
            }
            count
        }
    }

    #[test]
    fn codes_are_kept_then_cleared_then_read_back() {
        let mut bench = bench(Drive::Standing, "sensor-circuit/open@left-front", 6);
        let (said, error) = bench.run("Brake control\n", false);
        assert_eq!(error, None, "{said}");
        assert!(said.contains("Brake control has "), "{said}");
        assert!(said.contains("C0031-13"), "{said}");
        assert!(said.contains("says that it has cleared"), "{said}");
        // The wire is still broken.
        assert!(
            said.contains("There again within 5 s:\n  C0031-13  present now"),
            "{said}"
        );
        assert!(said.contains("A cleared code is not a repair."), "{said}");
        // What was kept is a capture with the codes and the snapshots in it.
        let mut capture = Capture::open(&bench.file()).unwrap();
        let mut recorder = Recorder::new(bench.profile.clone());
        while let Some(item) = capture.next_item().unwrap() {
            let Item::Can(_) = &item else {
                panic!("{item:?}")
            };
            recorder.push(&item);
        }
        recorder.end_capture("kept", capture.kind(), capture.tally());
        let record = recorder.finish();
        assert!(record.codes.iter().any(|code| code.code.0 == 0x4031));
        assert!(record.clears.is_empty());
    }

    #[test]
    fn without_the_right_word_nothing_is_cleared() {
        for typed in [
            "",
            "yes\n",
            "brakes\n",
            "brake control\n",
            &"x".repeat(5_000),
        ] {
            let mut bench = bench(Drive::Standing, "sensor-circuit/open@left-front", 6);
            let mut witness = bench.hub.port();
            let (said, error) = bench.run(typed, true);
            assert_eq!(
                error.as_deref(),
                Some("not confirmed; nothing was cleared"),
                "{said}"
            );
            assert_eq!(Bench::clearings(&mut witness), 0);
            assert!(bench.file().exists());
        }
    }

    #[test]
    fn while_a_wheel_turns_nothing_is_cleared_whatever_is_stated() {
        let mut bench = bench(Drive::Test, "sensor-circuit/open@left-front", 14);
        let mut witness = bench.hub.port();
        let (_, error) = bench.run("Brake control\n", true);
        let error = error.unwrap();
        assert!(
            error.contains("turns (") && error.contains("nothing was cleared"),
            "{error}"
        );
        assert_eq!(Bench::clearings(&mut witness), 0);
    }

    #[test]
    fn what_cannot_be_kept_is_not_cleared() {
        let mut bench = bench(Drive::Standing, "sensor-circuit/open@left-front", 6);
        let mut witness = bench.hub.port();
        std::fs::write(bench.file(), "older").unwrap();
        let (_, error) = bench.run("Brake control\n", true);
        let error = error.unwrap();
        assert!(error.contains("kept.log: cannot be written"), "{error}");
        assert_eq!(Bench::clearings(&mut witness), 0);
        assert_eq!(std::fs::read(bench.file()).unwrap(), b"older");
    }

    #[test]
    fn a_module_without_codes_is_left_alone() {
        let mut bench = bench(Drive::Standing, "tyre-mismatch/pressure@left-rear", 4);
        bench.profile.modules.rotate_left(2);
        let module = bench.profile.modules[0].name.clone();
        assert_eq!(module, "Body control");
        if let Some(body) = bench.profile.modules.first_mut() {
            body.role = tonering::vehicle::Role::Brakes;
        }
        let (said, error) = bench.run("", false);
        assert_eq!(error, None);
        assert_eq!(said, "Body control has no codes. Nothing to clear.\n");
    }
}
