//! The command `live` as a person or a script runs it.

#![expect(clippy::disallowed_methods, reason = "tests meet files and the clock")]

use std::io::Write as _;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use tonering::capture::{Capture, Item};
use tonering::frame::CanId;
use tonering::link::{Bus as _, Ear, Socket, facts};

use crate::guest::{Beside, VirtualBus, has, is_thorough, run, shell, until};

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

/// Sends frames with a counter in them at this rate, as many as belong to the span; how many. What a busy guest is late with
/// comes in a burst.
fn send(link: &str, per_second: u32, span: Duration) -> u64 {
    let mut socket = Socket::open(link).unwrap();
    let total = span.as_secs_f64() * f64::from(per_second);
    let began = Instant::now();
    let mut sent = 0_u32;
    while f64::from(sent) < total {
        let due = began.elapsed().as_secs_f64() * f64::from(per_second);
        while f64::from(sent) < due.min(total) {
            let id = CanId::standard_masked(0x100 + sent % 64);
            socket.put(id, &u64::from(sent).to_be_bytes()).unwrap();
            sent += 1;
        }
        std::thread::sleep(Duration::from_millis(1));
    }
    u64::from(sent)
}

/// A bus of its own with so many frames a second for so many seconds: the recorder writes each of them, and neither it nor a
/// second socket beside it, whose overflow counter the kernel keeps (`SO_RXQ_OVFL`, socket(7)), has lost one.
fn is_recorded_without_a_loss(name: &str, per_second: u32, seconds: u64) {
    let bus = VirtualBus::new(name);
    let folder = tempfile::tempdir().unwrap();
    let recording = folder.path().join("fast.log");
    let program = live(&bus.0, &["--record", recording.to_str().unwrap()]);
    listens(&recording);
    let mut witness = Ear::open(&bus.0).unwrap();
    let buffer = witness.receive_buffer();
    let (sent, witnessed, dropped) = std::thread::scope(|scope| {
        let sender = scope.spawn(|| send(&bus.0, per_second, Duration::from_secs(seconds)));
        let (mut witnessed, mut dropped) = (0_u64, 0_u64);
        loop {
            match witness.hear(Duration::from_millis(500)).unwrap() {
                Some(heard) => {
                    witnessed += 1;
                    dropped += u64::from(heard.lost);
                }
                None if sender.is_finished() => break,
                None => {}
            }
        }
        (sender.join().unwrap(), witnessed, dropped)
    });
    assert_eq!(sent, u64::from(per_second) * seconds);
    until("all is written", || frames_so_far(&recording) == sent);
    program.signal("INT");
    let output = program.end();
    let lines = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(0), "{lines}");
    let status = lines.lines().rev().find(|line| line.contains("status: "));
    let status = status.unwrap_or_default();
    let _ = writeln!(
        std::io::stderr(),
        "{per_second} frames/s for {seconds} s: {sent} sent; witness {witnessed} heard, {dropped} dropped by the kernel \
         (buffer {buffer} bytes); recorder: {status}"
    );
    assert!(status.contains(", 0 lost;"), "{lines}");
    assert_eq!((witnessed, dropped), (sent, 0));
    assert_eq!(frames(&recording), sent);
}

/// Half of a full bus at 500 kbit/s.
#[test]
fn two_thousand_frames_a_second_are_recorded_without_a_loss() {
    if has("virtual") {
        is_recorded_without_a_loss("fast", 2_000, if is_thorough() { 60 } else { 8 });
    }
}

/// A full bus at 500 kbit/s: frames of eight bytes and 125 to 135 bits (ISO 11898-1, with stuff bits and the gap).
#[test]
fn a_full_bus_is_recorded_without_a_loss() {
    if has("virtual") {
        is_recorded_without_a_loss("full", 4_000, if is_thorough() { 20 } else { 5 });
    }
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

/// A profile with one module, which is not there.
const MODULE: &str = "profile: 1
modules:
  - { name: Brake control, role: brakes, request: 0x740, response: 0x748, protocol: uds }
";

/// Every command that opens a link says the same of one that is not there, is no CAN, or is down.
#[test]
fn every_command_tells_what_is_wrong_with_a_link() {
    if !has("virtual") {
        return;
    }
    let bus = VirtualBus::new("dark");
    run("ip link set dark down");
    let folder = tempfile::tempdir().unwrap();
    let profile = folder.path().join("car.yaml");
    std::fs::write(&profile, MODULE).unwrap();
    let kept = folder.path().join("kept.log");
    let capture = folder.path().join("one.log");
    std::fs::write(&capture, "(1700000000.000000) can0 7DF#02010C\n").unwrap();
    let [profile, kept, capture] =
        [&profile, &kept, &capture].map(|path| path.display().to_string());
    let told = |link: &str, arguments: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tonering"));
        let output = Beside::start(command.args(arguments)).end();
        let errors = String::from_utf8(output.stderr).unwrap();
        assert_eq!(
            output.status.code(),
            Some(1),
            "{link} {arguments:?}: {errors}"
        );
        assert_eq!(errors.lines().count(), 1, "{errors}");
        errors
    };
    for (link, words, help) in [
        (
            "can77",
            "can77: there is no such interface; ",
            "CAN interfaces here: ",
        ),
        (
            "lo",
            "lo: this is no CAN interface; ",
            "CAN interfaces here: ",
        ),
        (
            &*bus.0,
            "dark: the interface is down; ",
            "switch it on: ip link set dark up",
        ),
    ] {
        let mut commands = vec![
            vec!["rig", "--on", link],
            vec!["drill", "--on", link],
            vec!["clear", link, "--profile", &profile, "--save", &kept],
            vec!["live", link, "--replay", &capture],
        ];
        if link != bus.0 {
            // What is down may come up: these wait.
            commands.extend([
                vec!["live", link],
                vec!["live", link, "--ask"],
                vec!["live", link, "--seek"],
            ]);
        }
        for arguments in commands {
            let errors = told(link, &arguments);
            assert!(
                errors.contains(words) && errors.contains(help),
                "{arguments:?}: {errors}"
            );
        }
    }
    assert!(!Path::new(&kept).exists());
    // Asking on a link that is down waits, says so, and asks when it is up.
    let asking = live(&bus.0, &["--ask", "--for", "12s"]);
    std::thread::sleep(Duration::from_secs(4));
    run("ip link set dark up");
    let lines = String::from_utf8(asking.end().stdout).unwrap();
    for words in [
        "link down: dark is down. Switch it on: ip link set dark up",
        "link down: over",
        "asked: legislated modes: nobody answers",
    ] {
        assert!(lines.contains(words), "{words}: {lines}");
    }
}

/// A user without any privilege hears and is told nothing but the truth; where the system forbids sockets (as a sandbox
/// does), it is told that.
#[test]
fn a_user_without_privileges() {
    if !has("virtual") {
        return;
    }
    let _bus = VirtualBus::new("user");
    let program = env!("CARGO_BIN_EXE_tonering");
    let path = Path::new("/tmp/tonering-of-a-user");
    // The folder of the build may be closed to others.
    std::fs::copy(program, path).unwrap();
    run("chmod 755 /tmp/tonering-of-a-user");
    let _talk = Beside::shell("cangen user -g 50 -I 123");
    let user =
        "setpriv --reuid 65534 --regid 65534 --clear-groups --bounding-set -all --inh-caps -all";
    let output = shell(&format!(
        "cd / && exec {user} {} live user --for 4s",
        path.display()
    ));
    let lines = String::from_utf8(output.stdout).unwrap();
    let errors = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(0), "{lines}{errors}");
    assert!(lines.contains("bus: virtual bus"), "{lines}");
    assert!(lines.contains(", 0 lost;"), "{lines}");
    assert!(!lines.contains("status: 0 frames"), "{lines}");
    // A file in a folder that is not the user's.
    let output = shell(&format!(
        "cd / && exec {user} {} live user --record /no.log --for 4s",
        path.display()
    ));
    let errors = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(1), "{errors}");
    assert!(errors.contains("/no.log: "), "{errors}");
    assert!(errors.contains("ermission denied"), "{errors}");
    std::fs::remove_file(path).unwrap();
}

/// The send buffer full and nothing taken out of it: asking goes on when there is room again.
#[test]
fn a_full_send_buffer_is_told_and_asking_goes_on() {
    if !has("virtual") {
        return;
    }
    let bus = VirtualBus::new("stuck");
    // One frame waits for half a minute, more find no room.
    run("tc qdisc add dev stuck root netem delay 30s limit 1");
    let folder = tempfile::tempdir().unwrap();
    let profile = folder.path().join("car.yaml");
    std::fs::write(&profile, MODULE).unwrap();
    let lines = folder.path().join("lines");
    let program = Beside::shell(&format!(
        "{} live {} --ask --profile {} >{}",
        env!("CARGO_BIN_EXE_tonering"),
        bus.0,
        profile.display(),
        lines.display()
    ));
    let told = |words: &str| {
        until(words, || {
            std::fs::read_to_string(&lines).is_ok_and(|text| text.contains(words))
        });
    };
    told("send buffer full: What is asked does not get out: the send buffer of stuck stays full.");
    run("tc qdisc del dev stuck root");
    let mut witness = Ear::open(&bus.0).unwrap();
    until("the module is asked again", || {
        let heard = witness.hear(Duration::from_secs(1)).unwrap();
        heard.is_some_and(|heard| heard.id.raw() == 0x740)
    });
    told("send buffer full: over");
    program.signal("INT");
    assert_eq!(program.end().status.code(), Some(0));
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
