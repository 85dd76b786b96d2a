//! Pure functions of numbers, each with the source of its formula. No tables, no input or output.
