//! The edge: one file for each command, which turns what was typed into settings, wires the stages and picks a
//! printer. Files, clocks and the terminal are met here and nowhere else.

mod basis;
mod case;
mod clear;
mod compare;
mod console;
mod decode;
mod diagnose;
mod dialogue;
mod drill;
mod each;
mod ending;
mod explain;
mod hash;
mod input;
mod link;
mod live;
mod network;
mod notes_file;
mod output;
mod rig;
mod rules;
mod rules_try;
#[cfg(test)]
mod shipped;
mod tables;
mod vehicle;
mod wheels;
mod wrap;

use std::ffi::OsString;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

use self::console::Console;

/// From a capture of a car with its ABS lamp lit to ranked causes, the next check, and proof of the repair.
#[derive(Debug, Parser)]
#[command(
    version,
    about,
    max_term_width = 110,
    subcommand_required = true,
    arg_required_else_help = true,
    after_help = AFTER_HELP
)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

const AFTER_HELP: &str = "\
Brakes can kill. What this program says is a help to think with, not a release to drive: the vehicle maker's \
instructions, local rules and licensed practice come first.

Examples:
  tonering diagnose drive.log --profile car.yaml
  tonering compare before.log after.log --profile car.yaml
  tonering explain C0034-13

Exit status: 0 a result was made; 1 it could not be made; 2 wrong usage.";

/// One entry for each command; each has its own file with `Args` and `run(&Args, Console) -> anyhow::Result<()>`.
#[derive(Debug, Subcommand)]
enum Command {
    Clear(clear::Args),
    Compare(compare::Args),
    Diagnose(diagnose::Args),
    Decode(decode::Args),
    Drill(drill::Args),
    Explain(explain::Args),
    Live(live::Args),
    Rig(rig::Args),
    Rules(rules::Args),
    Wheels(wheels::Args),
}

/// Runs the program with these arguments, the program's name first.
pub(crate) fn run(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let arguments = match Arguments::try_parse_from(arguments) {
        Ok(arguments) => arguments,
        Err(error) => {
            // Help and version are not errors; their text goes to standard output.
            let code = if error.use_stderr() { 2 } else { 0 };
            return match error.print() {
                Err(failed) if failed.kind() != std::io::ErrorKind::BrokenPipe => ExitCode::FAILURE,
                _ => ExitCode::from(code),
            };
        }
    };
    let console = Console::detect();
    let result: anyhow::Result<()> = match arguments.command {
        Command::Clear(args) => clear::run(&args),
        Command::Compare(args) => compare::run(&args, console),
        Command::Diagnose(args) => diagnose::run(&args, console),
        Command::Decode(args) => decode::run(&args, console),
        Command::Drill(args) => drill::run(&args, console),
        Command::Explain(args) => explain::run(&args, console),
        Command::Live(args) => live::run(&args, console),
        Command::Rig(args) => rig::run(&args),
        Command::Rules(args) => rules::run(&args, console),
        Command::Wheels(args) => wheels::run(&args, console),
    };
    ending::settle();
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) if is_broken_pipe(&error) => ExitCode::SUCCESS,
        Err(error) => {
            console::remark(&format!("{error:#}"));
            ExitCode::FAILURE
        }
    }
}

/// Whether the reader of the output went away, which is its right.
fn is_broken_pipe(error: &anyhow::Error) -> bool {
    error.chain().any(|cause| {
        cause
            .downcast_ref::<std::io::Error>()
            .is_some_and(|io| io.kind() == std::io::ErrorKind::BrokenPipe)
    })
}
