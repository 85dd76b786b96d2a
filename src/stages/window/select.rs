//! Shared by the window stages: rules as masks, stretches, pieces, means and their standard errors.
