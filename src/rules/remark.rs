//! Remarks on rule files: each says where, what, and what would be possible there.

use std::fmt;

/// A fault in a rule file.
#[derive(Clone, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub struct RuleRemark {
    /// The file, as named by the caller.
    pub file: String,
    /// The line, from 1; 0 when it is about the file as a whole.
    pub line: usize,
    /// The column, from 1; 0 when it is about the line as a whole.
    pub column: usize,
    /// The place in the file's structure: `causes[3].shows[1].finding`. Empty for the file as a whole.
    pub path: String,
    /// What is wrong.
    pub message: String,
    /// What is possible there; empty where anything is.
    pub possible: Vec<String>,
}

/// Most possibilities that are printed.
const MOST_POSSIBLE: usize = 40;

impl fmt::Display for RuleRemark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file)?;
        if self.line > 0 {
            write!(f, ":{}", self.line)?;
            if self.column > 0 {
                write!(f, ":{}", self.column)?;
            }
        }
        write!(f, ": ")?;
        if !self.path.is_empty() {
            write!(f, "{}: ", self.path)?;
        }
        write!(f, "{}", self.message)?;
        if !self.possible.is_empty() {
            let shown: Vec<&str> = self
                .possible
                .iter()
                .take(MOST_POSSIBLE)
                .map(String::as_str)
                .collect();
            write!(f, "; possible: {}", shown.join(", "))?;
            if self.possible.len() > MOST_POSSIBLE {
                write!(f, ", …")?;
            }
        }
        Ok(())
    }
}

/// Rules that could not be used, with every fault that was found.
#[derive(Clone, Debug, Eq, PartialEq, thiserror::Error)]
#[error("{}", lines(remarks))]
pub struct RulesError {
    /// The faults, in the order of files and lines.
    pub remarks: Vec<RuleRemark>,
}

fn lines(remarks: &[RuleRemark]) -> String {
    let lines: Vec<String> = remarks.iter().map(ToString::to_string).collect();
    lines.join("\n")
}

/// A rule file with its name.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct RuleText<'a> {
    /// File name or another name.
    pub name: &'a str,
    /// Its text.
    pub text: &'a str,
}

/// Where an entry stands.
#[derive(Clone, Debug, Eq, PartialEq)]
pub(super) struct Spot<'a> {
    pub(super) file: RuleText<'a>,
    /// `causes`.
    pub(super) section: &'static str,
    pub(super) index: usize,
}

impl Spot<'_> {
    /// A remark on this entry: `inside` is the path within it, `word` the word in the text that it is about.
    pub(super) fn remark(
        &self,
        inside: &str,
        word: &str,
        message: impl Into<String>,
        possible: Vec<String>,
    ) -> RuleRemark {
        let (line, column) = self.find(word);
        RuleRemark {
            file: self.file.name.to_owned(),
            line,
            column,
            path: format!("{}[{}]{inside}", self.section, self.index),
            message: message.into(),
            possible,
        }
    }

    /// Line and column of `word` in the entry, or of the entry.
    fn find(&self, word: &str) -> (usize, usize) {
        let lines: Vec<&str> = self.file.text.lines().collect();
        let Some(start) = lines.iter().position(|line| {
            line.strip_prefix(self.section)
                .is_some_and(|rest| rest.trim_start().starts_with(':'))
        }) else {
            return (0, 0);
        };
        let mut dash: Option<usize> = None;
        let mut seen = 0;
        let mut first = None;
        for (number, line) in lines.iter().enumerate().skip(start + 1) {
            let indent = line.len() - line.trim_start().len();
            let body = line.trim_start();
            let outside = !body.is_empty() && indent == 0 && !body.starts_with(['-', '#']);
            if outside {
                break;
            }
            let item = body.starts_with("- ") && dash.is_none_or(|level| level == indent);
            if item {
                dash = Some(indent);
                seen += 1;
            }
            if seen == self.index + 1 {
                first.get_or_insert((number + 1, indent + 1));
                if !word.is_empty()
                    && let Some(column) = word_at(line, word)
                {
                    return (number + 1, column + 1);
                }
            }
            if seen > self.index + 1 {
                break;
            }
        }
        first.unwrap_or((0, 0))
    }
}

/// Where `word` stands in `line` as a word of its own.
fn word_at(line: &str, word: &str) -> Option<usize> {
    let inside = |letter: char| letter.is_alphanumeric() || letter == '-' || letter == '_';
    line.match_indices(word).map(|(at, _)| at).find(|&at| {
        let before = line.get(..at).and_then(|head| head.chars().next_back());
        let after = line
            .get(at + word.len()..)
            .and_then(|tail| tail.chars().next());
        !before.is_some_and(inside) && !after.is_some_and(inside)
    })
}
