//! Which worker may state which fact, and under which station's name.
