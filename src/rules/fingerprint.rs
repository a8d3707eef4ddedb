//! Which rules are in force: a hash over files, so that two reports can be told to rest on the same ones.

use std::fmt::Write as _;

use sha2::{Digest as _, Sha256};

use super::RuleText;

/// SHA-256 over the files in their order, in hexadecimal: of each the length of its name and its name, the length of its
/// text and its text; lengths are eight bytes, most significant first.
pub fn fingerprint<'a>(files: impl IntoIterator<Item = RuleText<'a>>) -> String {
    let mut hash = Sha256::new();
    for file in files {
        for part in [file.name, file.text] {
            hash.update((part.len() as u64).to_be_bytes());
            hash.update(part);
        }
    }
    hash.finalize()
        .iter()
        .fold(String::new(), |mut text, byte| {
            // Writing to a text cannot fail.
            let _ = write!(text, "{byte:02x}");
            text
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_has_the_hash_of_the_standard_and_each_part_counts() {
        // FIPS 180-4: SHA-256 of the empty message.
        assert_eq!(
            fingerprint([]),
            "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
        );
        let file = |name, text| RuleText { name, text };
        let hashes = [
            fingerprint([file("a", "bc")]),
            fingerprint([file("ab", "c")]),
            fingerprint([file("a", "b"), file("c", "")]),
            fingerprint([file("a", "b"), file("", "c")]),
        ];
        for (at, one) in hashes.iter().enumerate() {
            assert!(!hashes.iter().skip(at + 1).any(|other| one == other));
        }
    }
}
