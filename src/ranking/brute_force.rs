//! The plan against brute force: small cases in which every strategy can be tried.
//!
//! Nothing of the plan is used here but its result: sets are enumerated, likelihoods follow from the formula of the
//! noisy-OR, repairs are tried in every order with a call at every place, and checks in every tree of two.

use super::{Check, CheckResult, Network, Outcome, Repair, plan, rank};

const CAUSES: usize = 4;
const FINDINGS: usize = 4;

/// Numbers from 0 to 1, the same in every run.
struct Numbers(u64);

impl Numbers {
    fn next(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        f64::from(u32::try_from(self.0 >> 32).unwrap()) / f64::from(u32::MAX)
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.next()
    }
}

/// One fault at a time: causes that exclude each other, so that the classic order of repairs is the best there is.
struct Case {
    network: Network,
    /// The probability of each cause being the one.
    faults: [f64; CAUSES],
    looks: [f64; FINDINGS],
    repairs: [f64; CAUSES],
    call: f64,
}

fn case(numbers: &mut Numbers) -> Case {
    let priors: Vec<f64> = (0..CAUSES).map(|_| numbers.between(0.05, 0.3)).collect();
    let leaks: Vec<f64> = (0..FINDINGS).map(|_| numbers.between(0.01, 0.1)).collect();
    let mut network = Network::new(&priors, &leaks);
    for cause in 0..CAUSES {
        network.stands_alone(cause);
        for finding in 0..FINDINGS {
            if numbers.next() < 0.5 {
                network.link(cause, finding, numbers.between(0.3, 0.99));
            }
        }
    }
    let ranking = rank(&network, &[]);
    let mut faults = [0.0; CAUSES];
    faults.copy_from_slice(&ranking.posterior);
    Case {
        network,
        faults,
        looks: [(); FINDINGS].map(|()| numbers.between(1.0, 15.0)),
        repairs: [(); CAUSES].map(|()| numbers.between(20.0, 200.0)),
        call: numbers.between(150.0, 600.0),
    }
}

impl Case {
    /// `P(finding is false | this cause alone, or none)`.
    fn spared(&self, cause: Option<usize>, finding: usize) -> f64 {
        let strength = cause.map_or(0.0, |cause| self.network.strength(cause, finding));
        (1.0 - self.network.leak(finding)) * (1.0 - strength)
    }

    /// The probabilities after a look, and that of its outcome; the last one is "none of the causes".
    fn after(&self, belief: &[f64], finding: usize, holds: bool) -> (f64, Vec<f64>) {
        let likelihood = |at: usize| {
            let spared = self.spared((at < CAUSES).then_some(at), finding);
            if holds { 1.0 - spared } else { spared }
        };
        let joint: Vec<f64> = belief
            .iter()
            .enumerate()
            .map(|(at, probability)| probability * likelihood(at))
            .collect();
        let total: f64 = joint.iter().sum();
        (total, joint.iter().map(|joint| joint / total).collect())
    }

    /// The cheapest of all orders of repairs, cut at every place by a call.
    fn repair_now(&self, belief: &[f64]) -> f64 {
        let mut best = self.call;
        let mut open = vec![(Vec::<usize>::new(), 0.0, 1.0)];
        while let Some((tried, spent, left)) = open.pop() {
            best = best.min(spent + left * self.call);
            for next in (0..CAUSES).filter(|next| !tried.contains(next)) {
                let mut longer = tried.clone();
                longer.push(next);
                let spent = spent + left * self.repairs[next];
                open.push((longer, spent, left - belief[next]));
            }
        }
        best
    }

    /// The cheapest way on with at most so many looks, and the look that it begins with.
    fn best(&self, belief: &[f64], looks: &[usize], most: usize) -> (f64, Option<usize>) {
        let mut best = (self.repair_now(belief), None);
        if most == 0 {
            return best;
        }
        for &look in looks {
            let rest: Vec<usize> = looks
                .iter()
                .copied()
                .filter(|&other| other != look)
                .collect();
            let mut cost = self.looks[look];
            for holds in [true, false] {
                let (probability, after) = self.after(belief, look, holds);
                cost += probability * self.best(&after, &rest, most - 1).0;
            }
            if cost < best.0 {
                best = (cost, Some(look));
            }
        }
        best
    }
}

#[test]
fn the_first_check_is_that_of_the_best_tree_of_two() {
    let mut numbers = Numbers(0x1234_5678_9ABC_DEF1);
    let mut with_a_check = 0;
    for number in 0..200 {
        let case = case(&mut numbers);
        let mut belief = case.faults.to_vec();
        belief.push(1.0 - case.faults.iter().sum::<f64>());
        let all: Vec<usize> = (0..FINDINGS).collect();
        let (cost, look) = case.best(&belief, &all, 2);

        let ranking = rank(&case.network, &[Outcome::Unobserved; FINDINGS]);
        let checks: Vec<Check> = (0..FINDINGS)
            .map(|finding| Check {
                cost: case.looks[finding],
                urgent: false,
                results: [true, false]
                    .map(|holds| CheckResult {
                        settles: vec![(finding, holds)],
                    })
                    .to_vec(),
            })
            .collect();
        let repairs = case.repairs.map(|cost| Repair { cost, last: false });
        let plan = plan(&case.network, &ranking, &checks, &repairs, case.call, 1);
        let now = case.repair_now(&belief);
        assert!(
            (plan.cost_without_checks - now).abs() < 1e-6,
            "case {number}: {} and {now}",
            plan.cost_without_checks
        );
        let step = plan.steps.first();
        match look {
            // Two looks that are both taken in any case cost the same in either order, so the cost decides.
            Some(look) => {
                with_a_check += 1;
                let step = step.unwrap_or_else(|| panic!("case {number}: no check"));
                assert!(
                    (step.cost - cost).abs() < 1e-6,
                    "case {number}: check {} at {}, not {look} at {cost}",
                    step.check,
                    step.cost
                );
            }
            // A look that does not pay may still be proposed, and says so.
            None => assert!(step.is_none_or(|step| step.saves <= 1e-9), "case {number}"),
        }
    }
    assert!(with_a_check > 50, "{with_a_check}");
}
