//! `explain WHAT`: teaches what a code is.

use std::io::Write as _;
use std::path::PathBuf;

use anyhow::Context as _;
use tonering::trouble::Code;

use super::console::Console;
use super::output::Output;

/// Explain a trouble code
#[derive(Debug, clap::Args)]
pub(crate) struct Args {
    /// A trouble code such as C0031
    what: String,
    /// Write to this file instead of standard output
    #[arg(long, value_name = "FILE")]
    output: Option<PathBuf>,
}

pub(crate) fn run(args: &Args, console: Console) -> anyhow::Result<()> {
    let code: Code = args.what.parse().context("nothing to explain")?;
    let mut output = Output::open(args.output.as_deref())?;
    let dash = if console.unicode { '–' } else { '-' };
    let system = code.system().words();
    writeln!(output, "{code} {dash} a {system} trouble code")?;
    output.finish()
}
