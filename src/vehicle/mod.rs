//! The record: what captures say about one vehicle. Modules and whether they answered, codes, wheel-speed traces,
//! voltages, the state of the bus.

mod bus;
mod codes;
mod cyclic;
mod modules;
mod recorder;

pub use recorder::Recorder;

use crate::capture::{Kind, Tally};
use crate::frame::{CanId, Timestamp};
use crate::signal::Signals;
use crate::transport::Address;
use crate::trouble::{Code, FailureType, Status};

/// What the captures of one vehicle say.
#[derive(Clone, Debug, Default)]
pub struct Record {
    /// The captures, in the order in which they were given.
    pub captures: Vec<CaptureSummary>,
    /// Every module that the profile names or that was seen asked or answering.
    pub modules: Vec<Module>,
    /// For each module the last list of each kind that it gave, without what a later clearing removed.
    pub codes: Vec<ReportedCode>,
    /// For each module the lists that it was asked for and gave, also empty ones.
    pub lists: Vec<CodeListRead>,
    /// Clearings that a module confirmed.
    pub clears: Vec<Clear>,
    /// The signals over time.
    pub signals: Signals,
    /// The wheels' data, as far as the profile gives them.
    pub wheel_data: WheelData,
    /// How the buses did.
    pub bus: Bus,
    /// The frames in which the profile has the wheels' speeds: whether they come, and whether they pause.
    pub cyclic: Vec<Cyclic>,
}

/// One capture that was read.
#[derive(Clone, Debug)]
pub struct CaptureSummary {
    /// Its name as given.
    pub file: String,
    /// Its kind.
    pub kind: Kind,
    /// Counts and remarks.
    pub tally: Tally,
    /// First time stamp.
    pub first: Option<Timestamp>,
    /// Last time stamp.
    pub last: Option<Timestamp>,
}

/// Where something was seen: a capture, and a line or packet of it.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub struct Origin {
    /// Index of the capture in [`Record::captures`].
    pub capture: usize,
    /// Line, packet or record number, from 1.
    pub number: u64,
    /// When, on the capture's clock.
    pub time: Option<Timestamp>,
}

/// What a module is for.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Role {
    /// Brakes: ABS, stability control.
    Brakes,
    /// Engine or transmission, electric drive.
    Powertrain,
    /// Steering.
    Steering,
    /// Body.
    Body,
    /// Gateway.
    Gateway,
    /// Instrument cluster.
    Cluster,
    /// Restraints.
    Restraint,
    /// Something else.
    Other,
    /// Nothing says what.
    Unknown,
}

impl Role {
    /// The word for it in files and JSON.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Brakes => "brakes",
            Self::Powertrain => "powertrain",
            Self::Steering => "steering",
            Self::Body => "body",
            Self::Gateway => "gateway",
            Self::Cluster => "cluster",
            Self::Restraint => "restraint",
            Self::Other => "other",
            Self::Unknown => "unknown",
        }
    }
}

/// A module and how it behaved.
#[derive(Clone, Debug)]
pub struct Module {
    /// Its name: the profile's, or one made of its address.
    pub name: String,
    /// What it is for.
    pub role: Role,
    /// Whether the profile names it.
    pub in_profile: bool,
    /// The address of requests to it.
    pub request: Option<Address>,
    /// The address of its answers.
    pub response: Option<Address>,
    /// How it behaved.
    pub state: ModuleState,
    /// Requests sent to it alone.
    pub asked: u32,
    /// Positive answers it gave.
    pub positive: u32,
    /// Negative answers it gave.
    pub negative: u32,
    /// Signs of life that are no answer: broken answers, and "response pending" without an end.
    pub broken: u32,
    /// Requests to it alone that had time for an answer and got none.
    pub unanswered: u32,
    /// Of these: requests that it had answered before, word for word.
    pub missed: u32,
    /// The first request to it, or its first answer.
    pub first_seen: Option<Origin>,
}

/// How a module behaved.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum ModuleState {
    /// It gave at least one positive answer.
    Answering,
    /// It was asked and never answered.
    Silent,
    /// It gave negative answers only.
    Refusing,
    /// It was not asked.
    NotAsked,
}

impl ModuleState {
    /// The word for it in JSON.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Answering => "answering",
            Self::Silent => "silent",
            Self::Refusing => "refusing",
            Self::NotAsked => "not-asked",
        }
    }
}

/// From which list a code comes.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum List {
    /// OBD mode 03.
    Stored,
    /// OBD mode 07.
    Pending,
    /// OBD mode 0A.
    Permanent,
    /// A sub-function of `ReadDTCInformation` (ISO 14229-1, service 0x19).
    Uds(u8),
    /// A KWP 2000 service that lists codes: 0x13, 0x17 or 0x18.
    Kwp(u8),
}

/// A code as a module gave it.
#[derive(Clone, Debug)]
pub struct ReportedCode {
    /// The two-byte code.
    pub code: Code,
    /// The failure type byte, where the service has one.
    pub failure_type: Option<FailureType>,
    /// The status byte as sent, where the service has one.
    pub status: Option<u8>,
    /// The bits that the module keeps in its status bytes (`DTCStatusAvailabilityMask`, ISO 14229-1), where it said so.
    pub availability: Option<u8>,
    /// The list it comes from.
    pub list: List,
    /// Index of the module in [`Record::modules`].
    pub module: usize,
    /// The answer it stood in.
    pub origin: Origin,
}

impl ReportedCode {
    /// The status byte of ISO 14229-1, where it is one (KWP's has other bits).
    pub fn uds_status(&self) -> Option<Status> {
        match self.list {
            List::Uds(_) => self.status.map(Status),
            _ => None,
        }
    }
}

/// A list of codes that a module gave, perhaps an empty one.
#[derive(Clone, Copy, Debug)]
pub struct CodeListRead {
    /// Index of the module in [`Record::modules`].
    pub module: usize,
    /// Which list.
    pub list: List,
    /// How many codes it held.
    pub codes: u32,
    /// The last answer that gave it.
    pub origin: Origin,
}

/// A clearing that a module confirmed (0x54 or 0x44).
#[derive(Clone, Debug)]
pub struct Clear {
    /// Index of the module in [`Record::modules`].
    pub module: usize,
    /// The answer.
    pub origin: Origin,
    /// The codes that the module had given before and that this removed.
    pub removed: Vec<ReportedCode>,
}

/// What is known about the wheels and their sensors.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct WheelData {
    /// Rolling circumference in metres.
    pub circumference_m: Option<f64>,
    /// Teeth or pole pairs per turn.
    pub teeth: Option<u32>,
    /// The sensor's kind.
    pub sensor: Option<SensorKind>,
    /// Track in metres.
    pub track_m: Option<f64>,
    /// Wheelbase in metres.
    pub wheelbase_m: Option<f64>,
}

/// How a wheel-speed sensor works.
#[derive(Clone, Copy, Debug, Eq, Hash, PartialEq)]
pub enum SensorKind {
    /// Two-wire current sensor with its own electronics: steady down to a standstill.
    Active,
    /// A coil: the signal grows with speed.
    Passive,
}

/// How the buses did.
#[derive(Clone, Debug, Default)]
pub struct Bus {
    /// CAN frames of all kinds.
    pub frames: u64,
    /// CAN error frames.
    pub error_frames: u64,
    /// Of these: bus off.
    pub bus_off: u64,
    /// Of these: the controller became error passive.
    pub error_passive: u64,
    /// Of these: no acknowledgement.
    pub no_acknowledge: u64,
    /// Of these: frames lost by the adapter (receive overflow).
    pub overflow: u64,
    /// The first few error frames.
    pub first_errors: Vec<Origin>,
}

/// A frame of the brake module that comes in a cycle.
#[derive(Clone, Debug)]
pub struct Cyclic {
    /// Its identifier.
    pub id: CanId,
    /// How many came.
    pub frames: u64,
    /// Whether they came in a steady cycle.
    pub steady: bool,
    /// The cycle in s, outside pauses.
    pub cycle_s: f64,
    /// Pauses while the other frames of the channel went on; the first ones only.
    pub pauses: Vec<Pause>,
    /// How many pauses there were beyond those.
    pub more_pauses: u64,
}

/// A pause of a cyclic frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pause {
    /// When the last frame before it came, in s on the capture's clock.
    pub from_s: f64,
    /// How long it was, in s.
    pub length_s: f64,
    /// How many other frames came in it.
    pub others: u64,
}
