//! What is made from the command line's own table and shipped: man pages in `docs/man/`, completions in `completions/`. The tests
//! compare; `TONERING_UPDATE=1 cargo test --bin tonering shipped` writes them anew.

#![expect(
    clippy::disallowed_methods,
    reason = "the edge is where files and the environment are read"
)]

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use clap::{Command, CommandFactory as _, Parser as _};
use clap_complete::{Shell, generate_to};

use super::Arguments;

fn command() -> Command {
    let mut command = Arguments::command();
    command.build();
    command
}

/// The files of a folder by name.
fn files(folder: &Path) -> BTreeMap<String, String> {
    let entries = fs::read_dir(folder).into_iter().flatten();
    entries
        .map(|entry| entry.unwrap().path())
        .map(|path| {
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            (name, fs::read_to_string(path).unwrap())
        })
        .collect()
}

/// Compares what `make` writes into a folder with what is committed, or writes that anew.
fn check(folder: &str, make: impl Fn(&Path)) {
    let committed = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
    let made = tempfile::tempdir().unwrap();
    make(made.path());
    let fresh = files(made.path());
    assert!(fresh.len() > 3, "{fresh:?}");
    if std::env::var_os("TONERING_UPDATE").is_some() {
        let _ = fs::remove_dir_all(&committed);
        fs::create_dir_all(&committed).unwrap();
        for (name, text) in &fresh {
            fs::write(committed.join(name), text).unwrap();
        }
    }
    let there = files(&committed);
    let names = |files: &BTreeMap<String, String>| files.keys().cloned().collect::<Vec<_>>();
    assert_eq!(
        names(&there),
        names(&fresh),
        "{folder}: run with TONERING_UPDATE=1"
    );
    for (name, text) in &fresh {
        let same = there.get(name) == Some(text);
        assert!(
            same,
            "{folder}/{name} is out of date: run with TONERING_UPDATE=1"
        );
    }
}

#[test]
fn man_pages_are_up_to_date() {
    check("docs/man", |folder| {
        clap_mangen::generate_to(Arguments::command(), folder).unwrap();
    });
}

#[test]
fn completions_are_up_to_date() {
    check("completions", |folder| {
        for shell in [Shell::Bash, Shell::Zsh, Shell::Fish, Shell::PowerShell] {
            generate_to(shell, &mut Arguments::command(), "tonering", folder).unwrap();
        }
    });
}

#[test]
fn every_command_has_examples_that_are_understood() {
    let command = command();
    for sub in command
        .get_subcommands()
        .filter(|sub| sub.get_name() != "help")
    {
        let name = sub.get_name();
        let help = sub.get_after_help().map(ToString::to_string);
        // A line that ends so goes on with the next one.
        let help = help.unwrap_or_default().replace("\\\n    ", "");
        let examples: Vec<&str> = help
            .lines()
            .filter_map(|line| line.strip_prefix("  "))
            .filter_map(|line| line.rsplit(" | ").next())
            .filter(|line| line.starts_with("tonering "))
            .collect();
        assert!(examples.len() >= 2, "{name}: {help}");
        for example in examples {
            let typed = Arguments::try_parse_from(words(example));
            assert!(typed.is_ok(), "{example}: {}", typed.unwrap_err());
        }
    }
}

/// The words of a line as a shell takes them, with quotes that do not nest.
fn words(line: &str) -> Vec<String> {
    let mut words = Vec::new();
    for (at, piece) in line.split('\'').enumerate() {
        if at % 2 == 1 {
            words.push(piece.to_owned());
        } else {
            words.extend(piece.split_whitespace().map(str::to_owned));
        }
    }
    words
}
