//! What was found, for people: no computation.
