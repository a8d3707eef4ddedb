//! Reports: one view model, several printers. Printers decide no facts.
//!
//! The view model is [`Report`]; [`json`], [`text`], [`markdown`], [`html`] and [`csv`] print it, [`parquet`] makes tables of many. [`comparison`] puts two recordings side by side. Whatever comes from outside
//! (names in a profile, text of a vehicle, file names) is kept as it came and goes through the one function of its
//! format in [`escape`]. Wording that several printers share is in `phrase`.

pub mod comparison;
pub mod csv;
pub mod escape;
pub mod html;
pub mod json;
pub mod live;
pub mod markdown;
pub mod parquet;
mod phrase;
pub mod plot;
pub mod text;
pub mod trials;
pub mod visit;
pub mod why;

pub use plot::Plot;

use crate::place::Place;

/// Everything a printer needs, in plain words and numbers, in the order of importance within each part.
///
/// Texts that came from outside (names of a profile, text of a vehicle) are as they came: each printer escapes them.
#[derive(Clone, Debug, Default)]
pub struct Report {
    /// Program and version: `tonering 0.1.0`.
    pub program: String,
    /// The vehicle's name: the profile's.
    pub vehicle: Option<String>,
    /// What to do first when it is or may be unsafe to drive; `None` when nothing says so.
    pub safety: Option<Safety>,
    /// The captures that were read.
    pub captures: Vec<CaptureLine>,
    /// The modules and how they behaved.
    pub modules: Vec<ModuleLine>,
    /// The codes.
    pub codes: Vec<CodeLine>,
    /// The wheels, measured.
    pub wheels: Vec<WheelLine>,
    /// The findings that are true, then those that are false and count against a cause.
    pub findings: Vec<FindingLine>,
    /// The causes by falling probability.
    pub causes: Vec<CauseLine>,
    /// The next checks, first one first.
    pub checks: Vec<CheckLine>,
    /// The repair of what is certain.
    pub repair: Option<RepairLine>,
    /// Cautions for everything here.
    pub cautions: Vec<String>,
    /// What the captures could not show.
    pub limits: Vec<String>,
    /// How well the evidence fits the causes, where there is something to say.
    pub fit: Option<String>,
    /// How far the order of the causes hangs on the priors, a sentence.
    pub stability: Option<String>,
    /// The wheel speeds drawn, one for each wheel with a trace.
    pub plots: Vec<Plot>,
    /// The rules in force, a line for each set: name, version, hash.
    pub rules: Vec<String>,
    /// The largest probability that the sets of causes left out of the sum can have together, 0 to 1.
    pub left_out: Option<f64>,
    /// Earlier visits of the same vehicle, the first one first.
    pub visits: Vec<VisitLine>,
    /// One of many diagnosed each on its own: SHA-256 over program, profile, notes, rules and settings.
    pub basis: Option<String>,
    /// One of many diagnosed each on its own: why there is no result. Everything but the capture is empty then.
    pub error: Option<String>,
}

/// An earlier visit of a vehicle: what was found then and what was done.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct VisitLine {
    /// Which: 1 for the first.
    pub number: u32,
    /// When: `2026-11-25`.
    pub date: String,
    /// What was made then: `diagnosis` or `comparison`.
    pub kind: String,
    /// What was found, a sentence each.
    pub found: Vec<String>,
    /// What was checked by hand, a sentence each.
    pub done: Vec<String>,
}

/// How urgent a safety remark is.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Urgency {
    /// Do not drive.
    DoNotDrive,
    /// Drive with care to a place where it can be checked.
    DriveWithCare,
}

/// What to do first.
#[derive(Clone, Debug)]
pub struct Safety {
    /// How urgent.
    pub urgency: Urgency,
    /// What to do, one or two sentences.
    pub words: String,
    /// Why: a sentence for each reason.
    pub reasons: Vec<String>,
}

/// A capture.
#[derive(Clone, Debug)]
pub struct CaptureLine {
    /// Its name.
    pub file: String,
    /// Its kind.
    pub kind: String,
    /// Frames read.
    pub frames: u64,
    /// Pieces lost to damage.
    pub unreadable: u64,
    /// What was damaged or left out, a sentence each.
    pub remarks: Vec<String>,
    /// First time, in seconds on the capture's clock.
    pub first_s: Option<f64>,
    /// Last time, in seconds on the capture's clock.
    pub last_s: Option<f64>,
    /// SHA-256 of the file as read, in hexadecimal.
    pub sha256: Option<String>,
}

/// A module.
#[derive(Clone, Debug)]
pub struct ModuleLine {
    /// Its name.
    pub name: String,
    /// Its role.
    pub role: &'static str,
    /// Address of requests to it.
    pub request: Option<String>,
    /// Address of its answers.
    pub response: Option<String>,
    /// Its state.
    pub state: &'static str,
    /// The state in words.
    pub words: String,
}

/// A code.
#[derive(Clone, Debug)]
pub struct CodeLine {
    /// `C0031`.
    pub code: String,
    /// `13`.
    pub failure_type: Option<String>,
    /// What the failure type means.
    pub failure_words: Option<String>,
    /// `0x2F`.
    pub status: Option<String>,
    /// `stored`, `pending` or `permanent` for OBD lists.
    pub list: Option<&'static str>,
    /// Bit 0 of the status.
    pub test_failed: Option<bool>,
    /// Bit 3 of the status.
    pub confirmed: Option<bool>,
    /// Bit 2 of the status.
    pub pending: Option<bool>,
    /// The state in words: `present now`, `remembered`, …
    pub state_words: String,
    /// The module that gave it.
    pub module: String,
    /// What it means.
    pub meaning: String,
    /// When, in seconds on the capture's clock.
    pub time_s: Option<f64>,
    /// Where: `drive.log:1234`.
    pub origin: String,
    /// What each byte of it means, in the order in which they were sent.
    pub bytes: Vec<ByteLine>,
}

/// A byte of a code.
#[derive(Clone, Debug)]
pub struct ByteLine {
    /// As sent, in hexadecimal: `40`.
    pub raw: String,
    /// What the byte is: `first byte of the code`.
    pub name: String,
    /// What its value means.
    pub meaning: String,
}

/// A wheel.
#[derive(Clone, Debug)]
pub struct WheelLine {
    /// Which.
    pub wheel: crate::place::Wheel,
    /// How many samples.
    pub samples: u64,
    /// Median interval, in seconds.
    pub interval_s: Option<f64>,
    /// Highest speed, in km/h.
    pub top_kmh: Option<f64>,
    /// Every measure that could be made.
    pub measures: Vec<MeasureLine>,
    /// What could not be tested and why.
    pub limits: Vec<String>,
}

/// A measure of a wheel.
#[derive(Clone, Debug)]
pub struct MeasureLine {
    /// Its name in JSON: `dropout_share`.
    pub id: &'static str,
    /// Its name for a person.
    pub name: String,
    /// Its value.
    pub value: f64,
    /// Half width of its 95 % interval, where known.
    pub uncertainty: Option<f64>,
    /// Its unit.
    pub unit: &'static str,
    /// Whether it shows what no sound vehicle does.
    pub shown: bool,
    /// When it was seen, in seconds on the capture's clock.
    pub times_s: Vec<f64>,
}

/// A finding.
#[derive(Clone, Debug)]
pub struct FindingLine {
    /// Its identifier.
    pub id: String,
    /// Where.
    pub place: Place,
    /// Whether it holds (else it was looked for and is not there).
    pub holds: bool,
    /// What was seen.
    pub summary: String,
    /// The measured value.
    pub measure: Option<f64>,
    /// Its unit.
    pub unit: Option<String>,
    /// When, in seconds on the capture's clock.
    pub times_s: Vec<f64>,
    /// `capture` or `notes`.
    pub source: &'static str,
    /// Where: `drive.log:1234`.
    pub origins: Vec<String>,
}

/// A cause.
#[derive(Clone, Debug)]
pub struct CauseLine {
    /// Its identifier.
    pub id: String,
    /// Where.
    pub place: Place,
    /// Its name for a person, without the place.
    pub name: String,
    /// Probability that it is present.
    pub probability: f64,
    /// Its probability before any evidence.
    pub prior: f64,
    /// What speaks for it, strongest first.
    pub speaks_for: Vec<Weighed>,
    /// What speaks against it, strongest first.
    pub speaks_against: Vec<Weighed>,
    /// `home`, `workshop` or `specialist`.
    pub work: &'static str,
    /// What it is and what its repair takes, a sentence or two.
    pub summary: String,
    /// Cautions for this repair.
    pub cautions: Vec<String>,
}

/// A finding with its weight for a cause.
#[derive(Clone, Debug)]
pub struct Weighed {
    /// Index in [`Report::findings`].
    pub finding: usize,
    /// How many times more likely the finding's outcome is with the cause than without it.
    pub factor: f64,
}

/// The repair of what is certain, and what follows.
#[derive(Clone, Debug)]
pub struct RepairLine {
    /// What to repair.
    pub causes: Vec<LikelyLine>,
    /// Whether it comes before any further check.
    pub first: bool,
    /// Probability that the trouble is over then.
    pub ends: f64,
    /// What is likeliest to be behind it if it is not, likeliest first.
    pub left: Vec<LikelyLine>,
    /// The checks that follow if it is not, first one first.
    pub checks: Vec<CheckLine>,
}

/// A cause and how likely it is.
#[derive(Clone, Debug)]
pub struct LikelyLine {
    /// Its identifier.
    pub id: String,
    /// Where.
    pub place: Place,
    /// Its name for a person, without the place.
    pub name: String,
    /// Its probability.
    pub probability: f64,
}

/// A check to do by hand.
#[derive(Clone, Debug)]
pub struct CheckLine {
    /// Its identifier.
    pub id: String,
    /// Where.
    pub place: Place,
    /// Its name for a person, without the place.
    pub name: String,
    /// How long it takes.
    pub minutes: f64,
    /// Whether it can show a loss of braking and so stands before all others.
    pub urgent: bool,
    /// Why this one now.
    pub why: String,
    /// What reading to expect.
    pub expect: String,
    /// How to do it, a sentence each.
    pub steps: Vec<String>,
    /// Tools.
    pub tools: Vec<String>,
    /// What each result would mean.
    pub outcomes: Vec<String>,
    /// Cautions for this check.
    pub cautions: Vec<String>,
}
