//! Finding round features of a known size in a plane of light.
//!
//! [`candidates`] proposes places from the coarse picture, whatever the polarity: bright disc, dark disc, ring, ring with a
//! spot. [`look`] learns from the picture itself what a feature looks like, [`centre`] measures each centre to a small part of
//! a pixel with its covariance, [`necks`] leaves out where traces run into round lands, [`intruders`] where anything meets other outlines,
//! [`deposit`] tells whether paste lies on them, [`bare_rim`] where they are then, [`roundness`] whether they are longer one way, [`ground`] how much light
//! falls on a place and whether something covers it,
//! [`neighbours`] what lies nearest to it.

pub mod bare_rim;
pub mod candidates;
pub mod centre;
pub mod deposit;
#[cfg(test)]
mod drawn_lands;
pub mod ground;
pub mod intruders;
pub mod look;
pub mod necks;
pub mod neighbours;
pub mod outline;
pub mod outline_fit;
pub mod roundness;
pub mod shape_candidates;
pub mod side_edge;
