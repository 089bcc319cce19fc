//! Prints each label job once.
