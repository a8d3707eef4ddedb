//! The rule set: causes, findings, checks and their links, loaded from YAML, cross-checked and embedded.
