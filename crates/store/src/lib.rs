//! What survives a crash: the folded floor in sled, state and stream position in one batch.
