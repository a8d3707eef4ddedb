//! `rules try FOLDER`: runs the trials of a folder against the rules in force.

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use tonering::diagnosis::{self, Diagnosis, Judged, Means, Model, Trial};
use tonering::evidence::{Grounds, evaluate};
use tonering::notes::Notes;
use tonering::rules::{RuleText, Rules};
use tonering::trouble::Catalogue;

use super::console::{Console, printable};
use super::{input, vehicle};

/// Folders within folders that are looked into.
const DEEPEST: usize = 8;

/// What came of the trials.
pub(crate) struct Tried {
    /// A line for each trial, with what has not come out under it, and the sum.
    pub(crate) text: String,
    /// How many did not come out as expected.
    pub(crate) failed: usize,
}

/// Runs every trial of the folders.
pub(crate) fn run(
    folders: &[PathBuf],
    rules: &Rules,
    catalogue: &Catalogue,
    console: Console,
) -> anyhow::Result<Tried> {
    let mut paths = Vec::new();
    for folder in folders {
        let before = paths.len();
        gather(folder, 0, &mut paths)?;
        if paths.len() == before {
            anyhow::bail!(
                "{}: holds no trial: a .yaml file that begins with the line trial: 1",
                folder.display()
            );
        }
    }
    let mut tried = Tried {
        text: String::new(),
        failed: 0,
    };
    let count = paths.len();
    for (path, text) in paths {
        let shown = path.display().to_string();
        let file = RuleText {
            name: &shown,
            text: &text,
        };
        let trial = Trial::parse(file, rules)?;
        let judged = one(&trial, &path, rules, catalogue, console)
            .with_context(|| format!("{shown}: cannot be tried"))?;
        let passed = judged.iter().all(|judged| judged.passed);
        tried.failed += usize::from(!passed);
        let word = if passed { "passed" } else { "FAILED" };
        let name = trial.file.name.as_deref().map(|name| format!(": {name}"));
        let line = format!("{word}  {shown}{}", name.unwrap_or_default());
        let _ = writeln!(tried.text, "{}", printable(&line));
        for judged in judged.iter().filter(|judged| !judged.passed) {
            let _ = writeln!(tried.text, "        {}", printable(&judged.words));
        }
    }
    let noun = if count == 1 { "trial" } else { "trials" };
    let _ = writeln!(
        tried.text,
        "{count} {noun}, {} passed",
        count - tried.failed
    );
    Ok(tried)
}

fn one(
    trial: &Trial,
    path: &Path,
    rules: &Rules,
    catalogue: &Catalogue,
    console: Console,
) -> anyhow::Result<Vec<Judged>> {
    let folder = path.parent().unwrap_or(Path::new(""));
    let file = &trial.file;
    let profile = file.profile.as_ref().map(|name| folder.join(name));
    let profile = input::profile(profile.as_deref())?;
    let captures: Vec<PathBuf> = file.captures.iter().map(|name| folder.join(name)).collect();
    let read = vehicle::read(&captures, &profile, console)?;
    let mut notes = match &file.notes {
        Some(name) => {
            let name = folder.join(name);
            Notes::parse(&input::text(&name)?, &name.display().to_string(), rules)?
        }
        None => Notes::default(),
    };
    notes.entries.extend(trial.noted.iter().cloned());
    let measures = diagnosis::measures(&read.record);
    let grounds = Grounds {
        rules,
        catalogue,
        record: &read.record,
        measures: &measures,
        notes: &notes,
    };
    let mut evidence = evaluate(&grounds);
    trial.give(&mut evidence);
    let model = Model::new(rules);
    let found = Diagnosis {
        ranking: model.rank(&evidence),
        evidence,
        model,
    };
    let report = diagnosis::report(&grounds, &found, &profile.name, &Means::default());
    Ok(trial.judge(&found, &report))
}

/// The trials of a folder and of those in it, by name, each with its text.
fn gather(folder: &Path, depth: usize, found: &mut Vec<(PathBuf, String)>) -> anyhow::Result<()> {
    for path in input::yaml_files(folder)? {
        let text = input::text(&path)?;
        if text.lines().any(|line| line.starts_with("trial:")) {
            found.push((path, text));
        }
    }
    if depth == DEEPEST {
        return Ok(());
    }
    let cannot = || format!("{}: cannot be read as a folder", folder.display());
    let mut folders = Vec::new();
    for entry in fs::read_dir(folder).with_context(cannot)? {
        let entry = entry.with_context(cannot)?;
        // A link to a folder is not followed: it may lead back.
        if entry.file_type().with_context(cannot)?.is_dir() {
            folders.push(entry.path());
        }
    }
    folders.sort();
    for folder in folders {
        gather(&folder, depth + 1, found)?;
    }
    Ok(())
}
