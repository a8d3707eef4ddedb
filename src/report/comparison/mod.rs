//! Two reports of one vehicle side by side: has the repair worked? The view model and its printers.

pub mod html;
pub mod json;
pub mod markdown;
pub mod text;
pub(super) mod wording;

use super::plot::Plot;
use super::{CaptureLine, VisitLine};
use crate::place::Place;

/// What a recording after the repair says against one before it.
#[derive(Clone, Debug)]
pub struct Comparison {
    /// Program and version: `tonering 0.1.0`.
    pub program: String,
    /// The vehicle's name: the profile's.
    pub vehicle: Option<String>,
    /// The captures before the repair.
    pub before: Vec<CaptureLine>,
    /// The captures after it.
    pub after: Vec<CaptureLine>,
    /// Whether it is mended.
    pub outcome: Outcome,
    /// Why, a sentence each, the strongest reason first.
    pub reasons: Vec<String>,
    /// What became of each code.
    pub codes: Vec<CodeChange>,
    /// Modules that kept silent before or after.
    pub modules: Vec<ModuleChange>,
    /// The measures of wheels, axles and vehicle that could be made before or after.
    pub measures: Vec<MeasureChange>,
    /// The wheels as drawn: before and after.
    pub plots: [Vec<Plot>; 2],
    /// What must still be driven or read to be sure.
    pub remaining: Vec<String>,
    /// Earlier visits of the same vehicle, the first one first.
    pub visits: Vec<VisitLine>,
}

/// Whether the repair worked.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Outcome {
    /// Everything that was wrong has been tested again and is sound.
    Proven,
    /// What was tested again is sound; something was not tested again.
    Likely,
    /// Nothing that was wrong has been tested again.
    NotShown,
    /// Something is wrong still, or newly.
    NotMended,
}

impl Outcome {
    /// The word for it in JSON.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Proven => "proven",
            Self::Likely => "likely",
            Self::NotShown => "not-shown",
            Self::NotMended => "not-mended",
        }
    }
}

/// What became of a code.
#[derive(Clone, Debug)]
pub struct CodeChange {
    /// `C0031`.
    pub code: String,
    /// `13`.
    pub failure_type: Option<String>,
    /// The module that gave it.
    pub module: String,
    /// What it means.
    pub meaning: String,
    /// What became of it.
    pub fate: CodeFate,
    /// The status byte before, `0x2F`.
    pub before: Option<String>,
    /// The status byte after, `0x28`.
    pub after: Option<String>,
    /// Why this is said of it.
    pub words: String,
}

/// What became of a code.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum CodeFate {
    /// Fails now.
    Still,
    /// Fails now and did not before.
    New,
    /// Listed, without saying that it fails now.
    Remembered,
    /// Cleared, and not tested since.
    NotRetested,
    /// Nobody asked the module again.
    NotRead,
    /// Listed, and its test has run and passed.
    Passed,
    /// No longer listed after a drive.
    Gone,
    /// Remembered before and after by a module that is not the brakes', and failing on neither side.
    Unchanged,
}

impl CodeFate {
    /// The word for it in JSON.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Still => "still",
            Self::New => "new",
            Self::Remembered => "remembered",
            Self::NotRetested => "not-retested",
            Self::NotRead => "not-read",
            Self::Passed => "passed",
            Self::Gone => "gone",
            Self::Unchanged => "unchanged",
        }
    }
}

/// A module that was silent before or after.
#[derive(Clone, Debug)]
pub struct ModuleChange {
    /// Its name.
    pub name: String,
    /// Its state before; `None` when it does not occur.
    pub before: Option<&'static str>,
    /// Its state after; `None` when it does not occur.
    pub after: Option<&'static str>,
    /// The change in words.
    pub words: String,
}

/// A measure before and after.
#[derive(Clone, Debug)]
pub struct MeasureChange {
    /// Where.
    pub place: Place,
    /// Its name in JSON.
    pub id: &'static str,
    /// Its name for a person.
    pub name: &'static str,
    /// Its unit.
    pub unit: &'static str,
    /// Before; `None` when it could not be made.
    pub before: Option<Value>,
    /// After; `None` when it could not be made.
    pub after: Option<Value>,
    /// Whether the difference is larger than its uncertainty; `None` when one side is missing.
    pub beyond_uncertainty: Option<bool>,
    /// What became of it.
    pub fate: MeasureFate,
    /// Why this is said of it.
    pub words: String,
}

/// A measured value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Value {
    /// The value.
    pub value: f64,
    /// Half width of its 95 % interval.
    pub uncertainty: f64,
    /// Whether no sound vehicle gives this.
    pub faulty: bool,
}

/// What became of a measure.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum MeasureFate {
    /// Showed a fault and still does.
    Still,
    /// Shows a fault and did not before.
    New,
    /// Showed a fault, and could not be made after.
    NotRetested,
    /// Showed a fault, and is better after, but not for long enough to be sure.
    Better,
    /// Showed a fault and does not any more.
    Mended,
    /// Showed no fault before or after, and differs by more than its uncertainty.
    Changed,
    /// The same within the uncertainty, or made on one side only.
    Same,
}

impl MeasureFate {
    /// The word for it in JSON.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Still => "still",
            Self::New => "new",
            Self::NotRetested => "not-retested",
            Self::Better => "better",
            Self::Mended => "mended",
            Self::Changed => "changed",
            Self::Same => "same",
        }
    }
}
