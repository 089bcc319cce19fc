//! The one binary people install.

fn main() {}
