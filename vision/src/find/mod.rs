//! Finding round features of a known size in a plane of light.
//!
//! [`candidates`] proposes places from the coarse picture, whatever the polarity: bright disc, dark disc, ring, ring with a
//! spot. [`look`] learns from the picture itself what a feature looks like, [`centre`] measures each centre to a small part of
//! a pixel with its covariance. Of lands [`necks`] leaves out where traces run into round ones, [`deposit`] tells whether paste lies on them,
//! [`bare_rim`] where they are then, [`roundness`] whether they are longer one way. [`ground`] tells how much light falls on a place and
//! whether something covers it, [`neighbours`] what lies nearest to it.
//!
//! All other shapes: [`outline`] the design, [`shape_candidates`] where one may be, [`print`](mod@print) where it should lie and the pixels
//! about it, [`side_edge`] the light about one side, [`outline_look`] what a group looks like, [`outline_fit`] the fit of one, [`intruders`]
//! where anything else meets it.

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
pub mod outline_look;
pub mod print;
pub mod roundness;
pub mod shape_candidates;
pub mod side_edge;
