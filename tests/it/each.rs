//! `diagnose --each`: the same as one by one, in order, whatever is broken and whenever it is stopped.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Output, Stdio};
use std::time::Duration;

use proptest::prelude::*;
use serde_json::Value;

use crate::command::{program, top};

/// Demo captures that are quickly read.
const DEMOS: [&str; 5] = [
    "captures/supply-lost/drive.log",
    "captures/fluid-low/drive.log.gz",
    "captures/charging/drive.log",
    "captures/open-circuit/drive.log",
    "captures/network/none.log",
];

/// A folder with some good captures and some that are not.
fn fleet(folder: &Path) {
    for (name, from) in [
        ("a.log", "captures/supply-lost/drive.log"),
        ("b/1.log", "captures/fluid-low/drive.log.gz"),
        ("c.log", "captures/charging/drive.log"),
    ] {
        let to = folder.join(name);
        fs::create_dir_all(to.parent().unwrap()).unwrap();
        fs::copy(top().join(from), to).unwrap();
    }
    fs::write(folder.join("b/2.log"), "").unwrap();
    fs::write(folder.join("bad.pcap"), [0xD4, 0xC3, 0xB2, 0xA1, 2]).unwrap();
    fs::write(folder.join("b/profile.yaml"), "profile: 1\n").unwrap();
}

fn each(folder: &Path, more: &[&str]) -> Output {
    program(folder)
        .args(["diagnose", "--each"])
        .args(more)
        .output()
        .unwrap()
}

fn lines(bytes: &[u8]) -> Vec<Value> {
    let text = std::str::from_utf8(bytes).unwrap();
    assert!(text.ends_with('\n'));
    text.lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

fn file(line: &Value) -> &str {
    line["captures"][0]["file"].as_str().unwrap()
}

#[test]
fn a_bad_capture_is_named_and_does_not_stop_the_rest() {
    let folder = tempfile::tempdir().unwrap();
    fleet(folder.path());
    let output = each(folder.path(), &["."]);
    assert_eq!(output.status.code(), Some(1));
    let told = String::from_utf8_lossy(&output.stderr);
    assert!(told.contains("./b/2.log: is empty"), "{told}");
    assert!(
        told.contains("2 of 5 captures could not be diagnosed"),
        "{told}"
    );
    let lines = lines(&output.stdout);
    let files: Vec<&str> = lines.iter().map(file).collect();
    assert_eq!(
        files,
        ["./a.log", "./b/1.log", "./b/2.log", "./bad.pcap", "./c.log"]
    );
    for line in &lines {
        let bad = ["./b/2.log", "./bad.pcap"].contains(&file(line));
        assert_eq!(line["error"].is_string(), bad, "{}", file(line));
        assert_eq!(line["causes"].as_array().unwrap().is_empty(), bad);
        assert_eq!(line["basis"].as_str().unwrap().len(), 64);
    }
}

#[test]
fn what_makes_no_sense_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    fleet(folder.path());
    for (arguments, code, words) in [
        (
            &["a.log", "--format", "html"][..],
            1,
            "one JSON object a line (--format json) or tables",
        ),
        (&["a.log", "--resume"], 2, "--output"),
        (&["a.log", "--jobs", "0"], 2, "--jobs"),
        (
            &["a.log", "--resume", "--output", "/dev/null"],
            1,
            "is no file",
        ),
        (&["nothing-here"], 1, "nothing-here: cannot be read"),
    ] {
        let output = each(folder.path(), arguments);
        let told = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(code), "{arguments:?}: {told}");
        assert!(told.contains(words), "{arguments:?}: {told}");
    }
    let plain = program(folder.path())
        .args(["diagnose", "a.log", "--jobs", "2"])
        .output()
        .unwrap();
    assert_eq!(plain.status.code(), Some(2));
}

#[test]
fn each_says_what_diagnose_says() {
    let folder = tempfile::tempdir().unwrap();
    fleet(folder.path());
    let output = each(folder.path(), &["c.log", "a.log"]);
    assert_eq!(output.status.code(), Some(0));
    for mut line in lines(&output.stdout) {
        let alone = program(folder.path())
            .args(["diagnose", file(&line), "--format", "json"])
            .output()
            .unwrap();
        assert!(line.as_object_mut().unwrap().remove("basis").is_some());
        assert_eq!(
            line,
            serde_json::from_slice::<Value>(&alone.stdout).unwrap()
        );
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(6) })]

    /// Any captures in any order, on any number of threads: byte for byte what one thread gives.
    #[test]
    fn parallel_is_as_one_after_the_other(
        chosen in prop::collection::vec(0..DEMOS.len(), 1..7),
        jobs in 2_usize..6,
    ) {
        let mut arguments = vec!["diagnose", "--each"];
        arguments.extend(chosen.iter().map(|&index| DEMOS[index]));
        let run = |jobs: usize| {
            program(&top()).args(&arguments).args(["--jobs", &jobs.to_string()]).output().unwrap()
        };
        let (one, many) = (run(1), run(jobs));
        prop_assert_eq!(one.status, many.status);
        prop_assert_eq!(one.stderr, many.stderr);
        prop_assert!(one.stdout == many.stdout);
        prop_assert_eq!(lines(&one.stdout).len(), chosen.len());
    }
}

#[test]
fn stopped_anywhere_and_taken_up_again_it_gives_the_same() {
    let folder = tempfile::tempdir().unwrap();
    fleet(folder.path());
    let wanted = each(folder.path(), &["."]).stdout;
    let partial = folder.path().join("out.jsonl.partial");
    for stop_after_ms in [0, 40, 120, 250, 500, 900] {
        let mut child = program(folder.path())
            .args([
                "diagnose",
                "--each",
                ".",
                "--output",
                "out.jsonl",
                "--resume",
                "--jobs",
                "2",
            ])
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(Duration::from_millis(stop_after_ms));
        child.kill().unwrap();
        let status = child.wait().unwrap();
        let whole = folder.path().join("out.jsonl");
        if status.code().is_some() {
            // It was quicker than that: the output is there, whole.
            assert_eq!(fs::read(&whole).unwrap(), wanted);
            break;
        }
        // Killed: the output is not there, or it was just given its name.
        assert!(!whole.exists() || fs::read(&whole).unwrap() == wanted);
    }
    // Half a line at its end is what a full disk would leave.
    let mut left = fs::read(&partial).unwrap_or_default();
    left.extend(b"{\"report\": 1, \"capt");
    fs::write(&partial, left).unwrap();
    let output = each(folder.path(), &[".", "--output", "out.jsonl", "--resume"]);
    assert_eq!(output.status.code(), Some(1));
    assert_eq!(fs::read(folder.path().join("out.jsonl")).unwrap(), wanted);
    assert!(!partial.exists());
}

#[test]
fn what_is_done_is_not_done_again_unless_it_changed() {
    let folder = tempfile::tempdir().unwrap();
    fleet(folder.path());
    let run = |more: &[&str]| {
        let arguments = [&["a.log", "b", "--output", "out.jsonl", "--resume"], more].concat();
        String::from_utf8(each(folder.path(), &arguments).stderr).unwrap()
    };
    assert!(!run(&[]).contains("before"));
    let first = fs::read(folder.path().join("out.jsonl")).unwrap();
    // b/2.log failed and is tried again.
    assert!(run(&[]).contains("2 of 3 captures were diagnosed before"));
    assert_eq!(fs::read(folder.path().join("out.jsonl")).unwrap(), first);
    // Another basis: nothing can be taken over.
    assert!(!run(&["--can", "workshop"]).contains("before"));
    assert!(run(&["--can", "workshop"]).contains("2 of 3"));
    // The same name with other bytes.
    fs::copy(folder.path().join("c.log"), folder.path().join("a.log")).unwrap();
    assert!(run(&["--can", "workshop"]).contains("1 of 3"));
    // A capture in front of the others comes in front.
    let names = [
        "c.log",
        "a.log",
        "--output",
        "out.jsonl",
        "--resume",
        "--can",
        "workshop",
    ];
    let output = each(folder.path(), &names);
    assert_eq!(output.status.code(), Some(0));
    let lines = lines(&fs::read(folder.path().join("out.jsonl")).unwrap());
    assert_eq!(
        lines.iter().map(file).collect::<Vec<_>>(),
        ["c.log", "a.log"]
    );
}

#[test]
fn tables_can_be_stopped_and_taken_up_too() {
    let folder = tempfile::tempdir().unwrap();
    fleet(folder.path());
    let run = |output: &str, more: &[&str]| {
        let arguments = [
            &["a.log", "b", "--format", "parquet", "--output", output],
            more,
        ]
        .concat();
        let output = each(folder.path(), &arguments);
        assert_eq!(output.status.code(), Some(1));
        String::from_utf8(output.stderr).unwrap()
    };
    run("plain", &[]);
    // As a run that was killed after its first capture leaves it.
    let first = each(folder.path(), &["a.log"]).stdout;
    fs::write(folder.path().join("fleet.partial"), first).unwrap();
    assert!(run("fleet/", &["--resume"]).contains("1 of 3 captures were diagnosed before"));
    for entry in fs::read_dir(folder.path().join("plain")).unwrap() {
        let one = entry.unwrap();
        let other = folder.path().join("fleet").join(one.file_name());
        assert!(fs::read(one.path()).unwrap() == fs::read(other).unwrap());
    }
    assert!(!folder.path().join("fleet.partial").exists());
    let hidden = fs::read_dir(folder.path()).unwrap();
    assert!(
        hidden
            .map(|entry| entry.unwrap().file_name())
            .all(|name| !name.to_string_lossy().starts_with('.'))
    );
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_ends_it_with_one_line() {
    let folder = tempfile::tempdir().unwrap();
    fleet(folder.path());
    let full = fs::OpenOptions::new()
        .write(true)
        .open("/dev/full")
        .unwrap();
    let output = program(folder.path())
        .args(["diagnose", "--each", "a.log", "c.log"])
        .stdout(full)
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(1));
    assert_eq!(told.lines().count(), 1, "{told}");
    assert!(told.contains("standard output cannot be written"), "{told}");
}

/// The demos that the property uses are there, but for the one that is to be missing.
#[test]
fn the_demos_are_there() {
    let missing: Vec<PathBuf> = DEMOS
        .map(|demo| top().join(demo))
        .into_iter()
        .filter(|path| !path.is_file())
        .collect();
    assert_eq!(missing, [top().join(DEMOS[4])]);
}
