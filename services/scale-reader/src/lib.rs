//! Reads scales and the scanners beside them.
