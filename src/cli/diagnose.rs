//! `diagnose CAPTURE…`: the main job. Ranked causes with evidence, next checks, cautions.

use std::num::NonZero;
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use tonering::diagnosis::{self, Means};
use tonering::evidence::Grounds;
use tonering::notes::Notes;
use tonering::report::{self, Report};
use tonering::rules::{RuleText, Rules, Work, fingerprint};
use tonering::signal::profile::Profile;
use tonering::trouble::{Catalogue, YamlText};

use super::case::{Case, Visit};
use super::console::{Console, remark};
use super::each::{self, Each};
use super::input;
use super::output::Output;
use super::vehicle::{self, Vehicle};

/// Find the likely causes of a lit ABS lamp from captures of one vehicle
///
/// Reads the captures, weighs codes, wheel-speed signals, voltages and what was checked by hand, and says what most
/// likely lit the lamp, what speaks for and against it, and what to check next.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(crate) struct Args {
    /// Captures of one vehicle: candump text, pcap, pcapng or MDF 4, also gzip or zstd; - is standard input. With --each
    /// also folders of captures
    #[arg(required = true, value_name = "CAPTURE")]
    captures: Vec<PathBuf>,
    /// Vehicle profile (YAML): modules, wheels, where the signals are
    #[arg(long, value_name = "FILE")]
    profile: Option<PathBuf>,
    /// Inspection notes (YAML): what was checked by hand
    #[arg(long, value_name = "FILE")]
    notes: Option<PathBuf>,
    /// Folder with rules (YAML) that add to the built-in ones or replace them
    #[arg(long, value_name = "DIR")]
    rules: Vec<PathBuf>,
    /// Who does the work: checks and repairs beyond that are not proposed, or cost more
    #[arg(long, value_enum, default_value_t = Can::Home)]
    can: Can,
    /// What an hour of work costs, in the currency of the rules
    #[arg(long, value_name = "MONEY", default_value_t = 30.0)]
    hourly_rate: f64,
    /// Diagnose each capture on its own, on all cores: one JSON object a line
    #[arg(long, conflicts_with = "case")]
    each: bool,
    /// Take up what an earlier run of the same --each and --output has finished
    #[arg(long, requires_all = ["each", "output"])]
    resume: bool,
    /// How many captures at a time with --each: as many as there are cores unless a number is given
    #[arg(long, value_name = "NUMBER", requires = "each")]
    jobs: Option<NonZero<usize>>,
    /// Form of the result: text, or json with --each, unless another is named
    #[arg(long, value_enum)]
    format: Option<Format>,
    /// Table of --format csv: codes unless another is named
    #[arg(long, value_enum)]
    table: Option<Table>,
    /// Write to this file instead of standard output; it appears when it is whole
    #[arg(long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Keep report, notes and hashes in this folder of one vehicle, and list what its earlier visits found
    #[arg(long, value_name = "DIR")]
    case: Option<PathBuf>,
    /// Fail with status 1 when a part of a capture could not be read
    #[arg(long)]
    strict: bool,
}

const EXAMPLES: &str = "\
Examples:
  tonering diagnose drive.log
  tonering diagnose drive.log --profile car.yaml --notes checks.yaml
  tonering diagnose drive.pcapng --format html --output report.html
  tonering diagnose drive.log --notes checks.yaml --case my-car
  tonering diagnose drive.log --format csv --table checks
  tonering diagnose --each recordings --output fleet.jsonl --resume
  candump -L can0 | tonering diagnose -";

/// Who does the work.
#[derive(Clone, Copy, Debug, Eq, PartialEq, clap::ValueEnum)]
enum Can {
    /// A careful person at home
    Home,
    /// A workshop
    Workshop,
}

/// Form of the result.
#[derive(Clone, Copy, Debug, Eq, PartialEq, clap::ValueEnum)]
enum Format {
    /// For a terminal
    Text,
    /// For issue trackers and e-mail
    Markdown,
    /// One page to keep, print and hand over
    Html,
    /// For programs: docs/formats.md
    Json,
    /// One table for a spreadsheet: --table
    Csv,
}

/// Which table of CSV.
#[derive(Clone, Copy, Debug, Eq, PartialEq, clap::ValueEnum)]
enum Table {
    /// The trouble codes
    Codes,
    /// The next checks, with an empty column for the result
    Checks,
    /// The causes by falling probability
    Causes,
}

impl From<Table> for report::csv::Table {
    fn from(table: Table) -> Self {
        match table {
            Table::Codes => Self::Codes,
            Table::Checks => Self::Checks,
            Table::Causes => Self::Causes,
        }
    }
}

/// What every capture is judged by.
struct Basis {
    profile: Profile,
    rules: Rules,
    catalogue: Catalogue,
    notes: Notes,
    means: Means,
    /// The rules in words, for the report.
    in_force: Vec<String>,
}

impl Basis {
    /// SHA-256 over all of it: what decides, beside the captures, what comes out.
    fn fingerprint(&self) -> String {
        let Means {
            work,
            hourly_rate,
            most,
        } = self.means;
        let texts = [
            ("profile", self.profile.to_yaml()),
            ("notes", self.notes.write(&self.rules)),
            ("rules", self.in_force.join("\n")),
            ("means", format!("{} {hourly_rate} {most}", work.id())),
        ];
        fingerprint(texts.iter().map(|(name, text)| RuleText { name, text }))
    }
}

pub(crate) fn run(args: &Args, console: Console) -> anyhow::Result<()> {
    if args.table.is_some() && args.format != Some(Format::Csv) {
        anyhow::bail!("--table is for --format csv");
    }
    let basis = basis(args)?;
    if args.each {
        return run_each(args, &basis, console);
    }
    let mut output = Output::open(args.output.as_deref())?;
    let case = args.case.as_deref().map(Case::open).transpose()?;
    let (mut report, read) = one(&args.captures, &basis, console, &mut remark, &|| Ok(()))?;
    if let Some(case) = &case {
        report.visits = case.earlier(report.vehicle.as_deref());
    }
    print(&report, args, console, &mut output)?;
    let damaged = read.damaged;
    if let Some(case) = case {
        keep(case, &report, &read, args, &basis)?;
    }
    output.finish()?;
    if args.strict && damaged {
        anyhow::bail!("a part of the captures could not be read, and --strict was given");
    }
    Ok(())
}

/// Each capture on its own.
fn run_each(args: &Args, basis: &Basis, console: Console) -> anyhow::Result<()> {
    if !matches!(args.format, None | Some(Format::Json)) {
        anyhow::bail!("--each gives one JSON object a line: --format json, or none");
    }
    let each = Each {
        captures: &args.captures,
        output: args.output.as_deref(),
        resume: args.resume,
        jobs: args.jobs,
        strict: args.strict,
        basis: &basis.fingerprint(),
    };
    // Progress is counted in captures, not in the bytes of one.
    let quiet = Console {
        progress: false,
        ..console
    };
    each::run(&each, console, &|path, tell, go_on| {
        let (report, read) = one(&[path.to_owned()], basis, quiet, tell, go_on)?;
        Ok((report, read.damaged))
    })
}

/// Reads captures as one vehicle's and reports; true when something was lost.
fn one(
    paths: &[PathBuf],
    basis: &Basis,
    console: Console,
    tell: &mut dyn FnMut(&str),
    go_on: &dyn Fn() -> anyhow::Result<()>,
) -> anyhow::Result<(Report, Vehicle)> {
    let read = vehicle::read_told(paths, &basis.profile, console, tell, go_on)?;
    let measures = diagnosis::measures(&read.record);
    let grounds = Grounds {
        rules: &basis.rules,
        catalogue: &basis.catalogue,
        record: &read.record,
        measures: &measures,
        notes: &basis.notes,
    };
    let found = diagnosis::diagnose(&grounds);
    let mut report = diagnosis::report(&grounds, &found, &basis.profile.name, &basis.means);
    vehicle::add_hashes(&mut report.captures, &read.hashes);
    report.rules.clone_from(&basis.in_force);
    Ok((report, read))
}

/// Keeps the visit in the case folder.
fn keep(
    case: Case,
    report: &Report,
    read: &Vehicle,
    args: &Args,
    basis: &Basis,
) -> anyhow::Result<()> {
    let mut html = Vec::new();
    report::html::write(report, &mut html)?;
    let mut json = Vec::new();
    report::json::write(report, &mut json, report::json::Form::Lines)?;
    let mut files = vec![("report.html", html), ("report.json", json)];
    for (name, path) in [("notes.yaml", &args.notes), ("profile.yaml", &args.profile)] {
        if let Some(path) = path {
            files.push((name, input::text(path)?.into_bytes()));
        }
    }
    case.keep(&Visit {
        kind: "diagnosis",
        program: &report.program,
        vehicle: report.vehicle.as_deref(),
        found: report::visit::found(report),
        done: diagnosis::done(&basis.notes, &basis.rules),
        captures: vehicle::named(&report.captures, &read.hashes).collect(),
        files,
    })
}

fn print(
    report: &Report,
    args: &Args,
    console: Console,
    output: &mut Output,
) -> anyhow::Result<()> {
    match args.format.unwrap_or(Format::Text) {
        Format::Text => {
            let layout = report::text::Layout {
                width: console.width,
                colour: console.colour && args.output.is_none(),
                unicode: console.unicode,
            };
            report::text::write(report, output, layout)?;
        }
        Format::Markdown => report::markdown::write(report, output)?,
        Format::Html => report::html::write(report, output)?,
        Format::Json => report::json::write(report, output, report::json::Form::Lines)?,
        Format::Csv => {
            let table = args.table.unwrap_or(Table::Codes);
            report::csv::write(report, output, table.into())?;
        }
    }
    Ok(())
}

fn basis(args: &Args) -> anyhow::Result<Basis> {
    let own = own_rules(&args.rules)?;
    let is_rules = |text: &str| text.lines().any(|line| line.starts_with("rules:"));
    let texts: Vec<RuleText<'_>> = own
        .iter()
        .filter(|(_, text)| is_rules(text))
        .map(|(name, text)| RuleText { name, text })
        .collect();
    let lists: Vec<YamlText<'_>> = own
        .iter()
        .filter(|(_, text)| !is_rules(text))
        .map(|(name, text)| YamlText { name, text })
        .collect();
    let rules = Rules::load(&texts)?;
    let catalogue = Catalogue::load(&lists)?;
    let notes = match &args.notes {
        Some(path) => Notes::parse(&input::text(path)?, &path.display().to_string(), &rules)?,
        None => Notes::default(),
    };
    if !(args.hourly_rate.is_finite() && args.hourly_rate > 0.0) {
        anyhow::bail!(
            "--hourly-rate {}: must be a positive number",
            args.hourly_rate
        );
    }
    let means = Means {
        work: match args.can {
            Can::Home => Work::Home,
            Can::Workshop => Work::Workshop,
        },
        hourly_rate: args.hourly_rate,
        ..Means::default()
    };
    Ok(Basis {
        profile: input::profile(args.profile.as_deref())?,
        rules,
        catalogue,
        notes,
        means,
        in_force: in_force(&own, args.rules.len()),
    })
}

/// The rules in words: the built-in ones, and the files laid over them.
fn in_force(own: &[(String, String)], folders: usize) -> Vec<String> {
    let lists = Catalogue::built_in_files().map(|list| RuleText {
        name: list.name,
        text: list.text,
    });
    let built_in = fingerprint(Rules::built_in_files().chain(lists));
    let mut lines = vec![format!(
        "built-in, {}, SHA-256 {built_in}",
        concat!("tonering ", env!("CARGO_PKG_VERSION"))
    )];
    if folders > 0 {
        // A folder that was moved holds the same rules: only the file's own name counts.
        let files = own.iter().map(|(name, text)| RuleText {
            name: Path::new(name)
                .file_name()
                .and_then(|name| name.to_str())
                .unwrap_or(name),
            text,
        });
        let names: Vec<&str> = own.iter().map(|(name, _)| name.as_str()).collect();
        lines.push(format!(
            "{}, SHA-256 {}",
            names.join(", "),
            fingerprint(files)
        ));
    }
    lines
}

/// The YAML files of the rule folders, by name.
pub(super) fn own_rules(folders: &[PathBuf]) -> anyhow::Result<Vec<(String, String)>> {
    let mut own = Vec::new();
    for folder in folders {
        let files = input::yaml_files(folder)?;
        if files.is_empty() {
            let shown: &Path = folder;
            anyhow::bail!("{}: holds no .yaml file with rules", shown.display());
        }
        for file in files {
            let text = input::text(&file).context("a rules file")?;
            own.push((file.display().to_string(), text));
        }
    }
    Ok(own)
}
