//! Orders of actions under one fault: the classic results that the plan rests on.
//!
//! With one fault, and actions that each find one part of it, the cheapest order is by falling probability over cost
//! (Kadane and Simon 1977; Heckerman, Breese and Rommelse 1995). With actions that share faults that order, made once,
//! can be wrong (Jensen et al. 2001); made anew after every step it is a good rule. With actions that can overlook a
//! fault, the order is by probability times power over cost, the probabilities brought up to date after each miss
//! (Blackwell's rule; Black 1965).

/// An action that finds and ends a fault: an inspection, a repair, a replacement.
#[derive(Clone, Debug, PartialEq)]
pub struct Action {
    /// What it costs each time it is done.
    pub cost: f64,
    /// The faults it can end, each with the probability that it does when that fault is there.
    pub ends: Vec<(usize, f64)>,
}

/// The expected cost of doing `order` until the fault is ended, then paying `call` if it never was.
///
/// `faults` are the probabilities of the single faults; what they lack to 1 is ended by nothing but the call.
pub fn expected_cost(faults: &[f64], actions: &[Action], order: &[usize], call: f64) -> f64 {
    let mut open = Open::new(faults);
    let mut cost = 0.0;
    for action in order.iter().filter_map(|&index| actions.get(index)) {
        cost += open.total() * action.cost;
        open.act(action);
    }
    cost + open.total() * call
}

/// At most `most` actions, each the best by probability ended over cost at its turn. An action that can overlook its
/// fault may come again; one that could end nothing more does not come.
pub fn greedy_order(faults: &[f64], actions: &[Action], most: usize) -> Vec<usize> {
    let mut open = Open::new(faults);
    let mut order = Vec::new();
    while order.len() < most {
        let best = actions
            .iter()
            .enumerate()
            .map(|(index, action)| (index, open.ended_by(action) / action.cost))
            .filter(|&(_, ratio)| ratio > 0.0)
            .max_by(|(i, a), (j, b)| a.total_cmp(b).then(j.cmp(i)));
        let Some((index, _)) = best else { break };
        if let Some(action) = actions.get(index) {
            open.act(action);
        }
        order.push(index);
    }
    order
}

/// The order by falling probability over cost, made once, and cut where a further action costs more than the call
/// it could save.
pub fn ratio_order(faults: &[f64], actions: &[Action], call: f64) -> Vec<usize> {
    let open = Open::new(faults);
    let ratio = |action: &Action| open.ended_by(action) / action.cost;
    let mut order: Vec<usize> = (0..actions.len()).collect();
    order.sort_by(|&a, &b| match (actions.get(a), actions.get(b)) {
        (Some(a), Some(b)) => ratio(b).total_cmp(&ratio(a)),
        _ => std::cmp::Ordering::Equal,
    });
    while let Some((_, shorter)) = order.split_last() {
        if expected_cost(faults, actions, shorter, call)
            > expected_cost(faults, actions, &order, call)
        {
            break;
        }
        order.pop();
    }
    order
}

/// A unit that is inspected, and repaired when it is at fault.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unit {
    /// Probability that the single fault is here.
    pub probability: f64,
    /// Cost of looking.
    pub inspect: f64,
    /// Cost of repairing.
    pub repair: f64,
}

/// The expected cost of inspecting `units` in the order given until the fault is found, and repairing that unit. With
/// `trust_last` the last unit is repaired without a look, as nothing else is left.
pub fn inspect_and_repair(units: &[Unit], trust_last: bool) -> f64 {
    let mut open = 1.0;
    let mut cost = 0.0;
    for (index, unit) in units.iter().enumerate() {
        let last = index + 1 == units.len();
        if !(last && trust_last) {
            cost += open * unit.inspect;
        }
        cost += unit.probability * unit.repair;
        open -= unit.probability;
    }
    cost
}

/// Probabilities of faults still open.
struct Open {
    faults: Vec<f64>,
    other: f64,
}

impl Open {
    fn new(faults: &[f64]) -> Self {
        Self {
            faults: faults.to_vec(),
            other: (1.0 - faults.iter().sum::<f64>()).max(0.0),
        }
    }

    fn total(&self) -> f64 {
        self.other + self.faults.iter().sum::<f64>()
    }

    fn ended_by(&self, action: &Action) -> f64 {
        action
            .ends
            .iter()
            .filter_map(|&(fault, power)| Some(self.faults.get(fault)? * power))
            .sum()
    }

    fn act(&mut self, action: &Action) {
        for &(fault, power) in &action.ends {
            if let Some(open) = self.faults.get_mut(fault) {
                *open *= 1.0 - power;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn singles(costs: &[f64]) -> Vec<Action> {
        costs
            .iter()
            .enumerate()
            .map(|(fault, &cost)| Action {
                cost,
                ends: vec![(fault, 1.0)],
            })
            .collect()
    }

    fn orders(length: usize) -> Vec<Vec<usize>> {
        if length == 0 {
            return vec![Vec::new()];
        }
        let mut all = Vec::new();
        for shorter in orders(length - 1) {
            for at in 0..length {
                let mut order = shorter.clone();
                order.insert(at, length - 1);
                all.push(order);
            }
        }
        all
    }

    #[track_caller]
    fn close(got: f64, expected: f64, source: &str) {
        assert!(
            (got - expected).abs() < 1e-9,
            "{source}: {got}, not {expected}"
        );
    }

    #[test]
    fn two_boxes() {
        let source = "cs.stackexchange.com 144646, two boxes";
        let (faults, actions) = ([0.8, 0.2], singles(&[3.0, 2.0]));
        close(expected_cost(&faults, &actions, &[0, 1], 0.0), 3.4, source);
        close(expected_cost(&faults, &actions, &[1, 0], 0.0), 4.4, source);
        assert_eq!(ratio_order(&faults, &actions, 1e6), [0, 1]);
    }

    #[test]
    fn four_checks_in_every_order() {
        let source = "all 24 orders, exact fractions";
        let faults = [0.45, 0.30, 0.15, 0.10];
        let actions = singles(&[90.0, 20.0, 5.0, 40.0]);
        for (order, cost) in [
            ([2, 1, 0, 3], 75.5),
            ([1, 2, 0, 3], 77.0),
            ([2, 1, 3, 0], 84.5),
            ([1, 2, 3, 0], 86.0),
            ([1, 0, 2, 3], 88.25),
            ([0, 1, 2, 3], 106.25),
            ([3, 0, 1, 2], 130.75),
        ] {
            close(expected_cost(&faults, &actions, &order, 0.0), cost, source);
        }
        let cheapest = orders(4)
            .into_iter()
            .min_by(|a, b| {
                expected_cost(&faults, &actions, a, 0.0)
                    .total_cmp(&expected_cost(&faults, &actions, b, 0.0))
            })
            .unwrap();
        assert_eq!(ratio_order(&faults, &actions, 1e6), cheapest);
        assert_eq!(greedy_order(&faults, &actions, 4), cheapest);
    }

    #[test]
    fn a_call_ends_the_search() {
        let source = "brute force with a residual of 0.10 and a call of 300";
        let faults = [0.40, 0.30, 0.15, 0.05];
        let actions = singles(&[90.0, 20.0, 5.0, 40.0]);
        for (order, cost) in [
            (&[2, 1, 0, 3][..], 107.5),
            (&[1, 2, 0, 3], 109.0),
            (&[2, 1, 0], 116.5),
            (&[2, 1, 3, 0], 119.0),
            (&[1, 2, 0], 118.0),
        ] {
            close(expected_cost(&faults, &actions, order, 300.0), cost, source);
        }
        assert_eq!(ratio_order(&faults, &actions, 300.0), [2, 1, 0, 3]);
        // At a call of 100 the last action no longer pays: 0.05 × 100 < 0.15 × 40.
        assert_eq!(ratio_order(&faults, &actions, 100.0), [2, 1]);
    }

    #[test]
    fn inspect_then_repair() {
        let source = "brute force over six orders, with and without the last look";
        let sensor = Unit {
            probability: 0.5,
            inspect: 10.0,
            repair: 80.0,
        };
        let wiring = Unit {
            probability: 0.3,
            inspect: 25.0,
            repair: 60.0,
        };
        let ring = Unit {
            probability: 0.2,
            inspect: 8.0,
            repair: 120.0,
        };
        for (units, every, trusting) in [
            ([sensor, ring, wiring], 103.5, 96.0),
            ([ring, sensor, wiring], 105.5, 98.0),
            ([sensor, wiring, ring], 106.1, 104.5),
            ([ring, wiring, sensor], 115.0, 110.0),
            ([wiring, sensor, ring], 115.6, 114.0),
            ([wiring, ring, sensor], 117.6, 112.6),
        ] {
            close(inspect_and_repair(&units, false), every, source);
            close(inspect_and_repair(&units, true), trusting, source);
        }
    }

    #[test]
    fn actions_that_share_faults() {
        let source = "brute force; the rule made once fails, made anew it is right";
        let faults = [0.40, 0.35, 0.25];
        let actions = [
            Action {
                cost: 10.0,
                ends: vec![(0, 1.0), (1, 1.0)],
            },
            Action {
                cost: 5.0,
                ends: vec![(0, 1.0)],
            },
            Action {
                cost: 9.0,
                ends: vec![(1, 1.0), (2, 1.0)],
            },
        ];
        close(
            expected_cost(&faults, &actions, &[1, 0, 2], 0.0),
            13.25,
            source,
        );
        close(expected_cost(&faults, &actions, &[1, 2], 0.0), 10.4, source);
        close(
            expected_cost(&faults, &actions, &[0, 2], 0.0),
            12.25,
            source,
        );
        assert_eq!(greedy_order(&faults, &actions, 10), [1, 2]);
    }

    #[test]
    fn checks_that_overlook() {
        let source = "Blackwell's rule, brute force of ten picks";
        let faults = [0.6, 0.4];
        let actions = [
            Action {
                cost: 2.0,
                ends: vec![(0, 0.5)],
            },
            Action {
                cost: 3.0,
                ends: vec![(1, 0.9)],
            },
        ];
        let order = greedy_order(&faults, &actions, 10);
        assert_eq!(order, [0, 1, 0, 0, 0, 1, 0, 0, 0, 1], "{source}");
        close(
            expected_cost(&faults, &actions, &order, 0.0),
            5.803_812_5,
            source,
        );
        // The call of 1 measures the probability that is still unfound.
        let unfound = expected_cost(&faults, &actions, &order, 1.0)
            - expected_cost(&faults, &actions, &order, 0.0);
        close(unfound, 0.005_087_5, source);
    }
}
