//! The verdict: what is wrong, what was tested again and is sound, what is open.

use super::modules::{ANSWERING, SILENT};
use crate::report::comparison::{CodeFate, Comparison, MeasureFate, Outcome};

/// What is counted.
#[derive(Clone, Copy, Debug)]
enum Counted {
    Code(CodeFate),
    Measure(MeasureFate),
    SilentNow,
    Awake,
    AwakeUnread,
    NotAskedAgain,
}

/// What is counted, and the words for one and for several.
type Line = (Counted, &'static str, &'static str);

/// Any of these: not mended.
const WRONG: &[Line] = &[
    (
        Counted::Code(CodeFate::Still),
        "A trouble code still fails.",
        "trouble codes still fail.",
    ),
    (
        Counted::Measure(MeasureFate::Still),
        "A measure still shows its fault.",
        "measures still show their faults.",
    ),
    (
        Counted::Code(CodeFate::New),
        "A trouble code is new.",
        "trouble codes are new.",
    ),
    (
        Counted::Measure(MeasureFate::New),
        "A measure shows a new fault.",
        "measures show new faults.",
    ),
    (
        Counted::SilentNow,
        "A control module keeps silent.",
        "control modules keep silent.",
    ),
];

/// None of these: nothing is shown.
const SOUND: &[Line] = &[
    (
        Counted::Code(CodeFate::Gone),
        "A trouble code is gone after a drive.",
        "trouble codes are gone after a drive.",
    ),
    (
        Counted::Code(CodeFate::Passed),
        "A trouble code has been tested again and passed.",
        "trouble codes have been tested again and passed.",
    ),
    (
        Counted::Measure(MeasureFate::Mended),
        "A measure no longer shows its fault.",
        "measures no longer show their faults.",
    ),
    (
        Counted::Awake,
        "A control module answers again.",
        "control modules answer again.",
    ),
];

/// Any of these: likely at most.
const OPEN: &[Line] = &[
    (
        Counted::Code(CodeFate::NotRetested),
        "A trouble code has not been tested again.",
        "trouble codes have not been tested again.",
    ),
    (
        Counted::Code(CodeFate::NotRead),
        "A trouble code has not been read again.",
        "trouble codes have not been read again.",
    ),
    (
        Counted::Code(CodeFate::Remembered),
        "A trouble code is still remembered.",
        "trouble codes are still remembered.",
    ),
    (
        Counted::Measure(MeasureFate::Better),
        "A measure is better, but not yet proven.",
        "measures are better, but not yet proven.",
    ),
    (
        Counted::Measure(MeasureFate::NotRetested),
        "A measure that showed a fault could not be made again.",
        "measures that showed faults could not be made again.",
    ),
    (
        Counted::AwakeUnread,
        "The codes of a control module that answers again were not read.",
        "control modules answer again, but their codes were not read.",
    ),
    (
        Counted::NotAskedAgain,
        "A control module that kept silent was not asked again.",
        "control modules that kept silent were not asked again.",
    ),
];

/// The outcome and its reasons. `unread` counts the modules that answer again and whose codes were not read.
pub(super) fn judge(comparison: &Comparison, unread: usize) -> (Outcome, Vec<String>) {
    let mut reasons = Vec::new();
    let mut total = |lines: &[Line]| {
        let mut total = 0;
        for (counted, one, several) in lines {
            let found = count(*counted, comparison, unread);
            total += found;
            match found {
                0 => {}
                1 => reasons.push((*one).to_owned()),
                _ => reasons.push(format!("{found} {several}")),
            }
        }
        total
    };
    let (wrong, sound, open) = (total(WRONG), total(SOUND), total(OPEN));
    let outcome = match (wrong, sound, open) {
        (1.., _, _) => Outcome::NotMended,
        (0, 0, 0) => {
            reasons.push("The first recording shows nothing wrong.".to_owned());
            Outcome::NotShown
        }
        (0, 0, _) => Outcome::NotShown,
        (0, _, 0) => Outcome::Proven,
        (0, _, _) => Outcome::Likely,
    };
    (outcome, reasons)
}

fn count(counted: Counted, comparison: &Comparison, unread: usize) -> usize {
    let modules = |was: Option<&str>, is: &[Option<&str>]| {
        let all = comparison.modules.iter();
        all.filter(|module| {
            was.is_none_or(|was| module.before == Some(was)) && is.contains(&module.after)
        })
        .count()
    };
    match counted {
        Counted::Code(fate) => comparison
            .codes
            .iter()
            .filter(|code| code.fate == fate)
            .count(),
        Counted::Measure(fate) => comparison
            .measures
            .iter()
            .filter(|m| m.fate == fate)
            .count(),
        Counted::SilentNow => modules(None, &[Some(SILENT)]),
        Counted::Awake => modules(Some(SILENT), &[Some(ANSWERING)]),
        Counted::AwakeUnread => unread,
        Counted::NotAskedAgain => modules(
            Some(SILENT),
            &[
                None,
                Some(crate::vehicle::ModuleState::NotAsked.id()),
                Some(crate::vehicle::ModuleState::Refusing.id()),
            ],
        ),
    }
}
