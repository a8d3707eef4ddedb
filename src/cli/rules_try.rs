//! `rules try FOLDER`: runs the trials of a folder against the rules in force.

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use tonering::diagnosis::{self, Diagnosis, Judged, Means, Model, Trial};
use tonering::evidence::{Grounds, evaluate};
use tonering::notes::Notes;
use tonering::report::trials::{ExpectationOut, TrialOut};
use tonering::rules::{RuleText, Rules};
use tonering::trouble::Catalogue;

use super::console::{Console, printable};
use super::{input, vehicle};

/// Folders within folders that are looked into.
const DEEPEST: usize = 8;

/// Runs every trial of the folders.
pub(crate) fn run(
    folders: &[PathBuf],
    rules: &Rules,
    catalogue: &Catalogue,
    console: Console,
) -> anyhow::Result<Vec<TrialOut>> {
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
    let mut tried = Vec::new();
    for (path, text) in paths {
        let shown = path.display().to_string();
        let file = RuleText {
            name: &shown,
            text: &text,
        };
        let trial = Trial::parse(file, rules)?;
        let judged = one(&trial, &path, rules, catalogue, console)
            .with_context(|| format!("{shown}: cannot be tried"))?;
        tried.push(TrialOut {
            passed: judged.iter().all(|judged| judged.passed),
            file: shown,
            name: trial.file.name.clone(),
            expectations: judged.into_iter().map(expectation).collect(),
        });
    }
    Ok(tried)
}

fn expectation(judged: Judged) -> ExpectationOut {
    ExpectationOut {
        expectation: judged.expectation,
        of: judged.of,
        limit: judged.limit,
        passed: judged.passed,
        number: judged.found.map(|(number, _)| number),
        probability: judged.found.map(|(_, probability)| probability),
        words: judged.words,
    }
}

/// A line for each trial, with what has not come out under it, and the sum.
pub(crate) fn text(tried: &[TrialOut]) -> String {
    let mut text = String::new();
    for trial in tried {
        let word = if trial.passed { "passed" } else { "FAILED" };
        let name = trial.name.as_deref().map(|name| format!(": {name}"));
        let line = format!("{word}  {}{}", trial.file, name.unwrap_or_default());
        let _ = writeln!(text, "{}", printable(&line));
        for expectation in trial.expectations.iter().filter(|one| !one.passed) {
            let _ = writeln!(text, "        {}", printable(&expectation.words));
        }
    }
    let noun = if tried.len() == 1 { "trial" } else { "trials" };
    let passed = tried.iter().filter(|trial| trial.passed).count();
    let _ = writeln!(text, "{} {noun}, {passed} passed", tried.len());
    text
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
