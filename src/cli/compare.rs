//! `compare BEFORE AFTER`: has the repair worked?

use std::path::{Path, PathBuf};

use anyhow::bail;
use clap::ValueEnum;
use tonering::comparison::{Side, compare};
use tonering::diagnosis;
use tonering::report::comparison::{Comparison, html, json, markdown, text};
use tonering::report::json::Form;
use tonering::report::text::Layout;
use tonering::report::visit::found_by_comparing;
use tonering::signal::profile::Profile;
use tonering::trouble::Catalogue;

use super::case::{Case, Visit};
use super::console::Console;
use super::input;
use super::output::Output;
use super::vehicle::{self, Vehicle};

/// Compare a capture before a repair with one after it: what is gone, what stayed, what is new
///
/// Says whether the repair is proven, likely, not shown or not mended, why, and what must still be driven or read to be
/// sure. Best with the same drive on both sides and the codes read at its end.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(crate) struct Args {
    /// The capture before the repair and the one after it; - is standard input
    #[arg(
        value_names = ["BEFORE", "AFTER"],
        num_args = 2,
        required_unless_present_all = ["before", "after"],
        conflicts_with_all = ["before", "after"]
    )]
    pair: Vec<PathBuf>,
    /// Captures before the repair, where there are several
    #[arg(long, value_name = "CAPTURE", num_args = 1.., requires = "after")]
    before: Vec<PathBuf>,
    /// Captures after the repair, where there are several
    #[arg(long, value_name = "CAPTURE", num_args = 1.., requires = "before")]
    after: Vec<PathBuf>,
    /// How to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Vehicle profile: modules, wheels, where the signals are
    #[arg(long, value_name = "FILE")]
    profile: Option<PathBuf>,
    /// Keep the comparison and the hashes in this folder of one vehicle, and list what its earlier visits found
    #[arg(long, value_name = "DIR")]
    case: Option<PathBuf>,
    /// Exit status 1 when something in a capture could not be read
    #[arg(long)]
    strict: bool,
    /// Write to this file instead of standard output
    #[arg(long, value_name = "FILE")]
    output: Option<PathBuf>,
}

const EXAMPLES: &str = "\
Examples:
  tonering compare before.log after.log --profile car.yaml
  tonering compare before.log after.log --profile car.yaml \\
    --format html --output repair.html
  tonering compare before.log after.log --case my-car
  tonering compare --before monday.log tuesday.log --after friday.log";

/// How to print.
#[derive(Clone, Copy, Debug, Eq, PartialEq, ValueEnum)]
enum Format {
    /// For reading
    Text,
    /// For issue trackers and mail
    Markdown,
    /// One page to keep, print and hand over
    Html,
    /// For programs
    Json,
}

impl Args {
    /// The captures before and after.
    fn sides(&self) -> [&[PathBuf]; 2] {
        match self.pair.split_at_checked(1) {
            Some(sides) => sides.into(),
            None => [&self.before, &self.after],
        }
    }
}

pub(crate) fn run(args: &Args, console: Console) -> anyhow::Result<()> {
    let [before, after] = args.sides();
    let streams = before.iter().chain(after);
    if streams.filter(|path| *path == Path::new("-")).count() > 1 {
        bail!("standard input can be one of the captures, not both");
    }
    let profile = input::profile(args.profile.as_deref())?;
    let catalogue = Catalogue::embedded()?;
    let mut output = Output::open(args.output.as_deref())?;
    let case = args.case.as_deref().map(Case::open).transpose()?;
    let before = vehicle::read(before, &profile, console)?;
    let after = vehicle::read(after, &profile, console)?;
    let mut comparison = compared(&before, &after, &profile, &catalogue);
    if let Some(case) = &case {
        comparison.visits = case.earlier(comparison.vehicle.as_deref());
    }
    match args.format {
        Format::Text => {
            let layout = Layout {
                width: console.width,
                colour: console.colour && args.output.is_none(),
                unicode: console.unicode || args.output.is_some(),
            };
            text::write(&comparison, &mut output, layout)?;
        }
        Format::Markdown => markdown::write(&comparison, &mut output)?,
        Format::Html => html::write(&comparison, &mut output)?,
        Format::Json => json::write(&comparison, &mut output, Form::Lines)?,
    }
    if let Some(case) = case {
        keep(case, &comparison, [&before, &after], args)?;
    }
    output.finish()?;
    if args.strict && (before.damaged || after.damaged) {
        bail!("something in the captures could not be read, and --strict was asked for");
    }
    Ok(())
}

/// Keeps the visit in the case folder.
fn keep(
    case: Case,
    comparison: &Comparison,
    [before, after]: [&Vehicle; 2],
    args: &Args,
) -> anyhow::Result<()> {
    let mut page = Vec::new();
    html::write(comparison, &mut page)?;
    let mut object = Vec::new();
    json::write(comparison, &mut object, Form::Lines)?;
    let mut files = vec![("comparison.html", page), ("comparison.json", object)];
    if let Some(path) = &args.profile {
        files.push(("profile.yaml", input::text(path)?.into_bytes()));
    }
    case.keep(&Visit {
        kind: "comparison",
        program: &comparison.program,
        vehicle: comparison.vehicle.as_deref(),
        found: found_by_comparing(comparison),
        done: Vec::new(),
        captures: vehicle::named(&comparison.before, &before.hashes)
            .chain(vehicle::named(&comparison.after, &after.hashes))
            .collect(),
        files,
    })
}

fn compared(
    before: &Vehicle,
    after: &Vehicle,
    profile: &Profile,
    catalogue: &Catalogue,
) -> Comparison {
    let [measures_before, measures_after] =
        [before, after].map(|side| diagnosis::measures(&side.record));
    let [captures_before, captures_after] = [before, after].map(|side| {
        let mut lines = diagnosis::captures(&side.record);
        vehicle::add_hashes(&mut lines, &side.hashes);
        lines
    });
    let mut comparison = compare(
        concat!("tonering ", env!("CARGO_PKG_VERSION")),
        Some(profile.name.as_str()).filter(|name| !name.is_empty()),
        Side {
            record: &before.record,
            measures: &measures_before,
            captures: &captures_before,
        },
        Side {
            record: &after.record,
            measures: &measures_after,
            captures: &captures_after,
        },
        &|code, failure| catalogue.meaning(code, failure).to_string(),
    );
    comparison.plots = [
        diagnosis::plots(&before.record, &measures_before),
        diagnosis::plots(&after.record, &measures_after),
    ];
    comparison
}
