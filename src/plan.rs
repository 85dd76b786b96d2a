//! Definitions to a checked plan.
