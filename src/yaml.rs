//! What YAML may look like here, checked before a parser sees it.
//!
//! Parsers of YAML (1.2.2) take time that grows with the square of how deeply a text is nested. Nothing that is read here nests
//! more than a few levels.

/// Most levels of nesting.
pub(crate) const MAX_DEPTH: usize = 64;

/// A place that is nested too deeply.
#[derive(Clone, Copy, Debug, Eq, PartialEq, thiserror::Error)]
#[error("nested more than {MAX_DEPTH} levels deep: a bracket that was not closed?")]
pub(crate) struct TooDeep {
    /// The line, from 1.
    pub(crate) line: usize,
    /// The column in bytes, from 1.
    pub(crate) column: usize,
}

/// Counts open brackets of flow collections (§7.4), wherever they stand, and the indicators of block collections that begin on
/// one line (§8.2). Levels by indentation alone cost a line each, so the length of a text bounds them.
pub(crate) fn check_depth(text: &str) -> Result<(), TooDeep> {
    let mut open: usize = 0;
    for (number, line) in text.split('\n').enumerate() {
        let mut begun = 0;
        let mut is_start = true;
        let bytes = line.as_bytes();
        for (at, &byte) in bytes.iter().enumerate() {
            match byte {
                b'[' | b'{' => open += 1,
                b']' | b'}' => open = open.saturating_sub(1),
                b'-' | b'?' | b':' if is_start => {
                    // An indicator only where white space follows.
                    is_start = matches!(bytes.get(at + 1), None | Some(b' ' | b'\t' | b'\r'));
                    begun += usize::from(is_start);
                }
                b' ' | b'\t' => {}
                _ => is_start = false,
            }
            if open + begun > MAX_DEPTH {
                return Err(TooDeep {
                    line: number + 1,
                    column: at + 1,
                });
            }
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn depth_is_counted_in_brackets_and_in_indicators() {
        let deep = |text: String| check_depth(&text).map_err(|deep| (deep.line, deep.column));
        assert_eq!(deep("a: [b]\n- - {c: d}\n".repeat(1_000)), Ok(()));
        assert_eq!(deep(format!("{}x", "[".repeat(64))), Ok(()));
        assert_eq!(deep(format!("a:\n {}x", "[".repeat(65))), Err((2, 66)));
        assert_eq!(deep("[\n".repeat(100)), Err((65, 1)));
        assert_eq!(deep("- ".repeat(64)), Ok(()));
        assert_eq!(deep("- ".repeat(65)), Err((1, 129)));
        assert_eq!(deep("? ".repeat(100_000)), Err((1, 129)));
        // Dashes within a word are none, nor is a line of them.
        assert_eq!(deep(format!("a: {}", "-".repeat(100))), Ok(()));
        assert_eq!(deep("-".repeat(100)), Ok(()));
    }
}
