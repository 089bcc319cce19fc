//! A cheese's make and maturing rules, read from a TOML file.
