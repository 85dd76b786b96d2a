//! Parses the command line, calls, exits.
fn main() {}
