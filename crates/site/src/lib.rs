//! The site file: rooms, stations, devices, recipes; read from TOML and checked.
