//! Whether a wheel is held, by what, since when, and who may release it. One owner: the
//! station, the floor, the trace, the dispatcher and the pages ask here.
