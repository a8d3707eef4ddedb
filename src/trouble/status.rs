//! The status byte of a trouble code (ISO 14229-1:2013, Table D.2).

/// A status byte; bits that the module does not support read as 0.
#[derive(Clone, Copy, Debug, Eq, Hash, PartialEq)]
pub struct Status(pub u8);

impl Status {
    /// Bit 0, testFailed: the last completed test failed. The fault is there now.
    pub const fn test_failed(self) -> bool {
        self.0 & 0x01 != 0
    }

    /// Bit 1, testFailedThisOperationCycle.
    pub const fn test_failed_this_operation_cycle(self) -> bool {
        self.0 & 0x02 != 0
    }

    /// Bit 2, pendingDTC.
    pub const fn pending(self) -> bool {
        self.0 & 0x04 != 0
    }

    /// Bit 3, confirmedDTC.
    pub const fn confirmed(self) -> bool {
        self.0 & 0x08 != 0
    }

    /// Bit 4, testNotCompletedSinceLastClear.
    pub const fn test_not_completed_since_last_clear(self) -> bool {
        self.0 & 0x10 != 0
    }

    /// Bit 5, testFailedSinceLastClear.
    pub const fn test_failed_since_last_clear(self) -> bool {
        self.0 & 0x20 != 0
    }

    /// Bit 6, testNotCompletedThisOperationCycle.
    pub const fn test_not_completed_this_operation_cycle(self) -> bool {
        self.0 & 0x40 != 0
    }

    /// Bit 7, warningIndicatorRequested.
    pub const fn warning_indicator_requested(self) -> bool {
        self.0 & 0x80 != 0
    }
}
