//! Why a cause has its probability: the view model of the arithmetic.

use super::Diagnosis;
use super::assemble::finding_line;
use super::checks::{self, Means};
use super::model::{Model, outcome};
use super::stability::stability;
use crate::evidence::{Grounds, State};
use crate::place::{Axle, Place, PlaceKind, Wheel};
use crate::ranking::{Outcome, Reading, course, suppose};
use crate::report::why::{Basis, Missing, Observed, Rival, Step, Telling, Turn, Why, odds};
use crate::rules::Condition;

/// A factor nearer to 1 than this gets no line of its own.
const LEAST_FACTOR: f64 = 1.2;
/// Most lines of findings that the cause brings about, and of others.
const MOST_DIRECT: usize = 12;
const MOST_INDIRECT: usize = 6;
/// Most entries of what was missing, of rivals, and of results that turn the order.
const MOST_MISSING: usize = 6;
const MOST_RIVALS: usize = 3;
const MOST_TURNS: usize = 8;
/// A rival below this is none, unless it is the first cause.
const LEAST_RIVAL: f64 = 0.005;
/// A result less probable than this is not told.
const LEAST_RESULT: f64 = 0.005;
/// A change of probability below this is not told.
const LEAST_CHANGE: f64 = 0.005;

/// A cause that was asked for and is not there.
#[derive(Clone, Debug, Eq, PartialEq, thiserror::Error)]
pub enum NoSuchCause {
    /// No cause has the identifier.
    #[error("there is no cause {id:?}; possible: {}", possible.join(", "))]
    Id {
        /// What was asked for.
        id: String,
        /// What is possible.
        possible: Vec<String>,
    },
    /// The cause is there, and not at that place.
    #[error("{id} has no place {place:?}; possible: {}", possible.join(", "))]
    Place {
        /// The cause.
        id: String,
        /// The place that was asked for.
        place: String,
        /// What is possible.
        possible: Vec<String>,
    },
}

/// The identifier of a place: `left-front`, `front`, `vehicle`.
pub const fn place_id(place: Place) -> &'static str {
    match place {
        Place::Vehicle => "vehicle",
        Place::Axle(axle) => axle.id(),
        Place::Wheel(wheel) => wheel.id(),
    }
}

/// The place that a word names at a cause or check of this kind; spaces count as hyphens.
pub fn place_from(word: &str, kind: PlaceKind) -> Option<Place> {
    let word = word.trim().replace([' ', '_'], "-").to_ascii_lowercase();
    match kind {
        PlaceKind::Vehicle => (word == "vehicle").then_some(Place::Vehicle),
        PlaceKind::Axle => Axle::from_id(word.trim_end_matches("-axle")).map(Place::Axle),
        PlaceKind::Wheel => Wheel::from_id(&word).map(Place::Wheel),
    }
}

impl Diagnosis<'_> {
    /// The index of the cause that a text names: `sensor-circuit@left-front`, `sensor-circuit left-front`, `supply-lost`, or
    /// the number that it has in the report. Without a place the likeliest one is meant.
    pub fn find(&self, text: &str) -> Result<usize, NoSuchCause> {
        let text = text.trim();
        let order = self.ranking.order();
        if let Some(&cause) = text
            .parse::<usize>()
            .ok()
            .and_then(|number| order.get(number.checked_sub(1)?))
        {
            return Ok(cause);
        }
        let (id, place) = match text.split_once(['@', ' ']) {
            Some((id, place)) => (id.trim(), Some(place.trim())),
            None => (text, None),
        };
        let id = id.to_ascii_lowercase();
        let at: Vec<usize> = order
            .into_iter()
            .filter(|&cause| self.cause(cause).is_some_and(|(rule, _)| rule.id == id))
            .collect();
        let Some(&likeliest) = at.first() else {
            return Err(NoSuchCause::Id {
                id,
                possible: self.possible(),
            });
        };
        let Some(place) = place.filter(|place| !place.is_empty()) else {
            return Ok(likeliest);
        };
        let places = || {
            at.iter()
                .filter_map(|&cause| Some((cause, self.cause(cause)?.1)))
        };
        places()
            .find(|(_, at)| place_from(place, at.kind()) == Some(*at))
            .map(|(cause, _)| cause)
            .ok_or_else(|| {
                let mut possible: Vec<Place> = places().map(|(_, place)| place).collect();
                possible.sort_unstable();
                NoSuchCause::Place {
                    id,
                    place: place.to_owned(),
                    possible: possible
                        .into_iter()
                        .map(|place| place_id(place).to_owned())
                        .collect(),
                }
            })
    }

    fn cause(&self, index: usize) -> Option<&(&crate::rules::Cause, Place)> {
        self.model.causes.get(index)
    }

    /// Every identifier once, in the order of the rules.
    fn possible(&self) -> Vec<String> {
        let mut ids: Vec<String> = Vec::new();
        for (rule, _) in &self.model.causes {
            if ids.last() != Some(&rule.id) {
                ids.push(rule.id.clone());
            }
        }
        ids
    }

    fn probability(&self, cause: usize) -> f64 {
        self.ranking.posterior.get(cause).copied().unwrap_or(0.0)
    }

    /// The readings as the network has them.
    fn outcomes(&self) -> Vec<Reading> {
        let readings = self.evidence.readings.iter();
        readings
            .map(|reading| Reading {
                weight: reading.weight,
                outcomes: reading.states.iter().copied().map(outcome).collect(),
            })
            .collect()
    }
}

/// What the ranking rests on, for programs.
pub fn basis(diagnosis: &Diagnosis<'_>) -> Basis {
    let order = diagnosis.ranking.order().into_iter();
    let findings = &diagnosis.evidence.findings;
    Basis {
        ranking: order
            .filter_map(|cause| {
                let (rule, place) = diagnosis.cause(cause)?;
                Some((rule.id.clone(), *place, diagnosis.probability(cause)))
            })
            .collect(),
        readings: diagnosis
            .evidence
            .readings
            .iter()
            .map(|reading| {
                let observed = findings.iter().zip(&reading.states);
                let observed = observed
                    .filter(|(_, state)| **state != State::NotObservable)
                    .map(|(finding, state)| {
                        (finding.id.clone(), finding.place, *state == State::True)
                    });
                Observed {
                    weight: reading.weight,
                    findings: observed.collect(),
                }
            })
            .collect(),
    }
}

/// The arithmetic of a cause of the network.
pub fn why(
    grounds: &Grounds<'_>,
    diagnosis: &Diagnosis<'_>,
    means: &Means,
    cause: usize,
) -> Option<Why> {
    let (rule, place) = diagnosis.cause(cause)?;
    let order = diagnosis.ranking.order();
    let (start, steps) = steps(grounds, diagnosis, cause);
    let (missing, more_missing) = missing(diagnosis, cause);
    let (turns, telling) = turns(grounds, diagnosis, means, cause);
    let places = place.kind().places().len();
    let total: f64 = grounds
        .rules
        .causes()
        .iter()
        .map(|cause| cause.weight)
        .sum();
    let shared = match place.kind() {
        PlaceKind::Vehicle => String::new(),
        PlaceKind::Axle => format!(", shared among {places} axles"),
        PlaceKind::Wheel => format!(", shared among {places} wheels"),
    };
    Some(Why {
        id: rule.id.clone(),
        place: *place,
        name: rule.name.clone(),
        rank: order.iter().position(|&other| other == cause)? + 1,
        causes: order.len(),
        probability: diagnosis.probability(cause),
        prior: diagnosis.model.network.prior(cause),
        prior_words: format!(
            "Before any evidence: weight {} of {} in all, times {} causes that a vehicle with a lit lamp has on average{shared}. An assumption of the rules.",
            short(rule.weight),
            short(total),
            grounds.rules.faults_expected()
        ),
        start,
        steps,
        missing,
        more_missing,
        rivals: rivals(diagnosis, cause),
        turns,
        telling,
        stability: stability(&diagnosis.model, &diagnosis.ranking),
    })
}

/// At most two decimals.
fn short(number: f64) -> String {
    format!("{}", (number * 100.0).round() / 100.0)
}

/// How far a factor is from 1, either way.
fn size(factor: f64) -> f64 {
    factor.ln().abs()
}

/// A finding that could be observed, with what it does to the cause.
struct Bears {
    finding: usize,
    direct: bool,
    alone: f64,
    weight: f64,
}

fn steps(grounds: &Grounds<'_>, diagnosis: &Diagnosis<'_>, cause: usize) -> (f64, Vec<Step>) {
    let Diagnosis {
        model,
        evidence,
        ranking,
    } = diagnosis;
    let readings = diagnosis.outcomes();
    let observed = |finding: usize| {
        let mut states = evidence.readings.iter().map(|way| way.states.get(finding));
        states.any(|state| state.is_some_and(|&state| state != State::NotObservable))
    };
    let mut bears: Vec<Bears> = (0..model.findings.len())
        .filter(|&finding| observed(finding))
        .map(|finding| {
            let direct = model.network.strength(cause, finding) > 0.0;
            let alone = alone(model, &readings, cause, finding);
            let given = size(ranking.factor(cause, finding));
            let weight = if direct {
                given.max(size(alone))
            } else {
                given
            };
            Bears {
                finding,
                direct,
                alone,
                weight,
            }
        })
        .collect();
    bears.sort_by(|one, other| {
        let holds = |bears: &Bears| bears.alone >= 1.0;
        other
            .direct
            .cmp(&one.direct)
            .then((one.direct && holds(other)).cmp(&(one.direct && holds(one))))
            .then(other.weight.total_cmp(&one.weight))
            .then(one.finding.cmp(&other.finding))
    });
    // The weightiest stand alone, the others together; those of the cause itself first.
    let mut own: Vec<&Bears> = Vec::new();
    let mut rest: [Vec<usize>; 2] = [Vec::new(), Vec::new()];
    let least = LEAST_FACTOR.ln();
    for (direct, most) in [(true, MOST_DIRECT), (false, MOST_INDIRECT)] {
        let mut weights: Vec<f64> = bears
            .iter()
            .filter(|bears| bears.direct == direct)
            .map(|bears| bears.weight)
            .collect();
        weights.sort_by(|one, other| other.total_cmp(one));
        let limit = weights.get(most - 1).copied().unwrap_or(0.0).max(least);
        for bears in bears.iter().filter(|bears| bears.direct == direct) {
            if bears.weight >= limit {
                own.push(bears);
            } else if let Some(rest) = rest.get_mut(usize::from(!direct)) {
                rest.push(bears.finding);
            }
        }
    }
    let mut groups: Vec<(Option<&Bears>, bool, Vec<usize>)> = Vec::new();
    for (direct, rest) in [true, false].into_iter().zip(rest) {
        let own = own.iter().filter(|bears| bears.direct == direct);
        groups.extend(own.map(|&bears| (Some(bears), direct, vec![bears.finding])));
        if !rest.is_empty() {
            groups.push((None, direct, rest));
        }
    }
    let members: Vec<Vec<usize>> = groups.iter().map(|(.., members)| members.clone()).collect();
    let course = course(&model.network, &readings, cause, &members);
    let mut before = course.first().copied().unwrap_or(0.0);
    let start = before;
    let steps = groups.iter().zip(course.iter().skip(1));
    let steps = steps
        .map(|((single, direct, members), &after)| {
            let factor = odds(after) / odds(before);
            before = after;
            step(
                grounds,
                diagnosis,
                cause,
                (*single, *direct, members),
                (factor, after),
            )
        })
        .collect();
    (start, steps)
}

fn step(
    grounds: &Grounds<'_>,
    diagnosis: &Diagnosis<'_>,
    cause: usize,
    (single, direct, members): (Option<&Bears>, bool, &[usize]),
    (factor, after): (f64, f64),
) -> Step {
    let network = &diagnosis.model.network;
    let finding = single.and_then(|bears| diagnosis.evidence.findings.get(bears.finding));
    let words = match (finding, direct) {
        (Some(finding), _) => finding.summary.clone(),
        (None, direct) => {
            let number = match members.len() {
                1 if direct => "1 other finding that bears".to_owned(),
                1 => "1 finding that bears".to_owned(),
                count if direct => format!("{count} other findings that bear"),
                count => format!("{count} findings that bear"),
            };
            let on = if direct {
                "it, but little"
            } else {
                "other causes only"
            };
            let together = if members.len() > 1 { ", together" } else { "" };
            format!("{number} on {on}{together}")
        }
    };
    Step {
        words,
        finding: finding.map(|finding| finding_line(grounds, finding)),
        findings: members.len(),
        direct,
        chances: single.filter(|_| direct).map(|bears| {
            let with = 1.0 - network.false_given(&[cause], bears.finding);
            (with, network.leak(bears.finding))
        }),
        alone: single.filter(|_| direct).map(|bears| bears.alone),
        factor: if factor.is_nan() { 1.0 } else { factor },
        after,
    }
}

/// The factor of a finding if nothing else was known. The other causes are there with their priors.
fn alone(model: &Model<'_>, readings: &[Reading], cause: usize, finding: usize) -> f64 {
    let network = &model.network;
    let strength = network.strength(cause, finding);
    let others: f64 = (0..network.causes())
        .filter(|&other| other != cause && !network.is_alone(other))
        .map(|other| 1.0 - network.prior(other) * network.strength(other, finding))
        .product();
    let without = (1.0 - network.leak(finding)) * others;
    let beside = if network.is_alone(cause) {
        1.0 - network.leak(finding)
    } else {
        without
    };
    let with = beside * (1.0 - strength);
    let (mut given, mut otherwise) = (0.0, 0.0);
    for reading in readings {
        let (with, without) = match reading.outcomes.get(finding) {
            Some(Outcome::True) => (1.0 - with, 1.0 - without),
            Some(Outcome::False) => (with, without),
            _ => (1.0, 1.0),
        };
        given += reading.weight * with;
        otherwise += reading.weight * without;
    }
    let factor = given / otherwise;
    if factor.is_nan() { 1.0 } else { factor }
}

/// What bears on the cause and could not be observed, apart from checks by hand.
fn missing(diagnosis: &Diagnosis<'_>, cause: usize) -> (Vec<Missing>, usize) {
    let Diagnosis {
        model,
        evidence,
        ranking,
    } = diagnosis;
    let mut found: Vec<Missing> = Vec::new();
    for (index, finding) in evidence.findings.iter().enumerate() {
        let Some((rule, place)) = model.findings.get(index) else {
            continue;
        };
        if finding.state != State::NotObservable
            || model.network.strength(cause, index) <= 0.0
            || by_hand(&rule.when)
        {
            continue;
        }
        let results = [true, false].map(|holds| crate::ranking::CheckResult {
            settles: vec![(index, holds)],
        });
        let after: Vec<f64> = suppose(&model.network, ranking, &results)
            .iter()
            .map(|forecast| forecast.posterior.get(cause).copied().unwrap_or(0.0))
            .collect();
        let &[seen, absent] = after.as_slice() else {
            continue;
        };
        found.push(Missing {
            id: rule.id.clone(),
            place: *place,
            words: rule.holds.replace("{place}", &place.to_string()),
            reason: finding.summary.clone(),
            seen,
            absent,
        });
    }
    let effect = |missing: &Missing| {
        let now = diagnosis.probability(cause);
        (missing.seen - now).abs().max((missing.absent - now).abs())
    };
    found.sort_by(|one, other| effect(other).total_cmp(&effect(one)));
    let all = found.len();
    let told = found
        .iter()
        .take_while(|missing| effect(missing) >= LEAST_CHANGE)
        .count();
    found.truncate(told.min(MOST_MISSING));
    let more = all - found.len();
    (found, more)
}

/// Whether a check by hand could show it.
fn by_hand(condition: &Condition) -> bool {
    let mut found = false;
    condition.walk(&mut |part| found |= matches!(part, Condition::Check(_)));
    found
}

fn rivals(diagnosis: &Diagnosis<'_>, cause: usize) -> Vec<Rival> {
    let Diagnosis {
        model,
        evidence,
        ranking,
    } = diagnosis;
    let order = ranking.order();
    let others = order.iter().copied().filter(|&other| other != cause);
    let likely = others
        .enumerate()
        .filter(|&(at, other)| at == 0 || diagnosis.probability(other) >= LEAST_RIVAL);
    let states = evidence.readings.first().map(|reading| &reading.states);
    let mut rivals = Vec::new();
    for (_, rival) in likely.take(MOST_RIVALS) {
        let Some((rule, place)) = diagnosis.cause(rival) else {
            continue;
        };
        let sets = ranking.explanations.iter();
        let both = sets
            .filter(|set| set.causes.contains(&cause) && set.causes.contains(&rival))
            .map(|set| set.probability)
            .sum();
        let mut told: Vec<(usize, f64)> = Vec::new();
        for (finding, &state) in states.into_iter().flatten().enumerate() {
            let state = outcome(state);
            if state == Outcome::Unobserved {
                continue;
            }
            let with = model.network.outcome_given(&[cause], finding, state);
            let instead = model.network.outcome_given(&[rival], finding, state);
            told.push((finding, with / instead));
        }
        let words = |(finding, times): (usize, f64)| {
            let finding = evidence.findings.get(finding)?;
            (times >= LEAST_FACTOR).then(|| (finding.summary.clone(), times))
        };
        let most = told
            .iter()
            .copied()
            .max_by(|one, other| one.1.total_cmp(&other.1));
        let least = told
            .iter()
            .copied()
            .min_by(|one, other| one.1.total_cmp(&other.1));
        rivals.push(Rival {
            id: rule.id.clone(),
            place: *place,
            name: rule.name.clone(),
            probability: diagnosis.probability(rival),
            both,
            for_this: most.and_then(words),
            for_rival: least.and_then(|(finding, times)| words((finding, 1.0 / times))),
        });
    }
    rivals
}

/// The results that make another cause the first, and the check that tells most about this one.
fn turns(
    grounds: &Grounds<'_>,
    diagnosis: &Diagnosis<'_>,
    means: &Means,
    cause: usize,
) -> (Vec<Turn>, Option<Telling>) {
    let Diagnosis { model, ranking, .. } = diagnosis;
    let first = ranking.order().first().copied();
    let now = diagnosis.probability(cause);
    let mut turns = Vec::new();
    let mut telling: Option<(f64, Telling)> = None;
    for candidate in checks::candidates(grounds, means) {
        let results = checks::results(grounds, model, &candidate);
        let forecasts = suppose(&model.network, ranking, &results);
        let mut moved = 0.0;
        let mut told = Vec::new();
        for ((_, words, _), forecast) in candidate.results.iter().zip(&forecasts) {
            let then = |cause: usize| forecast.posterior.get(cause).copied().unwrap_or(0.0);
            moved += forecast.probability * (then(cause) - now).abs();
            told.push((words.clone(), forecast.probability, then(cause)));
            let leader = (0..model.causes.len())
                .max_by(|&one, &other| then(one).total_cmp(&then(other)).then(other.cmp(&one)));
            let Some(leader) = leader.filter(|&leader| Some(leader) != first) else {
                continue;
            };
            let known = first.is_none_or(|first| then(leader) > then(first) + LEAST_CHANGE);
            if forecast.probability < LEAST_RESULT || !known {
                continue;
            }
            turns.push(Turn {
                check: candidate.rule.id.clone(),
                place: candidate.place,
                name: candidate.rule.name.clone(),
                minutes: candidate.rule.minutes,
                result: words.clone(),
                probability: forecast.probability,
                first: checks::name(model, leader).unwrap_or_default(),
                first_probability: then(leader),
                this: then(cause),
            });
        }
        if moved >= LEAST_CHANGE && telling.as_ref().is_none_or(|(most, _)| moved > *most) {
            telling = Some((
                moved,
                Telling {
                    check: candidate.rule.id.clone(),
                    place: candidate.place,
                    name: candidate.rule.name.clone(),
                    minutes: candidate.rule.minutes,
                    results: told,
                },
            ));
        }
    }
    turns.sort_by(|one, other| other.probability.total_cmp(&one.probability));
    turns.truncate(MOST_TURNS);
    // The results of a check stand together, at the place of the likeliest.
    let mut together: Vec<Turn> = Vec::new();
    while let Some(next) = turns.first().cloned() {
        let (same, other) = turns
            .into_iter()
            .partition(|turn| turn.check == next.check && turn.place == next.place);
        together.extend::<Vec<Turn>>(same);
        turns = other;
    }
    (together, telling.map(|(_, telling)| telling))
}
