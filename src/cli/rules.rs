//! `rules`: shows, lists, explains and checks the rules that are in force.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::PathBuf;

use anyhow::Context as _;
use clap::{Subcommand, ValueEnum};
use tonering::report::trials::TrialsOut;
use tonering::rules::{Paragraph, RuleText, Rules};
use tonering::trouble::{Catalogue, YamlText};
use unicode_width::UnicodeWidthStr as _;

use super::basis::own_rules;
use super::console::Console;
use super::{input, network, rules_try};

/// Show, list, explain and check the rules: causes, findings, checks by hand, cautions
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES, args_conflicts_with_subcommands = false)]
pub(crate) struct Args {
    #[command(subcommand)]
    what: Option<What>,
    /// Folder with rules (YAML) that add to the built-in ones or replace them
    #[arg(long, value_name = "DIR", global = true)]
    rules: Vec<PathBuf>,
}

const EXAMPLES: &str = "\
Examples:
  tonering rules
  tonering rules list checks
  tonering rules explain sensor-circuit
  tonering rules check my-rules/
  tonering rules try captures/
  tonering rules try my-cases/ --rules my-rules/
  tonering rules try my-cases/ --format json
  tonering rules network";

#[derive(Debug, Subcommand)]
enum What {
    /// List the entries of one kind
    List {
        /// What to list
        #[arg(value_enum, value_name = "KIND")]
        kind: Kind,
        /// Only entries whose identifier or name has this text
        #[arg(value_name = "TEXT")]
        with: Option<String>,
    },
    /// Explain an entry: what it rests on and what rests on it
    Explain {
        /// Its identifier
        #[arg(required = true, value_name = "ID")]
        id: Vec<String>,
    },
    /// Check rule files together with the built-in ones, and report every fault
    Check {
        /// Folder with rules (YAML)
        #[arg(required = true, value_name = "DIR")]
        folder: Vec<PathBuf>,
    },
    /// Try the rules against cases with known causes: exit status 1 when one does not come out as expected
    ///
    /// A case is a YAML file that begins with trial: 1 (docs/rules.md): captures, notes or findings, and what must come
    /// out. Folders inside the folder are looked into.
    Try {
        /// Folder with trials (YAML)
        #[arg(required = true, value_name = "FOLDER")]
        folder: Vec<PathBuf>,
        /// How to print what came out
        #[arg(long, value_enum, default_value_t = Format::Text)]
        format: Format,
    },
    /// Write causes, findings and their links as JSON, for programs that calculate with Bayesian networks
    Network,
    /// The posterior of a network in the form of `rules network`, with readings: for second opinions
    #[command(hide = true)]
    Posterior {
        /// The network (JSON)
        #[arg(value_name = "FILE")]
        file: PathBuf,
    },
}

/// How what came of trials is printed.
#[derive(Clone, Copy, Debug, Eq, PartialEq, ValueEnum)]
enum Format {
    /// A line for each trial, for people
    Text,
    /// One object with every expectation, for programs
    Json,
}

/// What to list.
#[derive(Clone, Copy, Debug, Eq, PartialEq, ValueEnum)]
enum Kind {
    /// What can be behind a lit lamp
    Causes,
    /// What can be seen
    Findings,
    /// What can be done by hand
    Checks,
    /// What to take care of
    Cautions,
}

pub(crate) fn run(args: &Args, console: Console) -> anyhow::Result<()> {
    let mut folders = args.rules.clone();
    if let Some(What::Check { folder }) = &args.what {
        folders.extend(folder.iter().cloned());
    }
    if let Some(What::Posterior { file }) = &args.what {
        let name = file.display();
        let text = network::posterior(&input::text(file)?).with_context(|| name.to_string())?;
        std::io::stdout().lock().write_all(text.as_bytes())?;
        return Ok(());
    }
    let own = own_rules(&folders)?;
    // Lists of codes and failure types may lie in the same folder; they have their own loader.
    let texts: Vec<RuleText<'_>> = own
        .iter()
        .filter(|(_, text)| text.lines().any(|line| line.starts_with("rules:")))
        .map(|(name, text)| RuleText { name, text })
        .collect();
    let rules = Rules::load(&texts)?;
    if let Some(What::Try { folder, format }) = &args.what {
        let lists: Vec<YamlText<'_>> = own
            .iter()
            .filter(|(_, text)| !text.lines().any(|line| line.starts_with("rules:")))
            .map(|(name, text)| YamlText { name, text })
            .collect();
        let tried = rules_try::run(folder, &rules, &Catalogue::load(&lists)?, console)?;
        let failed = tried.iter().filter(|trial| !trial.passed).count();
        let mut out = std::io::stdout().lock();
        match format {
            Format::Text => out.write_all(rules_try::text(&tried).as_bytes())?,
            Format::Json => TrialsOut::new(tried).write(&mut out)?,
        }
        if failed > 0 {
            anyhow::bail!("{failed} not as expected");
        }
        return Ok(());
    }
    let text = match &args.what {
        Some(What::Network) => network::write(&rules)?,
        None | Some(What::Try { .. } | What::Posterior { .. }) => overview(&rules, &texts),
        Some(What::List { kind, with }) => list(&rules, *kind, with.as_deref().unwrap_or("")),
        Some(What::Explain { id }) => explain(&rules, id, console)?,
        Some(What::Check { .. }) => {
            let mut text = String::new();
            for file in &texts {
                let _ = writeln!(text, "{}: no fault", file.name);
            }
            text.push_str(&overview(&rules, &texts));
            text
        }
    };
    std::io::stdout().lock().write_all(text.as_bytes())?;
    Ok(())
}

/// How much there is, and the causes with their weights.
fn overview(rules: &Rules, own: &[RuleText<'_>]) -> String {
    let mut text = format!(
        "{} causes, {} findings, {} checks by hand, {} cautions in force",
        rules.causes().len(),
        rules.findings().len(),
        rules.checks().len(),
        rules.cautions().len()
    );
    if own.is_empty() {
        text.push_str(" (built in)\n");
    } else {
        let names: Vec<&str> = own.iter().map(|file| file.name).collect();
        let _ = writeln!(text, " (built in, and {})", names.join(", "));
    }
    text.push('\n');
    text.push_str(&list(rules, Kind::Causes, ""));
    text
}

fn list(rules: &Rules, kind: Kind, with: &str) -> String {
    let mut rows: Vec<[String; 4]> = Vec::new();
    match kind {
        Kind::Causes => {
            rows.push(["cause", "place", "before", "name"].map(str::to_owned));
            rows.extend(rules.causes().iter().map(|cause| {
                [
                    cause.id.clone(),
                    cause.place.id().to_owned(),
                    format!("{:.2} %", rules.prior(cause) * 100.0),
                    cause.name.clone(),
                ]
            }));
        }
        Kind::Findings => {
            rows.push(["finding", "place", "causes", "when it holds"].map(str::to_owned));
            rows.extend(rules.findings().iter().map(|finding| {
                let causes = rules
                    .causes()
                    .iter()
                    .filter(|cause| cause.shows.iter().any(|link| link.finding == finding.id));
                [
                    finding.id.clone(),
                    finding.place.id().to_owned(),
                    causes.count().to_string(),
                    finding.holds.replace("{place}", "…"),
                ]
            }));
        }
        Kind::Checks => {
            rows.push(["check", "place", "minutes", "name"].map(str::to_owned));
            rows.extend(rules.checks().iter().map(|check| {
                [
                    check.id.clone(),
                    check.place.id().to_owned(),
                    check.minutes.to_string(),
                    check.name.clone(),
                ]
            }));
        }
        Kind::Cautions => {
            rows.push(["caution", "", "", "words"].map(str::to_owned));
            rows.extend(rules.cautions().iter().map(|caution| {
                [
                    caution.id.clone(),
                    String::new(),
                    String::new(),
                    caution.words.clone(),
                ]
            }));
        }
    }
    let with = with.to_lowercase();
    let kept: Vec<&[String; 4]> = rows
        .iter()
        .enumerate()
        .filter(|(index, row)| {
            *index == 0 || row.iter().any(|cell| cell.to_lowercase().contains(&with))
        })
        .map(|(_, row)| row)
        .collect();
    columns(&kept)
}

/// Rows in columns; the last one is as wide as it is.
fn columns(rows: &[&[String; 4]]) -> String {
    let width = |column: usize| {
        let cells = rows.iter().filter_map(|row| row.get(column));
        cells.map(|cell| cell.width()).max().unwrap_or(0)
    };
    let widths: Vec<usize> = (0..3).map(width).collect();
    let mut text = String::new();
    for row in rows {
        for (cell, width) in row.iter().zip(&widths) {
            if *width > 0 {
                let _ = write!(
                    text,
                    "{cell}{}  ",
                    " ".repeat(width.saturating_sub(cell.width()))
                );
            }
        }
        if let Some(last) = row.last() {
            text.push_str(last);
        }
        text.push('\n');
    }
    text
}

fn explain(rules: &Rules, ids: &[String], console: Console) -> anyhow::Result<String> {
    let mut text = String::new();
    for id in ids {
        let paragraphs = rules.explain(id);
        if paragraphs.is_empty() {
            let known = rules.ids();
            let near: Vec<&str> = known
                .iter()
                .copied()
                .filter(|known| {
                    id.split('-')
                        .any(|part| part.len() > 2 && known.contains(part))
                })
                .collect();
            let shown = if near.is_empty() { &known } else { &near };
            anyhow::bail!("the rules have no {id:?}; possible: {}", shown.join(", "));
        }
        if !text.is_empty() {
            text.push('\n');
        }
        for (index, paragraph) in paragraphs.iter().enumerate() {
            match paragraph {
                Paragraph::Heading(words) => {
                    if index > 0 {
                        text.push('\n');
                    }
                    wrap(&mut text, words, "", "", console.width);
                }
                Paragraph::Text(words) => wrap(&mut text, words, "", "", console.width),
                Paragraph::Point(words) => wrap(&mut text, words, "- ", "  ", console.width),
            }
        }
    }
    Ok(text)
}

/// Writes words in lines of at most `width`, the first after `first`, the others after `rest`.
fn wrap(text: &mut String, words: &str, first: &str, rest: &str, width: usize) {
    let mut line = first.to_owned();
    let mut empty = true;
    for word in words.split_whitespace() {
        if !empty && line.width() + 1 + word.width() > width {
            text.push_str(&line);
            text.push('\n');
            rest.clone_into(&mut line);
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line.push_str(word);
        empty = false;
    }
    text.push_str(&line);
    text.push('\n');
}
