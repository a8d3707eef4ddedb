//! The command line program. Everything left of the person is in the library; see `cli`.

mod cli;

use std::process::ExitCode;

fn main() -> ExitCode {
    cli::run(std::env::args_os())
}
