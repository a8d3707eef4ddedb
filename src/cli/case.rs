//! A case folder: what was found and done at each visit of one vehicle, in plain files.
//!
//! `visit-0001/`, `visit-0002/`, … each hold the report, copies of the notes and the profile, the names, sizes and hashes of the
//! captures, and `visit.json`, which later visits read. `case.md` is the history. Nothing that is there is ever changed:
//! a visit is made beside the others and gets its name when it is whole; the history only grows. A visit that the
//! history lacks, because the program was stopped between the two, is added to it at the next one.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use serde::{Deserialize, Serialize};
use tonering::report::VisitLine;
use tonering::report::escape::markdown::markdown;

use super::console::remark;
use super::ending::{Watch, undisturbed};
use super::hash::Hashed;
use super::input;

/// The history.
const HISTORY: &str = "case.md";
/// What a later visit reads.
const SUMMARY: &str = "visit.json";
/// Names, sizes and hashes of the captures, in the form that `sha256sum -c` reads.
const CAPTURES: &str = "captures.txt";
const PREFIX: &str = "visit-";
/// The last visit that can be made.
const LAST: u32 = 9_999;

/// A case folder with its earlier visits.
#[derive(Debug)]
pub(crate) struct Case {
    folder: PathBuf,
    visits: BTreeMap<u32, Option<Summary>>,
}

/// What is kept of a visit.
#[derive(Debug)]
pub(crate) struct Visit<'a> {
    /// `diagnosis` or `comparison`.
    pub(crate) kind: &'a str,
    /// Program and version.
    pub(crate) program: &'a str,
    /// The vehicle's name.
    pub(crate) vehicle: Option<&'a str>,
    /// What was found.
    pub(crate) found: Vec<String>,
    /// What was checked by hand.
    pub(crate) done: Vec<String>,
    /// The captures' names and hashes.
    pub(crate) captures: Vec<(&'a str, Option<&'a Hashed>)>,
    /// The files to keep, by name.
    pub(crate) files: Vec<(&'static str, Vec<u8>)>,
}

/// `visit.json`.
#[derive(Clone, Debug, Deserialize, Serialize)]
struct Summary {
    /// Version of this shape.
    visit: u32,
    /// When: `2026-11-25 10:31 UTC`.
    made: String,
    kind: String,
    program: String,
    vehicle: Option<String>,
    found: Vec<String>,
    done: Vec<String>,
}

impl Case {
    /// Opens the folder, or makes it; done before the work, so that a wrong path is known at once.
    pub(crate) fn open(folder: &Path) -> anyhow::Result<Self> {
        let cannot = || format!("{}: cannot be used as a case folder", folder.display());
        fs::create_dir_all(folder).with_context(cannot)?;
        let mut visits = BTreeMap::new();
        for entry in fs::read_dir(folder).with_context(cannot)? {
            let path = entry.with_context(cannot)?.path();
            let Some(number) = number(&path) else {
                continue;
            };
            let summary = match summary(&path.join(SUMMARY)) {
                Ok(summary) => Some(summary),
                Err(error) => {
                    remark(&format!("{error:#}; this visit is not listed"));
                    None
                }
            };
            visits.insert(number, summary);
        }
        let folder = folder.to_owned();
        Ok(Self { folder, visits })
    }

    /// The earlier visits, for the report. Remarks when one was of another vehicle.
    pub(crate) fn earlier(&self, vehicle: Option<&str>) -> Vec<VisitLine> {
        let visits = self.visits.iter();
        let known = visits.filter_map(|(&number, visit)| Some((number, visit.as_ref()?)));
        let mut lines = Vec::new();
        for (number, visit) in known {
            if let (Some(then), Some(now)) = (visit.vehicle.as_deref(), vehicle)
                && then != now
            {
                let folder = self.folder.display();
                remark(&format!(
                    "{folder}: visit {number} was of {then}, this one is of {now}; a case folder is for one vehicle"
                ));
            }
            lines.push(VisitLine {
                number,
                date: visit.made.split(' ').next().unwrap_or_default().to_owned(),
                kind: visit.kind.clone(),
                found: visit.found.clone(),
                done: visit.done.clone(),
            });
        }
        lines
    }

    /// Keeps a visit and says where.
    pub(crate) fn keep(mut self, visit: &Visit<'_>) -> anyhow::Result<()> {
        let summary = Summary {
            visit: 1,
            made: now()?,
            kind: visit.kind.to_owned(),
            program: visit.program.to_owned(),
            vehicle: visit.vehicle.map(str::to_owned),
            found: visit.found.clone(),
            done: visit.done.clone(),
        };
        let cannot = || format!("{}: the visit cannot be kept", self.folder.display());
        let place = self.place(visit, &summary).with_context(cannot)?;
        let Some(number) = number(&place) else {
            anyhow::bail!("{}: is no folder of a visit", place.display());
        };
        self.visits.insert(number, Some(summary));
        self.add_history().with_context(|| {
            format!("{}: cannot be written", self.folder.join(HISTORY).display())
        })?;
        remark(&format!("kept in {}", place.display()));
        Ok(())
    }

    /// Makes the folder of a visit; it gets the next free number once everything is in it and on the disk.
    fn place(&self, visit: &Visit<'_>, summary: &Summary) -> io::Result<PathBuf> {
        let mut builder = tempfile::Builder::new();
        builder.prefix(".tonering-");
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt as _;
            // What an ordinary new folder gets: the user's mask takes away from it.
            builder.permissions(fs::Permissions::from_mode(0o777));
        }
        let watch = Watch::begin();
        let made = builder.tempdir_in(&self.folder)?;
        watch.over(made.path());
        for (name, bytes) in &visit.files {
            write(&made.path().join(name), bytes)?;
        }
        write(
            &made.path().join(CAPTURES),
            captures(&visit.captures).as_bytes(),
        )?;
        let mut json = serde_json::to_vec_pretty(summary).map_err(io::Error::other)?;
        json.push(b'\n');
        write(&made.path().join(SUMMARY), &json)?;
        let first = self
            .visits
            .keys()
            .next_back()
            .map_or(1, |last| last.saturating_add(1));
        for number in first..=LAST {
            let place = self.folder.join(format!("{PREFIX}{number:04}"));
            // Another run may have taken the number since the folder was looked at.
            if fs::symlink_metadata(&place).is_ok() {
                continue;
            }
            match undisturbed(|| fs::rename(made.path(), &place)) {
                Ok(()) => {
                    // Its old name is gone: nothing is left to be removed.
                    let _ = made.keep();
                    return Ok(place);
                }
                Err(error) if taken(&error) => {}
                Err(error) => return Err(error),
            }
        }
        Err(io::Error::other("no number is left for a visit"))
    }

    /// Adds to the history every visit that it lacks.
    fn add_history(&self) -> anyhow::Result<()> {
        let path = self.folder.join(HISTORY);
        let there = if path.exists() {
            input::text(&path)?
        } else {
            String::new()
        };
        let mut text = String::new();
        if there.is_empty() {
            text.push_str("# Case history\n");
        } else if !there.ends_with('\n') {
            text.push('\n');
        }
        for (number, visit) in &self.visits {
            let heading = format!("## Visit {number},");
            let told = there.lines().any(|line| line.starts_with(&heading));
            if let (false, Some(visit)) = (told, visit) {
                history(&mut text, &heading, *number, visit);
            }
        }
        let is_new = !path.exists();
        let mut file = OpenOptions::new().append(true).create(true).open(&path)?;
        let written = file
            .write_all(text.as_bytes())
            .and_then(|()| file.sync_all());
        if written.is_err() {
            // Half an entry would pass for a whole one. The first error is the one to tell.
            let _ = if is_new {
                fs::remove_file(&path)
            } else {
                file.set_len(there.len() as u64)
            };
        }
        Ok(written?)
    }
}

/// The number in the name of a visit's folder.
fn number(path: &Path) -> Option<u32> {
    let digits = path.file_name()?.to_str()?.strip_prefix(PREFIX)?;
    let plain = digits.len() == 4 && digits.bytes().all(|byte| byte.is_ascii_digit());
    digits.parse().ok().filter(|_| plain)
}

fn summary(path: &Path) -> anyhow::Result<Summary> {
    let text = input::text(path)?;
    serde_json::from_str(&text).with_context(|| format!("{}: cannot be read", path.display()))
}

fn taken(error: &io::Error) -> bool {
    matches!(
        error.kind(),
        io::ErrorKind::AlreadyExists | io::ErrorKind::DirectoryNotEmpty
    )
}

fn write(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = File::create_new(path)?;
    file.write_all(bytes)?;
    file.sync_all()
}

/// The captures as `sha256sum` lists them, with their sizes in remarks. A name with a line end is escaped as there: the line
/// begins with a backslash.
fn captures(captures: &[(&str, Option<&Hashed>)]) -> String {
    let mut text = String::new();
    for (name, hash) in captures {
        let escaped = name
            .replace('\\', "\\\\")
            .replace('\n', "\\n")
            .replace('\r', "\\r");
        let lead = if escaped == *name { "" } else { "\\" };
        // Writing to a text cannot fail.
        let _ = match hash {
            Some(hash) => writeln!(
                text,
                "# {} bytes\n{lead}{}  {escaped}",
                hash.bytes, hash.sha256
            ),
            None => writeln!(text, "# not read to its end, so without a hash: {escaped}"),
        };
    }
    text
}

fn history(text: &mut String, heading: &str, number: u32, visit: &Summary) {
    // Writing to a text cannot fail.
    let _ = writeln!(
        text,
        "\n{heading} {} ({})\n",
        markdown(&visit.made),
        markdown(&visit.kind)
    );
    if let Some(vehicle) = &visit.vehicle {
        let _ = writeln!(text, "- Vehicle: {}", markdown(vehicle));
    }
    for words in &visit.found {
        let _ = writeln!(text, "- Found: {}", markdown(words));
    }
    for words in &visit.done {
        let _ = writeln!(text, "- Checked by hand: {}", markdown(words));
    }
    let _ = writeln!(
        text,
        "- Files: [{PREFIX}{number:04}]({PREFIX}{number:04}/), made by {}",
        markdown(&visit.program)
    );
}

/// The time of this visit. `SOURCE_DATE_EPOCH`, in seconds since 1970, takes the clock's place where the same files must
/// come out again.
#[expect(
    clippy::disallowed_methods,
    reason = "the edge is where the environment is read"
)]
fn now() -> anyhow::Result<String> {
    let time = match std::env::var("SOURCE_DATE_EPOCH") {
        Ok(seconds) => {
            let wrong = || format!("SOURCE_DATE_EPOCH is {seconds:?}, not a time in seconds");
            let seconds = seconds.parse().with_context(wrong)?;
            jiff::Timestamp::from_second(seconds).with_context(wrong)?
        }
        Err(_) => jiff::Timestamp::now(),
    };
    Ok(time.strftime("%Y-%m-%d %H:%M UTC").to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn visit<'a>(kind: &'a str, found: &str) -> Visit<'a> {
        Visit {
            kind,
            program: "tonering",
            vehicle: Some("Trolley"),
            found: vec![found.to_owned()],
            done: Vec::new(),
            captures: vec![("a\nb\\c.log", None)],
            files: vec![("report.json", b"{}\n".to_vec())],
        }
    }

    #[test]
    fn visits_are_numbered_and_nothing_is_changed() {
        let folder = tempfile::tempdir().unwrap();
        let case = folder.path().join("car");
        Case::open(&case)
            .unwrap()
            .keep(&visit("diagnosis", "one"))
            .unwrap();
        let first = fs::read(case.join("visit-0001/visit.json")).unwrap();
        // Two runs that looked at the folder at the same time.
        let (second, third) = (Case::open(&case).unwrap(), Case::open(&case).unwrap());
        second.keep(&visit("diagnosis", "two")).unwrap();
        third.keep(&visit("comparison", "three")).unwrap();
        let now = Case::open(&case).unwrap();
        let lines = now.earlier(Some("Trolley"));
        let told: Vec<_> = lines
            .iter()
            .map(|line| (line.number, line.kind.as_str(), line.found.join(" ")))
            .collect();
        assert_eq!(
            told,
            [
                (1, "diagnosis", "one".to_owned()),
                (2, "diagnosis", "two".to_owned()),
                (3, "comparison", "three".to_owned())
            ]
        );
        assert_eq!(fs::read(case.join("visit-0001/visit.json")).unwrap(), first);
        let names = fs::read_dir(&case).unwrap();
        let hidden = names.filter(|entry| {
            let name = entry.as_ref().unwrap().file_name();
            name.to_string_lossy().starts_with('.')
        });
        assert_eq!(hidden.count(), 0);
    }

    #[test]
    fn the_history_is_completed_and_only_grows() {
        let folder = tempfile::tempdir().unwrap();
        let history = folder.path().join(HISTORY);
        let read = || String::from_utf8(fs::read(&history).unwrap()).unwrap();
        let keep = |found: &str| {
            let case = Case::open(folder.path()).unwrap();
            case.keep(&visit("diagnosis", found)).unwrap();
        };
        keep("<b>one</b>");
        // Stopped between the visit and the history, with a remark by hand and no line end.
        fs::write(&history, "# My car").unwrap();
        keep("two");
        let text = read();
        assert!(text.starts_with("# My car\n\n## Visit 1, "), "{text}");
        assert!(
            !text.contains("<b>") && text.contains("## Visit 2, "),
            "{text}"
        );
        keep("three");
        assert!(read().starts_with(&text));
        assert_eq!(read().matches("## Visit 1, ").count(), 1);
    }

    #[test]
    fn a_damaged_visit_keeps_its_number_and_its_files() {
        let folder = tempfile::tempdir().unwrap();
        let damaged = folder.path().join("visit-0007");
        fs::create_dir(&damaged).unwrap();
        fs::write(damaged.join(SUMMARY), "{\"visit\":").unwrap();
        let case = Case::open(folder.path()).unwrap();
        assert!(case.earlier(None).is_empty());
        case.keep(&visit("diagnosis", "one")).unwrap();
        assert!(folder.path().join("visit-0008/report.json").is_file());
        assert_eq!(fs::read(damaged.join(SUMMARY)).unwrap(), b"{\"visit\":");
    }

    #[test]
    fn names_of_captures_are_as_a_checker_of_hashes_reads_them() {
        let hash = Hashed {
            bytes: 3,
            sha256: "00".repeat(32),
        };
        let zeros = &hash.sha256;
        // GNU coreutils manual, "md5sum invocation": a name with a line end is escaped, the line begins with \.
        assert_eq!(
            captures(&[("a b.log", Some(&hash)), ("a\nb.log", Some(&hash))]),
            format!("# 3 bytes\n{zeros}  a b.log\n# 3 bytes\n\\{zeros}  a\\nb.log\n")
        );
        assert!(captures(&[("-", None)]).starts_with('#'));
    }
}
