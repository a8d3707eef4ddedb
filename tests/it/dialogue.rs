//! `diagnose --ask` over a pipe: answers are saved one by one, moved causes are told, and nothing is ever lost.

use std::fs;
use std::io::Write as _;
use std::path::Path;
use std::process::{Output, Stdio};

use crate::command::{program, top};

/// Runs the dialogue on a demo with these lines as input.
fn ask(demo: &str, notes: &Path, lines: &str, more: &[&str]) -> Output {
    let folder = top().join("captures").join(demo);
    let capture = ["drive.log", "drive.log.gz", "before.log.gz"]
        .map(|name| folder.join(name))
        .into_iter()
        .find(|path| path.exists())
        .unwrap();
    let mut child = program(&top())
        .arg("diagnose")
        .arg(capture)
        .arg("--profile")
        .arg(folder.join("profile.yaml"))
        .arg("--notes")
        .arg(notes)
        .arg("--ask")
        .args(more)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // A dialogue that has ended does not listen any more.
    let _ = child.stdin.take().unwrap().write_all(lines.as_bytes());
    child.wait_with_output().unwrap()
}

fn shown(output: &Output) -> String {
    let error = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{error}");
    String::from_utf8(output.stdout.clone()).unwrap()
}

#[test]
fn an_answer_moves_the_ranking_and_is_in_the_file() {
    let folder = tempfile::tempdir().unwrap();
    let notes = folder.path().join("notes.yaml");
    let said = "note sensor-wiring-test left-front open\n";
    let shown = shown(&ask("open-circuit", &notes, said, &[]));
    for part in [
        "Next check",
        "Answer: ",
        "> note sensor-wiring-test left-front open",
        "Noted: Wiring between sensor and ABS module, left front: open",
        "What moved, and why",
        "up    ",
        "down  ",
        "Where it stands",
        "Enough is known to repair.",
        "What to do",
        "tonering compare ",
    ] {
        assert!(shown.contains(part), "{part} is not in\n{shown}");
    }
    for line in shown.lines().filter(|line| !line.contains('/')) {
        assert!(line.chars().count() <= 80, "{line}");
    }
    assert_eq!(
        fs::read_to_string(&notes).unwrap(),
        "notes: 1\nchecks:\n  - { check: sensor-wiring-test, wheel: left-front, result: open }\n"
    );
    let left: Vec<_> = fs::read_dir(folder.path()).unwrap().collect();
    assert_eq!(left.len(), 1, "{left:?}");
}

#[test]
fn odd_input_is_told_and_loses_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let notes = folder.path().join("notes.yaml");
    let before =
        "# Found on Monday\nnotes: 1\nchecks:\n- { check: fluid-level, result: ok } # full\n";
    fs::write(&notes, before).unwrap();
    let long = "x".repeat(5000);
    let said = format!(
        "purple\n\u{1b}[2J\n\n{long}\nhelp\nlist\nplan\ncauses\nnote\nnote air-gap 3\nnote pad-thickness left-front 2 V\nwhy nothing\nnote abs-fuse intact\nundo\nundo\nsteps\nskip\nquit\nnote fluid-level below-minimum\n"
    );
    let shown = shown(&ask("open-circuit", &notes, &said, &[]));
    for part in [
        "\"purple\" is no result of this check",
        "That line is too long; nothing was noted.",
        "What can be said",
        "* Brake fluid level: ok",
        "there is no check \"\"; possible: ",
        "air-gap needs a place before its answer: left-front, right-front",
        "\"V\" is no unit here; possible: mm, cm, in",
        "there is no cause \"nothing\"",
        "Noted: ABS fuses: intact",
        "Taken back: ABS fuses: intact",
        "The last note was written by hand (Brake fluid level: ok)",
    ] {
        let flat = shown.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat.contains(part), "{part} is not in\n{shown}");
    }
    assert!(!shown.contains('\u{1b}'));
    // Nothing after quit was listened to, and the comments are still there.
    assert_eq!(fs::read_to_string(&notes).unwrap(), before);
}

#[test]
fn a_dialogue_is_left_and_resumed() {
    let folder = tempfile::tempdir().unwrap();
    let notes = folder.path().join("notes.yaml");
    let first = shown(&ask("open-circuit", &notes, "cannot\n", &[]));
    let noted = fs::read_to_string(&notes).unwrap();
    assert!(noted.contains("result: cannot-do }"), "{noted}");
    assert!(first.contains("1 check is noted in"), "{first}");
    let again = shown(&ask("open-circuit", &notes, "", &[]));
    assert!(again.contains("Noted so far in"), "{again}");
    assert!(again.contains("could not be done"), "{again}");
    // The check that cannot be done is not proposed again.
    let proposed = |text: &str| {
        let after = text.split("Next check\n").nth(1).unwrap();
        after.lines().next().unwrap().to_owned()
    };
    assert_ne!(proposed(&first), proposed(&again));
    assert_eq!(fs::read_to_string(&notes).unwrap(), noted);
}

#[test]
fn an_answer_that_cannot_be_saved_is_not_lost() {
    let folder = tempfile::tempdir().unwrap();
    let notes = folder.path().join("notes.yaml");
    // What another program makes of the file meanwhile must neither be overwritten nor hide the answer.
    let mut child = program(&top())
        .args(["diagnose", "captures/open-circuit/drive.log"])
        .args(["--profile", "captures/open-circuit/profile.yaml", "--ask"])
        .arg("--notes")
        .arg(&notes)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut input = child.stdin.take().unwrap();
    // The file is there as soon as the dialogue has begun.
    while !notes.exists() {
        std::thread::yield_now();
    }
    fs::write(&notes, "notes: 1\nchecks: [[[\n").unwrap();
    input
        .write_all(b"note abs-fuse intact\nnote fluid-level ok\n")
        .unwrap();
    drop(input);
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(1));
    let shown = String::from_utf8(output.stdout).unwrap();
    assert!(shown.contains("NOT SAVED: "), "{shown}");
    let error = String::from_utf8(output.stderr).unwrap();
    for entry in [
        "  - { check: abs-fuse, result: intact }",
        "  - { check: fluid-level, result: ok }",
    ] {
        assert!(error.contains(entry), "{error}");
    }
    assert_eq!(
        fs::read_to_string(&notes).unwrap(),
        "notes: 1\nchecks: [[[\n"
    );
}

#[test]
fn what_cannot_work_is_told_before_the_first_question() {
    let folder = tempfile::tempdir().unwrap();
    let missing = folder.path().join("no/such/folder/notes.yaml");
    let broken = folder.path().join("broken.yaml");
    fs::write(&broken, "notes: 1\nchecks:\n  - { check: fluid }\n").unwrap();
    for (notes, told) in [
        (missing.as_path(), "answers cannot be kept there"),
        (broken.as_path(), "there is no check \"fluid\""),
        (folder.path(), "cannot be"),
    ] {
        let output = ask("open-circuit", notes, "", &[]);
        let error = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "{error}");
        assert!(error.contains(told), "{error}");
        assert!(output.stdout.is_empty());
    }
    let output = program(&top())
        .args(["diagnose", "-", "--ask", "--notes", "x.yaml"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(1));
    let error = String::from_utf8_lossy(&output.stderr);
    assert!(error.contains("name a file instead of -"), "{error}");
}

#[test]
fn the_report_is_written_at_the_end() {
    let folder = tempfile::tempdir().unwrap();
    let notes = folder.path().join("notes.yaml");
    let report = folder.path().join("report.json");
    let more = ["--format", "json", "--output", report.to_str().unwrap()];
    let said = "note sensor-wiring-test right-rear open\nquit\n";
    shown(&ask("repair", &notes, said, &more));
    let report: serde_json::Value =
        serde_json::from_str(&fs::read_to_string(&report).unwrap()).unwrap();
    assert_eq!(report["causes"][0]["id"], "sensor-circuit");
    let noted = report["findings"].as_array().unwrap();
    assert!(noted.iter().any(|finding| finding["source"] == "notes"));
}

/// Every answer that the plan proposes can be given by its number or a reading, to the end of the plan.
#[test]
fn a_plan_is_followed_to_its_end() {
    let folder = tempfile::tempdir().unwrap();
    let notes = folder.path().join("notes.yaml");
    let shown = shown(&ask("weak-signal", &notes, &"1\n".repeat(120), &[]));
    assert!(shown.contains("What to do"), "{shown}");
    assert!(
        shown.contains("No further check by hand would tell more."),
        "{shown}"
    );
    let noted = fs::read_to_string(&notes).unwrap();
    let entries = noted.lines().filter(|line| line.contains("check:")).count();
    assert_eq!(entries, shown.matches("\nNoted: ").count());
    assert!(entries >= 2, "{noted}");
}

/// A check that is put off is not counted as done: the next one starts from where things stand, and it comes again later.
#[test]
fn a_skipped_check_tells_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let notes = folder.path().join("notes.yaml");
    let skipped = shown(&ask("open-circuit", &notes, "skip\n", &[]));
    let whys: Vec<String> = skipped
        .split("  Why: ")
        .skip(1)
        .map(|part| part.split_whitespace().collect::<Vec<_>>().join(" "))
        .collect();
    assert_eq!(whys.len(), 2, "{skipped}");
    let now = |why: &String| why.split("left front, now at ").nth(1).unwrap()[..4].to_owned();
    assert_eq!(now(&whys[0]), now(&whys[1]), "{skipped}");
    assert_eq!(
        fs::read_to_string(&notes).unwrap(),
        "notes: 1\nchecks: []\n"
    );
}
