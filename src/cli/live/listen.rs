//! The loop: hears, records, shows, and at the end reports.
//!
//! It hears from a [`Source`] and does not know whether that only listens: what asks on the link is a source of its own.

#![expect(
    clippy::disallowed_methods,
    reason = "the edge is where the clock is read"
)]

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use anyhow::Context as _;
use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
use tonering::capture::{Item, Kind, Remark, Tally};
use tonering::frame::{Channel, Channels, Timestamp};
use tonering::link::{Ear, Facts, Health, Heard, LinkError, bit_rate_words, facts};
use tonering::report::live::{Live, WheelNow, changes, screen, status};
use tonering::report::text::Layout;
use tonering::report::{self, Report};
use tonering::vehicle::{Record, Recorder};

use super::super::basis::Basis;
use super::super::console::Console;
use super::super::link::explained;
use super::super::output::Output;
use super::judge::Judge;
use super::recording::{Recording, Rotation};
use super::show::{Show, Where};
use super::source::Source;
use super::{Args, Format};

/// Longest single wait for a frame.
const PATIENCE: Duration = Duration::from_millis(50);
/// The screen is drawn anew so often.
const DRAW_EVERY: Duration = Duration::from_millis(500);
/// The kernel is asked about the interface so often.
const ASK_EVERY: Duration = Duration::from_secs(1);
/// A pipe gets a line of where things stand so often.
const STATUS_EVERY: Duration = Duration::from_secs(10);
/// A frame stamped by the kernel reaches this program within this time, unless the program itself is late.
const ON_ITS_WAY: i64 = 100_000_000;
/// Signals are kept for this long, in seconds: an hour.
const KEPT_S: f64 = 3_600.0;
/// What is older is forgotten so often.
const FORGET_EVERY: Duration = Duration::from_mins(1);

/// Everything that follows the link.
struct Watch<'a> {
    link: &'a str,
    started: Instant,
    recorder: Recorder,
    tally: Tally,
    channels: Channels,
    channel: Channel,
    health: Health,
    recording: Option<Recording>,
    report: Option<Report>,
    /// When what was judged last had been heard, and when the last frame was.
    judged: Option<Instant>,
    given: Instant,
    heard: Instant,
    facts: Option<Facts>,
    /// What this program sends, in words.
    sends: &'static str,
    /// What is being asked, in words.
    asking: Option<String>,
}

pub(super) fn run(args: &Args, console: Console) -> anyhow::Result<()> {
    let drawn = args.format == Some(Format::Html);
    let basis = Arc::new(args.by.read()?.drawn(drawn));
    let mut ear = Ear::open(&args.link).map_err(explained)?;
    with(args, console, &basis, &mut ear)
}

/// The same with what asks as the source.
pub(super) fn with(
    args: &Args,
    console: Console,
    basis: &Arc<Basis>,
    source: &mut dyn Source,
) -> anyhow::Result<()> {
    if let Some(path) = &args.output {
        writable(path)?;
    }
    let stop = stop_on_signals().context("signals cannot be had")?;
    let rotation = Rotation {
        size: args.rotate_size,
        time: args.rotate_time,
    };
    let recording = args.record.as_deref();
    let recording = recording.map(|path| Recording::begin(path, rotation));
    let mut watch = Watch::new(&args.link, basis, source, recording.transpose()?);
    watch.ask_the_kernel();
    let wants_report = args.format.is_some() || args.output.is_some();
    let place = match (console.screen, wants_report && args.output.is_none()) {
        (true, _) => Where::Screen,
        (false, false) => Where::Lines,
        (false, true) => Where::Remarks,
    };
    let mut judge = Judge::begin(Arc::clone(basis)).context("a thread cannot be had")?;
    let mut view = View {
        show: Show::begin(place).context("a thread cannot be had")?,
        place,
        console,
        told: Live::default(),
        found: None,
    };
    let result = watch.follow(source, &mut judge, &mut view, args.limit, &stop);
    judge.end();
    // What came after the last judgement counts too.
    watch.report = Some(basis.report(&watch.so_far()));
    watch.judged = Some(Instant::now());
    view.end(&watch, source.now())?;
    let recorded = watch.recording.take().map_or(Ok(()), Recording::end);
    result?;
    if wants_report {
        watch.write_report(args, basis, console)?;
    }
    recorded
}

/// True once the program is asked to stop; asked twice, it stops at once.
pub(super) fn stop_on_signals() -> std::io::Result<Arc<AtomicBool>> {
    let stop = Arc::new(AtomicBool::new(false));
    for signal in [SIGINT, SIGTERM, SIGHUP] {
        signal_hook::flag::register_conditional_shutdown(signal, 1, Arc::clone(&stop))?;
        signal_hook::flag::register(signal, Arc::clone(&stop))?;
    }
    Ok(stop)
}

/// The report is written at the end: that its folder is there is known at once.
fn writable(path: &Path) -> anyhow::Result<()> {
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    if !folder.is_dir() {
        anyhow::bail!(
            "{}: there is no folder {}",
            path.display(),
            folder.display()
        );
    }
    Ok(())
}

fn layout(console: Console) -> Layout {
    let width = terminal_size::terminal_size().map_or(console.width, |(width, _)| width.0.into());
    Layout {
        width,
        colour: console.colour,
        unicode: console.unicode,
    }
}

fn rows() -> usize {
    terminal_size::terminal_size().map_or(24, |(_, height)| usize::from(height.0))
}

impl<'a> Watch<'a> {
    fn new(
        link: &'a str,
        basis: &Basis,
        source: &dyn Source,
        recording: Option<Recording>,
    ) -> Self {
        let mut channels = Channels::default();
        Self {
            link,
            started: Instant::now(),
            recorder: Recorder::new(basis.profile.clone()),
            tally: Tally::default(),
            channel: channels.intern(link),
            channels,
            health: Health::new(source.now()),
            recording,
            report: None,
            judged: None,
            given: Instant::now(),
            heard: Instant::now(),
            facts: None,
            sends: source.sends(),
            asking: None,
        }
    }

    /// Hears until the time is over, somebody stops it or nobody reads any more.
    fn follow(
        &mut self,
        source: &mut dyn Source,
        judge: &mut Judge,
        view: &mut View,
        limit: Option<Duration>,
        stop: &AtomicBool,
    ) -> anyhow::Result<()> {
        let mut due = Due::new();
        let mut frames = 0;
        while !stop.load(Ordering::Relaxed) {
            if limit.is_some_and(|limit| self.started.elapsed() >= limit) {
                break;
            }
            match source.hear(PATIENCE) {
                Ok(Some(heard)) => self.take(&heard)?,
                Ok(None) => {
                    self.health.recover();
                    // Nothing waits in the kernel, so time itself may pass.
                    let now = source.now().nanos().saturating_sub(ON_ITS_WAY);
                    self.recorder.expire(Timestamp::from_nanos(now));
                }
                Err(error) => self.health_of(error, source.now())?,
            }
            if let Some(recording) = &mut self.recording {
                recording.tick();
            }
            if !due.look() {
                continue;
            }
            self.asking = source.asking();
            for line in source.lines() {
                view.found(self, line);
            }
            if let (Where::Screen, Some(asking), Some(found)) =
                (view.place, &mut self.asking, &view.found)
            {
                // The screen has one line for it; a pipe has got its own.
                asking.push_str("; ");
                asking.push_str(found);
            }
            if self.tally.frames != frames {
                frames = self.tally.frames;
                self.heard = Instant::now();
            }
            if due.facts() {
                self.ask_the_kernel();
            }
            if due.forget() {
                self.recorder
                    .forget_signals_before(source.now().seconds() - KEPT_S);
            }
            if let Some(report) = judge.take() {
                self.report = Some(report);
                self.judged = Some(self.given);
            }
            if judge.is_ready(self.tally.frames) {
                self.given = Instant::now();
                judge.give(self.so_far(), self.tally.frames);
            }
            view.draw(self, source.now())?;
            if due.status() {
                view.status(self, source.now());
            }
            if source.is_over() || view.show.is_closed() && self.recording.is_none() {
                break;
            }
        }
        self.take_the_rest(source)
    }

    /// Takes what had come when it was stopped and still waits in the kernel.
    fn take_the_rest(&mut self, source: &mut dyn Source) -> anyhow::Result<()> {
        source.stop();
        let end = source.now();
        while let Ok(Some(heard)) = source.hear(Duration::ZERO) {
            if heard.time > end {
                break;
            }
            self.take(&heard)?;
        }
        Ok(())
    }

    /// What was heard so far, as a record.
    fn so_far(&self) -> Record {
        self.recorder.so_far(self.link, Kind::Link, &self.tally)
    }

    /// Takes a frame of the link.
    fn take(&mut self, heard: &Heard) -> anyhow::Result<()> {
        self.tally.frames += 1;
        if heard.lost > 0 {
            self.tally.add(Remark::LinkLoss, self.tally.frames, 0);
        }
        let frame = heard.frame(self.tally.frames, self.channel);
        if let Some(recording) = &mut self.recording {
            recording.push(&frame, &self.channels)?;
        }
        self.recorder.push(&Item::Can(frame));
        self.health.hear(heard);
        Ok(())
    }

    /// What a link that fails means for the listener: to wait, or that there is no sense in it.
    fn health_of(&mut self, error: LinkError, now: Timestamp) -> anyhow::Result<()> {
        match error {
            // What asks asks again.
            LinkError::Full { .. } => {
                self.health.full(now);
                Ok(())
            }
            LinkError::Down { .. } | LinkError::Gone { .. } => {
                self.health.fail(&error);
                Ok(())
            }
            other => Err(explained(other)),
        }
    }

    fn ask_the_kernel(&mut self) {
        match facts(self.link) {
            Ok(facts) => {
                self.facts = Some(facts.clone());
                self.health.learn(facts);
            }
            Err(error) => self.health.fail(&error),
        }
    }

    /// What is shown now.
    fn live(&self, now: Timestamp) -> Live {
        let facts = self.facts.as_ref();
        let is_virtual = facts.is_some_and(|facts| facts.kind != "can");
        let mut live = Live {
            link: self.link.to_owned(),
            bus: facts.map_or_else(String::new, bus_words),
            sending: sending_words(self.sends, facts),
            asking: self.asking.clone(),
            seconds: self.started.elapsed().as_secs_f64(),
            frames: self.health.frames,
            rate: self.health.rate(now),
            error_frames: self.health.error_frames,
            lost: self.health.lost,
            recording: self.recording.as_ref().map(Recording::words),
            report: self.report.clone(),
            judged_s: self.judged.map(|judged| {
                let late = self.heard.saturating_duration_since(judged);
                late.as_secs_f64()
            }),
            ..Live::default()
        };
        live.troubles = self
            .health
            .troubles(now)
            .iter()
            .map(|trouble| (trouble.id(), trouble.words(self.link, is_virtual)))
            .collect();
        for (wheel, last) in live.wheels.iter_mut().zip(self.recorder.last_speeds()) {
            *wheel = last.map_or_else(WheelNow::default, |(time_s, speed)| WheelNow {
                speed_kmh: Some(speed).filter(|speed| !speed.is_nan()),
                age_s: Some(now.seconds() - time_s),
            });
        }
        live
    }

    /// Ends the record and writes the report on it.
    fn write_report(self, args: &Args, basis: &Basis, console: Console) -> anyhow::Result<()> {
        let mut recorder = self.recorder;
        recorder.end_capture(self.link, Kind::Link, &self.tally);
        let report = basis.report(&recorder.finish());
        let mut output = Output::open(args.output.as_deref())?;
        match args.format.unwrap_or(Format::Text) {
            Format::Text => {
                let layout = Layout {
                    width: console.width,
                    colour: console.colour && args.output.is_none(),
                    unicode: console.unicode,
                };
                report::text::write(&report, &mut output, layout)?;
            }
            Format::Markdown => report::markdown::write(&report, &mut output)?,
            Format::Html => report::html::write(&report, &mut output)?,
            Format::Json => {
                report::json::write(&report, &mut output, report::json::Form::Lines)?;
            }
        }
        output.finish()
    }
}

/// What is seen of it.
struct View {
    show: Show,
    place: Where,
    console: Console,
    /// What was told last.
    told: Live,
    /// What asking has found out last.
    found: Option<String>,
}

impl View {
    fn draw(&mut self, watch: &Watch<'_>, now: Timestamp) -> anyhow::Result<()> {
        let live = watch.live(now);
        if self.place == Where::Screen {
            let (layout, rows) = (layout(self.console), rows());
            self.show
                .picture(screen(&live, layout, rows)?, (layout.width, rows));
        } else {
            for line in changes(&self.told, &live) {
                self.line(watch, &line);
            }
            self.told = live;
        }
        Ok(())
    }

    /// Something that asking has found out.
    fn found(&mut self, watch: &Watch<'_>, line: String) {
        if self.place != Where::Screen {
            self.line(watch, &format!("asked: {line}"));
        }
        self.found = Some(line);
    }

    fn status(&mut self, watch: &Watch<'_>, now: Timestamp) {
        if self.place != Where::Screen {
            self.line(watch, &status(&watch.live(now)));
        }
    }

    fn line(&mut self, watch: &Watch<'_>, line: &str) {
        let line = report::escape::terminal::terminal(line, self.console.unicode);
        let seconds = watch.started.elapsed().as_secs_f64();
        self.show.line(&format!("{seconds:9.1} s  {line}"));
    }

    /// The last picture stays on the terminal; a pipe gets the last changes and where things stood.
    fn end(mut self, watch: &Watch<'_>, now: Timestamp) -> anyhow::Result<()> {
        let picture = match self.place {
            Where::Screen => {
                let mut picture = screen(&watch.live(now), layout(self.console), rows())?;
                // The last line says how to stop.
                picture.pop();
                picture
            }
            Where::Lines | Where::Remarks => {
                self.draw(watch, now)?;
                self.status(watch, now);
                Vec::new()
            }
        };
        self.show.end(&picture);
        Ok(())
    }
}

fn bus_words(facts: &Facts) -> String {
    let mut words = Vec::new();
    match facts.kind.as_str() {
        "can" => {}
        "vcan" | "vxcan" => words.push("virtual bus".to_owned()),
        other => words.push(format!("interface of kind {other}")),
    }
    if let Some(rate) = facts.bit_rate {
        words.push(bit_rate_words(rate));
    }
    if let Some(rate) = facts.data_bit_rate {
        words.push(format!("data {}", bit_rate_words(rate)));
    }
    if let Some(state) = facts.state {
        words.push(state.words().to_owned());
    }
    words.join(", ")
}

fn sending_words(sends: &str, facts: Option<&Facts>) -> String {
    let adapter = match facts.and_then(|facts| facts.listen_only) {
        Some(true) => "; the adapter is set to listen only, too",
        Some(false) => "; the adapter acknowledges frames of others",
        None => "",
    };
    format!("{sends}{adapter}")
}

/// What is to be done now and then.
struct Due {
    looked: Instant,
    asked: Instant,
    forgot: Instant,
    told: Instant,
}

impl Due {
    fn new() -> Self {
        let now = Instant::now();
        Self {
            looked: now,
            asked: now,
            forgot: now,
            told: now,
        }
    }

    fn look(&mut self) -> bool {
        passed(&mut self.looked, DRAW_EVERY)
    }

    fn facts(&mut self) -> bool {
        passed(&mut self.asked, ASK_EVERY)
    }

    fn forget(&mut self) -> bool {
        passed(&mut self.forgot, FORGET_EVERY)
    }

    fn status(&mut self) -> bool {
        passed(&mut self.told, STATUS_EVERY)
    }
}

/// Whether so much time has passed since; if so, it begins anew.
fn passed(since: &mut Instant, span: Duration) -> bool {
    let is_due = since.elapsed() >= span;
    if is_due {
        *since = Instant::now();
    }
    is_due
}
