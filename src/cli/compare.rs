//! `compare BEFORE AFTER`: has the repair worked?

use std::path::{Path, PathBuf};

use anyhow::bail;
use clap::ValueEnum;
use tonering::comparison::{Side, compare};
use tonering::diagnosis;
use tonering::report::comparison::{Comparison, html, json, markdown, text};
use tonering::report::json::Form;
use tonering::report::text::Layout;
use tonering::signal::profile::Profile;
use tonering::trouble::Catalogue;

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
  tonering compare before.log after.log --profile car.yaml --format html --output repair.html
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
    let before = vehicle::read(before, &profile, console)?;
    let after = vehicle::read(after, &profile, console)?;
    let comparison = compared(&before, &after, &profile, &catalogue);
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
    output.finish()?;
    if args.strict && (before.damaged || after.damaged) {
        bail!("something in the captures could not be read, and --strict was asked for");
    }
    Ok(())
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
    compare(
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
    )
}
