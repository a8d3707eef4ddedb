//! What codes and failure types mean, from the files in `rules/`, with each reading of a number that has several.
//!
//! A chassis number of the C0 range can have been used before the shared list gave it a meaning. So a code has
//! *readings*, each with a weight. A third byte that only one numbering uses decides; otherwise every reading is
//! kept, because the number alone does not fix the wheel.

use crate::place::Place;

use super::file::{self, CatalogueError, CatalogueFault, Parsed};
use super::{Code, FailureType};

/// A YAML text with the name to call it by in messages.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct YamlText<'a> {
    /// File name or another name.
    pub name: &'a str,
    /// The text.
    pub text: &'a str,
}

/// The files that are built in.
const EMBEDDED: [YamlText<'static>; 7] = [
    YamlText {
        name: "rules/failure-types.yaml",
        text: include_str!("../../rules/failure-types.yaml"),
    },
    YamlText {
        name: "rules/codes/shared.yaml",
        text: include_str!("../../rules/codes/shared.yaml"),
    },
    YamlText {
        name: "rules/codes/shared-late.yaml",
        text: include_str!("../../rules/codes/shared-late.yaml"),
    },
    YamlText {
        name: "rules/codes/shared-network.yaml",
        text: include_str!("../../rules/codes/shared-network.yaml"),
    },
    YamlText {
        name: "rules/codes/shared-powertrain.yaml",
        text: include_str!("../../rules/codes/shared-powertrain.yaml"),
    },
    YamlText {
        name: "rules/codes/older-a.yaml",
        text: include_str!("../../rules/codes/older-a.yaml"),
    },
    YamlText {
        name: "rules/codes/older-b.yaml",
        text: include_str!("../../rules/codes/older-b.yaml"),
    },
];

/// The identifier of the table of failure types that holds unless a numbering says otherwise.
const SHARED: &str = "shared";

/// The meanings of codes and failure types.
#[derive(Clone, Debug)]
pub struct Catalogue {
    numberings: Vec<Numbering>,
    /// Sorted by code, then by numbering.
    entries: Vec<Entry>,
    schemes: Vec<Scheme>,
}

/// One reading of a code.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading<'c> {
    /// How much it counts among the readings of this code: above 0, the sum over all readings is 1.
    pub weight: f64,
    /// The identifier of its numbering: `shared`, `older-a`.
    pub numbering: &'c str,
    /// What part it is about: `wheel-speed-sensor`.
    pub component: &'c str,
    /// Which wheel or axle, where the code says so.
    pub place: Option<Place>,
    /// What kind of fault: `circuit`, `no-signal`; `general` where the failure type says it.
    pub kind: &'c str,
    /// What it means, in a few words.
    pub meaning: &'c str,
    /// A remark.
    pub note: Option<&'c str>,
    /// Where that is written; may name a maker, so not for print.
    pub source: &'c str,
}

/// What a failure type byte means.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct FailureMeaning {
    /// The byte.
    pub byte: FailureType,
    /// The group it belongs to: `electrical`.
    pub category: String,
    /// What it means, in a few words.
    pub meaning: String,
    /// A remark.
    pub note: Option<String>,
    /// Where that is written; may name a maker, so not for print.
    pub source: String,
}

#[derive(Clone, Debug)]
pub(super) struct Numbering {
    pub(super) id: String,
    pub(super) words: String,
    pub(super) scheme: String,
    pub(super) decides: Vec<u8>,
    pub(super) only: Vec<Code>,
    pub(super) weight: f64,
    pub(super) source: String,
    pub(super) scheme_place: (String, usize),
}

#[derive(Clone, Debug)]
pub(super) struct Entry {
    pub(super) code: Code,
    pub(super) numbering: usize,
    pub(super) component: String,
    pub(super) place: Option<Place>,
    pub(super) kind: String,
    pub(super) meaning: String,
    pub(super) note: Option<String>,
    pub(super) weight: f64,
    pub(super) source: Option<String>,
}

#[derive(Clone, Debug)]
pub(super) struct Scheme {
    pub(super) id: String,
    pub(super) words: String,
    pub(super) groups: Vec<Group>,
    pub(super) list: Vec<FailureMeaning>,
}

#[derive(Clone, Debug)]
pub(super) struct Group {
    pub(super) from: u8,
    pub(super) to: u8,
    pub(super) name: String,
}

impl Catalogue {
    /// The built-in catalogue.
    pub fn embedded() -> Result<Self, CatalogueError> {
        Self::load(&[])
    }

    /// The built-in files.
    pub fn built_in_files() -> impl Iterator<Item = YamlText<'static>> {
        EMBEDDED.into_iter()
    }

    /// The built-in catalogue with `more` on top: a row for a code and numbering that is there already replaces it, a
    /// failure type likewise.
    pub fn load(more: &[YamlText<'_>]) -> Result<Self, CatalogueError> {
        let mut catalogue = Self {
            numberings: Vec::new(),
            entries: Vec::new(),
            schemes: Vec::new(),
        };
        let mut faults = Vec::new();
        for text in EMBEDDED.iter().chain(more) {
            match file::parse(text, &mut faults) {
                Some(Parsed::Codes(numbering, entries)) => catalogue.add_codes(numbering, entries),
                Some(Parsed::FailureTypes(schemes)) => catalogue.add_schemes(schemes),
                None => {}
            }
        }
        catalogue.check(&mut faults);
        if faults.is_empty() {
            Ok(catalogue)
        } else {
            Err(CatalogueError { faults })
        }
    }

    fn add_codes(&mut self, numbering: Numbering, entries: Vec<Entry>) {
        let known = self
            .numberings
            .iter()
            .position(|known| known.id == numbering.id);
        let index = known.unwrap_or(self.numberings.len());
        let source = numbering.source.clone();
        if known.is_none() {
            self.numberings.push(numbering);
        }
        for mut entry in entries {
            entry.numbering = index;
            if entry.source.is_none() {
                entry.source = Some(source.clone());
            }
            let key = (entry.code, index);
            match self
                .entries
                .binary_search_by_key(&key, |known| (known.code, known.numbering))
            {
                Ok(place) => {
                    if let Some(known) = self.entries.get_mut(place) {
                        *known = entry;
                    }
                }
                Err(place) => self.entries.insert(place, entry),
            }
        }
    }

    fn add_schemes(&mut self, schemes: Vec<Scheme>) {
        for scheme in schemes {
            let Some(known) = self.schemes.iter_mut().find(|known| known.id == scheme.id) else {
                self.schemes.push(scheme);
                continue;
            };
            for failure in scheme.list {
                match known
                    .list
                    .binary_search_by_key(&failure.byte, |old| old.byte)
                {
                    Ok(place) => {
                        if let Some(old) = known.list.get_mut(place) {
                            *old = failure;
                        }
                    }
                    Err(place) => known.list.insert(place, failure),
                }
            }
        }
    }

    fn check(&self, faults: &mut Vec<CatalogueFault>) {
        for numbering in &self.numberings {
            if !self
                .schemes
                .iter()
                .any(|scheme| scheme.id == numbering.scheme)
            {
                let known: Vec<&str> = self
                    .schemes
                    .iter()
                    .map(|scheme| scheme.id.as_str())
                    .collect();
                let (file, line) = &numbering.scheme_place;
                faults.push(CatalogueFault {
                    file: file.clone(),
                    line: *line,
                    words: format!(
                        "no such table of failure types: {:?}; possible: {}",
                        numbering.scheme,
                        known.join(", ")
                    ),
                });
            }
        }
    }

    /// The readings of a code, the weightiest first; none when it is not in the catalogue.
    pub fn readings(&self, code: Code, failure: Option<FailureType>) -> Vec<Reading<'_>> {
        let mut readings = Vec::new();
        let total: f64 = self.weighed(code, failure).map(|(weight, _)| weight).sum();
        for (weight, entry) in self.weighed(code, failure) {
            let Some(numbering) = self.numberings.get(entry.numbering) else {
                continue;
            };
            readings.push(Reading {
                weight: weight / total,
                numbering: &numbering.id,
                component: &entry.component,
                place: entry.place,
                kind: &entry.kind,
                meaning: &entry.meaning,
                note: entry.note.as_deref(),
                source: entry.source.as_deref().unwrap_or(&numbering.source),
            });
        }
        readings.sort_by(|a, b| b.weight.total_cmp(&a.weight));
        readings
    }

    /// The entries that remain possible with this third byte, each with its weight before the division by the sum.
    pub(super) fn weighed(
        &self,
        code: Code,
        failure: Option<FailureType>,
    ) -> impl Iterator<Item = (f64, &Entry)> {
        let candidates = self.entries_of(code);
        let best = candidates
            .iter()
            .map(|entry| self.standing(entry, failure))
            .max()
            .unwrap_or(Standing::Open);
        candidates.iter().filter_map(move |entry| {
            let numbering = self.numberings.get(entry.numbering)?;
            let stays = self.standing(entry, failure) == best;
            stays.then_some((entry.weight * numbering.weight, entry))
        })
    }

    fn entries_of(&self, code: Code) -> &[Entry] {
        let start = self.entries.partition_point(|entry| entry.code < code);
        let end = self.entries.partition_point(|entry| entry.code <= code);
        self.entries.get(start..end).unwrap_or_default()
    }

    /// How well a third byte goes with a reading.
    fn standing(&self, entry: &Entry, failure: Option<FailureType>) -> Standing {
        let (Some(failure), Some(numbering)) = (failure, self.numberings.get(entry.numbering))
        else {
            return Standing::Open;
        };
        let decides = numbering.decides.contains(&failure.0);
        if decides && numbering.only.contains(&entry.code) {
            return Standing::Named;
        }
        if decides && numbering.only.is_empty() {
            return Standing::Typical;
        }
        match self.failure_in(&numbering.scheme, failure) {
            Some(_) => Standing::Open,
            None => Standing::Foreign,
        }
    }

    /// What a failure type byte means in the shared table (SAE J2012, ISO 15031-6); `None` when the table has no such
    /// byte.
    pub fn failure_type(&self, failure: FailureType) -> Option<&FailureMeaning> {
        self.failure_in(SHARED, failure)
    }

    /// What a third byte means for a code of this numbering.
    pub fn failure_type_of(
        &self,
        numbering: &str,
        failure: FailureType,
    ) -> Option<&FailureMeaning> {
        let scheme = self.numberings.iter().find(|known| known.id == numbering);
        self.failure_in(scheme.map_or(SHARED, |known| &known.scheme), failure)
    }

    /// The words for a numbering, for a person; its identifier when it is unknown.
    pub fn numbering_words<'c>(&'c self, numbering: &'c str) -> &'c str {
        let known = self.numberings.iter().find(|known| known.id == numbering);
        known.map_or(numbering, |known| &known.words)
    }

    /// The numbering of an entry, and its table of failure types.
    pub(super) fn numbering(&self, entry: &Entry) -> Option<&Numbering> {
        self.numberings.get(entry.numbering)
    }

    /// The group that a failure type byte belongs to in the shared table.
    pub fn failure_group(&self, failure: FailureType) -> Option<&str> {
        let scheme = self.schemes.iter().find(|scheme| scheme.id == SHARED)?;
        let mut groups = scheme.groups.iter();
        let group = groups.find(|group| (group.from..=group.to).contains(&failure.0))?;
        Some(&group.name)
    }

    /// Every code in the catalogue, in order, once.
    pub fn codes(&self) -> impl Iterator<Item = Code> {
        let mut last = None;
        self.entries.iter().filter_map(move |entry| {
            let new = last != Some(entry.code);
            last = Some(entry.code);
            new.then_some(entry.code)
        })
    }

    /// The words for the table of failure types that a numbering uses.
    pub fn scheme_words(&self, numbering: &str) -> Option<&str> {
        let numbering = self.numberings.iter().find(|known| known.id == numbering)?;
        let mut schemes = self.schemes.iter();
        let scheme = schemes.find(|scheme| scheme.id == numbering.scheme)?;
        Some(&scheme.words)
    }

    pub(super) fn failure_in(&self, scheme: &str, failure: FailureType) -> Option<&FailureMeaning> {
        let scheme = self.schemes.iter().find(|known| known.id == scheme)?;
        let place = scheme
            .list
            .binary_search_by_key(&failure, |known| known.byte);
        scheme.list.get(place.ok()?)
    }
}

/// How well a third byte goes with a reading, from bad to good. Only the best readings stay.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
enum Standing {
    /// The numbering's table has no such byte.
    Foreign,
    /// Nothing speaks for or against it.
    Open,
    /// Typical of this numbering.
    Typical,
    /// Named for exactly this code and numbering.
    Named,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::place::Wheel;

    fn catalogue() -> Catalogue {
        Catalogue::embedded().unwrap()
    }

    fn places(catalogue: &Catalogue, code: &str, failure: Option<u8>) -> Vec<(String, Wheel, f64)> {
        let readings = catalogue.readings(code.parse().unwrap(), failure.map(FailureType));
        let wheels = readings.iter().filter_map(|reading| {
            let wheel = reading.place?.wheel()?;
            Some((reading.numbering.to_owned(), wheel, reading.weight))
        });
        wheels.collect()
    }

    /// Source: the closed forms that the shared list and its later numbers follow (open list Wal33D/dtc-database,
    /// checked against the service texts of four makers).
    #[test]
    fn wheel_numbers_follow_their_closed_forms() {
        let catalogue = catalogue();
        let expect = |number: u16, component: &str, wheel: Wheel, numbering: &str| {
            let readings = catalogue.readings(Code(number), Some(FailureType(0x13)));
            let reading = readings.first().unwrap();
            assert_eq!(readings.len(), 1, "{}", Code(number));
            assert_eq!(reading.component, component, "{}", Code(number));
            assert_eq!(reading.place, Some(Place::Wheel(wheel)), "{}", Code(number));
            assert_eq!(reading.numbering, numbering);
        };
        for (w, wheel) in (0_u16..).zip(Wheel::ALL) {
            let chassis = 0x4000;
            expect(chassis + 0x30 + 3 * w, "tone-ring", wheel, "shared");
            expect(
                chassis + 0x31 + 3 * w,
                "wheel-speed-sensor",
                wheel,
                "shared",
            );
            expect(
                chassis + 0x32 + 3 * w,
                "wheel-speed-sensor-supply",
                wheel,
                "shared",
            );
            for k in 0..6 {
                expect(
                    chassis + 0x500 + 6 * w + k,
                    "wheel-speed-sensor",
                    wheel,
                    "shared-late",
                );
            }
            for k in 0..7 {
                expect(
                    chassis + 0x651 + 7 * w + k,
                    "wheel-speed-sensor-b",
                    wheel,
                    "shared-late",
                );
            }
            expect(
                chassis + 0x518 + w,
                "wheel-speed-sensor",
                wheel,
                "shared-late",
            );
            expect(
                chassis + 0x555 + w,
                "wheel-speed-sensor",
                wheel,
                "shared-late",
            );
        }
    }

    /// Source: maker service texts for both uses of the four numbers (General Motors 1999-2014; Ford and Mazda later).
    #[test]
    fn a_third_byte_decides_between_two_numberings() {
        let catalogue = catalogue();
        let older = [
            ("C0035", Wheel::LeftFront),
            ("C0040", Wheel::RightFront),
            ("C0045", Wheel::LeftRear),
            ("C0050", Wheel::RightRear),
        ];
        for (code, wheel) in older {
            for byte in [0x00, 0x02, 0x05, 0x06, 0x08, 0x0A, 0x0F, 0x18, 0x5A] {
                let found = places(&catalogue, code, Some(byte));
                assert_eq!(
                    found,
                    [("older-a".to_owned(), wheel, 1.0)],
                    "{code}-{byte:02X}"
                );
            }
        }
        for byte in (0x11..=0x1F)
            .chain(0x23..=0x2F)
            .chain(0x31..=0x3A)
            .chain([0x62, 0x64])
        {
            if byte == 0x18 {
                continue;
            }
            let found = places(&catalogue, "C0035", Some(byte));
            assert_eq!(
                found,
                [("shared".to_owned(), Wheel::RightFront, 1.0)],
                "C0035-{byte:02X}"
            );
        }
        let both = places(&catalogue, "C0035", None);
        assert_eq!(both.len(), 2);
        assert!((both.iter().map(|(_, _, weight)| weight).sum::<f64>() - 1.0).abs() < 1e-12);
    }

    #[test]
    fn every_row_has_words_and_a_source_and_weights_sum_to_one() {
        let catalogue = catalogue();
        let mut count = 0;
        for code in catalogue.codes() {
            let readings = catalogue.readings(code, None);
            let sum: f64 = readings.iter().map(|reading| reading.weight).sum();
            assert!((sum - 1.0).abs() < 1e-12, "{code}");
            for reading in readings {
                assert!(
                    !reading.meaning.is_empty() && !reading.source.is_empty(),
                    "{code}"
                );
                let id = |text: &str| {
                    text.bytes()
                        .all(|byte| byte.is_ascii_lowercase() || byte == b'-')
                };
                assert!(id(reading.component) && id(reading.kind), "{code}");
                count += 1;
            }
        }
        assert_eq!(count, 352);
    }

    #[test]
    fn rows_on_top_replace_and_faults_name_their_line() {
        let head =
            "codes: 1\nnumbering: shared\nwords: own list\nscheme: shared\nsource: own\nlist:\n";
        let good = format!("{head}  - {{ code: C0031, component: x, kind: y, meaning: mine }}\n");
        let text = YamlText {
            name: "own.yaml",
            text: &good,
        };
        let catalogue = Catalogue::load(&[text]).unwrap();
        let code = "C0031".parse().unwrap();
        assert_eq!(
            catalogue.readings(code, None).first().unwrap().meaning,
            "mine"
        );

        let bad = format!(
            "{head}  - {{ code: C9031, component: x, kind: y, meaning: z }}\n  - {{ code: C0031, component: x, wheel: front, kind: y, meaning: z }}\n"
        );
        let error = Catalogue::load(&[YamlText {
            name: "bad.yaml",
            text: &bad,
        }])
        .unwrap_err();
        let text = error.to_string();
        assert_eq!(error.faults.len(), 2, "{text}");
        assert!(
            text.contains("bad.yaml:7: \"C9031\" is no trouble code"),
            "{text}"
        );
        assert!(
            text.contains("bad.yaml:8: \"front\" is no wheel; possible: left-front"),
            "{text}"
        );
        let unknown = format!("{head}  - {{ code: C0031, part: x }}\n");
        let error = Catalogue::load(&[YamlText {
            name: "u.yaml",
            text: &unknown,
        }])
        .unwrap_err();
        assert!(error.to_string().starts_with("u.yaml:7: "), "{error}");
        assert!(
            Catalogue::load(&[YamlText {
                name: "e.yaml",
                text: ""
            }])
            .is_err()
        );
    }
}
