//! Measures where a part lies over its lands, from the pictures of a calibrated bench or from one plain photograph.
//!
//! Conventions, written once:
//! * Pixel centres are whole numbers: (0, 0) is the centre of the upper left pixel, x right, y down ([`PointPx`]).
//! * The bench frame is in millimetres, x right, y away from the operator, counter-clockwise positive, seen from above
//!   ([`landfit_part::PointMm`]). Angles are radians.
//! * A transform is named *to_from*: `px_from_mm`, `bench_from_part`.
//! * Light is linear: 0 is no light, 1 is full scale.
//!
//! [`align()`] is the pipeline from pictures to the offset; it opens no file, no camera and no window and prints nothing.

pub mod align;
pub mod answer;
mod bridges;
mod circle_bias;
mod cubic;
mod directions;
pub mod find;
mod free_scale;
mod half_colour;
pub mod inspect;
mod leak;
mod marks;
mod median;
mod memory;
mod nearby;
pub mod offset;
mod one_light;
mod over_lands;
pub mod picture;
pub mod plane;
pub mod pose;
mod refusal;
mod regions;
mod row_ends;
mod same_features;
mod shape_sites;
mod shapes;
mod side;
pub mod sites;
mod stored;
mod swapped;
mod tint_fit;
mod unsure;
pub mod view;
mod whereabouts;
pub mod which_site;

pub use align::{AlignError, align};
pub use free_scale::at_scales;
pub use picture::Picture;
pub use side::LEAST_RADIUS_PX;
pub use view::{Frame, Lens, Misfit, Optics, PointPx, RegionPx, ScaleSource, View};
