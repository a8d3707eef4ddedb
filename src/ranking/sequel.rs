//! What follows when what is certain has been repaired: how likely that ends the trouble, and what is behind it if not.
//!
//! A repair with its trial is an observation, too: afterwards the lamp stays off, or it does not. Every set of causes is then
//! itself without what was repaired. The sets that had nothing else are over; the others, weighed anew, are what the plan
//! goes on with. Repairing a certain cause before looking for a second one costs that repair, which is needed anyway, and saves all
//! looks where nothing else is left; but a call mends all at once, so that where much is left looking on can be cheaper.
//! [`certain_repair`] compares the two by the expected cost of the whole.

use super::network::Network;
use super::plan::{Check, Plan, Repair, Step, plan};
use super::posterior::{Explanation, Ranking};

/// From this probability on a cause is repaired without a further look.
pub const CERTAIN: f64 = 0.95;

/// What is left after repairs.
#[derive(Clone, Debug)]
pub struct Sequel {
    /// The probability that the trouble is over.
    pub ended: f64,
    /// The ranking of what is left if it is not; without factors, as no finding was looked at again. Every posterior is 0 when
    /// nothing can be left.
    pub left: Ranking,
}

/// The repair of what is certain, and what follows.
#[derive(Clone, Debug)]
pub struct CertainRepair {
    /// The causes to repair, rising.
    pub causes: Vec<usize>,
    /// Whether it comes before any further check: looking on is not urgent and not expected to cost less.
    pub first: bool,
    /// What they and all that follows are expected to cost.
    pub cost: f64,
    /// What is left afterwards.
    pub sequel: Sequel,
    /// The checks that follow if the trouble is not over.
    pub steps: Vec<Step>,
}

/// What is left after the causes in `repaired` were repaired, if they were there.
///
/// A hypothesis that stands alone ("nothing is wrong now") leaves no trouble either.
pub fn after_repair(network: &Network, ranking: &Ranking, repaired: &[usize]) -> Sequel {
    let mut ended = 0.0;
    let mut left: Vec<Explanation> = Vec::new();
    for set in &ranking.explanations {
        let causes: Vec<usize> = set
            .causes
            .iter()
            .copied()
            .filter(|cause| !repaired.contains(cause))
            .collect();
        let over = causes.is_empty() && !set.causes.is_empty()
            || causes.iter().any(|&cause| network.is_alone(cause));
        if over {
            ended += set.probability;
            continue;
        }
        match left.iter_mut().find(|known| known.causes == causes) {
            Some(known) => known.probability += set.probability,
            None => left.push(Explanation {
                causes,
                probability: set.probability,
            }),
        }
    }
    let rest: f64 = left.iter().map(|set| set.probability).sum();
    let whole = ended + rest;
    let mut posterior = vec![0.0; network.causes()];
    for set in &mut left {
        set.probability /= rest;
        for &cause in &set.causes {
            if let Some(sum) = posterior.get_mut(cause) {
                *sum += set.probability;
            }
        }
    }
    left.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    Sequel {
        ended: if whole > 0.0 { ended / whole } else { 0.0 },
        left: Ranking::of_sets(posterior, left, ranking),
    }
}

/// The repair of the certain causes; `looking` is the plan of looking on. At most `most` checks follow it.
///
/// It comes never before an urgent check, and a last resort is not repaired while any check is open.
pub fn certain_repair(
    network: &Network,
    ranking: &Ranking,
    looking: &Plan,
    (checks, repairs): (&[Check], &[Repair]),
    call: f64,
    most: usize,
) -> Option<CertainRepair> {
    let next = looking.steps.first();
    let causes: Vec<usize> = ranking
        .posterior
        .iter()
        .enumerate()
        .filter(|&(cause, &probability)| probability >= CERTAIN && !network.is_alone(cause))
        .filter(|&(cause, _)| {
            let repair = repairs.get(cause);
            repair.is_some_and(|repair| !repair.last || next.is_none())
        })
        .map(|(cause, _)| cause)
        .collect();
    if causes.is_empty() {
        return None;
    }
    let sequel = after_repair(network, ranking, &causes);
    let then = plan(network, &sequel.left, checks, repairs, call, most);
    let cheapest = |plan: &Plan| {
        let step = plan.steps.first().map_or(f64::INFINITY, |step| step.cost);
        step.min(plan.cost_without_checks)
    };
    let price: f64 = causes
        .iter()
        .filter_map(|&cause| repairs.get(cause))
        .map(|repair| repair.cost)
        .sum();
    let cost = price + (1.0 - sequel.ended) * cheapest(&then);
    let urgent = |step: &Step| checks.get(step.check).is_some_and(|check| check.urgent);
    Some(CertainRepair {
        causes,
        first: next.is_none_or(|next| !urgent(next) && cost <= next.cost + 1e-9),
        cost,
        sequel,
        steps: then.steps,
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::{CheckResult, Outcome, rank};
    use super::*;

    const CAUSES: usize = 3;
    const CALL: f64 = 300.0;

    /// Three causes, the first as good as certain by a finding of its own, and one look for each of them: every set of causes is
    /// among those that the ranking sums over.
    #[derive(Debug)]
    struct Case {
        network: Network,
        looks: [f64; CAUSES],
        repairs: [f64; CAUSES],
    }

    /// Which orders of repairs brute force tries.
    #[derive(Clone, Copy, Debug, Eq, PartialEq)]
    enum Orders {
        Every,
        /// Falling probability over cost, as the plan.
        ByRatio,
    }

    impl Case {
        fn new(
            priors: [f64; CAUSES],
            links: &[f64],
            looks: [f64; CAUSES],
            repairs: [f64; CAUSES],
        ) -> Self {
            let mut network = Network::new(&priors, &[1e-4, 0.02, 0.02, 0.02]);
            network.link(0, 0, 0.9);
            for (at, &strength) in links.iter().enumerate() {
                network.link(at / CAUSES, 1 + at % CAUSES, strength);
            }
            Self {
                network,
                looks,
                repairs,
            }
        }

        /// The second cause shows at the looks at the first and second one, each of which costs a tenth of a repair.
        fn usual() -> Self {
            Self::new(
                [0.2, 0.3, 0.1],
                &[0.0, 0.0, 0.0, 0.9, 0.0, 0.0, 0.0, 0.9, 0.0],
                [5.0; 3],
                [50.0; 3],
            )
        }

        /// The repair of what is certain after [`Case::seen`], with three checks at most behind it.
        fn certain(&self, checks: &[Check], repairs: &[Repair]) -> Option<CertainRepair> {
            let ranking = rank(&self.network, &Self::seen());
            let looking = plan(&self.network, &ranking, checks, repairs, CALL, 1);
            certain_repair(
                &self.network,
                &ranking,
                &looking,
                (checks, repairs),
                CALL,
                3,
            )
        }

        fn seen() -> [Outcome; 4] {
            [
                Outcome::True,
                Outcome::Unobserved,
                Outcome::Unobserved,
                Outcome::Unobserved,
            ]
        }

        fn checks(&self) -> Vec<Check> {
            let looks = self.looks.iter().enumerate();
            looks
                .map(|(at, &cost)| Check {
                    cost,
                    urgent: false,
                    results: [true, false]
                        .map(|holds| CheckResult {
                            settles: vec![(at + 1, holds)],
                        })
                        .to_vec(),
                })
                .collect()
        }

        fn means(&self) -> Vec<Repair> {
            let repairs = self.repairs.iter();
            repairs.map(|&cost| Repair { cost, last: false }).collect()
        }

        /// The probability of each set of causes, a bit for each, by the formula.
        fn belief(&self) -> Vec<f64> {
            let weights: Vec<f64> = (0..1_usize << CAUSES)
                .map(|mask| {
                    let present: Vec<usize> = members(mask).collect();
                    let prior: f64 = (0..CAUSES)
                        .map(|cause| {
                            let prior = self.network.prior(cause);
                            if mask >> cause & 1 == 1 {
                                prior
                            } else {
                                1.0 - prior
                            }
                        })
                        .product();
                    prior * (1.0 - self.network.false_given(&present, 0))
                })
                .collect();
            let total: f64 = weights.iter().sum();
            weights.iter().map(|weight| weight / total).collect()
        }

        /// The cheapest of all orders of repairs, or of falling probability over cost alone, cut at every place by a call.
        fn repair_now(&self, belief: &[f64], orders: Orders) -> f64 {
            let worth = |cause: usize| {
                let with = (0..belief.len()).filter(|mask| mask >> cause & 1 == 1);
                with.map(|mask| belief[mask]).sum::<f64>() / self.repairs[cause]
            };
            let mut best = CALL;
            let mut open = vec![(0_usize, 0.0)];
            while let Some((tried, spent)) = open.pop() {
                // What was spent in those that are over was counted when they were over.
                let lit = |mask: usize| mask & !tried != 0 || mask == 0;
                let unmended: f64 = (0..belief.len())
                    .filter(|&mask| lit(mask))
                    .map(|mask| belief[mask])
                    .sum();
                best = best.min(spent + unmended * CALL);
                let left = || (0..CAUSES).filter(|next| tried >> next & 1 == 0);
                let ratio = left().max_by(|&a, &b| worth(a).total_cmp(&worth(b)));
                for next in left().filter(|&next| orders == Orders::Every || ratio == Some(next)) {
                    open.push((tried | 1 << next, spent + unmended * self.repairs[next]));
                }
            }
            best
        }

        /// The cheapest way on with at most so many looks, of those in `looks`.
        fn best(&self, belief: &[f64], looks: &[usize], most: usize, orders: Orders) -> f64 {
            let mut best = self.repair_now(belief, orders);
            if most == 0 {
                return best;
            }
            for &look in looks {
                best = best.min(self.look(belief, looks, look, (most, orders)));
            }
            best
        }

        /// The same when it begins with `look`.
        fn look(
            &self,
            belief: &[f64],
            looks: &[usize],
            look: usize,
            (most, orders): (usize, Orders),
        ) -> f64 {
            let rest: Vec<usize> = looks
                .iter()
                .copied()
                .filter(|&other| other != look)
                .collect();
            let mut cost = self.looks[look];
            for holds in [true, false] {
                let joint: Vec<f64> = belief
                    .iter()
                    .enumerate()
                    .map(|(mask, weight)| {
                        let present: Vec<usize> = members(mask).collect();
                        let absent = self.network.false_given(&present, look + 1);
                        weight * if holds { 1.0 - absent } else { absent }
                    })
                    .collect();
                let total: f64 = joint.iter().sum();
                let after: Vec<f64> = joint.iter().map(|joint| joint / total).collect();
                cost += total * self.best(&after, &rest, most - 1, orders);
            }
            cost
        }
    }

    fn members(mask: usize) -> impl Iterator<Item = usize> {
        (0..CAUSES).filter(move |cause| mask >> cause & 1 == 1)
    }

    prop_compose! {
        fn case()(
            certain in 0.05..0.3_f64,
            others in prop::array::uniform2(0.02..0.4_f64),
            links in prop::collection::vec(prop_oneof![Just(0.0), 0.3..0.98_f64], CAUSES * CAUSES),
            looks in prop::array::uniform3(1.0..15.0_f64),
            repairs in prop::array::uniform3(20.0..200.0_f64),
        ) -> Case {
            Case::new([certain, others[0], others[1]], &links, looks, repairs)
        }
    }

    proptest! {
        /// Second opinion: enumeration of all sets by the formula.
        #[test]
        fn what_is_left_is_what_enumeration_says(case in case()) {
            let ranking = rank(&case.network, &Case::seen());
            let sequel = after_repair(&case.network, &ranking, &[0]);
            let belief = case.belief();
            prop_assert!((sequel.ended - belief[1]).abs() < 1e-7);
            let rest = 1.0 - belief[1];
            for cause in 1..CAUSES {
                let with: f64 = (0..belief.len()).filter(|mask| mask >> cause & 1 == 1).map(|mask| belief[mask]).sum();
                prop_assert!((sequel.left.posterior[cause] - with / rest).abs() < 1e-6);
            }
            prop_assert!(sequel.left.posterior[0].abs() < 1e-12);
        }

        /// Second opinion: every strategy of repairing the certain cause and then at most two looks, and of two looks to begin with.
        /// The plan orders repairs by probability over cost; with several faults that need not be the best order, and the best
        /// is a bound.
        #[test]
        fn repairing_first_costs_what_brute_force_says(case in case()) {
            let ranking = rank(&case.network, &Case::seen());
            prop_assume!(ranking.posterior[0] >= CERTAIN && ranking.posterior[1..].iter().all(|&p| p < CERTAIN));
            let (checks, repairs) = (case.checks(), case.means());
            let on = plan(&case.network, &ranking, &checks, &repairs, CALL, 1);
            let found = certain_repair(&case.network, &ranking, &on, (&checks, &repairs), CALL, 1);
            let belief = case.belief();
            let mut left = vec![0.0; belief.len()];
            for (mask, weight) in belief.iter().enumerate().filter(|&(mask, _)| mask != 1) {
                left[mask & !1] += weight;
            }
            let rest: f64 = left.iter().sum();
            for weight in &mut left {
                *weight /= rest;
            }
            let looks: Vec<usize> = (0..CAUSES).collect();
            let found = found.unwrap();
            prop_assert_eq!(&found.causes, &[0]);
            let costs = |orders| {
                let repairing = case.repairs[0] + rest * case.best(&left, &looks, 2, orders);
                let looking = looks.iter().map(|&look| case.look(&belief, &looks, look, (2, orders)));
                (repairing, looking.fold(f64::INFINITY, f64::min))
            };
            let (bound, _) = costs(Orders::Every);
            prop_assert!(found.cost >= bound - 1e-4, "{} below {bound}", found.cost);
            let (repairing, looking) = costs(Orders::ByRatio);
            prop_assert!((found.cost - repairing).abs() < 1e-3, "{} is not {repairing}", found.cost);
            // Which look is proposed, and for what it tells even where none pays, is tested with the plan.
            let next = on.steps.first().map_or(f64::INFINITY, |next| next.cost);
            prop_assert!(next >= looking - 1e-3, "{next} below {looking}");
            let (here, there) = if found.first { (repairing, next) } else { (next, repairing) };
            prop_assert!(here <= there + 1e-3, "{repairing} to repair, {next} to look on");
        }
    }

    #[test]
    fn a_certain_cause_alone_ends_the_trouble() {
        let case = Case::new([0.2, 1e-6, 1e-6], &[0.0; 9], [5.0; 3], [50.0; 3]);
        let ranking = rank(&case.network, &Case::seen());
        let sequel = after_repair(&case.network, &ranking, &[0]);
        assert!(sequel.ended > 0.999, "{sequel:?}");
    }

    #[test]
    fn what_may_cost_the_brakes_is_looked_at_before_any_repair() {
        let case = Case::usual();
        let mut checks = case.checks();
        let repairs = case.means();
        let first = |checks: &[Check]| case.certain(checks, &repairs);
        let found = first(&checks).unwrap();
        assert_eq!(found.causes, [0]);
        assert!(found.first);
        assert!(!found.steps.is_empty());
        for check in &mut checks {
            check.urgent = true;
        }
        assert!(!first(&checks).unwrap().first);
    }

    #[test]
    fn a_last_resort_waits_for_every_check() {
        let case = Case::usual();
        let mut repairs = case.means();
        repairs[0].last = true;
        let first = |checks: &[Check]| case.certain(checks, &repairs);
        assert!(first(&case.checks()).is_none());
        assert_eq!(first(&[]).unwrap().causes, [0]);
    }
}
