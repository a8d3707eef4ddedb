//! A capture that is played onto a link and recorded there says the same as the capture itself.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

use crate::guest::{Beside, VirtualBus, has, is_thorough, until};

/// A capture, and how it is played.
struct Lesson {
    /// Of the link; also of the test's files.
    name: &'static str,
    capture: PathBuf,
    arguments: &'static [&'static str],
    profile: Option<PathBuf>,
}

fn program() -> Command {
    Command::new(env!("CARGO_BIN_EXE_tonering"))
}

fn demo(name: &'static str, folder: &str, file: &str) -> Lesson {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("captures")
        .join(folder);
    Lesson {
        name,
        capture: folder.join(file),
        arguments: &[],
        profile: Some(folder.join("profile.yaml")),
    }
}

/// The demo captures: the short ones, or all.
fn demos() -> Vec<Lesson> {
    let mut lessons = vec![
        demo("open", "open-circuit", "drive.log"),
        demo("supply", "supply-lost", "drive.log"),
    ];
    if is_thorough() {
        lessons.extend([
            demo("charging", "charging", "drive.log"),
            demo("fluid", "fluid-low", "drive.log.gz"),
            demo("healthy", "healthy", "drive.log.gz"),
            demo("polled", "polled", "drive.log.gz"),
            demo("remembered", "remembered", "drive.log.gz"),
            demo("swapped", "sensors-swapped", "drive.log.gz"),
            demo("tooth", "tooth-missing", "drive.log.gz"),
            demo("two", "two-faults", "drive.log.gz"),
            demo("tyre", "tyre-mismatch", "drive.log.gz"),
            demo("weak", "weak-signal", "drive.log.gz"),
            demo("bearing", "wheel-bearing", "drive.log.gz"),
        ]);
    }
    lessons
}

/// Real captures, where there are some (`TONERING_CORPUS`): those of some seconds, or all.
fn corpus() -> Vec<Lesson> {
    #[expect(clippy::disallowed_methods, reason = "tests meet the environment")]
    let Ok(folder) = std::env::var("TONERING_CORPUS") else {
        return Vec::new();
    };
    let lesson = |name, file: &str, arguments| Lesson {
        name,
        capture: Path::new(&folder).join(file),
        arguments,
        profile: None,
    };
    let mut lessons = vec![
        lesson("relay", "kona_bms_io_control.log", &[]),
        lesson("startstop", "kona_bms_start_stop.log", &[]),
        lesson("kwp", "evox_kwp_stream.log", &[]),
        lesson("body", "gt350_uds_body.log", &[]),
        lesson("fd", "canfd_sll.pcap", &[]),
        lesson("unit", "ecu_trace.pcapng", &[]),
    ];
    if is_thorough() {
        lessons.extend([
            lesson("lift", "civic_wheels.log", &[]),
            lesson("scan", "kona_dcan_vcu_mcu_scan.log", &[]),
            lesson(
                "programming",
                "gmlan_programming.log",
                &["--longest-pause", "6s"],
            ),
            lesson("live", "leaf_kwp_live.mf4", &["--bus", "1"]),
            lesson("obd", "obd2_mode01_finalized.mf4", &["--bus", "1"]),
            lesson("road", "toyota_wheels.log", &["--bus", "can0"]),
        ]);
    }
    lessons
}

/// Plays and records; the recording.
fn play(lesson: &Lesson, folder: &Path) -> PathBuf {
    let bus = VirtualBus::new(lesson.name);
    let recording = folder.join(format!("{}.log", lesson.name));
    let mut listener = program();
    listener.args(["live", &bus.0, "--record"]).arg(&recording);
    let listener = Beside::start(&mut listener);
    until("it listens", || recording.exists());
    let mut player = program();
    player
        .args(["live", &bus.0, "--replay"])
        .arg(&lesson.capture);
    let player = Beside::start(player.args(lesson.arguments));
    let output = player.end();
    let told = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{}: {told}", lesson.name);
    // What is on its way comes within this time.
    std::thread::sleep(std::time::Duration::from_secs(1));
    listener.signal("INT");
    let output = listener.end();
    let told = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{}: {told}", lesson.name);
    assert!(told.contains(", 0 lost;"), "{}: {told}", lesson.name);
    recording
}

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

fn list<'a>(report: &'a Value, part: &str) -> &'a Vec<Value> {
    report[part].as_array().unwrap()
}

/// What must be equal, one line each.
fn facts(report: &Value) -> Vec<String> {
    let mut facts = Vec::new();
    let each = |part: &str, keys: &[&str], facts: &mut Vec<String>| {
        for entry in list(report, part) {
            let values: Vec<String> = keys.iter().map(|key| entry[key].to_string()).collect();
            facts.push(format!("{part}: {}", values.join(" ")));
        }
    };
    each("captures", &["frames", "unreadable"], &mut facts);
    each(
        "modules",
        &["name", "role", "request", "response", "state"],
        &mut facts,
    );
    let code = [
        "code",
        "failure_type",
        "status",
        "list",
        "module",
        "meaning",
    ];
    each("codes", &code, &mut facts);
    each("wheels", &["wheel", "top_kmh"], &mut facts);
    let finding = ["id", "wheel", "axle", "source"];
    each("findings", &finding, &mut facts);
    facts
}

fn compare(lesson: &Lesson, recording: &Path) {
    let name = lesson.name;
    let read = report(&lesson.capture, lesson.profile.as_deref());
    let heard = report(recording, lesson.profile.as_deref());
    // Where only one bus was played, the file's own report is about all of them.
    if lesson.arguments.contains(&"--bus") {
        for part in ["modules", "codes"] {
            assert_eq!(list(&heard, part).len(), list(&read, part).len(), "{name}");
        }
        return;
    }
    assert_eq!(facts(&heard), facts(&read), "{name}");
    // Where a busy host lets the guest stand still, frames of a standing vehicle come together and count as copies.
    for (read, heard) in list(&read, "wheels").iter().zip(list(&heard, "wheels")) {
        let (read, heard) = (read["samples"].as_f64(), heard["samples"].as_f64());
        let share = heard.unwrap() / read.unwrap().max(1.0);
        assert!(
            (0.9..=1.0).contains(&share) || read == heard,
            "{name}: {share}"
        );
    }
    // Frames come some fractions of a millisecond apart from their time, so that measures of the wheels differ a little.
    let causes = |report: &Value| -> Vec<(String, f64)> {
        let causes = list(report, "causes").iter();
        causes
            .map(|cause| {
                let place = format!("{} {} {}", cause["id"], cause["wheel"], cause["axle"]);
                (place, cause["probability"].as_f64().unwrap())
            })
            .filter(|(_, probability)| *probability > 0.05)
            .collect()
    };
    let (read, heard) = (causes(&read), causes(&heard));
    assert_eq!(heard.len(), read.len(), "{name}: {heard:?} {read:?}");
    for ((cause, probability), (other, expected)) in heard.iter().zip(&read) {
        assert_eq!(cause, other, "{name}");
        assert!((probability - expected).abs() < 0.02, "{name}: {cause}");
    }
}

/// All at the same time, each on a bus of its own.
#[test]
fn a_capture_that_is_played_says_the_same() {
    if !has("virtual") {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let lessons: Vec<Lesson> = demos().into_iter().chain(corpus()).collect();
    let recordings: Vec<PathBuf> = std::thread::scope(|scope| {
        let threads: Vec<_> = lessons
            .iter()
            .map(|lesson| scope.spawn(|| play(lesson, folder.path())))
            .collect();
        threads
            .into_iter()
            .map(|thread| thread.join().unwrap())
            .collect()
    });
    for (lesson, recording) in lessons.iter().zip(&recordings) {
        compare(lesson, recording);
    }
}
