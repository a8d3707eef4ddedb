//! `diagnose CAPTURE…`: the main job. Ranked causes with evidence, next checks, cautions.

use std::num::NonZero;
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use tonering::diagnosis;
use tonering::report::{self, Report};

use super::basis::{Basis, BasisArgs};
use super::case::{Case, Visit};
use super::console::{Console, remark};
use super::dialogue::{self, Dialogue};
use super::each::{self, Each};
use super::input;
use super::output::Output;
use super::tables::TableFolder;
use super::vehicle::{self, Vehicle};

/// Find the likely causes of a lit ABS lamp from captures of one vehicle
///
/// Reads the captures, weighs codes, wheel-speed signals, voltages and what was checked by hand, and says what most
/// likely lit the lamp, what speaks for and against it, and what to check next.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
#[expect(
    clippy::struct_excessive_bools,
    reason = "one for each option that is given or not"
)]
pub(crate) struct Args {
    /// Captures of one vehicle: candump text, pcap, pcapng or MDF 4, also gzip or zstd; - is standard input. With --each
    /// also folders of captures
    #[arg(required = true, value_name = "CAPTURE")]
    captures: Vec<PathBuf>,
    #[command(flatten)]
    by: BasisArgs,
    /// Diagnose each capture on its own, on all cores: one JSON object a line
    #[arg(long, conflicts_with = "case")]
    each: bool,
    /// Take up what an earlier run of the same --each and --output has finished
    #[arg(long, requires_all = ["each", "output"])]
    resume: bool,
    /// How many captures at a time with --each: as many as there are cores unless a number is given
    #[arg(long, value_name = "NUMBER", requires = "each")]
    jobs: Option<NonZero<usize>>,
    /// Explain why a cause has its probability: the arithmetic, the rivals, what would change the order
    ///
    /// CAUSE is an identifier of the report or its number there; PLACE a wheel or an axle, such as
    /// sensor-circuit@left-front. Without a place the likeliest one is meant. May be given several times.
    #[arg(long, value_name = "CAUSE[@PLACE]", conflicts_with_all = ["each", "case", "table"])]
    why: Vec<String>,
    /// Walk through the checks: propose the next one, take its result, show what that moves, save it in --notes
    ///
    /// Reads answers from standard input, line by line. The file of notes is made when it is not there. With
    /// --output or --case the report is written at the end.
    #[arg(long, requires = "notes", conflicts_with_all = ["each", "why"])]
    ask: bool,
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
  tonering diagnose drive.log --profile car.yaml --why sensor-circuit@left-front
  tonering diagnose drive.log --profile car.yaml --notes checks.yaml --ask
  tonering diagnose drive.log --notes checks.yaml --case my-car
  tonering diagnose drive.log --format csv --table checks
  tonering diagnose --each recordings --output fleet.jsonl --resume
  candump -L can0 | tonering diagnose -";

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
    /// A folder of tables to query: docs/fleet.md
    Parquet,
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

pub(crate) fn run(args: &Args, console: Console) -> anyhow::Result<()> {
    if args.table.is_some() && args.format != Some(Format::Csv) {
        anyhow::bail!("--table is for --format csv");
    }
    if !args.why.is_empty()
        && matches!(
            args.format,
            Some(Format::Html | Format::Csv | Format::Parquet)
        )
    {
        anyhow::bail!("--why is for --format text, markdown or json");
    }
    if args.ask && args.captures.iter().any(|path| path == Path::new("-")) {
        anyhow::bail!("--ask reads the answers from standard input: name a file instead of -");
    }
    if args.ask && args.format == Some(Format::Parquet) {
        anyhow::bail!("--ask is a talk: --format parquet is for what comes after it");
    }
    let basis = if args.ask {
        args.by.read_with_new_notes()?
    } else {
        args.by.read()?
    };
    let mut basis = basis.drawn(args.format == Some(Format::Html) || args.case.is_some());
    if args.ask {
        return ask(args, &mut basis, console);
    }
    if args.each {
        return run_each(args, &basis, console);
    }
    if !args.why.is_empty() {
        let mut output = Output::open(args.output.as_deref())?;
        let damaged = why(args, &basis, console, &mut output)?;
        output.finish()?;
        return strict(args, damaged);
    }
    let mut output = Sink::open(args)?;
    let case = args.case.as_deref().map(Case::open).transpose()?;
    let (mut report, read) = one(&args.captures, &basis, console, &mut remark, &|| Ok(()))?;
    if let Some(case) = &case {
        report.visits = case.earlier(report.vehicle.as_deref());
    }
    match &mut output {
        Sink::Print(output) => print(&report, args, console, output)?,
        Sink::Tables(tables) => {
            let mut json = Vec::new();
            report::json::write(&report, &mut json, report::json::Form::OneLine)?;
            tables.push(&json)?;
        }
    }
    let damaged = read.damaged;
    if let Some(case) = case {
        keep(case, &report, &read, args, &basis)?;
    }
    output.finish()?;
    strict(args, damaged)
}

/// A part that could not be read is a failure where `--strict` says so.
fn strict(args: &Args, damaged: bool) -> anyhow::Result<()> {
    if args.strict && damaged {
        anyhow::bail!("a part of the captures could not be read, and --strict was given");
    }
    Ok(())
}

/// Where a report goes.
enum Sink {
    Print(Output),
    Tables(TableFolder),
}

impl Sink {
    fn open(args: &Args) -> anyhow::Result<Self> {
        let output = args.output.as_deref();
        Ok(match args.format {
            Some(Format::Parquet) => Self::Tables(TableFolder::open(output)?),
            _ => Self::Print(Output::open(output)?),
        })
    }

    fn finish(self) -> anyhow::Result<()> {
        match self {
            Self::Print(output) => output.finish(),
            Self::Tables(tables) => tables.finish(),
        }
    }
}

/// Each capture on its own.
fn run_each(args: &Args, basis: &Basis, console: Console) -> anyhow::Result<()> {
    if !matches!(args.format, None | Some(Format::Json | Format::Parquet)) {
        anyhow::bail!(
            "--each gives one JSON object a line (--format json) or tables (--format parquet)"
        );
    }
    let each = Each {
        captures: &args.captures,
        output: args.output.as_deref(),
        resume: args.resume,
        jobs: args.jobs,
        strict: args.strict,
        parquet: args.format == Some(Format::Parquet),
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
    let report = one_report(&read, basis);
    Ok((report, read))
}

/// The report on what was read.
fn one_report(read: &Vehicle, basis: &Basis) -> Report {
    let mut report = basis.report(&read.record);
    vehicle::add_hashes(&mut report.captures, &read.hashes);
    report
}

/// Walks through the checks, then writes the report where one was asked for.
fn ask(args: &Args, basis: &mut Basis, console: Console) -> anyhow::Result<()> {
    let Some(path) = args.by.notes.as_deref() else {
        anyhow::bail!("--ask needs --notes FILE, where the answers are kept");
    };
    let output = args
        .output
        .as_deref()
        .map(|path| Output::open(Some(path)))
        .transpose()?;
    let case = args.case.as_deref().map(Case::open).transpose()?;
    let read = vehicle::read(&args.captures, &basis.profile, console)?;
    let measures = diagnosis::measures(&read.record);
    let dialogue = Dialogue {
        grounds: basis.grounds(&read.record, &measures),
        vehicle: &basis.profile.name,
        means: basis.means,
        layout: report::text::Layout {
            width: console.width,
            colour: console.colour,
            unicode: console.unicode,
        },
        compare: compare_command(args),
    };
    let notes = dialogue::run(&dialogue, path, &mut std::io::stdout())?;
    basis.notes = notes;
    if output.is_some() || case.is_some() {
        let mut report = one_report(&read, basis);
        if let Some(case) = &case {
            report.visits = case.earlier(report.vehicle.as_deref());
        }
        if let Some(mut output) = output {
            print(&report, args, console, &mut output)?;
            output.finish()?;
        }
        if let Some(case) = case {
            keep(case, &report, &read, args, basis)?;
        }
    }
    strict(args, read.damaged)
}

/// The command that compares with a recording after the repair.
fn compare_command(args: &Args) -> String {
    let quoted = |path: &Path| {
        let name = path.display().to_string();
        if name.contains(char::is_whitespace) {
            format!("'{name}'")
        } else {
            name
        }
    };
    let captures: Vec<String> = args.captures.iter().map(|path| quoted(path)).collect();
    let mut command = match captures.as_slice() {
        [one] => format!("tonering compare {one} AFTER"),
        _ => format!(
            "tonering compare --before {} --after AFTER",
            captures.join(" ")
        ),
    };
    if let Some(profile) = &args.by.profile {
        command.push_str(" --profile ");
        command.push_str(&quoted(profile));
    }
    command
}

/// Writes the arithmetic of the causes that were asked for; true when something was lost.
fn why(args: &Args, basis: &Basis, console: Console, output: &mut Output) -> anyhow::Result<bool> {
    let read = vehicle::read(&args.captures, &basis.profile, console)?;
    let measures = diagnosis::measures(&read.record);
    let grounds = basis.grounds(&read.record, &measures);
    let (found, report) = basis.judge(&grounds);
    let mut whys = Vec::new();
    for wanted in &args.why {
        let cause = found
            .find(wanted)
            .with_context(|| format!("--why {wanted}"))?;
        whys.extend(diagnosis::why(&grounds, &found, &basis.means, cause));
    }
    match args.format.unwrap_or(Format::Text) {
        Format::Markdown => report::why::markdown::write(&report, &whys, output)?,
        Format::Json => {
            let ranking = diagnosis::basis(&found);
            report::why::json::write(&report, &whys, &ranking, output, report::json::Form::Lines)?;
        }
        Format::Text | Format::Html | Format::Csv | Format::Parquet => {
            report::why::text::write(&report, &whys, output, layout(args, console))?;
        }
    }
    Ok(read.damaged)
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
    for (name, path) in [
        ("notes.yaml", &args.by.notes),
        ("profile.yaml", &args.by.profile),
    ] {
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
            report::text::write(report, output, layout(args, console))?;
        }
        Format::Markdown => report::markdown::write(report, output)?,
        Format::Html => report::html::write(report, output)?,
        // Tables are written elsewhere.
        Format::Json | Format::Parquet => {
            report::json::write(report, output, report::json::Form::Lines)?;
        }
        Format::Csv => {
            let table = args.table.unwrap_or(Table::Codes);
            report::csv::write(report, output, table.into())?;
        }
    }
    Ok(())
}

/// What the reader of the text can see.
const fn layout(args: &Args, console: Console) -> report::text::Layout {
    report::text::Layout {
        width: console.width,
        colour: console.colour && args.output.is_none(),
        unicode: console.unicode,
    }
}
