//! A wheel's life: facts to state to next actions.
