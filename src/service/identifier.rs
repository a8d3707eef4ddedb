//! Data identifiers of service 0x22 and its kin: names, ranges, known lengths, and which bytes belong to which.
//!
//! Source: ISO 14229-1:2013, Annex C (C.1 to C.3); SAE J1979-2 for 0xF400 to 0xF8FF.

/// The name of an identifier, or what its range is for.
pub fn identifier_name(id: u16) -> &'static str {
    match NAMED.binary_search_by_key(&id, |row| row.0) {
        Ok(index) => NAMED.get(index).map_or("", |row| row.2),
        Err(_) => range_name(id),
    }
}

/// How many data bytes an identifier has, where the standard fixes that.
pub(super) fn fixed_length(id: u16) -> Option<usize> {
    let index = NAMED.binary_search_by_key(&id, |row| row.0).ok()?;
    let length = NAMED.get(index)?.1;
    (length > 0).then_some(usize::from(length))
}

const fn range_name(id: u16) -> &'static str {
    match id {
        0x0100..=0xA5FF | 0xA800..=0xACFF | 0xB000..=0xB1FF | 0xC000..=0xC2FF | 0xCF00..=0xEFFF => {
            "given by the maker"
        }
        0xA600..=0xA7FF | 0xAD00..=0xAFFF | 0xB200..=0xBFFF | 0xC300..=0xCEFF | 0xFB00..=0xFCFF => {
            "reserved for law-makers"
        }
        0xF000..=0xF0FF => "network configuration",
        0xF100..=0xF17F | 0xF1A0..=0xF1EF => "identification, given by the maker",
        0xF1F0..=0xF1FF => "identification, given by the supplier",
        0xF200..=0xF2FF => "periodic identifier",
        0xF300..=0xF3FF => "dynamically defined identifier",
        0xF400..=0xF5FF => "parameter of SAE J1979-2",
        0xF600..=0xF6FF => "monitor of SAE J1979-2",
        0xF700..=0xF7FF => "reserved for SAE J1979-2",
        0xF800..=0xF8FF => "vehicle information of SAE J1979-2",
        0xF900..=0xF9FF => "tachograph",
        0xFA00..=0xFA0F => "deployment of restraints",
        0xFA10..=0xFAFF => "safety system",
        0xFD00..=0xFEFF => "given by the supplier",
        _ => "reserved",
    }
}

/// Identifier, length (0: not fixed), name; in the order of the identifiers.
const NAMED: &[(u16, u8, &str)] = &[
    (0xF180, 0, "boot software identification"),
    (0xF181, 0, "application software identification"),
    (0xF182, 0, "application data identification"),
    (0xF183, 0, "boot software fingerprint"),
    (0xF184, 0, "application software fingerprint"),
    (0xF185, 0, "application data fingerprint"),
    (0xF186, 1, "active diagnostic session"),
    (0xF187, 0, "maker's spare part number"),
    (0xF188, 0, "maker's software number"),
    (0xF189, 0, "maker's software version"),
    (0xF18A, 0, "supplier"),
    (0xF18B, 0, "date of manufacture of the module"),
    (0xF18C, 0, "serial number of the module"),
    (0xF18D, 0, "supported functional units"),
    (0xF18E, 0, "part number of the maker's kit"),
    (0xF190, 17, "vehicle identification number"),
    (0xF191, 0, "maker's hardware number"),
    (0xF192, 0, "supplier's hardware number"),
    (0xF193, 0, "supplier's hardware version"),
    (0xF194, 0, "supplier's software number"),
    (0xF195, 0, "supplier's software version"),
    (0xF196, 0, "exhaust regulation or type approval number"),
    (0xF197, 0, "system name or engine type"),
    (0xF198, 0, "repair shop code or tester's serial number"),
    (0xF199, 0, "programming date"),
    (
        0xF19A,
        0,
        "calibrating shop's code or equipment's serial number",
    ),
    (0xF19B, 0, "calibration date"),
    (0xF19C, 0, "calibration equipment's software number"),
    (0xF19D, 0, "date of installation of the module"),
    (0xF19E, 0, "name of its ODX file"),
    (0xF19F, 0, "entity"),
    (0xFF00, 4, "edition of ISO 14229-1"),
];

/// The identifiers of a 0x62 answer and the data bytes of each.
///
/// The lengths come from `length_of` (the least that a profile knows of an identifier) and from the standard. Where more
/// bytes come than that, the next identifier that was asked for has to stand behind them; where lengths are unknown, the
/// data end where that one stands, if it stands in one place only. What cannot be told apart is given to the last
/// identifier that is certain.
pub fn identifiers<'p>(
    request: Option<&[u8]>,
    payload: &'p [u8],
    length_of: &dyn Fn(u16) -> Option<usize>,
) -> Vec<(u16, &'p [u8])> {
    let mut found = Vec::new();
    each_identifier(request, payload, length_of, |_, id, data| {
        found.push((id, data));
    });
    found
}

/// The same without keeping them, with the place of each identifier.
pub(super) fn each_identifier<'p>(
    request: Option<&[u8]>,
    payload: &'p [u8],
    length_of: &dyn Fn(u16) -> Option<usize>,
    mut out: impl FnMut(usize, u16, &'p [u8]),
) {
    let mut asked = Asked::new(request);
    let mut at = 1;
    while let Some(&[high, low]) = payload.get(at..at + 2) {
        let id = u16::from_be_bytes([high, low]);
        let data = payload.get(at + 2..).unwrap_or_default();
        asked.pass([high, low]);
        let least = length_of(id).or_else(|| fixed_length(id));
        let length = match least {
            Some(least) if least >= data.len() => data.len(),
            Some(least) => {
                let behind = data.get(least..).unwrap_or_default();
                if asked.may_begin(behind) {
                    least
                } else {
                    asked
                        .next_in(behind)
                        .map_or(data.len(), |place| least + place)
                }
            }
            None => asked.next_in(data).unwrap_or(data.len()),
        };
        let (own, _) = data.split_at(length);
        out(at, id, own);
        at += 2 + length;
    }
}

/// The identifiers that a request asked for, and how far the answer has come.
struct Asked<'r> {
    /// Those that may still come; `None` where the request is not known.
    rest: Option<&'r [u8]>,
    /// Bytes that may still be searched.
    budget: usize,
}

impl<'r> Asked<'r> {
    /// How many of the next identifiers are looked for.
    const AHEAD: usize = 32;
    /// Most bytes that are searched for one answer: cutting up must not take longer than a look at it.
    const BUDGET: usize = 1 << 20;

    fn new(request: Option<&'r [u8]>) -> Self {
        let rest = match request {
            Some([0x22, ids @ ..]) => Some(ids),
            _ => None,
        };
        Self {
            rest,
            budget: Self::BUDGET,
        }
    }

    fn ahead(&self) -> impl Iterator<Item = &'r [u8]> + use<'r> {
        let rest = self.rest.unwrap_or_default();
        rest.chunks_exact(2).take(Self::AHEAD)
    }

    /// The answer has come to this identifier.
    fn pass(&mut self, id: [u8; 2]) {
        if let Some(place) = self.ahead().position(|pair| pair == id) {
            self.rest = self.rest.and_then(|rest| rest.get(2 * (place + 1)..));
        }
    }

    /// Whether these bytes can begin with an identifier: one that was asked for, or, where nobody knows what was asked
    /// for, one that is not reserved.
    fn may_begin(&self, bytes: &[u8]) -> bool {
        let Some(&[high, low]) = bytes.get(..2) else {
            return false;
        };
        if self.rest.is_some() {
            return self.ahead().any(|pair| pair == [high, low]);
        }
        identifier_name(u16::from_be_bytes([high, low])) != "reserved"
    }

    /// Where the next identifier asked for stands: only if that is one place. A module may leave out identifiers; the
    /// first that stands anywhere is the next one.
    fn next_in(&mut self, data: &[u8]) -> Option<usize> {
        for pair in self.ahead() {
            self.budget = self.budget.checked_sub(data.len())?;
            let mut places = data
                .windows(2)
                .enumerate()
                .filter(|(_, window)| *window == pair);
            if let Some((place, _)) = places.next() {
                return places.next().is_none().then_some(place);
            }
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_in_order_and_every_identifier_has_words() {
        assert!(NAMED.is_sorted_by_key(|row| row.0));
        for id in 0..=u16::MAX {
            assert!(!identifier_name(id).is_empty());
        }
        assert_eq!(identifier_name(0xF190), "vehicle identification number");
        for id in 0xF180..=0xF19F_u16 {
            // 0xF18F is reserved (ISO 14229-1:2013, Table C.1).
            assert_eq!(identifier_name(id) == "reserved", id == 0xF18F, "{id:04X}");
        }
    }

    /// Source: ISO 14229-1:2013, Tables 149 and 150: two identifiers in one answer.
    #[test]
    fn an_answer_is_cut_at_the_identifiers_asked_for() {
        let request = [0x22, 0x01, 0x0A, 0x01, 0x10];
        let answer = [
            0x62, 0x01, 0x0A, 0xA6, 0x66, 0x07, 0x50, 0x20, 0x1A, 0x00, 0x63, 0x4A, 0x82, 0x7E,
            0x01, 0x10, 0x8C,
        ];
        let found = identifiers(Some(&request), &answer, &|_| None);
        assert_eq!(found.len(), 2);
        assert_eq!(found[0], (0x010A, &answer[3..14]));
        assert_eq!(found[1], (0x0110, &[0x8C][..]));
        // Alone, everything is the first one's; with lengths, the request is not needed.
        assert_eq!(
            identifiers(None, &answer, &|_| None),
            [(0x010A, &answer[3..])]
        );
        let by_length = identifiers(None, &answer, &|id| (id == 0x010A).then_some(11));
        assert_eq!(by_length, found);
    }

    /// A profile knows of an identifier only how far its signals reach; more bytes may follow.
    #[test]
    fn a_length_is_the_least_there_is() {
        let least = |id: u16| match id {
            0x2B01 => Some(2),
            0x2B10 => Some(1),
            _ => None,
        };
        let request = [0x22, 0x2B, 0x01, 0x2B, 0x10];
        let answer = [0x62, 0x2B, 0x01, 0x11, 0x22, 0x2B, 0x10, 0x7C];
        let cut = [(0x2B01, &answer[3..5]), (0x2B10, &answer[7..])];
        assert_eq!(identifiers(Some(&request), &answer, &least), cut);
        assert_eq!(identifiers(None, &answer, &least), cut);
        // Three bytes where two were known of.
        let longer = [0x62, 0x2B, 0x01, 0x11, 0x22, 0x33, 0x2B, 0x10, 0x7C];
        assert_eq!(
            identifiers(Some(&request), &longer, &least),
            [(0x2B01, &longer[3..6]), (0x2B10, &longer[8..])]
        );
        // The second identifier's own bytes stand in the first one's data as well.
        let twice = [0x62, 0x2B, 0x01, 0x2B, 0x10, 0x2B, 0x10, 0x7C];
        assert_eq!(
            identifiers(Some(&request), &twice, &least),
            [(0x2B01, &twice[3..5]), (0x2B10, &twice[7..])]
        );
    }

    /// A module that fills its answer up says nothing about an identifier 0x0000.
    #[test]
    fn one_identifier_asked_for_is_the_only_one_in_the_answer() {
        let mut answer = vec![0x62, 0xF1, 0x90];
        answer.extend(*b"W0L000043MB541326");
        answer.extend([0x00, 0x00, 0x00]);
        let found = identifiers(Some(&[0x22, 0xF1, 0x90]), &answer, &|_| None);
        assert_eq!(found, [(0xF190, &answer[3..])]);
        assert_eq!(identifiers(None, &answer, &|_| None), found);
    }

    #[test]
    fn an_ambiguous_cut_is_not_made() {
        let request = [0x22, 1, 1, 2, 2];
        let answer = [0x62, 1, 1, 2, 2, 9, 2, 2, 7];
        assert_eq!(
            identifiers(Some(&request), &answer, &|_| None),
            [(0x0101, &answer[3..])]
        );
    }

    proptest::proptest! {
        #[test]
        fn all_bytes_are_given_out_but_a_single_one(
            request in proptest::collection::vec(0_u8..4, 0..9),
            payload in proptest::collection::vec(0_u8..4, 1..40),
            length in 0_usize..5,
        ) {
            let found = identifiers(Some(&request), &payload, &|id| (id % 2 == 0).then_some(length));
            let sum: usize = found.iter().map(|(_, data)| 2 + data.len()).sum();
            proptest::prop_assert!(payload.len() - 1 - sum <= 1);
        }
    }
}
