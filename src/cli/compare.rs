//! `compare BEFORE AFTER`: has the repair worked?

use std::path::{Path, PathBuf};

use anyhow::bail;
use clap::ValueEnum;
use tonering::comparison::{Side, compare};
use tonering::diagnosis;
use tonering::report::comparison::{Comparison, json, markdown, text};
use tonering::report::json::Form;
use tonering::report::text::Layout;
use tonering::signal::profile::Profile;
use tonering::trouble::Catalogue;
use tonering::vehicle::{Record, Recorder};

use super::console::Console;
use super::input;
use super::output::Output;

/// Compare a capture before a repair with one after it: what is gone, what stayed, what is new
#[derive(Debug, clap::Args)]
pub(crate) struct Args {
    /// Capture before the repair; `-` is standard input
    before: PathBuf,
    /// Capture after the repair, best of the same drive, with the codes read at its end
    after: PathBuf,
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

/// How to print.
#[derive(Clone, Copy, Debug, Eq, PartialEq, ValueEnum)]
enum Format {
    /// For reading
    Text,
    /// For issue trackers and mail
    Markdown,
    /// For programs
    Json,
}

pub(crate) fn run(args: &Args, console: Console) -> anyhow::Result<()> {
    if [&args.before, &args.after].map(PathBuf::as_path) == [Path::new("-"); 2] {
        bail!("standard input can be one of the captures, not both");
    }
    let profile = input::profile(args.profile.as_deref())?;
    let catalogue = Catalogue::embedded()?;
    let mut output = Output::open(args.output.as_deref())?;
    let (before, before_whole) = read(&args.before, &profile, console)?;
    let (after, after_whole) = read(&args.after, &profile, console)?;
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
        Format::Json => json::write(&comparison, &mut output, Form::Lines)?,
    }
    output.finish()?;
    if args.strict && !(before_whole && after_whole) {
        bail!("something in the captures could not be read, and --strict was asked for");
    }
    Ok(())
}

/// The record of a capture, and whether nothing of it was lost.
fn read(path: &Path, profile: &Profile, console: Console) -> anyhow::Result<(Record, bool)> {
    let mut capture = input::capture(path)?;
    let mut recorder = Recorder::new(profile.clone());
    let whole = input::each_item(&mut capture, console, |item| {
        recorder.push(item);
        Ok(())
    })?;
    recorder.end_capture(capture.name(), capture.kind(), capture.tally());
    let lost = input::tell_damage(capture.name(), capture.tally());
    Ok((recorder.finish(), whole && !lost))
}

fn compared(
    before: &Record,
    after: &Record,
    profile: &Profile,
    catalogue: &Catalogue,
) -> Comparison {
    let measures = [before, after].map(diagnosis::measures);
    let captures = [before, after].map(diagnosis::captures);
    let [measures_before, measures_after] = &measures;
    let [captures_before, captures_after] = &captures;
    compare(
        concat!("tonering ", env!("CARGO_PKG_VERSION")),
        Some(profile.name.as_str()).filter(|name| !name.is_empty()),
        Side {
            record: before,
            measures: measures_before,
            captures: captures_before,
        },
        Side {
            record: after,
            measures: measures_after,
            captures: captures_after,
        },
        &|code, failure| catalogue.meaning(code, failure).to_string(),
    )
}
