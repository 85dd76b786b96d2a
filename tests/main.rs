//! Integration tests: one binary, one module per subject.
