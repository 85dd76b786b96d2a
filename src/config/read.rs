//! Reads definition files into their types; every fault with its place.
