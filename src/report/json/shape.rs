//! What stands in the JSON, one struct for each object of the contract. Keys beyond the contract are marked "also".

use serde::Serialize;

use crate::place::Place;
use crate::report::{
    CauseLine, CheckLine, CodeLine, FindingLine, LikelyLine, MeasureLine, RepairLine, Report,
    Urgency, VisitLine, WheelLine,
};

/// The whole report.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct ReportOut {
    /// Version of this shape.
    pub report: u32,
    /// Program and version.
    pub program: String,
    /// Also: the vehicle's name, from the profile.
    pub vehicle: Option<String>,
    /// Also: what to do first when it is or may be unsafe to drive.
    pub safety: Option<SafetyOut>,
    /// The captures that were read.
    pub captures: Vec<CaptureOut>,
    /// The modules and how they behaved.
    pub modules: Vec<ModuleOut>,
    /// The codes.
    pub codes: Vec<CodeOut>,
    /// The wheels, measured.
    pub wheels: Vec<WheelOut>,
    /// What was found.
    pub findings: Vec<FindingOut>,
    /// Also: what was looked for and is not there, where that speaks against a cause.
    pub absent: Vec<FindingOut>,
    /// The causes by falling probability.
    pub causes: Vec<CauseOut>,
    /// The next checks, first one first.
    pub checks: Vec<CheckOut>,
    /// Also: the repair of what is certain, and what follows; null when nothing is.
    pub repair: Option<RepairOut>,
    /// Cautions for everything here.
    pub cautions: Vec<String>,
    /// What the captures could not show.
    pub limits: Vec<String>,
    /// Also: how well the evidence fits the causes, where there is something to say.
    pub fit: Option<String>,
    /// Also: how far the order of the causes hangs on the priors.
    pub stability: Option<String>,
    /// Also: the rules in force.
    pub rules: Vec<String>,
    /// Also: the largest probability that the sets of causes left out of the sum can have together.
    pub left_out: Option<f64>,
    /// Also: earlier visits of the same vehicle, the first one first.
    pub visits: Vec<VisitOut>,
    /// Also, where many captures are diagnosed each on its own: SHA-256 over program, profile, notes, rules and settings.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub basis: Option<String>,
    /// Also, where many captures are diagnosed each on its own: why there is no result; the lists above are empty then.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub error: Option<String>,
}

/// The repair of what is certain, and what follows.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct RepairOut {
    /// What to repair.
    pub causes: Vec<LikelyOut>,
    /// Whether it comes before any further check: these are not urgent and not expected to save more than they cost.
    pub first: bool,
    /// Probability that the trouble is over then.
    pub ends: Option<f64>,
    /// What is likeliest to be behind it if it is not, likeliest first.
    pub left: Vec<LikelyOut>,
    /// The checks that follow if it is not, first one first.
    pub checks: Vec<CheckOut>,
}

/// A cause and how likely it is.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct LikelyOut {
    /// Its identifier.
    pub id: String,
    /// The wheel, where it is at one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub wheel: Option<&'static str>,
    /// The axle, where it is at one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub axle: Option<&'static str>,
    /// Its probability.
    pub probability: Option<f64>,
}

impl From<&RepairLine> for RepairOut {
    fn from(line: &RepairLine) -> Self {
        Self {
            causes: line.causes.iter().map(LikelyOut::from).collect(),
            first: line.first,
            ends: significant(line.ends),
            left: line.left.iter().map(LikelyOut::from).collect(),
            checks: line.checks.iter().map(CheckOut::from).collect(),
        }
    }
}

impl From<&LikelyLine> for LikelyOut {
    fn from(line: &LikelyLine) -> Self {
        let (wheel, axle) = place_ids(line.place);
        Self {
            id: line.id.clone(),
            wheel,
            axle,
            probability: significant(line.probability),
        }
    }
}

/// An earlier visit.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct VisitOut {
    /// Which: 1 for the first.
    pub number: u32,
    /// Its day: `2026-11-25`.
    pub date: String,
    /// `diagnosis` or `comparison`.
    pub kind: String,
    /// What was found.
    pub found: Vec<String>,
    /// What was checked by hand.
    pub done: Vec<String>,
}

impl From<&VisitLine> for VisitOut {
    fn from(visit: &VisitLine) -> Self {
        Self {
            number: visit.number,
            date: visit.date.clone(),
            kind: visit.kind.clone(),
            found: visit.found.clone(),
            done: visit.done.clone(),
        }
    }
}

/// The part `wheels` alone.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct WheelsOut {
    /// The wheels, measured.
    pub wheels: Vec<WheelOut>,
}

/// What to do first.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct SafetyOut {
    /// `do-not-drive` or `drive-with-care`.
    pub urgency: &'static str,
    /// What to do.
    pub words: String,
    /// Why.
    pub reasons: Vec<String>,
}

/// A capture.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct CaptureOut {
    /// Its name as given.
    pub file: String,
    /// Its kind.
    pub kind: String,
    /// Frames read.
    pub frames: u64,
    /// Pieces that could not be read.
    pub unreadable: u64,
    /// First time, in seconds on the capture's clock.
    pub first_s: Option<f64>,
    /// Last time, in seconds on the capture's clock.
    pub last_s: Option<f64>,
    /// Also: what was damaged or left out.
    pub remarks: Vec<String>,
    /// Also: SHA-256 of the file as read.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sha256: Option<String>,
}

/// A module.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct ModuleOut {
    /// Its name.
    pub name: String,
    /// Its role.
    pub role: &'static str,
    /// Address of requests to it, in hexadecimal.
    pub request: Option<String>,
    /// Address of its answers, in hexadecimal.
    pub response: Option<String>,
    /// `answering`, `silent`, `refusing` or `not-asked`.
    pub state: &'static str,
}

/// A code.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct CodeOut {
    /// The code: `C0031`.
    pub code: String,
    /// The failure type byte in hexadecimal; null where the service has none.
    pub failure_type: Option<String>,
    /// The status byte in hexadecimal, as sent; null where the service has none.
    pub status: Option<String>,
    /// `stored`, `pending` or `permanent`, for the lists of the OBD modes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub list: Option<&'static str>,
    /// Bit 0 of the status of ISO 14229-1.
    pub test_failed: Option<bool>,
    /// Bit 3 of the status of ISO 14229-1.
    pub confirmed: Option<bool>,
    /// Bit 2 of the status of ISO 14229-1.
    pub pending: Option<bool>,
    /// The module that gave it.
    pub module: String,
    /// What it means.
    pub meaning: String,
    /// When it was given, in seconds on the capture's clock.
    pub time_s: Option<f64>,
    /// Also: capture and line or packet number.
    pub origin: String,
}

/// A wheel.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct WheelOut {
    /// `left-front`, `right-front`, `left-rear` or `right-rear`.
    pub wheel: &'static str,
    /// How many samples.
    pub samples: u64,
    /// Median interval, in seconds.
    pub interval_s: Option<f64>,
    /// Highest speed, in km/h.
    pub top_kmh: Option<f64>,
    /// Also: every measure that could be made.
    pub measures: Vec<MeasureOut>,
    /// What could not be tested and why.
    pub limits: Vec<String>,
}

/// A measure of a wheel.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct MeasureOut {
    /// Which measure.
    pub id: &'static str,
    /// Its value.
    pub value: Option<f64>,
    /// Lower and upper end of its 95 % interval; null where not known.
    pub interval: Option<[f64; 2]>,
    /// Its unit; empty for a plain number.
    pub unit: &'static str,
    /// When it was seen, in seconds on the capture's clock.
    pub times_s: Vec<f64>,
}

/// A finding.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct FindingOut {
    /// Its identifier in the rules.
    pub id: String,
    /// The wheel, where it is at one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub wheel: Option<&'static str>,
    /// The axle, where it is at one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub axle: Option<&'static str>,
    /// What was seen.
    pub summary: String,
    /// The measured value.
    pub measure: Option<f64>,
    /// Its unit.
    pub unit: Option<String>,
    /// When, in seconds on the capture's clock; the first times only.
    pub times_s: Vec<f64>,
    /// `capture` or `notes`.
    pub source: &'static str,
    /// Also: captures and line or packet numbers; the first ones only.
    pub origins: Vec<String>,
}

/// A cause.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct CauseOut {
    /// Its identifier in the rules.
    pub id: String,
    /// The wheel, where it is at one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub wheel: Option<&'static str>,
    /// The axle, where it is at one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub axle: Option<&'static str>,
    /// Also: its name for a person.
    pub name: String,
    /// Probability that this cause is present, 0 to 1.
    pub probability: f64,
    /// Also: the same before any evidence.
    pub prior: f64,
    /// Identifiers of the findings that speak for it, strongest first.
    #[serde(rename = "for")]
    pub speaks_for: Vec<String>,
    /// Identifiers of the findings, present or absent, that speak against it, strongest first.
    pub against: Vec<String>,
    /// Also: the weight of each of them, in the same order, those for it first.
    pub weights: Vec<WeightOut>,
    /// `home`, `workshop` or `specialist`.
    pub work: &'static str,
    /// What it is and what its repair takes.
    pub summary: String,
    /// Also: cautions for this repair.
    pub cautions: Vec<String>,
}

/// The weight of a finding for a cause.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct WeightOut {
    /// The finding's identifier.
    pub finding: String,
    /// The finding's wheel, where it is at one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub wheel: Option<&'static str>,
    /// The finding's axle, where it is at one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub axle: Option<&'static str>,
    /// Whether it was found (else it was looked for and is not there).
    pub holds: bool,
    /// How many times more likely this is with the cause than without it; null when it cannot be without it.
    pub factor: Option<f64>,
}

/// A check to do by hand.
#[derive(Debug, Serialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct CheckOut {
    /// Its identifier.
    pub id: String,
    /// The wheel, where it is at one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub wheel: Option<&'static str>,
    /// The axle, where it is at one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub axle: Option<&'static str>,
    /// Also: its name for a person.
    pub name: String,
    /// How long it takes.
    pub minutes: Option<f64>,
    /// Also: whether it can show a loss of braking and so stands before all others.
    pub urgent: bool,
    /// Why this one now.
    pub why: String,
    /// What reading to expect.
    pub expect: String,
    /// Also: how to do it.
    pub steps: Vec<String>,
    /// Also: tools.
    pub tools: Vec<String>,
    /// Also: what each result would mean.
    pub outcomes: Vec<String>,
    /// Cautions for this check.
    pub cautions: Vec<String>,
}

/// Version of the shape in this file.
const VERSION: u32 = 1;

impl From<&Report> for ReportOut {
    fn from(report: &Report) -> Self {
        let findings = |holds: bool| {
            report
                .findings
                .iter()
                .filter(|finding| finding.holds == holds)
                .map(FindingOut::from)
                .collect()
        };
        Self {
            report: VERSION,
            program: report.program.clone(),
            vehicle: report.vehicle.clone(),
            safety: report.safety.as_ref().map(|safety| SafetyOut {
                urgency: match safety.urgency {
                    Urgency::DoNotDrive => "do-not-drive",
                    Urgency::DriveWithCare => "drive-with-care",
                },
                words: safety.words.clone(),
                reasons: safety.reasons.clone(),
            }),
            captures: report.captures.iter().map(CaptureOut::from).collect(),
            modules: report.modules.iter().map(ModuleOut::from).collect(),
            codes: report.codes.iter().map(CodeOut::from).collect(),
            wheels: report.wheels.iter().map(WheelOut::from).collect(),
            findings: findings(true),
            absent: findings(false),
            causes: report
                .causes
                .iter()
                .map(|cause| CauseOut::new(cause, &report.findings))
                .collect(),
            checks: report.checks.iter().map(CheckOut::from).collect(),
            repair: report.repair.as_ref().map(RepairOut::from),
            cautions: report.cautions.clone(),
            limits: report.limits.clone(),
            fit: report.fit.clone(),
            stability: report.stability.clone(),
            rules: report.rules.clone(),
            left_out: report.left_out.and_then(significant),
            visits: report.visits.iter().map(VisitOut::from).collect(),
            basis: report.basis.clone(),
            error: report.error.clone(),
        }
    }
}

impl From<&Report> for WheelsOut {
    fn from(report: &Report) -> Self {
        Self {
            wheels: report.wheels.iter().map(WheelOut::from).collect(),
        }
    }
}

impl From<&crate::report::CaptureLine> for CaptureOut {
    fn from(line: &crate::report::CaptureLine) -> Self {
        Self {
            file: line.file.clone(),
            kind: line.kind.clone(),
            frames: line.frames,
            unreadable: line.unreadable,
            first_s: line.first_s.and_then(micro),
            last_s: line.last_s.and_then(micro),
            remarks: line.remarks.clone(),
            sha256: line.sha256.clone(),
        }
    }
}

impl From<&crate::report::ModuleLine> for ModuleOut {
    fn from(line: &crate::report::ModuleLine) -> Self {
        Self {
            name: line.name.clone(),
            role: line.role,
            request: line.request.clone(),
            response: line.response.clone(),
            state: line.state,
        }
    }
}

impl From<&CodeLine> for CodeOut {
    fn from(line: &CodeLine) -> Self {
        Self {
            code: line.code.clone(),
            failure_type: line.failure_type.clone(),
            status: line.status.clone(),
            list: line.list,
            test_failed: line.test_failed,
            confirmed: line.confirmed,
            pending: line.pending,
            module: line.module.clone(),
            meaning: line.meaning.clone(),
            time_s: line.time_s.and_then(micro),
            origin: line.origin.clone(),
        }
    }
}

impl From<&WheelLine> for WheelOut {
    fn from(line: &WheelLine) -> Self {
        Self {
            wheel: line.wheel.id(),
            samples: line.samples,
            interval_s: line.interval_s.and_then(significant),
            top_kmh: line.top_kmh.and_then(significant),
            measures: line.measures.iter().map(MeasureOut::from).collect(),
            limits: line.limits.clone(),
        }
    }
}

impl From<&MeasureLine> for MeasureOut {
    fn from(line: &MeasureLine) -> Self {
        let interval = line.uncertainty.and_then(|half| {
            let low = significant(line.value - half)?;
            let high = significant(line.value + half)?;
            Some([low, high])
        });
        Self {
            id: line.id,
            value: significant(line.value),
            interval,
            unit: line.unit,
            times_s: line.times_s.iter().copied().filter_map(micro).collect(),
        }
    }
}

impl From<&FindingLine> for FindingOut {
    fn from(line: &FindingLine) -> Self {
        let (wheel, axle) = place_ids(line.place);
        Self {
            id: line.id.clone(),
            wheel,
            axle,
            summary: line.summary.clone(),
            measure: line.measure.and_then(significant),
            unit: line.unit.clone(),
            times_s: line.times_s.iter().copied().filter_map(micro).collect(),
            source: line.source,
            origins: line.origins.clone(),
        }
    }
}

impl CauseOut {
    fn new(line: &CauseLine, findings: &[FindingLine]) -> Self {
        let (wheel, axle) = place_ids(line.place);
        let ids = |weighed: &[crate::report::Weighed]| {
            weighed
                .iter()
                .filter_map(|weighed| findings.get(weighed.finding))
                .map(|finding| finding.id.clone())
                .collect()
        };
        let weights = line
            .speaks_for
            .iter()
            .chain(&line.speaks_against)
            .filter_map(|weighed| {
                let finding = findings.get(weighed.finding)?;
                let (wheel, axle) = place_ids(finding.place);
                Some(WeightOut {
                    finding: finding.id.clone(),
                    wheel,
                    axle,
                    holds: finding.holds,
                    factor: significant(weighed.factor),
                })
            })
            .collect();
        Self {
            id: line.id.clone(),
            wheel,
            axle,
            name: line.name.clone(),
            probability: micro(line.probability).unwrap_or(0.0),
            prior: micro(line.prior).unwrap_or(0.0),
            speaks_for: ids(&line.speaks_for),
            against: ids(&line.speaks_against),
            weights,
            work: line.work,
            summary: line.summary.clone(),
            cautions: line.cautions.clone(),
        }
    }
}

impl From<&CheckLine> for CheckOut {
    fn from(line: &CheckLine) -> Self {
        let (wheel, axle) = place_ids(line.place);
        Self {
            id: line.id.clone(),
            wheel,
            axle,
            name: line.name.clone(),
            minutes: significant(line.minutes),
            urgent: line.urgent,
            why: line.why.clone(),
            expect: line.expect.clone(),
            steps: line.steps.clone(),
            tools: line.tools.clone(),
            outcomes: line.outcomes.clone(),
            cautions: line.cautions.clone(),
        }
    }
}

/// The keys `wheel` and `axle` of a place.
fn place_ids(place: Place) -> (Option<&'static str>, Option<&'static str>) {
    (
        place.wheel().map(crate::place::Wheel::id),
        place.axle().map(crate::place::Axle::id),
    )
}

/// Rounded to six decimals; `None` when not finite.
fn micro(value: f64) -> Option<f64> {
    let rounded = (value * 1e6).round() / 1e6;
    if rounded.is_finite() {
        // `+ 0.0` makes a negative zero a plain one.
        Some(rounded + 0.0)
    } else {
        value.is_finite().then_some(value)
    }
}

/// Rounded to six significant digits; `None` when not finite.
pub(in crate::report) fn significant(value: f64) -> Option<f64> {
    if !value.is_finite() {
        return None;
    }
    // Through text: the nearest decimal number is what is meant, and printing is correctly rounded.
    format!("{value:.5e}").parse().ok().map(|v: f64| v + 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rounding() {
        assert_eq!(micro(1_700_000_003.200_000_3), Some(1_700_000_003.2));
        assert_eq!(micro(f64::NAN), None);
        assert_eq!(micro(f64::MAX), Some(f64::MAX));
        assert_eq!(significant(0.1 + 0.2), Some(0.3));
        assert_eq!(significant(-0.0), Some(0.0));
        assert_eq!(significant(63.123_456_7), Some(63.1235));
        assert_eq!(significant(f64::INFINITY), None);
    }
}
