//! Renders bench pictures from scenes in millimetres, together with the truth they were made from.
//!
//! Conventions, written once:
//! * Pixel centres are whole numbers: (0, 0) is the centre of the upper left pixel, x right, y down.
//! * Millimetres are those of the frames in [`landfit_part`]: x right, y away from the operator, counter-clockwise
//!   positive, seen from above. Angles are radians.
//! * Light is linear: 0 is no light, 1 is full scale of the sensor. A look's brightness is the light that the
//!   strongest channel of a view's tint receives where that tint's component is 1.
//! * Split optics add the light of the two sides: nothing hides anything.
//!
//! [`render`] is the way from a [`Scene`] to pictures and [`Truth`]; [`draw`] makes random scenes of a [`SceneKind`]
//! within the ranges of `data/ranges.toml`. The crate shares no shape, edge or blur code with the finding that is
//! tested against it.

mod bench_draw;
mod blur;
mod board_side;
mod bound;
mod canvas;
mod clutter;
mod kinds;
mod look_draw;
mod outline;
mod part_draw;
mod part_side;
mod ranges;
mod render;
mod scene;
mod sensor;
mod sight;
mod spoil;
mod texture;
mod truth;

pub use bound::{Bound, bound};
pub use kinds::arrangements::Arrangement;
pub use kinds::ugly::Ugly;
pub use kinds::{Code, Drawn, Expectation, SceneKind, TerminalKind, draw};
pub use ranges::{Ranges, reference_ranges};
pub use render::{Rendered, render, render_light};
pub use scene::{
    Blur, BoardLook, Clutter, Defect, DefectKind, Frame, Highlight, LandLook, Lens, Light, Noise, Optics, PartLook, Paste, RegionPx, Ring,
    Scatter, Scene, SceneError, Sensor, Spot, Surface, TerminalLook, Uneven, View, Weave,
};
pub use sensor::{Picture, Samples};
pub use spoil::Spoil;
pub use truth::{DefectTruth, PoseTruth, SeenTruth, SiteTruth, Truth, ViewTruth};
