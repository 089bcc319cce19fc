//! Weights from scales: line formats, stability, units.
