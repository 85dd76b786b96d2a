//! Estimators and distributions: pure numerics, each with parameters, result and error. No tables, no input or output.
