//! The simulated bench: rendered pictures, adjusters as they truly are, and hands that turn them.
//!
//! [`job::rehearse`] is the loop: look, judge, plan, turn, look again. What a look is, its caller says: a rendered picture
//! that is measured, or the truth with noise. Everything random comes from a seed.

pub mod calibration_trial;
pub mod clumsy;
pub mod job;
pub mod kind;
pub mod picture;
pub mod practice;
pub mod presence;
pub mod save;
pub mod scenario;
pub mod screw;
pub mod simulated;
pub mod study;
pub mod way_trial;
