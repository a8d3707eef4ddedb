//! Ranking: the exact noisy-OR posterior over causes, and the plan of checks by expected cost.
