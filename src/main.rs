//! The command line program; see the library for what it is made of.

fn main() {}
