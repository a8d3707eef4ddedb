//! Sudden ends: the reader of the output goes away, the disk is full, the program is stopped in the middle.

use std::fmt::Write as _;
use std::fs;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use crate::command::{program, top};

/// More messages than a pipe and the buffers hold.
fn long_capture(folder: &Path) {
    let mut text = String::new();
    for number in 0..40_000 {
        let end = if number % 2 == 0 {
            "7DF#02010C"
        } else {
            "7E8#04410C1AF8"
        };
        writeln!(
            text,
            "({}.{:06}) can0 {end}",
            1_700_000_000 + number / 100,
            number % 100 * 10_000
        )
        .unwrap();
    }
    fs::write(folder.join("long.log"), text).unwrap();
}

#[test]
fn a_closed_pipe_is_no_fault() {
    let folder = tempfile::tempdir().unwrap();
    long_capture(folder.path());
    for format in ["text", "json", "csv"] {
        let mut child = program(folder.path())
            .args(["decode", "long.log", "--format", format])
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut first = String::new();
        BufReader::new(child.stdout.take().unwrap())
            .read_line(&mut first)
            .unwrap();
        assert!(first.ends_with('\n'));
        let output = child.wait_with_output().unwrap();
        assert_eq!(output.status.code(), Some(0), "{format}");
        assert_eq!(String::from_utf8_lossy(&output.stderr), "", "{format}");
    }
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_is_told_in_one_line() {
    let demo = top().join("captures/supply-lost/drive.log");
    let demo = demo.to_str().unwrap();
    let folder = tempfile::tempdir().unwrap();
    long_capture(folder.path());
    for arguments in [
        &["decode", "long.log"][..],
        &["decode", "long.log", "--format", "json"],
        &["decode", demo],
        &["diagnose", demo],
        &["diagnose", demo, "--format", "html"],
        &["explain", "C0034-13"],
        &["wheels", demo, "--find"],
    ] {
        let full = fs::OpenOptions::new()
            .write(true)
            .open("/dev/full")
            .unwrap();
        let to_standard = program(folder.path())
            .args(arguments)
            .stdout(full)
            .output()
            .unwrap();
        let to_file = program(folder.path())
            .args(arguments)
            .args(["--output", "/dev/full"])
            .output()
            .unwrap();
        for (output, named) in [(to_standard, "standard output"), (to_file, "/dev/full")] {
            let told = String::from_utf8_lossy(&output.stderr).into_owned();
            assert_eq!(output.status.code(), Some(1), "{arguments:?}: {told}");
            assert_eq!(told.lines().count(), 1, "{arguments:?}: {told}");
            assert!(
                told.contains(named) && told.contains("No space left"),
                "{arguments:?}: {told}"
            );
        }
    }
}

/// Starts a `decode` into `out.json` that waits for more of its capture, and gives it once it has begun to write.
fn in_the_middle(folder: &Path) -> Child {
    let mut child = program(folder)
        .args(["decode", "-", "--format", "json", "--output", "out.json"])
        .stdin(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let capture = fs::read(folder.join("long.log")).unwrap();
    // All but the last bytes: the program waits for them.
    child
        .stdin
        .as_mut()
        .unwrap()
        .write_all(&capture[..capture.len() - 10])
        .unwrap();
    let started = Instant::now();
    while !fs::read_dir(folder).unwrap().any(|entry| {
        let entry = entry.unwrap();
        entry
            .file_name()
            .to_string_lossy()
            .starts_with(".tonering-")
            && entry.metadata().unwrap().len() > 0
    }) {
        assert!(
            started.elapsed() < Duration::from_mins(1),
            "nothing was written"
        );
        sleep(Duration::from_millis(5));
    }
    child
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

#[test]
fn killed_in_the_middle_leaves_the_old_file() {
    let folder = tempfile::tempdir().unwrap();
    long_capture(folder.path());
    fs::write(folder.path().join("out.json"), "what was there before").unwrap();
    let mut child = in_the_middle(folder.path());
    child.kill().unwrap();
    child.wait().unwrap();
    let left = fs::read_to_string(folder.path().join("out.json")).unwrap();
    assert_eq!(left, "what was there before");
}

#[cfg(unix)]
#[test]
fn stopped_in_the_middle_leaves_nothing() {
    use std::os::unix::process::ExitStatusExt as _;
    for (name, number) in [("INT", 2), ("TERM", 15), ("HUP", 1)] {
        let folder = tempfile::tempdir().unwrap();
        long_capture(folder.path());
        let mut child = in_the_middle(folder.path());
        // It goes on waiting: the end of the capture must not come first.
        let held = child.stdin.take();
        let id = child.id().to_string();
        assert!(
            Command::new("kill")
                .args(["-s", name, &id])
                .status()
                .unwrap()
                .success()
        );
        let status = child.wait().unwrap();
        drop(held);
        assert_eq!(status.signal(), Some(number), "{name}");
        assert_eq!(names(folder.path()), ["long.log"], "{name}");
        let mut told = String::new();
        child
            .stderr
            .take()
            .unwrap()
            .read_to_string(&mut told)
            .unwrap();
        assert_eq!(told, "", "{name}");
    }
}

#[test]
fn a_whole_file_gets_its_name() {
    let folder = tempfile::tempdir().unwrap();
    long_capture(folder.path());
    let mut child = in_the_middle(folder.path());
    drop(child.stdin.take());
    assert_eq!(child.wait().unwrap().code(), Some(0));
    assert_eq!(names(folder.path()), ["long.log", "out.json"]);
    let lines = fs::read_to_string(folder.path().join("out.json")).unwrap();
    assert!(lines.lines().count() >= 39_999 && lines.ends_with("}\n"));
}
