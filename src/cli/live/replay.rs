//! Plays a capture onto a link with its own timing: a lesson on a bench link.
//!
//! Before it sends, it listens for [`LISTEN`]: where others talk it does not join in, unless it was told to. Each frame goes out
//! at its own moment counted from the first one, so that waits do not add up.

#![expect(
    clippy::disallowed_methods,
    reason = "the edge is where the clock is read"
)]

use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use anyhow::Context as _;
use tonering::capture::{Capture, Item};
use tonering::frame::{CanId, Channel, Frame, FrameKind, Timestamp};
use tonering::link::{Bus as _, Data, LinkError, Socket, facts, stay_on_one_processor};

use super::super::console::remark;
use super::super::input;
use super::super::link::explained;
use super::Args;
use super::listen::stop_on_signals;

/// How long it listens before it sends.
const LISTEN: Duration = Duration::from_secs(2);
/// What is heard while it plays is looked at in pieces of this length, so that the kernel holds nothing back.
const PIECE: Duration = Duration::from_millis(20);
/// Longest wait between two looks at whether to stop.
const LOOK: Duration = Duration::from_millis(100);

/// What was played and what was not.
#[derive(Debug, Default)]
struct Played {
    frames: u64,
    /// Error frames of the capture: no frames of a bus, they can be put on a virtual one only.
    errors: u64,
    /// Frames of CAN FD on a link that carries classic frames.
    too_long: u64,
    /// Frames of other buses of the capture.
    other: u64,
    /// Packets that are no CAN.
    no_can: u64,
    /// Frames without a time, sent at once.
    untimed: u64,
    /// The longest time that a frame went out late.
    late: Duration,
}

pub(super) fn run(args: &Args, path: &Path) -> anyhow::Result<()> {
    let mut capture = input::capture(path)?;
    let wanted = args.bus.as_deref();
    let mut socket = Socket::open(&args.link).map_err(explained)?;
    let is_virtual = facts(&args.link).is_ok_and(|facts| facts.kind != "can");
    if !is_virtual {
        remark(
            "--replay sends: use it on a bench link, never on a vehicle. What is played can move actuators, switch warnings off and \
             confuse every module that hears it",
        );
    }
    listen_first(&mut socket, args)?;
    let stop = stop_on_signals().context("signals cannot be had")?;
    if let Err(error) = stay_on_one_processor() {
        remark(&format!(
            "{error}: on a virtual link two frames may be heard in the wrong order now and then"
        ));
    }
    let mut player = Player {
        socket,
        is_virtual,
        speed: args.speed,
        longest_pause: args.longest_pause,
        only: None,
        began: None,
        last: None,
        at: Duration::ZERO,
        played: Played::default(),
    };
    let until = args.limit.map(|limit| Instant::now() + limit);
    let mut names: Vec<String> = Vec::new();
    loop {
        let is_over = until.is_some_and(|until| Instant::now() >= until);
        if is_over || stop.load(Ordering::Relaxed) {
            break;
        }
        let next = match capture.next_item() {
            Ok(Some(Item::Can(frame))) => Next::of(&frame),
            Ok(Some(_)) => None,
            Ok(None) => break,
            Err(error) => {
                remark(&format!("{:#}", anyhow::Error::from(error)));
                break;
            }
        };
        // The name of a frame's bus is known once the frame is read.
        let known = capture.channels().names().len();
        if known != names.len() {
            names = capture.channels().names().to_vec();
            check_buses(&names, wanted, path, &mut player.only)?;
        }
        player.take(next.as_ref(), wanted.is_some(), &stop)?;
    }
    input::tell_damage(capture.name(), capture.tally());
    tell(&player.played, &capture);
    Ok(())
}

/// Hears for a while; an error where others talk.
fn listen_first(socket: &mut Socket, args: &Args) -> anyhow::Result<()> {
    let until = Instant::now() + LISTEN;
    let mut frames = 0_u64;
    while let Some(left) = until.checked_duration_since(Instant::now()) {
        match socket.hear(left.min(LOOK)) {
            Ok(Some(heard)) if heard.kind != FrameKind::Error => frames += 1,
            Ok(_) => {}
            Err(error) => return Err(explained(error)),
        }
    }
    if frames > 0 && !args.among_others {
        anyhow::bail!(
            "{}: others talk there ({frames} frames in {} s), so nothing was sent; a vehicle must never get a replay. On a bench where \
             that is meant: --among-others",
            args.link,
            LISTEN.as_secs()
        );
    }
    Ok(())
}

/// The bus that is played.
fn check_buses(
    names: &[String],
    wanted: Option<&str>,
    path: &Path,
    only: &mut Option<Channel>,
) -> anyhow::Result<()> {
    match wanted {
        Some(wanted) => {
            let index = names.iter().position(|name| name == wanted);
            let index = index.and_then(|index| u16::try_from(index).ok());
            *only = index.map(Channel);
            Ok(())
        }
        None if names.len() > 1 => anyhow::bail!(
            "{}: holds more than one bus ({}); name the one to play: --bus {}",
            path.display(),
            names.join(", "),
            names.first().map_or("NAME", String::as_str)
        ),
        None => Ok(()),
    }
}

/// A frame of the capture, kept while the capture is asked about its buses.
struct Next {
    time: Option<Timestamp>,
    channel: Channel,
    id: CanId,
    kind: FrameKind,
    data: Data,
}

impl Next {
    /// `None` for more bytes than a frame can carry.
    fn of(frame: &Frame<'_>) -> Option<Self> {
        Some(Self {
            time: frame.time,
            channel: frame.channel,
            id: frame.id,
            kind: frame.kind,
            data: Data::new(frame.data)?,
        })
    }
}

struct Player {
    socket: Socket,
    is_virtual: bool,
    speed: f64,
    longest_pause: Option<Duration>,
    only: Option<Channel>,
    /// When the first frame went out.
    began: Option<Instant>,
    /// The time of the last frame in the capture.
    last: Option<Timestamp>,
    /// When the next frame goes out, counted from the first.
    at: Duration,
    played: Played,
}

impl Player {
    /// Plays a frame; `None` is a packet that is none.
    fn take(
        &mut self,
        next: Option<&Next>,
        is_choosy: bool,
        stop: &AtomicBool,
    ) -> anyhow::Result<()> {
        let Some(frame) = next else {
            self.played.no_can += 1;
            return Ok(());
        };
        if is_choosy && self.only != Some(frame.channel) {
            self.played.other += 1;
            return Ok(());
        }
        if frame.kind == FrameKind::Error && !self.is_virtual {
            self.played.errors += 1;
            return Ok(());
        }
        match frame.time {
            Some(time) => self.wait_for(time, stop)?,
            None => self.played.untimed += 1,
        }
        if stop.load(Ordering::Relaxed) {
            return Ok(());
        }
        match self.socket.put_frame(frame.id, frame.kind, &frame.data) {
            Ok(()) => self.played.frames += 1,
            Err(LinkError::TooLong { .. }) => self.played.too_long += 1,
            Err(error) => return Err(explained(error)),
        }
        Ok(())
    }

    /// Waits for the moment of this time of the capture; what is heard meanwhile is of no interest.
    fn wait_for(&mut self, time: Timestamp, stop: &AtomicBool) -> anyhow::Result<()> {
        let began = *self.began.get_or_insert_with(Instant::now);
        let pause = self.last.map_or(0, |last| time.nanos_since(last).max(0));
        self.last = Some(time);
        let pause = Duration::from_nanos(u64::try_from(pause).unwrap_or(0));
        let pause = self.longest_pause.map_or(pause, |most| pause.min(most));
        self.at += pause.div_f64(self.speed);
        let moment = began + self.at;
        while let Some(left) = moment.checked_duration_since(Instant::now()) {
            if stop.load(Ordering::Relaxed) {
                return Ok(());
            }
            if left > PIECE {
                // Waits by hearing, which also empties what the kernel holds for this socket.
                match self.socket.hear(left.saturating_sub(PIECE).min(LOOK)) {
                    Ok(_) => {}
                    Err(error) => return Err(explained(error)),
                }
            } else {
                std::thread::sleep(left);
            }
        }
        let late = Instant::now().saturating_duration_since(moment);
        self.played.late = self.played.late.max(late);
        Ok(())
    }
}

fn tell(played: &Played, capture: &Capture) {
    remark(&format!(
        "{}: {} frames played, none later than {:.1} ms",
        capture.name(),
        played.frames,
        played.late.as_secs_f64() * 1e3
    ));
    let left_out = [
        (
            played.errors,
            "error frames were left out: they are no frames of a bus",
        ),
        (
            played.too_long,
            "frames of CAN FD were left out: the link carries classic frames only",
        ),
        (played.other, "frames of other buses were left out"),
        (played.no_can, "packets were left out: they are no CAN"),
        (played.untimed, "frames have no time and went out at once"),
    ];
    for (count, words) in left_out.into_iter().filter(|(count, _)| *count > 0) {
        remark(&format!("{count} {words}"));
    }
}
