//! The report's view model, from everything that is known.

use super::checks::{self, Means};
use super::model::{Model, outcome};
use super::stability::stability;
use super::{limits, lines, wheels};
use crate::evidence::{Evidence, Finding, Grounds, State, evaluate};
use crate::ranking::{self, Ranking};
use crate::report::{CauseLine, FindingLine, Report, Safety, Urgency, Weighed};
use crate::rules::UrgencyWord;

/// A factor nearer to 1 than this is not worth a line.
const LEAST_FACTOR: f64 = 1.2;
/// Most findings that are named for and against a cause.
const MOST_WEIGHED: usize = 6;
/// A cause below this is not worth a line, unless nothing else is left.
const LEAST_PROBABILITY: f64 = 0.001;
/// What is absent is told for causes of at least this probability.
const WORTH_EXPLAINING: f64 = 0.05;
/// Below this no cause stands out.
const STANDS_OUT: f64 = 0.1;
/// Causes that are always listed.
const ALWAYS_LISTED: usize = 5;
/// A cause whose probability moved by less than this share of its prior was not moved.
const MOVED: f64 = 0.3;
/// Evidence further than this below what its causes usually bring about, in standard deviations, fits badly.
const BAD_FIT: f64 = -3.0;

/// A diagnosis: the evidence, the ranking and what they are about.
#[derive(Debug)]
pub struct Diagnosis<'r> {
    /// The network of the rules.
    pub model: Model<'r>,
    /// The findings.
    pub evidence: Evidence,
    /// The ranked causes.
    pub ranking: Ranking,
}

/// Judges the findings and ranks the causes.
pub fn diagnose<'r>(grounds: &Grounds<'r>) -> Diagnosis<'r> {
    let model = Model::new(grounds.rules);
    let evidence = evaluate(grounds);
    let ranking = model.rank(&evidence);
    Diagnosis {
        model,
        evidence,
        ranking,
    }
}

/// The view model of a diagnosis, without drawings: [`plots`](super::plots) makes them for those who draw.
pub fn report(
    grounds: &Grounds<'_>,
    diagnosis: &Diagnosis<'_>,
    vehicle: &str,
    means: &Means,
) -> Report {
    let kept: Vec<usize> = kept_findings(diagnosis);
    let (checks, repair) = checks::checks(grounds, &diagnosis.model, &diagnosis.ranking, means);
    Report {
        program: concat!("tonering ", env!("CARGO_PKG_VERSION")).to_owned(),
        vehicle: (!vehicle.is_empty()).then(|| vehicle.to_owned()),
        safety: safety(grounds, diagnosis),
        captures: lines::captures(grounds.record),
        modules: lines::modules(grounds.record),
        codes: lines::codes(grounds.record, grounds.catalogue),
        wheels: wheels::wheel_lines(grounds.measures),
        findings: finding_lines(grounds, diagnosis, &kept),
        causes: cause_lines(grounds, diagnosis, &kept),
        checks,
        repair,
        cautions: always(grounds),
        limits: limits::limits(grounds),
        fit: fit(diagnosis),
        stability: stability(&diagnosis.model, &diagnosis.ranking),
        plots: Vec::new(),
        rules: Vec::new(),
        left_out: Some(diagnosis.ranking.left_out),
        visits: Vec::new(),
        basis: None,
        error: None,
    }
}

/// The findings of a report: those that hold, then those that are false and weigh for or against a cause to be thought of.
fn kept_findings(diagnosis: &Diagnosis<'_>) -> Vec<usize> {
    let findings = &diagnosis.evidence.findings;
    let of = |state: State| {
        (0..findings.len()).filter(move |&index| {
            findings
                .get(index)
                .is_some_and(|finding| finding.state == state)
        })
    };
    let mut listed = listed_causes(&diagnosis.ranking);
    let likely = |&cause: &usize| {
        let probability = diagnosis.ranking.posterior.get(cause);
        probability.is_some_and(|&probability| probability >= WORTH_EXPLAINING)
    };
    let worth = listed.iter().filter(|cause| likely(cause)).count();
    listed.truncate(worth.max(1));
    let weighs = |&finding: &usize| {
        listed.iter().any(|&cause| {
            let factor = diagnosis.ranking.factor(cause, finding);
            factor >= LEAST_FACTOR || factor <= 1.0 / LEAST_FACTOR
        })
    };
    of(State::True)
        .chain(of(State::False).filter(weighs))
        .collect()
}

fn listed_causes(ranking: &Ranking) -> Vec<usize> {
    let order = ranking.order();
    let listed = order.iter().enumerate().filter(|&(rank, &cause)| {
        rank < ALWAYS_LISTED
            || ranking
                .posterior
                .get(cause)
                .is_some_and(|&probability| probability >= LEAST_PROBABILITY)
    });
    listed.map(|(_, &cause)| cause).collect()
}

fn finding_lines(
    grounds: &Grounds<'_>,
    diagnosis: &Diagnosis<'_>,
    kept: &[usize],
) -> Vec<FindingLine> {
    kept.iter()
        .filter_map(|&index| diagnosis.evidence.findings.get(index))
        .map(|finding| finding_line(grounds, finding))
        .collect()
}

pub(super) fn finding_line(grounds: &Grounds<'_>, finding: &Finding) -> FindingLine {
    let origins = finding
        .origins
        .iter()
        .map(|&origin| lines::origin(grounds.record, origin));
    FindingLine {
        id: finding.id.clone(),
        place: finding.place,
        holds: finding.state == State::True,
        summary: finding.summary.clone(),
        measure: finding.measure.as_ref().map(|measure| measure.value),
        unit: finding
            .measure
            .as_ref()
            .map(|measure| measure.unit.clone())
            .filter(|unit| !unit.is_empty()),
        times_s: finding.times_s.clone(),
        source: finding.source.id(),
        origins: origins.collect(),
    }
}

fn cause_lines(grounds: &Grounds<'_>, diagnosis: &Diagnosis<'_>, kept: &[usize]) -> Vec<CauseLine> {
    let Diagnosis { model, ranking, .. } = diagnosis;
    let line = |&index: &usize| {
        let (cause, place) = model.causes.get(index)?;
        let mut weighed: Vec<Weighed> = kept
            .iter()
            .enumerate()
            .map(|(line, &finding)| Weighed {
                finding: line,
                factor: ranking.factor(index, finding),
            })
            .collect();
        weighed.sort_by(|one, other| other.factor.total_cmp(&one.factor));
        let speaks_for = weighed
            .iter()
            .take_while(|weighed| weighed.factor >= LEAST_FACTOR);
        let speaks_against = weighed
            .iter()
            .rev()
            .take_while(|weighed| weighed.factor <= 1.0 / LEAST_FACTOR);
        Some(CauseLine {
            id: cause.id.clone(),
            place: *place,
            name: cause.name.clone(),
            probability: ranking.posterior.get(index).copied()?,
            prior: model.network.prior(index),
            speaks_for: speaks_for.take(MOST_WEIGHED).cloned().collect(),
            speaks_against: speaks_against.take(MOST_WEIGHED).cloned().collect(),
            work: cause.work.id(),
            summary: cause.summary.clone(),
            cautions: grounds.rules.caution_words(&cause.cautions),
        })
    };
    listed_causes(ranking).iter().filter_map(line).collect()
}

fn safety(grounds: &Grounds<'_>, diagnosis: &Diagnosis<'_>) -> Option<Safety> {
    let findings = &diagnosis.evidence.findings;
    let causes = diagnosis
        .model
        .causes
        .iter()
        .zip(&diagnosis.ranking.posterior);
    let holds = |rule: &&crate::rules::SafetyRule| {
        let seen = rule.finding.as_ref().is_none_or(|id| {
            let places = findings
                .iter()
                .filter(|finding| finding.id == *id && finding.state == State::True);
            places.count() >= usize::try_from(rule.places).unwrap_or(usize::MAX)
        });
        let likely = rule.cause.as_ref().is_none_or(|id| {
            let mut causes = causes.clone();
            causes.any(|((cause, _), &probability)| {
                cause.id == *id && probability >= rule.probability
            })
        });
        seen && likely
    };
    let reasons: Vec<_> = grounds.rules.safety().iter().filter(holds).collect();
    let urgency = reasons.iter().map(|rule| rule.urgency).min()?;
    let (urgency_of, words) = match urgency {
        UrgencyWord::DoNotDrive => (
            Urgency::DoNotDrive,
            "Do not drive. Have the vehicle checked where it stands, or have it fetched.",
        ),
        UrgencyWord::DriveWithCare => (
            Urgency::DriveWithCare,
            "Drive only to where it can be checked: gently, with a long gap, and only while the red brake lamp is off and the pedal is firm.",
        ),
    };
    Some(Safety {
        urgency: urgency_of,
        words: words.to_owned(),
        reasons: reasons
            .iter()
            .filter(|rule| rule.urgency == urgency)
            .map(|rule| rule.reason.clone())
            .collect(),
    })
}

fn always(grounds: &Grounds<'_>) -> Vec<String> {
    let cautions = grounds
        .rules
        .cautions()
        .iter()
        .filter(|caution| caution.always);
    cautions.map(|caution| caution.words.clone()).collect()
}

/// Whether the evidence moved any cause that something is wrong.
fn moved(model: &Model<'_>, ranking: &Ranking) -> bool {
    let mut causes = ranking.posterior.iter().enumerate();
    causes.any(|(cause, posterior)| {
        let prior = model.network.prior(cause);
        !model.network.is_alone(cause) && (posterior - prior).abs() > MOVED * prior
    })
}

/// What to say when even the likeliest causes explain the evidence badly.
fn fit(diagnosis: &Diagnosis<'_>) -> Option<String> {
    let Diagnosis {
        model,
        evidence,
        ranking,
    } = diagnosis;
    let best = ranking.explanations.first()?;
    let reading = evidence.readings.first()?;
    let outcomes: Vec<_> = reading.states.iter().copied().map(outcome).collect();
    let fit = ranking::fit(&model.network, &best.causes, &outcomes);
    let sentences = |list: &[usize]| {
        let words: Vec<String> = list
            .iter()
            .filter_map(|&index| evidence.findings.get(index))
            .map(|finding| finding.summary.clone())
            .collect();
        words.join("; ")
    };
    if !moved(model, ranking) {
        return Some(
            "Nothing in these captures or notes says anything about the brakes. The numbers are only what is usual before any evidence."
                .to_owned(),
        );
    }
    let likeliest = ranking.posterior.iter().copied().fold(0.0, f64::max);
    if likeliest < STANDS_OUT && reading.states.iter().all(|&state| state != State::True) {
        return Some("Nothing that was read points to a fault that is there now.".to_owned());
    }
    let bad = fit.deviation < BAD_FIT;
    if fit.unexplained.is_empty() && !bad {
        return None;
    }
    let mut text = String::new();
    if bad {
        text.push_str("The evidence fits none of the causes here well; it may be something that is not in the rules. ");
    }
    if !fit.unexplained.is_empty() {
        text.push_str("Not explained by the likeliest causes: ");
        text.push_str(&sentences(&fit.unexplained));
        text.push('.');
    }
    if bad && !fit.missed.is_empty() {
        text.push_str(" Expected and not there: ");
        text.push_str(&sentences(&fit.missed));
        text.push('.');
    }
    Some(text)
}
