//! Conditions over codes, silences and clearings.

use std::collections::BTreeSet;

use super::condition::{Judged, MOST_KEPT};
use super::numbering::{Way, family};
use super::{Grounds, State};
use crate::frame::Timestamp;
use crate::place::Place;
use crate::rules::{
    ClearedCondition, CodeCondition, CodeStateWord, Condition, Nature, Rules, SilentCondition,
    Whose,
};
use crate::trouble::{FailureType, System};
use crate::vehicle::{Clear, List, Module, ModuleState, Record, ReportedCode, Role};

/// What a code that the catalogue does not have is called in rules.
const UNLISTED: &str = "unlisted";
/// The nature of a code of which nothing says what kind of fault it is.
const PLAIN: &str = "plain";

/// The codes of a record, read one way.
#[derive(Debug)]
pub(super) struct Coded<'a> {
    codes: Vec<Read<'a>>,
    brakes: Vec<bool>,
    has_brakes: bool,
}

/// A code as it is read.
#[derive(Debug)]
struct Read<'a> {
    reported: &'a ReportedCode,
    component: &'a str,
    nature: &'a str,
    place: Option<Place>,
    standing: Standing,
    /// Nothing tells whether the fault is there, and the rules know what it says if it is past.
    open: bool,
}

/// How a code stands.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
enum Standing {
    /// The fault is there now, or nothing tells.
    Present,
    /// Stored, and its test has not run since the key was turned on.
    Untested,
    /// Stored, and its test has run since and passed.
    Past,
    /// Stored, and nothing tells whether its test has run since.
    Stored,
}

impl<'a> Coded<'a> {
    /// Reads the codes of a record; those whose status says that nothing failed are left out.
    pub(super) fn new(grounds: &Grounds<'a>, way: &Way) -> Self {
        let record = grounds.record;
        let brakes: Vec<bool> = record
            .modules
            .iter()
            .map(|module| module.role == Role::Brakes)
            .collect();
        let kept = remembered_parts(grounds.rules);
        let gone = cleared_codes(record);
        let listed = record
            .codes
            .iter()
            .filter(|code| !told_better(record, code));
        let given = listed.map(|code| (code, false));
        let codes = given.chain(gone).filter_map(|(reported, not_back)| {
            let readings = grounds
                .catalogue
                .readings(reported.code, reported.failure_type);
            let reading = readings
                .iter()
                .find(|reading| family(reading.numbering) == way.family)
                .or(readings.first());
            let numbering = reading.map_or("", |reading| reading.numbering);
            let kind = reading.map_or("", |reading| reading.kind);
            let component = reading.map_or(UNLISTED, |reading| reading.component);
            let mut standing = standing(reported)?;
            let of_brakes = brakes.get(reported.module).copied().unwrap_or(false);
            let open =
                tells_nothing(reported) && !not_back && of_brakes && kept.contains(component);
            if not_back || open && way.listed_past {
                standing = Standing::Stored;
            }
            Some(Read {
                reported,
                component,
                nature: nature(grounds.rules, reported.failure_type, numbering, kind),
                place: reading.and_then(|reading| reading.place),
                standing,
                open,
            })
        });
        Self {
            codes: codes.collect(),
            has_brakes: brakes.contains(&true),
            brakes,
        }
    }

    /// Whether some code leaves open whether its fault is there now.
    pub(super) fn leaves_open(&self) -> bool {
        self.codes.iter().any(|read| read.open)
    }

    /// Whether there are codes of those asked for, and none of them has a failure type that says anything.
    fn is_untyped(&self, whose: Whose) -> bool {
        let typed = |read: &Read<'_>| matches!(read.reported.failure_type, Some(FailureType(1..)));
        let codes = self.codes.iter();
        let mut theirs = codes
            .filter(|read| self.is_from(read.reported, whose))
            .peekable();
        theirs.peek().is_some() && !theirs.any(typed)
    }

    /// Whether a code is one of those asked for. Without a known brake module, chassis codes count as its codes.
    fn is_from(&self, code: &ReportedCode, whose: Whose) -> bool {
        let brakes = if self.has_brakes {
            self.brakes.get(code.module).copied().unwrap_or(false)
        } else {
            code.code.system() == System::Chassis
        };
        match whose {
            Whose::Brakes => brakes,
            Whose::Others => !brakes,
            Whose::Any => true,
        }
    }
}

/// Whether the same module gave the same code with a status too: a list without one then tells nothing more. A code of
/// the permanent list counts only as long as no other list has it.
fn told_better(record: &Record, code: &ReportedCode) -> bool {
    code.status.is_none()
        && record.codes.iter().any(|other| {
            other.module == code.module
                && other.code == code.code
                && (other.status.is_some()
                    || code.list == List::Permanent && other.list != List::Permanent)
        })
}

/// Bit 4 of a status byte of KWP 2000, from memory.
const KWP_NOT_READY: u8 = 0x10;

/// Bit 6 of a status byte: the test has not come to an end in this operation cycle (ISO 14229-1, Table D.2).
const TEST_NOT_COMPLETED: u8 = 0x40;

/// How a code stands; `None` when the status says that nothing failed.
///
/// Source: ISO 14229-1:2013, Table D.2: bits 0 and 1 are a test that failed now or in this operation cycle, bit 6 one that
/// has not come to an end in it. KWP 2000, from memory: bits 6 and 5 are the storage state (ISO 14230-3), 01 not present,
/// 10 intermittent, 11 present; modules that leave them 0 do not tell. Bit 4 is the readiness flag: 1 is a test that has not
/// come to an end, 0 one that has, or no such flag.
fn standing(code: &ReportedCode) -> Option<Standing> {
    match (code.list, code.status) {
        (List::Kwp(_), Some(status)) if status >> 5 & 3 == 1 => {
            Some(if status & KWP_NOT_READY != 0 {
                Standing::Untested
            } else {
                Standing::Stored
            })
        }
        (List::Uds(_), Some(_)) => {
            let status = code.uds_status()?;
            if status.test_failed() || status.test_failed_this_operation_cycle() {
                return Some(Standing::Present);
            }
            let stored =
                status.confirmed() || status.pending() || status.test_failed_since_last_clear();
            // A code that is stored has failed since the last clearing: without bit 5 this module does not keep bits 4 to 6.
            let tells = code
                .availability
                .is_none_or(|kept| kept == 0 || kept & TEST_NOT_COMPLETED != 0);
            if !stored {
                None
            } else if status.test_not_completed_this_operation_cycle() {
                Some(Standing::Untested)
            } else if status.test_failed_since_last_clear() && tells {
                Some(Standing::Past)
            } else {
                Some(Standing::Stored)
            }
        }
        // A permanent code stays after the repair until the module has tested again.
        (List::Permanent, _) => Some(Standing::Stored),
        _ => Some(Standing::Present),
    }
}

/// Whether a code stands in a list that does not tell whether its fault is there now.
fn tells_nothing(code: &ReportedCode) -> bool {
    code.status.is_none() && matches!(code.list, List::Stored | List::Kwp(_))
}

/// The codes that a clearing removed and that no later list holds: what the module said of the past. With each, whether the
/// module was read again since, and so has not found the fault anew.
fn cleared_codes(record: &Record) -> impl Iterator<Item = (&ReportedCode, bool)> {
    record.clears.iter().flat_map(move |clear| {
        let read_again = read_since(record, clear);
        let removed = clear.removed.iter();
        let gone = removed.filter(|code| !record.codes.iter().any(|now| is_same(now, code)));
        gone.map(move |code| (code, read_again))
    })
}

/// Whether the module gave a list of codes after a clearing.
fn read_since(record: &Record, clear: &Clear) -> bool {
    let mut lists = record.lists.iter();
    lists.any(|list| list.module == clear.module && list.origin >= clear.origin)
}

/// Whether two lists of a module hold the same code.
fn is_same(one: &ReportedCode, other: &ReportedCode) -> bool {
    one.module == other.module && one.code == other.code && one.failure_type == other.failure_type
}

/// The parts of which the rules know what a stored code of the brake module says. A code of another part, read as past,
/// would be explained by nothing, and so for free.
fn remembered_parts(rules: &Rules) -> BTreeSet<&str> {
    let mut parts = BTreeSet::new();
    for finding in rules.findings() {
        finding.when.walk(&mut |condition| {
            if let Condition::Code(code) = condition
                && code.state == CodeStateWord::Remembered
                && code.from == Whose::Brakes
            {
                parts.extend(code.components.iter().map(String::as_str));
            }
        });
    }
    parts
}

/// The nature of a code: by its failure type where that says something, else by the kind of its number.
fn nature<'r>(
    rules: &'r Rules,
    failure: Option<FailureType>,
    numbering: &str,
    kind: &str,
) -> &'r str {
    let by_failure = |nature: &&Nature| {
        let Some(FailureType(byte @ 1..)) = failure else {
            return false;
        };
        let mut others = nature.other_types.iter();
        match others.find(|other| other.numbering == numbering) {
            Some(other) => other.bytes.contains(&byte),
            None if numbering.is_empty() || family(numbering) == "shared" => {
                nature.failure_types.contains(&byte)
            }
            None => false,
        }
    };
    let by_kind = |nature: &&Nature| nature.kinds.iter().any(|known| known == kind);
    let natures = rules.natures();
    natures
        .iter()
        .find(by_failure)
        .or_else(|| natures.iter().find(by_kind))
        .map_or(PLAIN, |nature| nature.id.as_str())
}

/// Judges a condition over codes.
pub(super) fn code(
    wanted: &CodeCondition,
    place: Place,
    grounds: &Grounds<'_>,
    coded: &Coded<'_>,
) -> Judged {
    let matching: Vec<&Read<'_>> = coded
        .codes
        .iter()
        .filter(|read| is_wanted(wanted, place, read, coded))
        .collect();
    let modules: BTreeSet<usize> = matching.iter().map(|read| read.reported.module).collect();
    let parts: BTreeSet<&str> = matching.iter().map(|read| read.component).collect();
    let enough = |count: usize, least: u32| count >= usize::try_from(least).unwrap_or(usize::MAX);
    let at_most = wanted
        .modules_at_most
        .is_none_or(|most| modules.len() <= usize::try_from(most).unwrap_or(usize::MAX));
    let wheels = wheels_named(&matching);
    if !matching.is_empty() && too_many_wheels(wanted, coded) {
        return Judged::not_observable("so many wheels at once have one cause in common");
    }
    let holds = !matching.is_empty()
        && enough(modules.len(), wanted.modules)
        && enough(parts.len(), wanted.parts)
        && enough(wheels, wanted.wheels)
        && at_most;
    if !holds {
        let read = read_modules(grounds.record, coded, wanted.from);
        if read == 0 {
            return Judged::not_observable(match wanted.from {
                Whose::Brakes => "no code list of the brake module is in the capture",
                Whose::Others => "no code list of another module is in the capture",
                Whose::Any => "no code list is in the capture",
            });
        }
        if let Some(reason) = hidden(wanted, place, coded) {
            return Judged::not_observable(reason);
        }
        // A code without a nature may be of the one asked for.
        let unspecific = !wanted.natures.is_empty()
            && !wanted.natures.iter().any(|nature| nature == PLAIN)
            && coded.codes.iter().any(|read| {
                let any_nature = CodeCondition {
                    natures: Vec::new(),
                    ..wanted.clone()
                };
                read.nature == PLAIN && is_wanted(&any_nature, place, read, coded)
            });
        if unspecific {
            return Judged::not_observable("the code does not say what kind of fault it is");
        }
        if matching.is_empty() || !at_most || enough(read, wanted.modules) {
            return Judged::new(false);
        }
        return Judged::not_observable("too few modules were read");
    }
    let mut judged = Judged::new(true);
    for read in matching.iter().take(MOST_KEPT) {
        let origin = read.reported.origin;
        judged.details.push(words(grounds.record, read.reported));
        judged.origins.push(origin);
        judged.times_s.extend(origin.time.map(Timestamp::seconds));
    }
    judged.details.dedup();
    judged.details.truncate(3);
    judged
}

/// How many different wheels codes name.
fn wheels_named(codes: &[&Read<'_>]) -> usize {
    let named = codes.iter().filter_map(|read| match read.place {
        Some(Place::Wheel(wheel)) => Some(wheel.index()),
        _ => None,
    });
    named.collect::<BTreeSet<usize>>().len()
}

/// Whether such codes name more wheels than have faults of their own at the same time.
fn too_many_wheels(wanted: &CodeCondition, coded: &Coded<'_>) -> bool {
    let Some(most) = wanted.wheels_at_most else {
        return false;
    };
    let codes = coded.codes.iter();
    let anywhere: Vec<&Read<'_>> = codes
        .filter(|read| is_wanted(wanted, Place::Vehicle, read, coded))
        .collect();
    wheels_named(&anywhere) > usize::try_from(most).unwrap_or(usize::MAX)
}

/// Why a code that is not there could not be there, if so.
fn hidden(wanted: &CodeCondition, place: Place, coded: &Coded<'_>) -> Option<&'static str> {
    let any = |condition: &CodeCondition| {
        let mut codes = coded.codes.iter();
        codes.any(|read| is_wanted(condition, place, read, coded))
    };
    let with = |state: CodeStateWord, any_nature: bool| CodeCondition {
        state,
        natures: if any_nature {
            Vec::new()
        } else {
            wanted.natures.clone()
        },
        ..wanted.clone()
    };
    let passed = |condition: &CodeCondition| {
        let mut codes = coded.codes.iter();
        codes
            .any(|read| read.standing == Standing::Past && is_wanted(condition, place, read, coded))
    };
    if wanted.only_when_there {
        return Some("not every module has such a code");
    }
    if wanted.typed && coded.is_untyped(wanted.from) {
        return Some("the codes of this module do not say what kind of fault they mean");
    }
    match wanted.state {
        CodeStateWord::Present if any(&with(CodeStateWord::Remembered, wanted.exclusive)) => {
            Some("such a code is stored, which is a finding of its own")
        }
        CodeStateWord::Remembered if any(&with(CodeStateWord::Present, true)) => {
            Some("a fault of the same part is there now")
        }
        CodeStateWord::Untested if any(&with(CodeStateWord::Present, false)) => {
            Some("such a fault is there now")
        }
        CodeStateWord::Untested if !passed(&with(CodeStateWord::Remembered, false)) => {
            Some("no stored code tells whether its test has run since")
        }
        state if wanted.exclusive && any(&with(state, true)) => {
            Some("the module reports another fault of the same part")
        }
        _ => None,
    }
}

fn is_wanted(wanted: &CodeCondition, place: Place, read: &Read<'_>, coded: &Coded<'_>) -> bool {
    let of =
        |list: &[String], word: &str| list.is_empty() || list.iter().any(|known| known == word);
    let state = match wanted.state {
        CodeStateWord::Present => read.standing == Standing::Present,
        CodeStateWord::Remembered => read.standing != Standing::Present,
        CodeStateWord::Untested => read.standing == Standing::Untested,
        CodeStateWord::Either => true,
    };
    let here = match (place, read.place) {
        (Place::Vehicle, None) => true,
        (Place::Vehicle, Some(_)) => !wanted.without_place,
        (Place::Wheel(wheel), Some(Place::Wheel(named))) => wheel == named,
        (Place::Wheel(wheel), Some(Place::Axle(axle)))
        | (Place::Axle(axle), Some(Place::Wheel(wheel))) => wheel.axle() == axle,
        (Place::Axle(axle), Some(Place::Axle(named))) => axle == named,
        _ => false,
    };
    state
        && here
        && of(&wanted.components, read.component)
        && of(&wanted.natures, read.nature)
        && coded.is_from(read.reported, wanted.from)
}

/// How many of the modules asked for gave a code list.
fn read_modules(record: &Record, coded: &Coded<'_>, whose: Whose) -> usize {
    let mut read: BTreeSet<usize> = record.lists.iter().map(|list| list.module).collect();
    read.extend(record.codes.iter().map(|code| code.module));
    let counts = |&module: &usize| {
        let brakes = coded.brakes.get(module).copied().unwrap_or(false);
        match whose {
            Whose::Brakes => brakes || (!coded.has_brakes && gave_chassis_codes(record, module)),
            Whose::Others => !brakes,
            Whose::Any => true,
        }
    };
    read.iter().filter(|&module| counts(module)).count()
}

fn gave_chassis_codes(record: &Record, module: usize) -> bool {
    let mut codes = record.codes.iter();
    codes.any(|code| code.module == module && code.code.system() == System::Chassis)
}

/// `C0031-13 from Brake control`.
fn words(record: &Record, code: &ReportedCode) -> String {
    let module = record
        .modules
        .get(code.module)
        .map_or("an unknown module", |module| module.name.as_str());
    match code.failure_type {
        Some(failure) => format!("{}-{failure} from {module}", code.code),
        None => format!("{} from {module}", code.code),
    }
}

/// Judges whether modules were asked and kept silent. A module that the profile does not name may not exist.
pub(super) fn silent(wanted: &SilentCondition, grounds: &Grounds<'_>) -> Judged {
    let asked: Vec<&Module> = grounds
        .record
        .modules
        .iter()
        .filter(|module| match wanted.who {
            Whose::Brakes => module.role == Role::Brakes,
            Whose::Others => {
                module.role != Role::Brakes && (module.in_profile || module.response.is_some())
            }
            Whose::Any => true,
        })
        .filter(|module| module.state != ModuleState::NotAsked)
        .collect();
    if asked.is_empty() {
        return Judged::not_observable(match wanted.who {
            Whose::Brakes => "the brake module was not asked in the capture",
            Whose::Others | Whose::Any => "no other module was asked in the capture",
        });
    }
    if let Some(requests) = wanted.requests {
        return missed(requests, &asked);
    }
    let silent: Vec<&&Module> = asked
        .iter()
        .filter(|module| module.state == ModuleState::Silent)
        .collect();
    let mut judged =
        Judged::new(silent.len() >= usize::try_from(wanted.modules).unwrap_or(usize::MAX));
    if judged.state == State::True {
        for module in silent.into_iter().take(MOST_KEPT) {
            let request = module
                .request
                .map(|address| format!(" at {address}"))
                .unwrap_or_default();
            judged.details.push(format!(
                "{}{request}: {} requests",
                module.name, module.asked
            ));
            judged.origins.extend(module.first_seen);
            judged.times_s.extend(
                module
                    .first_seen
                    .and_then(|origin| origin.time)
                    .map(Timestamp::seconds),
            );
        }
        judged.details.truncate(3);
    }
    judged
}

/// Judges whether a module that answers lets requests go unanswered now and then.
fn missed(requests: u32, asked: &[&Module]) -> Judged {
    /// Answers, at least, that make their completeness worth a word.
    const ENOUGH: u32 = 20;
    let worst = asked.iter().max_by_key(|module| module.missed);
    let Some(module) = worst.filter(|module| module.positive > 0) else {
        return Judged::not_observable("the module gives no answers");
    };
    if module.missed >= requests {
        let mut judged = Judged::new(true);
        judged.details.push(format!(
            "{}: {} of {} requests, each answered at other times",
            module.name, module.missed, module.asked
        ));
        judged.origins.extend(module.first_seen);
        return judged;
    }
    if module.missed == 0 && module.positive >= ENOUGH {
        Judged::new(false)
    } else {
        Judged::not_observable("too few requests to tell")
    }
}

/// Judges whether cleared codes came back.
pub(super) fn cleared(wanted: &ClearedCondition, grounds: &Grounds<'_>) -> Judged {
    let record = grounds.record;
    let has_brakes = record
        .modules
        .iter()
        .any(|module| module.role == Role::Brakes);
    let mut judged = Judged::new(false);
    let (mut cleared, mut back) = (0_usize, 0_usize);
    for clear in &record.clears {
        let brakes = record
            .modules
            .get(clear.module)
            .is_some_and(|module| module.role == Role::Brakes);
        if (has_brakes && !brakes) || clear.removed.is_empty() || !read_since(record, clear) {
            continue;
        }
        cleared += clear.removed.len();
        judged.origins.push(clear.origin);
        judged
            .times_s
            .extend(clear.origin.time.map(Timestamp::seconds));
        let returned = |code: &&ReportedCode| {
            let mut codes = record.codes.iter();
            codes.any(|now| is_same(now, code) && standing(now).is_some())
        };
        back += clear.removed.iter().filter(returned).count();
    }
    if cleared == 0 {
        return Judged::not_observable("no code was cleared and read again in the capture");
    }
    let come_back = back > 0;
    judged.state = if come_back == wanted.come_back {
        State::True
    } else {
        State::False
    };
    judged
        .details
        .push(format!("{back} of {cleared} came back"));
    judged
}
