//! What became of each trouble code.

use std::collections::BTreeMap;

use super::Side;
use super::drive::{RETEST_KMH, top_before};
use crate::report::comparison::{CodeChange, CodeFate};
use crate::trouble::{Code, FailureType, Status};
use crate::vehicle::{CodeListRead, List, Record, ReportedCode, Role};

/// A code of a module.
#[derive(Clone, Debug, Eq, Ord, PartialEq, PartialOrd)]
struct Key {
    module: String,
    code: Code,
    failure: Option<FailureType>,
}

/// Which store a list speaks of: the sub-functions of UDS speak of one, as do the services of KWP.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
enum Store {
    Uds,
    Kwp,
    Obd(List),
}

impl From<List> for Store {
    fn from(list: List) -> Self {
        match list {
            List::Uds(_) => Self::Uds,
            List::Kwp(_) => Self::Kwp,
            List::Stored | List::Pending | List::Permanent => Self::Obd(list),
        }
    }
}

/// The codes of both sides, by module and number. Codes that the first recording shows being cleared count as there.
pub(super) fn changes(
    before: &Record,
    after: Side<'_>,
    meaning: &dyn Fn(Code, Option<FailureType>) -> String,
    remaining: &mut Vec<String>,
) -> Vec<CodeChange> {
    let cleared = before.clears.iter().flat_map(|clear| &clear.removed);
    let was = by_key(before, before.codes.iter().chain(cleared));
    let is = by_key(after.record, after.record.codes.iter());
    let mut keys: Vec<&Key> = was.keys().chain(is.keys()).collect();
    keys.sort();
    keys.dedup();
    let mut unread: Vec<&str> = Vec::new();
    let changes = keys
        .into_iter()
        .map(|key| {
            let entries = |side: &BTreeMap<Key, Vec<ReportedCode>>| {
                side.get(key).cloned().unwrap_or_default()
            };
            let (was, is) = (entries(&was), entries(&is));
            let (fate, words) = if was.is_empty() {
                arrived(&is, stores_read(before, &key.module, &is))
            } else if is.is_empty() {
                left(&was, after, &key.module)
            } else if is_old_memory(after.record, key, &was, &is) {
                let words = "Remembered before and after, and failing on neither side: not a matter of this repair.";
                (CodeFate::Unchanged, words.to_owned())
            } else {
                stayed(&is)
            };
            if fate == CodeFate::NotRead && !unread.contains(&key.module.as_str()) {
                unread.push(&key.module);
            }
            CodeChange {
                code: key.code.to_string(),
                failure_type: key.failure.map(|failure| failure.to_string()),
                module: key.module.clone(),
                meaning: meaning(key.code, key.failure),
                fate,
                before: status(&was),
                after: status(&is),
                words,
            }
        })
        .collect();
    for module in unread {
        remaining.push(format!("Read the codes of {module} again."));
    }
    changes
}

/// The codes that speak of a fault, by key. A status of which only "not tested" bits are set speaks of none.
fn by_key<'a>(
    record: &Record,
    codes: impl Iterator<Item = &'a ReportedCode>,
) -> BTreeMap<Key, Vec<ReportedCode>> {
    let mut found: BTreeMap<Key, Vec<ReportedCode>> = BTreeMap::new();
    for reported in codes {
        if reported
            .uds_status()
            .is_some_and(|status| !speaks_of_a_fault(status))
        {
            continue;
        }
        let Some(module) = record.modules.get(reported.module) else {
            continue;
        };
        let key = Key {
            module: module.name.clone(),
            code: reported.code,
            failure: reported.failure_type,
        };
        found.entry(key).or_default().push(reported.clone());
    }
    found
}

const fn speaks_of_a_fault(status: Status) -> bool {
    status.test_failed()
        || status.test_failed_this_operation_cycle()
        || status.pending()
        || status.confirmed()
        || status.test_failed_since_last_clear()
}

/// The lists of a module that speak of the same store as one of these codes.
fn lists<'a>(record: &'a Record, module: &str, codes: &[ReportedCode]) -> Vec<&'a CodeListRead> {
    let named = |list: &&CodeListRead| {
        record
            .modules
            .get(list.module)
            .is_some_and(|known| known.name == module)
    };
    let same = |list: &&CodeListRead| {
        codes
            .iter()
            .any(|code| Store::from(code.list) == Store::from(list.list))
    };
    record.lists.iter().filter(named).filter(same).collect()
}

fn stores_read(record: &Record, module: &str, codes: &[ReportedCode]) -> bool {
    let cleared = record.clears.iter().any(|clear| {
        let known = record.modules.get(clear.module);
        known.is_some_and(|known| known.name == module) && !clear.removed.is_empty()
    });
    cleared || !lists(record, module, codes).is_empty()
}

/// Whether a module other than the brakes' only remembers this code, before and after.
fn is_old_memory(record: &Record, key: &Key, was: &[ReportedCode], is: &[ReportedCode]) -> bool {
    let brakes = record
        .modules
        .iter()
        .any(|module| module.name == key.module && module.role == Role::Brakes);
    let remembered = |codes| matches!(stayed(codes).0, CodeFate::Remembered | CodeFate::Passed);
    !brakes && remembered(was) && remembered(is)
}

/// A code that only the second recording has.
fn arrived(is: &[ReportedCode], read_before: bool) -> (CodeFate, String) {
    let (fate, words) = stayed(is);
    if !read_before {
        return (
            fate,
            format!("The first recording did not read it. {words}"),
        );
    }
    match fate {
        CodeFate::Still => (
            CodeFate::New,
            "Fails now, and was not listed before.".to_owned(),
        ),
        CodeFate::Remembered => (
            CodeFate::New,
            format!("Listed now, and was not listed before. {words}"),
        ),
        other => (other, words),
    }
}

/// A code that the second recording does not list.
fn left(was: &[ReportedCode], after: Side<'_>, module: &str) -> (CodeFate, String) {
    let lists = lists(after.record, module, was);
    if lists.is_empty() {
        return (
            CodeFate::NotRead,
            format!("The second recording holds no answer of {module} that could list it."),
        );
    }
    let tops = lists
        .iter()
        .filter_map(|list| top_before(after.record, after.measures, list));
    match tops.fold(None, |most: Option<f64>, top| Some(most.map_or(top, |most| most.max(top)))) {
        Some(top) if top >= RETEST_KMH => (
            CodeFate::Gone,
            format!("No longer listed, after a drive of up to {top:.0} km/h."),
        ),
        Some(top) => (
            CodeFate::NotRetested,
            format!(
                "No longer listed, but before it was read the vehicle went no faster than {top:.0} km/h: it may come back \
                 above {RETEST_KMH:.0} km/h."
            ),
        ),
        None => (
            CodeFate::NotRetested,
            "No longer listed, but the recording shows no drive before it was read: it may come back.".to_owned(),
        ),
    }
}

/// A code that the second recording lists.
fn stayed(is: &[ReportedCode]) -> (CodeFate, String) {
    let statuses: Vec<Status> = is.iter().filter_map(ReportedCode::uds_status).collect();
    if !statuses.is_empty() {
        return by_status(&statuses);
    }
    if is.iter().any(|code| code.list == List::Pending) {
        let words = "Pending: its test failed in this drive or the one before.";
        return (CodeFate::Still, words.to_owned());
    }
    if is.iter().all(|code| code.list == List::Permanent) {
        let words =
            "Permanent: it goes only when the module's own test has passed, whatever is cleared.";
        return (CodeFate::NotRetested, words.to_owned());
    }
    let words = "Still listed, and this list does not tell whether it fails now. Clear it, drive, and read again.";
    (CodeFate::Remembered, words.to_owned())
}

/// What the status bits say (ISO 14229-1:2013, Table D.2).
fn by_status(statuses: &[Status]) -> (CodeFate, String) {
    let any = |bit: fn(Status) -> bool| statuses.iter().any(|&status| bit(status));
    let (fate, words) = if any(Status::test_failed) {
        (CodeFate::Still, "Its last test failed.")
    } else if any(Status::test_not_completed_since_last_clear) {
        (
            CodeFate::NotRetested,
            "Cleared, and its test has not run since.",
        )
    } else if any(Status::test_not_completed_this_operation_cycle) {
        (
            CodeFate::Remembered,
            "Its test has not run since the ignition was switched on.",
        )
    } else if any(Status::test_failed_this_operation_cycle) {
        (
            CodeFate::Remembered,
            "Its last test passed, but one failed since the ignition was switched on.",
        )
    } else {
        (
            CodeFate::Passed,
            "Its test has run since the ignition was switched on, and passed.",
        )
    };
    (fate, words.to_owned())
}

/// The status byte as printed: the UDS one first.
fn status(codes: &[ReportedCode]) -> Option<String> {
    let uds = codes.iter().find(|code| code.uds_status().is_some());
    let byte = uds.or_else(|| codes.first())?.status?;
    Some(format!("0x{byte:02X}"))
}
