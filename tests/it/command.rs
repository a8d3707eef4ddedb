//! Runs the program as a person or a script would.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

/// The program in a folder of its own choice, with an environment that does not depend on the machine.
pub(crate) fn program(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tonering"));
    command
        .current_dir(folder)
        .env_remove("NO_COLOR")
        .env_remove("COLUMNS")
        .env("LC_ALL", "C.UTF-8")
        .stdin(Stdio::null());
    command
}

/// Runs the program in the repository's top folder.
pub(crate) fn run(arguments: &[impl AsRef<OsStr>]) -> Output {
    program(&top()).args(arguments).output().unwrap()
}

/// Runs it, insists on exit status 0, and gives its standard output.
pub(crate) fn text(arguments: &[impl AsRef<OsStr>]) -> String {
    let output = run(arguments);
    let error = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{error}");
    String::from_utf8(output.stdout).unwrap()
}

/// The repository's top folder.
pub(crate) fn top() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

#[test]
fn help_and_version_go_to_standard_output() {
    assert!(text(&["--version"]).starts_with("tonering "));
    assert!(text(&["--help"]).contains("Brakes can kill"));
}

#[test]
fn wrong_usage_has_its_own_status() {
    let output = run(&["no-such-command"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(output.stdout.is_empty());
}
