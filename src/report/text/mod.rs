//! The report as plain text for a terminal, a printer or an e-mail: 80 columns and up.
//!
//! The first screen (24 lines at 80 columns) holds what a person needs first: is it safe, the three likeliest causes,
//! the next check. Everything else follows in full. Colour only repeats what the words say.

pub(super) mod details;
pub mod dialogue;
pub(super) mod page;
pub(super) mod summary;
mod tables;

use std::io::{self, Write};

use super::Report;
use page::Page;

/// What the reader's screen can do.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Layout {
    /// Columns; less than [`Layout::MIN_WIDTH`] counts as that, more than [`Layout::MAX_WIDTH`] as that.
    pub width: usize,
    /// Whether to write colours and bold type as ANSI sequences.
    pub colour: bool,
    /// Whether the screen shows more than ASCII.
    pub unicode: bool,
}

impl Layout {
    /// The narrowest page.
    pub const MIN_WIDTH: usize = 60;
    /// The widest page: longer lines are hard to read.
    pub const MAX_WIDTH: usize = 120;
    /// Plain ASCII without colour, 80 columns.
    pub const PLAIN: Self = Self {
        width: 80,
        colour: false,
        unicode: false,
    };
}

/// Writes the report.
pub fn write(report: &Report, out: &mut dyn Write, layout: Layout) -> io::Result<()> {
    let mut page = Page::new(out, layout);
    summary::write(report, &mut page)?;
    details::safety(report, &mut page)?;
    details::causes(report, &mut page)?;
    details::evidence(report, &mut page)?;
    tables::wheels(report, &mut page)?;
    tables::modules(report, &mut page)?;
    tables::codes(report, &mut page)?;
    details::repair(report, &mut page)?;
    details::checks(report, &mut page)?;
    details::cautions(report, &mut page)?;
    details::visits(&report.visits, &mut page)?;
    details::limits(report, &mut page)?;
    details::captures(report, &mut page)
}

/// Writes the wheels alone.
pub fn write_wheels(report: &Report, out: &mut dyn Write, layout: Layout) -> io::Result<()> {
    tables::wheels(report, &mut Page::new(out, layout))
}
