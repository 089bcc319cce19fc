//! The broker: streams, outbox, consuming, asking, and the clock.
