//! Subcommands, one file each.
