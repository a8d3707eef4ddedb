//! The plan of checks: what to look at next, by the expected cost of the whole repair.
//!
//! After Heckerman, Breese and Rommelse (1995): the cost of ending the trouble *now* is that of repairing in the order
//! of probability over cost, and calling for help where that costs less. A check is worth its price when the mean of
//! that cost over its results, plus the check, is lower. Checks are compared with a look-ahead of two: after each result
//! the best second check may follow. Everything is computed on the likeliest sets of causes of the ranking, so several
//! faults at once are provided for.
//!
//! Two things stand above the arithmetic: urgent checks (a possible loss of braking) come first, and a repair marked as
//! the last resort (the control module) follows all others. A check whose results change nothing is never proposed.

use super::network::{Network, Outcome};
use super::posterior::{Explanation, Ranking};

/// Sets of causes that the plan is computed on.
const MAX_SETS: usize = 400;
/// Checks that the second step of the look-ahead chooses from.
const SHORTLIST: usize = 6;
/// Causes less probable than this are not repaired on suspicion.
const LEAST_TRIED: f64 = 1e-4;
/// A check that moves no cause's probability by this much, in the mean over its results, changes nothing.
const LEAST_MOVED: f64 = 0.02;

/// A check by hand.
#[derive(Clone, Debug)]
pub struct Check {
    /// What it costs, in the unit of all costs here.
    pub cost: f64,
    /// Whether it must come before all that are not urgent.
    pub urgent: bool,
    /// Its results, each with what it settles. Exactly one of them comes out.
    pub results: Vec<CheckResult>,
}

/// One result of a check: findings and whether they hold.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct CheckResult {
    /// The settled findings.
    pub settles: Vec<(usize, bool)>,
}

/// The repair of a cause.
#[derive(Clone, Copy, Debug)]
pub struct Repair {
    /// What it costs, with the trial that it has worked.
    pub cost: f64,
    /// Whether it comes after all others.
    pub last: bool,
}

/// A proposed check.
#[derive(Clone, Debug)]
pub struct Step {
    /// Which check.
    pub check: usize,
    /// What it and all that follows is expected to cost.
    pub cost: f64,
    /// How much less that is than without this check; negative when the check does not pay for itself.
    pub saves: f64,
    /// For each result, its probability and the causes' probabilities after it.
    pub results: Vec<Forecast>,
}

/// What a result of a check would lead to.
#[derive(Clone, Debug)]
pub struct Forecast {
    /// Probability of the result.
    pub probability: f64,
    /// Probability of each cause after it.
    pub posterior: Vec<f64>,
}

/// The plan.
#[derive(Clone, Debug)]
pub struct Plan {
    /// What ending the trouble is expected to cost without any further check.
    pub cost_without_checks: f64,
    /// The repairs in the order to try them, if no check was done.
    pub repairs: Vec<usize>,
    /// The next checks. Each later one supposes that those before it gave their likeliest result.
    pub steps: Vec<Step>,
}

/// Plans at most `most` checks. `repairs` has one entry per cause; `call` is what it costs to hand the vehicle over.
pub fn plan(
    network: &Network,
    ranking: &Ranking,
    checks: &[Check],
    repairs: &[Repair],
    call: f64,
    most: usize,
) -> Plan {
    let sets = ranking.explanations.get(..MAX_SETS);
    let sets = sets.unwrap_or(&ranking.explanations);
    let planner = Planner {
        sets,
        causes: network.causes(),
        checks,
        shares: checks
            .iter()
            .map(|check| shares(network, sets, check))
            .collect(),
        repairs,
        call,
    };
    let mut belief = Belief {
        weights: sets.iter().map(|set| set.probability).collect(),
    };
    belief.normalise();
    let (cost_without_checks, order) = planner.repair_now(&belief);
    let mut plan = Plan {
        cost_without_checks,
        repairs: order,
        steps: Vec::new(),
    };
    let mut open: Vec<usize> = (0..checks.len()).collect();
    while plan.steps.len() < most {
        let Some((step, likeliest)) = planner.next(&belief, &open) else {
            break;
        };
        open.retain(|&check| check != step.check);
        plan.steps.push(step);
        belief = likeliest;
    }
    plan
}

/// The share of each result of a check, if a set of causes is what there is: one row for each set, in which the shares sum
/// to 1, or are 0 where no result can be. `None` for a check that cannot tell.
fn shares(network: &Network, sets: &[Explanation], check: &Check) -> Option<Vec<f64>> {
    let results = check.results.len();
    if results < 2 {
        return None;
    }
    let mut shares = Vec::with_capacity(sets.len() * results);
    for set in sets {
        let likelihood = |result| likelihood(network, &set.causes, result);
        let row = shares.len();
        shares.extend(check.results.iter().map(likelihood));
        let row = shares.get_mut(row..).unwrap_or_default();
        let total: f64 = row.iter().sum();
        for share in row {
            *share = if total > 0.0 { *share / total } else { 0.0 };
        }
    }
    Some(shares)
}

fn likelihood(network: &Network, causes: &[usize], result: &CheckResult) -> f64 {
    result
        .settles
        .iter()
        .map(|&(finding, holds)| {
            let outcome = if holds { Outcome::True } else { Outcome::False };
            network.outcome_given(causes, finding, outcome)
        })
        .product()
}

/// How probable each set of causes is; the probabilities sum to 1.
#[derive(Clone, Debug)]
struct Belief {
    weights: Vec<f64>,
}

impl Belief {
    fn normalise(&mut self) -> f64 {
        let total: f64 = self.weights.iter().sum();
        if total > 0.0 {
            for weight in &mut self.weights {
                *weight /= total;
            }
        }
        total
    }
}

/// A check under consideration.
struct Candidate {
    check: usize,
    urgent: bool,
    /// What the check itself costs.
    price: f64,
    /// What it and all that follows is expected to cost.
    cost: f64,
    /// How far it moves the probability of the cause that it moves most, in the mean.
    moved: f64,
    /// The probability of each result, and the belief after it.
    results: Vec<(f64, Belief)>,
}

impl Candidate {
    /// Urgent ones first, by what they tell for their price, then those that pay, the cheapest whole first, then the
    /// others by what they tell for their price: where trying the cheapest repair costs no more than looking, a look still keeps sound parts in place.
    fn order(a: &Self, b: &Self, now: f64) -> std::cmp::Ordering {
        let pays = |candidate: &Self| candidate.cost < now;
        let tells = |candidate: &Self| candidate.moved / candidate.price.max(1e-9);
        let by_worth = if pays(a) && !a.urgent {
            a.cost.total_cmp(&b.cost)
        } else {
            tells(b).total_cmp(&tells(a))
        };
        b.urgent
            .cmp(&a.urgent)
            .then((pays(b) && !b.urgent).cmp(&(pays(a) && !a.urgent)))
            .then(by_worth)
            .then(a.check.cmp(&b.check))
    }
}

struct Planner<'a> {
    /// The sets of causes that beliefs are about.
    sets: &'a [Explanation],
    /// How many causes there are.
    causes: usize,
    checks: &'a [Check],
    /// For each check what [`shares`] gives: no belief changes it.
    shares: Vec<Option<Vec<f64>>>,
    repairs: &'a [Repair],
    call: f64,
}

impl Planner<'_> {
    /// The best check, with the belief after its likeliest result.
    fn next(&self, belief: &Belief, open: &[usize]) -> Option<(Step, Belief)> {
        let (now, _) = self.repair_now(belief);
        let mut near: Vec<Candidate> = open
            .iter()
            .filter_map(|&check| self.candidate(belief, check))
            .filter(|candidate| candidate.moved >= LEAST_MOVED)
            .collect();
        near.sort_by(|a, b| Candidate::order(a, b, now));
        near.truncate(SHORTLIST);
        let shortlist: Vec<usize> = near.iter().map(|candidate| candidate.check).collect();
        for candidate in &mut near {
            let ahead = self.cost_ahead(candidate, &shortlist);
            candidate.cost = candidate.cost.min(ahead);
        }
        let Candidate {
            check,
            cost,
            results,
            ..
        } = near
            .into_iter()
            .min_by(|a, b| Candidate::order(a, b, now))?;
        let likeliest = results
            .iter()
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, after)| after.clone())?;
        let step = Step {
            check,
            cost,
            saves: now - cost,
            results: results
                .into_iter()
                .map(|(probability, after)| Forecast {
                    probability,
                    posterior: self.posterior(&after),
                })
                .collect(),
        };
        Some((step, likeliest))
    }

    /// A check with the cost of repairing right after it.
    fn candidate(&self, belief: &Belief, check: usize) -> Option<Candidate> {
        let results = self.results(belief, check)?;
        let &Check { cost, urgent, .. } = self.checks.get(check)?;
        Some(Candidate {
            check,
            urgent,
            price: cost,
            cost: cost + self.cost_after(&results),
            moved: self.moved(belief, &results),
            results,
        })
    }

    /// The mean cost of repairing right after these results.
    fn cost_after(&self, results: &[(f64, Belief)]) -> f64 {
        results
            .iter()
            .map(|(share, after)| share * self.repair_now(after).0)
            .sum()
    }

    /// How far the results of a check move the probability of the cause that they move most, in the mean.
    fn moved(&self, before: &Belief, results: &[(f64, Belief)]) -> f64 {
        let before = self.posterior(before);
        let mut sums = vec![0.0_f64; before.len()];
        for (share, after) in results {
            for ((sum, before), after) in sums.iter_mut().zip(&before).zip(self.posterior(after)) {
                *sum += share * (after - before).abs();
            }
        }
        sums.into_iter().fold(0.0, f64::max)
    }

    /// The cost of a check when after each result the best of `shortlist`, or none, follows.
    fn cost_ahead(&self, candidate: &Candidate, shortlist: &[usize]) -> f64 {
        let after: f64 = candidate
            .results
            .iter()
            .map(|(share, after)| {
                let (stop, _) = self.repair_now(after);
                let best = shortlist
                    .iter()
                    .filter(|&&second| second != candidate.check)
                    .filter_map(|&second| {
                        let results = self.results(after, second)?;
                        Some(self.checks.get(second)?.cost + self.cost_after(&results))
                    })
                    .fold(stop, f64::min);
                share * best
            })
            .sum();
        candidate.price + after
    }

    /// The probability of each result of a check and the belief after it; `None` for a check that cannot tell.
    fn results(&self, belief: &Belief, check: usize) -> Option<Vec<(f64, Belief)>> {
        let shares = self.shares.get(check)?.as_deref()?;
        let count = self.checks.get(check)?.results.len();
        let after = (0..count).map(|result| {
            let shares = shares.iter().skip(result).step_by(count);
            let weights = belief.weights.iter().zip(shares);
            let mut after = Belief {
                weights: weights.map(|(weight, share)| weight * share).collect(),
            };
            (after.normalise(), after)
        });
        Some(after.collect())
    }

    /// The probability of each cause.
    fn posterior(&self, belief: &Belief) -> Vec<f64> {
        let mut posterior = vec![0.0; self.causes];
        for (set, weight) in self.sets.iter().zip(&belief.weights) {
            for &cause in &set.causes {
                if let Some(sum) = posterior.get_mut(cause) {
                    *sum += weight;
                }
            }
        }
        posterior
    }

    /// The expected cost of repairing without further checks, and the order of repairs.
    fn repair_now(&self, belief: &Belief) -> (f64, Vec<usize>) {
        let posterior = self.posterior(belief);
        let mut order: Vec<usize> = (0..posterior.len().min(self.repairs.len()))
            .filter(|&cause| posterior[cause] > LEAST_TRIED)
            .collect();
        order.sort_by(|&a, &b| {
            let ratio = |cause: usize| posterior[cause] / self.repairs[cause].cost.max(1e-9);
            self.repairs[a]
                .last
                .cmp(&self.repairs[b].last)
                .then(ratio(b).total_cmp(&ratio(a)))
                .then(a.cmp(&b))
        });
        let mut position = vec![None; posterior.len()];
        let mut spent = Vec::with_capacity(order.len());
        let mut sum = 0.0;
        for (at, &cause) in order.iter().enumerate() {
            sum += self.repairs[cause].cost;
            spent.push(sum);
            position[cause] = Some(at);
        }
        // Where to give up and call: the prefix with the lowest expected cost.
        let called: Vec<f64> = std::iter::once(&0.0)
            .chain(&spent)
            .map(|spent| spent + self.call)
            .collect();
        let mut ends: Vec<f64> = vec![0.0; called.len()];
        for (set, &weight) in self.sets.iter().zip(&belief.weights) {
            if weight <= 0.0 {
                continue;
            }
            // None for the empty set and for sets with a repair that is not tried: only a call ends them.
            let place = |&cause: &usize| position.get(cause).copied().flatten();
            let last = set.causes.iter().try_fold(None, |last, cause| {
                place(cause).map(|place| last.max(Some(place)))
            });
            let last = last.flatten();
            let until = last.map_or(ends.len(), |last| last + 1);
            let (unmended, mended) = ends.split_at_mut(until.min(called.len()));
            for (end, cost) in unmended.iter_mut().zip(&called) {
                *end += weight * cost;
            }
            if let Some(spent) = last.and_then(|last| spent.get(last)) {
                for end in mended {
                    *end += weight * spent;
                }
            }
        }
        let (tried, cost) = ends
            .into_iter()
            .enumerate()
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .unwrap_or((0, self.call));
        order.truncate(tried);
        (cost, order)
    }
}

#[cfg(test)]
mod tests {
    use super::super::{rank, sequence};
    use super::*;

    fn single(probabilities: &[f64]) -> Ranking {
        let mut ranking = rank(&Network::new(probabilities, &[]), &[]);
        ranking.explanations = probabilities
            .iter()
            .enumerate()
            .map(|(cause, &probability)| Explanation {
                causes: vec![cause],
                probability,
            })
            .collect();
        ranking
    }

    fn repairs(costs: &[f64]) -> Vec<Repair> {
        costs
            .iter()
            .map(|&cost| Repair { cost, last: false })
            .collect()
    }

    #[test]
    fn repairs_alone_follow_the_published_order() {
        let source = "all 24 orders, exact fractions: C B A D at 75.5";
        let probabilities = [0.45, 0.30, 0.15, 0.10];
        let network = Network::new(&probabilities, &[]);
        let plan = plan(
            &network,
            &single(&probabilities),
            &[],
            &repairs(&[90.0, 20.0, 5.0, 40.0]),
            1e6,
            5,
        );
        assert_eq!(plan.repairs, [2, 1, 0, 3], "{source}");
        assert!((plan.cost_without_checks - 75.5).abs() < 1e-9, "{source}");
    }

    #[test]
    fn the_last_resort_comes_last() {
        let probabilities = [0.3, 0.7];
        let network = Network::new(&probabilities, &[]);
        let repairs = [
            Repair {
                cost: 100.0,
                last: false,
            },
            Repair {
                cost: 10.0,
                last: true,
            },
        ];
        let plan = plan(&network, &single(&probabilities), &[], &repairs, 1e6, 5);
        assert_eq!(plan.repairs, [0, 1]);
    }

    /// Two perfect looks, each at one of three units: the plan equals a brute force over all strategies of two looks.
    #[test]
    fn the_look_ahead_equals_brute_force() {
        let (sensor, wiring, ring) = (0.5, 0.3, 0.2);
        let mut network = Network::new(&[sensor, wiring, ring], &[0.0; 3]);
        for unit in 0..3 {
            network.link(unit, unit, 1.0);
        }
        let looks = [10.0, 25.0, 8.0];
        let repair = [80.0, 60.0, 120.0];
        let checks: Vec<Check> = (0..3)
            .map(|unit| Check {
                cost: looks[unit],
                urgent: false,
                results: [true, false]
                    .map(|holds| CheckResult {
                        settles: vec![(unit, holds)],
                    })
                    .to_vec(),
            })
            .collect();
        let plan = plan(
            &network,
            &single(&[sensor, wiring, ring]),
            &checks,
            &repairs(&repair),
            1e6,
            3,
        );
        // Brute force: look at two of the three in some order, then trust what is left.
        let unit = |at: usize| sequence::Unit {
            probability: [sensor, wiring, ring][at],
            inspect: looks[at],
            repair: repair[at],
        };
        let best = [
            [0, 2, 1],
            [2, 0, 1],
            [0, 1, 2],
            [2, 1, 0],
            [1, 0, 2],
            [1, 2, 0],
        ]
        .into_iter()
        .map(|order| sequence::inspect_and_repair(&order.map(unit), true))
        .fold(f64::INFINITY, f64::min);
        assert!((best - 96.0).abs() < 1e-9, "brute force over six orders");
        let first = &plan.steps[0];
        assert_eq!(first.check, 0, "{plan:?}");
        // After "not the sensor" trying the ring or wiring on suspicion may be cheaper still than a second look.
        assert!(first.cost <= best + 1e-9, "{} against {best}", first.cost);
        assert!(first.saves > 0.0);
    }

    #[test]
    fn urgent_checks_come_first() {
        let mut network = Network::new(&[0.05, 0.6], &[0.01; 2]);
        network.link(0, 0, 0.9);
        network.link(1, 1, 0.9);
        let check = |finding, urgent| Check {
            cost: 5.0,
            urgent,
            results: vec![
                CheckResult {
                    settles: vec![(finding, true)],
                },
                CheckResult {
                    settles: vec![(finding, false)],
                },
            ],
        };
        let ranking = rank(&network, &[Outcome::Unobserved; 2]);
        let plan = plan(
            &network,
            &ranking,
            &[check(1, false), check(0, true)],
            &repairs(&[50.0, 50.0]),
            400.0,
            2,
        );
        assert_eq!(plan.steps[0].check, 1);
        assert_eq!(plan.steps[1].check, 0);
        for step in &plan.steps {
            let total: f64 = step.results.iter().map(|result| result.probability).sum();
            assert!((total - 1.0).abs() < 1e-9);
        }
    }
}
