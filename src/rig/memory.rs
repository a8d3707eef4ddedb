//! A module's memory of trouble codes: status bits kept as ISO 14229-1:2013, Annex D defines them, and one snapshot
//! for each code.

use std::collections::BTreeMap;

const TEST_FAILED: u8 = 0x01;
const FAILED_THIS_CYCLE: u8 = 0x02;
const PENDING: u8 = 0x04;
const CONFIRMED: u8 = 0x08;
const NOT_COMPLETED_SINCE_CLEAR: u8 = 0x10;
const FAILED_SINCE_CLEAR: u8 = 0x20;
const NOT_COMPLETED_THIS_CYCLE: u8 = 0x40;
const LAMP: u8 = 0x80;

/// A three-byte code.
pub(super) type Dtc = [u8; 3];

/// What stood in the module when a code was set.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) struct Snapshot {
    /// Vehicle speed in 0.01 km/h.
    pub(super) speed: u16,
    /// Supply in 0.1 V.
    pub(super) supply: u8,
    /// Seconds since key on.
    pub(super) seconds: u16,
}

#[derive(Clone, Debug)]
struct Entry {
    status: u8,
    cycles_failed: u8,
    snapshot: Option<Snapshot>,
}

/// The memory of one module.
#[derive(Clone, Debug)]
pub(super) struct Memory {
    entries: BTreeMap<Dtc, Entry>,
    /// Status bits that the module keeps.
    availability: u8,
    /// In how many cycles a test must fail before its code is confirmed.
    cycles_to_confirm: u8,
    /// Whether codes ask for the lamp.
    asks_for_lamp: bool,
}

impl Memory {
    pub(super) fn new(availability: u8, cycles_to_confirm: u8, asks_for_lamp: bool) -> Self {
        Self {
            entries: BTreeMap::new(),
            availability,
            cycles_to_confirm,
            asks_for_lamp,
        }
    }

    /// The status bits that the module keeps.
    pub(super) const fn availability(&self) -> u8 {
        self.availability
    }

    fn entry(&mut self, dtc: Dtc) -> &mut Entry {
        self.entries.entry(dtc).or_insert(Entry {
            status: NOT_COMPLETED_SINCE_CLEAR | NOT_COMPLETED_THIS_CYCLE,
            cycles_failed: 0,
            snapshot: None,
        })
    }

    /// The module has a test for this code.
    pub(super) fn know(&mut self, dtc: Dtc) {
        self.entry(dtc);
    }

    /// Sets a code that something outside this simulation has left, with its status.
    pub(super) fn plant(&mut self, dtc: Dtc, status: u8) {
        self.entry(dtc).status = status;
    }

    /// The test for this code has failed.
    pub(super) fn failed(&mut self, dtc: Dtc, snapshot: Snapshot) {
        let (needed, lamp) = (self.cycles_to_confirm, self.asks_for_lamp);
        let entry = self.entry(dtc);
        if entry.status & FAILED_THIS_CYCLE == 0 {
            entry.cycles_failed = entry.cycles_failed.saturating_add(1);
        }
        entry.status |= TEST_FAILED | FAILED_THIS_CYCLE | PENDING | FAILED_SINCE_CLEAR;
        entry.status &= !(NOT_COMPLETED_SINCE_CLEAR | NOT_COMPLETED_THIS_CYCLE);
        if entry.cycles_failed >= needed {
            entry.status |= CONFIRMED;
        }
        if lamp && entry.status & CONFIRMED != 0 {
            entry.status |= LAMP;
        }
        entry.snapshot = Some(snapshot);
    }

    /// The test for this code has passed.
    pub(super) fn passed(&mut self, dtc: Dtc) {
        let entry = self.entry(dtc);
        entry.status &=
            !(TEST_FAILED | NOT_COMPLETED_SINCE_CLEAR | NOT_COMPLETED_THIS_CYCLE | LAMP);
    }

    /// The key is turned on again: a new operation cycle.
    pub(super) fn new_cycle(&mut self) {
        for entry in self.entries.values_mut() {
            let tested = entry.status & NOT_COMPLETED_THIS_CYCLE == 0;
            if tested && entry.status & FAILED_THIS_CYCLE == 0 {
                entry.status &= !PENDING;
                entry.cycles_failed = 0;
            }
            entry.status &= !FAILED_THIS_CYCLE;
            entry.status |= NOT_COMPLETED_THIS_CYCLE;
        }
    }

    /// Clears all codes.
    pub(super) fn clear(&mut self) {
        for entry in self.entries.values_mut() {
            *entry = Entry {
                status: NOT_COMPLETED_SINCE_CLEAR | NOT_COMPLETED_THIS_CYCLE,
                cycles_failed: 0,
                snapshot: None,
            };
        }
    }

    /// The codes with a bit of `mask` set, and their status as sent.
    pub(super) fn listed(&self, mask: u8) -> Vec<(Dtc, u8)> {
        let all = self.entries.iter();
        all.map(|(&dtc, entry)| (dtc, entry.status & self.availability))
            .filter(|&(_, status)| status & mask != 0)
            .collect()
    }

    /// All codes that the module has a test for.
    pub(super) fn known(&self) -> Vec<(Dtc, u8)> {
        let all = self.entries.iter();
        all.map(|(&dtc, entry)| (dtc, entry.status & self.availability))
            .collect()
    }

    /// The status of a code, as sent, and its snapshot; `None` when the module has no test for it.
    pub(super) fn look_up(&self, dtc: Dtc) -> Option<(u8, Option<Snapshot>)> {
        let entry = self.entries.get(&dtc)?;
        Some((entry.status & self.availability, entry.snapshot))
    }

    /// Whether a fault is there now.
    pub(super) fn any_present(&self) -> bool {
        self.entries
            .values()
            .any(|entry| entry.status & TEST_FAILED != 0)
    }

    /// Whether the test for this code has failed since key on (and not passed or been cleared since).
    pub(super) fn has_failed_this_cycle(&self, dtc: Dtc) -> bool {
        let both = TEST_FAILED | FAILED_THIS_CYCLE;
        let entry = self.entries.get(&dtc);
        entry.is_some_and(|entry| entry.status & both == both)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rig::random::Random;

    const CODE: Dtc = [0x40, 0x31, 0x13];
    const SNAPSHOT: Snapshot = Snapshot {
        speed: 0,
        supply: 120,
        seconds: 3,
    };

    fn status(memory: &Memory) -> u8 {
        memory.look_up(CODE).unwrap().0
    }

    /// Source: ISO 14229-1:2013 Table D.2 and the worked status bytes 0x2F, 0x50 and 0x24-like transitions that follow
    /// from the definitions of the bits.
    #[test]
    fn a_code_lives_through_its_cycles() {
        let mut memory = Memory::new(0xFF, 2, false);
        memory.know(CODE);
        assert_eq!(status(&memory), 0x50);
        memory.failed(CODE, SNAPSHOT);
        assert_eq!(status(&memory), 0x27, "failed once: pending, not confirmed");
        memory.new_cycle();
        assert_eq!(status(&memory), 0x65);
        memory.failed(CODE, SNAPSHOT);
        assert_eq!(status(&memory), 0x2F, "failed in a second cycle: confirmed");
        memory.passed(CODE);
        assert_eq!(status(&memory), 0x2E);
        memory.new_cycle();
        memory.passed(CODE);
        assert_eq!(
            status(&memory),
            0x2C,
            "pending until a cycle without failure ends"
        );
        memory.new_cycle();
        assert_eq!(status(&memory), 0x68);
        memory.clear();
        assert_eq!(status(&memory), 0x50);
    }

    /// Source: the definitions of the bits: "not completed since clear" excludes "failed since clear", "not completed
    /// this cycle" excludes "failed this cycle", a failed test is also failed since clear.
    #[test]
    fn bits_never_contradict_each_other() {
        for seed in 0..50 {
            let mut random = Random::new(seed, "memory");
            let mut memory = Memory::new(0xFF, 1 + u8::from(random.chance(0.5)), true);
            memory.know(CODE);
            for _ in 0..200 {
                match random.below(9) {
                    0..=2 => memory.failed(CODE, SNAPSHOT),
                    3..=6 => memory.passed(CODE),
                    7 => memory.new_cycle(),
                    _ => memory.clear(),
                }
                let status = status(&memory);
                assert_ne!(status & 0x30, 0x30, "{status:02X}");
                assert_ne!(status & 0x42, 0x42, "{status:02X}");
                assert!(status & 0x01 == 0 || status & 0x20 != 0, "{status:02X}");
                assert!(status & 0x02 == 0 || status & 0x04 != 0, "{status:02X}");
                assert!(status & 0x80 == 0 || status & 0x08 != 0, "{status:02X}");
            }
        }
    }
}
