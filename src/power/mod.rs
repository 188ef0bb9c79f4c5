//! Conductors, fuses, the DC network and its solver, worst cases, and the paper checks over them.
