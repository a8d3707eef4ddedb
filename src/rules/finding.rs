//! Findings: statements about a vehicle that can be true, false or not observable, and the conditions behind them.
//!
//! Conditions use three values: `all` is false when one part is false, `any` true when one part is true, `not` leaves
//! *not observable* as it is.

use serde::Deserialize;

use super::place::PlaceWord;

/// A finding. One with a place of kind wheel or axle stands for one finding at each.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct FindingRule {
    /// Its identifier: `wheel-code-electrical`.
    pub id: String,
    /// The kind of place it has.
    pub place: PlaceWord,
    /// The sentence when it holds; `{place}` stands for the wheel or axle. Without full stop.
    pub holds: String,
    /// The sentence when it was looked for and does not hold.
    pub absent: String,
    /// When it holds.
    #[serde(with = "serde_yaml::with::singleton_map_recursive")]
    #[cfg_attr(feature = "schema", schemars(with = "Condition"))]
    pub when: Condition,
    /// When another finding already says the same: then this one is not observable, so that one fact counts once.
    #[serde(
        default,
        deserialize_with = "serde_yaml::with::singleton_map_recursive::deserialize"
    )]
    #[cfg_attr(feature = "schema", schemars(with = "Option<Condition>"))]
    pub moot: Option<Condition>,
    /// The chance that it holds although none of the causes is there: above 0, below 1.
    pub leak: f64,
    /// Where this comes from.
    pub source: String,
}

/// When a finding holds.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum Condition {
    /// A trouble code was reported.
    Code(CodeCondition),
    /// Modules were asked and kept silent.
    Silent(SilentCondition),
    /// A code was cleared and has not come back.
    Cleared(ClearedCondition),
    /// A voltage went beyond a limit.
    Voltage(VoltageCondition),
    /// A switch-like signal was on.
    Signal(SignalCondition),
    /// The bus was disturbed.
    Bus(BusCondition),
    /// The brake module's own frames pause, or never come.
    Frames(FramesCondition),
    /// A measure of the wheel speeds shows it.
    Measure(MeasureCondition),
    /// A check by hand gave this result.
    Check(CheckCondition),
    /// All of these hold.
    All(Vec<Self>),
    /// At least one of these holds.
    Any(Vec<Self>),
    /// This does not hold.
    Not(Box<Self>),
}

impl Condition {
    /// Calls `see` with this condition and every one inside it.
    pub fn walk<'a>(&'a self, see: &mut impl FnMut(&'a Self)) {
        see(self);
        match self {
            Self::All(parts) | Self::Any(parts) => {
                for part in parts {
                    part.walk(see);
                }
            }
            Self::Not(part) => part.walk(see),
            _ => {}
        }
    }

    /// The same with the path of each part, `.when.any[1].check`, for a condition at `path`.
    pub(super) fn walk_paths<'a>(&'a self, path: &str, see: &mut impl FnMut(&'a Self, &str)) {
        let name = match self {
            Self::Code(_) => "code",
            Self::Silent(_) => "silent",
            Self::Cleared(_) => "cleared",
            Self::Voltage(_) => "voltage",
            Self::Signal(_) => "signal",
            Self::Bus(_) => "bus",
            Self::Frames(_) => "frames",
            Self::Measure(_) => "measure",
            Self::Check(_) => "check",
            Self::All(_) => "all",
            Self::Any(_) => "any",
            Self::Not(_) => "not",
        };
        let path = format!("{path}.{name}");
        see(self, &path);
        match self {
            Self::All(parts) | Self::Any(parts) => {
                for (index, part) in parts.iter().enumerate() {
                    part.walk_paths(&format!("{path}[{index}]"), see);
                }
            }
            Self::Not(part) => part.walk_paths(&path, see),
            _ => {}
        }
    }
}

/// A trouble code of a part, of a nature, in a state, from a module.
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is a key of the rule files"
)]
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CodeCondition {
    /// The parts it may be about; every part when empty. `unlisted` is a code that the catalogue does not have.
    #[serde(default)]
    pub components: Vec<String>,
    /// The natures it may have, by identifier; every nature when empty.
    #[serde(default)]
    pub natures: Vec<String>,
    /// Whether the fault is there now.
    #[serde(default)]
    pub state: CodeStateWord,
    /// Whose code.
    #[serde(default)]
    pub from: Whose,
    /// How many different modules must say so, at least.
    #[serde(default = "one")]
    pub modules: u32,
    /// How many different modules must say so, at most.
    pub modules_at_most: Option<u32>,
    /// How many different parts must be named, at least.
    #[serde(default = "one")]
    pub parts: u32,
    /// Only codes without a wheel or axle of their own, for a finding of the vehicle.
    #[serde(default)]
    pub without_place: bool,
    /// How many different wheels the codes must name, at least.
    #[serde(default)]
    pub wheels: u32,
    /// Codes that name more wheels than this have one cause in common: the finding of each wheel is then not observable.
    pub wheels_at_most: Option<u32>,
    /// A module reports one nature of fault of such a part at a time: while it reports another one of the same parts, at
    /// the same place, this one is not observable.
    #[serde(default)]
    pub exclusive: bool,
    /// That there is no such code says nothing: not every module has it.
    #[serde(default)]
    pub only_when_there: bool,
    /// Such a nature is told by a failure type: that there is no such code says nothing while no code of those modules has
    /// one.
    #[serde(default)]
    pub typed: bool,
}

const fn one() -> u32 {
    1
}

/// Whether a code's fault is there now.
#[derive(Clone, Copy, Debug, Default, Deserialize, Eq, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum CodeStateWord {
    /// There now, or failed in this operation cycle, or in a list that does not tell.
    #[default]
    Present,
    /// Stored only.
    Remembered,
    /// Of stored codes: the test has not run since the key was turned on. Not observable without a stored code, or when
    /// the fault is there now.
    Untested,
    /// Either there now or stored.
    Either,
}

/// Whose codes, whose silence.
#[derive(Clone, Copy, Debug, Default, Deserialize, Eq, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Whose {
    /// The brake module's.
    #[default]
    Brakes,
    /// Those of the other modules.
    Others,
    /// Anyone's.
    Any,
}

/// Modules that were asked and kept silent.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct SilentCondition {
    /// Whose silence.
    pub who: Whose,
    /// How many, at least.
    #[serde(default = "one")]
    pub modules: u32,
    /// Not for good, but now and then: so many requests at least that the module had answered before, word for word.
    pub requests: Option<u32>,
}

/// Codes were cleared, the module was read again, and they have not come back.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ClearedCondition {
    /// `false`: not come back; `true`: come back.
    pub come_back: bool,
}

/// A voltage beyond a limit.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct VoltageCondition {
    /// Which.
    pub of: VoltageOf,
    /// It was below this, in V.
    pub below: Option<f64>,
    /// It was above this, in V.
    pub above: Option<f64>,
    /// For at least so long at a stretch, in seconds.
    #[serde(default)]
    pub for_s: f64,
}

/// Which voltage.
#[derive(Clone, Copy, Debug, Deserialize, Eq, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum VoltageOf {
    /// At the ABS module.
    Supply,
    /// Anywhere else on the vehicle.
    Battery,
    /// At the ABS module where it is known, else anywhere.
    SupplyOrBattery,
    /// How much less there is at the ABS module than elsewhere.
    SupplyDrop,
}

/// A switch-like signal that was on.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct SignalCondition {
    /// Which.
    pub name: SwitchSignal,
    /// It was on in more than this share of the samples, 0 to 1.
    pub on_more_than: f64,
    /// Only samples at this speed or above count, in km/h.
    pub moving_kmh: Option<f64>,
    /// There must be samples over so many seconds.
    #[serde(default)]
    pub at_least_s: f64,
}

/// A switch-like signal.
#[derive(Clone, Copy, Debug, Deserialize, Eq, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum SwitchSignal {
    /// The fluid level is low.
    FluidLow,
    /// The brake pedal is pressed.
    BrakeSwitch,
    /// The ABS regulates.
    AbsActive,
}

/// Error frames on the bus, those for want of an acknowledgement and those lost by the adapter left out.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct BusCondition {
    /// Their share of all frames is above this.
    pub error_share: f64,
    /// And there are at least so many.
    pub errors: u64,
    /// It is false only when there were at least so many frames.
    pub frames: u64,
}

/// The frames in which the profile has the wheels' speeds, on a bus that goes on without them.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct FramesCondition {
    /// What about them.
    pub state: FramesWord,
    /// How many pauses of the same frame, at least. One fewer, but not none, is not observable.
    #[serde(default = "one")]
    pub pauses: u32,
    /// It is false only when the frames, and true without any of them only when all others, were seen for so many seconds.
    #[serde(default)]
    pub at_least_s: f64,
}

/// How frames that should come in a cycle do.
#[derive(Clone, Copy, Debug, Deserialize, Eq, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum FramesWord {
    /// They pause while others go on.
    Pausing,
    /// None of them ever comes, and others do.
    Absent,
}

/// A measure of the wheel speeds.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct MeasureCondition {
    /// Its identifier: `dropout_share`.
    pub name: String,
    /// Its size must be above this, whatever its sign.
    pub above: Option<f64>,
    /// Its size must be below this, whatever its sign.
    pub below: Option<f64>,
    /// It belongs to this kind of sensor: with the other kind, that it is not shown says nothing.
    pub sensor: Option<SensorWord>,
}

/// A result of a check by hand, at the same place. Another result makes it false.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CheckCondition {
    /// The check's identifier.
    pub id: String,
    /// The results that make it true, for a check with words.
    #[serde(default)]
    pub results: Vec<String>,
    /// True below this value, for a check with a value.
    pub below: Option<f64>,
    /// True above this value.
    pub above: Option<f64>,
    /// True from this value on, together with `to`.
    pub from: Option<f64>,
    /// True up to but not at this value, together with `from`.
    pub to: Option<f64>,
    /// Only for this kind of wheel-speed sensor; not observable when the profile names another.
    pub sensor: Option<SensorWord>,
}

/// A kind of wheel-speed sensor.
#[derive(Clone, Copy, Debug, Deserialize, Eq, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum SensorWord {
    /// Two-wire current sensor.
    Active,
    /// Coil.
    Passive,
}

impl SensorWord {
    /// As the rule files have it.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Active => "active",
            Self::Passive => "passive",
        }
    }
}

/// A nature of codes: what kind of fault the failure type or, without one, the number itself speaks of.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Nature {
    /// Its identifier: `electrical`.
    pub id: String,
    /// The words for a person.
    pub words: String,
    /// Failure types of SAE J2012 and ISO 15031-6.
    #[serde(default)]
    pub failure_types: Vec<u8>,
    /// Third bytes of other numberings.
    #[serde(default)]
    pub other_types: Vec<OtherTypes>,
    /// Kinds of fault of the code catalogue, where the failure type says nothing.
    #[serde(default)]
    pub kinds: Vec<String>,
    /// Where this comes from.
    pub source: String,
}

/// Third bytes of a numbering with a table of its own.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OtherTypes {
    /// The numbering's identifier.
    pub numbering: String,
    /// The bytes.
    pub bytes: Vec<u8>,
}
