//! The lines of a report that come straight from the record: captures, modules, codes.

use crate::capture::{Kind, Remark};
use crate::frame::Timestamp;
use crate::report::{ByteLine, CaptureLine, CodeLine, ModuleLine};
use crate::transport::Address;
use crate::trouble::{Catalogue, Status};
use crate::vehicle::{CaptureSummary, List, Module, ModuleState, Origin, Record, ReportedCode};

/// The captures that were read.
pub fn captures(record: &Record) -> Vec<CaptureLine> {
    record.captures.iter().map(capture).collect()
}

fn capture(summary: &CaptureSummary) -> CaptureLine {
    let unit = match summary.kind {
        Kind::CandumpLog | Kind::CandumpScreen => "line",
        _ => "record",
    };
    let remarks = summary.tally.remarks.iter().map(|known| {
        let at = match known.remark {
            Remark::Compression => format!("byte {}", known.first_offset),
            _ => format!("{unit} {}, byte {}", known.first_number, known.first_offset),
        };
        format!(
            "{} {}, the first at {at}",
            known.count,
            known.remark.words()
        )
    });
    CaptureLine {
        file: summary.file.clone(),
        kind: summary.kind.id().to_owned(),
        frames: summary.tally.frames,
        unreadable: summary.tally.unreadable(),
        remarks: remarks.collect(),
        first_s: summary.first.map(Timestamp::seconds),
        last_s: summary.last.map(Timestamp::seconds),
        sha256: None,
    }
}

/// The modules: those of interest for brakes first, then in the order in which they were seen.
pub(super) fn modules(record: &Record) -> Vec<ModuleLine> {
    record.modules.iter().map(module).collect()
}

fn module(module: &Module) -> ModuleLine {
    let text = |address: Address| match address {
        Address::Can { .. } => address.to_string(),
        Address::DoIp { source, .. } => format!("0x{source:04X}"),
    };
    let words = match module.state {
        ModuleState::Answering if module.positive == 0 => {
            "shows life, but no answer arrived whole".to_owned()
        }
        ModuleState::Answering if module.unanswered > 0 => {
            format!(
                "answers; {} of {} requests got no answer",
                module.unanswered, module.asked
            )
        }
        ModuleState::Answering => "answers".to_owned(),
        ModuleState::Silent => format!("silent: asked {} times, never answered", module.asked),
        ModuleState::Refusing => "refuses: negative answers only".to_owned(),
        ModuleState::NotAsked => "not asked in this capture".to_owned(),
    };
    ModuleLine {
        name: module.name.clone(),
        role: module.role.id(),
        request: module.request.map(text),
        response: module.response.map(text),
        state: module.state.id(),
        words,
    }
}

/// The codes, those of the brakes' modules as the record has them.
pub(super) fn codes(record: &Record, catalogue: &Catalogue) -> Vec<CodeLine> {
    record
        .codes
        .iter()
        .map(|code| self::code(record, catalogue, code))
        .collect()
}

fn code(record: &Record, catalogue: &Catalogue, reported: &ReportedCode) -> CodeLine {
    let status = reported.uds_status();
    let list = match reported.list {
        List::Stored => Some("stored"),
        List::Pending => Some("pending"),
        List::Permanent => Some("permanent"),
        List::Uds(_) | List::Kwp(_) => None,
    };
    let failure_words = reported
        .failure_type
        .and_then(|failure| catalogue.failure_type(failure))
        .map(|known| known.meaning.clone());
    CodeLine {
        code: reported.code.to_string(),
        failure_type: reported.failure_type.map(|failure| failure.to_string()),
        // The meaning has them already.
        failure_words: None,
        status: reported.status.map(|status| format!("0x{status:02X}")),
        list,
        test_failed: status.map(Status::test_failed),
        confirmed: status.map(Status::confirmed),
        pending: status.map(Status::pending),
        state_words: state_words(reported).to_owned(),
        module: record
            .modules
            .get(reported.module)
            .map(|module| module.name.clone())
            .unwrap_or_default(),
        meaning: catalogue
            .meaning(reported.code, reported.failure_type)
            .to_string(),
        time_s: reported.origin.time.map(Timestamp::seconds),
        origin: origin(record, reported.origin),
        bytes: bytes(reported, failure_words.as_deref()),
    }
}

/// What the status says about now, in a few words (ISO 14229-1:2013, D.2).
fn state_words(code: &ReportedCode) -> &'static str {
    match (code.list, code.uds_status()) {
        (List::Stored, _) => "stored",
        (List::Pending, _) => "pending: seen, not yet confirmed",
        (List::Permanent, _) => "permanent: stays until its own test passes",
        (_, Some(status)) if status.test_failed() && status.confirmed() => "present now, confirmed",
        (_, Some(status)) if status.test_failed() => "present now, not yet confirmed",
        (_, Some(status)) if status.pending() => "seen in this or the last drive, not right now",
        (_, Some(status)) if status.confirmed() => "remembered, not present now",
        (_, Some(status)) if status.test_failed_since_last_clear() => {
            "seen since the last clearing, gone again"
        }
        (_, Some(status)) if status.test_not_completed_since_last_clear() => {
            "not tested since the last clearing"
        }
        (_, Some(_)) => "tested and passed",
        (List::Kwp(_), _) => "reported",
        (_, None) => "reported without a status",
    }
}

fn bytes(code: &ReportedCode, failure_words: Option<&str>) -> Vec<ByteLine> {
    let [high, low] = code.code.0.to_be_bytes();
    let system = code.code.system();
    let mut lines = vec![
        ByteLine {
            raw: format!("{high:02X}"),
            name: "first byte of the code".to_owned(),
            meaning: format!(
                "{} ({}), first digit {}, second digit {:X}",
                system.letter(),
                system.words(),
                code.code.first_digit(),
                high & 0x0F
            ),
        },
        ByteLine {
            raw: format!("{low:02X}"),
            name: "second byte of the code".to_owned(),
            meaning: format!("last two digits {low:02X}: {}", code.code),
        },
    ];
    if let Some(failure) = code.failure_type {
        lines.push(ByteLine {
            raw: failure.to_string(),
            name: "failure type".to_owned(),
            meaning: failure_words
                .unwrap_or("not in the table of failure types")
                .to_owned(),
        });
    }
    if let Some(status) = code.status {
        let bits = Status(status);
        let names = [
            (bits.test_failed(), "test failed"),
            (
                bits.test_failed_this_operation_cycle(),
                "test failed this operation cycle",
            ),
            (bits.pending(), "pending"),
            (bits.confirmed(), "confirmed"),
            (
                bits.test_not_completed_since_last_clear(),
                "test not completed since last clear",
            ),
            (
                bits.test_failed_since_last_clear(),
                "test failed since last clear",
            ),
            (
                bits.test_not_completed_this_operation_cycle(),
                "test not completed this operation cycle",
            ),
            (bits.warning_indicator_requested(), "lamp requested"),
        ];
        let set: Vec<&str> = names
            .iter()
            .filter(|(set, _)| *set)
            .map(|(_, name)| *name)
            .collect();
        let meaning = match (code.list, set.as_slice()) {
            (List::Kwp(_), _) => "as the module's own list defines it".to_owned(),
            (_, []) => "no bit set".to_owned(),
            (_, set) => set.join(", "),
        };
        lines.push(ByteLine {
            raw: format!("{status:02X}"),
            name: "status".to_owned(),
            meaning,
        });
    }
    lines
}

/// `drive.log:1234`.
pub(super) fn origin(record: &Record, origin: Origin) -> String {
    let file = record
        .captures
        .get(origin.capture)
        .map_or("", |capture| capture.file.as_str());
    format!("{file}:{}", origin.number)
}
