//! The arithmetic of causes as JSON: `{"why": 1, …}`, numbers not rounded, so that the sum can be done again elsewhere.

use std::io::{self, Write};

use serde::Serialize;

use super::{Basis, Why};
use crate::place::{Axle, Place, Wheel};
use crate::report::Report;
use crate::report::json::{Form, write_value};

/// The whole object.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct WhyOut {
    /// Version of this shape: 1.
    pub why: u32,
    /// Program and version.
    pub program: String,
    /// The vehicle's name, from the profile.
    pub vehicle: Option<String>,
    /// The causes that were asked for.
    pub causes: Vec<CauseWhyOut>,
    /// Every cause with its probability, the likeliest first.
    pub ranking: Vec<RankedOut>,
    /// Each way to read the code numbers, with what was observed; the network itself is given by `rules network`.
    pub readings: Vec<ReadingOut>,
    /// The largest probability that the sets of causes left out of the sum can have together: no probability is off by more.
    pub left_out: Option<f64>,
    /// The rules in force.
    pub rules: Vec<String>,
}

/// The arithmetic of one cause.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct CauseWhyOut {
    /// The cause and where.
    #[serde(flatten)]
    pub what: EntryOut,
    /// Its name for a person.
    pub name: String,
    /// Its place among all causes: 1 is the first.
    pub rank: usize,
    /// Its probability.
    pub probability: f64,
    /// Its probability before any evidence, as the rules have it.
    pub prior: f64,
    /// Where that comes from.
    pub prior_words: String,
    /// The same over the sets of causes that the sum is made of. Its odds times all factors are the odds of `probability`.
    pub start: f64,
    /// What moved it, in the order of the arithmetic.
    pub steps: Vec<StepOut>,
    /// What bears on it and could not be observed.
    pub missing: Vec<MissingOut>,
    /// The likeliest other causes.
    pub rivals: Vec<RivalOut>,
    /// Results of open checks after which another cause would be the first.
    pub turns: Vec<TurnOut>,
    /// How far the order hangs on the priors.
    pub stability: Option<String>,
}

/// An identifier with its place.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct EntryOut {
    /// The identifier in the rules.
    pub id: String,
    /// The wheel, where it is at one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub wheel: Option<&'static str>,
    /// The axle, where it is at one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub axle: Option<&'static str>,
}

impl EntryOut {
    fn new(id: &str, place: Place) -> Self {
        Self {
            id: id.to_owned(),
            wheel: place.wheel().map(Wheel::id),
            axle: place.axle().map(Axle::id),
        }
    }
}

/// A step: a finding, or several that move little each.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct StepOut {
    /// The finding and where; null for several.
    pub finding: Option<EntryOut>,
    /// Whether it holds; null for several.
    pub holds: Option<bool>,
    /// What it says.
    pub words: String,
    /// How many findings.
    pub findings: usize,
    /// Whether the cause itself brings it about; else it moves the rivals alone.
    pub direct: bool,
    /// The chance that it holds with this cause alone.
    pub with_cause: Option<f64>,
    /// The chance that it holds with no cause.
    pub with_none: Option<f64>,
    /// The factor if nothing else was known; null where it is infinite.
    pub alone: Option<f64>,
    /// The factor on the odds, given the steps before; null where it is infinite.
    pub factor: Option<f64>,
    /// The probability after it.
    pub after: f64,
    /// Captures and line or packet numbers; the first ones only.
    pub origins: Vec<String>,
}

/// Something that could not be observed.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct MissingOut {
    /// The finding and where.
    #[serde(flatten)]
    pub what: EntryOut,
    /// What would be seen.
    pub words: String,
    /// Why it could not be.
    pub reason: String,
    /// The cause's probability if it was seen.
    pub seen: f64,
    /// The cause's probability if it was looked for and not there.
    pub absent: f64,
}

/// Another cause.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct RivalOut {
    /// The cause and where.
    #[serde(flatten)]
    pub what: EntryOut,
    /// Its probability.
    pub probability: f64,
    /// The probability that both are there.
    pub both: f64,
}

/// A result that would make another cause the first.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TurnOut {
    /// The check and where.
    #[serde(flatten)]
    pub what: EntryOut,
    /// The result in words.
    pub result: String,
    /// How probable it is.
    pub probability: f64,
    /// The cause that would be first.
    pub first: String,
    /// Its probability then.
    pub first_probability: f64,
    /// The probability of the cause in question then.
    pub this: f64,
}

/// A cause with its probability.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct RankedOut {
    /// The cause and where.
    #[serde(flatten)]
    pub what: EntryOut,
    /// Its probability.
    pub probability: f64,
}

/// A way to read the code numbers.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct ReadingOut {
    /// Its weight; the weights sum to 1.
    pub weight: f64,
    /// What could be observed.
    pub observed: Vec<ObservedOut>,
}

/// A finding that could be observed.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct ObservedOut {
    /// The finding and where.
    #[serde(flatten)]
    pub what: EntryOut,
    /// Whether it holds.
    pub holds: bool,
}

/// Writes the arithmetic of these causes, and what the whole ranking rests on.
pub fn write(
    report: &Report,
    whys: &[Why],
    basis: &Basis,
    out: &mut dyn Write,
    form: Form,
) -> io::Result<()> {
    write_value(&shape(report, whys, basis), out, form)
}

/// The object that is written.
pub fn shape(report: &Report, whys: &[Why], basis: &Basis) -> WhyOut {
    WhyOut {
        why: 1,
        program: report.program.clone(),
        vehicle: report.vehicle.clone(),
        causes: whys.iter().map(cause).collect(),
        ranking: basis
            .ranking
            .iter()
            .map(|(id, place, probability)| RankedOut {
                what: EntryOut::new(id, *place),
                probability: *probability,
            })
            .collect(),
        readings: basis
            .readings
            .iter()
            .map(|reading| ReadingOut {
                weight: reading.weight,
                observed: reading
                    .findings
                    .iter()
                    .map(|(id, place, holds)| ObservedOut {
                        what: EntryOut::new(id, *place),
                        holds: *holds,
                    })
                    .collect(),
            })
            .collect(),
        left_out: report.left_out,
        rules: report.rules.clone(),
    }
}

fn cause(why: &Why) -> CauseWhyOut {
    let finite = |number: f64| number.is_finite().then_some(number);
    CauseWhyOut {
        what: EntryOut::new(&why.id, why.place),
        name: why.name.clone(),
        rank: why.rank,
        probability: why.probability,
        prior: why.prior,
        prior_words: why.prior_words.clone(),
        start: why.start,
        steps: why
            .steps
            .iter()
            .map(|step| {
                let finding = step.finding.as_ref();
                StepOut {
                    finding: finding.map(|finding| EntryOut::new(&finding.id, finding.place)),
                    holds: finding.map(|finding| finding.holds),
                    words: step.words.clone(),
                    findings: step.findings,
                    direct: step.direct,
                    with_cause: step.chances.map(|(with, _)| with),
                    with_none: step.chances.map(|(_, none)| none),
                    alone: step.alone.and_then(finite),
                    factor: finite(step.factor),
                    after: step.after,
                    origins: finding
                        .map(|finding| finding.origins.clone())
                        .unwrap_or_default(),
                }
            })
            .collect(),
        missing: why
            .missing
            .iter()
            .map(|missing| MissingOut {
                what: EntryOut::new(&missing.id, missing.place),
                words: missing.words.clone(),
                reason: missing.reason.clone(),
                seen: missing.seen,
                absent: missing.absent,
            })
            .collect(),
        rivals: why
            .rivals
            .iter()
            .map(|rival| RivalOut {
                what: EntryOut::new(&rival.id, rival.place),
                probability: rival.probability,
                both: rival.both,
            })
            .collect(),
        turns: why
            .turns
            .iter()
            .map(|turn| TurnOut {
                what: EntryOut::new(&turn.check, turn.place),
                result: turn.result.clone(),
                probability: turn.probability,
                first: turn.first.clone(),
                first_probability: turn.first_probability,
                this: turn.this,
            })
            .collect(),
        stability: why.stability.clone(),
    }
}
