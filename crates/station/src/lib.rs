//! What a station does with scans and weights: pure session rules and who stands where.
