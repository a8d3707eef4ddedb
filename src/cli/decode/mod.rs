//! `decode CAPTURE…`: every diagnostic message in order, with what it says.
//!
//! Messages stream: nothing is kept but the last request to each address, which answers with several identifiers need.

mod csv;
pub(super) mod json;
mod lines;
mod requests;
pub(super) mod text;

use std::io::Write as _;
use std::path::PathBuf;

use anyhow::bail;
use clap::ValueEnum;
use tonering::capture::Item;
use tonering::frame::Channels;
use tonering::service::{Context, Families, Family};
use tonering::signal::profile::{Profile, Protocol};
use tonering::transport::{Address, Control, Message, Observer, Pace};
use tonering::trouble::Catalogue;

pub(super) use self::lines::Lines;
pub(super) use self::requests::Requests;
use super::console::Console;
use super::input::{self, Step};
use super::output::Output;

/// Show every diagnostic message of a capture, decoded
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(crate) struct Args {
    /// Captures: candump text, pcap, pcapng, MDF 4; `-` is standard input
    #[arg(required = true, value_name = "CAPTURE")]
    captures: Vec<PathBuf>,
    /// How to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Take each message apart byte by byte, with the clause of the standard
    #[arg(long)]
    bytes: bool,
    /// List flow control, other ISO 13400 payloads and the timing as well
    #[arg(long)]
    frames: bool,
    /// Vehicle profile: addresses of the modules
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
  tonering decode scan.log
  tonering decode scan.pcapng --bytes
  tonering decode scan.log --profile car.yaml --format csv --output scan.csv
  candump -L can0 | tonering decode -";

/// How to print.
#[derive(Clone, Copy, Debug, Eq, PartialEq, ValueEnum)]
enum Format {
    /// One line for each message
    Text,
    /// One JSON object for each message
    Json,
    /// One row for each message
    Csv,
}

/// What a printer is told about one message.
struct Shown<'a> {
    message: &'a Message,
    request: Option<&'a Message>,
    context: Context<'a>,
    channels: &'a Channels,
}

/// A printer writes into a buffer; it decides nothing about what is in the capture.
trait Printer {
    /// Before the first capture.
    fn start(&mut self, _out: &mut Lines) {}
    /// Before the messages of a capture.
    fn capture(&mut self, _out: &mut Lines, _name: &str, _kind: &str) {}
    /// A message.
    fn message(&mut self, out: &mut Lines, shown: &Shown<'_>);
    /// Something that is no message.
    fn control(&mut self, out: &mut Lines, control: &Control, channels: &Channels);
    /// How well a sender kept its times.
    fn pace(
        &mut self,
        out: &mut Lines,
        channel: &str,
        sender: Address,
        receiver: Option<Address>,
        pace: &Pace,
    );
}

pub(crate) fn run(args: &Args, console: Console) -> anyhow::Result<()> {
    let profile = input::profile(args.profile.as_deref())?;
    let catalogue = Catalogue::embedded()?;
    let mut output = Output::open(args.output.as_deref())?;
    let several = args.captures.len() > 1;
    let mut printer: Box<dyn Printer> = match args.format {
        Format::Text => Box::new(text::Text::new(console, args.bytes)),
        Format::Json => Box::new(json::Json::new(args.bytes, several)),
        Format::Csv => Box::new(csv::Csv::new(several)),
    };
    let mut out = Lines::new();
    printer.start(&mut out);
    let mut damaged = false;
    for path in &args.captures {
        damaged |= !one(
            args,
            path,
            &profile,
            &catalogue,
            printer.as_mut(),
            &mut out,
            &mut output,
            console,
        )?;
    }
    output.write_all(out.bytes())?;
    output.finish()?;
    if args.strict && damaged {
        bail!("something in the captures could not be read, and --strict was asked for");
    }
    Ok(())
}

/// Decodes one capture; true when nothing of it was lost.
#[expect(
    clippy::too_many_arguments,
    reason = "the stages that are wired here, once"
)]
fn one(
    args: &Args,
    path: &std::path::Path,
    profile: &Profile,
    catalogue: &Catalogue,
    printer: &mut dyn Printer,
    out: &mut Lines,
    output: &mut Output,
    console: Console,
) -> anyhow::Result<bool> {
    let mut capture = input::capture(path)?;
    printer.capture(out, capture.name(), capture.kind().id());
    let mut observer = Observer::new(profile.address_book());
    observer.keep_control(args.frames);
    let mut families = families(profile);
    let mut requests = Requests::new();
    let whole = input::each_step(&mut capture, console, |step| {
        let channels = match step {
            Step::Item(Item::Can(frame)) => {
                observer.push(frame);
                return Ok(());
            }
            Step::Item(Item::Ethernet(packet)) => {
                observer.push_packet(packet);
                return Ok(());
            }
            Step::After(channels) => channels,
        };
        if args.frames {
            while let Some(control) = observer.next_control() {
                printer.control(out, &control, channels);
            }
        }
        while let Some(message) = observer.next_message() {
            show(
                printer,
                out,
                &mut families,
                &requests,
                (catalogue, profile),
                channels,
                &message,
            );
            if let Some(used) = requests.keep(message) {
                observer.recycle(used);
            }
        }
        if out.is_full() {
            output.write_all(out.bytes())?;
            out.clear();
        }
        Ok(())
    })?;
    let channels = capture.channels();
    observer.finish();
    while let Some(control) = observer.next_control() {
        printer.control(out, &control, channels);
    }
    while let Some(message) = observer.next_message() {
        show(
            printer,
            out,
            &mut families,
            &requests,
            (catalogue, profile),
            channels,
            &message,
        );
        requests.keep(message);
        if out.is_full() {
            output.write_all(out.bytes())?;
            out.clear();
        }
    }
    if args.frames {
        for (channel, sender, receiver, pace) in observer.paces() {
            printer.pace(out, channels.name(channel), sender, receiver, &pace);
        }
    }
    let lost = input::tell_damage(capture.name(), capture.tally());
    Ok(whole && !lost)
}

fn show(
    printer: &mut dyn Printer,
    out: &mut Lines,
    families: &mut Families,
    requests: &Requests,
    (catalogue, profile): (&Catalogue, &Profile),
    channels: &Channels,
    message: &Message,
) {
    let context = Context {
        catalogue,
        family: families.of(message),
        length_of: &|id| profile.least_length(message.address, id),
    };
    let shown = Shown {
        message,
        request: requests.of(message),
        context,
        channels,
    };
    printer.message(out, &shown);
}

/// The families that the profile names.
fn families(profile: &Profile) -> Families {
    let mut families = Families::new();
    for module in &profile.modules {
        let family = match module.protocol {
            Protocol::Uds => Family::Uds,
            Protocol::Kwp => Family::Kwp,
            Protocol::Obd => Family::Obd,
        };
        families.know(module.request, family);
        families.know(module.response, family);
    }
    families
}
