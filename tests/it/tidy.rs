//! House rules that a lint cannot see.

use std::fs;
use std::path::{Path, PathBuf};

use crate::command::top;

/// Which rooms a room may use (docs/architecture.md). `place` and `frame` are open to all.
const MAY_USE: &[(&str, &[&str])] = &[
    ("frame", &[]),
    ("place", &[]),
    ("capture", &[]),
    ("transport", &["capture", "transport"]),
    ("trouble", &["rules"]),
    ("service", &["transport", "trouble", "vehicle"]),
    ("signal", &["service", "transport", "vehicle"]),
    ("wheel", &[]),
    (
        "vehicle",
        &["capture", "transport", "service", "trouble", "signal"],
    ),
    ("notes", &["rules"]),
    (
        "evidence",
        &["rules", "vehicle", "wheel", "trouble", "notes", "signal"],
    ),
    ("ranking", &[]),
    ("report", &[]),
    (
        "link",
        &[
            "capture",
            "transport",
            "service",
            "signal",
            "trouble",
            "vehicle",
            "rig",
        ],
    ),
    (
        "comparison",
        &["report", "trouble", "vehicle", "wheel", "signal"],
    ),
];

fn sources() -> Vec<(PathBuf, String)> {
    let mut folders = vec![
        top().join("src"),
        top().join("tests"),
        top().join("benches"),
    ];
    let mut found = Vec::new();
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).into_iter().flatten() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|ending| ending == "rs") {
                let text = fs::read_to_string(&path).unwrap();
                found.push((path, text));
            }
        }
    }
    found.sort();
    assert!(found.len() > 10);
    found
}

fn room(path: &Path) -> Option<String> {
    let inside = path.strip_prefix(top().join("src")).ok()?;
    let first = inside.components().next()?.as_os_str().to_str()?;
    Some(first.trim_end_matches(".rs").to_owned())
}

#[test]
fn every_file_says_what_it_is_for() {
    for (path, text) in sources() {
        assert!(text.starts_with("//! "), "{}: no header", path.display());
    }
}

#[test]
fn anyhow_stays_at_the_edge() {
    for (path, text) in sources() {
        let edge = path.starts_with(top().join("src/cli"))
            || path.ends_with("main.rs")
            || path.ends_with("tidy.rs");
        assert!(edge || !text.contains("anyhow"), "{}", path.display());
    }
}

#[test]
fn rooms_use_only_the_rooms_they_may() {
    for (path, text) in sources() {
        let Some(room) = room(&path) else { continue };
        let Some((_, allowed)) = MAY_USE.iter().find(|(name, _)| *name == room) else {
            continue;
        };
        let code = text.split("#[cfg(test)]").next().unwrap_or_default();
        let is_test =
            path.ends_with("tests.rs") || path.components().any(|part| part.as_os_str() == "tests");
        if is_test {
            continue;
        }
        for (index, line) in code.lines().enumerate() {
            let line = line.trim_start();
            if line.starts_with("//") {
                continue;
            }
            for (used, _) in line.match_indices("crate::") {
                let rest = &line[used + "crate::".len()..];
                let name: String = rest
                    .chars()
                    .take_while(|c| c.is_alphanumeric() || *c == '_')
                    .collect();
                let fine = name.is_empty()
                    || ["frame", "place", "unseen", "yaml"].contains(&name.as_str())
                    || name == room
                    || allowed.contains(&name.as_str());
                assert!(
                    fine,
                    "{}:{}: {room} must not use {name}",
                    path.display(),
                    index + 1
                );
            }
        }
    }
}

#[test]
fn no_file_names_a_machine_or_an_unfinished_thought() {
    let forbidden = [
        "/wo".to_owned() + "rk/",
        "/ro".to_owned() + "ot/",
        "FIX".to_owned() + "ME",
        "TO".to_owned() + "DO",
    ];
    for (path, text) in sources() {
        for word in &forbidden {
            assert!(!text.contains(word.as_str()), "{}: {word}", path.display());
        }
    }
}
