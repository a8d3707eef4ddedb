//! How far the order of the causes hangs on the priors, which are assumptions: what if they are wrong by half or double.

use super::model::Model;
use crate::place::Place;
use crate::ranking::{Ranking, with_priors};

/// A first cause below this does not stand out, so its order is of no interest.
const STANDS_OUT: f64 = 0.1;

/// A sentence on what would be first, and with which probability, if causes were half or twice as frequent as the rules
/// assume; `None` where no cause stands out.
pub(super) fn stability(model: &Model<'_>, ranking: &Ranking) -> Option<String> {
    let &first = ranking.order().first()?;
    if *ranking.posterior.get(first)? < STANDS_OUT {
        return None;
    }
    let (leader, place) = model.causes.get(first)?;
    let is_leader = |cause: usize| {
        let known = model.causes.get(cause);
        known.is_some_and(|(rule, _)| rule.id == leader.id)
    };
    let prior = |cause: usize| model.network.prior(cause);
    let scaled = |own: f64, others: f64, rival: Option<&str>| {
        with_priors(&model.network, ranking, |cause| {
            let known = model.causes.get(cause);
            if is_leader(cause) {
                prior(cause) * own
            } else if rival.is_none_or(|id| known.is_some_and(|(rule, _)| rule.id == id)) {
                prior(cause) * others
            } else {
                prior(cause)
            }
        })
    };
    let of = |posterior: &[f64], cause: usize| posterior.get(cause).copied().unwrap_or(0.0);
    let lowest = of(&scaled(0.5, 2.0, None), first);
    let highest = of(&scaled(2.0, 0.5, None), first);
    let mut overtakers: Vec<String> = Vec::new();
    for cause in ranking.order() {
        let Some((rival, at)) = model.causes.get(cause) else {
            continue;
        };
        if rival.id == leader.id {
            continue;
        }
        let posterior = scaled(0.5, 2.0, Some(&rival.id));
        if of(&posterior, cause) > of(&posterior, first) {
            overtakers.push(named(&rival.name, *at));
        }
    }
    let range = format!(
        "{} to {} when all are wrong that way at once",
        percent(lowest),
        percent(highest)
    );
    let leader = named(&leader.name, *place);
    overtakers.truncate(3);
    Some(if overtakers.is_empty() {
        format!(
            "Were {leader} half as frequent as the rules assume, and any one other cause twice as frequent, it would still be first ({range})."
        )
    } else {
        format!(
            "Were {leader} half as frequent as the rules assume, and {} twice as frequent, that would be first instead ({range}): their order rests on the assumed frequencies, so a check has to tell them apart.",
            overtakers.join(" or ")
        )
    })
}

fn named(name: &str, place: Place) -> String {
    match place {
        Place::Vehicle => name.to_owned(),
        place => format!("{name}, {place}"),
    }
}

fn percent(probability: f64) -> String {
    format!("{:.0} %", probability * 100.0)
}
