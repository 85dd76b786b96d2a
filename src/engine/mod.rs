//! Runs a plan over the logs: parallel, set-aside policy, cache, batch record.
