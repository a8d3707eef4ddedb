//! Every command that writes, ended at any moment: under a final name stands what was there before, or all of the new.
//!
//! A few moments are tried with the tests; `TONERING_MOMENTS=200 cargo test --test it moments -- --nocapture` tries so many of each command and
//! says what happened. Which moments is left to chance in time, not to a seed: what must hold, holds at all of them.

#![expect(clippy::print_stdout, reason = "a long campaign says what it tried")]

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use crate::command::{program, top};

/// Of each command and each way to end it.
const MOMENTS: u32 = 2;
const OLD: &str = "what was there before";

/// What a command writes.
struct Writer {
    /// Words, none of which holds a space.
    arguments: &'static str,
    /// Files and folders under their final names; of a folder, all of it appears at once.
    outputs: &'static [&'static str],
    /// Files that are there before and are replaced.
    old: &'static [&'static str],
}

const WRITERS: [Writer; 11] = [
    Writer {
        arguments: "decode drive.log --format json --output out",
        outputs: &["out"],
        old: &["out"],
    },
    Writer {
        arguments: "wheels drive.log --profile car.yaml --format csv --output out",
        outputs: &["out"],
        old: &["out"],
    },
    Writer {
        arguments: "wheels drive.log --find --format json --output out",
        outputs: &["out"],
        old: &["out"],
    },
    Writer {
        arguments: "explain C0034-13 --output out",
        outputs: &["out"],
        old: &["out"],
    },
    Writer {
        arguments: "diagnose drive.log --profile car.yaml --format html --output out",
        outputs: &["out"],
        old: &["out"],
    },
    Writer {
        arguments: "diagnose drive.log --format parquet --output out",
        outputs: &["out"],
        old: &[],
    },
    Writer {
        arguments: "diagnose --each drive.log drive.log --output out",
        outputs: &["out"],
        old: &["out"],
    },
    Writer {
        arguments: "diagnose --each drive.log drive.log --format parquet --output out",
        outputs: &["out"],
        old: &[],
    },
    Writer {
        arguments: "compare drive.log drive.log --format html --output out",
        outputs: &["out"],
        old: &["out"],
    },
    Writer {
        arguments: "diagnose drive.log --case .",
        outputs: &["visit-0001", "case.md"],
        old: &[],
    },
    Writer {
        arguments: "rig --drive short --output out.gz --profile-out out.yaml --check fluid-level --notes-out notes.yaml",
        outputs: &["out.gz", "out.yaml", "notes.yaml"],
        old: &["out.gz", "out.yaml"],
    },
];

fn fresh(writer: &Writer) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let demo = top().join("captures/open-circuit");
    fs::copy(demo.join("drive.log"), folder.path().join("drive.log")).unwrap();
    fs::copy(demo.join("profile.yaml"), folder.path().join("car.yaml")).unwrap();
    for old in writer.old {
        fs::write(folder.path().join(old), OLD).unwrap();
    }
    folder
}

/// Every file below, by its name from here.
fn tree(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut open = vec![folder.to_owned()];
    while let Some(next) = open.pop() {
        for entry in fs::read_dir(next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else {
                let name = path.strip_prefix(folder).unwrap().display().to_string();
                found.insert(name, fs::read(&path).unwrap());
            }
        }
    }
    found
}

/// The files of this output.
fn part<'a>(tree: &'a BTreeMap<String, Vec<u8>>, output: &str) -> BTreeMap<&'a str, &'a [u8]> {
    let inside = format!("{output}/");
    let of = tree
        .iter()
        .filter(|(name, _)| *name == output || name.starts_with(&inside));
    of.map(|(name, bytes)| (name.as_str(), bytes.as_slice()))
        .collect()
}

/// Each output is as before or all new; how many are new.
fn old_or_new(
    writer: &Writer,
    folder: &Path,
    wanted: &BTreeMap<String, Vec<u8>>,
    how: &str,
) -> usize {
    let now = tree(folder);
    let mut new = 0;
    for output in writer.outputs {
        let (now, wanted) = (part(&now, output), part(wanted, output));
        let mut before = BTreeMap::new();
        if writer.old.contains(output) {
            before.insert(*output, OLD.as_bytes());
        }
        let is_new = now == wanted;
        assert!(
            is_new || now == before,
            "{}, {how}: {output} is half-written: {:?}",
            writer.arguments,
            now.keys()
        );
        new += usize::from(is_new);
    }
    new
}

fn start(writer: &Writer, folder: &Path) -> Command {
    let mut command = program(folder);
    // The date of a visit is the only clock that comes out.
    command
        .args(writer.arguments.split(' '))
        .env("SOURCE_DATE_EPOCH", "1700000000")
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    command
}

fn whole(writer: &Writer) -> (BTreeMap<String, Vec<u8>>, Duration) {
    let folder = fresh(writer);
    let started = Instant::now();
    assert!(
        start(writer, folder.path()).status().unwrap().success(),
        "{}",
        writer.arguments
    );
    let took = started.elapsed();
    let wanted = tree(folder.path());
    for output in writer.outputs {
        assert!(
            !part(&wanted, output).is_empty(),
            "{}: no {output}",
            writer.arguments
        );
    }
    (wanted, took)
}

fn moments() -> u32 {
    let wanted = std::env::var("TONERING_MOMENTS").ok();
    wanted
        .and_then(|wanted| wanted.parse().ok())
        .unwrap_or(MOMENTS)
}

#[cfg(unix)]
#[test]
fn nothing_is_half_written_whenever_it_ends() {
    for writer in &WRITERS {
        let (wanted, took) = whole(writer);
        for signal in ["KILL", "INT", "TERM", "HUP"] {
            let (mut ended, mut new) = (0, 0);
            for moment in 0..moments() {
                let folder = fresh(writer);
                let mut child = start(writer, folder.path()).spawn().unwrap();
                // Even steps over the whole time and a little more; the machine adds the chance.
                let at = took.mul_f64(1.1) * (2 * moment + 1) / (2 * moments());
                std::thread::sleep(at);
                let id = child.id().to_string();
                Command::new("kill")
                    .args(["-s", signal, &id])
                    .stderr(Stdio::null())
                    .status()
                    .unwrap();
                let status = child.wait().unwrap();
                ended += u32::from(status.code().is_none());
                new += usize::from(
                    old_or_new(writer, folder.path(), &wanted, signal) == writer.outputs.len(),
                );
                if signal != "KILL" {
                    let left: Vec<_> = tree(folder.path())
                        .into_keys()
                        .filter(|name| name.starts_with('.'))
                        .collect();
                    assert!(
                        left.is_empty(),
                        "{}, {signal}: left {left:?}",
                        writer.arguments
                    );
                }
            }
            println!(
                "{}, {signal}: {} moments, ended by it {ended}, outputs new {new}",
                writer.arguments,
                moments()
            );
        }
    }
}

/// Whether a small disk of our own can be had here.
#[cfg(target_os = "linux")]
fn on_a_disk_of(size_kb: u64, folder: &Path) -> Option<Command> {
    let mounted = |then: &str| {
        let mut command = Command::new("unshare");
        let script = format!("mount -t tmpfs -o size={size_kb}k tmpfs disk && cd disk && {then}");
        command
            .args([
                "--user",
                "--map-root-user",
                "--mount",
                "sh",
                "-c",
                &script,
                "sh",
            ])
            .current_dir(folder);
        command
    };
    fs::create_dir_all(folder.join("disk")).unwrap();
    let works = mounted("true")
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|status| status.success());
    // What is on it afterwards is copied out, for the disk goes with the command.
    works.then(|| {
        mounted("cp ../drive.log ../car.yaml . ; \"$@\"; status=$?; cp -a . ../after; exit $status")
    })
}

#[cfg(target_os = "linux")]
#[test]
fn a_disk_that_fills_up_leaves_nothing_half_written() {
    for writer in &WRITERS {
        let (wanted, _) = whole(writer);
        let output: usize = writer
            .outputs
            .iter()
            .flat_map(|output| part(&wanted, output).into_values())
            .map(<[u8]>::len)
            .sum();
        // The capture lies on it too; then there is room for a part of what is written.
        let capture = fs::metadata(top().join("captures/open-circuit/drive.log"))
            .unwrap()
            .len();
        for share in 0..moments() {
            let room = output as u64 * u64::from(share) / u64::from(moments());
            let folder = fresh(&Writer {
                old: &[],
                ..*writer
            });
            let Some(mut command) = on_a_disk_of((capture + room) / 1024 + 12, folder.path())
            else {
                println!("no small disk can be had here: not tried");
                return;
            };
            let done = command
                .arg(env!("CARGO_BIN_EXE_tonering"))
                .args(writer.arguments.split(' '))
                .env("SOURCE_DATE_EPOCH", "1700000000")
                .output()
                .unwrap();
            let told = String::from_utf8_lossy(&done.stderr).into_owned();
            let after = folder.path().join("after");
            let new = old_or_new(
                &Writer {
                    old: &[],
                    ..*writer
                },
                &after,
                &wanted,
                "full disk",
            );
            match done.status.code() {
                Some(0) => assert_eq!(new, writer.outputs.len(), "{}: {told}", writer.arguments),
                Some(1) => assert!(
                    told.contains("No space left"),
                    "{}: {told}",
                    writer.arguments
                ),
                other => panic!("{}: status {other:?}: {told}", writer.arguments),
            }
            let left: Vec<_> = tree(&after)
                .into_keys()
                .filter(|name| name.starts_with('.'))
                .collect();
            assert!(left.is_empty(), "{}: left {left:?}", writer.arguments);
            println!(
                "{}, room for {room} of {output} bytes: status {:?}",
                writer.arguments,
                done.status.code()
            );
        }
    }
}
