//! Tells a chat webhook what a person should know.
