//! What the page allows the browser to do: run its own script, use its own style, and nothing else.

use sha2::{Digest as _, Sha256};

/// The content of the page's Content-Security-Policy (W3C, CSP Level 3): the style and the script that the page carries
/// are allowed by their hashes; requests, frames, forms and any other script or style are not. Without a script none is
/// allowed.
pub(in crate::report) fn policy(style: &str, script: Option<&str>) -> String {
    let script = script.map_or_else(
        || "'none'".to_owned(),
        |script| format!("'sha256-{}'", base64(&Sha256::digest(script))),
    );
    format!(
        "default-src 'none'; style-src 'sha256-{}'; script-src {script}; base-uri 'none'; form-action 'none'",
        base64(&Sha256::digest(style))
    )
}

/// Base64 with the alphabet of RFC 4648, section 4, padded.
fn base64(bytes: &[u8]) -> String {
    const ALPHABET: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for chunk in bytes.chunks(3) {
        let mut three = [0; 3];
        for (place, byte) in three.iter_mut().zip(chunk) {
            *place = *byte;
        }
        let word = u32::from_be_bytes([0, three[0], three[1], three[2]]);
        for at in 0..4_usize {
            let sextet = word >> (18 - 6 * at) & 0x3F;
            let letter = ALPHABET.get(sextet as usize).copied().unwrap_or(b'=');
            text.push(if at <= chunk.len() {
                char::from(letter)
            } else {
                '='
            });
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base64_of_the_standard() {
        // RFC 4648, section 10.
        for (plain, coded) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }

    #[test]
    fn without_a_script_none_may_run() {
        assert!(policy("", None).contains("script-src 'none';"));
    }

    #[test]
    fn hash_of_a_script_as_a_browser_takes_it() {
        // W3C, CSP Level 3, section 8.2: the example `alert('Hello, world.');`.
        let policy = policy("", Some("alert('Hello, world.');"));
        assert!(
            policy.contains("'sha256-qznLcsROx4GACP2dm0UCKCzCG+HiZ1guq6ZZDob/Tng='"),
            "{policy}"
        );
    }
}
