//! `live LINK`: the main job on a CAN link, while it happens.
//!
//! [`listen`] holds the loop: it hears from a [`source`], records and shows. A listener's source is an `Ear`, which has no way to
//! send; what asks is another source. Judging and writing to
//! the terminal are threads of their own ([`judge`], [`show`]), so that nothing keeps the loop from hearing. [`replay`] is the
//! only part here that sends: it plays a capture onto a bench link.

#[cfg(target_os = "linux")]
mod asking;
mod duration;
#[cfg(target_os = "linux")]
mod judge;
#[cfg(target_os = "linux")]
mod listen;
#[cfg(target_os = "linux")]
mod recording;
#[cfg(target_os = "linux")]
mod replay;
#[cfg(target_os = "linux")]
mod show;
#[cfg(target_os = "linux")]
mod source;

use std::path::PathBuf;
use std::time::Duration;

use super::basis::BasisArgs;
use super::console::Console;

/// Listen to a CAN link: modules, codes, wheels and likely causes as they come
///
/// Only listens, unless --ask, --seek or --replay is given: nothing is sent. The adapter itself still acknowledges what others send, as every
/// node does, unless the link was set up with listen-only on. On a terminal one picture is drawn anew in place; in a pipe a
/// line tells each change.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(crate) struct Args {
    /// CAN interface of Linux (SocketCAN), such as can0
    #[arg(value_name = "LINK")]
    link: String,
    /// Stop by itself after this time: 90s, 10min, 2h
    #[arg(long = "for", value_name = "DURATION", value_parser = duration::duration)]
    limit: Option<Duration>,
    /// Keep every frame in this file: candump text, or pcapng where it ends in .pcapng; never overwrites
    #[arg(long, value_name = "FILE", conflicts_with = "replay")]
    record: Option<PathBuf>,
    /// Begin a new file, with the next number, at this size: 100MB
    #[arg(long, value_name = "SIZE", requires = "record", value_parser = duration::size)]
    rotate_size: Option<u64>,
    /// Begin a new file, with the next number, after this time: 10min
    #[arg(long, value_name = "DURATION", requires = "record", value_parser = duration::duration)]
    rotate_time: Option<Duration>,
    #[command(flatten)]
    by: BasisArgs,
    /// Write a report in this form at the end; lines of changes then go to standard error
    #[arg(long, value_enum, conflicts_with = "replay")]
    format: Option<Format>,
    /// Write the report to this file instead of standard output; as text unless --format is given
    #[arg(long, value_name = "FILE", conflicts_with = "replay")]
    output: Option<PathBuf>,
    /// Ask, too: a read-only survey of codes and the profile's signals (docs/asking.md)
    #[arg(long, conflicts_with = "replay")]
    ask: bool,
    /// How often each of the profile's signals is asked for, rounds a second; 0 for not at all
    #[arg(long, value_name = "HZ", requires = "ask", default_value_t = 5.0)]
    rate: f64,
    /// Look for modules: "tester present" to one physical address after the other, 11-bit ones unless said otherwise
    #[arg(long, value_name = "ADDRESSES", value_enum, num_args = 0..=1, require_equals = true, default_missing_value = "short", conflicts_with_all = ["ask", "replay", "format", "output"])]
    seek: Option<Addresses>,
    /// Play this capture onto the link with its own timing, for a lesson. For a bench link, never for a vehicle
    #[arg(long, value_name = "CAPTURE")]
    replay: Option<PathBuf>,
    /// Play it faster or slower: 2 is twice as fast
    #[arg(long, value_name = "FACTOR", requires = "replay", default_value = "1", value_parser = duration::factor)]
    speed: f64,
    /// Shorten pauses in the capture to this
    #[arg(long, value_name = "DURATION", requires = "replay", value_parser = duration::duration)]
    longest_pause: Option<Duration>,
    /// Which bus of the capture is played, where it holds several
    #[arg(long, value_name = "NAME", requires = "replay")]
    bus: Option<String>,
    /// Play it although others talk on the link
    #[arg(long, requires = "replay")]
    among_others: bool,
}

const EXAMPLES: &str = "\
Examples:
  tonering live can0 --profile car.yaml
  tonering live can0 --ask --profile car.yaml
  tonering live can0 --seek
  tonering live can0 --record drive.log --rotate-size 100MB
  tonering live can0 --for 10min --format json --output report.json
  tonering live vcan0 --replay drive.log

Bring the link up first, with the bit rate of the bus (docs/live.md):
  ip link set can0 up type can bitrate 500000 listen-only on

Brakes can kill, and so can a driver who looks at a screen: a second person watches it.";

/// Which addresses are looked through.
#[derive(Clone, Copy, Debug, Eq, PartialEq, clap::ValueEnum)]
enum Addresses {
    /// 11-bit: 0x700 to 0x7F7
    Short,
    /// 29-bit: 0x18DAxxF1
    Long,
    /// Both
    Both,
}

/// Form of the report at the end.
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
}

#[cfg(target_os = "linux")]
pub(crate) fn run(args: &Args, console: Console) -> anyhow::Result<()> {
    match &args.replay {
        Some(capture) => replay::run(args, capture),
        None if args.ask || args.seek.is_some() => asking::run(args, console),
        None => listen::run(args, console),
    }
}

#[cfg(not(target_os = "linux"))]
pub(crate) fn run(args: &Args, _: Console) -> anyhow::Result<()> {
    anyhow::bail!(
        "{}: live needs the CAN interfaces of Linux (SocketCAN); record on a Linux machine and diagnose the recording here",
        args.link
    )
}
