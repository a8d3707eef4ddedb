//! The `console` blocks of README and docs: each command is run, and what stands under it is what it prints.
//!
//! The commands of a document run in one folder of their own, beside the demo captures, so that they may write files.
//! A last line `[…]` stands for the rest. With `UPDATE_DOCS=1` the blocks are written anew instead.

use std::fs;
use std::path::Path;
use std::process::Stdio;

use crate::command::{program, top};

/// What stands for the rest of an output.
const REST: &str = "[…]";
/// How many lines a cut output shows when it is written anew and showed none before.
const SHOWN: usize = 22;

#[test]
fn the_readme_shows_what_is_printed() {
    check(&top().join("README.md"));
}

#[test]
fn the_guides_show_what_is_printed() {
    for name in [
        "guide-bench.md",
        "guide-saved-capture.md",
        "guide-lesson.md",
        "captures.md",
        "transport.md",
    ] {
        check(&top().join("docs").join(name));
    }
}

/// Runs every block of a file.
fn check(path: &Path) {
    let text = fs::read_to_string(path).unwrap();
    let update = std::env::var_os("UPDATE_DOCS").is_some();
    let mut fresh = String::new();
    let mut ran = 0;
    let mut lines = text.lines().peekable();
    let mut inside = false;
    let scratch = scratch();
    while let Some(line) = lines.next() {
        fresh.push_str(line);
        fresh.push('\n');
        if line.starts_with("```") {
            inside = line == "```console";
            continue;
        }
        let Some(command) = line.strip_prefix("$ ").filter(|_| inside) else {
            continue;
        };
        let mut shown = Vec::new();
        while let Some(next) =
            lines.next_if(|next| !next.starts_with("$ ") && !next.starts_with("```"))
        {
            shown.push(next);
        }
        let cut = shown.last() == Some(&REST);
        if cut {
            shown.pop();
        }
        let printed = output(command, scratch.path());
        let mut printed: Vec<&str> = printed.lines().map(str::trim_end).collect();
        if cut {
            let keep = if shown.is_empty() { SHOWN } else { shown.len() };
            printed.truncate(keep);
        }
        ran += 1;
        if !update {
            assert_eq!(shown, printed, "{}: {command}", path.display());
        }
        for line in printed {
            fresh.push_str(line);
            fresh.push('\n');
        }
        if cut {
            fresh.push_str(REST);
            fresh.push('\n');
        }
    }
    assert!(ran > 0, "{}: no command", path.display());
    if update {
        fs::write(path, fresh).unwrap();
    }
}

/// An empty folder with the demo captures in it.
fn scratch() -> tempfile::TempDir {
    let scratch = tempfile::tempdir().unwrap();
    let demos = fs::read_dir(top().join("captures")).unwrap();
    for demo in demos.map(|entry| entry.unwrap().path()) {
        let copy = scratch
            .path()
            .join("captures")
            .join(demo.file_name().unwrap());
        fs::create_dir_all(&copy).unwrap();
        for file in fs::read_dir(&demo).into_iter().flatten() {
            let file = file.unwrap().path();
            fs::copy(&file, copy.join(file.file_name().unwrap())).unwrap();
        }
    }
    scratch
}

/// What a command prints, run in a folder on 80 columns, on a fixed day.
fn output(command: &str, folder: &Path) -> String {
    // Words in quotes stay together, as in a shell.
    let words = command.split('\'').enumerate().flat_map(|(at, piece)| {
        if at % 2 == 1 {
            vec![piece]
        } else {
            piece.split_whitespace().collect()
        }
    });
    let mut words = words.into_iter();
    assert_eq!(words.next(), Some("tonering"), "{command}");
    let output = program(folder)
        .args(words)
        .env("COLUMNS", "80")
        .env("SOURCE_DATE_EPOCH", "1800000000")
        .stderr(Stdio::inherit())
        .output()
        .unwrap();
    assert!(output.status.success(), "{command}");
    String::from_utf8(output.stdout).unwrap()
}
