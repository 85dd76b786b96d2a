//! Subcommands, one file each.
pub mod demo;
