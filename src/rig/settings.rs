//! What a person chooses about a simulated vehicle.

use super::codes::Numbering;
use super::drive::Drive;
use super::fault::{Defect, Fault};
use super::kinematics::Geometry;
use super::layout::{Layout, Style};
use super::random::Random;
use crate::frame::{CanId, Timestamp};
use crate::place::{Place, Wheel};
use crate::vehicle::SensorKind;

/// How the wheel speeds come out of the vehicle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Delivery {
    /// The brake module broadcasts them.
    Broadcast,
    /// The tester polls them as identifiers (DIDs), so many rounds a second.
    Polled {
        /// Rounds a second.
        rate_hz: f64,
    },
    /// Not at all: codes only.
    Absent,
}

/// When the tester reads the codes.
#[derive(Clone, Copy, Debug, Eq, Hash, PartialEq)]
pub enum Moment {
    /// Before the vehicle leaves.
    Before,
    /// On the way.
    During,
    /// After it has come back.
    After,
    /// Never: the capture holds broadcast traffic only.
    Never,
}

/// What the tester does.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Survey {
    /// When.
    pub moment: Moment,
    /// Whether it asks the brake module, or the legislated services only.
    pub asks_brakes: bool,
    /// Whether it reads snapshots of the codes it finds.
    pub snapshots: bool,
    /// Whether it clears the codes before the drive.
    pub clears: bool,
}

/// How modules are addressed.
#[derive(Clone, Copy, Debug, Eq, Hash, PartialEq)]
pub enum Scheme {
    /// 11-bit identifiers.
    Normal,
    /// 29-bit identifiers with target and source (normal fixed addressing).
    NormalFixed,
}

/// A module that answers requests.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum ModuleName {
    /// The brake module.
    Brakes,
    /// Engine.
    Powertrain,
    /// Body.
    Body,
    /// Cluster.
    Cluster,
}

impl ModuleName {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Brakes, Self::Powertrain, Self::Body, Self::Cluster];

    /// Its index in [`ModuleName::ALL`].
    pub(super) const fn index(self) -> usize {
        self as usize
    }

    /// Its name in the profile.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Brakes => "Brake control",
            Self::Powertrain => "Engine control",
            Self::Body => "Body control",
            Self::Cluster => "Instrument cluster",
        }
    }

    /// Its role in the profile.
    pub const fn role(self) -> &'static str {
        match self {
            Self::Brakes => "brakes",
            Self::Powertrain => "powertrain",
            Self::Body => "body",
            Self::Cluster => "cluster",
        }
    }
}

impl Scheme {
    /// Request and response identifier of a module.
    pub fn addresses(self, module: ModuleName) -> (CanId, CanId) {
        match self {
            Self::Normal => {
                let request = match module {
                    ModuleName::Brakes => 0x740,
                    ModuleName::Powertrain => 0x7E0,
                    ModuleName::Body => 0x726,
                    ModuleName::Cluster => 0x720,
                };
                (
                    CanId::standard_masked(request),
                    CanId::standard_masked(request + 8),
                )
            }
            Self::NormalFixed => {
                let node = match module {
                    ModuleName::Brakes => 0x28,
                    ModuleName::Powertrain => 0x10,
                    ModuleName::Body => 0x40,
                    ModuleName::Cluster => 0x60,
                };
                (
                    CanId::extended_masked(0x18DA_00F1 | node << 8),
                    CanId::extended_masked(0x18DA_F100 | node),
                )
            }
        }
    }

    /// Identifier of requests to all.
    pub fn functional(self) -> CanId {
        match self {
            Self::Normal => CanId::standard_masked(0x7DF),
            Self::NormalFixed => CanId::extended_masked(0x18DB_33F1),
        }
    }
}

/// Everything about one simulated vehicle and one recording of it. The same settings give the same bytes.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    /// The seed of all chance.
    pub seed: u64,
    /// What is wrong now.
    pub faults: Vec<Fault>,
    /// What was wrong on the earlier drives and has been mended since.
    pub past_faults: Vec<Fault>,
    /// The drive that is recorded.
    pub drive: Drive,
    /// Drives before it, which are not recorded: modules remember them.
    pub earlier_drives: u8,
    /// How the wheel speeds come out.
    pub delivery: Delivery,
    /// Where the broadcast signals stand.
    pub layout: Layout,
    /// How modules are addressed.
    pub scheme: Scheme,
    /// How the sensors work.
    pub sensor: SensorKind,
    /// Teeth of the rings.
    pub teeth: u32,
    /// The tyre's size, as in the profile.
    pub tyre: &'static str,
    /// Rolling circumference that the module was told, metres.
    pub circumference_m: f64,
    /// Track and wheelbase.
    pub geometry: Geometry,
    /// Whether the engine drives the front wheels.
    pub front_driven: bool,
    /// How the brake module numbers its codes; `None`: the training vehicle's own choices.
    pub numbering: Option<Numbering>,
    /// What the tester does.
    pub survey: Survey,
    /// Codes of other systems that have nothing to do with the brakes.
    pub stray_codes: u8,
    /// Whether wheel spin and a full braking happen on the way.
    pub spirited: bool,
    /// When the recording begins.
    pub start: Timestamp,
}

impl Settings {
    /// The training vehicle, sound, on its test drive, asked after the drive.
    pub fn training(seed: u64) -> Self {
        Self {
            seed,
            faults: Vec::new(),
            past_faults: Vec::new(),
            drive: Drive::Test,
            earlier_drives: 1,
            delivery: Delivery::Broadcast,
            layout: Layout::new(Style::FourWords, 0, 20),
            scheme: Scheme::Normal,
            sensor: SensorKind::Active,
            teeth: 48,
            tyre: "205/55R16",
            circumference_m: 1.945,
            geometry: Geometry {
                track_m: 1.52,
                wheelbase_m: 2.62,
            },
            front_driven: true,
            numbering: None,
            survey: Survey {
                moment: Moment::After,
                asks_brakes: true,
                snapshots: true,
                clears: false,
            },
            stray_codes: 0,
            spirited: false,
            start: Timestamp::from_nanos(1_767_348_000_000_000_000),
        }
    }

    /// What was wrong on the earlier drives: the past faults, a drawn one for a remembered fault, else the present
    /// ones.
    pub(super) fn faults_before(&self) -> Vec<Fault> {
        if !self.past_faults.is_empty() {
            return self.past_faults.clone();
        }
        let remembered = |fault: &Fault| fault.defect == Defect::Remembered;
        if !self.faults.iter().any(remembered) {
            return self.faults.clone();
        }
        let mut random = Random::new(self.seed, "remembered");
        let wheel = Place::Wheel(random.pick(&Wheel::ALL));
        let (defect, place) = random.pick(&[
            (Defect::WireOpen, wheel),
            (Defect::WireIntermittent, wheel),
            (Defect::ElementDead, wheel),
            (Defect::ChargingLow, Place::Vehicle),
            (Defect::StubIntermittent, Place::Vehicle),
        ]);
        let old = Fault {
            defect,
            place,
            severity: 0.8,
        };
        let others = self.faults.iter().filter(|fault| !remembered(fault));
        others.copied().chain([old]).collect()
    }
}
