//! Asking while listening: a source that sends what an errand wants before it waits.
//!
//! Its own frames are handed out like those of others, so that everything behind it sees questions and answers.

use std::fmt::Write as _;
use std::io::Write as _;
use std::sync::Arc;
use std::time::Duration;

use tonering::frame::Timestamp;
use tonering::link::{
    Action, Bus as _, Errand as _, Heard, LinkError, Range, Scope, Seek, Socket, Survey, facts, own,
};
use tonering::signal::profile::Profile;

use super::super::console::Console;
use super::super::link::explained;
use super::source::Source;
use super::{Addresses, Args, Format, listen};

/// Asks on a link.
struct Asking {
    socket: Socket,
    what: What,
    /// What has been found out and not been told.
    lines: Vec<String>,
    /// What is under way.
    words: String,
    stopped: bool,
}

enum What {
    Survey(Box<Survey>),
    Seek(Seek),
}

pub(super) fn run(args: &Args, console: Console) -> anyhow::Result<()> {
    if !(args.rate.is_finite() && (0.0..=FASTEST_HZ).contains(&args.rate)) {
        anyhow::bail!("--rate {}: must be from 0 to {FASTEST_HZ}", args.rate);
    }
    let drawn = args.format == Some(Format::Html);
    let basis = Arc::new(args.by.read()?.drawn(drawn));
    let silent = facts(&args.link).is_ok_and(|facts| facts.listen_only == Some(true));
    if silent {
        anyhow::bail!(
            "{0}: the adapter is set to listen only, so nothing can be asked; without it: ip link set {0} down, then ip link \
             set {0} up type can bitrate 500000 listen-only off (with the bit rate of the bus)",
            args.link
        );
    }
    let mut asking = Asking::open(args, &basis.profile).map_err(explained)?;
    listen::with(args, console, &basis, &mut asking)?;
    if let Some(found) = asking.found() {
        let mut out = std::io::stdout().lock();
        out.write_all(found.as_bytes())?;
        out.flush()?;
    }
    Ok(())
}

/// Most rounds of polling a second.
const FASTEST_HZ: f64 = 100.0;

impl Asking {
    fn open(args: &Args, profile: &Profile) -> Result<Self, LinkError> {
        let what = match args.seek {
            Some(addresses) => What::Seek(Seek::new(match addresses {
                Addresses::Short => Range::Standard,
                Addresses::Long => Range::Extended,
                Addresses::Both => Range::Both,
            })),
            None => What::Survey(Box::new(Survey::new(
                profile,
                Scope {
                    rate_hz: args.rate,
                    ..Scope::default()
                },
            ))),
        };
        let mut asking = Self {
            socket: Socket::open(&args.link)?,
            what,
            lines: Vec::new(),
            words: String::new(),
            stopped: false,
        };
        asking.tell();
        Ok(asking)
    }

    fn is_done(&self) -> bool {
        match &self.what {
            What::Survey(survey) => survey.is_done(),
            What::Seek(seek) => seek.is_done(),
        }
    }

    /// The lines of a profile for what a search has found; `None` for a survey.
    fn found(&self) -> Option<String> {
        let What::Seek(seek) = &self.what else {
            return None;
        };
        let mut text = String::from("profile: 1\nmodules:");
        if seek.found().is_empty() {
            text.push_str(" []");
        }
        text.push('\n');
        for module in seek.found() {
            let addressing = if module.request.is_extended() {
                "normal-fixed"
            } else {
                "normal"
            };
            let _ = writeln!(
                text,
                "  - {{ name: Module {0}, request: {0}, response: {1}, addressing: {addressing}, protocol: uds }}",
                module.request, module.response
            );
        }
        Some(text)
    }

    /// Takes over what the errand has found out.
    fn tell(&mut self) {
        match &mut self.what {
            What::Survey(survey) => {
                while let Some(event) = survey.next_event() {
                    self.lines.push(event.to_string());
                }
                self.words = if survey.is_polling() {
                    "signals and codes again, reading only".to_owned()
                } else {
                    "modules and codes, reading only".to_owned()
                };
            }
            What::Seek(seek) => {
                while let Some(found) = seek.next_found() {
                    self.lines
                        .push(format!("{} answers from {}", found.request, found.response));
                }
                let (done, total) = seek.progress();
                let quarter = 25 * (4 * done / total.max(1));
                self.words = format!(
                    "for modules, some {} s in all, {quarter} % done",
                    seek.takes().as_secs()
                );
            }
        }
    }
}

impl Source for Asking {
    fn hear(&mut self, patience: Duration) -> Result<Option<Heard>, LinkError> {
        let now = self.socket.now();
        let action = match &mut self.what {
            _ if self.stopped => Action::Idle,
            What::Survey(survey) => survey.poll(now),
            What::Seek(seek) => seek.poll(now),
        };
        self.tell();
        let patience = match action {
            Action::Put { id, data } => {
                self.socket.put(id, &data)?;
                return Ok(Some(own(id, data, self.socket.now())));
            }
            Action::Wait(until) => {
                let nanos = u64::try_from(until.nanos_since(now)).unwrap_or(0);
                Duration::from_nanos(nanos).min(patience)
            }
            Action::Idle => patience,
        };
        let heard = self.socket.hear(patience)?;
        if let Some(heard) = &heard {
            match &mut self.what {
                What::Survey(survey) => survey.hear(heard),
                What::Seek(seek) => seek.hear(heard),
            }
        }
        Ok(heard)
    }

    fn now(&self) -> Timestamp {
        self.socket.now()
    }

    fn sends(&self) -> &'static str {
        "requests that only read (docs/asking.md)"
    }

    fn stop(&mut self) {
        self.stopped = true;
    }

    fn asking(&self) -> Option<String> {
        (!self.stopped && !self.is_done()).then(|| self.words.clone())
    }

    fn lines(&mut self) -> Vec<String> {
        std::mem::take(&mut self.lines)
    }

    fn is_over(&self) -> bool {
        matches!(self.what, What::Seek(_)) && self.is_done()
    }
}
