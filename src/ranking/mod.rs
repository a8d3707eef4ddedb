//! Ranking: the exact noisy-OR posterior over causes, and the plan of checks by expected cost.
//!
//! Numbers and indices only: no vehicle, no rules, no text. [`rank`] turns a [`Network`] and the outcomes of its
//! findings into a [`Ranking`]; [`plan()`] turns a ranking into the order of checks,
//! [`certain_repair`] into the repair of what is certain and what follows it; [`sequence`] holds the classic
//! results on orders of checks that the plan rests on. `docs/reasoning.md` has the mathematics.

mod bound;
#[cfg(test)]
mod brute_force;
mod fit;
mod network;
mod plan;
mod posterior;
mod sequel;
pub mod sequence;
mod suppose;

pub use fit::{Fit, fit};
pub use network::{MAX_PRESENT, Network, Outcome};
pub use plan::{Check, CheckResult, Forecast, Plan, Repair, Step, plan};
pub use posterior::{Explanation, Ranking, Reading, rank, rank_readings};
pub use sequel::{CERTAIN, CertainRepair, Sequel, after_repair, certain_repair};
pub use suppose::{course, suppose, with_priors};
