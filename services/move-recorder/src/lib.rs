//! Reads scanners: a scan becomes a fact and an answer.
