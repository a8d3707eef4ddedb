//! The network of the rules as JSON, for Bayesian-network programs; and the posterior of any such network, so that
//! those programs can be a second opinion on this one.

use serde::{Deserialize, Serialize};
use tonering::diagnosis::Model;
use tonering::place::{Axle, Place, Wheel};
use tonering::ranking::{Network, Outcome, Reading, rank_readings};
use tonering::rules::Rules;

/// Most causes and most findings of a network that is read: sets of three grow with the third power.
const MOST: usize = 500;

/// A network: `{"network": 1, …}`. `rules network` writes it; read again, only numbers count.
#[derive(Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct NetworkOut {
    /// Version of this shape.
    network: u32,
    causes: Vec<CauseOut>,
    findings: Vec<FindingOut>,
    links: Vec<LinkOut>,
    /// What was seen: each way to read it, with its weight. None when written.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    readings: Vec<ReadingIn>,
}

#[derive(Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct CauseOut {
    id: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    wheel: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    axle: Option<String>,
    prior: f64,
    /// Never together with another cause.
    alone: bool,
}

#[derive(Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct FindingOut {
    id: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    wheel: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    axle: Option<String>,
    leak: f64,
}

/// Indices into the lists, from 0.
#[derive(Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct LinkOut {
    cause: usize,
    finding: usize,
    strength: f64,
}

#[derive(Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct ReadingIn {
    weight: f64,
    /// For each finding whether it holds; null where it could not be observed.
    outcomes: Vec<Option<bool>>,
}

#[derive(Debug, Serialize)]
struct PosteriorOut {
    posterior: Vec<f64>,
    left_out: f64,
    log_evidence: f64,
}

fn wheel(place: Place) -> Option<String> {
    place.wheel().map(Wheel::id).map(str::to_owned)
}

fn axle(place: Place) -> Option<String> {
    place.axle().map(Axle::id).map(str::to_owned)
}

/// The network of a rule set.
pub(crate) fn write(rules: &Rules) -> anyhow::Result<String> {
    let model = Model::new(rules);
    let network = &model.network;
    let causes = model.causes.iter().enumerate();
    let findings = model.findings.iter().enumerate();
    let mut links = Vec::new();
    for cause in 0..network.causes() {
        for finding in 0..network.findings() {
            let strength = network.strength(cause, finding);
            if strength > 0.0 {
                links.push(LinkOut {
                    cause,
                    finding,
                    strength,
                });
            }
        }
    }
    let out = NetworkOut {
        network: 1,
        causes: causes
            .map(|(index, (rule, place))| CauseOut {
                id: rule.id.clone(),
                wheel: wheel(*place),
                axle: axle(*place),
                prior: network.prior(index),
                alone: network.is_alone(index),
            })
            .collect(),
        findings: findings
            .map(|(index, (rule, place))| FindingOut {
                id: rule.id.clone(),
                wheel: wheel(*place),
                axle: axle(*place),
                leak: network.leak(index),
            })
            .collect(),
        links,
        readings: Vec::new(),
    };
    Ok(format!("{}\n", serde_json::to_string(&out)?))
}

/// The posterior of the causes of a network that was read.
pub(crate) fn posterior(text: &str) -> anyhow::Result<String> {
    let read: NetworkOut = serde_json::from_str(text)?;
    if read.network != 1 {
        anyhow::bail!(
            "version {} of the network is not known; possible: 1",
            read.network
        );
    }
    if read.causes.len() > MOST || read.findings.len() > MOST {
        anyhow::bail!("more than {MOST} causes or findings");
    }
    let priors: Vec<f64> = read.causes.iter().map(|cause| cause.prior).collect();
    let leaks: Vec<f64> = read.findings.iter().map(|finding| finding.leak).collect();
    let mut network = Network::new(&priors, &leaks);
    for (index, cause) in read.causes.iter().enumerate() {
        if cause.alone {
            network.stands_alone(index);
        }
    }
    for link in &read.links {
        network.link(link.cause, link.finding, link.strength);
    }
    let outcome = |holds: &Option<bool>| match holds {
        Some(true) => Outcome::True,
        Some(false) => Outcome::False,
        None => Outcome::Unobserved,
    };
    let readings: Vec<Reading> = read
        .readings
        .iter()
        .map(|reading| Reading {
            weight: reading.weight,
            outcomes: reading.outcomes.iter().map(outcome).collect(),
        })
        .collect();
    let ranking = rank_readings(&network, &readings);
    let out = PosteriorOut {
        posterior: ranking.posterior.clone(),
        left_out: ranking.left_out,
        log_evidence: ranking.log_evidence,
    };
    Ok(format!("{}\n", serde_json::to_string(&out)?))
}
