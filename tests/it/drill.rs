//! `drill`: a lesson over a pipe.

use std::io::Write as _;
use std::process::Stdio;

use crate::command::program;

fn lesson(arguments: &[&str], typed: &str) -> (bool, String) {
    let folder = tempfile::tempdir().unwrap();
    let mut child = program(folder.path())
        .arg("drill")
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // A lesson that ends early does not read the rest.
    let _ = child.stdin.take().unwrap().write_all(typed.as_bytes());
    let output = child.wait_with_output().unwrap();
    let words = [output.stdout, output.stderr].concat();
    (output.status.success(), String::from_utf8(words).unwrap())
}

#[test]
fn a_script_plays_a_lesson_and_the_same_seed_is_the_same_lesson() {
    let script = "help\ncodes\nwheels\nhow fluid-level\nfluid-level\ndance\nit is pump-motor\n";
    let (done, said) = lesson(&["--seed", "5"], script);
    assert!(done, "{said}");
    for wanted in [
        "LESSON 5",
        "> codes",
        "Brake control",
        "help lists what you can do",
        "What it is: ",
        "MARKS",
    ] {
        assert!(said.contains(wanted), "{wanted:?} is missing in\n{said}");
    }
    assert_eq!(lesson(&["--seed", "5"], script).1, said);
    assert_ne!(lesson(&["--seed", "6"], script).1, said);
}

#[test]
fn a_lesson_ends_with_its_input_whatever_that_is() {
    for typed in ["", "quit\n", "codes", "\u{0}\u{1b}[31m\n\n\n"] {
        let (done, said) = lesson(&[], typed);
        assert!(done && said.contains("--seed 1"), "{said}");
        assert!(
            !said.contains('\u{1b}') && !said.contains("What it is:"),
            "{said}"
        );
    }
    let (done, said) = lesson(&["--hourly-rate", "0"], "");
    assert!(!done && said.contains("hourly-rate"), "{said}");
}
