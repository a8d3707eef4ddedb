//! Response codes of negative answers (ISO 14229-1:2013 and 2020, Annex A).

/// One code.
#[derive(Clone, Copy, Debug)]
pub(super) struct Refusal {
    pub(super) code: u8,
    /// The name in the standard.
    pub(super) name: &'static str,
    /// What it says, in plain words.
    pub(super) words: &'static str,
}

/// The name of a response code in the standard, and what it says; the range's words where the code has no name.
pub fn refusal(code: u8) -> (&'static str, &'static str) {
    match REFUSALS.binary_search_by_key(&code, |refusal| refusal.code) {
        Ok(index) => REFUSALS
            .get(index)
            .map_or(("", ""), |refusal| (refusal.name, refusal.words)),
        Err(_) => ("", range(code)),
    }
}

const fn range(code: u8) -> &'static str {
    match code {
        0x95..=0xEF => "conditions not correct; the code is reserved",
        0xF0..=0xFE => "conditions not correct; the maker says which",
        0x3B..=0x4F => "reserved for secured data links",
        _ => "reserved",
    }
}

const fn row(code: u8, name: &'static str, words: &'static str) -> Refusal {
    Refusal { code, name, words }
}

/// In the order of the codes. 0x34, 0x38 to 0x3A, 0x50 to 0x5D and 0x94 came with the edition of 2020.
pub(super) const REFUSALS: &[Refusal] = &[
    row(
        0x00,
        "positiveResponse",
        "a positive answer; never sent in a negative one",
    ),
    row(0x10, "generalReject", "refused, no reason given"),
    row(
        0x11,
        "serviceNotSupported",
        "the module does not know this service",
    ),
    row(
        0x12,
        "subFunctionNotSupported",
        "the module does not know this sub-function",
    ),
    row(
        0x13,
        "incorrectMessageLengthOrInvalidFormat",
        "the request has the wrong length or form",
    ),
    row(
        0x14,
        "responseTooLong",
        "the answer is too long for the transport",
    ),
    row(0x21, "busyRepeatRequest", "busy; ask again"),
    row(
        0x22,
        "conditionsNotCorrect",
        "something the module requires first is not so",
    ),
    row(
        0x24,
        "requestSequenceError",
        "another request has to come before this one",
    ),
    row(
        0x25,
        "noResponseFromSubnetComponent",
        "a part behind the module does not answer",
    ),
    row(
        0x26,
        "failurePreventsExecutionOfRequestedAction",
        "a fault prevents it",
    ),
    row(
        0x31,
        "requestOutOfRange",
        "the module has no such identifier, code or value",
    ),
    row(
        0x33,
        "securityAccessDenied",
        "the module has to be unlocked first",
    ),
    row(
        0x34,
        "authenticationRequired",
        "the tester has to prove who it is first",
    ),
    row(0x35, "invalidKey", "the key is wrong"),
    row(0x36, "exceedNumberOfAttempts", "too many wrong keys"),
    row(
        0x37,
        "requiredTimeDelayNotExpired",
        "a waiting time is not over yet",
    ),
    row(
        0x38,
        "secureDataTransmissionRequired",
        "only over a secured link",
    ),
    row(
        0x39,
        "secureDataTransmissionNotAllowed",
        "not over a secured link",
    ),
    row(
        0x3A,
        "secureDataVerificationFailed",
        "the secured data failed their check",
    ),
    row(
        0x50,
        "certificateVerificationFailedInvalidTimePeriod",
        "certificate: outside its time",
    ),
    row(
        0x51,
        "certificateVerificationFailedInvalidSignature",
        "certificate: signature wrong",
    ),
    row(
        0x52,
        "certificateVerificationFailedInvalidChainOfTrust",
        "certificate: chain of trust broken",
    ),
    row(
        0x53,
        "certificateVerificationFailedInvalidType",
        "certificate: wrong type",
    ),
    row(
        0x54,
        "certificateVerificationFailedInvalidFormat",
        "certificate: wrong format",
    ),
    row(
        0x55,
        "certificateVerificationFailedInvalidContent",
        "certificate: wrong content",
    ),
    row(
        0x56,
        "certificateVerificationFailedInvalidScope",
        "certificate: not made for this",
    ),
    row(
        0x57,
        "certificateVerificationFailedInvalidCertificate",
        "certificate: revoked",
    ),
    row(
        0x58,
        "ownershipVerificationFailed",
        "the proof of ownership failed",
    ),
    row(
        0x59,
        "challengeCalculationFailed",
        "the challenge could not be computed",
    ),
    row(
        0x5A,
        "settingAccessRightsFailed",
        "the access rights could not be set",
    ),
    row(
        0x5B,
        "sessionKeyCreationDerivationFailed",
        "no session key could be made",
    ),
    row(
        0x5C,
        "configurationDataUsageFailed",
        "the configuration data could not be used",
    ),
    row(
        0x5D,
        "deAuthenticationFailed",
        "the authentication could not be ended",
    ),
    row(0x70, "uploadDownloadNotAccepted", "no transfer accepted"),
    row(0x71, "transferDataSuspended", "the transfer was stopped"),
    row(
        0x72,
        "generalProgrammingFailure",
        "erasing or programming failed",
    ),
    row(
        0x73,
        "wrongBlockSequenceCounter",
        "a block has the wrong number",
    ),
    row(
        0x78,
        "requestCorrectlyReceivedResponsePending",
        "understood; the answer will come later",
    ),
    row(
        0x7E,
        "subFunctionNotSupportedInActiveSession",
        "this sub-function not in this session",
    ),
    row(
        0x7F,
        "serviceNotSupportedInActiveSession",
        "this service not in this session",
    ),
    row(0x81, "rpmTooHigh", "engine speed too high"),
    row(0x82, "rpmTooLow", "engine speed too low"),
    row(0x83, "engineIsRunning", "the engine runs"),
    row(0x84, "engineIsNotRunning", "the engine does not run"),
    row(
        0x85,
        "engineRunTimeTooLow",
        "the engine has not run long enough",
    ),
    row(0x86, "temperatureTooHigh", "temperature too high"),
    row(0x87, "temperatureTooLow", "temperature too low"),
    row(0x88, "vehicleSpeedTooHigh", "vehicle speed too high"),
    row(0x89, "vehicleSpeedTooLow", "vehicle speed too low"),
    row(0x8A, "throttlePedalTooHigh", "accelerator pressed too far"),
    row(
        0x8B,
        "throttlePedalTooLow",
        "accelerator not pressed far enough",
    ),
    row(
        0x8C,
        "transmissionRangeNotInNeutral",
        "transmission not in neutral",
    ),
    row(
        0x8D,
        "transmissionRangeNotInGear",
        "transmission not in gear",
    ),
    row(0x8F, "brakeSwitchesNotClosed", "brake pedal not pressed"),
    row(0x90, "shifterLeverNotInPark", "selector not in park"),
    row(
        0x91,
        "torqueConverterClutchLocked",
        "torque converter clutch locked",
    ),
    row(0x92, "voltageTooHigh", "voltage too high"),
    row(0x93, "voltageTooLow", "voltage too low"),
    row(
        0x94,
        "resourceTemporarilyNotAvailable",
        "a resource is not free at the moment",
    ),
];

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: the tables of scapy 2.8.0, udsoncan 1.26.1 and py-uds 4.0.0; 0x00 from ISO 14229-1.
    const IN_LIBRARIES: &[u8] = &[
        0x00, 0x10, 0x11, 0x12, 0x13, 0x14, 0x21, 0x22, 0x24, 0x25, 0x26, 0x31, 0x33, 0x34, 0x35,
        0x36, 0x37, 0x38, 0x39, 0x3A, 0x50, 0x51, 0x52, 0x53, 0x54, 0x55, 0x56, 0x57, 0x58, 0x59,
        0x5A, 0x5B, 0x5C, 0x5D, 0x70, 0x71, 0x72, 0x73, 0x78, 0x7E, 0x7F, 0x81, 0x82, 0x83, 0x84,
        0x85, 0x86, 0x87, 0x88, 0x89, 0x8A, 0x8B, 0x8C, 0x8D, 0x8F, 0x90, 0x91, 0x92, 0x93, 0x94,
    ];

    #[test]
    fn the_table_is_that_of_the_libraries_and_in_order() {
        let codes: Vec<u8> = REFUSALS.iter().map(|refusal| refusal.code).collect();
        assert_eq!(codes, IN_LIBRARIES);
        assert!(codes.is_sorted());
        for code in 0..=u8::MAX {
            assert!(!refusal(code).1.is_empty());
            assert_eq!(refusal(code).0.is_empty(), !codes.contains(&code));
        }
    }
}
