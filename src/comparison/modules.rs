//! Modules that kept silent before or after.

use std::collections::BTreeMap;

use crate::report::comparison::ModuleChange;
use crate::vehicle::{ModuleState, Record};

/// The state of a module that was asked and never answered.
pub(super) const SILENT: &str = ModuleState::Silent.id();
/// The state of a module that answered.
pub(super) const ANSWERING: &str = ModuleState::Answering.id();

/// Every module that was silent on one of the sides, by name.
pub(super) fn changes(before: &Record, after: &Record) -> Vec<ModuleChange> {
    let states = |record: &Record| -> BTreeMap<String, ModuleState> {
        let named = record.modules.iter();
        named
            .map(|module| (module.name.clone(), module.state))
            .collect()
    };
    let (before, after) = (states(before), states(after));
    let mut names: Vec<&String> = before.keys().chain(after.keys()).collect();
    names.sort();
    names.dedup();
    names
        .into_iter()
        .filter_map(|name| {
            let (was, is) = (before.get(name).copied(), after.get(name).copied());
            if ![was, is].contains(&Some(ModuleState::Silent)) {
                return None;
            }
            Some(ModuleChange {
                name: name.clone(),
                before: was.map(ModuleState::id),
                after: is.map(ModuleState::id),
                words: words(was, is).to_owned(),
            })
        })
        .collect()
}

/// The modules that were silent, answer now, and whose codes nobody read.
pub(super) fn awake_but_unread(changes: &[ModuleChange], after: &Record) -> Vec<String> {
    let read = |name: &str| {
        let lists = after
            .lists
            .iter()
            .filter_map(|list| after.modules.get(list.module));
        lists.into_iter().any(|module| module.name == name)
    };
    changes
        .iter()
        .filter(|change| change.before == Some(SILENT) && change.after == Some(ANSWERING))
        .filter(|change| !read(&change.name))
        .map(|change| change.name.clone())
        .collect()
}

fn words(was: Option<ModuleState>, is: Option<ModuleState>) -> &'static str {
    match (was, is) {
        (Some(ModuleState::Silent), Some(ModuleState::Silent)) => "silent before and after.",
        (Some(ModuleState::Silent), Some(ModuleState::Answering)) => "was silent and answers now.",
        (Some(ModuleState::Silent), Some(ModuleState::Refusing)) => {
            "was silent; now it lives, but refuses what it is asked."
        }
        (Some(ModuleState::Silent), _) => "was silent and has not been asked again.",
        (Some(ModuleState::Answering), Some(ModuleState::Silent)) => {
            "answered before and is silent now."
        }
        _ => "is silent now and was not asked before.",
    }
}
