//! Folds facts into next actions, alerts and label jobs, and answers questions.
