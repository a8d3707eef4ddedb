//! Which captures are meant: files as they are named, folders with everything in them.

use std::path::{Path, PathBuf};

use anyhow::Context as _;

/// Folders in folders, at most.
const MAX_DEPTH: usize = 32;

/// Endings of files that lie beside captures and are none.
const NOT_CAPTURES: [&str; 12] = [
    "yaml", "yml", "dbc", "md", "json", "jsonl", "partial", "parquet", "csv", "html", "pdf",
    "sha256",
];

/// The captures in the order in which they were named; a folder stands for the files in it and in its folders, by name.
///
/// Hidden files, and files that by their ending are profiles, notes, lists or reports, are passed over; links to folders are
/// not followed. Everything else is taken for a capture, so that one whose beginning is damaged is told and not missed.
pub(super) fn captures(named: &[PathBuf]) -> anyhow::Result<Vec<PathBuf>> {
    let mut found = Vec::new();
    for path in named {
        if path.is_dir() {
            let before = found.len();
            walk(path, 0, &mut found)?;
            if found.len() == before {
                anyhow::bail!("{}: no capture is in this folder", path.display());
            }
        } else {
            found.push(path.clone());
        }
    }
    Ok(found)
}

fn walk(folder: &Path, depth: usize, found: &mut Vec<PathBuf>) -> anyhow::Result<()> {
    let cannot = || format!("{}: cannot be read as a folder", folder.display());
    if depth > MAX_DEPTH {
        anyhow::bail!(
            "{}: is more than {MAX_DEPTH} folders deep; name it by itself",
            folder.display()
        );
    }
    let mut entries = Vec::new();
    for entry in std::fs::read_dir(folder).with_context(cannot)? {
        let entry = entry.with_context(cannot)?;
        let kind = entry.file_type().with_context(cannot)?;
        entries.push((entry.file_name(), kind.is_dir(), entry.path()));
    }
    entries.sort();
    for (name, is_folder, path) in entries {
        if name.as_encoded_bytes().starts_with(b".") {
            continue;
        }
        if is_folder {
            walk(&path, depth + 1, found)?;
        } else if path.is_file() && !is_something_else(&path) {
            found.push(path);
        }
    }
    Ok(())
}

fn is_something_else(path: &Path) -> bool {
    let ending = path.extension().and_then(|ending| ending.to_str());
    ending.is_some_and(|ending| {
        NOT_CAPTURES
            .iter()
            .any(|known| ending.eq_ignore_ascii_case(known))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(folder: &Path, found: &[PathBuf]) -> Vec<String> {
        let short = |path: &PathBuf| path.strip_prefix(folder).unwrap().display().to_string();
        found.iter().map(short).collect()
    }

    #[test]
    fn a_folder_stands_for_its_captures_by_name() {
        let folder = tempfile::tempdir().unwrap();
        let top = folder.path();
        for (name, text) in [
            ("b/drive.log", "x"),
            ("b/profile.yaml", "x"),
            ("b/.hidden.log", "x"),
            ("a.pcap", "x"),
            ("c", "x"),
            ("out.JSONL", "x"),
        ] {
            let path = top.join(name);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(path, text).unwrap();
        }
        std::fs::create_dir(top.join("empty")).unwrap();
        let found = captures(&[top.to_owned()]).unwrap();
        assert_eq!(names(top, &found), ["a.pcap", "b/drive.log", "c"]);

        // What is named by itself is taken, whatever its name, and stays where it was named.
        let named = [top.join("out.JSONL"), top.join("b")];
        let found = captures(&named).unwrap();
        assert_eq!(names(top, &found), ["out.JSONL", "b/drive.log"]);

        let error = captures(&[top.join("empty")]).unwrap_err().to_string();
        assert!(error.ends_with("no capture is in this folder"), "{error}");
    }

    #[cfg(unix)]
    #[test]
    fn a_link_to_a_folder_is_not_followed() {
        let folder = tempfile::tempdir().unwrap();
        let top = folder.path();
        std::fs::write(top.join("a.log"), "x").unwrap();
        std::os::unix::fs::symlink(top, top.join("again")).unwrap();
        std::os::unix::fs::symlink(top.join("a.log"), top.join("b.log")).unwrap();
        let found = captures(&[top.to_owned()]).unwrap();
        assert_eq!(names(top, &found), ["a.log", "b.log"]);
    }
}
