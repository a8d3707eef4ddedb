//! The command `live` as a person or a script runs it.

#![expect(clippy::disallowed_methods, reason = "tests meet files and the clock")]

use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use tonering::capture::{Capture, Item};
use tonering::frame::CanId;
use tonering::link::{Bus as _, Socket, facts};

use crate::guest::{Beside, VirtualBus, has, is_thorough, run, until};

/// `tonering live LINK …`.
fn live(link: &str, arguments: &[&str]) -> Beside {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tonering"));
    command.args(["live", link]).args(arguments);
    Beside::start(&mut command)
}

/// Waits until it listens: its recording is there.
fn listens(recording: &Path) {
    until("it listens", || recording.exists());
}

/// How many frames a recording holds; none of it may be unreadable.
fn frames(path: &Path) -> u64 {
    let mut capture = Capture::open(path).unwrap();
    while let Some(Item::Can(_)) = capture.next_item().unwrap() {}
    assert_eq!(capture.tally().unreadable(), 0, "{}", path.display());
    capture.tally().frames
}

/// Sends frames with a counter in them at this rate; how many.
fn send(link: &str, per_second: u32, span: Duration) -> u64 {
    let mut socket = Socket::open(link).unwrap();
    let began = Instant::now();
    let mut sent = 0_u32;
    while began.elapsed() < span {
        let due = began.elapsed().as_secs_f64() * f64::from(per_second);
        while f64::from(sent) < due {
            let id = CanId::standard_masked(0x100 + sent % 64);
            socket.put(id, &u64::from(sent).to_be_bytes()).unwrap();
            sent += 1;
        }
        std::thread::sleep(Duration::from_millis(1));
    }
    u64::from(sent)
}

/// Half of a full bus at 500 kbit/s: nothing is lost, and the kernel says so too.
#[test]
fn two_thousand_frames_a_second_are_recorded_without_a_loss() {
    if !has("virtual") {
        return;
    }
    let bus = VirtualBus::new("fast");
    let folder = tempfile::tempdir().unwrap();
    let recording = folder.path().join("fast.log");
    let program = live(&bus.0, &["--record", recording.to_str().unwrap()]);
    listens(&recording);
    let span = if is_thorough() { 60 } else { 8 };
    let sent = send(&bus.0, 2_000, Duration::from_secs(span));
    assert!(sent >= 1_990 * span, "{sent}");
    until("all is written", || frames_so_far(&recording) == sent);
    program.signal("INT");
    let output = program.end();
    let lines = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(0), "{lines}");
    assert!(lines.contains(", 0 lost;"), "{lines}");
    assert_eq!(frames(&recording), sent);
}

fn frames_so_far(path: &Path) -> u64 {
    let text = std::fs::read_to_string(path).unwrap();
    text.lines().count() as u64
}

/// `kill -9`: at most the last second is missing, and what is there can be read; so can a file that grows.
#[test]
fn a_recorder_that_is_killed_loses_a_second_at_most() {
    if !has("virtual") {
        return;
    }
    let bus = VirtualBus::new("killed");
    let folder = tempfile::tempdir().unwrap();
    for name in ["killed.log", "killed.pcapng"] {
        let recording = folder.path().join(name);
        let program = live(&bus.0, &["--record", recording.to_str().unwrap()]);
        listens(&recording);
        let first = send(&bus.0, 500, Duration::from_secs(2));
        let last_second = send(&bus.0, 500, Duration::from_secs(1));
        let growing = diagnose(&recording);
        assert!(growing.contains("\"unreadable\": 0"), "{growing}");
        program.signal("KILL");
        drop(program.end());
        let kept = frames(&recording);
        assert!(
            kept >= first && kept <= first + last_second,
            "{kept} of {first}"
        );
    }
}

fn diagnose(capture: &Path) -> String {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tonering"));
    command
        .arg("diagnose")
        .arg(capture)
        .args(["--format", "json"]);
    let output = command.output().unwrap();
    assert!(output.status.success(), "{output:?}");
    String::from_utf8(output.stdout).unwrap()
}

#[test]
fn a_link_that_goes_down_and_away_is_told_and_recording_goes_on() {
    if !has("virtual") {
        return;
    }
    let bus = VirtualBus::new("away");
    let folder = tempfile::tempdir().unwrap();
    let recording = folder.path().join("away.log");
    let program = live(&bus.0, &["--record", recording.to_str().unwrap()]);
    listens(&recording);
    let wait = || std::thread::sleep(Duration::from_millis(1_500));
    let came = |frames: u64| until("it came", || frames_so_far(&recording) == frames);
    run("cansend away 101#01");
    came(1);
    run("ip link set away down");
    wait();
    run("ip link set away up");
    wait();
    run("cansend away 102#02");
    came(2);
    run("ip link del away");
    wait();
    run("ip link add away type vcan && ip link set away up");
    wait();
    run("cansend away 103#03");
    came(3);
    program.signal("TERM");
    let output = program.end();
    let lines = String::from_utf8(output.stdout).unwrap();
    for told in [
        "link down: away is down. Switch it on: ip link set away up",
        "link down: over",
        "link gone: away is gone",
        "link gone: over",
    ] {
        assert!(lines.contains(told), "{told}: {lines}");
    }
    assert_eq!(output.status.code(), Some(0));
}

/// Error frames as drivers make them (Linux error.h), put on the link by `cansend`.
#[test]
fn error_frames_are_counted_and_told() {
    if !has("virtual") {
        return;
    }
    let _bus = VirtualBus::new("errors");
    let folder = tempfile::tempdir().unwrap();
    let report = folder.path().join("report.json");
    let lines = folder.path().join("lines");
    let program = Beside::shell(&format!(
        "{} live errors --format json --output {} >{}",
        env!("CARGO_BIN_EXE_tonering"),
        report.display(),
        lines.display()
    ));
    let told = |words: &str| {
        until(words, || {
            std::fs::read_to_string(&lines).is_ok_and(|text| text.contains(words))
        });
    };
    told("bus: virtual bus");
    for _ in 0..4 {
        // Stuffing errors, and nothing that can be read.
        run("cansend errors 20000088#0000040000000000");
    }
    told(
        "unreadable: Something is on the bus, but only errors come: most likely the bit rate is wrong",
    );
    run("cansend errors 123#00");
    told("unreadable: over");
    run("cansend errors 20000004#0001000000000000");
    told("overrun: The adapter's own buffer ran over");
    run("cansend errors 20000040#0000000000000000");
    told("bus off: The adapter has left the bus");
    program.signal("INT");
    assert_eq!(program.end().status.code(), Some(0));
    told("status: 7 frames, ");
    told(" 6 error frames, 0 lost;");
    let report = std::fs::read_to_string(&report).unwrap();
    assert!(
        report.contains("\"kind\": \"link\", \"frames\": 7"),
        "{report}"
    );
}

#[test]
fn files_begin_anew_and_nothing_is_overwritten() {
    if !has("virtual") {
        return;
    }
    let bus = VirtualBus::new("files");
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("drive.log");
    let arguments = ["--record", path.to_str().unwrap(), "--rotate-size", "20kB"];
    let program = live(&bus.0, &arguments);
    listens(&folder.path().join("drive-001.log"));
    let sent = send(&bus.0, 500, Duration::from_secs(4));
    std::thread::sleep(Duration::from_millis(500));
    program.signal("INT");
    assert_eq!(program.end().status.code(), Some(0));
    let mut total = 0;
    let mut files = 0;
    for entry in std::fs::read_dir(folder.path()).unwrap() {
        let path = entry.unwrap().path();
        assert!(std::fs::metadata(&path).unwrap().len() < 21_000);
        total += frames(&path);
        files += 1;
    }
    assert_eq!(total, sent);
    assert!(files >= 3, "{files}");
}

#[test]
fn a_replay_does_not_join_in_where_others_talk() {
    if !has("virtual") {
        return;
    }
    let bus = VirtualBus::new("others");
    let talk = Beside::shell("cangen others -g 20 -I 555");
    let folder = tempfile::tempdir().unwrap();
    let capture = folder.path().join("one.log");
    std::fs::write(&capture, "(1700000000.000000) can0 7DF#02010C\n").unwrap();
    let replay = ["--replay", capture.to_str().unwrap()];
    let output = live(&bus.0, &replay).end();
    let errors = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(1), "{errors}");
    assert!(errors.contains("others talk there"), "{errors}");
    assert!(errors.contains("--among-others"), "{errors}");
    let allowed = [&replay[..], &["--among-others"]].concat();
    let output = live(&bus.0, &allowed).end();
    let errors = String::from_utf8(output.stderr).unwrap();
    assert!(errors.contains("1 frames played"), "{errors}");
    drop(talk);
}

#[test]
fn links_that_cannot_be_had_are_told_with_what_helps() {
    if !has("virtual") {
        return;
    }
    let output = live("can77", &[]).end();
    let errors = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(1));
    assert!(
        errors.contains("can77: there is no such interface"),
        "{errors}"
    );
    assert!(errors.contains("CAN interfaces here: "), "{errors}");
    assert!(errors.contains("vcan0"), "{errors}");
}

/// The other controller counts what it receives: nothing comes from the listener, in any of its ways.
#[test]
fn listening_sends_no_frame() {
    if !has("controllers") {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let recording = folder.path().join("passive.log");
    let before = (facts("can0").unwrap(), facts("can1").unwrap());
    let program = live(
        "can0",
        &["--record", recording.to_str().unwrap(), "--format", "json"],
    );
    listens(&recording);
    run("cangen can1 -g 2 -n 300 -I 7DF -L 8 -D 0210030000000000");
    until("all is written", || frames_so_far(&recording) >= 300);
    program.signal("INT");
    let output = program.end();
    assert_eq!(output.status.code(), Some(0));
    let errors = String::from_utf8(output.stderr).unwrap();
    assert!(errors.contains("bus: 500 kbit/s, error active"), "{errors}");
    let after = (facts("can0").unwrap(), facts("can1").unwrap());
    assert_eq!(after.0.sent, before.0.sent);
    assert_eq!(after.1.received, before.1.received);
    assert_eq!(after.0.received - before.0.received, 300);
}
