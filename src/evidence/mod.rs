//! Evidence: the findings of the rule set, each true, false or not observable for each place.

use crate::place::Place;
use crate::vehicle::Origin;

/// A finding of the rule set at one place.
#[derive(Clone, Debug)]
pub struct Finding {
    /// Its identifier in the rules.
    pub id: String,
    /// Where.
    pub place: Place,
    /// Whether it holds.
    pub state: State,
    /// One sentence for a person: what was seen, or why it could not be.
    pub summary: String,
    /// The measured value behind it, where there is one.
    pub measure: Option<Measure>,
    /// When it was seen, in seconds on the capture's clock; the first times only.
    pub times_s: Vec<f64>,
    /// The frames it came from; the first ones only.
    pub origins: Vec<Origin>,
    /// Whether the capture or the notes say so.
    pub source: Source,
}

/// Whether a finding holds. *Not observable* is not *false*.
#[derive(Clone, Copy, Debug, Eq, Hash, PartialEq)]
pub enum State {
    /// Seen.
    True,
    /// Looked for and not there.
    False,
    /// Nothing in the capture or the notes could have shown it.
    NotObservable,
}

/// A value with its unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Measure {
    /// The value.
    pub value: f64,
    /// Its unit, as printed; empty for a plain number.
    pub unit: String,
}

/// Where a finding comes from.
#[derive(Clone, Copy, Debug, Eq, Hash, PartialEq)]
pub enum Source {
    /// A capture.
    Capture,
    /// The inspection notes.
    Notes,
}

impl Source {
    /// The word for it in JSON.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Capture => "capture",
            Self::Notes => "notes",
        }
    }
}
