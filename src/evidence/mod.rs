//! Evidence: the findings of the rule set, each true, false or not observable for each place.
//!
//! A code number that two numberings use is read both ways: [`Evidence::readings`] holds one set of states for each
//! way, with its weight, and the ranking mixes them. What the report shows is the weightiest reading.

mod codes;
mod condition;
mod frames;
mod notes;
mod numbering;
mod signals;

use crate::notes::Notes;
use crate::place::Place;
use crate::rules::{FindingRule, Rules, SensorWord};
use crate::trouble::Catalogue;
use crate::vehicle::{Origin, Record, SensorKind};
use crate::wheel::Measures;

use self::condition::Judged;

/// A finding of the rule set at one place.
#[derive(Clone, Debug)]
pub struct Finding {
    /// Its identifier in the rules.
    pub id: String,
    /// Where.
    pub place: Place,
    /// Whether it holds, in the weightiest reading.
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

/// Everything that findings are judged by.
#[derive(Clone, Copy, Debug)]
pub struct Grounds<'a> {
    /// The rule set.
    pub rules: &'a Rules,
    /// What the code numbers mean.
    pub catalogue: &'a Catalogue,
    /// What the captures say.
    pub record: &'a Record,
    /// The wheels, measured.
    pub measures: &'a Measures,
    /// What was checked by hand.
    pub notes: &'a Notes,
}

/// The findings, and the ways to read the evidence.
#[derive(Clone, Debug)]
pub struct Evidence {
    /// Each finding at each of its places, in the order of the rules: see [`places`].
    pub findings: Vec<Finding>,
    /// The ways to read the codes, the weightiest first: one unless a number has two meanings.
    pub readings: Vec<Reading>,
}

/// One way to read the codes.
#[derive(Clone, Debug)]
pub struct Reading {
    /// Its weight; the weights sum to 1.
    pub weight: f64,
    /// The state of each finding, in the order of [`Evidence::findings`].
    pub states: Vec<State>,
}

/// Each finding at each of its places: rules in their order, places in table order. The index of a pair is that of the
/// finding in [`Evidence::findings`].
pub fn places(rules: &Rules) -> impl Iterator<Item = (&FindingRule, Place)> {
    rules.findings().iter().flat_map(|rule| {
        let places = rule.place.kind().places().iter();
        places.map(move |&place| (rule, place))
    })
}

/// Judges every finding at every place.
pub fn evaluate(grounds: &Grounds<'_>) -> Evidence {
    let numberings = numbering::ways(grounds);
    let mut readings = Vec::new();
    let mut findings = Vec::new();
    for way in &numberings {
        let coded = codes::Coded::new(grounds, way);
        let judged: Vec<Judged> = places(grounds.rules)
            .map(|(rule, place)| judge(rule, place, grounds, &coded))
            .collect();
        readings.push(Reading {
            weight: way.weight,
            states: judged.iter().map(|judged| judged.state).collect(),
        });
        if findings.is_empty() {
            let rules = places(grounds.rules).zip(judged);
            findings = rules
                .map(|((rule, place), judged)| finding(rule, place, judged))
                .collect();
        }
    }
    Evidence { findings, readings }
}

/// The state of one finding if the notes were these.
pub fn state_with(grounds: &Grounds<'_>, rule: &FindingRule, place: Place) -> State {
    let way = numbering::Way::default();
    let coded = codes::Coded::new(grounds, &way);
    judge(rule, place, grounds, &coded).state
}

/// As rules name the kind.
impl From<SensorKind> for SensorWord {
    fn from(kind: SensorKind) -> Self {
        match kind {
            SensorKind::Active => Self::Active,
            SensorKind::Passive => Self::Passive,
        }
    }
}

/// Judges a finding at a place; not observable while another finding already says the same.
fn judge(
    rule: &FindingRule,
    place: Place,
    grounds: &Grounds<'_>,
    coded: &codes::Coded<'_>,
) -> Judged {
    let of = |condition| condition::judge(condition, place, grounds, coded);
    if rule
        .moot
        .as_ref()
        .is_some_and(|moot| of(moot).state == State::True)
    {
        return Judged::not_observable(
            "another finding already says the same, or it settles nothing",
        );
    }
    of(&rule.when)
}

fn finding(rule: &FindingRule, place: Place, judged: Judged) -> Finding {
    let sentence = match judged.state {
        State::True => &rule.holds,
        State::False => &rule.absent,
        State::NotObservable => &judged.reason,
    };
    let mut summary = sentence.replace("{place}", &place.to_string());
    if judged.state == State::True && !judged.details.is_empty() {
        summary.push_str(" (");
        summary.push_str(&judged.details.join("; "));
        summary.push(')');
    }
    Finding {
        id: rule.id.clone(),
        place,
        state: judged.state,
        summary,
        measure: judged.measure,
        times_s: judged.times_s,
        origins: judged.origins,
        source: judged.source,
    }
}
