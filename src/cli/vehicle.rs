//! Captures of one vehicle, read into its record, each with its hash.

use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};

use tonering::capture::Capture;
use tonering::report::CaptureLine;
use tonering::signal::profile::Profile;
use tonering::vehicle::{Record, Recorder};

use super::console::{Console, remark};
use super::hash::{Hashed, Hashing};
use super::input;

/// How often it is asked whether to go on, in items.
const ASK: u32 = 1 << 16;

/// What was read.
pub(crate) struct Vehicle {
    /// What the captures say.
    pub(crate) record: Record,
    /// Of each capture its hash; `None` where it was not read to its end.
    pub(crate) hashes: Vec<Option<Hashed>>,
    /// Something was lost.
    pub(crate) damaged: bool,
}

/// Reads captures, one after the other.
pub(crate) fn read(
    paths: &[PathBuf],
    profile: &Profile,
    console: Console,
) -> anyhow::Result<Vehicle> {
    read_told(paths, profile, console, &mut remark, &|| Ok(()))
}

/// The same with its remarks to `tell`; ends with the error of `go_on`, which is asked again and again.
pub(crate) fn read_told(
    paths: &[PathBuf],
    profile: &Profile,
    console: Console,
    tell: &mut dyn FnMut(&str),
    go_on: &dyn Fn() -> anyhow::Result<()>,
) -> anyhow::Result<Vehicle> {
    let mut recorder = Recorder::new(profile.clone());
    let mut hashes = Vec::new();
    let mut damaged = false;
    for path in paths {
        let (mut capture, hashing) = open(path)?;
        let mut until_asked = ASK;
        let whole = input::each_item(&mut capture, console, tell, |item| {
            recorder.push(item);
            until_asked -= 1;
            if until_asked == 0 {
                until_asked = ASK;
                go_on()?;
            }
            Ok(())
        })?;
        damaged |= !whole | input::tell_damage_to(tell, capture.name(), capture.tally());
        recorder.end_capture(capture.name(), capture.kind(), capture.tally());
        hashes.push(hashing.finish().filter(|_| whole));
    }
    Ok(Vehicle {
        record: recorder.finish(),
        hashes,
        damaged,
    })
}

/// Opens a capture; `-` is standard input. Pipes can be read once only, so they are hashed on their way.
fn open(path: &Path) -> anyhow::Result<(Capture, Hashing)> {
    if path == Path::new("-") {
        let (hashing, reader) = Hashing::pipe(io::stdin());
        let capture = Capture::from_reader(Box::new(reader), "standard input")?;
        return Ok((capture, hashing));
    }
    let is_pipe = path
        .metadata()
        .is_ok_and(|found| !found.is_file() && !found.is_dir());
    if is_pipe && let Ok(file) = File::open(path) {
        let (hashing, reader) = Hashing::pipe(file);
        let capture = Capture::from_reader(Box::new(reader), &path.display().to_string())?;
        return Ok((capture, hashing));
    }
    let capture = Capture::open(path)?;
    Ok((capture, Hashing::file(path)))
}

/// Puts the hashes into the lines of the captures, which stand in the same order.
pub(crate) fn add_hashes(lines: &mut [CaptureLine], hashes: &[Option<Hashed>]) {
    for (line, hash) in lines.iter_mut().zip(hashes) {
        line.sha256 = hash.as_ref().map(|hash| hash.sha256.clone());
    }
}

/// The captures' names with their hashes.
pub(crate) fn named<'a>(
    lines: &'a [CaptureLine],
    hashes: &'a [Option<Hashed>],
) -> impl Iterator<Item = (&'a str, Option<&'a Hashed>)> {
    lines
        .iter()
        .zip(hashes)
        .map(|(line, hash)| (line.file.as_str(), hash.as_ref()))
}
