//! The next checks: which, why, and what each result would mean.

use super::model::Model;
use crate::evidence::{self, Grounds, State};
use crate::notes::{Note, NoteResult, Notes};
use crate::place::Place;
use crate::ranking::{self, CheckResult, Ranking, Repair, Step};
use crate::report::{CheckLine, LikelyLine, RepairLine};
use crate::rules::{CheckRule, Condition, SensorWord, UrgencyWord, Work};

/// How the work is done and what it costs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Means {
    /// Who does the work: checks beyond that are not proposed.
    pub work: Work,
    /// What an hour costs, in the currency of the rules' parts.
    pub hourly_rate: f64,
    /// How many checks to propose at most.
    pub most: usize,
}

impl Default for Means {
    /// At home, an hour at 30, five checks.
    fn default() -> Self {
        Self {
            work: Work::Home,
            hourly_rate: 30.0,
            most: 5,
        }
    }
}

/// What it costs to have the vehicle fetched and mended by others, in hours of work.
const CALL_HOURS: f64 = 10.0;
/// What a repair beyond one's own means costs more, in hours of work.
const ELSEWHERE_HOURS: f64 = 1.5;
/// A change of probability below this is not worth a word.
const SMALL: f64 = 0.02;
/// Checks that are told for the case that a repair does not end the trouble.
const MOST_AFTER: usize = 3;
/// A cause less likely than this is not told for that case, …
const LEAST_LEFT: f64 = 0.05;
/// … and no more than so many are.
const MOST_LEFT: usize = 4;
/// A cause for which the vehicle must not be driven is looked for first from this probability on. Above what it has
/// when nothing speaks for it, so that a plain code of a sensor does not send anyone to look for leaks.
const PLAUSIBLE: f64 = 0.03;

/// A check at a place, with its possible results.
pub(super) struct Candidate<'r> {
    pub(super) rule: &'r CheckRule,
    pub(super) place: Place,
    /// Each result: as it would be noted, in words, and what it means.
    pub(super) results: Vec<(NoteResult, String, String)>,
}

/// Plans the next checks, and the repair of what is certain.
pub(super) fn checks(
    grounds: &Grounds<'_>,
    model: &Model<'_>,
    ranking: &Ranking,
    means: &Means,
) -> (Vec<CheckLine>, Option<RepairLine>) {
    let candidates = candidates(grounds, means);
    let checks: Vec<ranking::Check> = candidates
        .iter()
        .map(|candidate| ranking::Check {
            cost: candidate.rule.minutes / 60.0 * means.hourly_rate + candidate.rule.money,
            urgent: is_urgent(grounds, model, &ranking.posterior, candidate),
            results: results(grounds, model, candidate),
        })
        .collect();
    let repairs: Vec<Repair> = model
        .causes
        .iter()
        .map(|(cause, _)| {
            let elsewhere = if cause.work > means.work {
                ELSEWHERE_HOURS
            } else {
                0.0
            };
            Repair {
                cost: (cause.repair.minutes / 60.0 + elsewhere) * means.hourly_rate
                    + cause.repair.parts,
                last: cause.last_resort,
            }
        })
        .collect();
    let call = CALL_HOURS * means.hourly_rate;
    let plan = ranking::plan(&model.network, ranking, &checks, &repairs, call, means.most);
    let told = |posterior: &[f64], steps: &[Step]| {
        lines(grounds, model, (&candidates, &checks), posterior, steps)
    };
    let repair = ranking::certain_repair(
        &model.network,
        ranking,
        &plan,
        (&checks, &repairs),
        call,
        MOST_AFTER.min(means.most),
    );
    let repair = repair.map(|certain| {
        let of = |posterior: &[f64], cause: usize| {
            let (rule, place) = model.causes.get(cause)?;
            Some(LikelyLine {
                id: rule.id.clone(),
                place: *place,
                name: rule.name.clone(),
                probability: *posterior.get(cause)?,
            })
        };
        let left = &certain.sequel.left;
        let order = left.order().into_iter();
        let worth =
            order.filter(|&cause| left.posterior.get(cause).is_some_and(|&p| p >= LEAST_LEFT));
        RepairLine {
            causes: certain
                .causes
                .iter()
                .filter_map(|&cause| of(&ranking.posterior, cause))
                .collect(),
            first: certain.first,
            ends: certain.sequel.ended,
            left: worth
                .take(MOST_LEFT)
                .filter_map(|cause| of(&left.posterior, cause))
                .collect(),
            checks: told(&left.posterior, &certain.steps),
        }
    });
    (told(&ranking.posterior, &plan.steps), repair)
}

/// Steps of a plan in words; `posterior` is that before the first of them.
fn lines(
    grounds: &Grounds<'_>,
    model: &Model<'_>,
    (candidates, checks): (&[Candidate<'_>], &[ranking::Check]),
    posterior: &[f64],
    steps: &[Step],
) -> Vec<CheckLine> {
    let mut before = posterior.to_vec();
    let mut lines = Vec::new();
    for step in steps {
        if let (Some(candidate), Some(check)) = (candidates.get(step.check), checks.get(step.check))
        {
            lines.push(line(
                grounds,
                model,
                candidate,
                step,
                (&before, check.urgent),
            ));
        }
        if let Some(likeliest) = step
            .results
            .iter()
            .max_by(|one, other| one.probability.total_cmp(&other.probability))
        {
            before.clone_from(&likeliest.posterior);
        }
    }
    lines
}

/// The checks that were not done yet and can be done, each with its possible results.
pub(super) fn candidates<'r>(grounds: &Grounds<'r>, means: &Means) -> Vec<Candidate<'r>> {
    let mut found = Vec::new();
    for rule in grounds
        .rules
        .checks()
        .iter()
        .filter(|rule| rule.work <= means.work && suits(rule, sensor(grounds)))
    {
        for &place in rule.place.kind().places() {
            if grounds.notes.last(&rule.id, place).is_some() {
                continue;
            }
            let results = match &rule.value {
                Some(value) => {
                    let typical = value.typical().into_iter().zip(&value.bands);
                    let mut low = None;
                    typical
                        .map(|(number, band)| {
                            let symbol = value.unit.symbol();
                            let words = match (low, band.up_to) {
                                (None, Some(high)) => format!("up to {high} {symbol}"),
                                (Some(low), Some(high)) => format!("{low} to {high} {symbol}"),
                                (Some(low), None) => format!("above {low} {symbol}"),
                                (None, None) => "any reading".to_owned(),
                            };
                            low = band.up_to;
                            (NoteResult::Value(number), words, band.means.clone())
                        })
                        .collect()
                }
                None => rule
                    .results
                    .iter()
                    .map(|result| {
                        (
                            NoteResult::Word(result.id.clone()),
                            result.id.replace('-', " "),
                            result.means.clone(),
                        )
                    })
                    .collect(),
            };
            found.push(Candidate {
                rule,
                place,
                results,
            });
        }
    }
    found
}

/// Whether a check stands before all others: it is marked so, and can show a cause for which the vehicle must not be
/// driven and which is plausible.
fn is_urgent(
    grounds: &Grounds<'_>,
    model: &Model<'_>,
    posterior: &[f64],
    candidate: &Candidate<'_>,
) -> bool {
    let forbids = |id: &str| {
        let mut rules = grounds.rules.safety().iter();
        rules.any(|rule| {
            rule.urgency == UrgencyWord::DoNotDrive && rule.cause.as_deref() == Some(id)
        })
    };
    candidate.rule.urgent
        && model
            .causes
            .iter()
            .zip(posterior)
            .enumerate()
            .filter(|(_, ((cause, _), probability))| {
                **probability >= PLAUSIBLE && forbids(&cause.id)
            })
            .any(|(cause, _)| {
                let mut findings = touched(model, candidate).into_iter();
                findings.any(|finding| model.network.strength(cause, finding) > 0.0)
            })
}

/// The sensors of the vehicle, as rules name them.
fn sensor(grounds: &Grounds<'_>) -> Option<SensorWord> {
    grounds.record.wheel_data.sensor.map(SensorWord::from)
}

/// Whether a check can be done on such sensors; an unknown kind may be any.
fn suits(rule: &CheckRule, sensor: Option<SensorWord>) -> bool {
    rule.sensor.is_none() || sensor.is_none() || rule.sensor == sensor
}

/// The findings that a check can settle.
fn touched(model: &Model<'_>, candidate: &Candidate<'_>) -> Vec<usize> {
    let findings = model.findings.iter().enumerate();
    findings
        .filter(|(_, (rule, place))| {
            *place == candidate.place && mentions(&rule.when, &candidate.rule.id)
        })
        .map(|(index, _)| index)
        .collect()
}

/// What each result of a check settles: found by judging the findings as if it had been noted.
pub(super) fn results(
    grounds: &Grounds<'_>,
    model: &Model<'_>,
    candidate: &Candidate<'_>,
) -> Vec<CheckResult> {
    let touched = touched(model, candidate);
    candidate
        .results
        .iter()
        .map(|(result, _, _)| {
            let notes = Notes {
                entries: vec![Note {
                    check: candidate.rule.id.clone(),
                    place: candidate.place,
                    result: result.clone(),
                }],
            };
            let supposed = Grounds {
                notes: &notes,
                ..*grounds
            };
            let settled = touched.iter().filter_map(|&index| {
                let (rule, place) = model.findings.get(index)?;
                match evidence::state_with(&supposed, rule, *place) {
                    State::True => Some((index, true)),
                    State::False => Some((index, false)),
                    State::NotObservable => None,
                }
            });
            CheckResult {
                settles: settled.collect(),
            }
        })
        .collect()
}

fn mentions(condition: &Condition, check: &str) -> bool {
    let mut found = false;
    condition.walk(&mut |part| {
        if let Condition::Check(wanted) = part {
            found |= wanted.id == check;
        }
    });
    found
}

fn line(
    grounds: &Grounds<'_>,
    model: &Model<'_>,
    candidate: &Candidate<'_>,
    step: &Step,
    (before, urgent): (&[f64], bool),
) -> CheckLine {
    let rule = candidate.rule;
    let sensor = sensor(grounds);
    let expect: Vec<&str> = rule
        .expect
        .iter()
        .filter(|expect| expect.sensor.is_none() || sensor.is_none() || expect.sensor == sensor)
        .map(|expect| expect.words.as_str())
        .collect();
    let outcomes =
        candidate
            .results
            .iter()
            .zip(&step.results)
            .map(|((_, words, means), forecast)| {
                let change = biggest_rise(before, &forecast.posterior)
                    .filter(|&(_, rise)| rise > SMALL)
                    .and_then(|(cause, _)| {
                        Some(format!(
                            "; {} then at {}",
                            name(model, cause)?,
                            percent(*forecast.posterior.get(cause)?)
                        ))
                    })
                    .unwrap_or_default();
                format!(
                    "{words} ({}): {means}{change}",
                    percent(forecast.probability)
                )
            });
    CheckLine {
        id: rule.id.clone(),
        place: candidate.place,
        name: rule.name.clone(),
        minutes: rule.minutes,
        urgent,
        why: why(model, candidate, step, (before, urgent)),
        expect: expect.join("; "),
        steps: rule.steps.clone(),
        tools: rule.tools.clone(),
        outcomes: outcomes.collect(),
        cautions: grounds.rules.caution_words(&rule.cautions),
    }
}

/// Why this check: safety, or the cause whose probability it moves most.
fn why(
    model: &Model<'_>,
    candidate: &Candidate<'_>,
    step: &Step,
    (before, urgent): (&[f64], bool),
) -> String {
    let spread = |cause: usize| {
        let after = step.results.iter().map(|forecast| {
            let now = before.get(cause).copied().unwrap_or(0.0);
            forecast.probability
                * (forecast.posterior.get(cause).copied().unwrap_or(0.0) - now).abs()
        });
        after.sum::<f64>()
    };
    let most = (0..model.causes.len()).max_by(|&one, &other| spread(one).total_cmp(&spread(other)));
    let told = most.and_then(|cause| {
        let name = name(model, cause)?;
        let now = before.get(cause).copied()?;
        let after: Vec<String> = candidate
            .results
            .iter()
            .zip(&step.results)
            .filter_map(|((_, words, _), forecast)| {
                Some(format!(
                    "{} if {words}",
                    percent(*forecast.posterior.get(cause)?)
                ))
            })
            .collect();
        Some(format!(
            "it tells most about: {name}, now at {}, then {}",
            percent(now),
            after.join(", ")
        ))
    });
    let told = told.unwrap_or_default();
    if urgent {
        format!("safety first: it can show a loss of braking; {told}")
    } else {
        told
    }
}

fn biggest_rise(before: &[f64], after: &[f64]) -> Option<(usize, f64)> {
    let rises = before
        .iter()
        .zip(after)
        .map(|(before, after)| after - before);
    rises
        .enumerate()
        .max_by(|(_, one), (_, other)| one.total_cmp(other))
}

/// A cause's name with its place, as it stands within a sentence.
pub(super) fn name(model: &Model<'_>, cause: usize) -> Option<String> {
    let (cause, place) = model.causes.get(cause)?;
    Some(match place {
        Place::Vehicle => cause.name.clone(),
        place => format!("{}, {place}", cause.name),
    })
}

/// `81 %`, `below 1 %`.
fn percent(probability: f64) -> String {
    if probability < 0.01 {
        "below 1 %".to_owned()
    } else if probability > 0.99 {
        "above 99 %".to_owned()
    } else {
        format!("{:.0} %", probability * 100.0)
    }
}
