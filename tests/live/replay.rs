//! A capture that is played onto a link says the same there as the capture itself.
//!
//! For every bus of every capture: `live --replay` plays it onto a virtual bus of its own, `live --record … --format json` hears
//! it. Then (1) the recording holds the frames of the capture, each of them, in their order; (2) the report that `live` gave is
//! the report of `diagnose` on the recording, to the last figure; (3) the recording with the capture's own times gives the same
//! report as the capture, to the last figure; (4) at the times at which it was heard (stretched again where it was played faster)
//! it has the same modules, codes and wheels, and, unless the guest was so late that times mean something else, the same findings
//! and ranking.
//!
//! The guest is slow, so playing and comparing may be apart: with `TONERING_REPLAYED=FOLDER` what is heard is kept there, and
//! the same test outside of the guest compares it (`tests/live/run.sh` does so).

#![expect(
    clippy::disallowed_methods,
    reason = "tests meet files, the environment and the clock"
)]

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Mutex;
use std::time::Duration;

use serde_json::Value;
use tonering::capture::write::CandumpWriter;
use tonering::capture::{Capture, Item};
use tonering::frame::{CanId, Channel, Channels, Frame, FrameKind, Timestamp};

use crate::guest::{Beside, VirtualBus, has, is_thorough, until};

/// So many are played at the same time.
const AT_ONCE: usize = 3;
/// A capture is played in about this time, in seconds, unless there is time for everything.
const PLAYED_IN_S: f64 = 12.0;
/// Pauses are shortened to this, in seconds.
const LONGEST_PAUSE_S: i64 = 5;
/// Times that are later by less than this, on the capture's clock, change nothing: wheels are sampled every 10 ms at the most
/// often, and without a profile only the times of the protocols count, the shortest of 50 ms (ISO 14229-2, P2).
const HARMLESS_S: (f64, f64) = (0.005, 0.05);

/// A bus of a capture, and how it is played.
struct Lesson {
    /// Of the link; also of the test's files.
    name: String,
    capture: PathBuf,
    /// Its bus, where the capture holds several.
    bus: Option<String>,
    /// What is on that bus; times after the shortening of pauses.
    frames: Vec<Kept>,
    profile: Option<PathBuf>,
    speed: f64,
}

/// A frame that is kept.
#[derive(Clone, Debug, PartialEq)]
struct Kept {
    time: Timestamp,
    id: CanId,
    kind: FrameKind,
    data: Vec<u8>,
}

impl Lesson {
    fn title(&self) -> String {
        let file = self.capture.file_name().unwrap().to_string_lossy();
        match &self.bus {
            Some(bus) => format!("{file} bus {bus}"),
            None => file.into_owned(),
        }
    }

    /// Seconds from the first to the last frame.
    fn lasts(&self) -> f64 {
        match (self.frames.first(), self.frames.last()) {
            (Some(first), Some(last)) => last.time.seconds() - first.time.seconds(),
            _ => 0.0,
        }
    }

    /// Whether frames that came so late, in seconds, still have their times.
    fn keeps_its_times(&self, late_s: f64) -> bool {
        let harmless = match self.profile {
            Some(_) => HARMLESS_S.0,
            None => HARMLESS_S.1,
        };
        late_s * self.speed < harmless
    }
}

/// The frames of each bus; and how many packets are no CAN.
fn buses(path: &Path) -> (BTreeMap<String, Vec<Kept>>, u64) {
    let mut capture = Capture::open(path).unwrap();
    let mut by_channel: BTreeMap<u16, Vec<Kept>> = BTreeMap::new();
    let mut no_can = 0;
    while let Some(item) = capture.next_item().unwrap() {
        let Item::Can(frame) = item else {
            no_can += 1;
            continue;
        };
        by_channel.entry(frame.channel.0).or_default().push(Kept {
            time: frame.time.unwrap_or_default(),
            id: frame.id,
            kind: frame.kind,
            data: frame.data.to_vec(),
        });
    }
    let names = capture.channels().names().to_vec();
    let named = by_channel
        .into_iter()
        .map(|(channel, frames)| (names[usize::from(channel)].clone(), frames));
    (named.collect(), no_can)
}

/// Pauses no longer than [`LONGEST_PAUSE_S`], as `--longest-pause` plays them.
fn shorten(frames: &mut [Kept]) {
    let most = LONGEST_PAUSE_S * 1_000_000_000;
    let mut last: Option<Timestamp> = None;
    let mut at = 0_i64;
    for frame in frames {
        let pause = last.map_or(0, |last| frame.time.nanos_since(last).max(0));
        at = match last {
            None => frame.time.nanos(),
            Some(_) => at + pause.min(most),
        };
        last = Some(frame.time);
        frame.time = Timestamp::from_nanos(at);
    }
}

/// The lessons of one capture: one for each of its buses. What a CAN link cannot carry is told.
fn lessons(path: &Path, stem: &str, profile: Option<&Path>, lessons: &mut Vec<Lesson>) {
    let (found, no_can) = buses(path);
    if no_can > 0 {
        tell(&format!(
            "skipped: {no_can} packets of {}: Ethernet, which a CAN link cannot carry",
            path.display()
        ));
    }
    let several = found.len() > 1;
    for (bus, mut frames) in found {
        shorten(&mut frames);
        // A link's name is short: a number, and the beginning of the file's.
        let short: String = stem
            .chars()
            .filter(char::is_ascii_alphanumeric)
            .take(8)
            .collect();
        let mut lesson = Lesson {
            name: format!("r{}{short}", lessons.len()),
            capture: path.to_owned(),
            bus: several.then_some(bus),
            frames,
            profile: profile.map(Path::to_owned),
            speed: 1.0,
        };
        let lasts = lesson.lasts();
        // Samples once a second stay far apart for a long while.
        let slow = lasts > 600.0;
        lesson.speed = match (is_thorough(), slow) {
            (true, true) => (lasts / 60.0).max(1.0),
            (true, false) => 1.0,
            (false, _) => (lasts / PLAYED_IN_S).max(1.0),
        };
        lessons.push(lesson);
    }
}

/// The demo captures, the short ones or all; and real ones, where there are some (`TONERING_CORPUS`).
fn all(folder: &Path) -> Vec<Lesson> {
    let mut found = Vec::new();
    let demos = Path::new(env!("CARGO_MANIFEST_DIR")).join("captures");
    let mut folders: Vec<PathBuf> = fs::read_dir(&demos)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    folders.sort();
    for demo in folders {
        let name = demo.file_name().unwrap().to_string_lossy().into_owned();
        let short = ["open-circuit", "supply-lost"].contains(&&*name);
        for file in ["drive.log", "drive.log.gz"] {
            let capture = demo.join(file);
            if capture.exists() && (short || is_thorough()) {
                let profile = demo.join("profile.yaml");
                lessons(&capture, &name, Some(&profile), &mut found);
            }
        }
    }
    let Some(corpus) = std::env::var_os("TONERING_CORPUS").map(PathBuf::from) else {
        return found;
    };
    let profiles = wheel_profiles(&corpus, folder);
    let mut captures: Vec<PathBuf> = [corpus.clone(), corpus.join("wheels")]
        .iter()
        .flat_map(|folder| fs::read_dir(folder).unwrap())
        .map(|entry| entry.unwrap().path())
        .filter(|path| {
            let ending = path.extension().and_then(|ending| ending.to_str());
            matches!(ending, Some("log" | "pcap" | "pcapng" | "mf4"))
        })
        .collect();
    captures.sort();
    for capture in captures {
        let stem = capture.file_stem().unwrap().to_string_lossy().into_owned();
        let profile = profiles.get(capture.file_name().unwrap().to_string_lossy().as_ref());
        lessons(&capture, &stem, profile.map(PathBuf::as_path), &mut found);
    }
    found
}

/// A profile for each recording of wheel speeds, from the corpus's table of signals.
fn wheel_profiles(corpus: &Path, folder: &Path) -> BTreeMap<String, PathBuf> {
    let table = fs::read_to_string(corpus.join("wheels/signals.csv")).unwrap();
    let mut texts: BTreeMap<String, String> = BTreeMap::new();
    for row in table.lines().skip(1) {
        let cells: Vec<&str> = row.split(',').collect();
        let [
            file,
            wheel,
            id,
            start,
            length,
            order,
            factor,
            offset,
            unit,
            invalid,
        ] = cells[..]
        else {
            panic!("{row}");
        };
        let wheel = match wheel {
            "LF" => "left-front",
            "RF" => "right-front",
            "LR" => "left-rear",
            _ => "right-rear",
        };
        let file = file.trim_start_matches("../").to_owned();
        let text = texts.entry(file).or_insert_with(|| {
            "profile: 1\nwheels:\n  tyre: 205/55R16\n  teeth: 48\n  speeds:\n".to_owned()
        });
        let invalid = if invalid.is_empty() {
            String::new()
        } else {
            format!(", invalid: [{invalid}]")
        };
        let _ = writeln!(
            text,
            "    {wheel}: {{ frame: {id}, start_bit: {start}, length: {length}, byte_order: {order}, factor: {factor}, offset: \
             {offset}, unit: {unit}{invalid} }}"
        );
    }
    texts
        .into_iter()
        .map(|(file, text)| {
            let path = folder.join(format!("{file}.yaml"));
            fs::write(&path, text).unwrap();
            (file, path)
        })
        .collect()
}

fn tell(words: &str) {
    let _ = writeln!(std::io::stderr(), "{words}");
}

fn program() -> Command {
    Command::new(env!("CARGO_BIN_EXE_tonering"))
}

/// Plays and records into the folder: `NAME.pcapng` and `NAME.json`.
fn play(lesson: &Lesson, folder: &Path) {
    let bus = VirtualBus::new(&lesson.name);
    let scratch = tempfile::tempdir().unwrap();
    let recording = scratch.path().join("heard.pcapng");
    let report = scratch.path().join("heard.json");
    let title = lesson.title();
    let mut listener = program();
    listener.args(["live", &bus.0, "--record"]).arg(&recording);
    listener.args(["--format", "json", "--output"]).arg(&report);
    if let Some(profile) = &lesson.profile {
        listener.arg("--profile").arg(profile);
    }
    let listener = Beside::start(&mut listener);
    until("it listens", || recording.exists());
    let mut player = program();
    player
        .args(["live", &bus.0, "--replay"])
        .arg(&lesson.capture);
    player.args(["--speed", &lesson.speed.to_string()]);
    player.args(["--longest-pause", &format!("{LONGEST_PAUSE_S}s")]);
    if let Some(bus) = &lesson.bus {
        player.args(["--bus", bus]);
    }
    let output = Beside::start(&mut player).end();
    let told = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{title}: {told}");
    let played = format!(" {} frames played", lesson.frames.len());
    assert!(told.contains(&played), "{title}: {told}");
    tell(&format!(
        "{title}, {:.1} times as fast: {}",
        lesson.speed,
        told.lines().next().unwrap_or_default()
    ));
    // What is on its way comes within this time.
    std::thread::sleep(Duration::from_secs(1));
    listener.signal("INT");
    let output = listener.end();
    let told = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{title}: {told}");
    assert!(told.contains(", 0 lost;"), "{title}: {told}");
    for ending in ["pcapng", "json"] {
        let heard = scratch.path().join(format!("heard.{ending}"));
        fs::copy(heard, folder.join(format!("{}.{ending}", lesson.name))).unwrap();
    }
}

/// The report on a capture.
fn report(capture: &Path, profile: Option<&Path>) -> Value {
    let mut command = program();
    command
        .arg("diagnose")
        .arg(capture)
        .args(["--format", "json"]);
    if let Some(profile) = profile {
        command.arg("--profile").arg(profile);
    }
    let output = command.output().unwrap();
    assert!(output.status.success(), "{output:?}");
    serde_json::from_slice(&output.stdout).unwrap()
}

/// A report without what names the capture; a frame is named by its number alone.
fn nameless(mut report: Value) -> Value {
    for capture in report["captures"].as_array_mut().unwrap() {
        let capture = capture.as_object_mut().unwrap();
        for key in ["file", "kind", "sha256"] {
            capture.remove(key);
        }
    }
    without_files(&mut report);
    report
}

/// `origin` and `origins` say `FILE:NUMBER`.
fn without_files(value: &mut Value) {
    let number = |text: &mut String| {
        if let Some((_, number)) = text.rsplit_once(':') {
            *text = number.to_owned();
        }
    };
    match value {
        Value::Object(fields) => {
            for (key, value) in fields {
                match (key.as_str(), value) {
                    ("origin", Value::String(text)) => number(text),
                    ("origins", Value::Array(texts)) => {
                        for text in texts {
                            if let Value::String(text) = text {
                                number(text);
                            }
                        }
                    }
                    (_, value) => without_files(value),
                }
            }
        }
        Value::Array(values) => values.iter_mut().for_each(without_files),
        _ => {}
    }
}

fn write(path: &Path, frames: &[Kept]) {
    let mut channels = Channels::default();
    channels.intern("can0");
    let mut writer = CandumpWriter::new(fs::File::create(path).unwrap());
    for (number, kept) in (1..).zip(frames) {
        let frame = Frame {
            number,
            time: Some(kept.time),
            channel: Channel(0),
            id: kept.id,
            kind: kept.kind,
            data: &kept.data,
        };
        writer.write_frame(&frame, &channels).unwrap();
    }
    writer.flush().unwrap();
}

fn list<'a>(report: &'a Value, part: &str) -> &'a Vec<Value> {
    report[part].as_array().unwrap()
}

/// What must be equal whatever the clock, one line each.
fn facts(report: &Value) -> Vec<String> {
    let mut facts = Vec::new();
    let mut each = |part: &str, keys: &[&str]| {
        for entry in list(report, part) {
            let values: Vec<String> = keys.iter().map(|key| entry[key].to_string()).collect();
            facts.push(format!("{part}: {}", values.join(" ")));
        }
    };
    each("captures", &["frames", "unreadable"]);
    each("modules", &["name", "role", "request", "response", "state"]);
    let code = [
        "code",
        "failure_type",
        "status",
        "list",
        "module",
        "meaning",
    ];
    each("codes", &code);
    each("wheels", &["wheel", "top_kmh"]);
    facts
}

/// The findings, and the causes with more than a trace of probability.
fn judgement(report: &Value) -> (Vec<String>, Vec<(String, f64)>) {
    let place = |entry: &Value| format!("{} {} {}", entry["id"], entry["wheel"], entry["axle"]);
    let findings = list(report, "findings").iter().map(place).collect();
    let causes = list(report, "causes").iter();
    let causes = causes
        .map(|cause| (place(cause), cause["probability"].as_f64().unwrap()))
        .filter(|(_, probability)| *probability > 0.05)
        .collect();
    (findings, causes)
}

fn compare(lesson: &Lesson, folder: &Path) {
    let title = lesson.title();
    let profile = lesson.profile.as_deref();
    let recording = folder.join(format!("{}.pcapng", lesson.name));
    let (mut heard, _) = buses(&recording);
    let mut heard = heard.pop_first().unwrap().1;

    // (1) The frames.
    assert_eq!(heard.len(), lesson.frames.len(), "{title}");
    for (number, (heard, played)) in (1..).zip(heard.iter().zip(&lesson.frames)) {
        let same = (heard.id, heard.kind, &heard.data) == (played.id, played.kind, &played.data);
        assert!(same, "{title}, frame {number}: {heard:?} {played:?}");
    }

    // (2) The report of the link.
    let live = fs::read(folder.join(format!("{}.json", lesson.name))).unwrap();
    let live: Value = serde_json::from_slice(&live).unwrap();
    let read = report(&recording, profile);
    assert_eq!(nameless(live), nameless(read), "{title}");

    // (3) The same frames at the capture's own times; a capture of one bus without long pauses is the reference itself.
    let reference = folder.join(format!("{}-capture.log", lesson.name));
    write(&reference, &lesson.frames);
    let expected = nameless(report(&reference, profile));
    let (whole, _) = buses(&lesson.capture);
    if whole.len() == 1 && whole.first_key_value().unwrap().1 == &lesson.frames {
        let file = nameless(report(&lesson.capture, profile));
        assert_eq!(facts(&file), facts(&expected), "{title}");
        assert_eq!(judgement(&file), judgement(&expected), "{title}");
    }
    let begin = heard[0].time;
    let lateness = heard
        .iter()
        .zip(&lesson.frames)
        .map(|(heard, played)| {
            let should = played.time.seconds() - lesson.frames[0].time.seconds();
            heard.time.seconds() - begin.seconds() - should / lesson.speed
        })
        .fold(0.0, f64::max);
    let own: Vec<Timestamp> = heard.iter().map(|heard| heard.time).collect();
    for (heard, played) in heard.iter_mut().zip(&lesson.frames) {
        heard.time = played.time;
    }
    let again = folder.join(format!("{}-again.log", lesson.name));
    write(&again, &heard);
    assert_eq!(nameless(report(&again, profile)), expected, "{title}");

    // (4) At the times at which it was heard.
    for (heard, own) in heard.iter_mut().zip(&own) {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_precision_loss,
            reason = "some minutes of nanoseconds"
        )]
        let since = (own.nanos_since(begin) as f64 * lesson.speed) as i64;
        heard.time = Timestamp::from_nanos(lesson.frames[0].time.nanos() + since);
    }
    let stretched = folder.join(format!("{}-stretched.log", lesson.name));
    write(&stretched, &heard);
    let stretched = report(&stretched, profile);
    assert_eq!(facts(&stretched), facts(&expected), "{title}");
    let full = lesson.keeps_its_times(lateness);
    if full {
        let ((findings, causes), (expected, probable)) =
            (judgement(&stretched), judgement(&expected));
        assert_eq!(findings, expected, "{title}");
        assert_eq!(
            causes.len(),
            probable.len(),
            "{title}: {causes:?} {probable:?}"
        );
        for ((cause, probability), (other, expected)) in causes.iter().zip(&probable) {
            assert_eq!(cause, other, "{title}");
            assert!((probability - expected).abs() < 0.02, "{title}: {cause}");
        }
    }
    tell(&format!(
        "same report: {title}: {} frames, {:.1} times as fast, at most {:.1} ms late{}",
        lesson.frames.len(),
        lesson.speed,
        lateness * 1e3,
        if full {
            ", findings and ranking at its own times too"
        } else {
            ""
        }
    ));
}

#[test]
fn a_capture_that_is_played_says_the_same() {
    let kept = std::env::var_os("TONERING_REPLAYED").map(PathBuf::from);
    let in_guest = std::env::var_os("TONERING_LIVE").is_some();
    if (kept.is_none() || in_guest) && !has("virtual") {
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    let folder = kept.clone().unwrap_or_else(|| scratch.path().to_owned());
    let lessons = all(&folder);
    assert!(lessons.len() >= 2);
    if in_guest {
        // The longest first, so that none is left over at the end.
        let mut order: Vec<&Lesson> = lessons.iter().collect();
        order.sort_by(|a, b| {
            let lasts = |lesson: &Lesson| lesson.lasts() / lesson.speed;
            lasts(a).total_cmp(&lasts(b))
        });
        let left = Mutex::new(order);
        std::thread::scope(|scope| {
            for _ in 0..AT_ONCE {
                scope.spawn(|| {
                    loop {
                        let Some(lesson) = left.lock().unwrap().pop() else {
                            break;
                        };
                        play(lesson, &folder);
                    }
                });
            }
        });
    }
    if kept.is_none() || !in_guest {
        for lesson in &lessons {
            compare(lesson, &folder);
        }
        tell(&format!(
            "{} buses of captures, the same report",
            lessons.len()
        ));
    }
}
