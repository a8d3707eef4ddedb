//! What if: the posterior after supposed findings or under other priors, from the sets that a ranking keeps; and how
//! the posterior of one cause grows finding by finding.
//!
//! The first two weigh the kept sets anew and lose what these lack to the whole (a millionth at most for evidence that
//! says anything). [`course`] visits every set, as [`super::rank_readings`] does, and ends at the same posterior.

use super::network::{MAX_PRESENT, Network, Outcome};
use super::plan::{CheckResult, Forecast};
use super::posterior::{Explanation, Ranking, Reading};

/// What each of these results would lead to, when exactly one of them comes out.
pub fn suppose(network: &Network, ranking: &Ranking, results: &[CheckResult]) -> Vec<Forecast> {
    let likelihood = |set: &Explanation, result: &CheckResult| -> f64 {
        let settled = result.settles.iter();
        settled
            .map(|&(finding, holds)| {
                let outcome = if holds { Outcome::True } else { Outcome::False };
                network.outcome_given(&set.causes, finding, outcome)
            })
            .product()
    };
    let mut weights: Vec<Vec<f64>> = vec![Vec::new(); results.len()];
    for set in &ranking.explanations {
        let likelihoods: Vec<f64> = results
            .iter()
            .map(|result| likelihood(set, result))
            .collect();
        let total: f64 = likelihoods.iter().sum();
        for (weights, likelihood) in weights.iter_mut().zip(likelihoods) {
            let share = if total > 0.0 { likelihood / total } else { 0.0 };
            weights.push(set.probability * share);
        }
    }
    let whole: f64 = weights.iter().flatten().sum();
    weights
        .iter()
        .map(|weights| {
            let sum: f64 = weights.iter().sum();
            Forecast {
                probability: if whole > 0.0 { sum / whole } else { 0.0 },
                posterior: posterior(network.causes(), &ranking.explanations, weights),
            }
        })
        .collect()
}

/// The posterior if the priors were `prior(cause)` instead of the network's.
pub fn with_priors(network: &Network, ranking: &Ranking, prior: impl Fn(usize) -> f64) -> Vec<f64> {
    let odds = |probability: f64| probability / (1.0 - probability);
    let change: Vec<f64> = (0..network.causes())
        .map(|cause| {
            let change = odds(prior(cause)) / odds(network.prior(cause));
            if change.is_finite() { change } else { 1.0 }
        })
        .collect();
    let weights: Vec<f64> = ranking
        .explanations
        .iter()
        .map(|set| {
            let changes = set.causes.iter().filter_map(|&cause| change.get(cause));
            set.probability * changes.product::<f64>()
        })
        .collect();
    posterior(network.causes(), &ranking.explanations, &weights)
}

/// The probability of each cause when the sets have these weights; nothing is likely when they have none.
fn posterior(causes: usize, sets: &[Explanation], weights: &[f64]) -> Vec<f64> {
    let mut sums = vec![0.0; causes];
    let mut total = 0.0;
    for (set, weight) in sets.iter().zip(weights) {
        total += weight;
        for &cause in &set.causes {
            if let Some(sum) = sums.get_mut(cause) {
                *sum += weight;
            }
        }
    }
    if total > 0.0 {
        for sum in &mut sums {
            *sum /= total;
        }
    }
    sums
}

/// The probability of `cause` before any evidence, and after each group of findings in turn, those of earlier groups
/// included. Findings in no group are left out. The odds change from one to the next by the group's factor given the groups
/// before it, so these factors multiply to the whole exactly.
pub fn course(
    network: &Network,
    readings: &[Reading],
    cause: usize,
    groups: &[Vec<usize>],
) -> Vec<f64> {
    let mut sums: Vec<LogSums> = vec![LogSums::default(); groups.len() + 1];
    let none: f64 = (0..network.causes())
        .map(|other| (-network.prior(other)).ln_1p())
        .sum();
    each_set(network, &mut Vec::new(), 0, none, &mut |set, log_prior| {
        let holds = set.contains(&cause);
        for reading in readings.iter().filter(|reading| reading.weight > 0.0) {
            let mut log_weight = log_prior + reading.weight.ln();
            for (at, sum) in sums.iter_mut().enumerate() {
                let group = at.checked_sub(1).and_then(|at| groups.get(at));
                for &finding in group.into_iter().flatten() {
                    let outcome = reading.outcomes.get(finding);
                    let outcome = outcome.copied().unwrap_or(Outcome::Unobserved);
                    if outcome != Outcome::Unobserved {
                        log_weight += network.outcome_given(set, finding, outcome).ln();
                    }
                }
                sum.add(log_weight, holds);
            }
        }
    });
    sums.iter().map(LogSums::share).collect()
}

/// Calls `see` with each set of up to [`MAX_PRESENT`] causes and the logarithm of its prior.
fn each_set(
    network: &Network,
    set: &mut Vec<usize>,
    from: usize,
    log_prior: f64,
    see: &mut impl FnMut(&[usize], f64),
) {
    see(set, log_prior);
    if set.len() == MAX_PRESENT || set.iter().any(|&cause| network.is_alone(cause)) {
        return;
    }
    for cause in from..network.causes() {
        let prior = network.prior(cause);
        if prior <= 0.0 || (!set.is_empty() && network.is_alone(cause)) {
            continue;
        }
        set.push(cause);
        let log_odds = prior.ln() - (-prior).ln_1p();
        each_set(network, set, cause + 1, log_prior + log_odds, see);
        set.pop();
    }
}

/// Sums of weights given as logarithms, relative to the largest so far.
#[derive(Clone, Debug)]
struct LogSums {
    largest: f64,
    all: f64,
    with: f64,
}

impl Default for LogSums {
    fn default() -> Self {
        Self {
            largest: f64::NEG_INFINITY,
            all: 0.0,
            with: 0.0,
        }
    }
}

impl LogSums {
    fn add(&mut self, log_weight: f64, holds: bool) {
        if log_weight == f64::NEG_INFINITY {
            return;
        }
        if log_weight > self.largest {
            let shrink = (self.largest - log_weight).exp();
            self.all *= shrink;
            self.with *= shrink;
            self.largest = log_weight;
        }
        let weight = (log_weight - self.largest).exp();
        self.all += weight;
        if holds {
            self.with += weight;
        }
    }

    fn share(&self) -> f64 {
        if self.all > 0.0 {
            self.with / self.all
        } else {
            0.0
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::{rank, rank_readings};
    use super::*;
    use Outcome::{False, True, Unobserved};

    /// Six causes, one of which stands alone, and five findings. Numbers invented.
    fn network() -> Network {
        let mut network = Network::new(
            &[0.03, 0.01, 0.2, 0.15, 0.02, 0.1],
            &[0.01, 0.02, 0.05, 0.001, 0.1],
        );
        for (cause, finding, strength) in [
            (0, 0, 0.8),
            (0, 1, 0.6),
            (1, 0, 0.5),
            (1, 2, 0.9),
            (2, 1, 0.3),
            (2, 3, 0.7),
            (3, 2, 0.4),
            (3, 4, 0.9),
            (4, 3, 0.95),
            (4, 4, 0.2),
            (5, 0, 0.4),
        ] {
            network.link(cause, finding, strength);
        }
        network.stands_alone(5);
        network
    }

    fn close(one: &[f64], other: &[f64], tolerance: f64) {
        assert_eq!(one.len(), other.len());
        for (one, other) in one.iter().zip(other) {
            assert!((one - other).abs() < tolerance, "{one} and {other}");
        }
    }

    #[test]
    fn a_supposed_result_is_what_the_ranking_says_after_it() {
        let network = network();
        let seen = [True, Unobserved, False, Unobserved, Unobserved];
        let before = rank(&network, &seen);
        let result = |holds| CheckResult {
            settles: vec![(3, holds)],
        };
        let supposed = suppose(&network, &before, &[result(true), result(false)]);
        for (outcome, forecast) in [True, False].into_iter().zip(&supposed) {
            let mut after = seen;
            after[3] = outcome;
            let after = rank(&network, &after);
            close(&forecast.posterior, &after.posterior, 1e-6);
            let share = after.evidence() / before.evidence();
            assert!((forecast.probability - share).abs() < 1e-6);
        }
    }

    #[test]
    fn other_priors_are_what_the_ranking_says_with_them() {
        let network = network();
        let seen = [True, True, False, Unobserved, False];
        let ranking = rank(&network, &seen);
        let half =
            |cause: usize| network.prior(cause) * if cause.is_multiple_of(2) { 0.5 } else { 2.0 };
        let priors: Vec<f64> = (0..6).map(half).collect();
        let mut other = Network::new(&priors, &[0.01, 0.02, 0.05, 0.001, 0.1]);
        for cause in 0..6 {
            for finding in 0..5 {
                other.link(cause, finding, network.strength(cause, finding));
            }
        }
        other.stands_alone(5);
        let expected = rank(&other, &seen).posterior;
        close(&with_priors(&network, &ranking, half), &expected, 1e-6);
    }

    #[test]
    fn the_course_ends_at_the_posterior_and_passes_every_one_before() {
        let network = network();
        let readings = [
            Reading {
                weight: 0.7,
                outcomes: vec![True, False, Unobserved, True, False],
            },
            Reading {
                weight: 0.3,
                outcomes: vec![False, True, Unobserved, True, False],
            },
        ];
        let groups = [vec![3], vec![0], vec![1, 4], vec![2]];
        for cause in 0..6 {
            let course = course(&network, &readings, cause, &groups);
            let mut known: Vec<usize> = Vec::new();
            for (at, probability) in course.iter().enumerate() {
                known.extend(at.checked_sub(1).into_iter().flat_map(|at| &groups[at]));
                let some: Vec<Reading> = readings
                    .iter()
                    .map(|reading| Reading {
                        weight: reading.weight,
                        outcomes: (0..5)
                            .map(|finding| {
                                if known.contains(&finding) {
                                    reading.outcomes[finding]
                                } else {
                                    Unobserved
                                }
                            })
                            .collect(),
                    })
                    .collect();
                let ranking = rank_readings(&network, &some);
                assert!((ranking.posterior[cause] - probability).abs() < 1e-12);
            }
        }
    }
}
