//! The simulated rig.
